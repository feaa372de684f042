"""How much sinks at which speed: a regularised spectrum of retardation times.

    x(t) = x0 + sum_j J_j (1 - exp(-t/tau_j)),   J_j >= 0, second differences of J penalised

Time constants lie on a log grid. The penalty is the largest whose curve still lies within the noise
(discrepancy principle: Morozov; from memory). A spectrum is known only inside
4.81 t_first ... t_last / 4.81 (e^(pi/2): Davies & Anderssen, J. Non-Newtonian Fluid Mech. 73 (1997)
163; from memory); beyond it shows what the penalty made of it.

>>> t = np.geomspace(0.1, 100, 31)
>>> round(condition_number(t, per_decade=1), 1), round(condition_number(t, per_decade=2), 1)
(46.8, 195.7)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from padlab.errors import FitError

Array = NDArray[np.float64]

EDGE = math.exp(math.pi / 2)
"""How far from the ends of the data a spectrum begins to be known."""
PENALTIES = tuple(float(p) for p in 10.0 ** np.arange(4, -8.1, -0.5))


@dataclass(frozen=True)
class Spectrum:
    """Parts that sink late, each with its time constant.

    ``is_within_noise``: the curve lies within the noise that was handed in.
    """

    at_once_mm: float
    tau_s: Array                    # (m,)
    part_mm: Array                  # (m,)
    known_s: tuple[float, float]
    penalty: float
    condition: float
    is_within_noise: bool

    def position_mm(self, time_s: Array) -> Array:
        """The position at times of the hold (n,)."""
        return np.asarray(self.at_once_mm + _rises(time_s, self.tau_s) @ self.part_mm)


def retardation_spectrum(time_s: Array, position_mm: Array, *, noise_mm: float,
                         per_decade: int = 6) -> Spectrum:
    """The spectrum of one hold at constant force.

    Parameters
    ----------
    time_s, position_mm : array (n,)
        Ascending times > 0.
    noise_mm : float
        Standard deviation of one position, correlation included.
    per_decade : int
        Time constants a decade; fewer than six leave gaps that a sharp one shows (the penalty, not the
        grid, keeps the spectrum smooth).

    Raises
    ------
    FitError
        Fewer than ten points, or under a decade of time.
    """
    t, x = np.asarray(time_s, dtype=np.float64), np.asarray(position_mm, dtype=np.float64)
    if t.size < 10 or t[0] <= 0 or t[-1] < 10 * t[0]:
        raise FitError("too short for a spectrum", expected="ten points over a decade of time at least",
                       seen=f"{t.size} points" + (f", {t[0]:g} s to {t[-1]:g} s" if t.size else ""))
    tau = _grid(t, per_decade)
    a = np.column_stack([np.ones_like(t), _rises(t, tau)]) / noise_mm
    y = x / noise_mm
    bend = np.hstack([np.zeros((tau.size - 2, 1)), np.diff(np.eye(tau.size), 2, axis=0)])
    # The penalty is scaled to the size of what sinks, so that its range does not depend on units.
    scale = max(float(np.ptp(y)), 1.0)
    found, penalty, left = np.zeros(tau.size + 1), PENALTIES[-1], math.inf
    # The sum of squares of n readings of noise scatters by sqrt(2 n) about n.
    spread = math.sqrt(2 * t.size)
    for penalty in PENALTIES:
        root = math.sqrt(penalty) * math.sqrt(t.size) / scale * tau.size**2
        found, _ = optimize.nnls(np.vstack([a, root * bend]), np.concatenate([y, np.zeros(len(bend))]),
                                 maxiter=100 * (tau.size + 1))
        left = float(np.sum((a @ found - y) ** 2))
        if left <= t.size + spread:
            break
    return Spectrum(float(found[0]), tau, found[1:], (EDGE * float(t[0]), float(t[-1]) / EDGE), penalty,
                    condition_number(t, per_decade=per_decade), left <= t.size + 3 * spread)


def condition_number(time_s: Array, *, per_decade: int) -> float:
    """Of the exponentials on the grid, columns scaled to length 1: how far the data tell them apart."""
    a = np.column_stack([np.ones_like(time_s), _rises(time_s, _grid(time_s, per_decade))])
    return float(np.linalg.cond(a / np.linalg.norm(a, axis=0)))


def _grid(time_s: Array, per_decade: int) -> Array:
    decades = math.log10(float(time_s[-1]) / float(time_s[0]))
    return np.geomspace(time_s[0], time_s[-1], round(per_decade * decades) + 1)


def _rises(time_s: Array, tau_s: Array) -> Array:
    return np.asarray(-np.expm1(-time_s[:, None] / tau_s))
