"""XLSX -> a grid of cells, within limits: a workbook is a ZIP of XML and can be made to explode."""

from __future__ import annotations

import io
import re
import warnings
import zipfile
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from typing import Any, TypeVar

from padlab.errors import InputError, TableError
from padlab.records.cells import MAX_COLUMNS, Grid, Row, check_header, check_widths, places, refuse

T = TypeVar("T")

SMALL_PARTS = ("styles.xml", "workbook.xml", "[content_types].xml", "theme1.xml")
MAX_SMALL_TAGS, MAX_TAGS, MAX_ROW_BYTES = 50_000, 12_000_000, 1 << 20
"""Tags in parts that describe the book, in any other, and bytes of a row: elements cost, not bytes."""
MAX_PARTS = 1000
MAX_UNPACKED = 256 << 20
MAX_RATIO = 200
"""Honest workbooks of numbers unpack to 5 to 20 times their size; ZIP bombs to 1000 and more."""
MAX_STRINGS = 32 << 20
MAX_SHEETS = 64

_TRAP = re.compile(rb"<!(?:DOCTYPE|ENTITY)", re.IGNORECASE)
_ENCODING = re.compile(rb"""<\?xml[^>]{0,200}?encoding\s*=\s*["']([^"']{0,40})["']""")


def read_workbook(data: bytes, wanted: Sequence[str], *, sheet: str | None = None) -> Grid:
    """Read the wanted columns of the one sheet of a workbook (or of the named one).

    Raises
    ------
    TableError
        Beyond the limits, damaged, several sheets and none named, or ragged.
    """
    return _in_book(data, lambda book: _grid(book, wanted, sheet))


def first_rows_of_sheets(data: bytes, most: int) -> list[tuple[str, list[str], list[list[Any]], bool]]:
    """Name, header, first rows of each sheet that holds a table, and whether these are all of its rows.

    Raises
    ------
    TableError
        Beyond the limits, damaged, or no sheet holds a table: then what is wrong with the first one.
    """
    def look(book: Any) -> list[tuple[str, list[str], list[list[Any]], bool]]:
        found, wrong = [], []
        for name in _sheet_names(book):
            try:
                header, body = _header_and_rows(book, name)
                rows = [list(row) for _, row in islice(_padded(body, len(header)), most + 1)]
            except TableError as fault:        # a cover sheet, a drawing, remarks
                wrong.append(fault)
                continue
            if len(header) > 1 and len(rows) > 1:
                found.append((name, header, [row[:len(header)] for row in rows[:most]], len(rows) <= most))
        if not found:
            raise wrong[0] if wrong else refuse(
                "no sheet holds a table", expected="a header with two columns, and readings below it",
                seen="fewer")
        return found

    return _in_book(data, look)


def _in_book(data: bytes, use: Callable[[Any], T]) -> T:
    """Open a workbook within the limits, and use it."""
    try:
        import openpyxl
    except ImportError as fault:
        raise InputError(
            "XLSX needs one more package",
            expected="openpyxl",
            seen="it is not installed",
            remedy="pip install 'padlab[xlsx]', or save as CSV",
        ) from fault
    _check_parts(data)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # styles and extensions that padlab does not look at
            return use(openpyxl.load_workbook(io.BytesIO(data), read_only=True, data_only=True,
                                              keep_links=False))
    except TableError:
        raise
    except (MemoryError, RecursionError):
        raise
    except (
        Exception
    ) as fault:  # the reader is not ours and meets hostile bytes: whatever it raises means this
        raise refuse(
            "the workbook is damaged",
            expected="a workbook that a spreadsheet program wrote",
            seen=f"{type(fault).__name__}: {fault}"[:200],
            remedy="save it as CSV",
        ) from fault


def _check_parts(data: bytes) -> None:
    """Unpack every part once, counting, before any XML reader sees it."""

    def bomb(seen: str, expected: str) -> TableError:
        return refuse(
            "the workbook is beyond the limits", expected=expected, seen=seen, remedy="save it as CSV"
        )

    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            parts = archive.infolist()
            if len(parts) > MAX_PARTS:
                raise bomb(f"{len(parts)} parts", f"at most {MAX_PARTS} parts")
            limit = min(MAX_UNPACKED, MAX_RATIO * len(data) + (1 << 20))
            if sum(p.file_size for p in parts) > limit:
                raise bomb(f"{sum(p.file_size for p in parts)} bytes unpacked", f"at most {limit}")
            names = [p.filename for p in parts]
            if len(set(names)) < len(names):
                raise bomb("two parts of one name", "every part once")
            for part in parts:
                if part.filename.lower().endswith("sharedstrings.xml") and part.file_size > MAX_STRINGS:
                    raise bomb(f"{part.file_size} bytes of text", f"at most {MAX_STRINGS}")
                content = archive.read(part)
                own = part.filename.lower().rsplit("/", 1)[-1]
                small = own in SMALL_PARTS or own.endswith(".rels")
                tags = content.count(b"<")
                if tags > (MAX_SMALL_TAGS if small else MAX_TAGS):
                    raise bomb(f"{tags} tags in {part.filename[:60]!r}", "what a table of numbers needs")
                rows = content.split(b"</row>") if b"<row" in content else []
                if not small and max(map(len, rows), default=0) > MAX_ROW_BYTES:
                    raise bomb(f"a row of over {MAX_ROW_BYTES} bytes", "rows of at most 1024 cells")
                _check_xml(content, part.filename)
    except TableError:
        raise
    except (zipfile.BadZipFile, ValueError, RuntimeError, NotImplementedError, EOFError, OSError) as fault:
        raise refuse(
            "the workbook is damaged",
            expected="a whole XLSX file without a password",
            seen=str(fault)[:200],
            remedy="save it again, or as CSV",
        ) from fault


