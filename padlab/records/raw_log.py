"""raw/INSTRUMENT.csv: what each instrument said and when, written once, never again.

Whole lines only, in one call; nothing is held back longer than half a second, nothing stays
unsynced longer than one. If the power goes all the same, the torn last line is moved aside when
the run is next opened, never guessed at.
"""

from __future__ import annotations

import hashlib
import os
import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from padlab.errors import RunError
from padlab.records import stored_table
from padlab.records.inside import (
    read_bytes,
    refuse_links,
    unpacked,
    unwritable,
    write_whole,
    writing,
)
from padlab.records.rig_record import Instrument, RigRecord
from padlab.records.run import Run

if TYPE_CHECKING:
    import pandas as pd

FLUSH_S = 0.5
"""Lines wait no longer than this before they are handed to the system (contract of the shelf)."""
SYNC_S = 1.0
"""What the system holds is on the disk after this (contract of the shelf)."""

ORIGINAL = "ORIGINAL"
"""An imported table is kept under this name, whatever it was called: names never become paths."""

_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,63}")
_DEVICES = {"con", "prn", "aux", "nul", *(f"{d}{n}" for d in ("com", "lpt") for n in range(10))}
_COLUMN = re.compile(r"[A-Za-z_][A-Za-z0-9_]{0,63}")


def check_instruments(rig: RigRecord) -> None:
    """Refuse a rig whose instrument or column names cannot be file and column names.

    Raises
    ------
    RunError
        A name that is a path, a device, too long, or there twice.
    """
    for name in (i.name for i in rig.instruments):
        if _NAME.fullmatch(name) is None or name.casefold() in (*_DEVICES, ORIGINAL.casefold()):
            raise RunError(
                f"{name[:60]!r} cannot name an instrument",
                expected="1 to 64 of A-Z a-z 0-9 _ -, and no device name",
                seen=name[:60],
            )
    twice = stored_table.repeated([i.name.casefold() for i in rig.instruments])
    for instrument in rig.instruments:
        columns = ("host_s", *instrument.columns)
        twice += stored_table.repeated(columns)
        bad = [c for c in columns if _COLUMN.fullmatch(c) is None]
        if bad:
            raise RunError(
                f"{bad[0][:60]!r} cannot name a column", expected="letters, digits and _", seen=bad[0][:60]
            )
    if twice:
        raise RunError(
            "a name stands twice in the rig", expected="every name once", seen=", ".join(twice)[:200]
        )


class RawLog:
    """One instrument's file while it is being written.

    Parameters
    ----------
    path : Path
        The file, which must not be there yet.
    columns : sequence of str
        Its columns; the header is on the disk before this returns.
    clock : callable
        Monotonic seconds.
    resumes : bool
        The file is there, mended, and is gone on with.
    """

    def __init__(self, path: Path, columns: Sequence[str], clock: Callable[[], float], *,
                 resumes: bool = False) -> None:
        fresh = 0 if resumes else os.O_CREAT | os.O_EXCL
        flags = os.O_WRONLY | os.O_APPEND | fresh | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)
        with writing(path):
            self._handle = os.open(path, flags, 0o666)
        self._path, self._clock = path, clock
        self._waiting: list[str] = []
        self._owed = b""  # the part of a line that a full disk cut off
        self._flushed = self._synced = clock()
        self._dirty = True
        try:
            if not resumes:
                self._write((",".join(columns) + "\n").encode("ascii"))
            self.sync()
        except BaseException:
            os.close(self._handle)
            raise

    def append(self, lines: Sequence[str]) -> None:
        """Take whole lines (no newline in them) and write them when it is time."""
        text = "\n".join(lines)
        if not lines:
            return
        if text.count("\n") != len(lines) - 1 or "\r" in text or "\0" in text:
            raise RunError(
                f"a reading for {self._path.name} is not one line",
                expected="whole lines without line ends",
                seen=repr(text[:60]),
            )
        self._waiting.append(text)
        self.tick()

    def tick(self) -> None:
        """Flush and sync if due."""
        now = self._clock()
        if (self._waiting or self._owed) and now - self._flushed >= FLUSH_S:
            self.flush()
        if self._dirty and now - self._synced >= SYNC_S:
            self.sync()

    def flush(self) -> None:
        """Hand all waiting lines to the system, in one call."""
        text = "\n".join(self._waiting) + "\n" if self._waiting else ""
        data = self._owed + text.encode("utf-8", "backslashreplace")
        self._waiting.clear()
        self._flushed = self._clock()
        self._write(data)

    def _write(self, data: bytes) -> None:
        self._owed = data
        try:
            while self._owed:
                self._dirty = True
                self._owed = self._owed[os.write(self._handle, self._owed) :]
        except OSError as fault:
            raise unwritable(self._path, fault) from fault

    def sync(self) -> None:
        """Wait until what was written is on the disk."""
        with writing(self._path):
            os.fsync(self._handle)
        self._dirty, self._synced = False, self._clock()

    def close(self) -> None:
        """Write and sync the rest; the file is closed even if that fails."""
        try:
            self.flush()
            self.sync()
        finally:
            os.close(self._handle)


