"""What may stand in a rig file: the classes that check it whole, and from which its schema is made."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Field,
    ValidationInfo,
    field_validator,
    model_validator,
)
from pydantic_core import PydanticCustomError

from padlab.capture.checksum import Checksum
from padlab.capture.pattern import LinePattern, UnsafePattern, read_pattern
from padlab.errors import InputError, UnitError
from padlab.records.rig_record import Channel, Instrument, RigRecord
from padlab.units import FACTORS, factor, parse_quantity

LATER_PROTOCOLS = ("scpi", "modbus-rtu")
LARGEST_COUNT = 2**53
"""Above this a count is no longer exact as a float64."""
OWN_UNIT = {"force": "N", "displacement": "mm", "temperature": "degC"}
_KIND = {"force": "force", "displacement": "length", "temperature": "temperature"}
_RESERVED = {"con", "prn", "aux", "nul", *(f"{p}{n}" for p in ("com", "lpt") for n in range(10))}
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


def _mistake(code: str, text: str) -> PydanticCustomError:
    return PydanticCustomError("padlab_" + code, "{text}", {"text": text})


def _is_url(url: str) -> str:
    try:
        return check_url(url)
    except InputError as fault:
        raise _mistake("url", f"expected {fault.expected}") from fault


def _file_safe(name: str) -> str:
    if name.lower() in _RESERVED:
        raise _mistake("name", "this name is reserved by an operating system; choose another")
    return name


def _raw_name(name: str) -> str:
    if name.lower() == "original":
        raise _mistake("name", "this name is padlab's own; choose another")
    return name


def _of_kind(kind: str) -> AfterValidator:
    def check(text: str) -> str:
        try:
            value = parse_quantity(text, kind)
        except UnitError as fault:
            raise _mistake("quantity", f"expected {fault.expected}") from fault
        if kind == "time" and not 1e-9 <= value <= 1e5:
            raise _mistake("quantity", "expected a time over 0, from 1 ns to a day")
        return text

    return AfterValidator(check)


def _is_pattern(*, needs_groups: bool) -> AfterValidator:
    def check(text: str) -> str:
        try:
            columns = read_pattern(text, needs_groups=needs_groups).columns
        except UnsafePattern as fault:
            raise _mistake("pattern", str(fault)) from fault
        faults = [f"group {c}: a column's name is a-z, 0-9 and _, at most 32 signs" for c in columns
                  if re.fullmatch(r"[a-z][a-z0-9_]{0,31}", c) is None]
        faults += [f"group {c}: this name is padlab's own; choose another" for c in columns
                   if c in ("host_s", "time_s")]
        if faults:
            raise _mistake("pattern", "; ".join(faults))
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
TimeText = Annotated[str, _of_kind("time")]
ComplianceText = Annotated[str, _of_kind("compliance")]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)


class FrameFile(_Table):
    """The give of the bare frame, used until a blank run measures it."""

    compliance: ComplianceText = Field(description="mm of frame give per newton, such as 0.05um/N")
    compliance_uncertainty: ComplianceText | None = Field(None, description="one standard deviation")


class IdentityFile(_Table):
    """How the rig proves that it is this rig and no other."""

    ask: str | None = Field(
        None, max_length=64, pattern=r"^[\x20-\x7e]+$",
        description="sent with a line end; left out where the rig only greets when it is opened",
    )
    answer: Annotated[str, _is_pattern(needs_groups=False)] = Field(
        description="regular expression for the whole line of the greeting or answer")
    wait: TimeText = Field("3s", description="how long to wait for it")


class CounterFile(_Table):
    """The column that counts the lines; by it lost lines are seen."""

    column: Column
    modulus: int = Field(gt=1, le=LARGEST_COUNT, description="the count goes from modulus - 1 to 0")


class ClockFile(_Table):
    """The column that carries the rig's own clock; it becomes the time axis of a run."""

    column: Column
    tick: TimeText = Field(description="one tick of the clock, such as 1us")
    modulus: int = Field(gt=1, le=LARGEST_COUNT)


class ChannelFile(_Table):
    """One measured quantity: value = sign * (scale * reading + offset), in ``unit``."""

    column: Column
    quantity: Literal["force", "displacement", "temperature"]
    unit: str = Field(description="of scale, offset, resolution, limit and offset_uncertainty")
    sign: Literal[-1, 1] = Field(1, description="displacement: + = pad thinner; force: + = pressed")
    scale: float = Field(1.0, description="units a count")
    offset: float = 0.0
    scale_uncertainty: Doubt | None = Field(None, description="relative, one standard deviation")
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
            raise _mistake("unit", f"a {quantity} comes in one of {offer}")
        return unit

    @field_validator("scale")
    @classmethod
    def _scale_tells(cls, scale: float) -> float:
        if scale == 0:
            raise _mistake("scale", "0 would make every reading the same")
        return scale

    def to_record(self) -> Channel:
        """The channel in padlab's own unit."""
        one = factor(self.unit, _KIND[self.quantity])
        own = [None if x is None else x * one for x in (self.offset_uncertainty, self.resolution, self.limit)]
        return Channel(
            name=self.column, quantity=self.quantity, unit=OWN_UNIT[self.quantity], sign=self.sign,
            scale=self.scale * one, offset=self.offset * one, scale_uncertainty=self.scale_uncertainty,
            offset_uncertainty=own[0], resolution=own[1], limit=own[2], calibration=self.calibration,
        )


