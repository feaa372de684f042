"""Stamps of a rig -> the run's own axis, as the readings come.

The axis is the rig's own clock where it sends one, unwrapped, from 0 at the first reading; else
the stamps of the pieces of bytes. It serves the steps of a procedure while they are recorded and
the gaps; :mod:`padlab.signals.merge` makes the final axis from the stored readings by the same
rule: a clock that steps back has wrapped if it was near its end, else the rig was restarted and
the host's time bridges the step.

>>> line = Timeline(s_per_tick=0.001, modulus=1000)
>>> line.add(host_s=2.0, ticks=np.array([980.0, 990.0, 0.0, 10.0])).round(3).tolist()
[0.0, 0.01, 0.02, 0.03]
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LONGEST_TRUSTED_RATE_S = 0.2
"""Host time that must have passed before the clock's own rate is believed [s]."""


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
        self.restarts = 0
        self._last_tick: float | None = None
        self._last_host = 0.0
        self._first_host: float | None = None
        self._run_s = 0.0                        # rig seconds and host seconds without restarts,
        self._run_host_s = 0.0                   # for the clock's rate against the host

    @property
    def rate(self) -> float:
        """Seconds of the rig in one second of the host (a virtual rig may be sped up)."""
        if self.s_per_tick is None or self._run_host_s < LONGEST_TRUSTED_RATE_S:
            return 1.0
        return self._run_s / self._run_host_s

    def add(self, *, host_s: float, ticks: Array | None, count: int | None = None) -> Array:
        """Times of the readings of one piece of bytes.

        Parameters
        ----------
        host_s : float
            The stamp of the piece [s].
        ticks : numpy.ndarray or None
            The rig's clock in each reading, shape (n,).
        count : int, optional
            n, where there is no clock.

        Returns
        -------
        numpy.ndarray
            Times from the first reading [s], shape (n,).
        """
        if self._first_host is None:
            self._first_host = self._last_host = host_s
        if self.s_per_tick is None or ticks is None:
            self._last_host, self.now_s = host_s, host_s - self._first_host
            return np.full(count or 0, self.now_s)
        if ticks.size == 0:
            return np.zeros(0)
        before = ticks[0] if self._last_tick is None else self._last_tick
        step = np.diff(ticks, prepend=before) * self.s_per_tick
        host_step = max(0.0, host_s - self._last_host)
        rig_s, steady = 0.0, True
        for i in np.flatnonzero(step < 0).tolist():
            was = before if i == 0 else ticks[i - 1]
            modulus = self.modulus or 0
            if modulus and was > 0.9 * modulus and ticks[i] < 0.1 * modulus:
                step[i] += modulus * self.s_per_tick
            else:
                self.restarts += 1
                steady = False
                step[i] = max(host_step * self.rate if i == 0 else 0.0, 1e-6)
        time = self.now_s + np.cumsum(step)
        rig_s = float(time[-1]) - self.now_s
        if steady and self._last_tick is not None:
            self._run_s += rig_s
            self._run_host_s += host_step
        self._last_tick, self._last_host, self.now_s = float(ticks[-1]), host_s, float(time[-1])
        return np.asarray(time, dtype=np.float64)
