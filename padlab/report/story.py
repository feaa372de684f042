"""What a comparison says, in a technician's words: the one sentence of the answer, and its reasons.

Takes a Comparison, gives a :class:`Told` that a template prints line by line. No number is made
here, only sentences.
"""

from __future__ import annotations

import itertools
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from padlab.calibration.budget import WORDS
from padlab.decisions.rows import Comparison, PadRow, StockRow
from padlab.decisions.told_apart import RigRow
from padlab.marks import CODES, Mark, Weight
from padlab.report.numbers import between, chance, length, limit, listed, share, thickness
from padlab.statistics.quantity import Quantity

WEIGHT_WORDS = {Weight.STOP: "not used", Weight.CAUTION: "caution", Weight.NOTE: "note"}
_INGREDIENTS = {
    "give": "give from light to hard presses",
    "hold": "sinking under held notes",
    "warm_up": "warm-up (the first 50 presses after a rest)",
    "thinning": "thinning (set and wear over the years)",
    "service": "the service it is asked to give (years, presses a day)",
}
_MOST_NAMED = 8
_MOST_ALIKE = 4
SAME_MM = 5e-5
"""Half of the last digit that a length is told to."""
_PARTS = (
    ("Give", "light to hard press", "give_mm"),
    ("Sinking", "1 s to 10 s of a held note", "hold_mm"),
    ("Playing band", "whole width, 19 notes of 20", "play_band_mm"),
    ("Warm-up", "first 50 presses", "warm_up_mm"),
    ("Thinning", "set and wear", "thinning_mm"),
    ("Total drift", "play, warm-up and thinning", "drift_total_p95_mm"),
)


Key = tuple[str, str]
"""What makes two marks the same for a reader: code and message."""

VERDICT_WORDS = {"within": "within", "beyond": "beyond", "undecided": "not clear"}
"""How a verdict on a limit is said in a table."""


@dataclass(frozen=True)
class MarkLine:
    """One thing to know, how much it weighs, and what it concerns."""

    weight: str
    message: str
    concerns: str


@dataclass(frozen=True)
class StockLine:
    """A ranked stock with the words that stand beside its numbers."""

    row: StockRow
    verdict_words: str
    ties_words: str
    cautions: tuple[str, ...]


@dataclass(frozen=True)
class Told:
    """The whole story of a comparison."""

    answer: str
    ties: str
    sorted_by_limit: tuple[tuple[str, str, str], ...]  # (verdict, words, stocks)
    stocks: tuple[StockLine, ...]
    unplaced: tuple[tuple[str, str], ...]  # (stock, reason): listed, not ranked
    left_out: tuple[PadRow, ...]
    left_out_beside: tuple[PadRow, ...]  # those of stocks that are ranked all the same
    pads: tuple[tuple[str, tuple[PadRow, ...]], ...]  # stock by stock, in the order of the ranking
    marks: tuple[MarkLine, ...]
    columns: tuple[tuple[str, str, str], ...]  # (heading, small print, field): known for some stock
    blank_columns: str  # what is known for no stock
    made_of: tuple[tuple[str, str, str], ...]  # (stocks, what is in the drift, what is not)
    compared_at: str
    touch: str
    beyond: tuple[str, ...]  # shares that were counted apart
    rests_on: str
    smallest: str
    pairs: tuple[str, ...]  # neighbours in the ranking: do they differ, and by how much would do
    ties_told: tuple[str, ...]  # those of them that are not told apart
    rig_worth: tuple[str, ...]  # what each rig can tell apart, pad by pad
    for_all: tuple[str, ...]  # cautions that stand by every stock
    by_method: tuple[str, ...] = ()  # how the positions were found, where some were replayed
    beside: tuple[str, ...] = ()  # what the formula says of the replayed stocks


