"""The list of what is on file, with index.sqlite as a cache that may be deleted at any time.

A row is used only if the descriptor it was made from has the same time and size; a damaged index
is made again without a word, and a shelf that cannot be written is listed without one.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from pathlib import Path
from typing import Any

from padlab.errors import RunError
from padlab.records.descriptor import NAME
from padlab.records.inside import is_link
from padlab.records.run import Run
from padlab.records.shelf import Shelf, open_run

INDEX = "index.sqlite"
LARGEST_INDEX, LARGEST_ROW = 64 << 20, 1 << 20
"""Bytes of an index, and of one row of it, that are looked at; a larger one is made anew."""
STEPS = 20_000_000
"""Steps of SQLite's machine that reading the index may take: enough for a million runs."""
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
    stock = pad or run.gauge
    return {
        "run": run.id,
        "folder": str(run.folder),
        "kind": run.kind,
        "state": run.state,
        "material": stock.material if stock else None,
        "lot": stock.lot if stock else None,
        "pad": pad.id if pad else None,
        "procedure": (run.procedure or {}).get("name"),
        "start": run.start_utc,
        "set_aside": run.set_aside,
        "marks": [m.to_json() for m in run.marks],
    }


def list_runs(shelf: Shelf) -> tuple[list[dict[str, Any]], list[RunError]]:
    """All runs of a shelf, newest first, and what could not be read (nothing is left out silently)."""
    rows: list[dict[str, Any]] = []
    faults: list[RunError] = []
    known = _load(shelf.folder)
    fresh: dict[str, tuple[str, str]] = {}
    for folder in shelf.run_folders(passed_over=faults.append):
        try:
            stamp, row = _row(folder, known)
        except RunError as fault:
            faults.append(fault)
            continue
        except OSError as fault:               # taken away at this moment, or not ours to look into
            faults.append(RunError(f"{folder} cannot be read", expected="a run's folder", seen=fault.strerror,
                                   where={"path": str(folder)}))
            continue
        rows.append(row)
        if row["state"] != "recording":
            fresh[folder.name] = (stamp, json.dumps(row))
    if fresh != known:
        _save(shelf.folder, fresh)
    return rows, faults


def _row(folder: Path, known: dict[str, tuple[str, str]]) -> tuple[str, dict[str, Any]]:
    stamp = _stamp(folder)
    if known.get(folder.name, ("", ""))[0] == stamp:
        row = _checked(known[folder.name][1], folder)
        if row is not None:
            return stamp, row
    row = row_of(open_run(folder))                         # may close a recording that nobody holds
    return _stamp(folder), row


def _stamp(folder: Path) -> str:
    about = (folder / NAME).lstat()
    return f"{about.st_mtime_ns}:{about.st_size}"


def _checked(text: Any, folder: Path) -> dict[str, Any] | None:
    try:
        row = json.loads(text)
    except (TypeError, ValueError, RecursionError):
        return None
    if not isinstance(row, dict) or tuple(row) != KEYS or row["run"] != folder.name:
        return None
    if not all(isinstance(row[k], str) for k in ("run", "kind", "state", "start")):
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


def _load(shelf: Path) -> dict[str, tuple[str, str]]:
    """What the index holds; nothing where it is missing, damaged, a link, or takes too long to ask."""
    path = shelf / INDEX
    if is_link(path) or not path.is_file() or path.stat().st_size > LARGEST_INDEX:
        return {}
    try:
        uri = path.resolve().as_uri() + "?mode=ro"
        with contextlib.closing(sqlite3.connect(uri, uri=True, timeout=1.0)) as index:
            index.execute("PRAGMA trusted_schema = OFF")
            index.set_progress_handler(lambda: 1, STEPS)   # a made-up view could count for ever
            index.setlimit(sqlite3.SQLITE_LIMIT_LENGTH, LARGEST_ROW)
            kind = index.execute("SELECT type FROM sqlite_schema WHERE name = 'run'").fetchone()
            if kind != ("table",):
                return {}
            found = index.execute("SELECT id, stamp, row FROM run LIMIT 100000").fetchall()
    except (sqlite3.Error, ValueError, MemoryError, OverflowError):
        return {}
    return {i: (s, r) for i, s, r in found if all(isinstance(v, str) for v in (i, s, r))}


def _save(shelf: Path, rows: dict[str, tuple[str, str]]) -> None:
    """Write the index anew beside the old one and put it in its place; without one all works too."""
    path, fresh = shelf / INDEX, shelf / f".{INDEX}.new"
    if is_link(path):
        return
    with contextlib.suppress(sqlite3.Error, OSError):
        fresh.unlink(missing_ok=True)
        with contextlib.closing(sqlite3.connect(fresh)) as index, index:
            index.execute("CREATE TABLE run (id TEXT PRIMARY KEY, stamp TEXT, row TEXT)")
            index.executemany("INSERT INTO run VALUES (?, ?, ?)", [(i, *row) for i, row in rows.items()])
        fresh.replace(path)
    with contextlib.suppress(OSError):
        fresh.unlink(missing_ok=True)
