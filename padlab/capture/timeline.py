"""Stamps of a rig -> the run's own axis, as the readings come.

The axis is the rig's own clock where it sends one, unwrapped, from 0 at the first reading; else
the stamps of the pieces of bytes. It serves the steps of a procedure while they are recorded and
the gaps; :mod:`padlab.signals.merge` makes the final axis from the stored readings by the same
rule: a clock that steps back has wrapped if it was near its end, else the rig was restarted and
the host's time bridges the step.

>>> line = Timeline(s_per_tick=0.001, modulus=1000)
>>> line.add(host_s=np.full(4, 2.0), ticks=np.array([980.0, 990.0, 0.0, 10.0])).round(3).tolist()
[0.0, 0.01, 0.02, 0.03]
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from padlab.signals.clocks import without_odd_ticks

Array = NDArray[np.float64]

LONGEST_TRUSTED_RATE_S = 0.2
"""Host time that must have passed before the clock's own rate is believed [s]."""


def steps_from(before: float, values: Array) -> Array:
    """Steps of values, the first from what came before: quicker than ``numpy.diff`` with ``prepend``.

    >>> steps_from(1.0, np.array([2.0, 4.0])).tolist()
    [1.0, 2.0]
    """
    steps = np.empty(values.size)
    steps[0] = values[0] - before
    np.subtract(values[1:], values[:-1], out=steps[1:])
    return steps


class Timeline:
    """Puts the readings of one instrument on the run's axis.

    Parameters
    ----------
    s_per_tick : float or None
        Seconds in one tick of the rig's clock; None where it has none.
    modulus : int or None
        Ticks after which the clock begins anew.
    """

    def __init__(self, *, s_per_tick: float | None, modulus: int | None) -> None:
        self.s_per_tick = s_per_tick
        self.modulus = modulus
        self.now_s = 0.0                         # time of the last reading
        self.restarts: list[tuple[float, float]] = []      # where the clock began anew: from, to
        self._last_tick: float | None = None
        self._last_host = 0.0
        self._before: tuple[float, float] | None = None    # tick and time of the last reading but one
        self._first_host: float | None = None
        self._run_s = 0.0                        # rig seconds and host seconds without restarts,
        self._run_host_s = 0.0                   # for the clock's rate against the host

    @property
    def rate(self) -> float:
        """Seconds of the rig in one second of the host (a virtual rig may be sped up)."""
        if self.s_per_tick is None or self._run_host_s < LONGEST_TRUSTED_RATE_S:
            return 1.0
        return self._run_s / self._run_host_s

    def host_at(self, time_s: float) -> float:
        """The host's time at a time of this instrument, reckoned from its last reading [s]."""
        return self._last_host + (time_s - self.now_s) / self.rate

    def at_host(self, host_s: float) -> float:
        """The time of this instrument at one of the host, from its last reading on [s]; 0 before one."""
        return 0.0 if self._first_host is None else self.now_s + (host_s - self._last_host) * self.rate

    def add(self, *, host_s: Array, ticks: Array | None) -> Array:
        """Times of the next readings.

        Parameters
        ----------
        host_s : numpy.ndarray
            The stamp of the piece that brought each reading [s], shape (n,).
        ticks : numpy.ndarray or None
            The rig's clock in each reading, shape (n,); None where it has none.

        Returns
        -------
        numpy.ndarray
            Times from the first reading [s], shape (n,).
        """
        if host_s.size == 0:
            return np.zeros(0)
        if self._first_host is None:
            self._first_host = self._last_host = float(host_s[0])
        if self.s_per_tick is None or ticks is None:
            time = host_s - self._first_host
            self.now_s, self._last_host = float(time[-1]), float(host_s[-1])
            return time
        ticks = self._mended(ticks)
        before = ticks[0] if self._last_tick is None else self._last_tick
        step = steps_from(float(before), ticks) * self.s_per_tick
        begun_anew: list[int] = []
        for i in np.flatnonzero(step < 0).tolist():
            was = before if i == 0 else ticks[i - 1]
            modulus = self.modulus or 0
            if modulus and was > 0.9 * modulus and ticks[i] < 0.1 * modulus:
                step[i] += modulus * self.s_per_tick
            else:
                begun_anew.append(i)
                host_step = float(host_s[i]) - (self._last_host if i == 0 else float(host_s[i - 1]))
                step[i] = max(host_step * self.rate, 1e-6)
        time = self.now_s + np.cumsum(step)
        self.restarts += [(float(time[i] - step[i]), float(time[i])) for i in begun_anew]
        if not begun_anew and self._last_tick is not None:
            self._run_s += float(time[-1]) - self.now_s
            self._run_host_s += float(host_s[-1]) - self._last_host
        earlier = (self._last_tick, self.now_s) if self._last_tick is not None else None
        self._before = (float(ticks[-2]), float(time[-2])) if ticks.size > 1 else earlier
        self._last_tick, self._last_host = float(ticks[-1]), float(host_s[-1])
        self.now_s = float(time[-1])
        return np.asarray(time, dtype=np.float64)

    def _mended(self, ticks: Array) -> Array:
        """Without ticks that were damaged on the way; the last of the readings before may be one too."""
        if self._before is None or self._last_tick is None:
            return without_odd_ticks(ticks)
        joined = np.concatenate([[self._before[0], self._last_tick], ticks])
        mended = without_odd_ticks(joined)
        if mended[1] != joined[1]:
            self._last_tick, self.now_s = self._before
        return mended[2:]
