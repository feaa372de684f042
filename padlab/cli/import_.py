"""``padlab import``: take in a table recorded elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import click

from padlab.cli.main import print_json
from padlab.cli.words import plain

if TYPE_CHECKING:
    import pandas as pd

    from padlab.marks import Mark
    from padlab.records.columns import Column
    from padlab.records.run import Run
    from padlab.signals.first_look import FirstLook
    from padlab.signals.wear_look import WearLook


@click.command(name="import")
@click.argument("table", metavar="TABLE")
@click.option("--kind", default="pad", show_default=True, metavar="KIND",
              help="pad, touch, blank, check, wear, gauge, or strokes: an endurance machine's record.")
@click.option("--pad", "pad_file", metavar="PAD.toml", help="The pad that was pressed or worn (pad, wear).")
@click.option("--column", "columns", multiple=True, required=True, metavar="QUANTITY=NAME:UNIT",
              help="Which column is what: time, force, displacement, temperature; of wear strokes, date "
                   "(no unit), thickness, rest, mass, temperature, humidity. -mm where it counts down as the "
                   "pad gets thinner. Kind gauge: pad=NAME, thickness=NAME:UNIT; may be: sheet=NAME, "
                   "place=NAME.")
@click.option("--material", metavar="M", help="Whose thickness was read (kind gauge).")
@click.option("--lot", metavar="L", help="Of which lot (kind gauge).")
@click.option("--gauge-foot", metavar="FORCE,DIAMETER",
              help="What the gauge presses with, on what: 0.5N,6mm; whole = the whole pad (kind gauge).")
@click.option("--standard", is_flag=True,
              help="The readings are of a check standard, a ring of steel (kind gauge).")
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="SHELF")
@click.option("--start", type=click.DateTime(["%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%d"]),
              metavar="DATE", help="When it was recorded (UTC), if that is known.")
@click.option("--note", metavar="TEXT", help="Kept with the run.")
@click.option("--stop", type=click.Choice(["up", "down"]), help="The stop that a worn pad served.")
@click.option("--control", is_flag=True, help="Of wear: an unloaded pad that lay beside the others.")
@click.option("--delimiter", type=click.Choice(["comma", "semicolon", "tab"]),
              help="Only where it fits two ways.")
@click.option("--decimal", type=click.Choice(["point", "comma"]), help="Only where it fits two ways.")
@click.option("--sheet", metavar="NAME", help="The sheet, where a workbook has several.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    table: str, kind: str, pad_file: str | None, columns: tuple[str, ...], material: str | None,
    lot: str | None, gauge_foot: str | None, standard: bool, out: Path, start: datetime | None,
    note: str | None, stop: Literal["up", "down"] | None, control: bool, delimiter: str | None,
    decimal: str | None, sheet: str | None, as_json: bool,
) -> None:
    """Take in a table recorded elsewhere: CSV, TSV, semicolons with decimal commas, XLSX.

    padlab import press.csv --pad A3.toml --column time=t:s --column force=load:N
    --column displacement=dial:-mm --out shelf

    padlab import A3-wear.csv --kind wear --pad A3.toml --column strokes=presses --column thickness=h:mm
    --column rest=rested:h --stop down --out shelf

    The record of an endurance machine (Parquet, stroke by stroke): --kind strokes.
    """
    if kind == "gauge":
        if pad_file is not None:
            raise click.UsageError("a table of kind gauge has no --pad")
        _gauge(table, columns, material=material, lot=lot, foot=gauge_foot, standard=standard, out=out,
               start=start, note=note, delimiter=delimiter, decimal=decimal, sheet=sheet, as_json=as_json)
        return
    if (material, lot, gauge_foot, standard) != (None, None, None, False):
        raise click.UsageError("--material, --lot, --gauge-foot and --standard are for --kind gauge; a pad's "
                               "stand in its file")
    from padlab.errors import InputError
    from padlab.records.columns import check_columns, parse_column
    from padlab.records.forms import read_pad
    from padlab.records.shelf import Shelf
    from padlab.records.tables import import_table
    from padlab.signals.first_look import look
    from padlab.signals.wear_look import wear_look

    try:
        parsed = [parse_column(c) for c in columns]
        check_columns(kind, parsed)
    except InputError as fault:                # typed, not found: nothing has been looked at yet
        raise click.UsageError(plain(str(fault))) from fault
    if (kind in ("pad", "wear", "strokes")) != (pad_file is not None):
        raise click.UsageError(f"a table of kind {kind} needs --pad PAD.toml" if pad_file is None
                               else f"a table of kind {kind} has no --pad")
    if (kind not in ("wear", "strokes") and stop is not None) or (kind != "wear" and control):
        raise click.UsageError("--stop and --control belong to --kind wear")
    if kind == "strokes":
        if any(one is not None for one in (delimiter, decimal, sheet)):
            raise click.UsageError("the record of a machine is Parquet: no --delimiter, --decimal, --sheet")
        run, look_at = _record(table, parsed, Path(str(pad_file)), out, start=start, note=note, stop=stop)
        _tell(run, look_at.to_json(), look_at.words, as_json=as_json)
        return
    seen: list[FirstLook | WearLook] = []

    def judge(samples: pd.DataFrame) -> tuple[Mark, ...]:
        seen.append(wear_look(samples) if kind == "wear" else look(samples, kind=kind))
        return seen[0].marks

    run = import_table(
        table, Shelf(out), kind=kind, columns=parsed, now=datetime.now(UTC),
        pad=None if pad_file is None else read_pad(pad_file),
        start_utc=None if start is None else start.replace(tzinfo=UTC), note=note, delimiter=delimiter,
        decimal=decimal, sheet=sheet, stop=stop, control=control, judge=judge,
    )
    _tell(run, seen[0].to_json(), seen[0].words, as_json=as_json)


def _tell(run: Run, read: dict[str, Any], words: Sequence[str], *, as_json: bool) -> None:
    if as_json:
        print_json({"run": run.id, "folder": str(run.folder), "state": run.state,
                    "marks": [m.to_json() for m in run.marks], "read": read})
        return
    click.echo(str(run.folder))
    click.echo("read: " + "\n      ".join(words), err=True)
    for mark in run.marks:
        click.echo(plain(f"{mark.weight}: {mark.message}"), err=True)


def _record(path: str, columns: Sequence[Column], pad_file: Path, out: Path, *, start: datetime | None,
            note: str | None, stop: Literal["up", "down"] | None) -> tuple[Run, WearLook]:
    """The record of an endurance machine, stroke by stroke."""
    from padlab.errors import InputError
    from padlab.records.forms import read_pad
    from padlab.records.shelf import Shelf
    from padlab.signals.stroke_record import import_record, is_parquet

    if not is_parquet(path):
        raise InputError(f"{path[:200]!r} is no Parquet file", seen="a file that begins otherwise, or none",
                         expected="the record of an endurance machine as Parquet",
                         remedy="a text table of some presses is of kind pad; one of a pad's thickness over "
                         "its service is of kind wear")
    return import_record(path, Shelf(out), columns=columns, now=datetime.now(UTC), pad=read_pad(pad_file),
                         start_utc=None if start is None else start.replace(tzinfo=UTC), note=note, stop=stop)


def _gauge(table: str, columns: tuple[str, ...], *, material: str | None, lot: str | None, foot: str | None,
           standard: bool, out: Path, start: datetime | None, note: str | None, delimiter: str | None,
           decimal: str | None, sheet: str | None, as_json: bool) -> None:
    """Take in gauge thickness of a batch, one reading a pad."""
    from padlab.errors import InputError
    from padlab.records.gauge import check_gauge_columns, import_gauge, parse_foot, parse_gauge_column
    from padlab.records.run import GaugeBatch
    from padlab.records.shelf import Shelf
    from padlab.units import both_lengths

    if material is None or lot is None or foot is None:
        raise click.UsageError("a table of kind gauge needs --material, --lot and --gauge-foot")
    try:
        parsed = [parse_gauge_column(c) for c in columns]
        check_gauge_columns(parsed)
        force_n, across_mm = parse_foot(foot)
    except InputError as fault:
        raise click.UsageError(plain(str(fault))) from fault
    run, readings = import_gauge(
        table, Shelf(out), batch=GaugeBatch(material, lot, force_n, across_mm, standard), columns=parsed,
        now=datetime.now(UTC), start_utc=None if start is None else start.replace(tzinfo=UTC), note=note,
        delimiter=delimiter, decimal=decimal, sheet=sheet)
    low, high = (both_lengths(f(r.thickness_mm for r in readings)) for f in (min, max))
    words = f"{len(readings)} pads, {low} to {high}"
    if as_json:
        print_json({"run": run.id, "folder": str(run.folder), "state": run.state,
                    "marks": [m.to_json() for m in run.marks],
                    "read": {"pads": len(readings), "words": words}})
        return
    click.echo(str(run.folder))
    click.echo(f"read: {words}", err=True)
    for mark in run.marks:
        click.echo(plain(f"{mark.weight}: {mark.message}"), err=True)
