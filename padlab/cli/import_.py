"""``padlab import``: take in a table recorded elsewhere."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from padlab.cli.main import print_json
from padlab.cli.words import Day, plain

if TYPE_CHECKING:
    from padlab.records.guessed import Guess
    from padlab.records.run import GaugeBatch
    from padlab.signals.taking_in import TakenIn


@click.command(name="import")
@click.argument("table", metavar="TABLE")
@click.option("--kind", metavar="KIND",
              help="pad (where nothing is said), touch, blank, check, wear, gauge, or strokes: an endurance "
                   "machine's record.")
@click.option("--pad", "pad_file", metavar="PAD.toml", help="The pad that was pressed or worn (pad, wear).")
@click.option("--column", "columns", multiple=True, metavar="QUANTITY=NAME:UNIT",
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
@click.option("--out", type=click.Path(path_type=Path), metavar="SHELF",
              help="The shelf on which the run is kept; made if it is not there.")
@click.option("--start", type=Day(["%Y-%m-%dT%H:%M:%S", "%Y-%m-%dT%H:%M", "%Y-%m-%d"]),
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
    table: str, kind: str | None, pad_file: str | None, columns: tuple[str, ...], material: str | None,
    lot: str | None, gauge_foot: str | None, standard: bool, out: Path | None, start: datetime | None,
    note: str | None, stop: Literal["up", "down"] | None, control: bool, delimiter: str | None,
    decimal: str | None, sheet: str | None, as_json: bool,
) -> None:
    """Take in a table recorded elsewhere: CSV, TSV, semicolons with decimal commas, XLSX.

    padlab import press.csv --pad A3.toml --column time=t:s --column force=load:N
    --column displacement=dial:-mm --out shelf

    padlab import A3-wear.csv --kind wear --pad A3.toml --column strokes=presses --column thickness=h:mm
    --column rest=rested:h --stop down --out shelf

    The record of an endurance machine (Parquet, stroke by stroke): --kind strokes.

    What does it hold? padlab import press.csv prints the columns as they could be named.
    """
    if not columns:
        if out is not None:
            raise click.UsageError("Missing option '--column': which column is what. padlab import TABLE, "
                                   "without --out, prints what they probably are")
        _offer(table, kind, as_json=as_json)
        return
    if out is None:
        raise click.UsageError("Missing option '--out'.")
    kind = kind or "pad"
    if kind == "gauge":
        if pad_file is not None:
            raise click.UsageError("a table of kind gauge has no --pad")
        if material is None or lot is None or gauge_foot is None:
            raise click.UsageError("a table of kind gauge needs --material, --lot and --gauge-foot")
    elif (material, lot, gauge_foot, standard) != (None, None, None, False):
        raise click.UsageError("--material, --lot, --gauge-foot and --standard are for --kind gauge; a pad's "
                               "stand in its file")
    from padlab.errors import InputError
    from padlab.records.forms import read_pad
    from padlab.records.shelf import Shelf
    from padlab.signals.taking_in import OF_A_PAD, OF_A_STOP, Asked, columns_asked, take_in

    try:
        parsed = columns_asked(kind, columns)
        batch = None if kind != "gauge" else _batch(str(material), str(lot), str(gauge_foot), standard)
    except InputError as fault:                # typed, not found: nothing has been looked at yet
        raise click.UsageError(plain(str(fault))) from fault
    if kind != "gauge" and (kind in OF_A_PAD) != (pad_file is not None):
        raise click.UsageError(f"a table of kind {kind} needs --pad PAD.toml" if pad_file is None
                               else f"a table of kind {kind} has no --pad")
    if (kind not in OF_A_STOP and stop is not None) or (kind != "wear" and control):
        raise click.UsageError("--stop and --control belong to --kind wear")
    if kind == "strokes" and any(one is not None for one in (delimiter, decimal, sheet)):
        raise click.UsageError("the record of a machine is Parquet: no --delimiter, --decimal, --sheet")
    _tell(take_in(table, Shelf(out), Asked(
        kind, parsed, pad=None if pad_file is None else read_pad(pad_file), batch=batch,
        start_utc=None if start is None else start.replace(tzinfo=UTC), note=note, stop=stop, control=control,
        delimiter=delimiter, decimal=decimal, sheet=sheet), now=datetime.now(UTC)), as_json=as_json)


def _batch(material: str, lot: str, foot: str, standard: bool) -> GaugeBatch:
    from padlab.records.gauge import parse_foot
    from padlab.records.run import GaugeBatch

    return GaugeBatch(material, lot, *parse_foot(foot), standard)


def _tell(taken: TakenIn, *, as_json: bool) -> None:
    run = taken.run
    if as_json:
        print_json({"run": run.id, "folder": str(run.folder), "state": run.state,
                    "marks": [m.to_json() for m in run.marks], "read": taken.read})
        return
    click.echo(str(run.folder))
    click.echo("read: " + "\n      ".join(taken.words), err=True)
    for mark in run.marks:
        click.echo(plain(f"{mark.weight}: {mark.message}"), err=True)


def _offer(table: str, kind: str | None, *, as_json: bool) -> None:
    """What a table probably holds, as the options to type; nothing is taken in."""
    from padlab.records.first_rows import first_rows
    from padlab.records.guessed import guess

    offered = [(one, guess(one, called=Path(table).name)) for one in first_rows(table)]
    if as_json:
        print_json({"readings": [{
            "delimiter": one.delimiter, "sheet": one.sheet, "decimal": found.decimal,
            "kind": kind or found.kind, "open": found.is_open,
            "columns": [{"name": c.name, "quantity": c.quantity, "unit": c.unit, "counts_down": c.counts_down}
                        for c in found.columns]} for one, found in offered]})
        return
    for one, found in offered:
        which = "" if len(offered) == 1 else f"sheet {one.sheet!r}: " if one.sheet else f"{one.delimiter}: "
        click.echo(plain(which + _as_typed(table, kind, found, one.sheet if len(offered) > 1 else None,
                                           one.delimiter if len(offered) > 1 else None)))
        left = [c.name for c in found.columns if c.quantity is None]
        for words, names in (("not said by the table: ", found.is_open), ("left out: ", left)):
            if names:
                click.echo(plain(f"{words}{', '.join(n[:60] for n in names[:20])}"), err=True)
    click.echo("a guess: before you use it look at every unit, and at what counts down as the pad gets "
               "thinner", err=True)


def _as_typed(table: str, kind: str | None, found: Guess, sheet: str | None, delimiter: str | None) -> str:
    from shlex import join

    kind = kind or found.kind or "KIND"
    typed = ["padlab", "import", table, *(() if kind == "pad" else ("--kind", kind))]
    typed += ["--pad", "PAD.toml"] if kind in ("pad", "wear", "strokes") else []
    typed += ["--material", "M", "--lot", "L", "--gauge-foot", "0.5N,6mm"] if kind == "gauge" else []
    typed += [part for c in found.columns if (text := c.as_typed()) for part in ("--column", text)]
    typed += ["--sheet", sheet] if sheet else ["--delimiter", delimiter] if delimiter else []
    return join([*typed, "--out", "SHELF"])
