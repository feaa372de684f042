r"""The hand of a motor: from what is read and the step that is being done, how fast it runs now.

    dry --> ready --stroke, hold, keep--> press --> (hold | keep) --> back --> pause --> ready ...
                 \--rest--> touch --> back      \--away, none left--> away

The force that is read decides, as it does for a hand; the steps of the procedure are followed by the
same :class:`padlab.capture.steps.StepFollower`. Nothing here knows a port or a clock: time is the rig's,
and ``delay_s`` is how old a reading is when what was told on it begins to work.

* **Soft approach.** Near the asked force the speed falls with what is missing, ``missing / (gain * T)``
  with T = 4 delays: a loop that is closed no faster than that does not overshoot (a dead time d and an
  integrator stay without overshoot up to gain * d = 1/e; textbook, from memory). ``gain`` is newtons for
  each millimetre of motor, seen in this very press. The delay itself is seen at the first stop.
* **What the watchdog can still stop.** No speed at which the motor, left alone for as long as the watchdog
  takes, would pass the force limit or, in air, run on to the pad.
* **The first thing it does** is to back off a little in air: the wrong sign, the wrong unit, a dead gauge
  or a zero that was taken under load are seen before anything is pressed.
"""

from __future__ import annotations

import math
from collections import deque
from statistics import fmean, median

import numpy as np
from numpy.typing import NDArray

from padlab.capture.motor_file import MotorFile
from padlab.capture.motor_limits import Halt
from padlab.capture.procedure import Step
from padlab.capture.steps import StepFollower
from padlab.records.pad import F0_N
from padlab.units import parse_quantity

Array = NDArray[np.float64]

BENCH_MM_PER_S, SHORTEST_PRESS_S, QUICK = 0.15, 2.0, 4.0
"""The middle of the bench speed of 0.1-0.2 mm/s; a press of 2 s at least; quick is four times as fast."""
CONTACT_N = 0.1
"""Felt: the anvil touches [N]. Less than F0, more than a cell's noise."""
GAP_MM, CLEAR_MM = 0.05, 0.3
"""Air under the anvil between strokes, and when the pad is left alone [mm]; design choice."""
PAUSE_S = 0.6
"""Between two presses, so that the one before is judged [s]."""
DRY_MM, DRY_MM_PER_S = 0.15, 0.1
"""How far and how fast it backs off before anything else."""
LONGEST_DELAY_S = 0.5
"""A delay that seems longer is no delay [s]."""
FEELER_MM = 0.02
"""Before the pad was ever felt, the way that it may run on by itself within the watchdog's time [mm]."""
REACHED_SHARE, REACHED_N = 0.01, 0.03
"""So near to the asked force it turns back."""
LEAST_GAIN, FIRST_GAIN = 2.0, 500.0
"""Newtons a millimetre: no pad is softer; where nothing is known yet, a stiff one is supposed."""
STIFFER = 1.5
"""A pad may get so much stiffer on the way that the watchdog takes; design choice."""
CLOSING, STEADYING = 4.0, 6.0
"""Delays in the time in which a press, and a held force, come to what is asked."""
OVERSHOT, MORE_CAREFUL = 0.03, 1.5
"""After a press that went so far over, the next ones come so many times more softly; design choice."""
FASTER_PER_S = 2.0
"""A first press may grow faster by this rate, as an exponential [1/s]."""
POOR_IN_ROW = 4
"""Presses running that did not count: the run ends, for a motor does not learn by repeating."""
LONGEST_PRESS_S = 180.0


