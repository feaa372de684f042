"""The list of what is on file, with index.sqlite as a cache that may be deleted at any time.

A row is used only if the descriptor it was made from has the same time and size; a damaged index
is made again without a word, and a shelf that cannot be written is listed without one.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from padlab.errors import RunError
from padlab.records.descriptor import NAME
from padlab.records.inside import is_link
from padlab.records.run import Run
from padlab.records.shelf import Shelf, open_run

INDEX = "index.sqlite"
KEYS = (
    "run",
    "folder",
    "kind",
    "state",
    "material",
    "lot",
    "pad",
    "procedure",
    "start",
    "set_aside",
    "marks",
)


def row_of(run: Run) -> dict[str, Any]:
    """A run as ``padlab shelf`` lists it."""
    pad = run.pad
    return {
        "run": run.id,
        "folder": str(run.folder),
        "kind": run.kind,
        "state": run.state,
        "material": pad.material if pad else None,
        "lot": pad.lot if pad else None,
        "pad": pad.id if pad else None,
        "procedure": (run.procedure or {}).get("name"),
        "start": run.start_utc,
        "set_aside": run.set_aside,
        "marks": [m.to_json() for m in run.marks],
    }


def list_runs(shelf: Shelf) -> tuple[list[dict[str, Any]], list[RunError]]:
    """All runs of a shelf, newest first, and what could not be read (nothing is left out silently)."""
    rows, faults = [], []
    with _index(shelf.folder) as index:
        folders = shelf.run_folders()
        for folder in folders:
            try:
                rows.append(_row(folder, index))
            except RunError as fault:
                faults.append(fault)
        _forget(index, {f.name for f in folders})
    return rows, faults


def _row(folder: Path, index: sqlite3.Connection | None) -> dict[str, Any]:
    about = (folder / NAME).lstat()
    stamp = f"{about.st_mtime_ns}:{about.st_size}"
    if index is not None:
        found = index.execute(
            "SELECT row FROM run WHERE id = ? AND stamp = ?", (folder.name, stamp)
        ).fetchone()
        row = _checked(found[0], folder) if found else None
        if row is not None:
            return row
    row = row_of(open_run(folder))
    if index is not None and row["state"] != "recording":
        about = (folder / NAME).lstat()  # opening may have closed a dead recording
        stamp = f"{about.st_mtime_ns}:{about.st_size}"
        index.execute("INSERT OR REPLACE INTO run VALUES (?, ?, ?)", (folder.name, stamp, json.dumps(row)))
    return row


def _checked(text: Any, folder: Path) -> dict[str, Any] | None:
    try:
        row = json.loads(text)
    except (TypeError, ValueError, RecursionError):
        return None
    if not isinstance(row, dict) or tuple(row) != KEYS or row["run"] != folder.name:
        return None
    texts = all(v is None or isinstance(v, str) for k, v in row.items() if k != "marks")
    marks = row["marks"]
    if (
        not texts
        or not isinstance(marks, list)
        or not all(isinstance(m, dict) and isinstance(m.get("code"), str) for m in marks)
    ):
        return None
    return {**row, "folder": str(folder)}  # the shelf may have moved since


@contextlib.contextmanager
def _index(shelf: Path) -> Iterator[sqlite3.Connection | None]:
    """The index, made anew if it is no good; None where there can be none."""
    index = None
    if (shelf / "runs").is_dir() and not is_link(shelf / INDEX):
        index = _connect(shelf / INDEX) or _connect(shelf / INDEX, anew=True)
    if index is None:
        yield None
        return
    with contextlib.closing(index):
        yield index
        with contextlib.suppress(sqlite3.Error):
            index.commit()


def _connect(path: Path, *, anew: bool = False) -> sqlite3.Connection | None:
    index = None
    try:
        if anew:
            path.unlink(missing_ok=True)
        index = sqlite3.connect(path, timeout=1.0)
        index.execute("PRAGMA trusted_schema = OFF")
        index.execute("CREATE TABLE IF NOT EXISTS run (id TEXT PRIMARY KEY, stamp TEXT, row TEXT)")
        if index.execute("PRAGMA quick_check").fetchone() != ("ok",):
            raise sqlite3.DatabaseError("damaged")
        columns = [row[1] for row in index.execute("PRAGMA table_info(run)")]
        index.execute("SELECT count(*) FROM run WHERE typeof(row) = 'text'").fetchone()
        index.execute("BEGIN IMMEDIATE")  # fails here, not later, on a read-only shelf
        if columns != ["id", "stamp", "row"]:
            raise sqlite3.DatabaseError("another table")
    except (sqlite3.Error, OSError):
        if index is not None:
            index.close()
        return None
    return index


def _forget(index: sqlite3.Connection | None, present: set[str]) -> None:
    if index is None:
        return
    gone = [(i,) for (i,) in index.execute("SELECT id FROM run") if i not in present]
    index.executemany("DELETE FROM run WHERE id = ?", gone)