def tell(comparison: Comparison) -> Told:
    """The comparison in words."""
    placed = [r for r in comparison.ranking if r.drift_play_p95_mm is not None]
    order = {r.material: n for n, r in enumerate(comparison.ranking)}
    pads = sorted(
        comparison.pads, key=lambda p: (order.get(p.material, len(order)), p.material, p.lot, p.pad, p.run)
    )
    everywhere = _everywhere(placed)
    known = [part for part in _PARTS if any(getattr(r, part[2]) is not None for r in placed)]
    return Told(
        answer=_answer(placed),
        ties=_ties(placed, comparison),
        sorted_by_limit=_by_limit(placed, comparison.limit_mm),
        stocks=tuple(_stock_line(r, comparison, everywhere) for r in placed),
        unplaced=(
            *((r.material, _not_placed(r)) for r in comparison.ranking if r.drift_play_p95_mm is None),
            *((u.material, u.reason) for u in comparison.unranked),
        ),
        left_out=tuple(p for p in pads if p.role == "left out"),
        left_out_beside=tuple(
            p for p in pads if p.role == "left out" and p.material in {r.material for r in placed}
        ),
        pads=tuple((m, tuple(p for p in pads if p.material == m)) for m in _unique(p.material for p in pads)),
        marks=_marks(comparison, pads),
        made_of=_made_of(placed),
        columns=tuple(known),
        blank_columns=listed(
            [heading.lower() for heading, *_ in _PARTS if heading not in [k[0] for k in known]]
        ),
        compared_at=_compared_at(comparison),
        touch=_touch(comparison),
        beyond=_counted_apart(comparison),
        rests_on=_rests_on(comparison),
        smallest=_smallest(comparison),
        pairs=(pairs := _pairs(placed, comparison)),
        ties_told=tuple(line for line in pairs if not line.endswith(": told apart.")),
        rig_worth=tuple(rig_worth(rig) for rig in comparison.rigs),
        for_all=tuple(_unique(message for _, message in sorted(everywhere))),
        by_method=_by_method(placed, comparison),
        beside=tuple(line for row in placed if (line := _beside(row))),
    )


def _answer(placed: Sequence[StockRow]) -> str:
    if not placed:
        return "No stock could be ranked."
    best = placed[0]
    reach = f"19 notes of 20 within {length(best.drift_play_p95_mm)}{sure_between(best.drift_play_p95_mm)}"
    if len(placed) == 1:
        return f"Only {best.material} could be ranked: {reach}."
    return f"{_capital(best.material)} lets the valve drift least: {reach}."


def sure_between(value: Quantity | None) -> str:
    """The 95 % interval of a length behind its value in a headline; nothing where there is none.

    >>> sure_between(Quantity(0.0199, 0.0172, 0.0231)), sure_between(Quantity(0.0199))
    (', 95 % sure: 17.2 to 23.1 µm (0.7 to 0.9 thou)', '')
    """
    if value is None or value.low is None or value.high is None:
        return ""
    return f", 95 % sure: {between(value)}"


def _ties(placed: Sequence[StockRow], comparison: Comparison) -> str:
    if len(placed) < 2:
        return ""
    best = placed[0]
    tied = _not_told_apart(best, comparison)
    words = f"Not told apart from {listed(tied)}." if tied else "Told apart from every other stock."
    if best.probability_best is not None:
        words += f" Its chance of being the best of them: {chance(best.probability_best)}."
    return words


def _by_limit(placed: Sequence[StockRow], limit_mm: float) -> tuple[tuple[str, str, str], ...]:
    words = {
        "within": f"Stays within {limit(limit_mm)}",
        "undecided": f"Not clear: the doubt spans {limit(limit_mm)}",
        "beyond": f"Goes beyond {limit(limit_mm)}",
    }
    groups = ((v, w, listed([r.material for r in placed if r.verdict == v])) for v, w in words.items())
    return tuple((v, w, names or "none") for v, w, names in groups if names or v == "within")


def _stock_line(row: StockRow, comparison: Comparison, everywhere: frozenset[Key]) -> StockLine:
    words = VERDICT_WORDS.get(row.verdict, row.verdict)
    tied = _not_told_apart(row, comparison)
    alone = "none" if len(comparison.ranking) > 1 else ""
    cautions = _joined(sorted(_cautions(row) - everywhere))
    return StockLine(
        row,
        words,
        listed(tied) or alone,
        tuple(_unique(words + _how_many(keys, row, comparison) for words, keys in cautions)),
    )


def _cautions(row: StockRow) -> set[Key]:
    return {(m.code, m.message) for m in row.marks if m.weight is not Weight.NOTE}