class MotorHand:
    """Drives a press through a procedure.

    Parameters
    ----------
    motor : MotorFile
        Its speeds and its watchdog.
    ceiling_n : float
        The force that must not be passed even if nobody speaks to the motor any more.
    peak_n : float, optional
        To this force presses a ``keep`` that names none (on to a spacer).
    rng : numpy.random.Generator
        Draws the strokes of a passage.
    """

    def __init__(self, motor: MotorFile, *, ceiling_n: float, peak_n: float | None = None,
                 rng: np.random.Generator | None = None) -> None:
        self.ceiling_n, self.peak_n = ceiling_n, peak_n or 3.5
        self.fastest, self.finest, self.clear_mm = motor.fastest_mm_per_s, motor.finest_mm_per_s, min(
            CLEAR_MM, 0.25 * motor.travel_mm)
        self.rng = rng or np.random.default_rng(1)
        self.runs_on_s = 0.0 if motor.watchdog is None else parse_quantity(motor.watchdog.within, "time")
        self.told_mm = 0.0                           # what it was told so far, integrated
        self.phase = "dry"
        self.seen_delay_s = 0.0                      # how long it ran on at its first stop
        self._told_mm_per_s = self._stopped_at = 0.0
        self._careful, self._most_n = 1.0, 0.0
        self._time: float | None = None
        self._force: deque[float] = deque(maxlen=5)  # as read
        self._place: deque[float] = deque(maxlen=3)
        self._past: deque[tuple[float, float, float]] = deque(maxlen=4000)     # time, told, net force
        self._gains: list[tuple[float, float]] = []                            # force, gain of the last press
        self._gains_before: list[tuple[float, float]] = []
        self._gain: float | None = None
        self._felt_s = self._step_s = 0.0
        self._contact_mm: float | None = None        # place where the pad was last felt
        self._contact_told: float | None = None
        self._travel: dict[float, float] = {}        # way of the motor in contact to each asked force
        self._felt = False                           # in this press
        self._began_s = self._reached_s = 0.0
        self._dry_from: tuple[float, float, float] | None = None               # told, place, force
        self._step: Step | None = None               # that this press is for
        self._to_n = self._note_s = 0.0
        self._index = self._attempts = 0

    # -- what is read ------------------------------------------------------------------------------

    def feel(self, time_s: Array, force_n: Array) -> None:
        """Take the next readings of force, on the axis of the run."""
        if not time_s.size:
            return
        now = float(time_s[-1])
        if self._time is not None:
            self._step_s = max(0.0, now - self._time)
            self.told_mm += self._told_mm_per_s * self._step_s
        self._time = now
        self._force.extend(force_n[-5:].tolist())

    def look(self, place_mm: Array) -> None:
        """Take the next readings of the gauge, + = nearer [mm]."""
        self._place.extend(place_mm[-3:].tolist())

    @property
    def is_ready(self) -> bool:
        """Whether both force and place were read."""
        return self._time is not None and len(self._force) > 0 and len(self._place) > 0

    @property
    def time_s(self) -> float:
        """Time of the last force [s]."""
        return self._time or 0.0

    @property
    def force_n(self) -> float:
        """Force as read now, single damaged readings taken out [N]."""
        return median(list(self._force)[-3:])

    @property
    def place_mm(self) -> float:
        """Place now [mm]."""
        return median(self._place)

    # -- what to do --------------------------------------------------------------------------------

    def speed(self, follower: StepFollower, *, delay_s: float) -> float:
        """The speed to be told now [mm/s], + presses.

        Parameters
        ----------
        follower : StepFollower
            Knows which step is being done; it must have seen the same readings.
        delay_s : float
            From a reading to the effect of what is told on it, in the rig's time [s].

        Raises
        ------
        Halt
            Something is wrong; what and what next.
        """
        if follower.zero_n is None or not self.is_ready:
            return self._tell(0.0)
        net = self.force_n - follower.zero_n
        self._past.append((self.time_s, self.told_mm, net))
        delay_s = self._careful * max(delay_s, self.seen_delay_s)
        self._most_n = max(self._most_n, net)
        if self.phase == "ready":
            self._begin(follower, net)
        wanted = getattr(self, "_" + self.phase)(follower, net, delay_s)
        room = max(0.0, self.ceiling_n - self.force_n)
        if wanted > 0 and self._felt and self.runs_on_s > 0:
            wanted = min(wanted, room / (STIFFER * self._gain_at(net) * self.runs_on_s))
        return self._tell(wanted)

    def stand(self) -> float:
        """Told to stand for now, whatever it was doing."""
        return self._tell(0.0)

    def _tell(self, speed: float) -> float:
        most, step = self.fastest, self.finest
        self._told_mm_per_s = round(max(-most, min(most, speed)) / step) * step
        return self._told_mm_per_s

    def _go(self, phase: str) -> float:
        self.phase, self._began_s = phase, self.time_s
        return 0.0

    # -- before anything is pressed ----------------------------------------------------------------

    def _dry(self, follower: StepFollower, net: float, delay_s: float) -> float:
        if self._dry_from is None:
            self._dry_from = (self.told_mm, self.place_mm, self.force_n)
            self._began_s = self.time_s
        told, moved = self.told_mm - self._dry_from[0], self.place_mm - self._dry_from[1]
        wrong = f"told to back off by {-told:.2f} mm in air, the gauge showed {moved:+.3f} mm"
        if moved > 0.03 or self.force_n > self._dry_from[2] + 0.3:
            raise Halt(f"{wrong}: it runs the wrong way; check sign of the motor and of the gauge's channel")
        if moved < 1.5 * told - 0.05:
            raise Halt(f"{wrong}: it runs too fast; check speed_unit, steps_per_mm and the gauge's scale")
        if told > -DRY_MM:
            self._reached_s, self._stopped_at = self.time_s, self.place_mm
            return -min(DRY_MM_PER_S, self.fastest)
        if self.time_s - self._reached_s < LONGEST_DELAY_S + 2 * delay_s:
            return 0.0
        coasted_s = (self._stopped_at - self.place_mm) / min(DRY_MM_PER_S, self.fastest)
        self.seen_delay_s = min(coasted_s, LONGEST_DELAY_S)
        if moved > 0.5 * told:
            raise Halt(f"{wrong}: it moves too little or not at all; check that the motor has power, its "
                       "speed_unit, steps_per_mm, and that the gauge follows the anvil")
        fell_n = self._dry_from[2] - self.force_n          # as read: the follower may have moved its zero
        if fell_n > CONTACT_N:
            raise Halt(f"the force fell by {fell_n:.2f} N as the anvil backed off: the zero "
                       "was taken under load. Bring the anvil clear of the pad, then start a new run")
        return self._go("ready")

    # -- one press -----------------------------------------------------------------------------------

    def _begin(self, follower: StepFollower, net: float) -> None:
        """What does the step want now?"""
        if self._most_n > (1 + OVERSHOT) * self._to_n + CONTACT_N and self._step is not None:
            self._careful = min(6.0, self._careful * MORE_CAREFUL)
        poor = 0
        for attempt in reversed(follower.attempts):
            if attempt.good or attempt.step != follower.index:
                break
            poor += 1
        if poor >= POOR_IN_ROW:
            raise Halt(f"{poor} presses running did not count: {follower.attempts[-1].reason}; see to the "
                       "pad, the drive and the rig file, then start a new run")
        step = follower.step
        self._step, self._index, self._attempts = step, follower.index, len(follower.attempts)
        self._felt, self._began_s, self._most_n = False, self.time_s, net
        if step is None or step.do == "away":
            self.phase = "away"
        elif step.do == "rest":
            self.phase, self._to_n = "touch", F0_N
        elif step.do == "free":
            self.phase = "press"
            most = min(0.9 * self.ceiling_n / 1.1, max(self.peak_n, 3.5))
            self._to_n = float(np.clip(6.0 * np.exp(0.4 * self.rng.standard_normal()), 1.0, most))
            self._note_s = float(np.clip(0.4 * np.exp(1.1 * self.rng.standard_normal()), 0.05, 15.0))
        else:
            self.phase = "press"
            self._to_n = self.peak_n if step.to_n is None else step.to_n

    def _press(self, follower: StepFollower, net: float, delay_s: float) -> float:
        if self.time_s - self._began_s > LONGEST_PRESS_S:
            raise Halt(f"{self._to_n:g} N was not reached within {LONGEST_PRESS_S:g} s; the force is "
                       f"{net:.2f} N. Look at pad and drive, then start a new run")
        if not self._felt:
            if net < CONTACT_N:
                return self._approach(delay_s)
            self._feel_pad()
        self._learn(net, delay_s)
        missing = self._to_n - net
        if missing <= max(REACHED_SHARE * self._to_n, REACHED_N):
            return self._reach()
        wanted = min(self._pace(), missing / (self._gain_at(net) * CLOSING * delay_s))
        if self._travel_to(self._to_n) is None:        # never pressed so far: how stiff is it? then faster
            grown = 1.0 if self._gain is None else math.exp(min(1.0, FASTER_PER_S * self._step_s))
            wanted = min(wanted, max(self._feeler(delay_s), self._told_mm_per_s * grown))
        return max(wanted, self.finest)

    def _approach(self, delay_s: float) -> float:
        """Toward the pad, in air."""
        pace = self._pace()
        if self._contact_mm is None:                   # air down to where it stood at first, then unknown
            ahead = -math.inf if self._dry_from is None else self._dry_from[1] - self.place_mm
            return min(pace, max(self._feeler(delay_s), ahead / (self.runs_on_s + delay_s)))
        ahead = self._contact_mm - 0.02 - self.place_mm
        slow = pace if self._travel_to(self._to_n) is not None else min(pace, self._feeler(delay_s))
        return max(slow, min(2 * BENCH_MM_PER_S, ahead / (self.runs_on_s + delay_s)))

    def _feeler(self, delay_s: float) -> float:
        """Speed toward a pad of which nothing is known [mm/s]."""
        return FEELER_MM / (self.runs_on_s + delay_s)

    def _feel_pad(self) -> None:
        self._felt = True
        self._contact_mm, self._contact_told, self._felt_s = self.place_mm, self.told_mm, self.time_s
        self._gain, self._gains, self._gains_before = None, [], self._gains or self._gains_before

    def _reach(self) -> float:
        step = self._step
        if self._contact_told is not None:
            self._travel[self._to_n] = max(0.0, self.told_mm - self._contact_told)
        self._reached_s = self.time_s
        if step is not None and step.do in ("hold", "free"):
            return self._go_on_from("hold")
        return self._go_on_from("keep" if step is not None and step.do == "keep" else "back")

    def _go_on_from(self, phase: str) -> float:
        self.phase = phase
        return 0.0

    def _hold(self, follower: StepFollower, net: float, delay_s: float) -> float:
        step = self._step
        held = self.time_s - self._reached_s
        free = step is not None and step.do == "free"
        if self._is_over(follower) or (free and held >= self._note_s) or (
                not free and step is not None and held > 1.3 * (step.seconds or 0.0) + 10.0):
            return self._go_on_from("back")
        return self._steady(follower, delay_s)

    def _keep(self, follower: StepFollower, net: float, delay_s: float) -> float:
        held = self.time_s - self._reached_s
        if self._is_over(follower) or (self._step and held > 1.1 * (self._step.seconds or 0.0) + 10.0):
            return self._go_on_from("back")
        return 0.0

    def _touch(self, follower: StepFollower, net: float, delay_s: float) -> float:
        """A light touch, for as long as the step wants."""
        if self._is_over(follower):
            return self._go_on_from("back")
        if not self._felt:
            if net < CONTACT_N:
                if self._contact_mm is None:
                    return self._approach(delay_s)
                gently = max(0.01, F0_N / (self._gain_at(F0_N) * STEADYING * delay_s))
                return min(self._approach(delay_s), max(gently, self._contact_mm - GAP_MM - self.place_mm))
            self._felt = True
            self._contact_mm = self.place_mm
        return self._steady(follower, delay_s)

    def _steady(self, follower: StepFollower, delay_s: float) -> float:
        """Toward the held force, from either side."""
        net = fmean(self._force) - (follower.zero_n or 0.0)
        missing = self._to_n - net
        if abs(missing) < max(0.002 * self._to_n, 0.3 * (follower.noise_n or 0.0)):
            return 0.0
        wanted = missing / (self._gain_at(self._to_n) * STEADYING * delay_s)
        most = 0.5 * BENCH_MM_PER_S
        return max(-most, min(most, wanted))

    def _back(self, follower: StepFollower, net: float, delay_s: float) -> float:
        """Let go completely, at the pace of the press; then a little air."""
        if net < CONTACT_N and (self._contact_mm is None or self.place_mm <= self._contact_mm - GAP_MM):
            return self._go("pause")
        return -self._pace() if net >= CONTACT_N else -max(self._pace(), BENCH_MM_PER_S)

    def _pause(self, follower: StepFollower, net: float, delay_s: float) -> float:
        if self.time_s - self._began_s >= PAUSE_S + 2 * delay_s:
            self._go("ready")
        return 0.0

    def _away(self, follower: StepFollower, net: float, delay_s: float) -> float:
        """Clear of the pad, until another step comes."""
        if follower.index != self._index:
            return self._go("ready")
        if self._contact_mm is None or self.place_mm <= self._contact_mm - self.clear_mm:
            return 0.0
        return -2 * BENCH_MM_PER_S

    def _is_over(self, follower: StepFollower) -> bool:
        """Whether the step was done, or an attempt at it was judged."""
        return follower.index != self._index or len(follower.attempts) != self._attempts

    # -- what the pad is like --------------------------------------------------------------------------

    def _pace(self) -> float:
        """Speed of this press in contact [mm/s]."""
        quick = QUICK if self._step is not None and (
            self._step.pace == "quick" or self._step.do == "free") else 1.0
        travel = self._travel_to(self._to_n)
        if travel is not None:
            slow = min(BENCH_MM_PER_S, travel / SHORTEST_PRESS_S)
        elif self._felt:                              # never pressed so far: as if it took its time from here
            slow = min(BENCH_MM_PER_S, self._to_n / (self._gain_at(0.0) * SHORTEST_PRESS_S))
        else:
            slow = BENCH_MM_PER_S
        return min(slow * quick, self.fastest)

    def _travel_to(self, to_n: float) -> float | None:
        """Way of the motor in contact to a force, from presses before; None where none went so far."""
        above = [n for n in self._travel if n >= 0.98 * to_n]
        if not above:
            return None
        nearest = min(above)
        return self._travel[nearest] * math.sqrt(min(1.0, to_n / nearest))

    def _learn(self, net: float, delay_s: float) -> None:
        """How much the force rises for each millimetre told, over the last quarter of a second."""
        since = max(self.time_s - max(0.2, 2.5 * delay_s), self._felt_s)
        for begun_s in (since, self._felt_s):          # a soft pad shows it only over the whole press so far
            before = self._at(begun_s)[1]
            way = self._at(self.time_s - delay_s)[0] - self._at(begun_s - delay_s)[0]
            if way > 0 and (net - before > CONTACT_N or way > 2 * FEELER_MM):
                self._gain = max(LEAST_GAIN, (net - before) / way)
                self._gains.append((net, self._gain))
                return

    def _at(self, time_s: float) -> tuple[float, float]:
        """What was told and felt at a time."""
        for when, told, force in reversed(self._past):
            if when <= time_s:
                return told, force
        return self._past[0][1], self._past[0][2]

    def _gain_at(self, net: float) -> float:
        """Newtons a millimetre of motor at a force."""
        if self.phase == "press" and self._gain is not None:
            return self._gain
        known = self._gains_before if self.phase == "press" else self._gains or self._gains_before
        if not known:
            return FIRST_GAIN if self.phase != "press" else LEAST_GAIN
        return min(known, key=lambda pair: abs(pair[0] - net))[1]
