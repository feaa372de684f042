"""The record of an endurance machine, made elsewhere and kept as Parquet -> a run with its strokes on file.

Read piece by piece: ten million readings take the memory of a quarter of a million.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from padlab.errors import InputError, TableError
from padlab.marks import mark
from padlab.records.columns import QUANTITIES, Column
from padlab.records.descriptor import table_resource
from padlab.records.pad import Pad
from padlab.records.placing import place_whole
from padlab.records.raw_log import ORIGINAL
from padlab.records.run import Run
from padlab.records.samples import sample_fields, write_samples
from padlab.records.shelf import Draws, Shelf, new_package, new_run_id
from padlab.records.stroke_log import parquet, read_strokes, resources, write_parts
from padlab.signals.contact import force_zero
from padlab.signals.strokes import Rows, StrokeSummariser
from padlab.signals.wear_look import WearLook, wear_look
from padlab.signals.wear_readings import NEEDED, readings_of
from padlab.units import factor

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]
Chunk = tuple[Array, Array, Array]

MAGIC = b"PAR1"
AT_ONCE = 1 << 18
"""Readings in one piece."""
ZERO_FROM = 20_000
"""Readings at the beginning in which the force zero is looked for."""
PIECE = 1 << 20


def is_parquet(path: str | Path) -> bool:
    """Whether a file begins as Parquet does; False where it cannot be read (its reader will say why)."""
    try:
        with Path(path).open("rb") as file:
            return Path(path).is_file() and file.read(4) == MAGIC
    except (OSError, ValueError):
        return False


def chunks(path: str | Path, columns: Sequence[Column], *, called: str | None = None) -> Iterator[Chunk]:
    """Time [s], force [N] and displacement [mm] of a Parquet file, piece by piece, in the order of the file.

    Parameters
    ----------
    called : str, optional
        What a fault calls the file, where it is a copy.

    Raises
    ------
    InputError
        pyarrow is not installed.
    TableError
        No Parquet, no such column, or a column without numbers; the message names it.
    """
    library = parquet()                        # says what to install where it is not there
    import pyarrow

    shown = (called or str(path))[:200]
    ordered = sorted(columns, key=lambda c: ("time", "force", "displacement").index(c.quantity))
    scales = [factor(c.unit, QUANTITIES[c.quantity][0]) for c in ordered]
    try:
        with library.ParquetFile(path, page_checksum_verification=True) as file:
            names = file.schema_arrow.names
            for column in ordered:
                if names.count(column.name) != 1:
                    raise TableError(f"{shown} has no column {column.name[:60]!r}", where={"path": shown},
                                     seen=", ".join(names)[:200], expected="one column of that name")
                kind = file.schema_arrow.field(column.name).type
                if not (pyarrow.types.is_integer(kind) or pyarrow.types.is_floating(kind)):
                    raise TableError(f"column {column.name[:60]!r} of {shown} holds no numbers",
                                     expected="whole or floating numbers", seen=str(kind)[:60],
                                     where={"path": shown})
            names = [c.name for c in ordered]
            # No threads of its own: at the end of a program they are not always let go in good order.
            for batch in file.iter_batches(batch_size=AT_ONCE, columns=names, use_threads=False):
                read = (batch.column(c.name).to_numpy(zero_copy_only=False) for c in ordered)
                t, f, x = (r.astype(np.float64, copy=False) * s for r, s in zip(read, scales, strict=True))
                yield t, f, x
    except (OSError, pyarrow.ArrowException) as fault:
        if isinstance(fault, TableError):
            raise
        raise TableError(f"{shown} cannot be read as Parquet", expected="a whole Parquet file",
                         seen=str(fault)[:160], where={"path": shown}, remedy="a file that was cut off lacks "
                         "its end: take it from where it was made") from fault


def strokes_of(pieces: Iterator[Chunk]) -> Iterator[Rows]:
    """The strokes of a record, numbered from 1; its force zero is looked for where it begins.

    The last rows hold what is known only at the end: nothing but them. ``machine`` is not known.
    """
    waiting: list[Chunk] = []
    held = 0
    summariser: StrokeSummariser | None = None
    done = 0
    for piece in pieces:
        if summariser is None:
            waiting.append(piece)
            held += piece[0].size
            if held < ZERO_FROM:
                continue
            piece = _together(waiting)
            summariser = _begin(piece)
        rows = summariser.feed(*piece)
        yield _numbered(rows, done)
        done += rows["time_s"].size
    if summariser is None and waiting:
        piece = _together(waiting)
        summariser = _begin(piece)
        rows = summariser.feed(*piece)
        yield _numbered(rows, done)
        done += rows["time_s"].size
    if summariser is not None:
        yield _numbered(summariser.finish(), done)


def _together(pieces: list[Chunk]) -> Chunk:
    t, f, x = (np.concatenate(column) for column in zip(*pieces, strict=True))
    return t, f, x


def _begin(piece: Chunk) -> StrokeSummariser:
    force, place = (v[:ZERO_FROM] for v in piece[1:])
    good = np.isfinite(force) & np.isfinite(place)
    return StrokeSummariser(zero_n=force_zero(force[good], place[good]).value_n if good.any() else 0.0)


def _numbered(rows: Rows, done: int) -> Rows:
    numbers = np.arange(done + 1.0, done + 1.0 + rows["time_s"].size)
    return {**{k: v for k, v in rows.items() if k != "stop"}, "stroke": numbers}


def import_record(
    path: str | Path, shelf: Shelf, *, columns: Sequence[Column], now: datetime, pad: Pad,
    start_utc: datetime | None = None, note: str | None = None, stop: Literal["up", "down"] | None = None,
    called: str | None = None, rng: Draws | None = None,
) -> tuple[Run, WearLook]:
    """Take in the record of an endurance machine; the original is kept byte for byte.

    Parameters
    ----------
    columns : sequence of Column
        ``time``, ``force`` and ``displacement``.
    called : str, optional
        What the file is called, where ``path`` is a copy under another name.

    Raises
    ------
    InputError, TableError
        The file cannot serve, or no stroke is in it; nothing has been written.
    """
    parquet()
    if pad.thickness_mm is None:
        raise InputError(f"pad {pad.id} has no thickness", expected="its thickness at F0, before the run",
                         seen="none", remedy="write thickness in the pad's file")
    thickness_mm = pad.thickness_mm
    start = now if start_utc is None else start_utc
    package = new_package(kind="wear", state="complete", start_utc=start, monotonic_s=None, pad=pad,
                          procedure=None, rig=None, environment={}, note=note)
    held = package["padlab"]
    held["stop"] = stop
    whole = hashlib.sha256()
    looked: list[WearLook] = []

    def original() -> Iterator[bytes]:
        with Path(path).open("rb") as file:
            while piece := file.read(PIECE):
                whole.update(piece)
                yield piece

    def write(folder: Path) -> None:
        closed = write_parts(folder, strokes_of(chunks(folder / "raw" / ORIGINAL, columns,
                                                        called=called or str(path))))
        readings = _readings(folder, closed, thickness_mm)
        if len(readings) < 2:
            raise TableError(f"{(called or str(path))[:200]} holds too few strokes",
                             expected="strokes over 1 N, let go below 0.5 N, more than ten of them",
                             seen=f"{len(readings)} reading(s)",
                             remedy="check the units, and which column is which")
        looked.append(wear_look(readings))
        name, sha256 = write_samples(folder, readings)
        unknown = "" if start_utc else "; when it was recorded is not known, the run is dated by its import"
        said = f"recorded elsewhere; the rig's doubt is not known to padlab{unknown}"
        seen = (mark("imported", "run", said),
                mark("rig_doubt_unknown", "run"), *looked[0].marks)
        held["marks"] = [{"code": m.code, "about": m.about, "message": m.message} for m in seen]
        held["samples_sha256"], held["raw_sha256"] = {name: sha256}, {ORIGINAL: whole.hexdigest()}
        held["endurance"] = {"parts": closed}
        package["resources"] = [table_resource("samples", name, sample_fields(readings)),
                                *resources(closed, None)]

    return place_whole(shelf, new_run_id(now, rng), package, original(), write), looked[0]


def _readings(folder: Path, closed: dict[str, str], thickness_mm: float) -> pd.DataFrame:
    return readings_of(read_strokes(folder, closed, NEEDED), thickness_mm=thickness_mm)


__all__ = ["chunks", "import_record", "is_parquet", "strokes_of"]
