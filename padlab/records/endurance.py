"""An endurance run while it is recorded, and gone on with after a power cut.

raw/INSTRUMENT.csv   the lines of the loops that are kept, and of the zero before the first
strokes/             one row for every stroke (:mod:`padlab.records.stroke_log`)
samples.csv          made of the strokes: readings of the pad over its service, as of any wear run
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.errors import RunError
from padlab.records.descriptor import read_package, write_package
from padlab.records.recording import Recording
from padlab.records.rig_record import RigRecord
from padlab.records.run import Run
from padlab.records.stroke_log import StrokeLog, last_stroke, resources

Array = NDArray[np.float64]


class EnduranceRecording(Recording):
    """A recording that keeps a row for each stroke."""

    _strokes: StrokeLog

    def __init__(self, folder: Path, package: dict[str, Any], rig: RigRecord, clock: Callable[[], float], *,
                 resumes: bool = False) -> None:
        begun: dict[str, Any] = {"parts": {}, "zero_n": None, "machine_start": None, "resumed": []}
        package["padlab"].setdefault("endurance", begun)             # from the first second
        super().__init__(folder, package, rig, clock, resumes=resumes)

    def _open_more(self) -> None:
        self._strokes = StrokeLog(self.folder, self._clock, self._parts_changed, self._endurance["parts"])

    def _close_more(self) -> None:
        self._strokes.close()

    @property
    def _endurance(self) -> dict[str, Any]:
        held: dict[str, Any] = self._held["endurance"]
        return held

    def _parts_changed(self, closed: dict[str, str], opened: str | None) -> None:
        others = [r for r in self._package["resources"] if not r["name"].startswith("strokes")]
        self._endurance["parts"] = dict(closed)
        self._package["resources"] = [*others, *resources(closed, opened)]
        self.write()

    def write(self) -> None:
        """Write the descriptor."""
        write_package(self.folder, self._package)

    def begin_at(self, *, zero_n: float, machine_start: float | None) -> None:
        """Keep from where force and strokes are counted."""
        self._endurance.update(zero_n=float(zero_n), machine_start=machine_start)
        self.write()

    def add_strokes(self, rows: Mapping[str, Array]) -> None:
        """Take the next strokes, all columns; they are handed to the system before this returns.

        The lines of their loops go first: a stroke that is on file and whose loop is kept has its loop.
        """
        for log in self._logs.values():
            log.flush()
        self._strokes.append(rows)
        self._strokes.tick(flush=True)

    def tick(self) -> None:
        """Write what is due."""
        super().tick()
        self._strokes.tick()


def reopen(run: Run, rig: RigRecord, *, on: datetime, clock: Callable[[], float] = time.monotonic,
           ) -> tuple[EnduranceRecording, dict[str, float] | None]:
    """Go on with an endurance run that was interrupted; gives its last stroke too.

    Parameters
    ----------
    run : Run
        As it was just opened: a torn line was moved aside.
    rig : RigRecord
        The rig that is there now.
    on : datetime
        Now, with its time zone.

    Raises
    ------
    RunError
        Not an endurance run, complete, still being recorded, of another rig, or damaged.
    """
    check_resumes(run)
    assert run.rig is not None
    differs = rig_differences(run.rig, rig)
    if differs:
        raise RunError(f"run {run.id} was begun on another rig", where={"run": run.id},
                       expected=f"rig {run.rig.name} as it was then", seen="; ".join(differs)[:300],
                       remedy="name the rig file that it was begun with; for another rig begin a new run")
    package = read_package(run.folder)
    held = package["padlab"]
    last = last_stroke(run.folder, held["endurance"]["parts"])
    held["state"], held["raw_sha256"] = "recording", {}
    held["marks"] = [m for m in held["marks"] if m["code"] != "interrupted"]
    held["endurance"]["resumed"] = [*held["endurance"].get("resumed", []), on.isoformat()]
    return EnduranceRecording(run.folder, package, run.rig, clock, resumes=True), last


def check_resumes(run: Run) -> None:
    """Refuse a run that cannot be gone on with, by name and with the reason."""
    def refuse(seen: str, remedy: str) -> RunError:
        return RunError(f"run {run.id} cannot be resumed", expected="an endurance run on a machine that was "
                        "interrupted", seen=seen, remedy=remedy, where={"run": run.id})

    if run.state == "recording":
        raise refuse("it is being recorded by another process", "end that one first")
    if run.endurance is None or run.rig is None:
        name = (run.procedure or {}).get("name") or run.kind
        raise refuse(f"a run of {name}", "record it anew; what was recorded is kept")
    if run.state == "complete":
        raise refuse("it is complete", "for more strokes begin a new run of the same pad")
    if run.set_aside is not None:
        raise refuse("it was set aside", f"padlab amend {run.id} --take-back")


def rig_differences(before: RigRecord, now: RigRecord) -> list[str]:
    """What turns readings into other numbers than before; names of ports and titles do not count."""
    if before.name != now.name:
        return [f"rig {now.name}"]
    found = []
    if [i.name for i in before.instruments] != [i.name for i in now.instruments]:
        return ["instruments " + ", ".join(i.name for i in now.instruments)]
    for a, b in zip(before.instruments, now.instruments, strict=True):
        found += [f"{a.name}: another {key}" for key in (
            "columns", "channels", "clock", "clock_s_per_tick", "clock_modulus", "strokes", "strokes_modulus")
            if getattr(a, key) != getattr(b, key)]
    return found
