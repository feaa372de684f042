"""RUN/strokes/: one row for every stroke of an endurance run, safe from the second that it was counted.

    part-000001.parquet  part-000002.parquet  ...       closed: whole, renamed into place, never touched again
                                     part-000007.csv    open: whole lines, appended, synced every second

A Parquet file has its table of contents at its end: killed while it is written it is lost. So rows wait in a
text file, and become Parquet some tens of thousands together. While a part's text file is there, it is the
truth: whatever was interrupted is done again from it, with the same bytes. The order (Parquet, next text
file, descriptor, old text file away) leaves at every moment a descriptor that is true of the folder.
"""

from __future__ import annotations

import hashlib
import io
import os
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from padlab.errors import InputError, RunError
from padlab.records.inside import read_bytes, refuse_links, sync_folder, write_whole, writing
from padlab.records.raw_log import RawLog
from padlab.records.stroke_rows import COLUMNS, UNITS

if TYPE_CHECKING:
    from types import ModuleType

Array = NDArray[np.float64]
Rows = Mapping[str, Array]

FOLDER = "strokes"
TORN = "torn.csv"
ROWS_A_PART = 1 << 15
"""Strokes in one Parquet file: some hours of a machine, 3 MB of text until then."""
LARGEST_PART = 256 << 20
_NAME = re.compile(r"part-([0-9]{6})\.(parquet|csv)")
_HEADER = (",".join(COLUMNS) + "\n").encode("ascii")
_FORMAT = ",".join({"stroke": "%d", "time_s": "%.6f", "machine": "%.0f"}.get(c, "%.9g") for c in COLUMNS)


def parquet() -> ModuleType:
    """The library that reads and writes Parquet.

    Raises
    ------
    InputError
        It is not installed.
    """
    try:
        import pyarrow.parquet
    except ImportError as fault:
        raise InputError("endurance runs are kept as Parquet, and the package for it is not installed",
                         expected="pyarrow", seen=str(fault)[:120],
                         remedy="pip install 'padlab[endurance]'") from fault
    library: ModuleType = pyarrow.parquet
    return library


class StrokeLog:
    """The strokes of one run while it is recorded; the run's own writer holds it.

    Parameters
    ----------
    run_folder : Path
        Of a run that this process records.
    clock : callable
        Monotonic seconds; decides when to flush and sync.
    on_change : callable
        Called with the closed parts (name -> SHA-256) and the name of the open one (None: none is open),
        when they have changed and before the text of a closed one goes: it writes the descriptor.
    closed : mapping, optional
        Parts that were closed before, as the descriptor has them.
    """

    def __init__(self, run_folder: Path, clock: Callable[[], float],
                 on_change: Callable[[dict[str, str], str | None], None],
                 closed: Mapping[str, str] | None = None) -> None:
        parquet()                                            # now, not after 30,000 strokes
        self._run, self._clock, self._on_change = run_folder, clock, on_change
        self.closed = dict(closed or {})
        self._folder = refuse_links(run_folder, FOLDER)
        with writing(self._folder):
            self._folder.mkdir(exist_ok=True)
        mend(run_folder)
        left = [name for name in _names(run_folder) if name.endswith(".csv")]
        for name in left:
            self._to_parquet(name)
        taken = [int(name[5:11]) for name in (*_names(run_folder), *self.closed)]
        self._open(max(taken, default=0) + 1, left)

    def append(self, rows: Rows) -> None:
        """Take the next strokes; ``rows`` has all columns, numbers rising."""
        table = np.column_stack([rows[name] for name in COLUMNS])
        if not len(table):
            return
        text = (_FORMAT + "\n") * len(table) % tuple(table.ravel().tolist())
        self._log.append(text.replace("nan", "").rstrip("\n").split("\n"))
        self._rows += len(table)
        if self._rows >= ROWS_A_PART:
            self.roll()

    def tick(self, *, flush: bool = False) -> None:
        """Write what is due; ``flush``: hand it to the system now."""
        if flush:
            self._log.flush()
        self._log.tick()

    def roll(self) -> None:
        """Close the open part as Parquet and open the next."""
        self._log.close()
        self._to_parquet(self._name)
        self._open(int(self._name[5:11]) + 1, [self._name])

    def close(self) -> None:
        """Close the open part; no part is open any more."""
        self._log.close()
        self._to_parquet(self._name)
        self._on_change(self.closed, None)
        self._away([self._name])

    def let_go(self) -> None:
        """Close the file as it is: something went wrong, the next to resume does the rest."""
        self._log.close()

    def _open(self, number: int, old: Sequence[str]) -> None:
        self._name, self._rows = f"part-{number:06d}.csv", 0
        self._log = RawLog(refuse_links(self._run, FOLDER, self._name), COLUMNS, self._clock)
        sync_folder(self._folder)
        self._on_change(self.closed, self._name)
        self._away(old)

    def _to_parquet(self, name: str) -> None:
        rows = _read_csv(self._run, name)
        if not rows["stroke"].size:
            return
        data = _parquet_bytes(rows)
        closed = name[:-4] + ".parquet"
        write_whole(refuse_links(self._run, FOLDER, closed), data)
        self.closed[closed] = hashlib.sha256(data).hexdigest()

    def _away(self, names: Sequence[str]) -> None:
        for name in names:
            with writing(self._folder):
                refuse_links(self._run, FOLDER, name).unlink(missing_ok=True)


