"""A machine made of physics that presses by itself, counts its strokes and goes on whoever listens.

    cam: air --half a turn--> as deep as F asks of the fresh pad --half a turn--> air, and the count goes up

It stands still at first, so that the force can be zeroed, and for a while where it is told to. What it truly
did is in ``strokes`` and ``peaks_n``: the truth that a recording is held to.

>>> press = CamPress(read_rig("endurance-press"), Spring(), strokes_hz=5.0, stands_s=1.0)
>>> lines = press.advance(2.0)
>>> len(lines), press.strokes, [round(p, 2) for p in press.peaks_n]
(200, 5, [8.0, 8.0, 8.0, 8.0, 8.0])
>>> lines[150].split(b",")[2]
b'3'
"""

from __future__ import annotations

import math
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np

from padlab.capture.rig import LinesFile, RigFile, read_rig
from padlab.capture.virtual.motor_press import literal
from padlab.capture.virtual.physics import Spring, Squeezed
from padlab.capture.virtual.ports import ServedPort
from padlab.capture.virtual.readings import RigErrors

__all__ = ["CamBench", "CamPress", "Spring", "read_rig"]

LIFT_MM = 0.3
"""The anvil is lifted so far off the fresh pad between two strokes [mm]."""
STEPS_A_LINE = 2
TURN_S = 0.005
LONGEST_TURN_S = 0.05
"""Where this program itself is held up for longer, the machine's time stands still meanwhile [s]."""
KEPT_PEAKS = 100_000


class CamPress:
    """The machine and its instrument.

    Parameters
    ----------
    rig : RigFile
        One streaming instrument with a clock and a count of strokes.
    piece : Squeezed
        What lies between the anvils.
    to_n : float
        Force of the first stroke; the way stays the same when the pad wears [N].
    strokes_hz : float
        Strokes in a second.
    stands_s : float
        How long it stands still at first [s].
    rests : mapping, optional
        After how many strokes in all it stands still, and for how long [s].
    asked_n : callable, optional
        Force asked of stroke number k, in place of ``to_n``: for tests that must tell strokes apart.
    """

    def __init__(self, rig: RigFile, piece: Squeezed, *, to_n: float = 8.0, strokes_hz: float = 2.0,
                 stands_s: float = 3.0, rests: Mapping[int, float] | None = None,
                 errors: RigErrors | None = None, rng: np.random.Generator | None = None,
                 asked_n: Callable[[int], float] | None = None) -> None:
        main = rig.instrument[0]
        assert isinstance(main, LinesFile)
        assert main.clock is not None
        assert main.strokes is not None
        self.instrument, self.record, self.piece = main, main.to_record(), piece
        self.errors, self.rng = errors or RigErrors(), rng or np.random.default_rng(0)
        self.strokes_hz, self.rests = strokes_hz, dict(rests or {})
        self.asked_n = asked_n or (lambda k: to_n)
        self.strokes = 0                              # begun
        self.peaks_n: deque[float] = deque(maxlen=KEPT_PEAKS)       # of the last strokes, begun ones too
        self.time_s = 0.0
        self.stops_after: int | None = None           # so many strokes, and it stands for good
        self._next_s = stands_s                       # when the next stroke begins
        self._began_s: float | None = None
        self._deep_mm = 0.0
        self._step_s = 1.0 / ((main.lines_per_s or 100.0) * STEPS_A_LINE)
        self._steps = self._lines = 0
        piece.travel_mm = -LIFT_MM

    def advance(self, seconds: float) -> list[bytes]:
        """Let time pass; gives the lines of the instrument."""
        lines = []
        for _ in range(round(seconds / self._step_s)):
            self._steps += 1
            self.time_s = self._steps * self._step_s
            self._turn()
            if self._steps % STEPS_A_LINE == 0:
                lines.append(self._read())
        return lines

    @property
    def is_over(self) -> bool:
        """Whether it stands for good."""
        return self.stops_after is not None and self.strokes >= self.stops_after and self._began_s is None

    def _turn(self) -> None:
        if self._began_s is None and self.time_s >= self._next_s and not self.is_over:
            self._began_s = self.time_s
            self.strokes += 1
            self._deep_mm = self.piece.travel_to_mm(self.asked_n(self.strokes))
            self.peaks_n.append(0.0)
        turned = 0.0
        if self._began_s is not None:
            turned = (self.time_s - self._began_s) * self.strokes_hz
            if turned >= 1.0:
                turned, self._began_s = 0.0, None
                self._next_s = self.time_s + self.rests.get(self.strokes, 0.0)
        up = 0.5 * (1.0 - math.cos(2.0 * math.pi * turned))
        force = self.piece.move_to(-LIFT_MM + (self._deep_mm + LIFT_MM) * up, self._step_s)
        if self._began_s is not None:
            self.peaks_n[-1] = max(self.peaks_n[-1], force)

    def _read(self) -> bytes:
        piece, errors, main = self.piece, self.errors, self.instrument
        noise = self.rng.standard_normal(2).tolist()
        force = piece.force_n
        felt = force * (1 + errors.force_scale) + errors.force_offset_n + errors.force_noise_n * noise[0]
        place = piece.travel_mm + errors.frame_mm_per_n * force + errors.displacement_noise_mm * noise[1]
        values = {"force": felt, "displacement": place * (1 + errors.displacement_scale)}
        texts = {c.name: str(round((values[c.quantity] / c.sign - c.offset) / c.scale))
                 for c in self.record.channels}
        assert main.clock is not None
        assert main.strokes is not None
        if main.counter is not None:
            texts[main.counter.column] = str(self._lines % main.counter.modulus)
        texts[main.clock.column] = str(round(self.time_s / (self.record.clock_s_per_tick or 1e-6))
                                       % main.clock.modulus)
        texts[main.strokes.column] = str(self.strokes % main.strokes.modulus)
        self._lines += 1
        return (",".join(texts[c] for c in self.record.columns) + main.line_end).encode("ascii")


