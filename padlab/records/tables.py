"""Tables recorded elsewhere -> runs. What is ambiguous is refused whole, with row and column.

Which column is what is said by :mod:`padlab.records.columns`.

Which format when: CSV in UTF-8 where you have the choice. XLSX is read too, but a spreadsheet may
have turned numbers into dates before padlab sees them.
"""

from __future__ import annotations

import codecs
import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import asdict
from datetime import datetime
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from padlab.errors import RunError, TableError
from padlab.marks import Mark, mark
from padlab.records.cells import Decimal, Grid, Mistakes, Row, decimal_mark, numbers, refuse
from padlab.records.columns import QUANTITIES, Column, check_columns, parse_column
from padlab.records.delimited import read_delimited
from padlab.records.descriptor import table_resource
from padlab.records.inside import read_bytes, read_named
from padlab.records.pad import Pad
from padlab.records.placing import place_whole
from padlab.records.raw_log import ORIGINAL
from padlab.records.run import Run
from padlab.records.samples import sample_fields, write_samples
from padlab.records.shelf import Draws, Shelf, new_package, new_run_id
from padlab.records.wear_table import wear_samples
from padlab.records.workbook import read_workbook
from padlab.units import factor

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Column", "check_columns", "import_table", "parse_column", "read_columns", "samples_of",
           "samples_of_original"]

LIMIT = 128 << 20
"""A table of 2 million rows and five columns has about 80 MB."""

MOST_CONTROL = 0.02
"""Of the bytes of a text. What is packed has about a tenth; an old encoding's letters are none of them."""

_NEVER_IN_TEXT = bytes(set(range(1, 32)) - set(b"\t\n\v\f\r\x1a"))    # NUL and UTF-16 have words of their own

def import_table(
    path: str | Path,
    shelf: Shelf,
    *,
    kind: str,
    columns: Sequence[Column],
    now: datetime,
    pad: Pad | None = None,
    start_utc: datetime | None = None,
    note: str | None = None,
    delimiter: str | None = None,
    decimal: str | None = None,
    sheet: str | None = None,
    stop: Literal["up", "down"] | None = None,
    control: bool = False,
    called: str | None = None,
    judge: Callable[[pd.DataFrame], Iterable[Mark]] = lambda samples: (),
    rng: Draws | None = None,
) -> Run:
    """Take in a table and put it on the shelf; the original is kept byte for byte.

    Parameters
    ----------
    judge : callable
        Looks at the samples before anything is written: the marks that it gives are kept with the
        run, and what it raises refuses the table.
    now : datetime
        The moment of the import, with its time zone; also the start where ``start_utc`` is not known.
    delimiter, decimal, sheet : str, optional
        Settle what would be ambiguous: comma | semicolon | tab, point | comma, a sheet's name.
    called : str, optional
        What the table is called, where ``path`` is a copy under another name.
    stop, control : optional
        Of a wear run: the stop at which the pad served; whether it lay unloaded beside the others.

    Raises
    ------
    TableError
        The table is ambiguous or broken; nothing has been written.
    InputError
        The kind, the columns or the file cannot serve.
    """
    check_columns(kind, columns)
    data = read_named(path, limit=LIMIT)
    how = {
        "columns": [asdict(c) for c in columns],
        "delimiter": delimiter,
        "decimal": decimal,
        "sheet": sheet,
    }
    try:
        samples, found = samples_of(data, how)
        seen = tuple(judge(samples))
    except TableError as fault:
        fault.where.setdefault("path", (called or str(path))[:200])
        raise
    start = now if start_utc is None else start_utc
    package = new_package(
        kind=kind,
        state="complete",
        start_utc=start,
        monotonic_s=None,
        pad=pad,
        procedure=None,
        rig=None,
        environment={},
        note=note,
    )
    held = package["padlab"]
    unknown = "" if start_utc else "; when it was recorded is not known, the run is dated by its import"
    held["marks"] = [
        {"code": m.code, "about": m.about, "message": m.message}
        for m in (
            mark("imported", "run", f"recorded elsewhere; the rig's doubt is not known to padlab{unknown}"),
            mark("rig_doubt_unknown", "run"),
            *seen,
        )
    ]
    if kind == "wear":
        held["stop"], held["control"] = stop, control
    held["table"] = {**how, **found, "name": called or Path(path).name[:200]}
    held["raw_sha256"] = {ORIGINAL: hashlib.sha256(data).hexdigest()}
    package["resources"] = [table_resource("samples", "samples.csv", sample_fields(samples))]

    def write(folder: Path) -> None:
        name, sha256 = write_samples(folder, samples)
        held["samples_sha256"] = {name: sha256}

    return place_whole(shelf, new_run_id(now, rng), package, data, write)