def write_parts(run_folder: Path, rows: Iterable[Rows]) -> dict[str, str]:
    """Write strokes that are all known (a record made elsewhere) as closed parts; gives name and SHA-256.

    Parameters
    ----------
    rows : iterable
        Strokes with all columns, their numbers rising; memory for about one part of them.
    """
    folder = refuse_links(run_folder, FOLDER)
    with writing(folder):
        folder.mkdir()
    closed: dict[str, str] = {}
    held: list[Rows] = []
    count = 0

    def close() -> None:
        data = _parquet_bytes({c: np.concatenate([r[c] for r in held]) for c in COLUMNS})
        name = f"part-{len(closed) + 1:06d}.parquet"
        write_whole(folder / name, data)
        closed[name] = hashlib.sha256(data).hexdigest()

    for some in rows:
        held.append(some)
        count += some["stroke"].size
        if count >= ROWS_A_PART:
            close()
            held, count = [], 0
    if count:
        close()
    return closed


def mend(run_folder: Path) -> bool:
    """Move a torn last line of the open part to strokes/torn.csv; whether there was one."""
    torn = False
    for name in _names(run_folder):
        path = refuse_links(run_folder, FOLDER, name)
        if not name.endswith(".csv") or path.lstat().st_nlink > 1:
            continue
        data = read_bytes(run_folder, FOLDER, name, limit=LARGEST_PART)
        whole = data.rfind(b"\n") + 1
        if whole == len(data) and data.startswith(_HEADER):
            continue
        torn = torn or whole < len(data)
        if whole < len(data):
            _append(refuse_links(run_folder, FOLDER, TORN), data[whole:] + b"\n")
        if not whole:                                    # the power went before its first line was written
            write_whole(path, _HEADER)
            continue
        with writing(path):
            os.truncate(path, whole)
    return torn


def _append(path: Path, data: bytes) -> None:
    flags = os.O_WRONLY | os.O_CREAT | os.O_APPEND | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)
    with writing(path), os.fdopen(os.open(path, flags, 0o666), "ab") as file:
        file.write(data)
        file.flush()
        os.fsync(file.fileno())


def read_strokes(run_folder: Path, closed: Mapping[str, str], columns: Sequence[str] = COLUMNS,
                 ) -> Iterator[dict[str, Array]]:
    """The strokes of a run, part after part; memory for one part at a time.

    Parameters
    ----------
    closed : mapping
        The closed parts and their SHA-256, as the run's descriptor has them.

    Raises
    ------
    RunError
        A part is missing, damaged or another one, or its numbers do not rise; the message names it.
    """
    last = 0.0
    there = _names(run_folder)
    text = {name[:-4] for name in there if name.endswith(".csv")}
    for stem in sorted({name[:-8] for name in closed} | text):
        name = stem + (".csv" if stem in text else ".parquet")
        if stem in text:
            rows = _read_csv(run_folder, name)
        else:
            data = read_bytes(run_folder, FOLDER, name, limit=LARGEST_PART)
            if hashlib.sha256(data).hexdigest() != closed[name]:
                raise _damaged(run_folder, name, "the SHA-256 in the descriptor", "another one")
            rows = _read_parquet(run_folder, name, data)
        numbers = rows["stroke"]
        if numbers.size:
            steps = np.diff(numbers, prepend=last)
            if not (steps > 0).all():
                at = int(np.flatnonzero(~(steps > 0))[0])
                raise _damaged(run_folder, name, f"a stroke after number {numbers[at] - steps[at]:.0f}",
                               f"number {numbers[at]:.0f} in row {at + 1}")
            last = float(numbers[-1])
        yield {c: rows[c] for c in columns}


