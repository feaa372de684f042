"""A :class:`~padlab.decisions.cut_rows.Choice` -> the cut list to lay on the bench: one HTML file.

It stands alone. The first sheet is the work, one line a stop in working order; behind it stand the reasons:
stocks weighed against each other stop by stop, what parts add up to, every mark. The same choice gives the
same bytes, but for the date.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from padlab import __version__
from padlab.cautions import CAUTIONS
from padlab.decisions.cut_rows import Candidate, Check, Choice, NoCut, StopChoice
from padlab.marks import Mark, Weight
from padlab.records.instrument import RING, SIDES, UNKNOWN, Side, error_words
from padlab.records.shop import Shop
from padlab.report.cut_figures import stack_figure, trade_figure
from padlab.report.numbers import NOT_DETERMINED, between, chance, length, listed, thickness
from padlab.report.pages import environment, write_page
from padlab.report.valve_drawing import MINUS, WHEN, signed, valve_drawing
from padlab.units import MM_PER_THOU, N_PER_KGF, span, spans, thou
from padlab.words import one_line, shortened

NAME_LENGTH, VALVE_LENGTH = 60, 40
"""Longer names are shortened in the middle on the first sheet; behind it they stand whole."""

WATCHED = ("near_metal", "metal_unknown", "port_spread", "small_foot", "no_gauge", "fitted_aged")
"""Marks that a hand at the bench must know of stand on the first sheet."""

HEAVY = (Weight.STOP, Weight.CAUTION, Weight.NOTE)


@dataclass(frozen=True)
class Line:
    """One stop in working order: with a choice, or without a cut."""

    valve: str
    side: Side
    chosen: StopChoice | None
    none: NoCut | None

    @property
    def best(self) -> Candidate | None:
        """The stock to cut, if any."""
        return None if self.chosen is None else self.chosen.best

    @property
    def name(self) -> str:
        """Such as "1 down"."""
        return f"{shortened(one_line(self.valve), VALVE_LENGTH)} {self.side}"


def cut_list_page(choice: Choice, *, made_on: str) -> str:
    """The cut list; ``made_on`` is the date to print, the only thing that is not of the choice."""
    from markupsafe import Markup

    lines = working_order(choice)
    marks = _Marks(lines)
    rows = [_row(line, choice.shop, marks) for line in lines]
    figures = {side: _widest(choice, side) for side in SIDES}
    return environment().get_template("cut_list.html.j2").render(
        made_on=made_on, version=__version__, cautions=CAUTIONS, choice=choice, rows=rows,
        label=shortened(one_line(choice.instrument.label), NAME_LENGTH),
        no_cut=[r for r in rows if r["none"] is not None],
        foot=foot_words(choice.shop), hardest=force_words(choice.shop.hardest_press_n),
        watch=_watch(lines, choice.shop), marks=marks.listed(), valves=_valves(choice, lines),
        stack=[(side, choice.stack[side], chance(choice.stack[side].felt_share_built),
                chance(choice.stack[side].felt_share_fitted)) for side in SIDES if side in choice.stack],
        stack_drawn=Markup(stack_figure(choice.stack, figures, key="stack")) if choice.stack else None,
        thickness=thickness, force=force_words)


def write_cut_list(choice: Choice, out: Path, *, made_on: str) -> None:
    """Write the cut list whole or not at all."""
    write_page(out, "--out", lambda: cut_list_page(choice, made_on=made_on))


def working_order(choice: Choice) -> list[Line]:
    """Every stop of the instrument once: valve by valve, down before up.

    A stop that the choice does not speak of stands as one without a cut.
    """
    chosen = {(s.valve, s.side): s for s in choice.stops}
    none = {(n.valve, n.side): n for n in choice.no_cut}
    names = dict.fromkeys([*(v.name for v in choice.instrument.valves), *(v for v, _ in (*chosen, *none))])
    return [Line(name, side, chosen.get((name, side)),
                 None if (name, side) in chosen else none.get((name, side)) or NoCut(name, side, ()))
            for name in names for side in SIDES]


def force_words(force_n: float) -> str:
    """A force for a spring balance too.

    >>> force_words(4.0), force_words(0.0)
    ('4 N (408 gf)', '0 N')
    """
    grams = 1e3 * force_n / N_PER_KGF
    return f"{force_n:.3g} N" + (f" ({grams:.3g} gf)" if 0.5 <= grams < 999.5 else
                                 f" ({grams / 1e3:.3g} kgf)" if grams >= 999.5 else "")


def foot_words(shop: Shop) -> str | None:
    """The shop gauge's foot, or None where it is not described."""
    foot = shop.foot
    if foot is None:
        return None
    wide = "over the whole pad" if foot.diameter_mm is None else f"{foot.diameter_mm:g} mm foot"
    return f"{foot.force_n:.3g} N, {wide}"


