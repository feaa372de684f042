r"""A motor press made of physics: its own motion, force, clock and watchdog; it does what it is told.

    told speed --lag--> screw --drive spring, frame--> anvil --> piece: the force it feels

Time passes only when :meth:`MotorPress.advance` is called, and it is the press's own. Nothing here knows
that padlab exists: what keeps it from crushing a pad when nobody speaks is its own watchdog.

>>> press = MotorPress(read_rig("motor-press"), Spring())
>>> press.hear(b"who"), press.hear(b"run 100")
([b'# press-motor virtual, invented data'], [b'fault: not started'])
>>> press.hear(b"on"), press.hear(b"run 100"), press.advance(0.4)[1]
([], [], [])
>>> round(press.speed_mm_per_s, 3), press.advance(0.4)[1], press.speed_mm_per_s
(0.1, [b'stopped: nobody spoke'], 0.0)
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

import numpy as np

from padlab.capture.rig import LinesFile, RigFile, read_rig
from padlab.capture.virtual.physics import Spring, Squeezed
from padlab.capture.virtual.readings import RigErrors
from padlab.records.rig_record import Channel
from padlab.units import parse_quantity

__all__ = ["MotorPress", "PressFaults", "Spring", "read_rig"]

STEP_S = 0.002
LAG_S = 0.02
"""The motor takes this long to come to a new speed [s]."""
DRIVE_MM_PER_N = 0.002
"""A spring between screw and anvil [mm/N]; the gauge sits at the anvil and does not see it."""
RESTS_AT_MM = 0.4
"""Air under the anvil at first [mm]."""


@dataclass
class PressFaults:
    """What is wrong with the press; nothing by default. May be changed while it runs."""

    jams_at_n: float | None = None         # the motor stalls at this force, and says nothing
    reports_at_n: float | None = None      # it reports a fault at this force
    cell_sticks_at_n: float | None = None  # from this force on the cell reads its limit
    backwards: bool = False                # wired the wrong way round
    times_too_fast: float = 1.0            # it understands another unit
    gauge_stuck: bool = False
    clock_stuck: bool = False              # the same line again and again
    watchdog_dead: bool = False
    deaf: bool = False                     # what is sent does not arrive
    echoes: bool = False
    ignores_stop: bool = False             # neither stop nor safe is obeyed


class MotorPress:
    """A press, its motor's controller and its instrument.

    Parameters
    ----------
    rig : RigFile
        One streaming instrument with force and displacement, and a motor with a watchdog.
    piece : Squeezed
        What lies between the anvils.
    errors : RigErrors, optional
        Of the instrument.
    rng : numpy.random.Generator, optional
        For the noise.
    faults : PressFaults, optional
        What is wrong with it.
    rests_at_mm : float
        Air under the anvil at first [mm].
    """

    def __init__(self, rig: RigFile, piece: Squeezed, *, errors: RigErrors | None = None,
                 rng: np.random.Generator | None = None, faults: PressFaults | None = None,
                 rests_at_mm: float = RESTS_AT_MM) -> None:
        assert rig.motor is not None
        assert rig.motor.watchdog is not None
        assert isinstance(rig.instrument[0], LinesFile)
        self.motor, self.watchdog, self.instrument = rig.motor, rig.motor.watchdog, rig.instrument[0]
        self.record = self.instrument.to_record()
        self.piece, self.errors = piece, errors or RigErrors()
        self.faults = faults or PressFaults()
        self.rng = rng or np.random.default_rng(0)
        self.within_s = parse_quantity(self.watchdog.within, "time")
        self.time_s = 0.0
        self.is_on = False
        self.speed_mm_per_s = self._target = 0.0
        self.screw_mm = piece.travel_mm = -rests_at_mm
        self.heard: list[tuple[float, bytes]] = []           # when, what
        self.force_seen: list[tuple[float, float, float]] = []     # what truly was: time, force, speed
        self.state = "as found"
        self._fed_s = 0.0
        self._steps = self._count = 0
        self._fault_said = False
        self._line = b""
        before, after = self.motor.move.split("{speed}")
        self._move = re.compile((re.escape(before) + r"(-?[0-9.]+)" + re.escape(after)).encode("ascii"))
        self._per_sample = max(1, round(1.0 / ((self.instrument.lines_per_s or 50.0) * STEP_S)))

    # -- the motor's controller ----------------------------------------------------------------------

    def hear(self, line: bytes) -> list[bytes]:
        """One line from outside; gives what the controller answers."""
        answers = [line] if self.faults.echoes else []
        if self.faults.deaf:
            return answers
        self.heard.append((self.time_s, line))
        text, motor = line.decode("ascii", "replace"), self.motor
        told = self._move.fullmatch(line)
        if motor.identity is not None and motor.identity.ask == text:
            return [*answers, literal(motor.identity.answer) + b" virtual, invented data"]
        if text in motor.start:
            self.is_on, self._fed_s, self.state = True, self.time_s, "on"
        elif text == self.watchdog.feed:
            self._fed_s = self.time_s
        elif text == motor.stop:
            self._target = self._target if self.faults.ignores_stop else 0.0
        elif text == motor.safe:
            if not self.faults.ignores_stop:
                self._off("safe")
        elif told is not None and self.is_on:
            sense = motor.sign * (-1.0 if self.faults.backwards else 1.0) * self.faults.times_too_fast
            self._target = sense * float(told.group(1)) / self._counts_per_mm
        elif told is not None:
            return [*answers, b"fault: not started"]
        return answers

    @property
    def _counts_per_mm(self) -> float:
        return {"mm/s": 1.0, "um/s": 1000.0, "mm/min": 60.0}.get(
            self.motor.speed_unit, self.motor.steps_per_mm or 1.0)

    def _off(self, state: str) -> None:
        self.is_on, self._target, self.state = False, 0.0, state

    # -- time passes ---------------------------------------------------------------------------------

    def advance(self, seconds: float) -> tuple[list[bytes], list[bytes]]:
        """Let time pass; gives the lines of the instrument and what the controller says by itself."""
        lines: list[bytes] = []
        said: list[bytes] = []
        until = self._steps + round(seconds / STEP_S)
        while self._steps < until:
            self._steps += 1
            self.time_s = self._steps * STEP_S
            self._step(said)
            if self._steps % self._per_sample == 0:
                lines.append(self._read())
        return lines, said

    def _step(self, said: list[bytes]) -> None:
        faults, force = self.faults, self.piece.force_n
        if self.is_on and not faults.watchdog_dead and self.time_s - self._fed_s > self.within_s:
            self._off("stopped by its watchdog")
            if self.watchdog.says is not None:
                said.append(literal(self.watchdog.says))
        if faults.reports_at_n is not None and force >= faults.reports_at_n and not self._fault_said:
            self._fault_said = True
            if not faults.ignores_stop:
                self._off("stopped by a fault")
            said.append(b"fault: current")
        keep = math.exp(-STEP_S / LAG_S)
        self.speed_mm_per_s = self.speed_mm_per_s * keep + self._target * (1 - keep)
        if self._target == 0.0 and abs(self.speed_mm_per_s) < 1e-6:
            self.speed_mm_per_s = 0.0
        if faults.jams_at_n is not None and force >= faults.jams_at_n and self.speed_mm_per_s > 0:
            self.speed_mm_per_s = 0.0
        self.screw_mm += self.speed_mm_per_s * STEP_S
        self._follow()

    def _follow(self) -> None:
        """The anvil hangs on the screw by a spring: one step toward where both forces are the same."""
        piece, gives = self.piece, DRIVE_MM_PER_N + self.errors.frame_mm_per_n
        missing = self.screw_mm - piece.travel_mm - gives * piece.force_n
        gap = piece.gap_mm
        if gap > 0:
            step = min(missing, gap + 1e-6)
        else:
            step = missing / (1.0 + gives * piece.stiffness_n_per_mm(1 if missing >= 0 else -1))
        piece.move_to(piece.travel_mm + step, STEP_S)

    # -- the instrument ------------------------------------------------------------------------------

    def _read(self) -> bytes:
        """One line, as the rig file says it."""
        piece, errors, faults = self.piece, self.errors, self.faults
        force = piece.force_n
        self.force_seen.append((self.time_s, force, self.speed_mm_per_s))
        if faults.clock_stuck and self._line:
            return self._line
        noise = self.rng.standard_normal(2).tolist()
        felt = force * (1 + errors.force_scale) + errors.force_offset_n + errors.force_noise_n * noise[0]
        place = piece.travel_mm - piece.free_height_mm + errors.frame_mm_per_n * force
        place = ((place + errors.displacement_noise_mm * noise[1]) * (1 + errors.displacement_scale)
                 + errors.displacement_zero_mm)
        if faults.gauge_stuck:
            place = 5.0
        values = {"force": felt, "displacement": place}
        sticks_at, limit = faults.cell_sticks_at_n, self.record.channels[0].limit
        if sticks_at is not None and limit is not None and force >= sticks_at:
            values["force"] = limit
        count = self._count
        self._count += 1
        counter, clock = self.instrument.counter, self.instrument.clock
        texts = {c.name: str(_counts(c, values[c.quantity])) for c in self.record.channels}
        if counter is not None:
            texts[counter.column] = str(count % counter.modulus)
        if clock is not None:
            tick = self.record.clock_s_per_tick or 1e-6
            ticks = round(self.time_s * (1 + 1e-6 * errors.clock_ppm) / tick)
            texts[clock.column] = str(ticks % clock.modulus)
        line = ",".join(texts[c] for c in self.record.columns) + self.instrument.line_end
        self._line = line.encode("ascii")
        return self._line


def literal(pattern: str) -> bytes:
    """The fixed text at the start of a pattern.

    >>> literal("# press-motor(?: .*)?")
    b'# press-motor'
    """
    fixed = re.match(r"(?:[\w #:;,/@=<>%&!~'\"-]|\\[^\w])*", pattern, re.ASCII)
    return re.sub(r"\\(.)", r"\1", fixed.group(0) if fixed else "").encode("ascii")


def _counts(channel: Channel, value: float) -> int:
    return round((value / channel.sign - channel.offset) / channel.scale)
