"""``padlab compare``: rank stocks by drift in play; one HTML page."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from padlab.cli.main import print_json
from padlab.cli.pad_runs import fitted_by, shared_out
from padlab.cli.terminal import in_columns, say, terminal_width
from padlab.cli.words import Number, plain

if TYPE_CHECKING:
    from padlab.decisions.comparison import Comparison, StockRow
    from padlab.decisions.total import ServiceLoss

SMALLEST_FACE_MM = 2.0
"""A face of a few tenths is one whose mm were typed as thou."""

Callback = Callable[[click.Context, click.Parameter, str | None], Any]


def quantity_option(kind: str, *, low: float, high: float) -> Callback:
    """An option's text as a quantity with its unit; a bare number or an absurd size is a usage error."""
    def read(ctx: click.Context, param: click.Parameter, text: str | None) -> float | None:
        return None if text is None else typed_quantity(text, kind, low, high)
    return read


def typed_quantity(text: str, kind: str, low: float, high: float) -> float:
    """Typed text as a quantity between two sizes, or a usage error."""
    from padlab.errors import UnitError
    from padlab.units import parse_quantity

    try:
        number = parse_quantity(text, kind)
    except UnitError as fault:
        raise click.BadParameter(plain(str(fault))) from fault
    if not low <= number <= high:
        unit = {"length": "mm", "force": "N", "temperature": "degC"}[kind]
        raise click.BadParameter(f"{plain(text)[:60]} is not between {low:g} and {high:g} {unit}")
    return number


def _ring(ctx: click.Context, param: click.Parameter, text: str | None) -> tuple[float, float] | None:
    """``OUTERxINNER`` [mm]; the unit may stand once, behind the second."""
    if text is None:
        return None
    parts = re.fullmatch(r"\s*([^x×]{1,20}?)\s*[x×]\s*([^x×]{1,20})", text)
    if parts is None:
        raise click.BadParameter(f"{plain(text)[:60]!r} is no ring; write it as 19mmx8mm")
    outer, inner = parts.groups()
    if re.fullmatch(r"[\d.]+", outer):
        outer += re.sub(r"^[\d.\s]+", "", inner)
    outer_mm = typed_quantity(outer, "length", SMALLEST_FACE_MM, 500)
    inner_mm = typed_quantity(inner, "length", 0, 500)               # 0mm: a disc without a hole
    if not inner_mm < outer_mm:
        raise click.BadParameter("the outer diameter must be the larger")
    return outer_mm, inner_mm


@click.command(name="compare")
@click.argument("runs", nargs=-1, required=True, metavar="RUN_OR_SHELF...")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html",
              help="The page. Without it only the summary is printed.")
@click.option("--touch", default="medium", show_default=True, metavar="light|medium|hard|FILE.toml|RUN",
              help="The player.")
@click.option("--limit", "limit_mm", callback=quantity_option("length", low=1e-4, high=10), default="8thou",
              show_default=True, metavar="LENGTH", help="Drift that is clearly felt.")
@click.option("--holding", "holding_n", callback=quantity_option("force", low=0, high=50), metavar="FORCE",
              help="Button force that keeps the piston about 1 mm off the stop.  "
                   "[default: 2.5N, or the touch's]")
@click.option("--face", callback=_ring, metavar="OUTERxINNER",
              help="Loaded face at which all are compared.")
@click.option("--thickness", "thickness_mm", callback=quantity_option("length", low=0.05, high=50),
              metavar="LENGTH",
              help="Thickness under the usual press at which all are compared.")
@click.option("--service-years", type=Number(0, 200, min_open=True), metavar="YEARS",
              help="With the next two: total drift, wear and warm-up in it.")
@click.option("--strokes-per-day", type=Number(0, 1e7, min_open=True), metavar="N",
              help="How often the valve is pressed on a day of playing.")
@click.option("--days-per-week", type=Number(0, 7, min_open=True), metavar="N", help="Days of playing.")
@click.option("--stop", type=click.Choice(["up", "down"]), default="down", show_default=True,
              help="Which stop.")
@shared_out
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    runs: tuple[str, ...], out: Path | None, touch: str, limit_mm: float, holding_n: float | None,
    face: tuple[float, float] | None, thickness_mm: float | None, service_years: float | None,
    strokes_per_day: float | None, days_per_week: float | None, stop: Literal["up", "down"],
    workers: int | None, scheduler: str | None, as_json: bool,
) -> None:
    """Rank stocks by how far they let the valve drift under the finger.

    padlab compare sample_runs --out report.html
    """
    service = _service(service_years, strokes_per_day, days_per_week)
    if out is not None and not out.parent.is_dir():
        raise click.BadParameter(f"there is no folder {plain(str(out.parent))}", param_hint="--out")

    from padlab.decisions.comparison import Face, compare
    from padlab.drift.player import player
    from padlab.fitting.many import Asked
    from padlab.records.named import pad_runs

    spent = {"read": 0.0, "fit": 0.0, "compare": 0.0, "page": 0.0}
    with _timed(spent, "read"):
        chosen = pad_runs(runs, by="compare")
        for run in chosen:
            if run.pad is None:
                click.echo(f"padlab: run {plain(run.id)} names no pad; left out", err=True)
        touched = player(touch, runs)
    fit = fitted_by(workers, scheduler, timed=lambda name: _timed(spent, name))
    fits, failed = fit([run for run in chosen if run.pad is not None], Asked(replayed=True))
    not_fitted = [(n.run.id, n.run.pad, n.why) for n in failed if n.run.pad is not None]
    with _timed(spent, "compare"):
        comparison = compare(
            fits, touched, limit_mm=limit_mm, holding_n=holding_n, face=Face(*face) if face else None,
            thickness_mm=thickness_mm, stop=stop, service=service, not_fitted=not_fitted,
            thinning=None if service is None else _thinning(runs, service, stop))
    if out is not None:
        with _timed(spent, "page"):
            from datetime import UTC, datetime

            from padlab.report.pages import write_comparison

            write_comparison(comparison, out, made_on=f"{datetime.now(UTC):%Y-%m-%d}")
    if as_json:
        print_json(comparison.to_json())
    else:
        _show(comparison, service)
        if out is not None:
            click.echo(f"\nThe page: {plain(str(out))}")
    click.echo("time: " + ", ".join(f"{name} {seconds:.2f} s" for name, seconds in spent.items()), err=True)


