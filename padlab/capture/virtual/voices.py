r"""How each kind of instrument speaks: lines by itself, or an answer for each question.

    values --Voice--> lines                        an instrument that streams
    question + latest values --Talk--> answer      one that is asked: a text line, a query, registers

>>> from padlab.capture.rig import read_rig
>>> talk = Voice(read_rig("bench").instrument[0]).talk()
>>> talk.hear(b"who?\n?\n", np.zeros(2))
b'# bench-a\n'
"""

from __future__ import annotations

import re
import struct
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from padlab.capture.checksum import add_sum
from padlab.capture.instrument_file import InstrumentFile, LinesFile, ModbusFile, RegisterChannel, ScpiFile
from padlab.capture.virtual.readings import step_of
from padlab.capture.virtual.written import LineForm, shortest
from padlab.errors import InputError

Array = NDArray[np.float64]

ASKED_RATE_HZ = 250.0
"""What only answers measures so often by itself, and answers with its last reading."""
USUAL_RATE_HZ = 50.0
LONGEST_QUESTION = 512
INVENTED = " virtual, invented data"
NO_FUNCTION, NO_REGISTER = 1, 2
"""Refusals of a Modbus device (MODBUS Application Protocol Specification V1.1b3, section 7)."""


class Talk(Protocol):
    """One conversation with the program that opened the port."""

    def hear(self, data: bytes, row: Array) -> bytes:
        """What the instrument answers to the next bytes; ``row`` holds its latest readings."""


class Voice:
    """One instrument: how often it measures, and how it says what it measured.

    Raises
    ------
    InputError
        An instrument of which a rig file says too little to play it.
    """

    def __init__(self, instrument: InstrumentFile) -> None:
        self.instrument = instrument
        self.name = instrument.name
        self.record = instrument.to_record()
        self.streams = not instrument.is_asked
        self.rate_hz = float(instrument.lines_per_s or USUAL_RATE_HZ) if self.streams else ASKED_RATE_HZ
        self.who = "" if instrument.identity is None or isinstance(instrument, ModbusFile) \
            else shortest(instrument.identity.answer)
        self.form = _form_of(instrument) if isinstance(instrument, LinesFile) else None

    @property
    def clock(self) -> str | None:
        """The column of its own clock, if it sends one."""
        own = self.instrument.clock if isinstance(self.instrument, LinesFile) else None
        return own.column if own else None

    @property
    def line_end(self) -> bytes:
        """The end mark of a line."""
        return self.instrument.line_end.encode("ascii")

    @property
    def greeting(self) -> bytes:
        """What it says by itself when it is opened."""
        if not self.who or not self.streams or isinstance(self.instrument, ModbusFile):
            return b""
        identity, whole = self.instrument.identity, self.who + INVENTED
        fits = identity is not None and re.fullmatch(identity.answer, whole, re.ASCII)
        return (whole if fits else self.who).encode("ascii") + self.line_end

    def steps(self) -> dict[str, float]:
        """Of each column the step of its numbers."""
        return {c.name: step_of(c) for c in self.record.channels}

    def lines(self, columns: dict[str, Array]) -> list[bytes]:
        """Whole lines, one for each row."""
        assert self.form is not None
        assert isinstance(self.instrument, LinesFile)
        texts = [text.encode("ascii") for text in self.form.write(columns)]
        if self.instrument.checksum is not None:
            texts = [add_sum(text, self.instrument.checksum) for text in texts]
        end = self.line_end
        return [text + end for text in texts]

    def talk(self) -> Talk:
        """Begin a conversation."""
        return _Registers(self.instrument) if isinstance(self.instrument, ModbusFile) else _Lines(self)

    def answer(self, question: bytes, row: Array) -> bytes:
        """The answer to one question, without its end mark; empty where it knows none."""
        instrument = self.instrument
        assert not isinstance(instrument, ModbusFile)
        asked = question.strip()
        if instrument.identity is not None and instrument.identity.ask is not None \
                and asked == instrument.identity.ask.encode("ascii").strip():
            return self.who.encode("ascii")
        readings = dict(zip((c.column for c in instrument.channel), row.tolist(), strict=True))
        if isinstance(instrument, ScpiFile):
            fields = {c.field: readings[c.column] for c in instrument.channel
                      if asked == c.ask.encode("ascii").strip()}
            if fields:
                return b",".join(b"%+.6E" % fields.get(k, 0.0) for k in range(1, max(fields) + 1))
            return b"BENCH,INVENTED,0,1" if asked == b"*IDN?" else b""
        if instrument.ask is not None and asked == instrument.ask.encode("ascii").strip():
            [line] = self.lines({name: np.array([value]) for name, value in readings.items()})
            return line.removesuffix(self.line_end)
        return b""


