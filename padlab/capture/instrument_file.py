"""One instrument of a rig file: its wiring, what it is asked or sends by itself, and its channels.

    lines        text lines, sent by themselves; or one line for each ``ask``
    scpi         one IEEE 488.2 query a channel (``READ?``); an answer is one decimal number
    modbus-rtu   registers of a Modbus device, read in as few requests as they lie together

What is asked is asked ``lines_per_s`` times a second and stored with ``stamp_us``: the middle
between asking and answering on the host's clock. That stamp is the time axis of such an
instrument, so that an answer that fails leaves a hole and moves nothing.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, ValidationInfo, field_validator, model_validator

from padlab.capture.checksum import Checksum
from padlab.capture.pattern import NUMBER_BYTES, LinePattern, read_pattern
from padlab.capture.rig_parts import (
    LARGEST_COUNT,
    PADLABS_OWN,
    ChannelFile,
    ClockFile,
    CounterFile,
    IdentityFile,
    InstrumentName,
    Lines,
    Rate,
    Sent,
    Table,
    Url,
    WaitText,
    is_pattern,
    mistake,
)
from padlab.records.rig_record import Instrument
from padlab.units import parse_quantity

STAMP = "stamp_us"
"""Column of what is asked: microseconds since the port was first opened."""
STAMP_S = 1e-6
_NUMBER = "[" + "".join(sorted(map(chr, NUMBER_BYTES - {45}))) + "-]+"
_Asked = Annotated[float, Field(ge=0.01, le=500)]
FEWEST_LINES_A_ROUND = 4
"""A clock that comes round within fewer lines cannot be unwrapped; two would do without lost lines."""


class Wiring(Table):
    """A port and its line settings."""

    name: InstrumentName
    url: Url = Field(description="device path, COMn, socket://HOST:PORT, rfc2217://HOST:PORT or loop://")
    baud: int = Field(115200, ge=50, le=12_000_000)
    data_bits: Literal[5, 6, 7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1
    flow: Literal["none", "rts-cts", "xon-xoff"] = "none"
    dtr: bool = Field(True, description="state of the line when the port opens; false keeps some boards "
                                        "from starting anew")
    rts: bool = True
    line_end: Literal["\n", "\r"] = Field("\n", description="\\n also takes \\r\\n")


class LinesFile(Wiring):
    """An instrument that sends text lines, by itself or one for each ``ask``."""

    protocol: Literal["lines"]
    identity: IdentityFile | None = None
    setup: Lines = Field((), description="lines sent, in this order, whenever the port was opened")
    ask: Sent | None = Field(
        None, description="sent for each line; left out where the instrument sends by itself")
    wait: WaitText = Field("200ms", description="with ask: how long an answer may take")
    pattern: Annotated[str, is_pattern(needs_groups=True)] = Field(
        description="regular expression with named groups for one whole line, without its checksum")
    checksum: Checksum | None = Field(
        None, description="each line ends with * and this sum, in hexadecimal, of all bytes before the *; "
                          "a line whose sum does not fit is bad")
    lines_per_s: Rate | None = Field(
        None, description="what the instrument is meant to send; with ask: how often it is asked")
    counter: CounterFile | None = None
    clock: ClockFile | None = None
    strokes: CounterFile | None = Field(
        None, description="an endurance machine's own count of its strokes: it goes up before each one, in "
                          "the air, and must survive a power cut")
    channel: tuple[ChannelFile, ...] = Field(min_length=1, max_length=16, strict=False)

    @field_validator("channel")
    @classmethod
    def _columns_fit(cls, channels: tuple[ChannelFile, ...], info: ValidationInfo) -> tuple[ChannelFile, ...]:
        named = [(key, info.data[key].column) for key in ("counter", "clock", "strokes")
                 if info.data.get(key)]
        named += [("channel", c.column) for c in channels]
        used = [c for _, c in named]
        faults = [f"column {c}: named twice among counter, clock, strokes and channels"
                  for c in sorted(set(used)) if used.count(c) > 1]
        if "pattern" in info.data:
            columns = read_pattern(info.data["pattern"]).columns
            faults += [f"{key}: the pattern has no group {c!r}; it has {', '.join(columns)}"
                       for key, c in named if c not in columns]
        if faults:
            raise mistake("columns", "; ".join(faults))
        return channels

    @model_validator(mode="after")
    def _clock_tells(self) -> Self:
        if self.clock is not None and self.lines_per_s is not None:
            round_s = self.clock.modulus * parse_quantity(self.clock.tick, "time")
            if round_s < FEWEST_LINES_A_ROUND / self.lines_per_s:
                raise mistake("clock", f"clock.modulus: a clock that comes round every {round_s:g} s cannot "
                                       f"tell the time of {self.lines_per_s:g} lines a second")
        return self

    @model_validator(mode="after")
    def _asked_regularly(self) -> Self:
        if self.ask is None:
            return self
        faults = []
        if self.lines_per_s is None or self.lines_per_s > 500:
            faults.append("lines_per_s: with ask it says how often is asked; up to 500")
        if self.counter is not None:
            faults.append("counter: padlab asks and counts the answers itself; take it out")
        if faults:
            raise mistake("asked", "; ".join(faults))
        return self

    @property
    def line_pattern(self) -> LinePattern:
        """The accepted pattern."""
        return read_pattern(self.pattern)

    @property
    def is_asked(self) -> bool:
        """Whether it speaks only when it is asked."""
        return self.ask is not None

    @property
    def stored_pattern(self) -> str:
        """The pattern of what is stored: the lines as sent, or the stamp and the columns of an answer."""
        return stamped(self.line_pattern.columns) if self.is_asked else self.pattern

    def to_record(self) -> Instrument:
        """The instrument as a run remembers it."""
        counter, clock = self.counter, self.clock
        stamp = STAMP if self.is_asked else None
        modulus = LARGEST_COUNT if self.is_asked else None
        return Instrument(
            name=self.name, protocol=self.protocol, columns=read_pattern(self.stored_pattern).columns,
            channels=tuple(c.to_record() for c in self.channel),
            counter=counter.column if counter else None,
            counter_modulus=counter.modulus if counter else None,
            clock=clock.column if clock else stamp,
            clock_s_per_tick=parse_quantity(clock.tick, "time") if clock else STAMP_S if stamp else None,
            clock_modulus=clock.modulus if clock else modulus,
            strokes=self.strokes.column if self.strokes else None,
            strokes_modulus=self.strokes.modulus if self.strokes else None,
        )


class _Asked_(Wiring):  # noqa: N801  never named in a rig file
    """What the two protocols have in common that only answer."""

    wait: WaitText = Field("200ms", description="how long an answer may take")
    lines_per_s: _Asked = Field(description="how often all channels are asked")
    channel: tuple[ChannelFile, ...]

    @field_validator("channel")
    @classmethod
    def _columns_differ(cls, channels: tuple[ChannelFile, ...]) -> tuple[ChannelFile, ...]:
        used = [c.column for c in channels]
        faults = [f"column {c}: named twice" for c in sorted(set(used)) if used.count(c) > 1]
        faults += [f"column {c}: this name is padlab's own; choose another" for c in used if c in PADLABS_OWN]
        if faults:
            raise mistake("columns", "; ".join(faults))
        return channels

    @property
    def is_asked(self) -> bool:
        """Yes: it speaks only when it is asked."""
        return True

    @property
    def stored_pattern(self) -> str:
        """The pattern of what is stored: the stamp and the answers in the order of the channels."""
        return stamped([c.column for c in self.channel])

    def _record(self, protocol: str) -> Instrument:
        return Instrument(
            name=self.name, protocol=protocol, columns=(STAMP, *(c.column for c in self.channel)),
            channels=tuple(c.to_record() for c in self.channel),
            clock=STAMP, clock_s_per_tick=STAMP_S, clock_modulus=LARGEST_COUNT,
        )


class QueryChannel(ChannelFile):
    """A channel that answers a query with a decimal number (NR1, NR2 or NR3 of IEEE 488.2)."""

    ask: Sent = Field(description="the query, such as READ?; channels with the same one share its answer")
    field: int = Field(1, ge=1, le=16, description="which of several numbers with commas between, from 1")


class ScpiFile(_Asked_):
    """An instrument that answers IEEE 488.2 queries."""

    protocol: Literal["scpi"]
    identity: IdentityFile | None = Field(None, description="asked by *IDN? unless it says otherwise")
    setup: Lines = Field((), description="commands sent, in this order, whenever the port was opened")
    channel: tuple[QueryChannel, ...] = Field(min_length=1, max_length=16, strict=False)

    @field_validator("identity")
    @classmethod
    def _by_name(cls, identity: IdentityFile | None) -> IdentityFile | None:
        return identity if identity is None or identity.ask else identity.model_copy(update={"ask": "*IDN?"})

    def to_record(self) -> Instrument:
        """The instrument as a run remembers it."""
        return self._record(self.protocol)


Registers = Literal["holding", "input"]


class RegisterChannel(ChannelFile):
    """A channel that is read from one or two registers."""

    register_: int = Field(alias="register", ge=0, le=65535,
                           description="from 0, as it is sent: 40001 of the older counting is holding, 0")
    registers: Registers = Field("holding", description="which table; input registers can only be read")
    kind: Literal["int16", "uint16", "int32", "uint32", "float32"]
    word_order: Literal["high-first", "low-first"] = Field(
        "high-first", description="of two registers; the bytes of one are high-first by the standard")

    @property
    def width(self) -> int:
        """How many registers it takes."""
        return 2 if self.kind.endswith("32") else 1

    @model_validator(mode="after")
    def _inside(self) -> Self:
        if self.register_ + self.width > 65536:
            raise mistake("register", "the second register would lie beyond 65535")
        return self


class RegisterIdentity(Table):
    """A register that holds the same number in every such device: its model or serial number."""

    register_: int = Field(alias="register", ge=0, le=65535)
    registers: Registers = "holding"
    equals: int = Field(ge=0, le=65535)
    wait: WaitText = Field("3s", description="how long to try")


class ModbusFile(_Asked_):
    """A Modbus device on a serial line (RTU), or behind a converter that passes its bytes on."""

    protocol: Literal["modbus-rtu"]
    address: int = Field(ge=1, le=247, description="of the device on its line")
    identity: RegisterIdentity | None = None
    channel: tuple[RegisterChannel, ...] = Field(min_length=1, max_length=16, strict=False)

    @model_validator(mode="after")
    def _whole_bytes(self) -> Self:
        if self.data_bits != 8:
            raise mistake("modbus", "data_bits: RTU sends whole bytes; 8")
        return self

    def to_record(self) -> Instrument:
        """The instrument as a run remembers it."""
        return self._record(self.protocol)


InstrumentFile = LinesFile | ScpiFile | ModbusFile


def stamped(columns: tuple[str, ...] | list[str]) -> str:
    """The pattern of a stored answer.

    >>> stamped(["force"])
    '(?P<stamp_us>[0-9]+),(?P<force>[+.0123456789Ee-]+)'
    """
    return f"(?P<{STAMP}>[0-9]+)," + ",".join(f"(?P<{c}>{_NUMBER})" for c in columns)
