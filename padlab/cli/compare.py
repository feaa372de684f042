"""``padlab compare``: rank stocks by drift in play; one HTML page."""

from __future__ import annotations

import re
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from padlab.cli.main import print_json
from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.decisions.comparison import Comparison, StockRow
    from padlab.drift.touch import TouchProfile
    from padlab.fitting.results import RunFit
    from padlab.records.pad import Pad
    from padlab.records.run import Run


Callback = Callable[[click.Context, click.Parameter, str | None], Any]


def _typed(kind: str, *, low: float, high: float) -> Callback:
    """An option's text as a quantity with its unit; a bare number or an absurd size is a usage error."""
    def read(ctx: click.Context, param: click.Parameter, text: str | None) -> float | None:
        return None if text is None else _quantity(text, kind, low, high)
    return read


def _quantity(text: str, kind: str, low: float, high: float) -> float:
    from padlab.errors import UnitError
    from padlab.units import parse_quantity

    try:
        number = parse_quantity(text, kind)
    except UnitError as fault:
        raise click.BadParameter(plain(str(fault))) from fault
    if not low <= number <= high:
        unit = {"length": "mm", "force": "N"}[kind]
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
    outer_mm, inner_mm = (_quantity(side, "length", 0.1, 500) for side in (outer, inner))
    if not inner_mm < outer_mm:
        raise click.BadParameter("the outer diameter must be the larger")
    return outer_mm, inner_mm


@click.command(name="compare")
@click.argument("runs", nargs=-1, required=True, metavar="RUN_OR_SHELF...")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html",
              help="The page. Without it only the summary is printed.")
@click.option("--touch", default="medium", show_default=True, metavar="light|medium|hard|FILE.toml|RUN",
              help="The player.")
@click.option("--limit", "limit_mm", callback=_typed("length", low=1e-4, high=10), default="8thou",
              show_default=True, metavar="LENGTH", help="Drift that is clearly felt.")
@click.option("--holding", "holding_n", callback=_typed("force", low=0, high=50), metavar="FORCE",
              help="Button force that keeps the piston about 1 mm off the stop.  "
                   "[default: 2.5N, or the touch's]")
@click.option("--face", callback=_ring, metavar="OUTERxINNER",
              help="Loaded face at which all are compared.")
@click.option("--thickness", "thickness_mm", callback=_typed("length", low=0.05, high=50),
              metavar="LENGTH",
              help="Thickness under the usual press at which all are compared.")
@click.option("--service-years", type=click.FloatRange(0, 200, min_open=True),
              help="With the next two: total drift.")
@click.option("--strokes-per-day", type=click.FloatRange(0, 1e7, min_open=True))
@click.option("--days-per-week", type=click.FloatRange(0, 7, min_open=True))
@click.option("--stop", type=click.Choice(["up", "down"]), default="down", show_default=True,
              help="Which stop.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    runs: tuple[str, ...], out: Path | None, touch: str, limit_mm: float, holding_n: float | None,
    face: tuple[float, float] | None, thickness_mm: float | None, service_years: float | None,
    strokes_per_day: float | None, days_per_week: float | None, stop: str, as_json: bool,
) -> None:
    """Rank stocks by how far they let the valve drift under the finger.

    padlab compare sample_runs --out report.html
    """
    service = _service(service_years, strokes_per_day, days_per_week)
    if out is not None and not out.parent.is_dir():
        raise click.BadParameter(f"there is no folder {plain(str(out.parent))}", param_hint="--out")

    from padlab.decisions.comparison import Face, compare

    spent = {"read": 0.0, "fit": 0.0, "compare": 0.0, "page": 0.0}
    with _timed(spent, "read"):
        chosen = _pad_runs(runs)
        player = _player(touch, runs)
    fits, not_fitted = _fit_all(chosen, spent)
    with _timed(spent, "compare"):
        comparison = compare(
            fits, player, limit_mm=limit_mm, holding_n=holding_n, face=Face(*face) if face else None,
            thickness_mm=thickness_mm, stop=stop, service=service, not_fitted=not_fitted)
    if out is not None:
        with _timed(spent, "page"):
            from datetime import UTC, datetime

            from padlab.report.pages import write_comparison

            write_comparison(comparison, out, made_on=f"{datetime.now(UTC):%Y-%m-%d}")
    if as_json:
        print_json(comparison.to_json())
    else:
        _show(comparison)
        if out is not None:
            click.echo(f"\nThe page: {plain(str(out))}")
    click.echo("time: " + ", ".join(f"{name} {seconds:.2f} s" for name, seconds in spent.items()), err=True)


def _service(years: float | None, strokes: float | None, days: float | None) -> dict[str, float] | None:
    given = {"years": years, "strokes_per_day": strokes, "days_per_week": days}
    known = {name: value for name, value in given.items() if value is not None}
    if known and len(known) < len(given):
        raise click.UsageError("--service-years, --strokes-per-day and --days-per-week go together")
    return known or None


def _pad_runs(names: Sequence[str]) -> list[Run]:
    """Pad runs of what was named. A shelf may hold other kinds; a run named by itself may not be one."""
    from padlab.errors import RunError
    from padlab.records.shelf import find_runs

    shelves = _shelves(names)
    found: dict[Path, Run] = {}
    for name in names:
        for run in find_runs([name], near=[Path.cwd(), *shelves]):
            if run.kind == "pad":
                found.setdefault(run.folder.resolve(), run)
            elif Path(name) not in shelves:
                raise RunError(f"compare cannot use run {run.id}", expected="a run of kind pad",
                               seen=f"kind {run.kind}", where={"run": run.id},
                               remedy="a touch run goes behind --touch" if run.kind == "touch" else None)
    if not found:
        raise RunError("there is no pad run to compare", expected="runs of kind pad", seen="none",
                       remedy="padlab shelf SHELF lists what is on file")
    return sorted(found.values(), key=lambda run: run.id)