def _joined(cautions: Sequence[Key]) -> list[tuple[str, list[Key]]]:
    """Cautions in words; those that differ by a share alone are one, from the least share to the largest.

    >>> _joined([("a", "0.1% of the strokes"), ("a", "0.7% of the strokes"), ("b", "x")])[0][0]
    '0.1 to 0.7% of the strokes'
    """
    alike: dict[Key, dict[Key, str]] = {}
    for code, message in cautions:
        share_of = re.fullmatch(r"(\d+(?:\.\d+)?)(% .+)", message)
        number, rest = share_of.groups() if share_of else ("", message)
        alike.setdefault((code, rest), {})[code, message] = number
    found = []
    for (_, rest), keys in alike.items():
        numbers = sorted(set(keys.values()), key=lambda n: float(n or 0))
        found.append((" to ".join(dict.fromkeys((numbers[0], numbers[-1]))) + rest, list(keys)))
    return found


def _everywhere(placed: Sequence[StockRow]) -> frozenset[Key]:
    """Cautions of every stock: they are said once, not on every line."""
    if len(placed) < 2:
        return frozenset()
    return frozenset.intersection(*(frozenset(_cautions(r)) for r in placed))


def _how_many(keys: Sequence[Key], row: StockRow, comparison: Comparison) -> str:
    """How many of the stock's ranked pads carry one of the marks, where it is not all of them."""
    ours = [p for p in comparison.pads if p.material == row.material and p.role == "ranked"]
    carriers = [p for p in ours if any((m.code, m.message) in keys for m in p.marks)]
    return f" ({len(carriers)} of {len(ours)} pads)" if 0 < len(carriers) < len(ours) else ""


def _made_of(placed: Sequence[StockRow]) -> tuple[tuple[str, str, str], ...]:
    """What is in each stock's drift and what is not; one line where all stocks agree."""
    groups: dict[tuple[tuple[str, ...], tuple[str, ...]], list[str]] = {}
    for row in placed:
        groups.setdefault((row.includes, row.missing), []).append(row.material)
    return tuple(
        (
            "All stocks" if len(groups) == 1 and len(placed) > 1 else listed(names),
            listed([_INGREDIENTS.get(i, i) for i in inside]),
            listed([_INGREDIENTS.get(i, i) for i in outside], last="or"),
        )
        for (inside, outside), names in groups.items()
    )


def _not_told_apart(row: StockRow, comparison: Comparison) -> list[str]:
    tied = {
        p.b if p.a == row.material else p.a
        for p in comparison.pairs
        if row.material in (p.a, p.b) and not p.told_apart
    }
    return [r.material for r in comparison.ranking if r.material in tied]


def _not_placed(row: StockRow) -> str:
    reasons = sorted({m.message for m in row.marks if m.weight is Weight.STOP}) or [
        "drift could not be determined"
    ]
    words = "; ".join(reasons)
    if row.test_force_needed_n is not None:
        words += f"; test it up to {row.test_force_needed_n:.1f} N net"
    return words


def _compared_at(comparison: Comparison) -> str:
    carried = comparison.carried_to
    words = f"a face of {carried.outer_mm:g} × {carried.inner_mm:g} mm"
    if carried.loaded_thickness_mm is None:
        return words + ", pads as thick as they were tested (no thickness is on file)"
    return words + f", {thickness(carried.loaded_thickness_mm)} thick under the usual press"


def _touch(comparison: Comparison) -> str:
    touch = comparison.touch
    opening = f"{_capital(touch.name)} touch on the {touch.stop} stop"
    press, held, net = f"{touch.median_n:.3g} N", f"{touch.hold_median_s:.2g} s", f"{touch.set_net_n:.3g} N"
    if touch.stop == "up":
        return (
            f"{opening}: the finger rests with {press}, {held} after the last press; "
            f"{touch.holding_n:.3g} N hold the valve up, so {net} reach the pad"
        )
    return (
        f"{opening}: usual press {press} of finger force, usual note {held}; "
        f"{touch.holding_n:.3g} N of it hold the valve down, so {net} reach the pad"
    )


def _counted_apart(comparison: Comparison) -> tuple[str, ...]:
    touch = comparison.touch
    away = "do not reach the stop" if touch.stop == "down" else "leave the valve short of its home"
    apart = share(touch.not_bottomed_share, most_decimals=1)
    lines = [f"{apart} of the presses {away}; they are counted apart, never as a position of zero."]
    if touch.cut_off_share:
        cut_off = share(touch.cut_off_share, most_decimals=1)
        lines.append(f"{cut_off} of the presses, the hardest, are cut off.")
    if touch.beyond_tested_share:
        harder = share(touch.beyond_tested_share, most_decimals=1)
        lines.append(
            f"Up to {harder} of the presses are harder than a pad was tested; they stand at the end of it."
        )
    return tuple(lines)


