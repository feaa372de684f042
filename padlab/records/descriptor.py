"""datapackage.json: what a run says of itself, in an open format.

The file is a Data Package (an open standard): any tool that reads the standard finds the tables
and their columns. What padlab needs beyond that stands in its one extra key, ``padlab``. Keys
that this padlab does not know are kept when the file is rewritten.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from padlab.errors import RunError
from padlab.marks import CODES, Mark, mark
from padlab.records.described import RUN_ID, descriptor_mistakes
from padlab.records.inside import read_bytes, write_whole
from padlab.records.pad import Pad
from padlab.records.rig_record import RigRecord
from padlab.records.run import Gap, GaugeBatch, Run

if TYPE_CHECKING:
    from pydantic import TypeAdapter

__all__ = ["NAME", "RUN_ID", "read_package", "run_from", "table_resource", "write_package"]

NAME = "datapackage.json"
LIMIT = 8 << 20
"""A descriptor holds a rig description and a procedure: some 10 KiB. 8 MiB is beyond any honest one."""

Kind = Literal["pad", "touch", "blank", "check", "wear", "gauge", "calibration"]
State = Literal["recording", "complete", "interrupted"]


@dataclass(frozen=True)
class PadAmendment:
    """A dated correction of the pad: the old one stays readable beside the new one."""

    on: str  # UTC, ISO 8601
    what: Literal["pad"]
    old: Pad | None
    new: Pad
    reason: str | None = None


@dataclass(frozen=True)
class TextAmendment:
    """A dated note, blank run, setting aside (``new`` is the reason) or taking back (``new`` is None)."""

    on: str
    what: Literal["note", "set_aside", "blank"]
    old: str | None
    new: str | None
    reason: str | None = None


@dataclass(frozen=True)
class CalibrationAmendment:
    """A dated change of the calibrations that a run's samples are made with."""

    on: str
    what: Literal["calibrations"]
    old: tuple[str, ...]
    new: tuple[str, ...]
    reason: str | None = None


@dataclass(frozen=True)
class StoredMark:
    """A mark as stored; its weight comes from the table, not from the file."""

    code: str
    about: str
    message: str


@dataclass(frozen=True)
class StoredColumn:
    """Which column of an imported table was what."""

    quantity: str
    name: str
    unit: str


@dataclass(frozen=True)
class StoredTable:
    """How an imported table was read, so that it can be read the same way again."""

    columns: tuple[StoredColumn, ...]
    name: str | None = None
    delimiter: Literal["comma", "semicolon", "tab"] | None = None
    decimal: Literal["point", "comma"] | None = None
    sheet: str | None = None


@dataclass(frozen=True)
class StoredEndurance:
    """An endurance run: whose strokes are in strokes/, and from where they are counted."""

    parts: dict[str, str] = field(default_factory=dict)     # closed parts, with their SHA-256
    zero_n: float | None = None                             # of the force, when the run began
    machine_start: float | None = None                      # what the machine's counter read then
    resumed: tuple[str, ...] = ()                           # when, UTC


@dataclass(frozen=True)
class Stored:
    """The ``padlab`` object, with the types it must have."""

    kind: Kind
    state: State
    start: str
    pad: Pad | None = None
    procedure: dict[str, Any] | None = None
    rig: RigRecord | None = None
    calibrations: tuple[str, ...] = ()
    blank: str | None = None
    environment: dict[str, Any] = field(default_factory=dict)
    clock: dict[str, Any] = field(default_factory=dict)
    gaps: tuple[Gap, ...] = ()
    note: str | None = None
    set_aside: str | None = None
    marks: tuple[StoredMark, ...] = ()
    amendments: tuple[PadAmendment | TextAmendment | CalibrationAmendment, ...] = ()
    raw_sha256: dict[str, str] = field(default_factory=dict)
    samples_sha256: dict[str, str] = field(default_factory=dict)
    torn: tuple[str, ...] = ()
    table: StoredTable | None = None
    gauge: GaugeBatch | None = None
    column_doubt: dict[str, float] = field(default_factory=dict)
    steps: tuple[dict[str, Any], ...] = ()
    stop: Literal["up", "down"] | None = None
    control: bool = False
    endurance: StoredEndurance | None = None


@cache
def _reader() -> TypeAdapter[Stored]:
    from pydantic import TypeAdapter

    return TypeAdapter(Stored)


