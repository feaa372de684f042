"""The small tables and words that a rig file is put together from, each checked by itself."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
)
from pydantic_core import PydanticCustomError

from padlab.capture.pattern import UnsafePattern, read_pattern
from padlab.errors import InputError, UnitError
from padlab.records.rig_record import Channel
from padlab.units import FACTORS, factor, parse_quantity

LARGEST_COUNT = 2**53
"""Above this a count is no longer exact as a float64."""
OWN_UNIT = {"force": "N", "displacement": "mm", "temperature": "degC"}
PADLABS_OWN = ("host_s", "time_s", "stamp_us")
"""Columns that padlab itself writes."""
_KIND = {"force": "force", "displacement": "length", "temperature": "temperature"}
_RESERVED = {"con", "prn", "aux", "nul", *(f"{p}{n}" for p in ("com", "lpt") for n in range(10))}
COM_PORT = re.compile("COM[0-9]{1,3}", re.ASCII)
_URL = re.compile(
    r"COM[0-9]{1,3}|/[^\s\x00-\x1f\x7f?#]{1,250}|loop://|"
    r"(?:socket|rfc2217)://(?:[A-Za-z0-9_.-]{1,200}|\[[0-9a-fA-F:.]{2,45}\]):([0-9]{1,5})", re.ASCII
)


def check_url(url: str) -> str:
    """Let through a device path, COMn, ``socket://``, ``rfc2217://`` or ``loop://``; nothing else.

    Raises
    ------
    InputError
        Anything else, such as the logging and spying handlers of the port library.

    >>> check_url("socket://127.0.0.1:7000")
    'socket://127.0.0.1:7000'
    """
    match = _URL.fullmatch(url)
    if match is None or (match.group(1) is not None and not 0 < int(match.group(1)) < 65536):
        raise InputError(
            f"{url[:80]!r} is not a port that padlab opens",
            expected="a device path such as /dev/ttyACM0, COM3, socket://HOST:PORT, rfc2217://HOST:PORT "
            "or loop://",
            seen=repr(url[:80]), remedy="padlab rigs NAME shows how a rig is wired",
        )
    return url


def mistake(code: str, text: str) -> PydanticCustomError:
    """A mistake in plain words; ``padlab.capture.rig`` puts the key before it."""
    return PydanticCustomError("padlab_" + code, "{text}", {"text": text})


def _is_url(url: str) -> str:
    try:
        return check_url(url)
    except InputError as fault:
        raise mistake("url", f"expected {fault.expected}") from fault


def _file_safe(name: str) -> str:
    if name.lower() in _RESERVED:
        raise mistake("name", "this name is reserved by an operating system; choose another")
    return name


def _raw_name(name: str) -> str:
    if name.lower() == "original":
        raise mistake("name", "this name is padlab's own; choose another")
    return name


BOUNDS = {"time": (1e-9, 1e5, "s"), "compliance": (0.0, 1.0, "mm/N"),
          "temperature difference": (0.0, 100.0, "K"), "movement with temperature": (-0.1, 0.1, "mm/K")}
"""Beyond these a quantity of a rig file is a slip of the pen: no rig is so soft or so warm; design choice."""
LARGEST = {"force": 1e4, "displacement": 1e3, "temperature": 1e3}
"""No channel's limit, resolution or doubt is more [N, mm, degC]; design choice."""
LEAST_SCALE, LARGEST_SCALE, LARGEST_OFFSET = 1e-12, 1e7, 1e9
"""From a kilonewton cell of 32 bits to metres read in micrometres; beyond lies a slip of the pen."""


def of_kind(kind: str, *, most: float | None = None) -> AfterValidator:
    """Only a quantity of that kind, with its unit, within :data:`BOUNDS` or up to ``most``."""

    def check(text: str) -> str:
        try:
            value = parse_quantity(text, kind)
        except UnitError as fault:
            raise mistake("quantity", f"expected {fault.expected}") from fault
        if kind in BOUNDS:
            low, high, unit = BOUNDS[kind]
            high = high if most is None else most
            if not low <= value <= high:
                raise mistake("quantity", f"expected a {kind} from {low:g} to {high:g} {unit}")
        return text

    return AfterValidator(check)


def is_pattern(*, needs_groups: bool) -> AfterValidator:
    """Only an accepted pattern, its groups fit to be columns."""

    def check(text: str) -> str:
        try:
            columns = read_pattern(text, needs_groups=needs_groups).columns
        except UnsafePattern as fault:
            raise mistake("pattern", str(fault)) from fault
        faults = [f"group {c}: a column's name is a-z, 0-9 and _, at most 32 signs" for c in columns
                  if re.fullmatch(r"[a-z][a-z0-9_]{0,31}", c) is None]
        faults += [f"group {c}: this name is padlab's own; choose another" for c in columns
                   if c in PADLABS_OWN]
        if faults:
            raise mistake("pattern", "; ".join(faults))
        return text

    return AfterValidator(check)


Word = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$"), AfterValidator(_file_safe)]
InstrumentName = Annotated[
    str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,31}$"), AfterValidator(_file_safe),
    AfterValidator(_raw_name)]