def _rests_on(comparison: Comparison) -> str:
    return {
        "lot": "The intervals rest on the spread from lot to lot: pads of one lot are one "
        "witness, not several.",
        "pad": "One lot of each stock: this ranks the pads that were tested, not the stocks.",
        "measurement": "One pad of each stock: this ranks these very pads, and the intervals hold only "
        "the doubt of measuring them.",
    }.get(comparison.replication, "")


def _smallest(comparison: Comparison) -> str:
    if comparison.smallest_difference_mm is None:
        return ""
    words = length(comparison.smallest_difference_mm)
    return f"Here a stock must differ from the best by about {words} to be told apart."


def _by_method(placed: Sequence[StockRow], comparison: Comparison) -> tuple[str, ...]:
    """Which rows are replayed, and why that differs from the formula; nothing where none is."""
    by = [r.material for r in placed if r.method == "replay"]
    if not by:
        return ()
    off = [p.held_back_rms_mm for p in comparison.pads if p.held_back_rms_mm is not None]
    who = "Every stock is" if len(by) == len(placed) else (
        f"{_capital(listed(by))} {'is' if len(by) == 1 else 'are'}")
    lines = [
        f"{who} replayed: some hundreds of notes of this touch, with rests, go through each pad's own model, "
        f"which was off by {length(min(off))} to {length(max(off))} (root mean square) on the part of its "
        "run that it never saw; that error is in every interval."
    ]
    rest = [r.material for r in placed if r.method != "replay"]
    if rest:
        lines.append(f"By the formula, and not by replay: {listed(rest)}. Compare across the two with care.")
    lines.append(
        "The formula puts every note in the middle of pressing and letting go, sunk as if the pad had rested "
        "before it. A replayed pad remembers: notes stand on the way in, a light note after a hard one may "
        "stand deeper, and what has not come back between notes stays."
    )
    return tuple(lines)


def _beside(row: StockRow) -> str:
    """The formula's drift beside the replay's."""
    if row.formula is None or row.formula.drift_play_p95_mm is None or row.drift_play_p95_mm is None:
        return ""
    away = row.drift_play_p95_mm.value - row.formula.drift_play_p95_mm.value
    differs = "the same" if abs(away) < SAME_MM else f"{length(abs(away))} {'more' if away > 0 else 'less'}"
    return (f"{_capital(row.material)}: {length(row.drift_play_p95_mm)} by replay, "
            f"{length(row.formula.drift_play_p95_mm)} by the formula ({differs}).")


def _pairs(placed: Sequence[StockRow], comparison: Comparison) -> tuple[str, ...]:
    """Each stock beside the next one: told apart or not, and what would be."""
    by_names = {frozenset((p.a, p.b)): p for p in comparison.pairs}
    lines = []
    for one, two in itertools.pairwise(r.material for r in placed):
        pair = by_names.get(frozenset((one, two)))
        if pair is None:
            continue
        seen, least = abs(pair.difference_mm.value), pair.smallest_difference_mm
        words = f"{_capital(one)} and {two} differ in drift by {length(seen)}"
        if pair.told_apart:
            lines.append(f"{words}: told apart.")
        elif least is None:
            lines.append(f"{words}: not known what would be told apart.")
        else:
            lines.append(f"{words}: not told apart, which takes about {length(least)}.")
    return tuple(lines)


def rig_worth(rig: RigRow) -> str:
    """What a rig can tell apart, in one sentence, and what is not in it.

    The words of :func:`padlab.calibration.budget.verdict`, for the stocks where it tells best and worst.
    """
    known = [s for s in rig.stocks if s.smallest_difference_mm is not None]
    if not known:
        return f"What {rig.rig} can tell apart is not determined: nothing was repeated."
    best, worst = (pick(known, key=lambda s: s.smallest_difference_mm or 0.0) for pick in (min, max))
    words = f"This rig ({rig.rig}) can tell apart pads that differ by {length(best.smallest_difference_mm)} "
    words += f"in give or more, if they are like {best.material}"
    if worst is not best:
        words += f"; by {length(worst.smallest_difference_mm)}, if like {worst.material}"
    words += f" (give from {rig.from_n:g} to {rig.to_n:g} N net, at 95 %)."
    missing = list(dict.fromkeys(WORDS.get(u.group, u.group) for s in rig.stocks for u in s.budget.unknown))
    return words + (f" Not known, so not in it: {listed(missing)}." if missing else "")


