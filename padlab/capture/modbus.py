"""Registers of a Modbus RTU device, on a serial line or behind a converter that passes its bytes on.

The frames, their CRC and the device's refusals are the work of minimalmodbus (``pip install
'padlab[modbus]'``); the port stays padlab's own, so that it is opened alone and found again.

>>> decode([0x3F80, 0x0000], "float32", "high-first"), decode([0xFFFE], "int16", "high-first")
(1.0, -2)
>>> decode([0xE240, 0x0001], "int32", "low-first")
123456

Source: MODBUS Application Protocol Specification V1.1b3 (modbus.org), 4.2 (data encoding, high byte first),
6.3 and 6.4 (read holding and input registers); the order of two registers is each maker's own.
"""

from __future__ import annotations

import struct
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from padlab.capture.instrument_file import ModbusFile, RegisterChannel, RegisterIdentity
from padlab.capture.polled import LOOK_S, AskedPort, Asker, BadAnswer
from padlab.capture.port import read_some
from padlab.errors import RigError, RigSilent
from padlab.units import parse_quantity

READ = {"holding": 3, "input": 4}
"""Function codes."""
MOST_REGISTERS = 125
"""In one request, by the standard."""
_FORMAT = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}


def decode(registers: Sequence[int], kind: str, word_order: str) -> int | float:
    """The number in one or two registers.

    Raises
    ------
    BadAnswer
        A float that is no finite number.
    """
    words = registers if word_order == "high-first" else tuple(reversed(registers))
    [value] = struct.unpack(_FORMAT[kind], b"".join(word.to_bytes(2, "big") for word in words))
    if kind == "float32":
        if value - value != 0:
            raise BadAnswer("over its range, or no number: a float that is not finite")
        return float(value)
    return int(value)


def blocks(channels: Sequence[RegisterChannel]) -> list[tuple[str, int, int]]:
    """What to ask for: table, first register, how many; registers that touch go into one request."""
    found: list[tuple[str, int, int]] = []
    for table in READ:
        for c in sorted((c for c in channels if c.registers == table), key=lambda c: c.register_):
            end = c.register_ + c.width
            if found and found[-1][0] == table and c.register_ <= found[-1][1] + found[-1][2]:
                first, count = found[-1][1:]
                if max(first + count, end) - first <= MOST_REGISTERS:
                    found[-1] = (table, first, max(first + count, end) - first)
                    continue
            found.append((table, c.register_, c.width))
    return found


class ModbusAsker:
    """Reads all channels of a device."""

    def __init__(self, instrument: ModbusFile) -> None:
        self.channels = instrument.channel
        self.address = instrument.address
        self.identity = instrument.identity
        self.wait_s = parse_quantity(instrument.wait, "time")
        self.blocks = blocks(instrument.channel)
        self._device: Any = None

    def row(self, serial: Any) -> str:
        """Read every block once."""
        held: dict[tuple[str, int], int] = {}
        for table, first, count in self.blocks:
            for k, word in enumerate(self.read(serial, table, first, count)):
                held[table, first + k] = word
        return ",".join(
            repr(decode([held[c.registers, c.register_ + k] for k in range(c.width)], c.kind, c.word_order))
            for c in self.channels)

    def get_in_step(self, serial: Any) -> None:
        """Wait until it is quiet; then, where a register proves who it is, read that."""
        began = quiet = time.monotonic()
        serial.timeout = LOOK_S
        while time.monotonic() - quiet < self.wait_s:
            if read_some(serial):
                quiet = time.monotonic()
            if time.monotonic() - began > 10 * self.wait_s:
                raise BadAnswer("it does not stop talking")
        if self.identity is not None and not self.is_it(serial, self.identity):
            raise BadAnswer("it is another device")

    def is_it(self, serial: Any, identity: RegisterIdentity) -> bool:
        """Whether the device is the one the rig file describes."""
        return self.read(serial, identity.registers, identity.register_, 1) == [identity.equals]

    def read(self, serial: Any, table: str, first: int, count: int) -> list[int]:
        """Read registers.

        Raises
        ------
        BadAnswer
            No answer, a damaged one, one that was not asked for, or the device refuses.
        """
        library = _library()
        if serial.in_waiting:
            raise BadAnswer("something came that was not asked for")
        if self._device is None or self._device.serial is not serial:
            self._device = library.Instrument(serial, self.address)
            self._device.clear_buffers_before_each_transaction = False
        serial.timeout = self.wait_s
        try:
            words: list[int] = self._device.read_registers(first, count, functioncode=READ[table])
        except library.SlaveReportedException as fault:
            raise BadAnswer(f"the device refuses: {' '.join(str(fault).split())[:80]}") from fault
        except library.NoResponseError as fault:
            raise BadAnswer(f"no answer came within {self.wait_s:g} s") from fault
        except library.ModbusException as fault:
            what = "its checksum does not fit" if "hecksum" in str(fault) else "it does not fit the question"
            raise BadAnswer(f"a damaged answer: {what}") from fault
        return words


@dataclass
class ModbusPort(AskedPort):
    """The port of a Modbus device; it is known by a register."""

    asker: Asker = field(init=False)

    def __post_init__(self) -> None:
        super().__post_init__()
        assert isinstance(self.instrument, ModbusFile)
        _library()
        self.asker = self._modbus = ModbusAsker(self.instrument)

    def _identify(self) -> bytes:
        identity = self.instrument.identity
        if not isinstance(identity, RegisterIdentity):
            return b""
        until, last = self.clock() + parse_quantity(identity.wait, "time"), ""
        where = f"{identity.registers} register {identity.register_}"
        while self.clock() < until:
            try:
                if self._modbus.is_it(self._serial, identity):
                    return b""
                last = "another number"
                break
            except BadAnswer as fault:
                last = str(fault)
                self._serial.timeout = LOOK_S
                while read_some(self._serial):
                    pass
        wanted = f"{identity.equals} in {where} within {identity.wait}"
        if last.startswith("no answer"):
            raise RigSilent(
                f"nothing comes from {self.url}", expected=wanted, seen="silence",
                remedy="see that the device has power; check its address, baud rate, parity and wires")
        raise RigError(
            f"the device on {self.url} is not the one the rig file describes", expected=wanted, seen=last,
            remedy="check the port, the address and the rig file")


def _library() -> Any:
    try:
        import minimalmodbus  # type: ignore[import-untyped]  # its release carries no types
    except ImportError as fault:
        raise RigError("this rig has a Modbus device, and padlab's part for it is not installed",
                       expected="the package minimalmodbus", seen="none",
                       remedy="pip install 'padlab[modbus]'") from fault
    return minimalmodbus
