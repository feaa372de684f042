"""Samples of net force -> presses, as they come: when each began, how high, when it was let go.

A press begins where the force rises by ``on_n`` over where it rested, and ends where it falls below
F0 (or below 4 % of its own peak, whichever is more: a finger that stays on, or a zero that moved a
little, must not tie two presses into one). Work is a few array operations a piece, and a loop over
presses only.

>>> finder = PressFinder(on_n=0.5)
>>> t = np.arange(0, 4, 0.02)
>>> spans = list(finder.feed(t, np.maximum(0.0, 18 * np.sin(np.pi * (t - 1) / 2))))
>>> [(s.press.from_s, round(s.press.peak_n, 1), s.ended) for s in spans if s.press]
[(1.02, 18.0, True)]
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.records.pad import F0_N

Array = NDArray[np.float64]

OFF_SHARE = 0.04
"""A press also ends below this share of its peak (0.72 N of 18 N); design choice."""
DIP_SHARE, RISE_SHARE = 0.6, 0.3
"""Down below 60 % of the peak and up again by 30 % of it is a second press in one; design choice."""
SPIKE_N = 1.0
"""One sample this far from both neighbours is a damaged reading, no force of a hand [N]."""


@dataclass
class Press:
    """A press so far."""

    from_s: float
    to_s: float
    peak_n: float = 0.0
    peak_s: float = 0.0
    twice: bool = False              # it fell and rose again before it was let go
    judged: bool = False             # a step has taken it
    broken: bool = False             # readings of it are missing
    _valley_n: float | None = None

    @property
    def rise_s(self) -> float:
        """From its begin to its peak [s]."""
        return self.peak_s - self.from_s

    def add(self, time: Array, net: Array) -> None:
        """Take its next samples."""
        self.to_s = float(time[-1])
        peak = np.maximum.accumulate(np.maximum(net, self.peak_n))
        if not self.twice:
            self._look_for_second(net, peak)
        top = int(net.argmax())
        if net[top] > self.peak_n:
            self.peak_n, self.peak_s = float(net[top]), float(time[top])

    def _look_for_second(self, net: Array, peak: Array) -> None:
        if self._valley_n is None:
            dips = np.flatnonzero(net < DIP_SHARE * peak)
            if dips.size == 0 or peak[dips[0]] < 4 * F0_N:
                return
            first = int(dips[0])
            self._valley_n = float(net[first])
            net, peak = net[first:], peak[first:]
        valley = np.minimum.accumulate(np.minimum(net, self._valley_n))
        self.twice = bool((net - valley > RISE_SHARE * peak).any())
        self._valley_n = float(valley[-1])


@dataclass(frozen=True)
class Span:
    """Consecutive samples, all of one press or all of none."""

    time_s: Array
    net_n: Array
    press: Press | None
    ended: bool = False              # the press ends with this span


class PressFinder:
    """Cuts a stream of samples into spans."""

    def __init__(self, *, on_n: float) -> None:
        self.on_n = on_n
        self.press: Press | None = None
        self._low_n = 0.0                # where the force rests since the last press, never below 0

    def feed(self, time: Array, net: Array) -> Iterator[Span]:
        """Take the next samples; the spans come in order, and each is complete when it comes."""
        start = 0
        while start < time.size:
            t, f = time[start:], net[start:]
            if self.press is None:
                low = np.maximum(np.minimum.accumulate(np.minimum(f, self._low_n)), 0.0)
                over = np.flatnonzero(f > low + self.on_n)
                stop = int(over[0]) if over.size else f.size
                if stop:
                    self._low_n = float(low[stop - 1])
                    yield Span(t[:stop], f[:stop], None)
                if over.size:
                    self.press = Press(float(t[stop]), float(t[stop]))
            else:
                peak = np.maximum.accumulate(np.maximum(f, self.press.peak_n))
                under = np.flatnonzero(f < np.maximum(F0_N, OFF_SHARE * peak))
                stop = int(under[0]) if under.size else f.size
                press = self.press
                if stop:
                    press.add(t[:stop], f[:stop])
                if under.size:
                    self.press, self._low_n = None, float(max(f[stop], 0.0))
                yield Span(t[:stop], f[:stop], press, ended=bool(under.size))
            start += stop

    def drop(self, *, rests_at_n: float = 0.0) -> Press | None:
        """End a press from outside (the rig was lost, the zero moved); gives it, if there was one."""
        press, self.press, self._low_n = self.press, None, max(0.0, rests_at_n)
        return press


class Mender:
    """Takes out single damaged samples; holds back the last sample until it knows the next."""

    def __init__(self) -> None:
        self.reset()

    def reset(self) -> None:
        """Forget what is held back (after a gap)."""
        self._time: Array = np.zeros(0)
        self._force: Array = np.zeros(0)
        self._begun = False

    def feed(self, time: Array, force: Array) -> tuple[Array, Array]:
        """The samples that now have both neighbours, mended, in order of time."""
        time, force = np.concatenate([self._time, time]), np.concatenate([self._force, force])
        self._time, self._force = time[-2:], force[-2:]
        if time.size < 3:
            return (time[:0], force[:0])
        before, here, after = force[:-2], force[1:-1], force[2:]
        middle = np.maximum(np.minimum(before, here), np.minimum(np.maximum(before, here), after))
        mended = np.where(np.abs(here - middle) > SPIKE_N, middle, here)
        t_before, t_here, t_after = time[:-2], time[1:-1], time[2:]
        outside = ((t_here < t_before) | (t_here > t_after)) & (t_before <= t_after)
        when = np.where(outside, (t_before + t_after) / 2, t_here)
        if not self._begun:
            self._begun = True
            mended, when = np.concatenate([force[:1], mended]), np.concatenate([time[:1], when])
        return when, mended
