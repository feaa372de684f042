r"""The two ways in which a pad remembers how it was pressed: play and retarded response.

* **Play** (rate-independent loop): the output follows the drive v only where the drive has used up the
  play r between them, like a slotted coupling:

      P_r[v](t) = min(max(P_r before, v - r), v + r)

  A loop of the drive between -A and A (A > r) encloses 2 r * 2 (A - r) in the plane of drive and output.
  Source: A. Visintin, Differential Models of Hysteresis, Springer 1994, ch. III; K. Kuhnen, Modeling,
  identification and compensation of complex hysteretic nonlinearities, European Journal of Control 9
  (2003) 407 (both from memory).
* **Retarded response**: the output runs after the drive with one time constant,

      dy/dt = (v - y) / tau,

  a Kelvin element of unit compliance; elements with time constants on a log grid make a Prony series
  (Y. C. Fung, Biomechanics: Mechanical Properties of Living Tissues, 2nd ed. 1993, ch. 7: the drive may
  be a nonlinear function of the load, "quasi-linear"; from memory). Between two samples the drive is a
  straight line, and the step is exact for it, however long (R. L. Taylor, K. S. Pister & G. L. Goudreau,
  International Journal for Numerical Methods in Engineering 2 (1970) 45; from memory):

      y1 = e y0 + (f - e) v0 + (1 - f) v1,    e = exp(-u),  f = (1 - e)/u,  u = dt/tau

>>> step = retarded(np.array([0.0, 0.5, 3.0]), np.array([0.0, 5.0, 5.0]), np.array([2.0]))
>>> round(0.02 * float(step[-1, 0]), 8)          # 0.02 mm/N, 5 N within 0.5 s, after 3 s
0.07465015
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from padlab.fitting.scan import clip_scan, linear_scan

Array = NDArray[np.float64]

SMALL = 1e-2
"""Below this dt/tau the step's factors are read from their series: differences would lose digits."""


def play(drive: Array, reach: Array, start: Array | None = None) -> Array:
    """Play operators.

    Parameters
    ----------
    drive : array (n,)
        Any unit.
    reach : array (m,)
        The play r of each, >= 0, in the drive's unit.
    start : array (m,), optional
        Their outputs before the first sample; by default the first drive: nothing has happened yet.

    Returns
    -------
    array (n, m)
    """
    before = np.full(reach.size, drive[0]) if start is None else start
    return clip_scan(drive[:, None] - reach, drive[:, None] + reach, before)


def retarded(time_s: Array, drive: Array, tau_s: Array, start: Array | None = None, *,
             before: tuple[float, float] | None = None) -> Array:
    """Retarded responses to a drive that is a straight line between samples.

    Parameters
    ----------
    time_s, drive : array (n,)
        Times [s] do not fall; steps may be uneven.
    tau_s : array (k,)
        Time constants [s].
    start : array (k,), optional
        Outputs before the first sample; 0 by default.
    before : (float, float), optional
        Time and drive of the last sample before these; by default nothing passes before the first one.

    Returns
    -------
    array (n, k), in the drive's unit
    """
    first_time, first_drive = (time_s[0], drive[0]) if before is None else before
    u = np.diff(time_s, prepend=first_time)[:, None] / tau_s
    e = np.exp(-u)
    short = u < SMALL
    large = np.where(short, 1.0, u)
    f = -np.expm1(-large) / large
    old = np.where(short, u * (1/2 - u * (1/3 - u * (1/8 - u * (1/30 - u / 144)))), f - e)
    new = np.where(short, u * (1/2 - u * (1/6 - u * (1/24 - u * (1/120 - u / 720)))), 1.0 - f)
    from_v = np.concatenate([[first_drive], drive[:-1]])
    state = np.zeros(tau_s.size) if start is None else start
    return linear_scan(e, from_v[:, None] * old + drive[:, None] * new, state)
