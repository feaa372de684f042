"""Cells of a table recorded elsewhere -> numbers, or a refusal that names row and column.

A row's number is the one that a spreadsheet or an editor shows: the header is row 1.
"""

from __future__ import annotations

import math
import re
from array import array
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from padlab.errors import TableError

Decimal = Literal[".", ","]

MAX_ROWS = 2_000_000
"""Eleven hours at 50 readings a second; twice as much as a spreadsheet holds."""
MAX_COLUMNS = 1024
MAX_NAME = 500

_NUMBER = {
    mark: re.compile(rf"[+-]?(?:\d+(?:[{mark}]\d*)?|[{mark}]\d+)(?:[eE][+-]?\d{{1,4}})?", re.ASCII)
    for mark in (".", ",")
}
_PLAIN = {
    mark: re.compile(rf"(?>[+-]?(?>[0-9]{{1,20}}(?:[{mark}][0-9]{{0,20}})?)(?:[eE][+-]?[0-9]{{1,3}})?\n)*")
    for mark in (".", ",")
}
"""Many numbers, one a line; each part is taken whole or not at all, so that it cannot take long."""
_GROUPED = {mark: re.compile(rf"[+-]?[1-9]\d{{0,2}}(?:[{mark}]\d{{3}})+", re.ASCII) for mark in (".", ",")}


Row = tuple[int, Sequence[Any]]
"""A row's number and its cells."""

ROWS_AT_ONCE = 8192
MOST_TOLD = 20
"""Mistakes of one table that are told together."""


@dataclass(frozen=True)
class Grid:
    """The wanted columns of a table as it was found, each row with its number.

    ``rows()`` reads them from the start: text tables are read anew each time, because a cell kept as
    text takes ten times its size. ``about`` says how the table was found: format, encoding,
    delimiter or sheet.
    """

    names: list[str]
    rows: Callable[[], Iterator[Row]]
    about: dict[str, Any]

    def row(self, index: int) -> Row:
        """The reading of that index, from 0."""
        return next(islice(self.rows(), index, None))


def places(header: Sequence[str], wanted: Sequence[str]) -> list[int]:
    """Where the wanted columns stand.

    Raises
    ------
    TableError
        One of them does not.
    """
    for name in wanted:
        if name not in header:
            raise no_such_column(header, name)
    return [header.index(name) for name in wanted]


def no_such_column(header: Sequence[str], name: str) -> TableError:
    """The refusal of a table that lacks a column; it lists those that are there."""
    close = [h for h in header if h.casefold() == name.casefold()]
    return refuse(
        "no such column",
        row=1,
        column=name,
        expected=f"a column named {name[:60]!r}",
        seen=", ".join(repr(h[:40]) for h in header[:20]),
        remedy=f"name it {close[0][:60]!r}, as the first row has it" if close
        else "name the columns as the first row of the table has them",
    )


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
        if len(name) > MAX_NAME:
            raise refuse("a column has too long a name", row=1, expected=f"at most {MAX_NAME} characters",
                         seen=f"{len(name)} characters")
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


def check_widths(rows: Iterator[Row], width: int) -> Iterator[Row]:
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


def decimal_mark(grid: Grid, names: Sequence[str], *, delimiter: str) -> Decimal:
    """The decimal mark of the named columns of a text table; one that fits two ways is refused.

    ``1,234`` may be one and a bit, or one thousand: if every marked number of the table looks
    like that, nobody can tell. In a file that parts its cells by commas a point is the decimal mark.
    """
    first: dict[str, tuple[int, str, str]] = {}
    settled: set[str] = set()
    for rows in batches(grid.rows()):
        for name in names:
            at = grid.names.index(name)
            together = "\n".join(row[at] for _, row in rows)
            for mark in (".", ","):
                if mark not in together or (mark in first and mark in settled):
                    continue
                for number, row in rows:
                    cell = row[at].strip()
                    if mark in cell:
                        first.setdefault(mark, (number, name, cell))
                        if _GROUPED[mark].fullmatch(cell) is None:
                            settled.add(mark)
                            break
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


def numbers(grid: Grid, names: Sequence[str], *, decimal: Decimal) -> dict[str, NDArray[np.float64]]:
    """Columns as finite numbers, each of shape (n,).

    Raises
    ------
    TableError
        Cells that hold none; the message names row and column of the first, ``where["mistakes"]`` of each.
    """
    found, wrong = {name: array("d") for name in names}, Mistakes()
    for rows in batches(grid.rows()):
        for name in names:
            at = grid.names.index(name)
            cells = [row[at] for _, row in rows]
            values = _plain_numbers(cells, decimal)
            if values is None:                 # something in it wants a closer look
                values = list(wrong.read(_reader(name, at, decimal), rows))
            found[name].extend(values)
    wrong.refuse()
    return {name: np.array(values) for name, values in found.items()}


def _reader(name: str, at: int, decimal: Decimal) -> Callable[[Row], float]:
    return lambda row: number_of(row[0], name, row[1][at], decimal)


class Mistakes:
    """Cells that cannot be read, told together: whoever mends a table wants to do it once."""

    def __init__(self) -> None:
        self._faults: list[TableError] = []

    def read(self, one: Callable[[Row], float], rows: Iterable[Row]) -> Iterator[float]:
        """Read cells; those that cannot be are left out and remembered."""
        for row in rows:
            try:
                yield one(row)
            except TableError as fault:
                self._faults.append(fault)
                if len(self._faults) >= MOST_TOLD:
                    self.refuse()

    def refuse(self) -> None:
        """Raise what was remembered, if anything was: the first one, and the others in its ``where``.

        Raises
        ------
        TableError
            ``where["mistakes"]`` lists them, at most ``MOST_TOLD``.
        """
        if not self._faults:
            return
        self._faults.sort(key=lambda fault: int(fault.where.get("row", 0)))
        first = self._faults[0]
        if len(self._faults) > 1:
            first.where["mistakes"] = [f"{one.message}: seen {one.seen}" for one in self._faults]
            if len(self._faults) >= MOST_TOLD:
                first.where["mistakes"].append("perhaps more: reading was broken off here")
        raise first


def batches(rows: Iterator[Row]) -> Iterator[list[Row]]:
    """Rows in lists of a few thousand: enough to be quick, too few to fill the memory."""
    while some := list(islice(rows, ROWS_AT_ONCE)):
        yield some


def _plain_numbers(cells: list[Any], decimal: Decimal) -> list[float] | None:
    """All cells at once where each is text that is plainly a finite number; else None."""
    if not all(type(cell) is str for cell in cells):
        return None
    together = "\n".join(cells) + "\n"
    if together.count("\n") != len(cells) or _PLAIN[decimal].fullmatch(together) is None:
        return None
    values = list(map(float, together.replace(",", ".").split()))
    return values if len(values) == len(cells) and all(map(math.isfinite, values)) else None


def number_of(row: int, name: str, cell: Any, decimal: Decimal) -> float:
    """The finite number in one cell, or a refusal that names row and column."""
    value = _of_text(cell, decimal) if isinstance(cell, str) else _of_cell(cell)
    if value is None:
        empty = cell is None or (isinstance(cell, str) and not cell.strip())
        raise refuse(
            "an empty cell" if empty else "no number",
            row=row,
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
            row=row,
            column=name,
            expected="a finite number",
            seen=_shown(cell),
        )
    return value


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
