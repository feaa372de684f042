"""Which number a stroke has: by the machine's own counter where there is one, else one after the other.

The machine goes on while padlab is dead, or while a cable is loose. Its counter knows; so the number of a
stroke is what the counter says, each is counted once, and what was not seen is counted all the same.

>>> count = StrokeCount(modulus=65536, machine=65534.0)
>>> [count.number(t, m) for t, m in [(0, 65535.0), (1, 0.0), (2, 1.0), (9, 8.0)]], count.missed
([1, 2, 3, 10], 6)
>>> after_a_kill = StrokeCount(modulus=65536, last=10, machine=8.0, time_s=9.0, is_resumed=True)
>>> after_a_kill.number(500, 100.0), after_a_kill.missed, after_a_kill.is_least
(102, 91, False)
>>> unseen = StrokeCount(modulus=None, last=10, time_s=9.0, is_resumed=True)
>>> unseen.number(500, float("nan")), unseen.missed, unseen.is_least
(11, 0, True)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

FASTEST_PER_S = 50.0
"""No machine for pads makes more strokes in a second: a larger step of its counter is a damaged reading."""
USUAL_PER_S = 10.0
"""A counter that may have come round at this pace while nobody looked tells nothing; design choice."""
TRUSTED_AGAIN = 5
"""A counter that was odd for so many strokes running has begun anew, or stands still."""


@dataclass
class StrokeCount:
    """Numbers strokes.

    Parameters
    ----------
    modulus : int or None
        Of the machine's counter; None: it has none.
    last : int
        Number of the last stroke so far.
    machine : float, optional
        What the counter read at that stroke, or when the run began.
    time_s : float
        When that was [s].
    is_resumed : bool
        The next stroke is the first after an interruption: nobody looked meanwhile.

    Attributes
    ----------
    missed : int
        Strokes that the machine counted and nobody read.
    twice : int
        Presses beyond one in a stroke of the machine; they are not counted.
    is_least : bool
        Strokes may have been made that nobody counted.
    """

    modulus: int | None
    last: int = 0
    machine: float | None = None
    time_s: float = -math.inf
    is_resumed: bool = False
    missed: int = 0
    twice: int = 0
    is_least: bool = False
    _odd: int = 0

    def number(self, time_s: float, machine: float) -> int | None:
        """The number of the next stroke; None: it is no stroke of its own."""
        step = self._step(time_s, machine)
        self.time_s, self.is_resumed = time_s, False
        if step == 0:
            self.twice += 1
            return None
        self.missed += step - 1
        self.last += step
        return self.last

    def _step(self, time_s: float, machine: float) -> int:
        if self.modulus is None or not math.isfinite(machine):
            self.is_least = self.is_least or self.is_resumed
            if self.machine is not None and self.modulus is not None:
                self.machine = (self.machine + 1) % self.modulus
            return 1
        if self.machine is None:
            self.machine = machine
            self.is_least = self.is_least or self.is_resumed
            return 1
        step = int(round(machine - self.machine)) % self.modulus
        spent_s = time_s - self.time_s
        may_have_wrapped = math.isfinite(spent_s) and spent_s * USUAL_PER_S > self.modulus
        if self.is_resumed and step and step < self.modulus / 2 and not may_have_wrapped:
            self.machine, self._odd = machine, 0
            return step
        if not self.is_resumed and 0 < step <= 2 + FASTEST_PER_S * spent_s:
            self.machine, self._odd = machine, 0
            return step
        if self.last == 0 and step == 0 and not self.is_resumed:
            return 1                                     # a counter that goes up after each stroke
        self._odd += 1
        if self.is_resumed or self._odd >= TRUSTED_AGAIN:
            self.machine, self._odd, self.is_least = machine, 0, True
            return 1
        if step:                                         # a damaged reading: the next ones will tell
            self.machine = (self.machine + 1) % self.modulus
            return 1
        return 0