Column = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]{0,31}$")]
Text = Annotated[str, Field(max_length=200)]
Doubt = Annotated[float, Field(ge=0)]
Positive = Annotated[float, Field(gt=0)]
Url = Annotated[str, AfterValidator(_is_url)]
Sent = Annotated[str, Field(min_length=1, max_length=64, pattern=r"^[\x20-\x7e]+$")]
"""What is sent, without its line end."""
Lines = Annotated[tuple[Sent, ...], Field(max_length=16, strict=False)]
Rate = Annotated[float, Field(ge=0.01, le=1e5)]
TimeText = Annotated[str, of_kind("time")]
TickText = Annotated[str, of_kind("time", most=10.0)]
WaitText = Annotated[str, of_kind("time", most=60.0)]
ComplianceText = Annotated[str, of_kind("compliance")]
MovementText = Annotated[str, of_kind("movement with temperature")]
KelvinText = Annotated[str, of_kind("temperature difference")]


class Table(BaseModel):
    """A table of a rig file: no other keys, nothing guessed."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class FrameFile(Table):
    """The give of the bare frame, used until a blank run measures it."""

    compliance: ComplianceText = Field(description="mm of frame give per newton, such as 0.05um/N")
    compliance_uncertainty: ComplianceText | None = Field(None, description="one standard deviation")


class TemperatureFile(Table):
    """What warmth does to the reading between a light and a hard press; left out where nobody knows."""

    moves: MovementText = Field(
        description="how much a change of position reads wrong for 1 K between its two ends, such as 0.8um/K")
    within: KelvinText | None = Field(
        None, description="how far the temperature may move meanwhile where no run recorded it, such as 2K")


class IdentityFile(Table):
    """How the rig proves that it is this rig and no other."""

    ask: str | None = Field(
        None, max_length=64, pattern=r"^[\x20-\x7e]+$",
        description="sent with a line end; left out where the rig only greets when it is opened",
    )
    answer: Annotated[str, is_pattern(needs_groups=False)] = Field(
        description="regular expression for the whole line of the greeting or answer")
    wait: WaitText = Field("3s", description="how long to wait for it")


class CounterFile(Table):
    """The column that counts the lines; by it lost lines are seen."""

    column: Column
    modulus: int = Field(gt=1, le=LARGEST_COUNT, description="the count goes from modulus - 1 to 0")


class ClockFile(Table):
    """The column that carries the rig's own clock; it becomes the time axis of a run."""

    column: Column
    tick: TickText = Field(description="one tick of the clock, such as 1us")
    modulus: int = Field(gt=1, le=LARGEST_COUNT)


class ChannelFile(Table):
    """One measured quantity: value = sign * (scale * reading + offset), in ``unit``."""

    column: Column
    quantity: Literal["force", "displacement", "temperature"]
    unit: str = Field(description="of scale, offset, resolution, limit and offset_uncertainty")
    sign: Literal[-1, 1] = Field(1, description="displacement: + = pad thinner; force: + = pressed")
    scale: float = Field(1.0, description="units a count")
    offset: float = Field(0.0, ge=-LARGEST_OFFSET, le=LARGEST_OFFSET)
    scale_uncertainty: Annotated[float, Field(ge=0, le=0.5)] | None = Field(
        None, description="relative (0.004 = 0.4 %), one standard deviation")
    offset_uncertainty: Doubt | None = Field(None, description="in unit, one standard deviation")
    resolution: Positive | None = Field(None, description="in unit")
    limit: Positive | None = Field(None, description="in unit; over it a capture stops")
    calibration: Word | None = Field(None, description="id of a calibration on the shelf")

    @field_validator("unit")
    @classmethod
    def _unit_fits(cls, unit: str, info: ValidationInfo) -> str:
        quantity = info.data.get("quantity")
        units = FACTORS[_KIND[quantity]] if quantity else {unit: 1.0}
        if unit not in units:
            offer = ", ".join(u for u in units if u.isascii())
            raise mistake("unit", f"a {quantity} comes in one of {offer}")
        return unit

    @field_validator("scale")
    @classmethod
    def _scale_tells(cls, scale: float) -> float:
        if scale == 0:
            raise mistake("scale", "0 would make every reading the same")
        if not LEAST_SCALE <= abs(scale) <= LARGEST_SCALE:
            raise mistake("scale", f"expected {LEAST_SCALE:g} to {LARGEST_SCALE:g} units a count, "
                                   f"or the same with a minus; seen {scale:g}")
        return scale

    @field_validator("offset_uncertainty", "resolution", "limit")
    @classmethod
    def _of_a_bench(cls, size: float | None, info: ValidationInfo) -> float | None:
        quantity, unit = info.data.get("quantity"), info.data.get("unit")
        if size is None or quantity is None or unit is None:
            return size
        most = LARGEST[quantity] / factor(unit, _KIND[quantity])
        if size > most:
            raise mistake("size", f"expected {most:g} {unit} at most; seen {size:g} {unit}")
        return size

    def to_record(self) -> Channel:
        """The channel in padlab's own unit."""
        one = factor(self.unit, _KIND[self.quantity])
        own = [None if x is None else x * one for x in (self.offset_uncertainty, self.resolution, self.limit)]
        return Channel(
            name=self.column, quantity=self.quantity, unit=OWN_UNIT[self.quantity], sign=self.sign,
            scale=self.scale * one, offset=self.offset * one, scale_uncertainty=self.scale_uncertainty,
            offset_uncertainty=own[0], resolution=own[1], limit=own[2], calibration=self.calibration,
        )
