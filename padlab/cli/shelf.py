"""``padlab shelf``: what is on file, newest first."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from padlab.cli.main import print_json
from padlab.cli.terminal import in_columns, terminal_width
from padlab.cli.words import Day, plain
from padlab.words import quoted


@click.command(name="shelf")
@click.argument("shelf", type=click.Path(path_type=Path), metavar="SHELF")
@click.option("--material", metavar="NAME", help="Only this stock.")
@click.option("--lot", metavar="LOT", help="Only this lot.")
@click.option("--kind", metavar="KIND", help="Only runs of this kind: pad, touch, blank, check ...")
@click.option("--procedure", metavar="NAME", help="Only runs of this procedure.")
@click.option("--since", type=Day(["%Y-%m-%d"]), metavar="DATE", help="From this day on (UTC).")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    shelf: Path, material: str | None, lot: str | None, kind: str | None, procedure: str | None,
    since: datetime | None, as_json: bool,
) -> None:
    """List the runs on a shelf, newest first.

    padlab shelf sample_runs --material "grey wool felt"
    """
    from padlab.errors import RunError
    from padlab.records.index import list_runs
    from padlab.records.run import KINDS
    from padlab.records.shelf import Shelf

    if kind is not None and kind not in KINDS:
        raise click.BadParameter(f"{kind!r} is none of {', '.join(KINDS)}", param_hint="--kind")
    if not _is_folder(shelf):
        is_file = shelf.exists() if len(str(shelf)) < 4096 and "\0" not in str(shelf) else False
        raise RunError(f"{quoted(shelf)} is no folder", expected="a shelf: the folder that holds runs/",
                       seen="a file" if is_file else "no such folder", where={"path": str(shelf)[:200]},
                       remedy="name the shelf as it is spelt in this folder, or by its whole path")
    on_file, faults = list_runs(Shelf(shelf))
    wanted = {"material": material, "lot": lot, "kind": kind, "procedure": procedure}
    rows = [r for r in on_file if all(v is None or r[k] == v for k, v in wanted.items())
            and (since is None or r["start"] >= f"{since:%Y-%m-%d}")]
    for fault in faults:
        click.echo("padlab: " + plain(str(fault)), err=True)
    if as_json:
        print_json({"runs": rows, "unreadable": [f.to_json() for f in faults]})
    elif rows:
        _show(rows)
    else:
        click.echo(plain(_nothing(shelf, on_file, wanted)), err=True)


def _nothing(shelf: Path, on_file: list[dict[str, Any]], wanted: dict[str, str | None]) -> str:
    """Why the list is empty: what there is in place of what was asked for."""
    if not on_file and (shelf / "datapackage.json").is_file():
        return "this is one run, not a shelf: padlab fit tells what it says of its pad"
    if not on_file:
        return ("no runs on this shelf: padlab capture RIG PROCEDURE --out SHELF or padlab import TABLE "
                "--out SHELF puts one there")
    for key, value in wanted.items():
        there = sorted({str(r[key]) for r in on_file if r[key] is not None})
        if value is not None and value not in there:
            shown = ", ".join(repr(name[:60]) for name in there[:30])
            if not there:
                return f"no runs: no {key} is on file here"
            close = [name for name in there if name.casefold() == value.casefold()]
            meant = f"; did you mean {close[0][:60]!r}?" if close else ""
            return f"no runs of {key} {value[:60]!r}{meant}\n  on file: {shown}"
    return f"no runs fit all of that; {len(on_file)} are on file"


def _is_folder(path: Path) -> bool:
    try:
        return path.is_dir()
    except (OSError, ValueError):              # a name that no file can have
        return False


STATES = ("interrupted", "set_aside")           # marks that the column of states says already
COLUMNS: dict[str, Callable[[dict[str, Any]], Any]] = {
    "run": lambda r: r["run"],
    "kind": lambda r: r["kind"],
    "material": lambda r: r["material"],
    "lot": lambda r: r["lot"],
    "pad": lambda r: r["pad"],
    "procedure": lambda r: r["procedure"],
    "state": lambda r: "set aside" if r["set_aside"] else r["state"],
    "marks": lambda r: " ".join(m["code"] for m in r["marks"] if m["code"] not in STATES),
}


def _show(rows: list[dict[str, Any]]) -> None:
    cells = [[plain(str(get(r) or "")).replace("\n", " ") for get in COLUMNS.values()] for r in rows]
    for line in in_columns(list(COLUMNS), [(row, ()) for row in cells], terminal_width()):
        click.echo(line)
