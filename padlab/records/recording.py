"""A run while it is being recorded.

    recording = shelf.begin(kind="pad", pad=pad, rig=rig, ...)
    recording.append("force", ["0.001203,1.07"])     # whole lines, as they come
    recording.tick()                                 # often: writes what is due
    run = recording.close("complete", derive=samples_from_raw)

The folder is there from the first second and is a valid Data Package at any moment. Whatever
happens to this process, what was flushed stays, and :func:`padlab.records.shelf.open_run` finds
out from the lock, which dies with its holder, that nobody is recording any more.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from filelock import FileLock, Timeout

from padlab.errors import RunError
from padlab.marks import Mark, mark
from padlab.records.descriptor import read_package, run_from, table_resource, write_package
from padlab.records.inside import refuse_links, sync_folder, unwritable, writing
from padlab.records.raw_log import RawLog, check_instruments, raw_hashes
from padlab.records.rig_record import Instrument, RigRecord
from padlab.records.run import Run
from padlab.records.samples import NAMES, sample_fields, write_samples

if TYPE_CHECKING:
    import pandas as pd

LOCK = ".recording.lock"
MOST_GAPS = 1000
"""Gaps that a descriptor lists; more are a clock that leaps, not a cable."""


def lock_of(run_folder: Path) -> FileLock:
    """The lock that the one writer of a run folder holds; it is let go when the writer is gone.

    Its file stays: where it is cleared away, one who waits for it holds a file without a name, the next one
    makes a new file, and both write.
    """
    return FileLock(refuse_links(run_folder, LOCK), timeout=0, thread_local=False)


class Recording:
    """A run being recorded; made by :meth:`padlab.records.shelf.Shelf.begin`."""

    def __init__(
        self,
        folder: Path,
        package: dict[str, Any],
        rig: RigRecord,
        clock: Callable[[], float],
        *,
        resumes: bool = False,
    ) -> None:
        check_instruments(rig)
        self._clock = clock
        self._gaps_written_s = -math.inf
        self._gaps_wait = False
        self.id = folder.name
        self.folder = folder
        self._package = package
        self._lock = lock_of(folder)
        self._logs: dict[str, RawLog] = {}
        try:
            self._lock.acquire()
        except Timeout as fault:               # an OSError too: asked for first
            raise RunError(
                f"run {self.id} is being recorded by another process", where={"run": self.id}
            ) from fault
        except OSError as fault:
            raise unwritable(folder, fault) from fault
        try:
            with writing(folder):
                if not resumes:
                    (folder / "raw").mkdir()
                for i in rig.instruments:
                    path = refuse_links(folder, "raw", f"{i.name}.csv")
                    self._logs[i.name] = RawLog(path, ("host_s", *i.columns), clock, resumes=resumes)
                sync_folder(folder / "raw")
                if not resumes:
                    package["resources"] = [raw_resource(i) for i in rig.instruments]
                write_package(folder, package)
                sync_folder(folder.parent)
            self._open_more()
        except BaseException:
            for log in self._logs.values():
                with contextlib.suppress(RunError, OSError):
                    log.close()
            self._lock.release()
            raise

    def _open_more(self) -> None:
        """What a kind of recording keeps besides is begun here, under the run's lock."""

    def _close_more(self) -> None:
        """... and ended here, before the descriptor says that the run has ended."""

    def append(self, instrument: str, lines: Sequence[str]) -> None:
        """Take whole lines (``host_s`` first, no line end) that one instrument sent.

        Raises
        ------
        RunError
            A line end or a NUL in a line, or the disk is full (what was written before is kept).
        """
        self._logs[instrument].append(lines)

    def tick(self) -> None:
        """Flush what has waited 0.5 s, sync what has waited 1 s; call it often."""
        for log in self._logs.values():
            log.tick()
        self._write_gaps()

    def add_gap(self, from_s: float, to_s: float, reason: str) -> None:
        """Keep a stretch without samples, on the run's own axis, in the descriptor at once."""
        if len(self._held["gaps"]) >= MOST_GAPS:
            if self._keep(mark("gap", "run", f"more than {MOST_GAPS} gaps; the first are listed")):
                write_package(self.folder, self._package)
            return
        self._held["gaps"].append({"from_s": float(from_s), "to_s": float(to_s), "reason": reason})
        # At once, but no more than about once a second: a clock that leaps makes a gap of every line.
        self._gaps_wait = True
        self._write_gaps()

    def _write_gaps(self) -> None:
        now = self._clock()
        if self._gaps_wait and now - self._gaps_written_s >= 1.0:
            self._gaps_written_s, self._gaps_wait = now, False
            write_package(self.folder, self._package)

    def add_mark(self, found: Mark) -> None:
        """Keep a mark in the descriptor at once; the same mark is kept once."""
        if self._keep(found):
            write_package(self.folder, self._package)

    def keep_steps(self, steps: Iterable[dict[str, Any]]) -> None:
        """Keep what was asked and seen, attempt by attempt; written when the recording is closed."""
        self._held["steps"] = list(steps)

    def close(
        self,
        state: Literal["complete", "interrupted"],
        *,
        marks: Iterable[Mark] = (),
        derive: Callable[[Run], pd.DataFrame] | None = None,
        judge: Callable[[Run, pd.DataFrame], Iterable[Mark]] = lambda run, samples: (),
    ) -> Run:
        """End the recording: everything on the disk, hashes in the descriptor, lock let go.

        The readings are safe before ``derive`` is asked for samples; if it fails, the run stands
        closed without samples.csv, the failure is raised, and ``padlab remake`` can try again.

        Parameters
        ----------
        derive : callable, optional
            Makes the samples of the closed run from its raw readings.
        judge : callable
            Looks at them; the marks that it gives are kept with the run.
        """
        try:
            for log in self._logs.values():
                log.close()
            self._close_more()
            for mark in marks:
                self._keep(mark)
            self._held["state"] = state
            self._held["raw_sha256"] = raw_hashes(self.folder)
            write_package(self.folder, self._package)
            run = run_from(self.folder, self._package)
            if derive is None:
                return run
            samples = derive(run)
            if any([self._keep(mark) for mark in judge(run, samples)]):
                write_package(self.folder, self._package)
            return store_samples(run, samples)
        finally:
            self._lock.release()

    @property
    def _held(self) -> dict[str, Any]:
        held: dict[str, Any] = self._package["padlab"]
        return held

    def _keep(self, mark: Mark) -> bool:
        entry = {"code": mark.code, "about": mark.about, "message": mark.message}
        if entry in self._held["marks"]:
            return False
        self._held["marks"].append(entry)
        return True


