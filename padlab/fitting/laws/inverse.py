"""Laws that say force over compression, turned round: displacement over force.

The root is bracketed and halved (Brent's idea, all points at once), then polished by Newton; the
derivatives follow from F(x(F, theta), theta) = F: dx/dtheta = -(dF/dtheta) / (dF/dx).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from padlab.fitting.laws.law import Array, Law, Parameter

HALVINGS = 30
POLISHES = 6


def turned(
    name: str, equation: str, source: str, parameters: tuple[Parameter, ...], *, most_mm: float,
    force: Callable[[Array, Array], Array], slope: Callable[[Array, Array], Array],
    by_theta: Callable[[Array, Array], Array], guess: Callable[[Array, Array], Array],
    needs_gain: float = 0.0,
) -> Law:
    """The law x(F) of a rising ``force(x, theta)`` with F(0) = 0.

    Parameters
    ----------
    most_mm : float
        Compression that is never reached (the pad's thickness, for most).
    force, slope : callable
        F and dF/dx at x (n,), theta (k,): (n,).
    by_theta : callable
        dF/dtheta (n, k).
    """
    top = most_mm * (1 - 1e-9)

    def value(f: Array, p: Array) -> Array:
        low, high = np.zeros_like(f), np.full_like(f, top)
        for _ in range(HALVINGS):
            middle = (low + high) / 2
            below = force(middle, p) < f
            low, high = np.where(below, middle, low), np.where(below, high, middle)
        x = (low + high) / 2
        for _ in range(POLISHES):
            k = slope(x, p)
            step = np.where(k > 0, (force(x, p) - f) / np.where(k > 0, k, 1.0), 0.0)
            x = np.clip(x - step, low, high)
        return np.asarray(x)

    def jacobian(f: Array, p: Array) -> Array:
        x = value(f, p)
        return np.asarray(-by_theta(x, p) / slope(x, p)[:, None])

    return Law(name, "displacement_mm over force_n", equation, source, parameters, value, jacobian, guess,
               needs_gain=needs_gain)