def last_stroke(run_folder: Path, closed: Mapping[str, str]) -> dict[str, float] | None:
    """The last row of all, or None; every part is read and checked on the way."""
    last = None
    for rows in read_strokes(run_folder, closed):
        if rows["stroke"].size:
            last = {c: float(v[-1]) for c, v in rows.items()}
    return last


def resources(closed: Mapping[str, str], opened: str | None) -> list[dict[str, Any]]:
    """How the package describes the strokes: closed parts as files with a hash, the open one as a table."""
    listed: list[dict[str, Any]] = [
        {"name": f"strokes-{name[5:11]}", "type": "file", "path": f"{FOLDER}/{name}", "format": "parquet",
         "mediatype": "application/vnd.apache.parquet", "hash": f"sha256:{sha256}"}
        for name, sha256 in sorted(closed.items())]
    if opened is not None:
        fields = [{"name": c, "type": "number", "description": words} for c, words in UNITS.items()]
        listed.append({"name": "strokes", "type": "table", "path": f"{FOLDER}/{opened}", "format": "csv",
                       "mediatype": "text/csv", "encoding": "utf-8", "schema": {"fields": fields}})
    return listed


def _names(run_folder: Path) -> list[str]:
    folder = refuse_links(run_folder, FOLDER)
    return sorted(p.name for p in folder.iterdir() if _NAME.fullmatch(p.name)) if folder.is_dir() else []


def _read_csv(run_folder: Path, name: str) -> dict[str, Array]:
    """The whole lines of an open part."""
    data = read_bytes(run_folder, FOLDER, name, limit=LARGEST_PART)
    data = data[:data.rfind(b"\n") + 1]
    if not data:
        return {c: np.zeros(0) for c in COLUMNS}
    if not data.startswith(_HEADER):
        raise _damaged(run_folder, name, "the columns " + ", ".join(COLUMNS),
                       repr(data[:80].decode("ascii", "backslashreplace")))
    lines = data[len(_HEADER):].decode("ascii", "replace").split("\n")[:-1]
    values = np.empty((len(lines), len(COLUMNS)))
    for k, line in enumerate(lines):
        cells = line.split(",")
        try:
            if len(cells) != len(COLUMNS) or "_" in line:
                raise ValueError
            values[k] = [float(c) if c else np.nan for c in cells]
            if not np.isfinite(values[k, :3]).all():
                raise ValueError
        except ValueError:
            raise _damaged(run_folder, name, f"{len(COLUMNS)} numbers in line {k + 2}",
                           repr(line[:80])) from None
    return {c: values[:, i].copy() for i, c in enumerate(COLUMNS)}


def _read_parquet(run_folder: Path, name: str, data: bytes) -> dict[str, Array]:
    library = parquet()
    try:
        table = library.ParquetFile(io.BytesIO(data), page_checksum_verification=True).read(use_threads=False)
        return {c: table.column(c).to_numpy().astype(np.float64) for c in COLUMNS}
    except (OSError, KeyError, ValueError, TypeError) as fault:      # pyarrow's own faults are of these
        raise _damaged(run_folder, name, "a Parquet file that padlab wrote", str(fault)[:120]) from fault


def _parquet_bytes(rows: Rows) -> bytes:
    import pyarrow

    fields = {c: pyarrow.array(rows[c].astype(np.int64) if c == "stroke" else rows[c]) for c in COLUMNS}
    out = io.BytesIO()
    parquet().write_table(pyarrow.table(fields), out, compression="zstd", write_page_checksum=True)
    return out.getvalue()


def _damaged(run_folder: Path, name: str, expected: str, seen: str) -> RunError:
    path = run_folder / FOLDER / name
    return RunError(f"{path} is damaged", expected=expected, seen=seen, where={"path": str(path)},
                    remedy="bring the file back from a copy; move it out of the folder only if you give its "
                    "strokes up")