def plain_thou(value: float) -> str:
    """Thou with the decimals that a cut has.

    >>> plain_thou(61.0), plain_thou(55.5)
    ('61', '55.5')
    """
    return f"{value:g}"


class _Marks:
    """Marks of all stops and stocks, each once, with a number that stands where it holds."""

    def __init__(self, lines: Iterable[Line]) -> None:
        held: dict[Mark, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
        for line in lines:
            if line.chosen is None:
                continue
            for mark in line.chosen.marks:
                held[mark][""].append(line.name)
            for one in (line.chosen.best, *line.chosen.others):
                for mark in () if one is None else one.marks:
                    held[mark][one_line(one.material) if one is not None else ""].append(line.name)
        self.held = held
        order = sorted(held, key=lambda m: (HEAVY.index(m.weight), m.code, m.about, m.message))
        self.number = {mark: n for n, mark in enumerate(order, start=1)}

    def numbers(self, marks: Iterable[Mark], *, cautions_only: bool = False) -> str:
        """Such as "2, 5"."""
        chosen = {m for m in marks if not (cautions_only and m.weight is Weight.NOTE)}
        return ", ".join(str(n) for n in sorted(self.number[m] for m in chosen))

    def listed(self) -> list[dict[str, Any]]:
        """All of them in the order of their numbers."""
        return [{"n": n, "weight": str(m.weight), "words": _mark_words(m), "holds": "; ".join(
            (f"{stock}: " if stock else "") + listed(list(dict.fromkeys(stops)))
            for stock, stops in sorted(self.held[m].items()))} for m, n in self.number.items()]


def _mark_words(mark: Mark) -> str:
    return f"{one_line(mark.about)}: {one_line(mark.message)}".replace(" um ", " µm ")


def _watch(lines: Sequence[Line], shop: Shop) -> list[tuple[str, str]]:
    """What must be known at the bench: where, and what."""
    found: dict[tuple[int, str], list[str]] = defaultdict(list)
    for line in lines:
        if line.chosen is None:
            continue
        best = line.chosen.best
        for mark in dict.fromkeys((*line.chosen.marks, *(() if best is None else best.marks))):
            if mark.code in WATCHED and mark.weight is not Weight.NOTE:
                words = one_line(mark.message).replace(" um ", " µm ")
                found[WATCHED.index(mark.code), words].append(line.name)
    cut = sum(line.chosen is not None for line in lines)
    told = [("all stops" if len(set(names)) == cut > 1 else listed(list(dict.fromkeys(names))), words)
            for (_, words), names in sorted(found.items())]
    return told if shop.punches_mm else [*told, ("Punches", "none is listed in shop.toml")]


def _row(line: Line, shop: Shop, marks: _Marks) -> dict[str, Any]:
    """What the templates print of one stop."""
    row: dict[str, Any] = {
        "line": line, "valve": shortened(one_line(line.valve), VALVE_LENGTH), "side": line.side,
        "when": WHEN[line.side], "best": line.best, "none": line.none, "missing": [], "marks": ""}
    if line.none is not None:
        start = f"valve.{line.valve}.{line.side}."
        row["missing"] = [(m.key.removeprefix(start), m.remedy) for m in line.none.missing]
        return row
    chosen = line.chosen
    assert chosen is not None
    best, stop = chosen.best, chosen.stop
    stocks = [c for c in (best, *chosen.others) if c is not None]
    row |= {
        "chosen": chosen, "stop": stop, "found": sentence(_found(chosen)),
        "fitted": sentence(_fitted(chosen)),
        "usual": None if best is None else force_words(best.net_n),
        "wanted": thickness(chosen.wanted_mm), "wanted_u": length(1.96 * chosen.wanted_u_mm),
        "ring": f"{stop.outer_mm:g} × {stop.inner_mm:g} mm", "punch": _punch(best, shop),
        "marks": marks.numbers((*chosen.marks, *(() if best is None else best.marks)), cautions_only=True),
        "stop_marks": marks.numbers(chosen.marks),
        "stocks": [_stock(c, n, marks, shop) for n, c in enumerate(stocks, start=1)],
        "trade": _trade(stocks, key=f"trade{marks_key(line)}"),
        "why": why_none(chosen), "tied": listed([one_line(t) for t in chosen.tied])}
    if best is not None:
        row |= {"cut": plain_thou(best.cut_thou), "cut_mm": f"{best.cut_thou * MM_PER_THOU:.3f} mm",
                "stock": shortened(one_line(best.material), NAME_LENGTH), "from": sheet_words(best),
                "layers": 1 if best.sheet is None else best.sheet.layers, "gauge": _gauge(best),
                "checks": [_check(c, line.side) for c in best.checks]}
    return row


def why_none(chosen: StopChoice) -> str:
    """The reason that most refused stocks have, for the first sheet."""
    reasons = [one_line(r.reason) for r in chosen.refused]
    if not reasons:
        return "no run on file that could serve"
    most = max(dict.fromkeys(reasons), key=reasons.count)
    others = len(reasons) - reasons.count(most)
    more = f"; {others} more for other reasons" if others else ""
    return shortened(most, 160).replace(" um ", " µm ") + more


def marks_key(line: Line) -> str:
    """Ids of drawings: letters and digits only, whatever the valve is called."""
    return line.valve.encode("utf-8", "replace").hex() + line.side


def sheet_words(one: Candidate) -> list[str]:
    """From what to cut, in short lines."""
    plan = one.sheet
    if plan is None:
        return ["no sheet on hand would serve"]
    said = [f"{round(thou(plan.thickness_mm), 2):g} thou ({plan.thickness_mm:.2f} mm), "
            f"lot {shortened(one_line(plan.lot), 40)}"]
    if plan.layers > 1:
        each = one.cut_thou / plan.layers
        said.append(f"{plan.layers} × {plain_thou(round(each, 2))} thou ({each * MM_PER_THOU:.2f} mm) glued")
    if plan.shims_mm:
        shims = " + ".join(plain_thou(round(thou(s), 2)) for s in plan.shims_mm)
        said.append(f"{'shim' if len(plan.shims_mm) == 1 else 'shims'} {shims} thou "
                    f"({sum(plan.shims_mm):.2f} mm)")
    return said


def _punch(best: Candidate | None, shop: Shop) -> str | None:
    """What is to be said of the punch; None: it is there, or none is listed (said once, not line by line)."""
    if best is None or best.has_punch:
        return None
    return "no punch" if shop.punches_mm else None


def _gauge(one: Candidate) -> dict[str, str]:
    def told(q: Any) -> tuple[str, str]:
        return (NOT_DETERMINED, "") if q is None else (f"{thou(q.value):.1f}", f"{q.value:.3f} mm")

    (fresh, fresh_mm), (seated, seated_mm) = told(one.gauge_mm), told(one.gauge_seated_mm)
    return {"fresh": fresh, "fresh_mm": fresh_mm, "seated": seated, "seated_mm": seated_mm,
            "go": NOT_DETERMINED if one.go_thou is None else plain_thou(one.go_thou),
            "no_go": NOT_DETERMINED if one.no_go_thou is None else plain_thou(one.no_go_thou)}


def _check(one: Check, side: Side) -> dict[str, str]:
    q = one.expected_mm
    known = q.low is not None and q.high is not None
    verb = "press" if side == "down" else "rest"
    return {"press": "finger off" if one.at_n == 0 else f"{verb} with {force_words(one.at_n)}",
            "at": f"{one.at_n:.3g} N", "reads": reading(q.value), "way": way(q.value), "um": um(q.value),
            "between": f"{reading(q.low)} to {reading(q.high)}" if known else "",      # type: ignore[arg-type]
            "between_um": f"{um(q.low)} to {um(q.high)}" if known else "",             # type: ignore[arg-type]
            "fresh": reading(one.fresh_mm)}


def reading(length_mm: float) -> str:
    """A port error to a tenth of a thou, finer than it can be read.

    >>> reading(-0.0584), reading(0.001)
    ('−2.3', '0.0')
    """
    return signed(length_mm, 1)


def way(length_mm: float) -> str:
    """To which side a reading lies, in a word; by the same rounding as its number.

    >>> way(0.1), way(-0.1), way(0.001)
    ('down', 'high', 'on zero')
    """
    return {"+": "down", MINUS: "high"}.get(reading(length_mm)[0], "on zero")


def um(length_mm: float) -> str:
    """A port error in whole micrometres with its sign.

    >>> um(-0.0584), um(0.0001)
    ('−58', '0')
    """
    whole = round(1e3 * length_mm)
    return f"{whole:+d}".replace("-", MINUS) if whole else "0"


def sentence(words: str) -> str:
    """With a capital; what else is in it (N, a name) stays as it is."""
    return words[:1].upper() + words[1:]


def _found(chosen: StopChoice) -> str:
    """The port as it was found, in words."""
    if chosen.is_given:
        return "cut as fitted before: no new reading"
    return error_words(chosen.side, chosen.stop.port_error_mm).replace(" um", " µm")


def _fitted(chosen: StopChoice) -> str:
    stop = chosen.stop
    at = f"read at {force_words(stop.read_at_n)}"
    by = f" by {one_line(stop.method)}" if stop.method else ""
    pad = f"a pad of {one_line(stop.fitted)}"
    what = {RING: "a setting ring", UNKNOWN: "an unknown pad"}.get(stop.fitted, pad)
    size = stop.fitted_loaded_thickness_mm
    how = "" if size is None else " under load"
    size = stop.fitted_thickness_mm if size is None else size
    return f"{at}{by}, with {what} of {thickness(size)}{how} in"


def _stock(one: Candidate, number: int, marks: _Marks, shop: Shop) -> dict[str, Any]:
    """One row of the trade between stocks."""
    small = one.sensitivity
    q = one.renew_years
    return {
        "extrapolated": {about: "extrapolated" for about in ("thinning", "hardest press") if any(
            m.code == "extrapolated" and m.about == about for m in one.marks)},
        "n": number, "one": one, "name": one_line(one.material), "marks": marks.numbers(one.marks),
        "tested": f"{one.pads} {'pad' if one.pads == 1 else 'pads'}, "
                  f"{'lot' if len(one.lots) == 1 else 'lots'} {listed([one_line(lot) for lot in one.lots])}; "
                  f"{'touch replayed' if one.method == 'replay' else 'by the formula'}",
        "cut": plain_thou(one.cut_thou), "cut_mm": f"{one.cut_thou * MM_PER_THOU:.3f} mm",
        "from": sheet_words(one), "renew": NOT_DETERMINED if q is None else span(q.value),
        "renew_between": NOT_DETERMINED if q is None else spans(q.low, q.high),
        "stands": f"{reading(one.target_error_mm)} thou ({way(one.target_error_mm)})",
        "loaded": thickness(one.loaded_mm), "loaded_between": between(one.loaded_mm),
        "thinning": length(one.thinning_mm), "added": length(one.added_mm),
        "hardest": force_words(one.hardest_n),
        "small": [moved(small.cut_one_thou_mm), moved(small.warmer_10_k_mm), moved(small.quarter_harder_mm)],
    }


def moved(length_mm: float | None) -> str:
    """A small change of the loaded thickness, with its sign.

    >>> moved(0.0239), moved(-0.0101), moved(None)
    ('+23.9 µm (+0.9 thou)', '−10.1 µm (−0.4 thou)', 'not determined')
    """
    if length_mm is None:
        return NOT_DETERMINED
    sign = "+" if length_mm > 0 else MINUS if length_mm < 0 else ""
    return sign + length(abs(length_mm)).replace("(", f"({sign}")


def _trade(stocks: list[Candidate], *, key: str) -> Any:
    from markupsafe import Markup

    drawn = trade_figure(stocks, key=key)
    return None if drawn is None else Markup(drawn)


def _valves(choice: Choice, lines: list[Line]) -> list[dict[str, Any]]:
    """A drawing of every valve, with the words beside it."""
    from markupsafe import Markup

    drawn = []
    for n, name in enumerate(dict.fromkeys(line.valve for line in lines)):
        mine = {line.side: line for line in lines if line.valve == name}
        errors: dict[Side, float | None] = {}
        said = []
        for side in SIDES:
            chosen = mine[side].chosen
            is_read = chosen is not None and not chosen.is_given
            errors[side] = chosen.stop.port_error_mm if is_read and chosen is not None else None
            said.append((WHEN[side], "no cut for this stop" if chosen is None else
                         _found(chosen).removeprefix(f"{WHEN[side]}, the piston stands ")))
        svg = valve_drawing(name, down_mm=errors["down"], up_mm=errors["up"], key=f"valve{n}")
        drawn.append({"name": shortened(one_line(name), VALVE_LENGTH), "said": said, "drawn": Markup(svg)})
    return drawn


def _widest(choice: Choice, side: Side) -> float | None:
    """Half of the 95 % interval of the stop that is known worst."""
    halves = [h for s in choice.stops if s.side == side and s.best is not None
              and (h := s.best.loaded_mm.half_width) is not None]
    return max(halves, default=None)
