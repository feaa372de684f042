"""A table recorded elsewhere -> a run, for the command line and the page alike.

    what a person said (Asked) --take_in--> the run on the shelf, and what was read in plain words

Which call serves which kind: presses and wear by :mod:`padlab.records.tables`, gauge readings by
:mod:`padlab.records.gauge`, the record of a machine by :mod:`padlab.signals.stroke_record`.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from padlab.errors import InputError, RunError
from padlab.marks import Mark
from padlab.records.columns import Column, check_columns, parse_column
from padlab.records.gauge import GaugeColumn, check_gauge_columns, import_gauge, parse_gauge_column
from padlab.records.pad import Pad
from padlab.records.raw_log import ORIGINAL
from padlab.records.run import GaugeBatch, Run
from padlab.records.shelf import Draws, Shelf, open_run
from padlab.records.tables import import_table
from padlab.signals.first_look import FirstLook, look
from padlab.signals.stroke_record import import_record, is_parquet
from padlab.signals.wear_look import WearLook, wear_look
from padlab.units import both_lengths

if TYPE_CHECKING:
    import pandas as pd

KINDS = ("pad", "touch", "blank", "check", "wear", "gauge", "strokes")
OF_A_PAD = ("pad", "wear", "strokes")
"""Kinds that need a pad; gauge needs a batch."""
OF_A_STOP = ("wear", "strokes")
PIECE = 1 << 20


@dataclass(frozen=True)
class Asked:
    """One table as it is to be taken in.

    ``columns`` are :class:`Column`, of kind gauge :class:`GaugeColumn`. ``called``: the table's own name,
    where its file is a copy under another.
    """

    kind: str
    columns: tuple[Column, ...] | tuple[GaugeColumn, ...]
    pad: Pad | None = None
    batch: GaugeBatch | None = None
    start_utc: datetime | None = None
    note: str | None = None
    stop: Literal["up", "down"] | None = None
    control: bool = False
    delimiter: str | None = None
    decimal: str | None = None
    sheet: str | None = None
    called: str | None = None


@dataclass(frozen=True)
class TakenIn:
    """The run, what was read in plain words, and the same as ``--json`` prints it."""

    run: Run
    words: tuple[str, ...]
    read: dict[str, Any]


def columns_asked(kind: str, texts: Sequence[str]) -> tuple[Column, ...] | tuple[GaugeColumn, ...]:
    """Read ``QUANTITY=NAME:UNIT`` of each column, and check that the kind has what it needs.

    Raises
    ------
    InputError
        Typed wrongly, missing, or twice.
    """
    if kind == "gauge":
        gauged = tuple(parse_gauge_column(t) for t in texts)
        check_gauge_columns(gauged)
        return gauged
    parsed = tuple(parse_column(t) for t in texts)
    check_columns(kind, parsed)
    return parsed


def take_in(path: str | Path, shelf: Shelf, asked: Asked, *, now: datetime,
            rng: Draws | None = None) -> TakenIn:
    """Take in a table; nothing is on the shelf unless all of it is right.

    Raises
    ------
    InputError, TableError
        The table, its columns or the file cannot serve.
    """
    if asked.kind == "gauge":
        return _gauge(path, shelf, asked, now=now, rng=rng)
    columns: list[Column] = [c for c in asked.columns if isinstance(c, Column)]
    if asked.kind == "strokes":
        if not is_parquet(path):
            raise InputError(f"{(asked.called or str(path))[:200]!r} is no Parquet file",
                             expected="the record of an endurance machine as Parquet",
                             seen="a file that begins otherwise, or none",
                             remedy="a text table of some presses is of kind pad; one of a pad's thickness "
                             "over its service is of kind wear")
        if asked.pad is None:
            raise InputError("the record of a machine needs its pad", expected="a pad", seen="none")
        run, worn = import_record(path, shelf, columns=columns, now=now, pad=asked.pad, called=asked.called,
                                  start_utc=asked.start_utc, note=asked.note, stop=asked.stop, rng=rng)
        return TakenIn(run, worn.words, worn.to_json())
    seen: list[FirstLook | WearLook] = []

    def judge(samples: pd.DataFrame) -> tuple[Mark, ...]:
        seen.append(wear_look(samples) if asked.kind == "wear" else look(samples, kind=asked.kind))
        return seen[0].marks

    run = import_table(
        path, shelf, kind=asked.kind, columns=columns, now=now, pad=asked.pad, start_utc=asked.start_utc,
        note=asked.note, delimiter=asked.delimiter, decimal=asked.decimal, sheet=asked.sheet, stop=asked.stop,
        control=asked.control, called=asked.called, judge=judge, rng=rng)
    return TakenIn(run, seen[0].words, seen[0].to_json())


def _gauge(path: str | Path, shelf: Shelf, asked: Asked, *, now: datetime, rng: Draws | None) -> TakenIn:
    if asked.batch is None:
        raise InputError("gauge readings need their stock, lot and foot", expected="a batch", seen="none")
    run, readings = import_gauge(
        path, shelf, batch=asked.batch, columns=[c for c in asked.columns if isinstance(c, GaugeColumn)],
        now=now, start_utc=asked.start_utc, note=asked.note, delimiter=asked.delimiter, decimal=asked.decimal,
        sheet=asked.sheet, called=asked.called, rng=rng)
    low, high = (both_lengths(f(r.thickness_mm for r in readings)) for f in (min, max))
    words = f"{len(readings)} pads, {low} to {high}"
    return TakenIn(run, (words,), {"pads": len(readings), "words": words})


def taken_in_already(path: str | Path, shelf: Shelf, asked: Asked) -> Run | None:
    """The run that was made of the same bytes, sheet and columns and is not set aside; None if there is none.

    Pads that stand side by side in one file are apart by their columns or their sheet.
    """
    whole = hashlib.sha256()
    with Path(path).open("rb") as file:
        while piece := file.read(PIECE):
            whole.update(piece)
    wanted = whole.hexdigest()
    names = {c.name for c in asked.columns}
    for folder in shelf.run_folders(passed_over=lambda _: None):
        try:
            run = open_run(folder)
        except (RunError, OSError):
            continue                                       # the list of what is on file says so
        if run.raw_sha256.get(ORIGINAL) != wanted or run.set_aside:
            continue
        how = run.table or {}
        if asked.kind == "strokes" or (how.get("sheet") == asked.sheet or asked.sheet is None) and {
                c.get("name") for c in how.get("columns", []) if isinstance(c, dict)} == names:
            return run
    return None
