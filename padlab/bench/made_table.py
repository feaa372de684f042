"""A table that was uploaded: looked at, taken in; in a process of its own, for strangers made the file.

What goes in and out is plain (dicts of texts and numbers), for it travels between two processes.
"""

from __future__ import annotations

import signal
import sys
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from padlab.bench.work import Made, Tell
from padlab.errors import InputError
from padlab.records.pad import Pad
from padlab.records.run import GaugeBatch
from padlab.records.shelf import Shelf

MOST_COLUMNS, MOST_SHEETS, SHOWN_ROWS = 120, 20, 6
MEMORY = 3 << 30
"""Bytes that a table may take up while it is read, where the system can be told so [B]."""


def bounded_memory() -> None:
    """A stranger's file that unpacks to more than the memory ends its own process, and none beside it."""
    if sys.platform == "linux":                # elsewhere this limit is not kept, or there is none
        import resource

        resource.setrlimit(resource.RLIMIT_DATA, (MEMORY, resource.getrlimit(resource.RLIMIT_DATA)[1]))


def look_at(options: dict[str, Any], tell: Tell) -> Made:
    """The first rows of a table, and what each column probably is."""
    from padlab.records.first_rows import first_rows
    from padlab.records.guessed import guess

    bounded_memory()
    tell(0, 0, f"looking at {options['called']}")
    found = []
    for one in first_rows(options["path"])[:MOST_SHEETS]:
        guessed = guess(one, called=options["called"])
        found.append({
            "format": one.format, "delimiter": one.delimiter, "sheet": one.sheet, "is_whole": one.is_whole,
            "count": len(one.rows), "decimal": guessed.decimal, "kind": guessed.kind,
            "header": list(one.header), "rows": [list(row[:MOST_COLUMNS]) for row in one.rows[:SHOWN_ROWS]],
            "columns": [{"name": c.name, "quantity": c.quantity, "unit": c.unit, "counts_down": c.counts_down,
                         "span": c.span} for c in guessed.columns[:MOST_COLUMNS]]})
    return Made({}, {"readings": found})


def take(options: dict[str, Any], tell: Tell) -> Made:
    """Take a table in, as ``padlab import`` does; broken off it leaves nothing behind."""
    from padlab.signals.taking_in import Asked, columns_asked, take_in, taken_in_already

    bounded_memory()
    # Work is cancelled by SIGTERM: what was begun on the shelf is taken away on the way out.
    signal.signal(signal.SIGTERM, lambda number, frame: sys.exit(1))
    path, shelf = Path(options["path"]), Shelf(options["shelf"])
    asked = Asked(
        options["kind"], columns_asked(options["kind"], options["columns"]),
        pad=None if options["pad"] is None else Pad.from_json(options["pad"]),
        batch=None if options["batch"] is None else GaugeBatch(**options["batch"]),
        start_utc=None if options["start_utc"] is None else datetime.fromisoformat(options["start_utc"]),
        note=options["note"], stop=options["stop"], control=options["control"],
        delimiter=options["delimiter"], decimal=options["decimal"], sheet=options["sheet"],
        called=options["called"])
    tell(0, 0, "looking whether it is on the shelf already")
    already = taken_in_already(path, shelf, asked)
    if already is not None:
        raise InputError("this table is on the shelf already", expected="a table that is not",
                         seen=f"run {already.id}", where={"run": already.id},
                         remedy="if that run is wrong, set it aside on its page and take the table in again")
    tell(0, 0, "reading every stroke of the record" if asked.kind == "strokes" else "reading every row")
    taken = take_in(path, shelf, asked, now=datetime.now(UTC))
    return Made({}, {"run": taken.run.id, "words": list(taken.words),
                     "marks": [f"{m.weight}: {m.about}: {m.message}" for m in taken.run.marks]})