def _check_xml(part: bytes, name: str) -> None:
    declared = _ENCODING.match(part[:512].lstrip(b"\xef\xbb\xbf"))
    other = declared is not None and declared.group(1).lower() not in (b"utf-8", b"us-ascii")
    if _TRAP.search(part) or (name.endswith((".xml", ".rels")) and (other or b"\0" in part[:4])):
        raise refuse(
            "the workbook holds XML that no spreadsheet writes",
            expected="plain UTF-8 XML",
            seen=f"definitions or another encoding in {name[:80]!r}",
            remedy="save it as CSV",
        )


def _sheet_names(book: Any) -> list[str]:
    names = list(book.sheetnames)
    if len(names) > MAX_SHEETS:
        raise refuse(
            "the workbook has too many sheets", expected=f"at most {MAX_SHEETS}", seen=str(len(names))
        )
    return names


def _header_and_rows(book: Any, sheet: str) -> tuple[list[str], Iterator[Row]]:
    """The names in the first row of a sheet, and the rows below it."""
    if not hasattr(book[sheet], "iter_rows"):
        raise refuse("no such sheet", expected="a sheet with cells", seen=repr(sheet[:40]))
    page = book[sheet]
    page.reset_dimensions()  # what the file says of its own size may be a lie
    rows = _rows(page)
    first = next(rows, None)
    if first is None:
        raise refuse("the sheet is empty", expected="a header and readings", seen="nothing")
    if any(isinstance(c, (int, float)) for c in first[1]):
        raise refuse("the first row is no header", row=1, expected="column names", seen="numbers")
    return check_header(["" if c is None else str(c) for c in first[1]]), rows


def _grid(book: Any, wanted: Sequence[str], sheet: str | None) -> Grid:
    names = _sheet_names(book)
    if sheet is None and len(names) != 1:
        raise refuse(
            "the workbook has several sheets",
            expected="one, or its name",
            seen=", ".join(repr(n[:40]) for n in names[:20]),
            remedy="say --sheet NAME",
        )
    chosen = names[0] if sheet is None else sheet
    if chosen not in names or not hasattr(book[chosen], "iter_rows"):
        raise refuse(
            "no such sheet", expected=", ".join(repr(n[:40]) for n in names[:20]), seen=repr(chosen[:40])
        )
    header, rows = _header_and_rows(book, chosen)
    at = places(header, wanted)
    width = len(header)
    whole = check_widths(_padded(rows, width), width)
    body: list[Row] = [(number, tuple(row[i] for i in at)) for number, row in whole]
    return Grid(list(wanted), lambda: iter(body), {"format": "xlsx", "sheet": chosen})


def _rows(page: Any) -> Iterator[Row]:
    """Rows without the empty cells at their end; one empty row between the readings is one too many."""
    blank: int | None = None
    for number, cells in enumerate(page.iter_rows(values_only=True), start=1):
        row = list(cells)
        while row and (row[-1] is None or row[-1] == ""):
            row.pop()
        if len(row) > MAX_COLUMNS:
            raise refuse(
                "a row has too many cells", row=number, expected=f"at most {MAX_COLUMNS}", seen=str(len(row))
            )
        if not row:
            blank = blank or number
            if number - blank > 100_000:  # a row number far away: the rows between are made up
                raise refuse(
                    "the sheet is mostly empty",
                    row=blank,
                    expected="readings from row 2 on",
                    seen="100 000 empty rows",
                )
            continue
        if blank is not None:
            raise refuse(
                "an empty row between the readings",
                row=blank,
                expected="a reading in every row",
                seen="an empty row",
                remedy="take the row out, or split the recording there",
            )
        yield number, row


def _padded(rows: Iterator[Row], width: int) -> Iterator[Row]:
    for number, row in rows:
        yield number, [*row, *[None] * (width - len(row))]
