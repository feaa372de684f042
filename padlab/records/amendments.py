"""Dated corrections, beside the old value, never over it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from filelock import Timeout

from padlab.errors import InputError, RunError
from padlab.records.descriptor import read_package, run_from, write_package
from padlab.records.inside import unwritable
from padlab.records.pad import TEXT_LIMIT, Pad
from padlab.records.recording import lock_of
from padlab.records.run import Run
from padlab.records.shelf import open_run

NOTE_LIMIT = 2000
OTHERS_S = 5.0
"""Whoever else corrects the run at this moment is waited for so long [s]."""


def amend(
    folder: Path,
    *,
    on: datetime,
    pad: Pad | None = None,
    note: str | None = None,
    set_aside: str | None = None,
    take_back: bool = False,
    blank: str | None = None,
    calibrations: tuple[str, ...] | None = None,
    reason: str | None = None,
) -> Run:
    """Write dated corrections into a run's descriptor and give the run as it now reads.

    Parameters
    ----------
    on : datetime
        Now, with its time zone.
    pad : Pad, optional
        What the pad really is; ``reason`` may say why.
    note : str, optional
        A further note; earlier ones stay.
    set_aside : str, optional
        Why the run must not be used.
    take_back : bool
        The run may be used again.
    blank : str, optional
        Id of the blank run that belongs to this one.
    calibrations : tuple of str, optional
        Ids of all the calibrations that its samples are to be made with, from now on.

    Raises
    ------
    InputError
        Empty or overlong text.
    RunError
        The run is being recorded, or there is nothing to take back or to change.
    """
    check_texts(note=note, set_aside=set_aside, reason=reason)
    run = open_run(folder)  # closes a recording that nobody holds any more
    lock = lock_of(run.folder)
    try:
        # Another correction is done in a moment; a recording is not.
        lock.acquire(timeout=0 if run.state == "recording" else OTHERS_S)
    except Timeout as fault:
        raise RunError(
            f"run {run.id} is being recorded, or corrected by somebody else",
            expected="a run that has ended",
            seen="a recording in progress",
            remedy="amend it afterwards",
            where={"run": run.id},
        ) from fault
    except OSError as fault:
        raise unwritable(run.folder, fault) from fault
    try:
        package = read_package(run.folder)
        held = package["padlab"]
        run = run_from(run.folder, package)
        entries = _entries(run, pad=pad, note=note, set_aside=set_aside, take_back=take_back, blank=blank,
                           calibrations=calibrations)
        stamp = on.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
        for entry in entries:
            held.setdefault("amendments", []).append({"on": stamp, **entry, "reason": reason})
            if entry["what"] in ("set_aside", "blank", "calibrations"):
                held[entry["what"]] = entry["new"]
        write_package(run.folder, package)
        return run_from(run.folder, read_package(run.folder))
    finally:
        lock.release()


def check_texts(*, note: str | None, set_aside: str | None, reason: str | None) -> None:
    """Refuse a text that is empty or overlong.

    Raises
    ------
    InputError
        The message names which.
    """
    for name, text, limit in (
        ("note", note, NOTE_LIMIT),
        ("reason", set_aside, TEXT_LIMIT),
        ("reason", reason, TEXT_LIMIT),
    ):
        if text is not None and not 0 < len(text.strip()) <= limit:
            raise InputError(
                f"the {name} is not usable",
                expected=f"1 to {limit} characters",
                seen=f"{len(text.strip())} characters",
            )


def _entries(
    run: Run,
    *,
    pad: Pad | None,
    note: str | None,
    set_aside: str | None,
    take_back: bool,
    blank: str | None,
    calibrations: tuple[str, ...] | None,
) -> list[dict[str, Any]]:
    entries: list[dict[str, Any]] = []
    if pad is not None:
        if pad == run.pad:
            raise RunError(
                f"run {run.id} has this pad already",
                expected="a pad that differs",
                seen=f"pad {pad.id}",
                where={"run": run.id},
            )
        if run.pad is None:
            raise RunError(
                f"run {run.id} has no pad to correct",
                expected="a run of a pad",
                seen=f"kind {run.kind}",
                where={"run": run.id},
            )
        entries.append({"what": "pad", "old": run.pad.to_json(), "new": pad.to_json()})
    if note is not None:
        entries.append({"what": "note", "old": run.note, "new": note.strip()})
    if set_aside is not None:
        entries.append({"what": "set_aside", "old": run.set_aside, "new": set_aside.strip()})
    if take_back:
        if run.set_aside is None:
            raise RunError(
                f"run {run.id} is not set aside",
                expected="a run that was set aside",
                seen="a run in use",
                where={"run": run.id},
            )
        entries.append({"what": "set_aside", "old": run.set_aside, "new": None})
    if blank is not None and blank != run.blank:
        entries.append({"what": "blank", "old": run.blank, "new": blank})
    if calibrations is not None and calibrations != run.calibrations:
        entries.append({"what": "calibrations", "old": list(run.calibrations), "new": list(calibrations)})
    return entries