def store_samples(run: Run, table: pd.DataFrame) -> Run:
    """Write the samples of a closed run and name them in its descriptor; gives the run anew."""
    package = read_package(run.folder)
    packed = (run.folder / NAMES[1]).exists() or any(name.endswith(".gz") for name in run.raw_sha256)
    name, sha256 = write_samples(run.folder, table, packed=packed)
    others = [r for r in package.get("resources", []) if r.get("name") != "samples"]
    resources = [table_resource("samples", name, sample_fields(table)), *others]
    hashes = {name: sha256}
    if (resources, hashes) != (package.get("resources"), package["padlab"].get("samples_sha256")):
        package["resources"], package["padlab"]["samples_sha256"] = resources, hashes
        write_package(run.folder, package)
    return run_from(run.folder, package)


def raw_resource(instrument: Instrument, *, packed: bool = False) -> dict[str, Any]:
    """How the package describes one instrument's readings; what is no channel is kept as sent."""
    numbers = {"host_s", *(c.name for c in instrument.channels)}
    fields = [
        {"name": c, "type": "number" if c in numbers else "any"} for c in ("host_s", *instrument.columns)
    ]
    path = f"raw/{instrument.name}.csv" + (".gz" if packed else "")
    return table_resource("raw-" + instrument.name.lower(), path, fields)