def _marks(comparison: Comparison, pads: Sequence[PadRow]) -> tuple[MarkLine, ...]:
    """Marks with the same words on one line, heaviest first.

    Where one code has many wordings (each stroke left out has its own force in it), one line with
    the code's own sentence stands for all; the fit of the run lists each.
    """
    stocks: dict[Mark, list[str]] = {}
    runs: dict[Mark, list[PadRow]] = {}
    for pad in pads:
        for found in pad.marks:
            runs.setdefault(_told(found, pad), []).append(pad)
    on_pads = {(m.code, m.message, p.material) for m, own in runs.items() for p in own}
    for found in comparison.marks:
        stocks.setdefault(Mark(found.code, "", found.message), []).append("the whole comparison")
    for row in comparison.ranking:
        for found in row.marks:
            if (found.code, found.message, row.material) not in on_pads:  # else its pads say it, by name
                stocks.setdefault(Mark(found.code, "", found.message), []).append(row.material)
    lines: dict[Mark, tuple[list[str], list[PadRow]]] = {}
    kinds = Counter(m.code for m in {*stocks, *runs})
    for found in {**stocks, **runs}:  # in the order of ranking and pads, never of a set
        shown = found if kinds[found.code] <= _MOST_ALIKE else Mark(found.code, "", CODES[found.code][1])
        words, own = lines.setdefault(shown, ([], []))
        words += stocks.get(found, [])
        own += runs.get(found, [])
    weights, codes = list(WEIGHT_WORDS), list(CODES)
    every = sorted(lines, key=lambda m: (weights.index(m.weight), codes.index(m.code), m.message, m.about))
    return tuple(
        MarkLine(
            WEIGHT_WORDS[m.weight],
            f"{m.about}: {m.message}" if m.about else m.message,
            "; ".join([*_unique(lines[m][0]), *_pads_named(lines[m][1], pads)]),
        )
        for m in every
    )


def _told(found: Mark, pad: PadRow) -> Mark:
    """The mark without what the line says anyway: the run, the pad, or words that its message repeats."""
    about = found.about.rpartition(": ")[2]
    names = {pad.run, pad.pad, pad.material, f"pad {pad.pad}", f"run {pad.run}"}
    if about in names or " " not in about or set(about.split()) <= set(found.message.split()):
        about = ""
    return Mark(found.code, about, found.message)


def _pads_named(marked: Sequence[PadRow], pads: Sequence[PadRow]) -> list[str]:
    """The marked runs, as shortly as they can be named: all, a whole stock, or pad by pad."""
    if marked and len(_unique(p.run for p in marked)) == len(_unique(p.run for p in pads)):
        return [f"all {len(pads)} runs"] if len(pads) > 1 else [f"run {pads[0].run}"]
    words = []
    for material in _unique(p.material for p in marked):
        ours = [p for p in marked if p.material == material]
        if len(_unique(p.run for p in ours)) == len(_unique(p.run for p in pads if p.material == material)):
            words.append(f"{material} (all its runs)")
            continue
        names = _unique(f"{p.pad} ({p.lot})" for p in ours)
        more = f" and {len(names) - _MOST_NAMED} more" if len(names) > _MOST_NAMED else ""
        words.append(f"{material}: {', '.join(names[:_MOST_NAMED])}{more}")
    return words


def opening(reason: str) -> str:
    """The first of several reasons, and how many more there are: what a first glance has room for.

    >>> opening("pad 1 is torn; pad 2 is torn; pad 3 is torn")
    'pad 1 is torn, and 2 more reasons'
    """
    first, *more = reason.split("; ")
    if not more:
        return first
    return f"{first}, and {len(more)} more reason{'s' if len(more) > 1 else ''}"


def _unique(names: Iterable[str]) -> list[str]:
    return list(dict.fromkeys(names))


def _capital(name: str) -> str:
    return name[:1].upper() + name[1:]
