"""Text tables (CSV, TSV, semicolons with decimal commas) -> a grid of cells; doubt is refused."""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator, Sequence
from operator import itemgetter

from padlab.errors import TableError
from padlab.records.cells import Grid, Row, check_header, check_widths, no_such_column, places, refuse

DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t"}
PIECE = 1 << 20
"""Bytes that are decoded at once to see whether a table is what it says."""
_BOMS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF32_LE, ""),
    (codecs.BOM_UTF32_BE, ""),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


def encoding_of(data: bytes) -> str:
    """The encoding of a text table: UTF-8 (with or without mark) or UTF-16 with its mark.

    Raises
    ------
    TableError
        Anything else (letters in an old 8-bit encoding cannot be told from each other), a NUL, or
        nothing to read.
    """
    encoding = next((name for bom, name in _BOMS if data.startswith(bom)), "utf-8")
    if not encoding:
        raise refuse("the table is in UTF-32", expected="UTF-8", seen="UTF-32", remedy="save it as UTF-8")
    decoder = codecs.getincrementaldecoder(encoding)()
    row, is_empty = 1, True
    for start in range(0, max(len(data), 1), PIECE):
        piece = data[start : start + PIECE]
        try:
            text = decoder.decode(piece, final=start + PIECE >= len(data))
        except UnicodeDecodeError as fault:
            # The decoder may have held back the first bytes of a letter from the piece before.
            at = start + fault.start - (len(fault.object) - len(piece))
            raise refuse(
                "the table is not in UTF-8",
                row=data.count(b"\n", 0, at) + 1 if encoding != "utf-16" else None,
                expected="UTF-8, or UTF-16 with its mark",
                seen=f"byte 0x{data[at]:02x} at position {at}",
                remedy="save it as 'CSV UTF-8'",
            ) from fault
        if "\0" in text:
            raise refuse(
                "a NUL in the table",
                row=row + text.count("\n", 0, text.index("\0")),
                expected="text",
                seen="a NUL character",
                remedy="save it as 'CSV UTF-8'",
            )
        row += text.count("\n")
        is_empty = is_empty and not text.strip()
    if is_empty:
        raise refuse("the table is empty", expected="a header and readings", seen="nothing")
    return encoding


def read_delimited(data: bytes, wanted: Sequence[str], *, delimiter: str | None = None) -> Grid:
    """Read a text table; the delimiter is the one that finds the wanted names in the header.

    Parameters
    ----------
    wanted : sequence of str
        Names of the columns that will be used.
    delimiter : str, optional
        A key of ``DELIMITERS``; tried out if not given.

    Raises
    ------
    TableError
        Encoding, delimiter, header or row lengths are in doubt; of the rows while they are read.
    """
    encoding = encoding_of(data)
    tried: dict[str, list[str]] = {}
    failed: TableError | None = None
    for name in DELIMITERS if delimiter is None else (delimiter,):
        try:
            first = next(rows_of(data, encoding, DELIMITERS[name]), None)
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
        raise no_such_column(header, next((w for w in wanted if w not in header), next(iter(wanted))))
    chosen = fitting[0]
    header = check_header(tried[chosen])
    at = places(header, wanted)

    pick = itemgetter(*at) if len(at) > 1 else lambda row: (row[at[0]],)

    def rows() -> Iterator[Row]:
        everything = rows_of(data, encoding, DELIMITERS[chosen])
        next(everything)
        for number, row in check_widths(_without_blank_end(everything), len(header)):
            yield number, pick(row)

    return Grid(list(wanted), rows, {"format": "text", "encoding": encoding, "delimiter": chosen})


def rows_of(data: bytes, encoding: str, delimiter: str) -> Iterator[Row]:
    """Every row of a text table with its number, the header first; nothing is checked yet."""
    text = io.TextIOWrapper(io.BytesIO(data), encoding=encoding, newline="")
    reader = csv.reader(text, delimiter=delimiter, strict=True)
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


def _without_blank_end(rows: Iterator[Row]) -> Iterator[Row]:
    blank: list[Row] = []
    for number, row in rows:
        if not (row and row[0].strip()) and not any(map(str.strip, row)):
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
