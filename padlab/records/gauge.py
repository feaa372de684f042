"""Gauge thickness of a delivered batch: a table of one reading a pad, taken in without a rig.

A gauge presses with its own foot. What it reads is the thickness under that pressure, not under the light
touch of F0; the foot is kept with the readings, and whoever uses them says so.

    TABLE --import_gauge--> runs/ID (kind gauge): raw/ORIGINAL, readings.csv, datapackage.json
    runs/ID --readings_of--> (pad, thickness_mm, sheet, place) ...
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from padlab.errors import InputError, RunError, TableError
from padlab.marks import mark
from padlab.records.descriptor import table_resource
from padlab.records.inside import read_bytes, read_named, write_whole
from padlab.records.pad import SIZES_MM, TEXT_LIMIT
from padlab.records.placing import place_whole
from padlab.records.raw_log import ORIGINAL
from padlab.records.run import GaugeBatch, Run
from padlab.records.shelf import Draws, Shelf, new_package, new_run_id
from padlab.records.tables import LIMIT, read_columns
from padlab.units import factor, parse_quantity

COLUMNS = ("pad", "thickness", "sheet", "place")
READINGS = "readings.csv"


@dataclass(frozen=True)
class GaugeColumn:
    """Which column of the table is what; ``unit`` is empty but for the thickness."""

    quantity: str
    name: str
    unit: str = ""


@dataclass(frozen=True)
class GaugeReading:
    """One pad under the gauge's foot."""

    pad: str
    thickness_mm: float
    sheet: str | None = None
    place: str | None = None


def parse_gauge_column(text: str) -> GaugeColumn:
    """Read ``pad=NAME``, ``sheet=NAME``, ``place=NAME`` or ``thickness=NAME:UNIT``.

    >>> parse_gauge_column("thickness=t: raw:thou")
    GaugeColumn(quantity='thickness', name='t: raw', unit='thou')

    Raises
    ------
    InputError
        No ``=``, an unknown quantity, or a thickness without its unit.
    """
    quantity, equals, name = text.partition("=")
    shown = repr(text[:80])
    if not equals or quantity not in COLUMNS or not name.strip():
        raise InputError(f"{shown} names no column of a gauge table", seen=shown,
                         expected="pad=NAME, thickness=NAME:UNIT, sheet=NAME or place=NAME",
                         remedy="write it as pad=Pad")
    if quantity != "thickness":
        return GaugeColumn(quantity, name.strip())
    name, colon, unit = name.rpartition(":")
    if not colon or not name.strip():
        raise InputError("the column for thickness has no unit", expected="thickness=NAME:UNIT", seen=shown,
                         remedy=f"write it as {text[:60]}:thou")
    if factor(unit.strip(), "length") <= 0:
        raise InputError("a thickness does not count down", expected="a unit without a sign", seen=shown)
    return GaugeColumn(quantity, name.strip(), unit.strip())


def parse_foot(text: str) -> tuple[float, float | None]:
    """Read ``FORCE,DIAMETER`` of a gauge's foot [N, mm]; ``whole`` covers the whole pad (None).

    >>> parse_foot("0.5N,6mm"), parse_foot("50gf,whole")
    ((0.5, 6.0), (0.4903325, None))
    """
    force, comma, across = text.partition(",")
    if not comma:
        raise InputError(f"{text[:60]!r} is no gauge foot", expected="FORCE,DIAMETER such as 0.5N,6mm",
                         seen=repr(text[:60]), remedy="write 0.5N,whole if it covers the whole pad")
    force_n = parse_quantity(force, "force")
    across_mm = None if across.strip() == "whole" else parse_quantity(across, "length")
    if not 0 < force_n <= 100 or (across_mm is not None and not 0.5 <= across_mm <= 100):
        raise InputError("no gauge has such a foot", expected="up to 100 N on 0.5 to 100 mm", seen=text[:60])
    return force_n, across_mm


def check_gauge_columns(columns: Sequence[GaugeColumn]) -> None:
    """Refuse missing columns, and one named twice."""
    named = [c.quantity for c in columns]
    missing = [q for q in ("pad", "thickness") if q not in named]
    twice = sorted({n for n in named if named.count(n) > 1})
    wanted, seen = "pad=NAME and thickness=NAME:UNIT", ", ".join(named) or "none"
    if missing:
        unit = ":thou" if missing[0] == "thickness" else ""
        raise InputError("a gauge table lacks a column for " + ", ".join(missing), expected=wanted, seen=seen,
                         remedy=f"add --column {missing[0]}=NAME{unit}")
    if twice:
        raise InputError(f"column {twice[0]} is named twice", expected=wanted, seen=seen)


