"""samples.csv: the run's one table, the same bytes whenever the same samples are written."""

from __future__ import annotations

import gzip
import hashlib
import math
from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from padlab.errors import RunError
from padlab.records import stored_table
from padlab.records.inside import read_bytes, unpacked, write_whole

if TYPE_CHECKING:
    import pandas as pd

DECIMALS: dict[str, int] = {
    "time_s": 6, "force_n": 5, "displacement_mm": 5, "temperature_c": 3, "strokes": 1, "days": 5,
    "thickness_mm": 5, "rest_s": 0, "mass_kg": 10, "humidity_percent": 2}
"""Decimals kept: 1 us, 10 uN, 10 nm, 1 mK, 0.1 ug, each well below what a cheap rig can tell apart."""

COLUMNS = ("time_s", "force_n", "displacement_mm", "temperature_c", "step", "cycle")
WEAR_COLUMNS = ("strokes", "days", "thickness_mm", "rest_s", "mass_kg", "temperature_c", "humidity_percent")
"""Of a wear run: readings of one pad over its service; the first of the row is its axis."""
NAMES = ("samples.csv", "samples.csv.gz")
ROWS_AT_ONCE = 20_000


def write_samples(folder: Path, table: pd.DataFrame, *, packed: bool = False) -> tuple[str, str]:
    """Write samples.csv (or samples.csv.gz) into a run folder; gives the name written and its SHA-256.

    Parameters
    ----------
    table : pandas.DataFrame
        Columns out of ``COLUMNS``, ``time_s`` first, or out of ``WEAR_COLUMNS``, ``strokes`` or ``days``
        first; NaN is written as an empty cell.

    Raises
    ------
    RunError
        A column that samples do not have, or no axis.
    """
    columns = [str(c) for c in table.columns]
    if not _are_samples(columns):
        raise RunError(
            "these are no samples",
            expected="time_s and some of " + ", ".join(COLUMNS[1:]),
            seen=", ".join(columns)[:200],
        )
    name = NAMES[1] if packed else NAMES[0]
    data = bytearray()
    for piece in _pieces(table, columns):      # by pieces: the text of one cell takes 60 bytes of memory
        data += piece
    stored = gzip.compress(data, mtime=0) if packed else bytes(data)
    write_whole(folder / name, stored)
    (folder / NAMES[0 if packed else 1]).unlink(missing_ok=True)
    return name, hashlib.sha256(stored).hexdigest()


def read_samples(folder: Path, sha256: Mapping[str, str] | None = None) -> pd.DataFrame | None:
    """The samples of a run folder, or None where there are none.

    Parameters
    ----------
    sha256 : mapping, optional
        What the descriptor says of the file, by its name; a run of an older padlab says nothing.

    Raises
    ------
    RunError
        The file is a link, was changed since padlab wrote it, is damaged, or holds columns that
        samples do not have.
    """
    name = next((n for n in NAMES if (folder / n).is_file() or (folder / n).is_symlink()), None)
    if name is None:
        return None
    path, remedy = folder / name, f"padlab remake {folder} makes it again from the raw readings"
    stored = read_bytes(folder, name)
    said = (sha256 or {}).get(name)
    if said is not None and hashlib.sha256(stored).hexdigest() != said:
        raise RunError(
            f"{path} was changed since padlab wrote it",
            expected="the SHA-256 in the descriptor",
            seen="another one",
            remedy=remedy,
            where={"path": str(path)},
        )
    data = unpacked(stored, path)
    header = stored_table.header_of(data)
    if not _are_samples(header):
        raise RunError(
            f"{path} holds no samples",
            expected="time_s and some of " + ", ".join(COLUMNS[1:]),
            seen=",".join(header)[:200],
            remedy=remedy,
            where={"path": str(path)},
        )
    table = stored_table.parse(data, path=path, numbers=DECIMALS, remedy=remedy)
    if not np.isfinite(table[header[0]].to_numpy()).all():
        raise RunError(
            f"{path} is damaged",
            expected=f"{header[0]} in every row",
            seen="a row without one",
            remedy=remedy,
            where={"path": str(path)},
        )
    return table


def _are_samples(columns: Sequence[str]) -> bool:
    """Whether a header is that of samples over time, or of a pad's readings over its service."""
    axis = columns[0] if columns else ""
    allowed = COLUMNS if axis == "time_s" else WEAR_COLUMNS if axis in WEAR_COLUMNS[:2] else ()
    return bool(allowed) and not set(columns) - set(allowed) and not stored_table.repeated(columns)


def sample_fields(table: pd.DataFrame) -> list[dict[str, str]]:
    """The columns as the descriptor's schema lists them."""
    return [{"name": str(c), "type": "number" if c in DECIMALS else "any"} for c in table.columns]


def _pieces(table: pd.DataFrame, columns: list[str]) -> Iterator[bytes]:
    yield (",".join(columns) + "\n").encode("utf-8")
    for start in range(0, len(table), ROWS_AT_ONCE):
        part = table.iloc[start : start + ROWS_AT_ONCE]
        cells = [_cells(part[c].to_numpy(), c) for c in columns]
        yield ("\n".join(map(",".join, zip(*cells, strict=True))) + "\n").encode("utf-8")


def _cells(values: Any, column: str) -> list[str]:
    if column in DECIMALS:
        form = f"%.{DECIMALS[column]}f"
        return [form % v if math.isfinite(v) else "" for v in values.astype(np.float64).tolist()]
    return ["" if v is None or v != v else _plain_cell(v) for v in values.tolist()]


def _plain_cell(value: Any) -> str:
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    text = str(value)
    return '"' + text.replace('"', '""') + '"' if any(c in text for c in ',"\r\n') else text