def samples_of_original(run: Run) -> pd.DataFrame:
    """The samples of an imported run, made again from its kept table.

    Raises
    ------
    RunError
        The run was not imported, or its table is no longer what was imported.
    """
    if run.table is None:
        raise RunError(
            f"run {run.id} was not imported",
            expected="a table recorded elsewhere",
            seen="a recording",
            where={"run": run.id},
        )
    data = read_bytes(run.folder, "raw", ORIGINAL, limit=LIMIT)
    if run.raw_sha256.get(ORIGINAL) != hashlib.sha256(data).hexdigest():
        raise RunError(
            f"raw/{ORIGINAL} of run {run.id} is no longer what was imported",
            expected="the SHA-256 in the descriptor",
            seen="another one",
            remedy="bring the file back from a copy",
            where={"run": run.id},
        )
    try:
        return samples_of(data, run.table)[0]
    except (KeyError, TypeError, AttributeError) as fault:
        raise RunError(
            f"run {run.id} does not say how its table was read",
            expected="columns and their units",
            seen=str(fault)[:200],
            where={"run": run.id},
        ) from fault


def samples_of(data: bytes, how: dict[str, Any]) -> tuple[pd.DataFrame, dict[str, Any]]:
    """Samples of a table, and how it was read (so that it can be read the same way again)."""
    import pandas as pd

    columns = [Column(**c) for c in how["columns"]]
    wanted = [c.name for c in columns]
    grid = _grid(data, wanted, delimiter=how.get("delimiter"), sheet=how.get("sheet"))
    if any(c.quantity == "thickness" for c in columns):
        numbers_of = [c.name for c in columns if c.quantity != "date"]
        mark_used = _decimal(grid, numbers_of, how.get("decimal"))
        worn = wear_samples(grid, columns, decimal=mark_used)
        return worn, {**grid.about, "decimal": {".": "point", ",": "comma"}[mark_used],
                      **{str(k): v for k, v in worn.attrs.items()}}
    mark_used = _decimal(grid, wanted, how.get("decimal"))
    read = numbers(grid, wanted, decimal=mark_used)
    if len(read[wanted[0]]) < 2:
        raise refuse("too few readings", expected="two rows at least", seen=str(len(read[wanted[0]])))
    values: dict[str, Any] = {}
    for column in sorted(columns, key=lambda c: list(QUANTITIES).index(c.quantity)):
        kind, target, largest = QUANTITIES[column.quantity]
        with np.errstate(over="ignore"):
            scaled = read[column.name] * factor(column.unit, kind)
        wild = np.flatnonzero(~(np.abs(scaled) <= largest))
        if wild.size:
            raise refuse(
                f"a {column.quantity} beyond any bench",
                row=grid.row(int(wild[0]))[0],
                column=column.name,
                expected=f"at most {largest:g}",
                seen=f"{read[column.name][wild[0]]:g} {column.unit}",
                remedy="check the unit",
            )
        values[target] = scaled
    zero = float(values["time_s"][0])
    values["time_s"] = values["time_s"] - zero
    _check_time(np.round(values["time_s"], 6), grid, next(c for c in columns if c.quantity == "time"))
    return pd.DataFrame(values), {
        **grid.about,
        "decimal": {".": "point", ",": "comma"}[mark_used],
        "time_zero_s": zero,
    }


def _grid(data: bytes, wanted: Sequence[str], *, delimiter: str | None, sheet: str | None) -> Grid:
    if data[:4] == b"PK\x03\x04":
        return read_workbook(data, wanted, sheet=sheet)
    refuse_old_spreadsheet(data)
    return read_delimited(data, wanted, delimiter=delimiter)