def read_package(folder: Path) -> dict[str, Any]:
    """Read and check the descriptor of a run folder.

    Raises
    ------
    RunError
        Missing, too large, not JSON, or a value of the wrong type; the message names the key.
    """
    from pydantic import ValidationError
    from pydantic_core import from_json

    where = {"path": str(folder / NAME)}
    data = read_bytes(folder, NAME, limit=LIMIT)
    try:
        package = from_json(data, allow_inf_nan=False)  # bounds the depth of nesting by itself
        if not isinstance(package, dict) or not isinstance(package.get("padlab"), dict):
            raise ValueError("no padlab object in it")
        text = json.dumps(package["padlab"], allow_nan=False)
        stored = _reader().validate_json(text, strict=True)
    except ValidationError as fault:
        first = fault.errors(include_url=False, include_input=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        raise RunError(
            f"{folder / NAME} is damaged at {key}",
            expected="a descriptor that padlab wrote",
            seen=first["msg"],
            where={**where, "key": key},
        ) from fault
    except (ValueError, RecursionError) as fault:
        raise RunError(
            f"{folder / NAME} is damaged",
            expected="a descriptor that padlab wrote",
            seen=str(fault)[:200],
            where=where,
        ) from fault
    unknown = sorted({m["code"] for m in package["padlab"].get("marks", [])} - set(CODES))
    if unknown:
        raise RunError(
            f"{folder / NAME} carries marks that this padlab does not know",
            expected="marks of the table in README",
            seen=", ".join(unknown)[:200],
            remedy="read the run with the padlab that wrote it, or a newer one",
            where=where,
        )
    pads = {"pad": stored.pad, **{f"amendments.{n}.new": a.new for n, a in enumerate(stored.amendments)
                                  if isinstance(a, PadAmendment)}}
    faults = descriptor_mistakes(package, rig=stored.rig, pads=pads)
    if faults:
        key = faults[0].partition(":")[0]
        raise RunError(
            f"{folder / NAME} is damaged at {key}",
            expected="a descriptor that padlab wrote",
            seen="; ".join(faults)[:400],
            remedy="bring the file back from a copy",
            where={**where, "key": key, "mistakes": faults[:100]},
        )
    return package


def write_package(folder: Path, package: dict[str, Any]) -> None:
    """Write the descriptor in one step."""
    text = json.dumps(package, ensure_ascii=False, allow_nan=False, indent=1)
    write_whole(folder / NAME, text.encode("utf-8") + b"\n")


def run_from(folder: Path, package: dict[str, Any]) -> Run:
    """The run that a checked descriptor describes, amended values shown, originals kept in the file."""
    if RUN_ID.fullmatch(folder.name) is None:
        raise RunError(
            f"{folder.name[:60]!r} is not a run id",
            expected="a folder named like 20260704T081530Z-k3v9qa",
            seen=folder.name[:60],
            remedy="give the folder back its own name",
            where={"path": str(folder)},
        )
    held = package["padlab"]
    stored = _reader().validate_json(json.dumps(held), strict=True)
    pad, notes = stored.pad, [stored.note] if stored.note else []
    for entry in stored.amendments:
        if isinstance(entry, PadAmendment):
            pad = entry.new
        elif isinstance(entry, TextAmendment) and entry.what == "note" and entry.new:
            notes.append(f"{entry.on[:10]}: {entry.new}")
    marks = [Mark(m.code, m.about, m.message) for m in stored.marks]
    present = {m.code for m in marks}
    if pad is not None and pad.example:
        marks.append(mark("example_pad", "pad", "the pad's file still says example = true: write in it "
                          "what this pad is, take the line out, then padlab amend RUN --pad FILE.toml"))
    if stored.set_aside is not None:
        marks.append(mark("set_aside", folder.name, f"set aside by a person: {stored.set_aside}"))
    if stored.state == "interrupted" and "interrupted" not in present:
        marks.append(mark("interrupted", folder.name))
    if stored.gaps and "gap" not in present:
        marks.append(mark("gap", folder.name))
    return Run(
        id=folder.name,
        folder=folder,
        kind=stored.kind,
        state=stored.state,
        start_utc=stored.start,
        pad=pad,
        procedure=stored.procedure,
        rig=stored.rig,
        calibrations=stored.calibrations,
        blank=stored.blank,
        environment=stored.environment,
        gaps=stored.gaps,
        note="\n".join(notes) or None,
        set_aside=stored.set_aside,
        marks=tuple(marks),
        column_doubt=stored.column_doubt,
        steps=stored.steps,
        amendments=tuple(held.get("amendments", ())),
        table=held.get("table"),
        gauge=stored.gauge,
        raw_sha256=stored.raw_sha256,
        samples_sha256=stored.samples_sha256,
        stop=stored.stop,
        is_control=stored.control,
        endurance=held.get("endurance"),
    )


def table_resource(name: str, path: str, fields: list[dict[str, str]]) -> dict[str, Any]:
    """One table of the package, as the standard describes it."""
    return {
        "name": name,
        "type": "table",
        "path": path,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": {"fields": fields},
    }
