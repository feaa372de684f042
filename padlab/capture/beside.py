"""What a recording takes along from its shelf: calibrations, a blank run, the cautions that were shown.

The command line and the page ask the same here.
"""

from __future__ import annotations

import contextlib
from datetime import UTC, datetime
from pathlib import Path

from padlab.errors import PadlabError, RunError
from padlab.records.calibration import CALIBRATION_ID, FOLDER, check_serves, read_calibration
from padlab.records.inside import read_bytes, write_whole
from padlab.records.rig_record import RigRecord
from padlab.records.shelf import Shelf, newest_blank

SHOWN = ".cautions-shown"
"""On the shelf: the names of the rigs whose cautions were shown, one a line."""


def check_calibrations(rig: RigRecord, shelf: Path) -> None:
    """Refuse, before anything is recorded, a rig that names a calibration which is not on the shelf.

    Raises
    ------
    RunError
        It is missing, damaged, or of another rig.
    """
    for name in sorted({c.calibration for i in rig.instruments for c in i.channels if c.calibration}):
        check_serves(read_calibration(shelf, name), rig, "to be recorded")


def blank_for(rig: RigRecord, kind: str, shelf: Path) -> str | None:
    """The newest whole blank run of this rig on the shelf, no older than a day; for runs that use one."""
    return newest_blank(Shelf(shelf), rig.name, now=datetime.now(UTC)) if kind in ("pad", "check") else None


def skew_for(rig: RigRecord, shelf: Path) -> str | None:
    """The newest skew on the shelf between the instruments of this rig, if it has not expired."""
    if len(rig.instruments) < 2:
        return None
    now = datetime.now(UTC).isoformat()
    folder = shelf / FOLDER
    names = [p.stem for p in folder.iterdir()] if folder.is_dir() else []
    for name in sorted(filter(CALIBRATION_ID.fullmatch, names), reverse=True):
        with contextlib.suppress(RunError, OSError):        # damaged, or of another rig: passed over
            found = read_calibration(shelf, name)
            if found.kind == "skew" and found.rig == rig.name and not found.is_expired(now):
                check_serves(found, rig, "to be recorded")
                return name
    return None


def rigs_with_cautions_shown(shelf: Path) -> list[str]:
    """The rigs whose cautions were shown here in full."""
    try:
        return read_bytes(shelf, SHOWN, limit=1 << 16).decode("utf-8", "replace").splitlines()
    except RunError:                        # missing, or not what padlab wrote: then they are shown again
        return []


def keep_cautions_shown(shelf: Path, rig: str) -> None:
    """Remember that they were; a reminder only, whose failure stops nothing."""
    known = rigs_with_cautions_shown(shelf)
    if rig in known:
        return
    with contextlib.suppress(OSError, PadlabError):
        if not (shelf / SHOWN).exists() or (shelf / SHOWN).is_file():
            write_whole(shelf / SHOWN, ("\n".join([*known, rig]) + "\n").encode())
