"""``padlab new``: a commented file to fill in."""

from __future__ import annotations

from pathlib import Path

import click

from padlab.cli.main import print_json
from padlab.cli.words import WholeNumber
from padlab.words import quoted

KINDS = ("pad", "spec", "instrument", "shop", "touch", "procedure", "rig")


@click.command(name="new")
@click.argument("kind", type=click.Choice(KINDS))
@click.option("--out", type=click.Path(path_type=Path), metavar="FILE.toml",
              help="Write to this file, which must not be there yet. Without it: to the terminal.")
@click.option("--valves", type=WholeNumber(1, 9), default=3, show_default=True,
              help="How many valves an instrument has.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(kind: str, out: Path | None, valves: int, as_json: bool) -> None:
    """Write a commented file to fill in: a pad, a touch, a procedure, a rig ...

    padlab new pad --out A3.toml
    """
    from padlab.errors import InputError
    from padlab.records.starters import starter

    text = starter(kind, valves=valves)
    if out is not None:
        try:
            with out.open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
        except (OSError, ValueError) as fault:
            raise InputError(
                f"{quoted(out)} cannot be written", expected="a new file in a folder that is there",
                seen=fault.strerror if isinstance(fault, OSError) else str(fault),
                remedy="choose another name; padlab writes over nothing", where={"path": str(out)[:200]},
            ) from fault
    if kind == "pad":
        click.echo("note: fill it in and take the line with example out; until then runs with this file are "
                   "marked and not ranked", err=True)
    if kind == "shop":
        click.echo("note: lay it on the shelf as SHELF/shop.toml", err=True)
    if as_json:
        print_json({"kind": kind, "file": str(out) if out else None, "text": text})
    elif out is None:
        click.echo(text, nl=False)
    else:
        click.echo(str(out))