def _service(years: float | None, strokes: float | None, days: float | None) -> dict[str, float] | None:
    given = {"years": years, "strokes_per_day": strokes, "days_per_week": days}
    known = {name: value for name, value in given.items() if value is not None}
    if known and len(known) < len(given):
        raise click.UsageError("--service-years, --strokes-per-day and --days-per-week go together")
    return known or None


def _thinning(names: Sequence[str], service: dict[str, float], stop: Literal["up", "down"],
              ) -> Mapping[str, ServiceLoss]:
    """What the stocks lose over the service, from the wear runs on the named shelves."""
    from padlab.decisions.thinning import thinning
    from padlab.records.named import shelves
    from padlab.records.shelf import find_runs

    on_file = find_runs([str(shelf) for shelf in shelves(names)], near=[Path.cwd()])
    found = thinning(on_file, service, stop)
    if found.why_not is not None:
        click.echo(plain(f"padlab: no thinning: {found.why_not.message}"), err=True)
    return found.losses


@contextmanager
def _timed(spent: dict[str, float], name: str) -> Iterator[None]:
    start = time.perf_counter()
    try:
        yield
    finally:
        spent[name] += time.perf_counter() - start


VERDICTS = {"within": "keeps within the limit", "beyond": "goes beyond the limit",
            "undecided": "cannot be told yet"}


def _show(comparison: Comparison, service: dict[str, float] | None) -> None:
    from padlab.report.story import tell
    from padlab.units import both_lengths
    from padlab.words import one_line

    touch, carried = comparison.touch, comparison.carried_to
    thick = "as tested" if carried.loaded_thickness_mm is None else both_lengths(carried.loaded_thickness_mm)
    say(plain(
        f"{touch.name} touch on the {touch.stop} stop, {touch.median_n:g} N usual press, "
        f"{touch.holding_n:g} N holding force\n"
        f"compared at a face of {carried.outer_mm:g} x {carried.inner_mm:g} mm, {thick} under the usual "
        f"press; limit {both_lengths(comparison.limit_mm)}\n"))
    told = tell(comparison)
    cautions = {line.row.material: line.cautions for line in told.stocks}
    rows = [(_words(row), [one_line(c) for c in cautions.get(row.material, ())])
            for row in comparison.ranking]
    if rows:
        heads = ["", "stock", "19 notes of 20 within", "95 % sure between", "letters", "limit"]
        for line in in_columns(heads, rows, terminal_width()):
            click.echo(line)
        say("\nStocks that share a letter are not told apart.")
        for line in (*told.by_method, *told.beside):
            say(one_line(line.replace("µm", "um")))
        for line in [] if service is None else _over_service(comparison, service):
            say(one_line(line))
        for words in told.for_all:
            say(one_line(f"caution, all stocks: {words}"))
    for line in (*told.ties_told, *told.rig_worth):
        say(one_line(line.replace("µm", "um")))
    for row in comparison.unranked:
        say(one_line(f"not ranked: {row.material}: {row.reason}"))
    said = {row.material for row in comparison.unranked}
    for pad in comparison.left_out:
        if pad.material not in said:
            name = f"run {pad.run} (pad {pad.pad} of {pad.material}, lot {pad.lot})"
            say(one_line(f"left out: {name}: {pad.reason}"))
    for mark in comparison.marks:
        if mark.weight != "note":
            say(one_line(f"{mark.weight}: {mark.about}: {mark.message}"))


def _over_service(comparison: Comparison, service: dict[str, float]) -> list[str]:
    """Total drift, stock by stock; where it is not known, what lacks."""
    from padlab.report.numbers import listed
    from padlab.units import both_lengths

    lines = [f"Over {service['years']:g} years of {service['strokes_per_day']:g} strokes a day, "
             f"{service['days_per_week']:g} days a week, wear and warm-up in it, 19 notes of 20 stay within:"]
    for row in comparison.ranking:
        total, name = row.drift_total_p95_mm, row.material[:1].upper() + row.material[1:]
        if total is None:
            lacks = listed([part.replace("_", "-") for part in row.missing], last="or")
            why = f": its {lacks} over that time is not known" if lacks else ""
            lines.append(f"{name}: not determined{why}.")
        else:
            between = "" if total.low is None or total.high is None else \
                f", 95 % sure between {both_lengths(total.low)} and {both_lengths(total.high)}"
            lines.append(f"{name}: {both_lengths(total.value)}{between}.")
    return lines


def _words(row: StockRow) -> list[str]:
    from padlab.units import both_lengths
    from padlab.words import one_line

    drift = row.drift_play_p95_mm
    if drift is None:
        needed = row.test_force_needed_n
        to = "harder" if needed is None else f"to {needed:.1f} N net"
        return ["-", one_line(row.material), f"not determined: test it {to}", "", "", ""]
    ends = [both_lengths(end) for end in (drift.low, drift.high)]
    between = "not determined" if drift.low is None else " and ".join(ends)
    return [str(row.rank), one_line(row.material), both_lengths(drift.value), between, row.letters,
            VERDICTS[row.verdict]]