@dataclass
class CamBench:
    """The machine behind a port. It starts when the port is first opened, and then goes on by itself.

    Parameters
    ----------
    press : CamPress
        The machine.
    port : ServedPort
        Where its instrument sends.
    speed : float
        Seconds of the machine in one second of the host's.
    once : bool
        End when the machine stands for good and the program has left.
    """

    press: CamPress
    port: ServedPort
    speed: float = 1.0
    once: bool = False
    clock: Callable[[], float] = time.monotonic
    say: Callable[[str], None] = field(default=lambda words: None)
    unplugs_for_s: float = 0.0                # set it: the cable is pulled for so long, the machine goes on
    _stopping: threading.Event = field(default_factory=threading.Event, init=False, repr=False)

    def stop(self) -> None:
        """End soon; may be called from a signal handler or another thread."""
        self._stopping.set()

    def run(self) -> None:
        """Serve until stopped."""
        identity = self.press.instrument.identity
        answer = b"" if identity is None else literal(identity.answer) + b" virtual, invented data\n"
        is_open = was_opened = False
        then, left_s, back_s = self.clock(), 0.0, 0.0
        try:
            while not self._stopping.wait(TURN_S):
                if self.unplugs_for_s:
                    back_s, self.unplugs_for_s, is_open = self.clock() + self.unplugs_for_s, 0.0, False
                    self.port.unplug()
                elif back_s and self.clock() >= back_s:
                    back_s = 0.0
                    self.port.plug_in()
                if not is_open and not back_s:
                    is_open = self.port.opened(0.0)
                    was_opened = was_opened or is_open
                    if is_open:
                        self.say("a program opened the port")
                heard = self.port.read(0.0) if is_open else b""
                if heard is None:
                    is_open = False
                    self.say(f"the program left; the machine has made {self.press.strokes} strokes")
                    if self.once and self.press.is_over:
                        return
                elif b"?" in heard:
                    self.port.write(answer, 0.1)
                now = self.clock()
                left_s += min(now - then, LONGEST_TURN_S) * self.speed if was_opened else 0.0
                then = now
                step_s = self.press._step_s * STEPS_A_LINE
                lines = self.press.advance(int(left_s / step_s) * step_s)
                left_s %= step_s
                if is_open and lines:
                    self.port.write(b"".join(lines), 0.0)
        finally:
            self.port.close()
