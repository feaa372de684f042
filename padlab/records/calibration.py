"""A calibration as a value: what a reading stands for, found on a day, good for a time, in a range.

    SHELF/calibrations/cal-20260704T081530Z-k3v9qa.json      dated, written once, never over another

A better calibration is a new file; ``padlab remake --calibration ID`` applies it to old runs.
"""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from padlab import __version__
from padlab.errors import RunError
from padlab.records.inside import read_bytes, refuse_links, write_whole
from padlab.records.reading_curve import ReadingCurve
from padlab.records.rig_record import Channel, RigRecord
from padlab.records.run import Run
from padlab.records.shelf import Draws, new_run_id
from padlab.words import quoted

if TYPE_CHECKING:
    from pydantic import TypeAdapter

Array = NDArray[np.float64]

FOLDER = "calibrations"
LIMIT = 4 << 20
"""A compliance table of 200 forces has 20 KiB; 4 MiB is beyond any honest calibration."""
CALIBRATION_ID = re.compile(r"cal-[0-9]{8}T[0-9]{6}Z-[0-9abcdefghjkmnpqrstvwxyz]{6}")

Kind = Literal["force", "displacement", "compliance", "skew", "repeatability"]


@dataclass(frozen=True)
class FrameTable:
    """The give of the bare frame over net force, from several blank runs; equal lengths (m,)."""

    force_n: tuple[float, ...]
    deflection_mm: tuple[float, ...]
    standard_uncertainty_mm: tuple[float, ...]
    degrees_of_freedom: int


@dataclass(frozen=True)
class Skew:
    """How much later the displacement is seen than the force of the same moment [s].

    ``late`` is the instrument of the displacement, ``early`` that of the force; negative where it
    is the force that lags.
    """

    late: str
    early: str
    skew_s: float
    standard_uncertainty_s: float
    degrees_of_freedom: int


@dataclass(frozen=True)
class Calibration:
    """One calibration; exactly one of ``curve``, ``frame`` and ``skew`` is there (none: a study).

    ``reads`` says what the curve's readings are: ``raw`` = as the instrument sends them, ``value``
    = after the rig file's own sign, scale and offset. ``answer`` is what the command printed.
    """

    id: str
    kind: Kind
    made: str                            # UTC, ISO 8601
    expires: str
    rig: str | None = None
    instrument: str | None = None
    channel: str | None = None
    reads: Literal["raw", "value"] = "raw"
    curve: ReadingCurve | None = None
    frame: FrameTable | None = None
    skew: Skew | None = None
    answer: dict[str, Any] = field(default_factory=dict)
    made_from: dict[str, Any] = field(default_factory=dict)
    padlab: str = __version__

    def apply(self, reading: Array) -> tuple[Array, Array]:
        """Values (N or mm) of readings and their standard uncertainties, both of the given shape.

        Raises
        ------
        RunError
            This calibration has no curve of readings.
        """
        if self.curve is None:
            raise RunError(f"calibration {self.id} turns no readings into values",
                           expected="a calibration of force or displacement", seen=f"kind {self.kind}")
        value = self.curve.value(reading)
        return value, self.curve.standard_uncertainty(value)

    def is_expired(self, on_utc: str) -> bool:
        """Whether it had expired at a moment (ISO 8601, UTC)."""
        return _moment(on_utc) > _moment(self.expires)


def new_calibration_id(now: datetime, rng: Draws | None = None) -> str:
    """An id: ``cal-``, the UTC second, six characters drawn at random.

    >>> import random
    >>> new_calibration_id(datetime(2026, 7, 4, 8, 15, 30, tzinfo=UTC), random.Random(1))
    'cal-20260704T081530Z-84g7zw'
    """
    return "cal-" + new_run_id(now, rng)


def write_calibration(shelf: Path, calibration: Calibration) -> Path:
    """Put a calibration on a shelf.

    Raises
    ------
    RunError
        One of that id is there already, or the shelf cannot be written.
    """
    name = _file(calibration.id)
    folder = refuse_links(shelf, FOLDER)
    path = refuse_links(shelf, FOLDER, name)
    text = json.dumps(asdict(calibration), ensure_ascii=False, allow_nan=False, indent=1)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if path.exists():
            raise RunError(f"calibration {calibration.id} is on file already; it is never overwritten")
        write_whole(path, text.encode("utf-8") + b"\n")
    except (OSError, ValueError) as fault:
        if isinstance(fault, RunError):
            raise
        raise RunError(f"{quoted(shelf)} cannot be a shelf", expected="a folder that can be written",
                       seen=str(fault)[:200], where={"path": str(shelf)[:200]}) from fault
    return path


