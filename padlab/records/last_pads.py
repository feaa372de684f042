"""The pads that were on the rig last: whoever writes down a pad rarely writes down a new one."""

from __future__ import annotations

from padlab.errors import RunError
from padlab.records.pad import Pad
from padlab.records.shelf import Shelf, open_run

MOST_RUNS = 200
"""Runs that are looked at: a descriptor takes a millisecond."""


def last_pads(shelf: Shelf, *, most: int = 12) -> list[Pad]:
    """Different pads of the newest runs, newest first; damaged runs are passed over (the list says so)."""
    found: dict[Pad, None] = {}
    for folder in shelf.run_folders(passed_over=lambda _: None)[:MOST_RUNS]:
        try:
            pad = open_run(folder).pad
        except (RunError, OSError):
            continue
        if pad is not None:
            found.setdefault(pad)
        if len(found) >= most:
            break
    return list(found)
