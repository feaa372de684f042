"""The first rows of a table recorded elsewhere, before anybody has said which column is what.

    TABLE --first_rows--> one way to read it, or several (sheets; delimiters that fit alike)

What the importer would refuse anyway (encoding, header, ragged rows) is refused here in the same words.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, datetime
from itertools import islice
from pathlib import Path
from typing import Any

from padlab.errors import TableError
from padlab.records.cells import check_header, check_widths, refuse
from padlab.records.delimited import DELIMITERS, encoding_of, rows_of
from padlab.records.inside import read_named
from padlab.records.stroke_log import parquet
from padlab.records.tables import LIMIT, refuse_old_spreadsheet
from padlab.records.workbook import first_rows_of_sheets

ROWS = 2000
"""Rows that are looked at: half a minute at 50 a second, so that a stroke is among them."""
CELL = 80
"""Characters of a cell that are kept."""
MAGIC_XLSX, MAGIC_PARQUET = b"PK\x03\x04", b"PAR1"


@dataclass(frozen=True)
class FirstRows:
    """One way to read a table: its header, and its first rows as texts.

    ``delimiter`` is a key of ``DELIMITERS`` (text), ``sheet`` a name (XLSX). ``is_whole``: no further row.
    """

    format: str                                # text | xlsx | parquet
    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    is_whole: bool
    delimiter: str | None = None
    sheet: str | None = None


def first_rows(path: str | Path, *, most: int = ROWS) -> tuple[FirstRows, ...]:
    """Every way in which a table can be read: one, unless it has several sheets or its delimiter is in doubt.

    Raises
    ------
    TableError
        No way; in the words of the importer.
    InputError
        No such file, a file too large, or a library that is not installed.
    """
    with_parquet = _begins(path, MAGIC_PARQUET)
    if with_parquet:
        return (_of_parquet(path, most),)
    data = read_named(path, limit=LIMIT)
    if data[:4] == MAGIC_XLSX:
        found = tuple(
            FirstRows("xlsx", tuple(header), tuple(_texts(row) for row in rows), is_whole, sheet=sheet)
            for sheet, header, rows, is_whole in first_rows_of_sheets(data, most))
        return found
    refuse_old_spreadsheet(data)
    return _of_text(data, most)


def _begins(path: str | Path, magic: bytes) -> bool:
    try:
        with Path(path).open("rb") as file:
            return Path(path).is_file() and file.read(len(magic)) == magic
    except (OSError, ValueError):
        return False                           # whoever reads it says why


def _of_text(data: bytes, most: int) -> tuple[FirstRows, ...]:
    encoding = encoding_of(data)
    fitting: list[FirstRows] = []
    tried: dict[str, list[str]] = {}
    failed: TableError | None = None
    for name, mark in DELIMITERS.items():
        try:
            every = rows_of(data, encoding, mark)
            header = [cell.strip() for cell in next(every, (1, []))[1]]
            found = [row for _, row in islice(every, most + 1)]
        except TableError as fault:            # a quote that never closes, a cell without end
            failed = fault
            continue
        tried[name] = header
        while found and not any(cell.strip() for cell in found[-1]):
            found.pop()
        if len(header) > 1 and found and all(len(row) == len(header) for row in found):
            fitting.append(FirstRows("text", tuple(header), tuple(_texts(row) for row in found[:most]),
                                     len(found) <= most, delimiter=name))
    good = []
    for one in fitting:
        try:
            _check(one.header)
            good.append(one)
        except TableError as fault:
            failed = fault
    if good:
        return tuple(good)
    if fitting and failed is not None:
        raise failed
    if not tried and failed is not None:
        raise failed
    chosen = max(tried, key=lambda name: len(tried[name]))
    _check(tried[chosen])
    if len(tried[chosen]) < 2:
        raise refuse("the table has one column only", row=1, expected="two columns at least",
                     seen=repr("".join(tried[chosen])[:60]),
                     remedy="part the cells by commas, semicolons or tabs")
    every = rows_of(data, encoding, DELIMITERS[chosen])
    for _ in check_widths(islice(every, 1, None), len(tried[chosen])):
        pass                                   # raises at the row that differs
    raise refuse("too few readings", expected="two rows at least", seen="a header")


def _check(header: Sequence[str]) -> None:
    check_header(list(header))
    if any(map(str.strip, header)) and all(_is_number(cell) for cell in header):
        raise refuse("the first row is no header", row=1, expected="column names", seen="numbers",
                     remedy="write the names of the columns into the first row")


def _is_number(cell: str) -> bool:
    try:
        float(cell.strip().replace(",", "."))
    except ValueError:
        return False
    return True


def _of_parquet(path: str | Path, most: int) -> FirstRows:
    library = parquet()
    import pyarrow

    shown = str(path)[:200]
    try:
        with library.ParquetFile(path) as file:
            names = check_header(list(file.schema_arrow.names))
            kinds = {name: file.schema_arrow.field(name).type for name in names}
            # A text is written once and meant a thousand times: a kilobyte of file would fill the memory.
            read = [name for name, kind in kinds.items() if _is_plain(kind)]
            if not read:
                raise refuse("no column holds numbers", expected="whole or floating numbers",
                             seen=", ".join(map(str, kinds.values()))[:160])
            batch = next(file.iter_batches(batch_size=most, columns=read, use_threads=False), None)
            columns = [] if batch is None else [
                batch.column(name).to_pylist() if name in read else [str(kinds[name])] * batch.num_rows
                for name in names]
            count = file.metadata.num_rows
    except (OSError, ValueError, pyarrow.ArrowException) as fault:
        if isinstance(fault, TableError):
            raise
        raise refuse(f"{shown} cannot be read as Parquet", expected="a whole Parquet file",
                     seen=str(fault)[:160],
                     remedy="a file that was cut off lacks its end: take it from where it was made"
                     ) from fault
    if not columns or len(columns[0]) < 2:
        raise refuse("too few readings", expected="two rows at least", seen="fewer")
    return FirstRows("parquet", tuple(map(str, names)), tuple(map(_texts, zip(*columns, strict=True))),
                     count <= most)


def _is_plain(kind: Any) -> bool:
    """Whether a value of a column has one size: a number or a time, no text and no list."""
    import pyarrow

    of = pyarrow.types
    return bool(of.is_integer(kind) or of.is_floating(kind) or of.is_boolean(kind) or of.is_temporal(kind))


def _texts(row: Sequence[Any]) -> tuple[str, ...]:
    """Cells as a person reads them."""
    return tuple(_text(cell)[:CELL] for cell in row)


def _text(cell: Any) -> str:
    if cell is None:
        return ""
    if isinstance(cell, datetime | date):      # a spreadsheet's day is a midnight
        return cell.isoformat().removesuffix("T00:00:00")
    if isinstance(cell, float) and not isinstance(cell, bool):
        return f"{cell:.10g}"
    return str(cell).strip()