def read_calibration(shelf: Path, calibration_id: str) -> Calibration:
    """Read one calibration from a shelf; an id is checked, it never becomes a path of its own.

    Raises
    ------
    RunError
        No id, not on this shelf, or damaged; the message names the key.
    """
    from pydantic import ValidationError
    from pydantic_core import from_json

    name = _file(calibration_id)
    path = refuse_links(shelf, FOLDER, name)
    where = {"path": str(path), "calibration": calibration_id}
    if not path.is_file():
        raise RunError(f"no calibration {calibration_id} on the shelf {shelf}",
                       expected=f"a file {FOLDER}/{name}", seen="none",
                       remedy="bring the file from the shelf it was made on, or calibrate anew", where=where)
    data = read_bytes(shelf, FOLDER, name, limit=LIMIT)
    try:
        stored = _reader().validate_json(json.dumps(from_json(data, allow_inf_nan=False)), strict=True)
    except ValidationError as fault:
        first = fault.errors(include_url=False, include_input=False)[0]
        key = ".".join(str(part) for part in first["loc"])
        raise RunError(f"{path} is damaged at {key}", expected="a calibration that padlab wrote",
                       seen=first["msg"], where={**where, "key": key}) from fault
    except (ValueError, RecursionError) as fault:
        raise RunError(f"{path} is damaged", expected="a calibration that padlab wrote",
                       seen=str(fault)[:200], where=where) from fault
    fault_seen = _mistake(stored, calibration_id)
    if fault_seen:
        raise RunError(f"{path} is damaged", expected="a calibration that padlab wrote", seen=fault_seen,
                       where=where)
    return stored


def list_calibrations(shelf: Path) -> tuple[list[Calibration], list[RunError]]:
    """All calibrations of a shelf, newest first, and what could not be read (nothing is left out silently).

    Raises
    ------
    RunError
        Their folder is a link or cannot be read.
    """
    folder = refuse_links(shelf, FOLDER)
    if not folder.is_dir():
        return [], []
    try:
        names = sorted(p.stem for p in folder.iterdir() if p.suffix == ".json" and p.name[0] != ".")
    except OSError as fault:
        raise RunError(f"{folder} cannot be read", expected="a folder of calibrations", seen=fault.strerror,
                       where={"path": str(folder)}) from fault
    found, faults = [], []
    for name in names:
        try:
            found.append(read_calibration(shelf, name))
        except RunError as fault:
            faults.append(fault)
    return sorted(found, key=lambda c: c.made, reverse=True), faults


def calibrations_of(run: Run) -> tuple[Calibration, ...]:
    """The calibrations that a run names, from its own shelf, in the run's order.

    Raises
    ------
    RunError
        One of them is not there, or damaged.
    """
    return tuple(read_calibration(run.folder.parent.parent, name) for name in run.calibrations)


def for_channel(calibrations: Iterable[Calibration], instrument: str, channel: Channel) -> Calibration | None:
    """The calibration that serves a channel: the last one named that fits it."""
    fits = [c for c in calibrations if c.kind == channel.quantity and c.instrument in (None, instrument)
            and c.channel in (None, channel.name)]
    return fits[-1] if fits else None


def calibrated_value(calibration: Calibration, channel: Channel, reading: Array) -> Array:
    """Readings of a channel as its calibration has them; the channel keeps the sense of its sign.

    The calibration knows how much, the rig file which way: a dial that counts down as the pad
    gets thinner is calibrated on blocks that grow.
    """
    assert calibration.curve is not None        # for_channel gives force and displacement only
    if calibration.reads == "value":
        reading = channel.sign * (channel.scale * reading + channel.offset)
    return np.asarray(sense_of(calibration, channel) * calibration.curve.value(reading))


def sense_of(calibration: Calibration, channel: Channel) -> float:
    """1.0 where the channel's value rises with the calibration's reference, -1.0 where it falls."""
    assert calibration.curve is not None
    turns = 1.0 if calibration.reads == "value" else channel.sign * math.copysign(1.0, channel.scale)
    return turns if calibration.curve.rises else -turns


