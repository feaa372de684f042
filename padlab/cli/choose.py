"""``padlab choose``: which pad for every stop of an instrument, and how thick to cut it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from padlab.cli.main import print_json
from padlab.cli.pad_runs import fitted_by, shared_out
from padlab.cli.terminal import say
from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.decisions.cut_rows import Candidate, Check, Choice, StopChoice
    from padlab.drift.touch import TouchProfile
    from padlab.statistics.quantity import Quantity


@click.command(name="choose")
@click.argument("instrument", type=click.Path(dir_okay=False, path_type=Path), metavar="INSTRUMENT.toml")
@click.argument("shelf", metavar="SHELF")
@click.option("--touch", metavar="light|medium|hard|FILE.toml|RUN",
              help="The player.  [default: as the file says]")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html",
              help="The cut list, to lay on the bench: one page of A4.")
@click.option("--labels", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html",
              help="A label for each pad, and for spares 2 thou thicker and thinner.")
@shared_out
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(instrument: Path, shelf: str, touch: str | None, out: Path | None, labels: Path | None,
            workers: int | None, scheduler: str | None, as_json: bool) -> None:
    """Which pad for every stop of an instrument, and how thick to cut it.

    Signs: a port error is + where the piston stands too far DOWN (away from the button), however the
    instrument lies.

    \b
        button                 a thicker DOWN pad lifts the pressed piston,
      ==[down pad]==  <- cap   a thicker UP pad lets it rise less when let go:
      --[ up pad ]--           the two stops are adjusted apart.
       | piston  |   port
       |  (   )  | --(  )--    error +: piston too far down; error -: too high

    A setting ring is a hard ring (brass or hard plastic) put in place of a pad while a port is read: two
    sizes serve most valves. Measure it with a micrometer and write fitted = "ring" and
    fitted_thickness = "52thou".

    padlab choose cornet-3.toml SHELF --out cutlist.html --labels labels.html

    In place of the instrument file a fitting that padlab fitted has kept serves too: the pads are cut again
    without the instrument, by what it asked for and what the check read, from the lots now on the shelf.
    """  # noqa: D301  click's mark for lines that stay as they are is a backspace
    for option, path in (("--out", out), ("--labels", labels)):
        if path is not None and not path.parent.is_dir():
            raise click.BadParameter(f"there is no folder {plain(str(path.parent))}", param_hint=option)
    if out is not None and labels is not None and out.resolve() == labels.resolve():
        raise click.BadParameter("the same file as --out", param_hint="--labels")
    choice, _ = chosen(instrument, shelf, touch=touch, workers=workers, scheduler=scheduler)
    if out is not None or labels is not None:
        _write(choice, out, labels)
    if as_json:
        print_json(choice.to_json())
        return
    for line in told(choice):
        say(line)
    if out is not None:
        click.echo(f"\nThe cut list: {plain(str(out))}")
    if labels is not None:
        click.echo(f"{'' if out is not None else chr(10)}The labels: {plain(str(labels))}")


def _write(choice: Choice, out: Path | None, labels: Path | None) -> None:
    from datetime import UTC, datetime

    from padlab.report.cut_labels import write_labels
    from padlab.report.cut_list import write_cut_list

    made_on = f"{datetime.now(UTC):%Y-%m-%d}"
    if out is not None:
        write_cut_list(choice, out, made_on=made_on)
    if labels is not None:
        write_labels(choice, labels, made_on=made_on)


def chosen(instrument: Path, shelf: str, *, touch: str | None = None, workers: int | None = None,
           scheduler: str | None = None) -> tuple[Choice, TouchProfile]:
    """The choice for an instrument file, or again for what was fitted years ago."""
    from padlab.decisions import shelf_choice
    from padlab.drift.player import player

    return shelf_choice.chosen(
        shelf_choice.read_wanted(instrument), Path(shelf), touch=touch,
        player=lambda name: player(name, (shelf,)), fit=fitted_by(workers, scheduler))


def told(choice: Choice) -> list[str]:
    """The choice in lines: the cuts, a line a stop; then stop by stop; then each caution once, by number."""
    from padlab.words import one_line

    lines = [one_line(f"{choice.instrument.label}: {choice.touch} touch"), "", *map(_first, choice.stops)]
    lines += [f"  {one_line(none.valve)} {none.side}: NO CUT, see below" for none in choice.no_cut]
    cautions: dict[str, int] = {}
    for stop in choice.stops:
        lines += ["", *_stop(stop, cautions)]
    for none in choice.no_cut:
        lines += ["", f"valve {one_line(none.valve)}, {none.side} stop: NO CUT"]
        lines += [f"  {one_line(lack.key)}: {one_line(lack.remedy)}" for lack in none.missing]
    if cautions:
        lines += ["", "Cautions, by the numbers above", *(f"  {n}  {words}" for words, n in cautions.items())]
    return lines


def _first(one: StopChoice) -> str:
    """A stop in a line, as it is wanted at the bench."""
    from padlab.words import one_line

    head, best = f"  {one_line(one.valve)} {one.side}: ", one.best
    if best is None:
        return head + "no stock may be recommended, see below"
    return head + one_line(f"{best.material}, {best.cut_thou:g} thou ({_mm(best.cut_thou)})"
                           f"{_built_on(best)}; {_reads(best.checks[0])}")


def _reads(check: Check) -> str:
    from padlab.units import MM_PER_THOU

    q = check.expected_mm
    between = "" if q.low is None or q.high is None else \
        f" [{q.low / MM_PER_THOU:+z.1f} to {q.high / MM_PER_THOU:+z.1f}]"
    return f"a right pad reads {q.value / MM_PER_THOU:+z.1f} thou{between} at {check.at_n:.3g} N"


def _stop(one: StopChoice, cautions: dict[str, int]) -> list[str]:
    """A stop in full; its cautions are counted on in ``cautions`` (words: number), and named by number."""
    from padlab.marks import Weight
    from padlab.records.instrument import error_words
    from padlab.statistics.quantity import t95
    from padlab.units import both_lengths
    from padlab.words import one_line

    head = f"valve {one_line(one.valve)}, {one.side} stop: "
    read = [] if one.is_given else [f"  {error_words(one.side, one.stop.port_error_mm)}"]
    lines = [f"  wanted under the usual press: {both_lengths(one.wanted_mm)}, known to "
             f"{both_lengths(t95(math.inf) * one.wanted_u_mm)} (95 %)"]
    best = one.best
    if best is None:
        lines = [head + "NO STOCK MAY BE RECOMMENDED", *read, *lines]
    else:
        lines = [head + one_line(f"{best.material}, cut to {best.cut_thou:g} thou ({_mm(best.cut_thou)})"
                                 f"{_built_on(best)}"),
                 *read, *lines, *_cut(best)]
    lines += [f"  {one_line(c.material)}: {c.cut_thou:g} thou{_built_on(c)}; {_trade(c)}" for c in one.others]
    lines += ["  " + one_line(f"refused: {r.material}: {r.reason}") for r in one.refused]
    if one.tied:
        lines.append("  " + one_line("not told apart from it by drift: " + ", ".join(one.tied)))
    marks = [*one.marks, *(() if best is None else best.marks)]
    numbers = [cautions.setdefault(one_line(f"{m.weight}: {m.about}: {m.message}"), len(cautions) + 1)
               for m in marks if m.weight is not Weight.NOTE]
    return [*lines, *([f"  cautions: {', '.join(map(str, sorted(numbers)))}"] if numbers else [])]


def _cut(best: Candidate) -> list[str]:
    from padlab.units import MM_PER_THOU
    from padlab.words import one_line

    lines = []
    if best.gauge_mm is not None or best.gauge_seated_mm is not None:
        parts = [f"{words} {q.value / MM_PER_THOU:.1f} thou" for words, q in
                 (("fresh", best.gauge_mm), ("once seated", best.gauge_seated_mm)) if q is not None]
        lines.append(f"  the shop gauge reads {', '.join(parts)}: "
                     f"go {best.go_thou:g}, no-go {best.no_go_thou:g}")
    lines += [f"  {_reads(check)}" for check in best.checks]
    if best.sheet is not None:
        lines.append("  " + one_line(f"from the {best.sheet.thickness_mm / MM_PER_THOU:g} thou sheet of lot "
                                     f"{best.sheet.lot}{_built_on(best)}"))
    return [*lines, f"  {_trade(best)}"]


def _built_on(one: Candidate) -> str:
    """The shims and layers that a cut counts on: without them it is another cut."""
    from padlab.units import MM_PER_THOU

    if one.sheet is None:
        return ""
    layers = "" if one.sheet.layers == 1 else f" in {one.sheet.layers} layers"
    shims = " + ".join(f"{s / MM_PER_THOU:g}" for s in one.sheet.shims_mm)
    return layers + (f" with {shims} thou of shim" if shims else "")


def _trade(one: Candidate) -> str:
    """What speaks for and against a stock, in a line."""
    from padlab.units import span, spans

    parts = []
    if one.drift_play_mm is not None:
        parts.append(f"19 notes of 20 within {_within(one.drift_play_mm)}")
    if one.drift_mm is not None:
        parts.append(f"over the service {_within(one.drift_mm)}")
    if (q := one.loss_fraction) is not None:
        between = "" if q.low is None or q.high is None else f" [{100 * q.low:.1f} to {100 * q.high:.1f}%]"
        parts.append(f"springback loss {q.value:.0%}{between}")
    q = one.renew_years
    if q is None:
        parts.append("renewal not determined")
    elif q.low is None:
        parts.append(f"outlasts the service of {span(q.value)}: look at it then")
    else:
        parts.append(f"renew after {span(q.value)} [{spans(q.low, q.high)}]")
    if one.travel_to_metal_mm is not None:
        parts.append(f"{_within(one.travel_to_metal_mm)} from metal at the hardest press")
    return "; ".join(parts)


def _within(q: Quantity) -> str:
    """A length with its interval, where it has one; both in um and in thou."""
    from padlab.report.numbers import between
    from padlab.units import both_lengths

    if q.low is None or q.high is None:
        return both_lengths(q.value)
    return f"{both_lengths(q.value)} [{between(q).replace('µm', 'um')}]"


def _mm(thou: float) -> str:
    from padlab.units import MM_PER_THOU

    return f"{thou * MM_PER_THOU:.3f} mm"
