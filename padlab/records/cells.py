"""Cells of a table recorded elsewhere -> numbers, or a refusal that names row and column.

A row's number is the one that a spreadsheet or an editor shows: the header is row 1.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Literal

from padlab.errors import TableError

Decimal = Literal[".", ","]

MAX_ROWS = 2_000_000
"""Eleven hours at 50 readings a second; twice as much as a spreadsheet holds."""
MAX_COLUMNS = 1024

_NUMBER = {
    mark: re.compile(rf"[+-]?(?:\d+(?:[{mark}]\d*)?|[{mark}]\d+)(?:[eE][+-]?\d{{1,4}})?", re.ASCII)
    for mark in (".", ",")
}
_GROUPED = {mark: re.compile(rf"[+-]?[1-9]\d{{0,2}}(?:[{mark}]\d{{3}})+", re.ASCII) for mark in (".", ",")}


@dataclass(frozen=True)
class Grid:
    """A table as it was found: a header and rows of cells, each with its row number.

    ``about`` says how it was found: format, encoding, delimiter or sheet.
    """

    header: list[str]
    rows: list[tuple[int, list[Any]]]
    about: dict[str, Any]


def refuse(message: str, *, row: int | None = None, column: str | None = None, **more: Any) -> TableError:
    """The one error of this room, with its place."""
    place = {k: v for k, v in (("row", row), ("column", column)) if v is not None}
    at = ", ".join(f"{k} {_shown(v) if k == 'column' else v}" for k, v in place.items())
    return TableError(message + (f" ({at})" if at else ""), where=place, **more)


def check_header(header: list[str]) -> list[str]:
    """Refuse a header that is empty, too wide, or names two columns alike."""
    names = [str(h).strip() for h in header]
    if not any(names):
        raise refuse(
            "the table has no header", row=1, expected="column names in the first row", seen="an empty row"
        )
    if len(names) > MAX_COLUMNS:
        raise refuse(
            "the table has too many columns", row=1, expected=f"at most {MAX_COLUMNS}", seen=str(len(names))
        )
    seen: set[str] = set()
    for name in names:
        if name and name in seen:
            raise refuse(
                "two columns have one name",
                row=1,
                column=name,
                expected="every name once",
                seen=_shown(name) + " twice",
                remedy="rename one of them",
            )
        seen.add(name)
    return names


def check_widths(rows: Iterator[tuple[int, list[Any]]], width: int) -> Iterator[tuple[int, list[Any]]]:
    """Pass rows on; refuse rows of another length, and more rows than a run can have."""
    for count, (number, row) in enumerate(rows, start=1):
        if len(row) != width:
            raise refuse(
                "a row has another number of cells than the header",
                row=number,
                expected=f"{width} cells",
                seen=f"{len(row)}",
                remedy="keep header and readings only; title, unit and remark rows out",
            )
        if count > MAX_ROWS:
            raise refuse(
                "the table has too many rows",
                row=number,
                expected=f"at most {MAX_ROWS}",
                seen="more",
                remedy="split the recording",
            )
        yield number, row


def decimal_mark(
    rows: list[tuple[int, list[Any]]],
    columns: dict[str, int],
    *,
    delimiter: str,
) -> Decimal:
    """The decimal mark of the named columns; one that fits two ways is refused.

    ``1,234`` may be one and a bit, or one thousand: if every marked number of the table looks
    like that, nobody can tell. In a file that parts its cells by commas a point is the decimal mark.
    """
    first: dict[str, tuple[int, str, str]] = {}
    settled: set[str] = set()
    for name, at in columns.items():
        for number, row in rows:
            cell = row[at].strip()
            for mark in (".", ","):
                if mark in cell:
                    first.setdefault(mark, (number, name, cell))
                    if _GROUPED[mark].fullmatch(cell) is None:
                        settled.add(mark)
    if len(first) == 2:
        number, name, cell = max(first.values())
        raise refuse(
            "points and commas both stand in the numbers",
            row=number,
            column=name,
            expected="one decimal mark and no marks between thousands",
            seen=_shown(cell),
            remedy="write the table with one decimal mark",
        )
    if not first:
        return "."
    mark = next(iter(first))
    if mark not in settled and not (mark == "." and delimiter == ","):
        number, name, cell = first[mark]
        raise refuse(
            "the decimal mark fits two ways",
            row=number,
            column=name,
            expected="a number that is clearly a fraction or clearly thousands",
            seen=_shown(cell),
            remedy="say --decimal point or --decimal comma",
        )
    return "." if mark == "." else ","


def numbers(rows: list[tuple[int, list[Any]]], at: int, name: str, *, decimal: Decimal) -> list[float]:
    """One column as finite numbers."""
    values = []
    for number, row in rows:
        cell = row[at]
        value = _of_text(cell, decimal) if isinstance(cell, str) else _of_cell(cell)
        if value is None:
            empty = cell is None or (isinstance(cell, str) and not cell.strip())
            raise refuse(
                "an empty cell" if empty else "no number",
                row=number,
                column=name,
                expected="a number in every row",
                seen="nothing" if empty else _shown(cell),
                remedy="a formula needs its stored value: open and save the file first"
                if cell is None
                else "take out rows that are no readings, or repair the cell",
            )
        if not math.isfinite(value):
            raise refuse(
                "a number that is not finite",
                row=number,
                column=name,
                expected="a finite number",
                seen=_shown(cell),
            )
        values.append(value)
    return values


def _of_text(cell: str, decimal: Decimal) -> float | None:
    text = cell.strip()
    if len(text) > 64 or _NUMBER[decimal].fullmatch(text) is None:
        return None
    return float(text.replace(",", "."))


def _of_cell(cell: Any) -> float | None:
    if isinstance(cell, bool) or not isinstance(cell, (int, float)):
        return None
    try:
        return float(cell)
    except OverflowError:
        return math.inf


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 60 else text[:57] + "..."