class _Lines:
    """Questions are lines."""

    def __init__(self, voice: Voice) -> None:
        self.voice = voice
        self._asked = b""

    def hear(self, data: bytes, row: Array) -> bytes:
        *questions, rest = (self._asked + data).replace(b"\r", b"\n").split(b"\n")
        self._asked = rest[-LONGEST_QUESTION:]
        answers = [self.voice.answer(q, row) for q in questions if q]
        return b"".join(a + self.voice.line_end for a in answers if a)


class _Registers:
    """Questions are Modbus RTU frames; of one that is damaged, or for another device, nothing is answered.

    Source: MODBUS over Serial Line Specification V1.02 (modbus.org), 2.5.1 and 6.2.2 (frame and CRC).
    """

    FRAME = 8
    """Address, function, first register, how many, CRC: all questions that it answers are so long."""

    def __init__(self, instrument: ModbusFile) -> None:
        self.instrument = instrument
        self._asked = b""

    def hear(self, data: bytes, row: Array) -> bytes:
        self._asked = (self._asked + data)[-LONGEST_QUESTION:]
        answers = b""
        while len(self._asked) >= self.FRAME:
            frame = self._asked[:self.FRAME]
            if crc(frame[:-2]) != frame[-2:]:
                self._asked = self._asked[1:]
                continue
            self._asked = self._asked[self.FRAME:]
            if frame[0] == self.instrument.address:
                body = frame[:1] + self.answer(frame[1:-2], row)
                answers += body + crc(body)
        return answers

    def answer(self, question: bytes, row: Array) -> bytes:
        """Function code and what follows, without address and CRC."""
        function, first, count = struct.unpack(">BHH", question)
        if function not in (3, 4):
            return bytes([function | 0x80, NO_FUNCTION])
        held = self.held("holding" if function == 3 else "input", row)
        wanted = range(first, first + count)
        if not 1 <= count <= 125 or not all(k in held for k in wanted):
            return bytes([function | 0x80, NO_REGISTER])
        return struct.pack(f">BB{count}H", function, 2 * count, *(held[k] for k in wanted))

    def held(self, table: str, row: Array) -> dict[int, int]:
        """The registers of one table, with what stands in them."""
        instrument = self.instrument
        held: dict[int, int] = {}
        for channel, value in zip(instrument.channel, row.tolist(), strict=True):
            if channel.registers == table:
                held |= {channel.register_ + k: w for k, w in enumerate(words(channel, value))}
        if instrument.identity is not None and instrument.identity.registers == table:
            held[instrument.identity.register_] = instrument.identity.equals
        return held


def words(channel: RegisterChannel, value: float) -> list[int]:
    """A number as the 16-bit words of its registers; one beyond the range sticks at its end."""
    if channel.kind == "float32":
        data = struct.pack(">f", value)
    else:
        bits = 8 * 2 * channel.width
        low = 0 if channel.kind.startswith("u") else -(2**(bits - 1))
        data = min(max(round(value), low), low + 2**bits - 1).to_bytes(bits // 8, "big", signed=low < 0)
    found = [int.from_bytes(data[i:i + 2], "big") for i in range(0, len(data), 2)]
    return found if channel.word_order == "high-first" else found[::-1]


def crc(frame: bytes) -> bytes:
    """The CRC of a Modbus RTU frame, low byte first.

    >>> crc(bytes.fromhex("0207")).hex()        # 0x1241: the worked example of 6.2.2 (from memory)
    '4112'
    """
    value = 0xFFFF
    for byte in frame:
        value ^= byte
        for _ in range(8):
            value = (value >> 1) ^ (0xA001 if value & 1 else 0)
    return value.to_bytes(2, "little")


def _form_of(instrument: LinesFile) -> LineForm:
    """How its lines are written."""
    columns = instrument.line_pattern.columns
    steps = {c.name: step_of(c) for c in instrument.to_record().channels}
    steps |= {x.column: 1.0 for x in (instrument.counter, instrument.clock) if x is not None}
    unknown = [c for c in columns if c not in steps]
    if unknown:
        raise InputError("the virtual rig cannot play this rig",
                         seen="nothing says what stands in column " + ", ".join(unknown),
                         expected="every group of a pattern named as counter, clock or channel",
                         remedy="--rig bench")
    return LineForm.of(instrument.pattern, steps)

