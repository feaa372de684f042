"""Serve a motor press on two real ports: its instrument on one, its motor's controller on the other.

The press lives by its own clock, ``speed`` times as fast as the host's, whether or not anybody has opened a
port; what is sent to a port that nobody holds is lost, as on a cable.
"""

from __future__ import annotations

import math
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from padlab.capture.virtual.faults import Fault
from padlab.capture.virtual.motor_press import STEP_S, MotorPress, literal
from padlab.capture.virtual.ports import ServedPort

TURN_S = 0.005
LONGEST_TURN_S = 0.02
"""Where this program itself is held up for longer, the press's time stands still meanwhile [s]."""
_LONGEST_LINE = 256


@dataclass
class MotorBench:
    """A motor press being served.

    Parameters
    ----------
    press : MotorPress
        The press.
    cell, motor : ServedPort
        Where its instrument sends, and where its motor listens.
    speed : float
        Seconds of the press in one second of the host's.
    clock : callable
        The host's monotonic clock [s].
    """

    press: MotorPress
    cell: ServedPort
    motor: ServedPort
    speed: float = 1.0
    clock: Callable[[], float] = time.monotonic
    say: Callable[[str], None] = field(default=lambda words: None)
    flood: bytes = b""                       # the controller says this in every turn
    pull: str = ""                           # "cell" or "motor": unplug this port, for good
    faults: tuple[Fault, ...] = ()           # what goes wrong, from the opening of the cell's port on
    _stopping: threading.Event = field(default_factory=threading.Event, init=False, repr=False)
    _open: dict[str, bool] = field(default_factory=dict, init=False, repr=False)

    def __post_init__(self) -> None:
        self._pulled = ""
        self._opened_s: float | None = None      # the press's time when the cell's port was first opened
        self._due = sorted(self.faults, key=lambda f: f.at_s)
        identity = self.press.instrument.identity
        self._question = b"" if identity is None or identity.ask is None else identity.ask.encode("ascii")
        self._answer = b"" if identity is None else literal(identity.answer) + b"\n"

    def stop(self) -> None:
        """End soon; may be called from a signal handler or another thread."""
        self._stopping.set()

    def run(self) -> None:
        """Serve until stopped."""
        then, press = self.clock(), self.press
        asked, told, left_s = b"", b"", 0.0
        try:
            while not self._stopping.wait(TURN_S):
                self._let_go_wrong()
                if self.pull and self.pull != self._pulled:
                    self._pulled, self._open[self.pull] = self.pull, False
                    {"cell": self.cell, "motor": self.motor}[self.pull].unplug()
                questions, asked = self._lines("cell", self.cell, asked)
                if any(q == self._question for q in questions):
                    self._write("cell", self.cell, self._answer)
                lines, told = self._lines("motor", self.motor, told)
                answers = [a for line in lines for a in press.hear(line)]
                now = self.clock()
                left_s += min(now - then, LONGEST_TURN_S) * self.speed
                then = now
                steps = int(left_s / STEP_S)
                left_s -= steps * STEP_S
                readings, said = press.advance(steps * STEP_S)
                self._write("cell", self.cell, b"".join(readings))
                answers += said
                if self.flood:
                    self._write("motor", self.motor, self.flood)
                self._write("motor", self.motor, b"".join(a + b"\n" for a in answers))
        finally:
            self.cell.close()
            self.motor.close()

    def _let_go_wrong(self) -> None:
        """Do what is due by now."""
        while self._opened_s is not None and self._due \
                and self.press.time_s - self._opened_s >= self._due[0].at_s:
            fault, what = self._due.pop(0), self.press.faults
            self.say(f"now: {fault.kind}")
            if fault.kind == "jam":
                what.jams_at_n = 0.0
            elif fault.kind == "saturation":
                what.cell_sticks_at_n = -math.inf
            elif fault.kind == "freeze":
                what.clock_stuck = True
            else:
                self.pull = "motor" if fault.instrument == self.press.motor.name else "cell"

    def _lines(self, name: str, port: ServedPort, before: bytes) -> tuple[list[bytes], bytes]:
        """Whole lines that came; nothing from a port that nobody holds."""
        if name == self._pulled:
            return [], b""
        if not self._open.get(name):
            self._open[name] = port.opened(0.0)
            if self._open[name]:
                self.say(f"a program opened the {name}'s port")
                if name == "cell" and self._opened_s is None:
                    self._opened_s = self.press.time_s
            return [], b""
        heard = port.read(0.0)
        if heard is None:
            self._open[name] = False
            self.say(f"the program left the {name}'s port")
            return [], b""
        *lines, rest = (before + heard).replace(b"\r", b"\n").split(b"\n")
        return [line for line in lines if line], rest[-_LONGEST_LINE:]

    def _write(self, name: str, port: ServedPort, data: bytes) -> None:
        if data and self._open.get(name):
            port.write(data, 0.0)
