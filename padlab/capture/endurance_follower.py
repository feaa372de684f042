"""Where an endurance run stands: strokes done of asked, how fast, how long to go, what the pad has lost.

The machine presses by itself; nothing is judged good or poor, every stroke counts. A rest that the procedure
asks for is the machine's own doing: it is announced, and a machine that goes on all the same is followed.

>>> from padlab.capture.procedure import read_procedure
>>> follower = EnduranceFollower(read_procedure("endurance-machine"), zero_n=0.0, last=10_009)
>>> follower.prompt()
'the machine presses: 10,009 of 1,000,010 strokes'
>>> follower.take(np.array([10_010.0]), np.array([5000.0]), np.array([0.4]))
>>> follower.prompt()
'let the machine stand still for 600 s: 10,010 of 1,000,010 strokes'
"""

from __future__ import annotations

from collections import deque

import numpy as np
from numpy.typing import NDArray

from padlab.capture.procedure import Procedure
from padlab.capture.prompts import Said
from padlab.capture.steps import Attempt
from padlab.units import both_lengths

Array = NDArray[np.float64]

STAND = "let the machine stand still, the anvil in the air: the zero of the force is being taken"
WINDOW = 200
"""Strokes by which the pace is told."""
SEATED = (4, 10)
"""Strokes that stand for the beginning: three work the pad in."""


class EnduranceFollower:
    """Follows an endurance run; see :class:`padlab.capture.steps.StepFollower` for what it has in common.

    Parameters
    ----------
    procedure : Procedure
        Of kind ``wear``.
    zero_n : float, optional
        The force zero, where the run was begun earlier.
    last : int
        The number of the last stroke so far.
    """

    quantity = "force"
    noise_n: float | None = None

    def __init__(self, procedure: Procedure, *, zero_n: float | None = None, last: int = 0) -> None:
        self.procedure, self.zero_n, self.last = procedure, zero_n, last
        self.attempts: list[Attempt] = []        # none: nothing is judged
        self.shortened: list[str] = []
        self.asked = procedure.strokes
        self._rests = procedure.rests()
        self._times: deque[tuple[float, float]] = deque(maxlen=WINDOW)
        self._said: list[Said] = []
        self._news = False
        self._start_mm: list[float] = []
        self._now_mm: deque[float] = deque(maxlen=WINDOW)

    @property
    def done(self) -> bool:
        """All strokes that were asked for are made."""
        return self.last >= self.asked

    @property
    def longest_rest_s(self) -> float:
        """The longest rest that is asked for [s]."""
        return max(self._rests.values(), default=0.0)

    @property
    def is_active(self) -> bool:
        """Whether the machine has pressed since this was last asked."""
        news, self._news = self._news, False
        return news

    def begin_from(self, numbers: Array, at_f0_mm: Array) -> None:
        """Remember the beginning from the first strokes on file, where the run is gone on with."""
        seated = (numbers >= SEATED[0]) & (numbers <= SEATED[1]) & np.isfinite(at_f0_mm)
        self._start_mm = at_f0_mm[seated].tolist()

    def take(self, numbers: Array, times: Array, at_f0_mm: Array) -> None:
        """Take the next strokes: their numbers, when each began [s], the place at F0 [mm]."""
        for number, time, place in zip(numbers.tolist(), times.tolist(), at_f0_mm.tolist(), strict=True):
            before, self.last = self.last, int(number)
            self._times.append((number, time))
            if np.isfinite(place):
                self._now_mm.append(place)
                if SEATED[0] <= number <= SEATED[1]:
                    self._start_mm.append(place)
            decade = 10 ** int(np.log10(max(self.last, 1)))
            if before < decade <= self.last or self.last % (5 * decade) < self.last - before:
                self._said.append(Said(f"{self.last:,} strokes of {self.asked:,}", "good"))
            self._news = True
        if numbers.size and self.last in self._rests and not self.done:
            self._said.append(Said(self.prompt()))

    def feed(self, time: Array, force: Array) -> list[Said]:
        """What is to be said by now; the strokes were taken before."""
        said, self._said = self._said, []
        return said

    def say(self, text: str, *, tone: str = "good") -> None:
        """Have something said with the next look."""
        self._said.append(Said(text, "poor" if tone == "poor" else "good"))

    def lost(self) -> list[Said]:
        """Readings are missing: the strokes in the gap are for the machine's counter."""
        return []

    def prompt(self) -> str:
        """What the machine is to do now."""
        if self.zero_n is None:
            return STAND
        done = f"{self.last:,} of {self.asked:,} strokes"
        rest_s = self._rests.get(self.last)
        if rest_s is not None and not self.done:
            return f"let the machine stand still for {rest_s:g} s: {done}"
        return f"the machine presses: {done}"

    def progress(self) -> str:
        """Strokes, pace, time left, what was lost: a few words."""
        if self.zero_n is None:
            return STAND
        words = [f"{self.last:,} of {self.asked:,} strokes"]
        left_s = self.left_s()
        if left_s is not None:
            words += [f"{self._pace:.2g} a second", f"{_span(left_s)} left"]
        lost = self.lost_mm()
        if lost is not None:
            words.append(f"lost {both_lengths(lost)}")
        return " | ".join(words)

    @property
    def _pace(self) -> float:
        (first, from_s), (last, to_s) = self._times[0], self._times[-1]
        return (last - first) / (to_s - from_s)

    def left_s(self) -> float | None:
        """Time left at the pace of the last strokes, rests and all [s]; None: not known yet."""
        if len(self._times) < 2 or not self._times[-1][1] > self._times[0][1]:
            return None
        rests = sum(s for at, s in self._rests.items() if self.last <= at < self.asked)
        return (self.asked - self.last) / self._pace + rests

    def lost_mm(self) -> float | None:
        """How much farther in the pad begins now than when it was worked in [mm]."""
        if not self._start_mm or not self._now_mm:
            return None
        return float(np.mean(self._now_mm) - np.mean(self._start_mm))


def _span(seconds: float) -> str:
    """A time in words.

    >>> _span(40), _span(5000), _span(200_000)
    ('40 s', '1 h 23 min', '2 d 7 h')
    """
    if seconds < 60:
        return f"{seconds:.0f} s"
    minutes = round(seconds / 60)
    if minutes < 60:
        return f"{minutes} min"
    hours, minutes = divmod(minutes, 60)
    if hours < 48:
        return f"{hours} h {minutes} min"
    return f"{hours // 24} d {hours % 24} h"
