r"""An instrument that speaks only when it is asked: ask regularly, stamp each answer once, stay in step.

    due --ask--> answer in time --> ``stamp,reading,...``   a line for the wire, as if it had been sent
                \-> late, torn, none, not asked for --> ``!why``: a bad line; then get in step again

The stamp is the middle between asking and answering on the host's clock. An answer that comes late
is never taken for the next one: after anything odd the port is emptied, and where the instrument
can prove who it is, it is asked for that, and what comes before the proof is thrown away.

Which one when: :class:`TextAsker` for polled text lines, :mod:`padlab.capture.scpi` for IEEE 488.2
queries, :mod:`padlab.capture.modbus` for registers.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Protocol

from padlab.capture.checksum import Checksum, without_sums
from padlab.capture.events import Events, Piece
from padlab.capture.instrument_file import STAMP_S, InstrumentFile, LinesFile, ModbusFile, ScpiFile
from padlab.capture.motor_file import MotorFile
from padlab.capture.pattern import read_pattern
from padlab.capture.port import Port, read_some
from padlab.capture.wire import LONGEST_LINE
from padlab.units import parse_quantity

log = logging.getLogger(__name__)

LOOK_S = 0.02
"""While an answer is awaited, the port is looked at this often [s]."""


class BadAnswer(Exception):  # noqa: N818  it is counted; it ends nothing
    """What came is no reading; the text says why, in a few plain words."""


class Asker(Protocol):
    """How one kind of instrument is asked."""

    def row(self, serial: Any) -> str:
        """Ask for all channels; the answers joined by commas, as the instrument gave them.

        Raises
        ------
        BadAnswer
            Anything but one whole answer in time.
        """

    def get_in_step(self, serial: Any) -> None:
        """Empty the port and make sure that the next answer belongs to the next question.

        Raises
        ------
        BadAnswer
            It is not so yet; it will be tried again.
        """


@dataclass
class Line:
    r"""One question, one line of answer, over a port that is open.

    Parameters
    ----------
    end : bytes
        What ends a line; ``\n`` also takes ``\r\n``.
    wait_s : float
        How long an answer may take [s].
    """

    end: bytes
    wait_s: float
    clock: Callable[[], float] = time.monotonic

    def ask(self, serial: Any, text: str) -> bytes:
        """Send a line; give the one line that answers it."""
        if serial.in_waiting:
            raise BadAnswer("something came that was not asked for")
        serial.write(text.encode("ascii") + self.end)
        until, heard = self.clock() + self.wait_s, b""
        while self.end not in heard:
            if self.clock() > until:
                torn = "only half an answer came" if heard else "no answer came"
                raise BadAnswer(f"{torn} within {self.wait_s:g} s")
            heard += read_some(serial)
            if len(heard) > LONGEST_LINE:
                raise BadAnswer(f"an answer of more than {LONGEST_LINE} bytes")
        line, _, more = heard.partition(self.end)
        if more:
            raise BadAnswer("more than one line came")
        return line.removesuffix(b"\r") if self.end == b"\n" else line

    def empty(self, serial: Any) -> None:
        """Throw away what comes until nothing has come for as long as an answer may take."""
        began = quiet = self.clock()
        while self.clock() - quiet < self.wait_s:
            if read_some(serial):
                quiet = self.clock()
            if self.clock() - began > 10 * self.wait_s:
                raise BadAnswer("it does not stop talking")

    def ask_until(self, serial: Any, text: str, is_answer: Callable[[bytes], bool]) -> None:
        """Send a line and throw away what comes before its answer."""
        serial.write(text.encode("ascii") + self.end)
        until, heard = self.clock() + 2 * self.wait_s, b""
        while self.clock() < until:
            *lines, heard = (heard + read_some(serial)).split(self.end)
            if any(is_answer(line.removesuffix(b"\r")) for line in lines):
                if heard:
                    raise BadAnswer("it does not stop talking")
                return
            heard = heard[-LONGEST_LINE:]
        raise BadAnswer("it does not say who it is")


class TextAsker:
    """Polled text: one question, one line that the rig file's pattern matches whole."""

    def __init__(self, instrument: LinesFile, clock: Callable[[], float]) -> None:
        self.ask = instrument.ask or ""
        self.pattern = instrument.line_pattern.compiled
        self.checksum: Checksum | None = instrument.checksum
        self.identity = instrument.identity
        self.line = Line(instrument.line_end.encode("ascii"), parse_quantity(instrument.wait, "time"), clock)

    def row(self, serial: Any) -> str:
        """Ask once."""
        line = self.line.ask(serial, self.ask)
        if self.checksum is not None:
            [text], failed = without_sums([line], self.checksum)
            if failed or text is None:
                raise BadAnswer("the checksum does not fit")
            line = text
        match = self.pattern.fullmatch(line)
        if match is None:
            raise BadAnswer("the pattern does not match " + shown(line))
        return b",".join(match.groups()).decode("ascii")

    def get_in_step(self, serial: Any) -> None:
        """Wait until it is quiet; then, where it can say who it is, until it has said so."""
        self.line.empty(serial)
        if self.identity is not None and self.identity.ask is not None:
            answer = read_pattern(self.identity.answer, needs_groups=False).compiled
            self.line.ask_until(serial, self.identity.ask, lambda line: answer.fullmatch(line) is not None)


@dataclass
class AskedPort(Port):
    """The port of an instrument that is asked; what it answers comes out as lines for the wire."""

    asker: Asker = field(kw_only=True)

    def __post_init__(self) -> None:
        super().__post_init__()
        assert not isinstance(self.instrument, MotorFile)
        self._period_s = 1.0 / float(self.instrument.lines_per_s or 1.0)
        self._origin_s = self.clock()

    def _read_on(self) -> None:
        serial, stop, name = self._serial, self._stop, self.instrument.name
        serial.timeout = LOOK_S
        in_step, due = False, self.clock()
        while not stop.is_set():
            stop.wait(max(0.0, due - self.clock()))
            try:
                if not in_step:
                    self.asker.get_in_step(serial)
                    in_step, due = True, self.clock()
                sent = self.clock()
                row = self.asker.row(serial)
                at = (sent + self.clock()) / 2
                line = f"{round((at - self._origin_s) / STAMP_S)},{row}\n"
            except BadAnswer as fault:
                log.info("%s: %s", name, fault)
                in_step, at, line = False, self.clock(), f"!{fault}\n"
            if stop.is_set():
                return
            self.events.put(Piece(name, at, line.encode("ascii", "replace")))
            due += self._period_s
            late = self.clock() - due
            if late > 0:                           # slower than asked for: no burst to catch up
                due += self._period_s * int(late / self._period_s)


def port_for(
    instrument: InstrumentFile, events: Events, clock: Callable[[], float] = time.monotonic,
    give_up_s: float | None = None,
) -> Port:
    """The port that an instrument's protocol asks for; a new protocol gets its branch here."""
    more: dict[str, Any] = {} if give_up_s is None else {"give_up_s": give_up_s}
    if isinstance(instrument, ModbusFile):
        from padlab.capture.modbus import ModbusPort

        return ModbusPort(instrument, events, clock, **more)
    if isinstance(instrument, ScpiFile):
        from padlab.capture.scpi import ScpiAsker

        return AskedPort(instrument, events, clock, asker=ScpiAsker(instrument, clock), **more)
    if instrument.is_asked:
        return AskedPort(instrument, events, clock, asker=TextAsker(instrument, clock), **more)
    return Port(instrument, events, clock, **more)


def shown(line: bytes) -> str:
    """A line as it may stand in a report."""
    return repr(line[:60].decode("ascii", "backslashreplace"))