def _shelves(names: Sequence[str]) -> list[Path]:
    return [Path(name) for name in names if "\0" not in name and (Path(name) / "runs").is_dir()]


def _player(touch: str, names: Sequence[str]) -> TouchProfile:
    """A preset, a touch file, or a recorded touch."""
    from padlab.drift.touch import PRESETS, preset, read_touch_file, recorded_touch
    from padlab.errors import InputError
    from padlab.records.shelf import find_runs

    if touch in PRESETS:
        return preset(touch)
    if touch.endswith(".toml"):
        path = Path(touch)
        if "\0" in touch or not path.is_file():
            raise InputError(f"there is no touch file {touch[:200]!r}", expected="a file", seen="none",
                             remedy="padlab new touch writes a commented one")
        return read_touch_file(path)
    if not re.search(r"[\d/\\]", touch):
        return preset(touch)                    # a word, mistyped: say which words there are
    found = find_runs([touch], near=[Path.cwd(), *_shelves(names)])
    if len(found) != 1:
        raise InputError(f"--touch {touch[:200]!r} names {len(found)} runs", expected="one touch run",
                         seen=f"{len(found)} runs")
    return recorded_touch(found[0])


def _fit_all(runs: Sequence[Run], spent: dict[str, float],
             ) -> tuple[list[RunFit], list[tuple[str, Pad, str]]]:
    """Fit every run; one that cannot be fitted is listed with its reason, the others go on."""
    from padlab.errors import FitError, RunError
    from padlab.fitting.run_fit import fit_run

    fits: list[RunFit] = []
    not_fitted: list[tuple[str, Pad, str]] = []
    for run in _with_progress(runs):
        if run.pad is None:
            click.echo(f"padlab: run {plain(run.id)} names no pad; left out", err=True)
            continue
        if run.state == "recording":
            not_fitted.append((run.id, run.pad, "it is still being recorded"))
            continue
        try:
            with _timed(spent, "read"):
                run.samples                     # noqa: B018  read now, so that the time split is true
            with _timed(spent, "fit"):
                fit = fit_run(run)
        except (FitError, RunError) as fault:
            not_fitted.append((run.id, run.pad, fault.message))
            continue
        fits.append(replace(fit, conditions={**fit.conditions, "start_utc": run.start_utc}))
    return fits, not_fitted


def _with_progress(runs: Sequence[Run]) -> Iterator[Run]:
    if not sys.stderr.isatty():
        yield from runs
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(runs, description="fitting", console=Console(stderr=True), transient=True)


@contextmanager
def _timed(spent: dict[str, float], name: str) -> Iterator[None]:
    start = time.perf_counter()
    try:
        yield
    finally:
        spent[name] += time.perf_counter() - start


TOLD = ("one_lot", "lot_apart", "not_tested_hard_enough", "carried_far", "thickness_unknown")
"""Marks of a stock that the summary repeats; the page and ``--json`` have all."""

VERDICTS = {"within": "keeps within the limit", "beyond": "goes beyond the limit",
            "undecided": "cannot be told yet"}


def _show(comparison: Comparison) -> None:
    from padlab.units import both_lengths
    from padlab.words import one_line

    touch, carried = comparison.touch, comparison.carried_to
    thick = "as tested" if carried.loaded_thickness_mm is None else both_lengths(carried.loaded_thickness_mm)
    click.echo(plain(
        f"{touch.name} touch on the {touch.stop} stop, {touch.median_n:g} N usual press, "
        f"{touch.holding_n:g} N holding force\n"
        f"compared at a face of {carried.outer_mm:g} x {carried.inner_mm:g} mm, {thick} under the usual "
        f"press; limit {both_lengths(comparison.limit_mm)}\n"))
    rows = [_words(row) for row in comparison.ranking]
    if rows:
        _table(["", "stock", "19 notes of 20 within", "95 % sure between", "letters", "limit"], rows)
        click.echo("\nStocks that share a letter are not told apart.")
    for row in comparison.unranked:
        click.echo(one_line(f"not ranked: {row.material}: {row.reason}"))
    said = {row.material for row in comparison.unranked}
    for pad in comparison.left_out:
        if pad.material not in said:
            name = f"run {pad.run} (pad {pad.pad} of {pad.material}, lot {pad.lot})"
            click.echo(one_line(f"left out: {name}: {pad.reason}"))
    for stock in comparison.ranking:
        for mark in stock.marks:
            if mark.code in TOLD:
                about = "" if mark.about == stock.material else f", {mark.about}"
                click.echo(one_line(f"{mark.weight}: {stock.material}{about}: {mark.message}"))
    for mark in comparison.marks:
        if mark.weight != "note":
            click.echo(one_line(f"{mark.weight}: {mark.about}: {mark.message}"))


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


def _table(heads: list[str], rows: list[list[str]]) -> None:
    if sys.stdout.isatty():
        from rich.console import Console
        from rich.table import Table
        from rich.text import Text

        table = Table(*heads, box=None, pad_edge=False)
        for row in rows:
            table.add_row(*(Text(cell) for cell in row))       # Text: square brackets are no markup
        Console().print(table)
        return
    widths = [max(len(cell) for cell in column) for column in zip(heads, *rows, strict=True)]
    for row in [heads, *rows]:
        click.echo("  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip())
