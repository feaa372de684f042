"""A table that padlab wrote, read back with the suspicion that somebody else did."""

from __future__ import annotations

import io
import warnings
from collections import Counter
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from padlab.errors import RunError

if TYPE_CHECKING:
    import pandas as pd


def header_of(data: bytes) -> list[str]:
    """The column names in the first line (of which no more than 64 KiB are looked at)."""
    line = data[: 1 << 16].split(b"\n", 1)[0]
    return line.decode("utf-8", "replace").rstrip("\r").split(",")


def parse(data: bytes, *, path: Path, numbers: Collection[str], remedy: str | None) -> pd.DataFrame:
    """Parse CSV bytes whose header is known to be good; ``numbers`` must hold numbers or nothing.

    Raises
    ------
    RunError
        NUL bytes, rows of different lengths, text where a number belongs; the message names the file.
    """
    import pandas as pd

    def damaged(seen: str) -> RunError:
        return RunError(
            f"{path} is damaged",
            expected="whole rows of numbers",
            seen=seen[:200],
            remedy=remedy,
            where={"path": str(path)},
        )

    columns = header_of(data)
    if b"\0" in data:
        raise damaged("NUL bytes")
    if b'"' not in data and data.count(b",") != data.count(b"\n") * (len(columns) - 1):
        raise damaged("rows of different lengths")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            return pd.read_csv(
                io.BytesIO(data),
                index_col=False,
                low_memory=False,
                dtype={c: "float64" for c in columns if c in numbers},
            )
    except (ValueError, UnicodeError, OverflowError, pd.errors.ParserError, pd.errors.ParserWarning) as fault:
        raise damaged(str(fault)) from fault


def repeated(names: Sequence[str]) -> list[str]:
    """Names that stand more than once."""
    return sorted(n for n, times in Counter(names).items() if times > 1)