def raw_names(run_folder: Path) -> list[str]:
    """The files in raw/ that count as readings (or the imported table), sorted."""
    raw = refuse_links(run_folder, "raw")
    if not raw.is_dir():
        return []
    return sorted(p.name for p in raw.iterdir() if p.name == ORIGINAL or p.name.endswith((".csv", ".csv.gz")))


def raw_hashes(run_folder: Path) -> dict[str, str]:
    """SHA-256 of every raw file as it stands."""
    return {n: hashlib.sha256(read_bytes(run_folder, "raw", n)).hexdigest() for n in raw_names(run_folder)}


def move_torn(run_folder: Path, rig: RigRecord | None) -> list[str]:
    """Move each incomplete last line to raw/INSTRUMENT.torn; gives the instruments that had one."""
    torn: list[str] = []
    if rig is None:
        return torn
    check_instruments(rig)
    for instrument in rig.instruments:
        path = refuse_links(run_folder, "raw", f"{instrument.name}.csv")
        if not path.is_file() or path.lstat().st_nlink > 1:
            continue                       # a second name of a file elsewhere is not padlab's to shorten
        whole, end, rest = read_bytes(run_folder, "raw", path.name).rpartition(b"\n")
        if rest:
            kept = f"{instrument.name}.torn"       # an endurance run may have been torn before
            earlier = read_bytes(run_folder, "raw", kept) if (path.parent / kept).exists() else b""
            write_whole(refuse_links(run_folder, "raw", kept), earlier + rest)
            with writing(path):
                os.truncate(path, len(whole) + len(end))
            torn.append(instrument.name)
    return torn


def read_raw(run: Run) -> dict[str, pd.DataFrame]:
    """The readings of a run, by instrument, as they were sent.

    Returns
    -------
    dict
        For each instrument a table with ``host_s`` (seconds since the run's start on the computer's
        monotonic clock, one stamp for each chunk) and the instrument's own columns. Empty for a run
        recorded elsewhere. Of a run that is still being recorded: the whole lines so far.

    Raises
    ------
    RunError
        A file is missing, damaged, a link, or no longer what was recorded; the message names it.
    """
    if run.rig is None:
        return {}
    check_instruments(run.rig)
    held = run.raw_sha256
    return {i.name: _read_one(run, i, held) for i in run.rig.instruments}


def _read_one(run: Run, instrument: Instrument, held: dict[str, str]) -> pd.DataFrame:
    names = [f"{instrument.name}.csv", f"{instrument.name}.csv.gz"]
    raw = refuse_links(run.folder, "raw")
    name = next((n for n in names if (raw / n).exists() or (raw / n).is_symlink()), names[0])
    path = raw / name
    stored = read_bytes(run.folder, "raw", name)
    if name in held and hashlib.sha256(stored).hexdigest() != held[name]:
        raise RunError(
            f"{path} is no longer what was recorded",
            expected="the SHA-256 in the descriptor",
            seen="another one",
            remedy="bring the file back from a copy",
            where={"path": str(path)},
        )
    data = unpacked(stored, path)
    if run.state != "complete":
        data = data[: data.rfind(b"\n") + 1]  # the last line may not be whole
    columns = ["host_s", *instrument.columns]
    if stored_table.header_of(data) != columns:
        raise RunError(
            f"{path} is damaged",
            expected="the columns " + ", ".join(columns),
            seen=", ".join(stored_table.header_of(data))[:200],
            where={"path": str(path)},
        )
    # A counter and a clock are reckoned with too, whatever the descriptor's schema calls them.
    reckoned = [name for name in (instrument.counter, instrument.clock) if name is not None]
    numbers = {"host_s", *(c.name for c in instrument.channels), *reckoned}
    table = stored_table.parse(data, path=path, numbers=numbers, remedy="bring the file back from a copy")
    if not np.isfinite(table["host_s"].to_numpy()).all():
        raise RunError(
            f"{path} is damaged",
            expected="a time of arrival in every row",
            seen="a row without one",
            where={"path": str(path)},
        )
    return table
