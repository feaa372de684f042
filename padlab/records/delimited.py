"""Text tables (CSV, TSV, semicolons with decimal commas) -> a grid of cells; doubt is refused."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Collection, Iterator

from padlab.errors import TableError
from padlab.records.cells import Grid, check_header, check_widths, refuse

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t"}
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, ""),
    (codecs.BOM_UTF32_BE, ""),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def decode(data: bytes) -> tuple[str, str]:
    """Text and the name of its encoding: UTF-8 (with or without mark) or UTF-16 with its mark.

    Raises
    ------
    TableError
        Anything else; letters in an old 8-bit encoding cannot be told from each other.
    """
    encoding = next((name for bom, name in _BOMS if data.startswith(bom)), "utf-8")
    if not encoding:
        raise refuse("the table is in UTF-32", expected="UTF-8", seen="UTF-32", remedy="save it as UTF-8")
    try:
        text = data.decode(encoding)
    except UnicodeDecodeError as fault:
        row = data.count(b"\n", 0, fault.start) + 1
        raise refuse(
            "the table is not in UTF-8",
            row=row if encoding != "utf-16" else None,
            expected="UTF-8, or UTF-16 with its mark",
            seen=f"byte 0x{data[fault.start]:02x} at position {fault.start}",
            remedy="save it as 'CSV UTF-8'",
        ) from fault
    if "\0" in text:
        row = text.count("\n", 0, text.index("\0")) + 1
        raise refuse(
            "a NUL in the table",
            row=row,
            expected="text",
            seen="a NUL character",
            remedy="save it as 'CSV UTF-8'",
        )
    return text, encoding


def read_delimited(data: bytes, wanted: Collection[str], *, delimiter: str | None = None) -> Grid:
    """Read a text table; the delimiter is the one that finds the wanted names in the header.

    Parameters
    ----------
    wanted : collection of str
        Names of the columns that will be used.
    delimiter : str, optional
        A key of ``DELIMITERS``; tried out if not given.

    Raises
    ------
    TableError
        Encoding, delimiter, header or row lengths are in doubt.
    """
    text, encoding = decode(data)
    if not text.strip():
        raise refuse("the table is empty", expected="a header and readings", seen="nothing")
    tried: dict[str, list[str]] = {}
    failed: TableError | None = None
    for name in DELIMITERS if delimiter is None else (delimiter,):
        try:
            first = next(_rows(text, DELIMITERS[name]), None)
        except TableError as fault:
            failed = fault
            continue
        tried[name] = [cell.strip() for cell in first[1]] if first else []
    if not tried and failed is not None:
        raise failed
    fitting = [name for name, header in tried.items() if set(wanted) <= set(header)]
    if len(fitting) > 1:
        raise refuse(
            "the delimiter fits two ways",
            row=1,
            expected="one way to part the header",
            seen=" or ".join(fitting),
            remedy=f"say --delimiter {fitting[0]} or {fitting[1]}",
        )
    if not fitting:
        header = max(tried.values(), key=len)
        if len(header) > 1:
            check_header(header)
        missing = next((w for w in wanted if w not in header), next(iter(wanted)))
        raise refuse(
            "no such column",
            row=1,
            column=missing,
            expected=f"a column named {missing[:60]!r}",
            seen=", ".join(repr(h[:40]) for h in header[:20]),
            remedy="name the columns as the first row of the table has them",
        )
    header = check_header(tried[fitting[0]])
    rows = _rows(text, DELIMITERS[fitting[0]])
    next(rows)
    body = list(check_widths(_without_blank_end(rows), len(header)))
    return Grid(header, body, {"format": "text", "encoding": encoding, "delimiter": fitting[0]})


def _rows(text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    number = 1
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as fault:
            raise refuse(
                "the table cannot be parted into cells",
                row=number,
                expected="closed quotes and short cells",
                seen=str(fault),
            ) from fault
        yield number, row
        number = reader.line_num + 1


def _without_blank_end(rows: Iterator[tuple[int, list[str]]]) -> Iterator[tuple[int, list[str]]]:
    blank: list[tuple[int, list[str]]] = []
    for number, row in rows:
        if not any(cell.strip() for cell in row):
            blank = blank or [(number, row)]
            continue
        if blank:
            raise refuse(
                "an empty row between the readings",
                row=blank[0][0],
                expected="a reading in every row",
                seen="an empty row",
                remedy="take the row out, or split the recording there",
            )
        yield number, row