def check_serves(calibration: Calibration, rig: RigRecord | None, run_id: str) -> None:
    """Refuse a calibration that cannot be for this rig.

    Raises
    ------
    RunError
        Another rig, no such channel, or several that it could mean.
    """
    def refuse(expected: str, seen: str) -> RunError:
        return RunError(f"calibration {calibration.id} cannot serve run {run_id}", expected=expected,
                        seen=seen, where={"run": run_id, "calibration": calibration.id})

    if rig is None:
        raise refuse("a run recorded by padlab", "a table recorded elsewhere")
    if calibration.rig is not None and calibration.rig != rig.name:
        raise refuse(f"a run of rig {calibration.rig}", f"rig {rig.name}")
    if calibration.kind == "repeatability":
        raise refuse("a calibration of force, displacement, compliance or skew", "a repeatability study")
    if calibration.curve is not None:
        serves = [c for i in rig.instruments for c in i.channels
                  if for_channel([calibration], i.name, c) is not None]
        if len(serves) != 1:
            raise refuse(f"one channel of {calibration.kind}", f"{len(serves)}")
    if calibration.skew is not None:
        missing = {calibration.skew.late, calibration.skew.early} - {i.name for i in rig.instruments}
        if missing:
            raise refuse("the instruments " + ", ".join(sorted(missing)),
                         ", ".join(i.name for i in rig.instruments))


def with_calibrations(run: Run, chosen: Iterable[Calibration]) -> tuple[str, ...]:
    """Ids for a run to name: those that it names, each chosen one in the place of what it replaces.

    One replaces another of its kind that is for the same instrument and channel.

    Raises
    ------
    RunError
        One of them cannot be for this run's rig.
    """
    held = {c.id: c for c in calibrations_of(run)}
    for new in chosen:
        check_serves(new, run.rig, run.id)
        same = [i for i, c in held.items() if (c.kind, c.instrument, c.channel)
                == (new.kind, new.instrument, new.channel)]
        for old in same:
            del held[old]
        held[new.id] = new
    return tuple(held)


def _file(calibration_id: str) -> str:
    if CALIBRATION_ID.fullmatch(calibration_id) is None:
        raise RunError(f"{calibration_id[:60]!r} is not the id of a calibration",
                       expected="an id like cal-20260704T081530Z-k3v9qa", seen=calibration_id[:60])
    return f"{calibration_id}.json"


def _mistake(c: Calibration, calibration_id: str) -> str | None:
    """What cannot be in a calibration whose types are right."""
    if c.id != calibration_id:
        return f"it calls itself {c.id[:60]}"
    try:
        _moment(c.made), _moment(c.expires)
    except ValueError:
        return "a date that is none"
    if (c.curve is not None) != (c.kind in ("force", "displacement")):
        return f"a {c.kind} calibration {'with' if c.curve else 'without'} a curve"
    if (c.frame is not None) != (c.kind == "compliance") or (c.skew is not None) != (c.kind == "skew"):
        return f"what is in it does not fit its kind, {c.kind}"
    if c.curve is not None:
        n = len(c.curve.coefficients)
        if not 2 <= n <= 8 or [len(row) for row in c.curve.covariance] != [n] * n:
            return "coefficients and covariance that do not fit each other"
        if c.curve.half_range <= 0 or c.curve.residual_sd < 0 or c.curve.degrees_of_freedom < 1:
            return "a curve that cannot be"
        if (c.curve.backlash is None) != (c.curve.backlash_u is None) or (c.curve.backlash_u or 0.0) < 0:
            return "a backlash without its doubt"
        if c.curve.turns_back:
            return "a curve that turns back"
    if c.frame is not None:
        f = c.frame
        if not len(f.force_n) == len(f.deflection_mm) == len(f.standard_uncertainty_mm) >= 2:
            return "columns of unequal length"
        if np.any(np.diff(f.force_n) <= 0) or min(f.standard_uncertainty_mm) < 0:
            return "a table that cannot be"
    return None


def _moment(text: str) -> datetime:
    moment = datetime.fromisoformat(text)
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


@cache
def _reader() -> TypeAdapter[Calibration]:
    from pydantic import TypeAdapter

    return TypeAdapter(Calibration)