def refuse_old_spreadsheet(data: bytes) -> None:
    """Refuse what is neither a text nor a whole XLSX without a password.

    Raises
    ------
    TableError
        An old, a locked or a damaged spreadsheet, or a file of another kind.
    """
    if data[:8] == b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1":
        raise refuse(
            "this is an old or locked spreadsheet",
            expected="XLSX without a password, or CSV",
            seen="XLS",
            remedy="save it as XLSX or as 'CSV UTF-8'",
        )
    if data.startswith((codecs.BOM_UTF8, codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return
    if b"PK\x01\x02" in data or b"PK\x05\x06" in data:             # the list of parts at a workbook's end
        raise refuse(
            "the workbook is damaged",
            expected="a whole XLSX file without a password",
            seen="a workbook without its beginning",
            remedy="save it again, or as CSV",
        )
    first = data[:65536]
    if len(first.translate(None, delete=_NEVER_IN_TEXT)) < (1 - MOST_CONTROL) * len(first):
        raise refuse(
            "this is no table: neither text nor a workbook",
            expected="CSV, or XLSX",
            seen="bytes that no text has: a damaged file, or one of another kind",
            remedy="save it again from the program that wrote it, as XLSX or as 'CSV UTF-8'",
        )


def _decimal(grid: Grid, names: Sequence[str], said: str | None) -> Decimal:
    if grid.about["format"] == "xlsx":
        wrong = Mistakes()
        for name in names:
            for _ in wrong.read(_no_text(name, grid.names.index(name)), grid.rows()):
                pass
        wrong.refuse()
        return "."
    if said is not None:
        return {"point": ".", "comma": ","}[said]  # type: ignore[return-value]
    return decimal_mark(grid, names, delimiter={"comma": ","}.get(grid.about["delimiter"], ";"))


def _no_text(name: str, at: int) -> Callable[[Row], float]:
    """Refuses a cell of text, which a spreadsheet's column of numbers does not hold."""
    def read(row: Row) -> float:
        cell = row[1][at]
        if isinstance(cell, str):
            raise refuse(
                "text where a number belongs",
                row=row[0],
                column=name,
                expected="a number in every row",
                seen=repr(cell[:40]),
                remedy="take out rows that are no readings; turn text into numbers",
            )
        return 0.0

    return read


def _check_time(time_s: Any, grid: Grid, column: Column) -> None:
    late = np.flatnonzero(np.diff(time_s) <= 0)
    if late.size:
        before, row = islice(grid.rows(), int(late[0]), int(late[0]) + 2)
        at = grid.names.index(column.name)
        raise refuse(
            "time does not increase",
            row=row[0],
            column=column.name,
            expected=f"more than {str(before[1][at])[:40]} (by 1 us at least)",
            seen=str(row[1][at])[:40],
            remedy="take out repeated rows; export more decimals; split where the clock started anew",
        )


def read_columns(
    data: bytes,
    *,
    number_names: Sequence[str],
    text_names: Sequence[str] = (),
    delimiter: str | None = None,
    decimal: str | None = None,
    sheet: str | None = None,
) -> tuple[dict[str, Any], dict[str, list[str]], dict[str, Any]]:
    """Named columns of any table (a calibration, a study): numbers, texts, and how it was read.

    Raises
    ------
    TableError
        The table is ambiguous or broken, with row and column.
    """
    wanted = list(dict.fromkeys([*number_names, *text_names]))
    grid = _grid(data, wanted, delimiter=delimiter, sheet=sheet)
    mark_used = _decimal(grid, number_names, decimal)
    found = numbers(grid, number_names, decimal=mark_used)
    texts: dict[str, list[str]] = {n: [] for n in text_names}
    count = 0
    for number, row in grid.rows():
        count += 1
        for name in text_names:
            cell = row[grid.names.index(name)]
            text = str("" if cell is None else cell).strip()
            if not 0 < len(text) <= 200:
                raise refuse("an empty or overlong cell", row=number, column=name,
                             expected="1 to 200 characters", seen=repr(text[:40]))
            texts[name].append(text)
    if count < 2:
        raise refuse("too few readings", expected="two rows at least", seen=str(count))
    return found, texts, {**grid.about, "decimal": {".": "point", ",": "comma"}[mark_used]}
