"""``padlab due``: which instruments need new pads, and when."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from padlab.cli.main import print_json
from padlab.cli.terminal import in_columns, say, terminal_width
from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.decisions.instrument import Due


@click.command(name="due")
@click.argument("folder", type=click.Path(path_type=Path), metavar="FOLDER")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(folder: Path, as_json: bool) -> None:
    """Instruments by the date on which their pads are to be renewed, the soonest first.

    It reads what padlab fitted has kept; of every stop the last fitting counts.

    padlab due instruments
    """
    from padlab.decisions.instrument import due
    from padlab.records.fitted import fittings_in
    from padlab.words import one_line

    found, unreadable = fittings_in(folder)
    rows = due(found)
    if as_json:
        lost = [{"file": str(path), "reason": fault.message} for path, fault in unreadable]
        print_json({"instruments": [row.to_json() for row in rows], "unreadable": lost})
        return
    if not rows:
        click.echo("no fitting is on file there: padlab fitted INSTRUMENT.toml SHELF keeps one")
    for line in _table(rows):
        click.echo(line)
    for line in _notes(rows):
        say(line)
    for path, fault in unreadable:
        click.echo(one_line(f"not read: {path}: {fault.message}"))


def _ends_with_service(row: Due) -> bool:
    return any(m.code == "only_service" for m in row.marks)


def _notes(rows: list[Due]) -> list[str]:
    """What an end of service and a missing date mean, once."""
    from padlab.words import one_line

    meant = (("only_service", "end of service"), ("no_wear_data", "not determined"))
    return [one_line(f"{cell}: {next(m.message for row in rows for m in row.marks if m.code == code)}")
            for code, cell in meant if any(m.code == code for row in rows for m in row.marks)]


def _table(rows: list[Due]) -> list[str]:
    from padlab.marks import Weight
    from padlab.words import one_line

    cells = [["renew on", "95 % between", "instrument", "valve", "stop", "stock", "fitted on"]]
    for row in rows:
        between = "end of service" if _ends_with_service(row) else "" if row.low is None or row.high is None \
            else f"{row.low} and {row.high}"
        cells.append([str(row.on) if row.on else "not determined", between,
                      *(one_line(t) for t in (row.label, row.valve, row.side, row.material)),
                      str(row.fitted_on)])
    below = [[one_line(m.message) for m in row.marks if m.weight is not Weight.NOTE] for row in rows]
    table = in_columns(cells[0], list(zip(cells[1:], below, strict=True)), terminal_width())
    return [plain(line) for line in table] if rows else []