def import_gauge(path: str | Path, shelf: Shelf, *, batch: GaugeBatch, columns: Sequence[GaugeColumn],
                 now: datetime, start_utc: datetime | None = None, note: str | None = None,
                 delimiter: str | None = None, decimal: str | None = None, sheet: str | None = None,
                 called: str | None = None, rng: Draws | None = None) -> tuple[Run, tuple[GaugeReading, ...]]:
    """Take in a table of gauge readings; the original is kept byte for byte.

    Parameters
    ----------
    called : str, optional
        What the table is called, where ``path`` is a copy under another name.

    Raises
    ------
    TableError
        The table is ambiguous or broken, a pad stands in it twice, or a thickness no pad can have.
    InputError
        Columns, names or the file cannot serve.
    """
    check_gauge_columns(columns)
    for key, text in (("material", batch.material), ("lot", batch.lot)):
        if not text.strip() or len(text) > TEXT_LIMIT:
            raise InputError(f"--{key} names nothing", expected=f"1 to {TEXT_LIMIT} characters",
                             seen=repr(text[:40]))
    data = read_named(path, limit=LIMIT)
    how: dict[str, Any] = {"columns": [asdict(c) for c in columns], "delimiter": delimiter,
                           "decimal": decimal, "sheet": sheet}
    try:
        readings, found = _read(data, how)
    except TableError as fault:
        fault.where.setdefault("path", (called or str(path))[:200])
        raise
    package = new_package(kind="gauge", state="complete", start_utc=now if start_utc is None else start_utc,
                          monotonic_s=None, pad=None, procedure=None, rig=None, environment={}, note=note)
    held = package["padlab"]
    unknown = "" if start_utc else "; when they were read is not known, they are dated by their import"
    held["marks"] = [{"code": m.code, "about": m.about, "message": m.message} for m in (
        mark("imported", "run", f"gauge readings; the gauge's doubt is not known to padlab{unknown}"),
        mark("rig_doubt_unknown", "run", "the doubt of the gauge is not known and not included"))]
    held["gauge"] = asdict(batch)
    held["table"] = {**how, **found, "name": called or Path(path).name[:200]}
    held["raw_sha256"] = {ORIGINAL: hashlib.sha256(data).hexdigest()}
    fields = [{"name": n, "type": "number" if n == "thickness_mm" else "string"}
              for n in ("pad", "thickness_mm", "sheet", "place")]
    package["resources"] = [table_resource("readings", READINGS, fields)]
    run = place_whole(shelf, new_run_id(now, rng), package, data,
                      lambda folder: write_whole(folder / READINGS, _table(readings)))
    return run, readings


def remake_readings(run: Run) -> str:
    """Write readings.csv again from the kept table; gives its name."""
    write_whole(run.folder / READINGS, _table(readings_of(run)))
    return READINGS


def readings_of(run: Run) -> tuple[GaugeReading, ...]:
    """The readings of a gauge run, from the table as it was taken in.

    Raises
    ------
    RunError
        No gauge run, or its table is no longer what was imported.
    """
    if run.kind != "gauge" or run.table is None:
        raise RunError(f"run {run.id} holds no gauge readings", expected="a run of kind gauge",
                       seen=f"kind {run.kind}", where={"run": run.id})
    data = read_bytes(run.folder, "raw", ORIGINAL, limit=LIMIT)
    if run.raw_sha256.get(ORIGINAL) != hashlib.sha256(data).hexdigest():
        raise RunError(f"raw/{ORIGINAL} of run {run.id} is no longer what was imported",
                       expected="the SHA-256 in the descriptor", seen="another one",
                       remedy="bring the file back from a copy",
                       where={"run": run.id, "file": f"raw/{ORIGINAL}"})
    try:
        return _read(data, run.table)[0]
    except (KeyError, TypeError, AttributeError) as fault:
        raise RunError(f"run {run.id} does not say how its table was read",
                       expected="columns and their units", seen=str(fault)[:200],
                       where={"run": run.id}) from fault


def _read(data: bytes, how: dict[str, Any]) -> tuple[tuple[GaugeReading, ...], dict[str, Any]]:
    columns = {c["quantity"]: GaugeColumn(**c) for c in how["columns"]}
    thick = columns["thickness"]
    texts_of = {q: c.name for q, c in columns.items() if q != "thickness"}
    numbers, texts, found = read_columns(
        data, number_names=[thick.name], text_names=list(texts_of.values()), delimiter=how.get("delimiter"),
        decimal=how.get("decimal"), sheet=how.get("sheet"))
    read = numbers[thick.name]
    scaled = [float(v) * factor(thick.unit, "length") for v in read]
    low, high = SIZES_MM["thickness_mm"]
    for row, value in enumerate(scaled):
        if not (math.isfinite(value) and low <= value <= high):
            raise TableError("a thickness that no pad has", expected=f"between {low:g} and {high:g} mm",
                             seen=f"{read[row]:g} {thick.unit} in reading {row + 1}", remedy="check the unit",
                             where={"column": thick.name, "reading": row + 1})
    names = texts[texts_of["pad"]]
    seen: set[str] = set()
    for name in names:
        if name in seen:
            raise TableError(f"pad {name[:60]!r} stands in the table twice", expected="one reading a pad",
                             seen="two or more",
                             remedy="take the middle of repeated readings, or name them apart",
                             where={"column": texts_of["pad"]})
        seen.add(name)

    def text(quantity: str, row: int) -> str | None:
        return texts[texts_of[quantity]][row] if quantity in texts_of else None

    return tuple(GaugeReading(name, scaled[i], text("sheet", i), text("place", i))
                 for i, name in enumerate(names)), found


def _table(readings: Sequence[GaugeReading]) -> bytes:
    def cell(text: str | None) -> str:
        quoted = (text or "").replace('"', '""')
        return f'"{quoted}"' if any(c in quoted for c in ',"\r\n') else quoted

    rows = [f"{cell(r.pad)},{r.thickness_mm:.5f},{cell(r.sheet)},{cell(r.place)}" for r in readings]
    return ("\n".join(["pad,thickness_mm,sheet,place", *rows]) + "\n").encode("utf-8")
