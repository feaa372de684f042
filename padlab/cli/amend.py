"""``padlab amend``: a dated correction beside the old value, never over it."""

from __future__ import annotations

import click

from padlab.cli.main import print_json
from padlab.cli.words import plain


@click.command(name="amend")
@click.argument("run", metavar="RUN")
@click.option("--pad", "pad_file", metavar="PAD.toml", help="What the pad really is.")
@click.option("--note", metavar="TEXT", help="A further note; earlier ones stay.")
@click.option("--set-aside", metavar="REASON", help="Do not use this run; reports list it with the reason.")
@click.option("--take-back", is_flag=True, help="Use a run again that was set aside.")
@click.option("--reason", metavar="TEXT", help="Why, kept with the correction.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    run: str, pad_file: str | None, note: str | None, set_aside: str | None, take_back: bool,
    reason: str | None, as_json: bool,
) -> None:
    """Correct a mistyped pad, add a note, or set a run aside.

    padlab amend 20260704T081530Z-k3v9qa --set-aside "pad was upside down"
    """
    if set_aside is not None and take_back:
        raise click.UsageError("--set-aside and --take-back exclude each other")
    if pad_file is None and note is None and set_aside is None and not take_back:
        raise click.UsageError("say what to amend: --pad, --note, --set-aside or --take-back")

    from datetime import UTC, datetime

    from padlab.errors import InputError
    from padlab.records.amendments import amend, check_texts
    from padlab.records.forms import read_pad
    from padlab.records.shelf import find_one

    try:
        check_texts(note=note, set_aside=set_aside, reason=reason)
    except InputError as fault:                # typed, not found
        raise click.UsageError(plain(str(fault))) from fault
    pad = None if pad_file is None else read_pad(pad_file)
    amended = amend(find_one(run).folder, on=datetime.now(UTC), pad=pad, note=note, set_aside=set_aside,
                    take_back=take_back, reason=reason)
    if as_json:
        print_json({"run": amended.id, "folder": str(amended.folder), "state": amended.state,
                    "pad": amended.pad.to_json() if amended.pad else None, "note": amended.note,
                    "set_aside": amended.set_aside, "amendments": list(amended.amendments),
                    "marks": [m.to_json() for m in amended.marks]})
        return
    many = "" if len(amended.amendments) == 1 else "s"
    click.echo(f"{amended.id}: {len(amended.amendments)} amendment{many} on file")
    for entry in amended.amendments:
        what = str(entry["what"]).replace("_", " ")
        old, new = (_short(entry[side]) for side in ("old", "new"))
        click.echo(f"  {entry['on'][:10]}  {what}: {old} -> {new}")
    if pad_file is not None:
        click.echo(f"what was made for the old pad is stale: padlab remake {amended.id}", err=True)


def _short(value: object) -> str:
    if value is None:
        return "none"
    if isinstance(value, dict):
        value = f"pad {value.get('id')} of {value.get('material')}, lot {value.get('lot')}"
    return plain(str(value)).replace("\n", " / ")[:120]