class InstrumentFile(_Table):
    """One instrument on one port."""

    name: InstrumentName
    url: Annotated[str, AfterValidator(_is_url)] = Field(
        description="device path, COMn, socket://HOST:PORT, rfc2217://HOST:PORT or loop://")
    protocol: Literal["lines"] = Field(description="scpi and modbus-rtu come later")
    baud: int = Field(115200, ge=50, le=12_000_000)
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "rts-cts", "xon-xoff"] = "none"
    dtr: bool = Field(True, description="state of the line when the port opens; false keeps some boards "
                                        "from starting anew")
    rts: bool = True
    line_end: Literal["\n", "\r"] = Field("\n", description="\\n also takes \\r\\n")
    pattern: Annotated[str, _is_pattern(needs_groups=True)] = Field(
        description="regular expression with named groups for one whole line, without its checksum")
    checksum: Checksum | None = Field(
        None, description="each line ends with * and this sum, in hexadecimal, of all bytes before the *; "
                          "a line whose sum does not fit is bad")
    lines_per_s: Positive | None = Field(None, description="what the rig is meant to send")
    identity: IdentityFile | None = None
    counter: CounterFile | None = None
    clock: ClockFile | None = None
    channel: tuple[ChannelFile, ...] = Field(min_length=1, max_length=16, strict=False)

    @model_validator(mode="before")
    @classmethod
    def _later(cls, raw: Any) -> Any:
        if isinstance(raw, dict) and raw.get("protocol") in LATER_PROTOCOLS:
            raise _mistake("later", f"protocol {raw['protocol']} comes in a later padlab; use lines")
        return raw

    @field_validator("channel")
    @classmethod
    def _columns_fit(cls, channels: tuple[ChannelFile, ...], info: ValidationInfo) -> tuple[ChannelFile, ...]:
        named = [(key, info.data[key].column) for key in ("counter", "clock") if info.data.get(key)]
        named += [("channel", c.column) for c in channels]
        used = [c for _, c in named]
        faults = [f"column {c}: named twice among counter, clock and channels"
                  for c in sorted(set(used)) if used.count(c) > 1]
        if "pattern" in info.data:
            columns = read_pattern(info.data["pattern"]).columns
            faults += [f"{key}: the pattern has no group {c!r}; it has {', '.join(columns)}"
                       for key, c in named if c not in columns]
        if faults:
            raise _mistake("columns", "; ".join(faults))
        return channels

    @property
    def line_pattern(self) -> LinePattern:
        """The accepted pattern."""
        return read_pattern(self.pattern)

    def to_record(self) -> Instrument:
        """The instrument as a run remembers it."""
        counter, clock = self.counter, self.clock
        return Instrument(
            name=self.name, protocol=self.protocol, columns=self.line_pattern.columns,
            channels=tuple(c.to_record() for c in self.channel),
            counter=counter.column if counter else None,
            counter_modulus=counter.modulus if counter else None,
            clock=clock.column if clock else None,
            clock_s_per_tick=parse_quantity(clock.tick, "time") if clock else None,
            clock_modulus=clock.modulus if clock else None,
        )


class RigFile(_Table):
    """A whole rig. Uncertainties are standard uncertainties (one standard deviation)."""

    name: Word
    title: Text = ""
    frame: FrameFile | None = None
    instrument: tuple[InstrumentFile, ...] = Field(min_length=1, max_length=16, strict=False)

    @model_validator(mode="before")
    @classmethod
    def _no_motor_yet(cls, raw: Any) -> Any:
        if isinstance(raw, dict) and "motor" in raw:
            raise _mistake("later", "motor: padlab does not drive a motor yet; a hand or weights press")
        return raw

    @model_validator(mode="after")
    def _instruments_differ(self) -> Self:
        names = [i.name.lower() for i in self.instrument]
        urls = [i.url for i in self.instrument if i.url != "loop://"]
        faults = [f"instrument name {n}: used twice" for n in sorted(set(names)) if names.count(n) > 1]
        faults += [f"url {u}: two instruments on one port" for u in sorted(set(urls)) if urls.count(u) > 1]
        quantities = [c.quantity for i in self.instrument for c in i.channel]
        faults += [f"quantity {q}: given by {quantities.count(q)} channels; one is enough"
                   for q in sorted(set(quantities)) if quantities.count(q) > 1]
        if faults:
            raise _mistake("instruments", "; ".join(faults))
        return self

    def to_record(self) -> RigRecord:
        """The rig as a run remembers it; it cannot be opened from there."""
        frame = self.frame
        doubt = frame.compliance_uncertainty if frame else None
        return RigRecord(
            name=self.name, instruments=tuple(i.to_record() for i in self.instrument),
            frame_compliance_mm_per_n=parse_quantity(frame.compliance, "compliance") if frame else 0.0,
            frame_compliance_uncertainty_mm_per_n=parse_quantity(doubt, "compliance") if doubt else None,
            description=self.model_dump(mode="json", exclude_none=True),
        )

    def with_urls(self, typed: Iterable[str]) -> RigFile:
        """The same rig on other ports, each typed as ``[INSTRUMENT=]URL``; a device's path may be relative.

        Raises
        ------
        InputError
            Several instruments and none named, or a port that padlab does not open.
        """
        names = [i.name for i in self.instrument]
        urls: dict[str, str] = {}
        for text in typed:
            name, equals, url = text.partition("=")
            if not equals or name not in names:
                if len(names) != 1:
                    raise InputError(
                        f"rig {self.name} has several instruments: which one is on {text[:80]!r}?",
                        expected="INSTRUMENT=URL with one of " + ", ".join(names), seen=text[:80],
                    )
                name, url = names[0], text
            is_here = bool(url) and "://" not in url and "\0" not in url and Path(url).exists()
            urls[name] = check_url(str(Path(url).absolute()) if is_here else url)
        return self.model_copy(update={"instrument": tuple(
            i.model_copy(update={"url": urls.get(i.name, i.url)}) for i in self.instrument)})
