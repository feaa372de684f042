"""A spring, one Kelvin-Voigt element and a dashpot in a row (Burgers), and recovery by superposition.

    x = F [1/k1 + (1/k2) (1 - exp(-t/tau)) + t/eta]

>>> round(float(law(force_n=4.0).value(np.array([10.0]), np.array([80.0, 400.0, 1 / 3.0, 60000.0]))[0]), 7)
0.0603099
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from padlab.fitting.laws.law import Array, Law, Parameter, Separable, clamp

PARAMETERS = (
    Parameter("k1", "N/mm", "spring that gives at once", 1e-3, 1e7),
    Parameter("k2", "N/mm", "spring that gives late", 1e-3, 1e9),
    Parameter("rate", "1/s", "1 / retardation time", 1e-9, 1e6),
    Parameter("eta", "N s/mm", "what flows", 1e-3, 1e15),
)


def law(*, force_n: float) -> Law:
    """Position over the time of a hold at ``force_n``. Source: Burgers 1935 (from memory)."""

    def basis(t: Array, q: Array) -> Array:
        return force_n * np.column_stack([np.ones_like(t), -np.expm1(-q[0] * t), t])

    def slope(t: Array, q: Array) -> Array:
        return force_n * np.stack([0 * t, t * np.exp(-q[0] * t), 0 * t], axis=1)[:, :, None]

    def value(t: Array, p: Array) -> Array:
        return np.asarray(force_n * (1 / p[0] - np.expm1(-p[2] * t) / p[1] + t / p[3]))

    def jacobian(t: Array, p: Array) -> Array:
        return force_n * np.column_stack([
            np.full_like(t, -1 / p[0] ** 2), np.expm1(-p[2] * t) / p[1] ** 2,
            t * np.exp(-p[2] * t) / p[1], -t / p[3] ** 2])

    def guess(t: Array, x: Array) -> Array:
        best, rss = [np.nan] * 4, np.inf
        for rate in np.geomspace(0.5 / float(t[-1]), 2 / max(float(t[0]), float(t[-1]) / 1e3), 12):
            c, *_ = np.linalg.lstsq(basis(t, np.array([rate])), x, rcond=None)
            left = float(np.sum((x - basis(t, np.array([rate])) @ c) ** 2))
            if c.min() > 0 and left < rss:
                best, rss = [1 / c[0], 1 / c[1], float(rate), 1 / c[2]], left
        return clamp([float(v) for v in best], PARAMETERS)

    return Law("Burgers", "position_mm over time_s", "x = F [1/k1 + (1 - exp(-rate t))/k2 + t/eta]",
               "Burgers 1935 (from memory)", PARAMETERS, value, jacobian, guess,
               Separable((2,), basis, slope, lambda c, q: np.array([1 / c[0], 1 / c[1], q[0], 1 / c[2]])))


def recovered(sunk: Callable[[Array], Array], held_s: float) -> Callable[[Array], Array]:
    """What is left, over the time since a hold of ``held_s`` was let go: x(t + held) - x(t).

    Boltzmann's superposition; what differs from it by over 10 % is lasting set or no linear pad.

    >>> left = recovered(lambda t: 0.2 * np.log10(1 + t), held_s=9.0)
    >>> left(np.array([0.0])).round(6).tolist()
    [0.2]
    """
    return lambda t: np.asarray(sunk(t + held_s) - sunk(t))
