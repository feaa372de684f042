"""May the motor go on? Force, travel, a stall, a motor that runs by itself: judged from nothing but readings.

What was told (the integral of the speeds, on the rig's own time) is held against what is seen. Nothing
here knows a port. The first thing that is wrong is raised as :class:`Halt`; its words say what, and
what to do next.

>>> limits = Limits(force_n=21.0, travel_mm=4.0, stall_s=1.0)
>>> limits.force([3.0, 22.5])
>>> limits.is_pressed_too_hard
True
>>> limits.force([22.6])
Traceback (most recent call last):
...
padlab.capture.motor_limits.Halt: the force reached 22.6 N, over the motor's limit of 21 N; ...
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from padlab.marks import Mark, mark

EXPECTED_MM = 0.01
"""A stall is judged when at least so much way was told within the time [mm]; design choice."""
MOVED_SHARE = 0.1
"""Less than a tenth of the way that was told is no motion; design choice: a soft drive under a stiff pad
moves the anvil by little, but then the force tells."""
MOVED_N = 0.1
"""The force moved the way that was told: it moves, even if the gauge hardly shows it [N]."""
SLACK_MM = 0.06
"""An anvil may move by so much more than was told before it is called a runaway: backlash, a pad that sinks,
what is still on its way [mm]; design choice."""
LOOK_S, LATE_S = 1.0, 0.4
"""A runaway is judged over this time; what was told so long before may still work in it [s]."""
WHAT_NEXT = ("with the motor switched off see what blocks it, whether it has power and whether the gauge "
             "follows the anvil; then start a new run")


class Halt(Exception):  # noqa: N818  it ends a run; it is no error of padlab
    """The motor must stop and the run ends; the text says why and what next, ``marks`` go with the run."""

    def __init__(self, reason: str, *marks: Mark) -> None:
        super().__init__(reason)
        self.marks = marks


class Limits:
    """Watches the readings while a motor is driven.

    Parameters
    ----------
    force_n, travel_mm : float
        Limits as read (no zero taken off), and from the first place seen, either way.
    stall_s : float
        Told to move and not moving for so long is a stall, in the rig's time [s].
    """

    def __init__(self, *, force_n: float, travel_mm: float, stall_s: float) -> None:
        self.force_n, self.travel_mm, self.stall_s = force_n, travel_mm, stall_s
        self.is_pressed_too_hard = False             # by the very last reading
        self._from_mm: float | None = None
        self._past: deque[tuple[float, float, float, float]] = deque()     # time, told, place, force

    def force(self, readings_n: Iterable[float]) -> None:
        """Take forces as read; two running over the limit end it, one stops the motor for now.

        Raises
        ------
        Halt
            Over the limit.
        """
        for value in readings_n:
            over = abs(value) >= self.force_n
            if over and self.is_pressed_too_hard:
                reason = f"the force reached {value:.1f} N, over the motor's limit of {self.force_n:g} N"
                raise Halt(f"{reason}; relieve the pad with the motor switched off, see whether the cell "
                           "still reads its zero, then start a new run", mark("over_range", "run", reason))
            self.is_pressed_too_hard = over

    def place(self, place_mm: float) -> None:
        """Take the place of the anvil, + = nearer [mm].

        Raises
        ------
        Halt
            Too far from where it stood.
        """
        if self._from_mm is None:
            self._from_mm = place_mm
        way = place_mm - self._from_mm
        if abs(way) > self.travel_mm:
            raise Halt(f"the anvil went {way:+.2f} mm, over the motor's limit of {self.travel_mm:g} mm: is "
                       "there a pad, does the cell feel it? Look, then start a new run")

    def motion(self, time_s: float, told_mm: float, place_mm: float, force_n: float) -> None:
        """Hold what was told against what is seen.

        Raises
        ------
        Halt
            A stall, a motor that runs by itself, or one that runs the wrong way.
        """
        past = self._past
        past.append((time_s, told_mm, place_mm, force_n))
        longest = max(self.stall_s, LOOK_S + LATE_S)
        while len(past) > 2 and past[1][0] <= time_s - longest:
            past.popleft()
        self._stalled(time_s, told_mm, place_mm, force_n)
        before = next((p for p in past if p[0] >= time_s - LOOK_S), past[-1])
        told = [p[1] for p in past if p[0] >= time_s - LOOK_S - LATE_S]
        way, moved = max(told) - min(told), place_mm - before[2]
        if abs(moved) > 1.5 * way + SLACK_MM:
            raise Halt(f"the anvil moved by {moved:+.2f} mm where {way:.2f} mm at most was told: "
                       "the motor does not do what it is told. Switch it off at its stop switch; check move, "
                       "speed_unit, sign and stop in the rig file")

    def _stalled(self, time_s: float, told_mm: float, place_mm: float, force_n: float) -> None:
        before = next((p for p in reversed(self._past) if p[0] <= time_s - self.stall_s), None)
        if before is None:
            return
        told = [p[1] for p in self._past if p[0] >= before[0]]
        if max(told) - min(told) > abs(told_mm - before[1]) + 1e-9:                # it turned meanwhile
            return
        early = [p[1] for p in self._past if p[0] <= time_s - self.stall_s / 2]    # what is told works late
        way = early[-1] - before[1]
        if abs(way) < EXPECTED_MM:
            return
        ahead = 1.0 if way > 0 else -1.0
        moved, pressed = ahead * (place_mm - before[2]), ahead * (force_n - before[3])
        if moved < MOVED_SHARE * abs(way) and pressed < MOVED_N:
            raise Halt(f"the motor stalled: told to move by {way:+.3f} mm within {time_s - before[0]:.1f} s, "
                       f"the gauge showed {ahead * moved:+.3f} mm at {force_n:z.1f} N; {WHAT_NEXT}")
