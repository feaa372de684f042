"""What changes from stroke to stroke: towards an end, or by running in and then steadily.

>>> saturating().value(np.array([1.0, 4.0]), np.array([0.321, 0.021, 0.5])).round(4).tolist()
[0.3, 0.3105]
>>> round(float(running_in().value(np.array([1e6]), np.array([0.020, 5e4, 1.4e-8]))[0]), 6)
0.034
"""

from __future__ import annotations

import numpy as np

from padlab.fitting.laws.law import Array, Law, Parameter, Separable, clamp

SATURATING = (
    Parameter("x_inf", "mm", "where it ends", -1e3, 1e3),
    Parameter("c", "mm", "what was still to come after the first stroke", -1e3, 1e3),
    Parameter("p", "1", "exponent of the stroke's number", 0.2, 1.0),
)
RUNNING_IN = (
    Parameter("a", "mm", "what running in takes", 1e-9, 1e3),
    Parameter("N0", "strokes", "how long it takes", 1e-3, 1e9),
    Parameter("c", "mm/stroke", "what each later stroke takes", 1e-15, 1e3),
)


def saturating() -> Law:
    """x_N = x_inf - c N^-p, p from 0.2 to 1.

    Source: after Mullins, Rubber Chem. Technol. 42 (1969) 339 (from memory).
    """

    def basis(n: Array, q: Array) -> Array:
        return np.column_stack([np.ones_like(n), -(n ** -q[0])])

    def slope(n: Array, q: Array) -> Array:
        return np.stack([0 * n, n ** -q[0] * np.log(n)], axis=1)[:, :, None]

    def guess(n: Array, x: Array) -> Array:
        best, rss = [np.nan] * 3, np.inf
        for p in (0.25, 0.4, 0.6, 0.9):
            c, *_ = np.linalg.lstsq(basis(n, np.array([p])), x, rcond=None)
            left = float(np.sum((x - basis(n, np.array([p])) @ c) ** 2))
            if left < rss:
                best, rss = [float(c[0]), float(c[1]), p], left
        return clamp(best, SATURATING)

    return Law("saturating", "position_mm over stroke", "x = x_inf - c N^-p",
               "after Mullins 1969 (from memory)", SATURATING, lambda n, p: p[0] - p[1] * n ** -p[2],
               lambda n, p: np.column_stack([np.ones_like(n), -(n ** -p[2]), p[1] * n ** -p[2] * np.log(n)]),
               guess, Separable((2,), basis, slope, np.append))


def running_in() -> Law:
    """Loss w = a (1 - exp(-N/N0)) + c N.

    Source: running in over the steady wear of Archard, J. Appl. Phys. 24 (1953) 981 (from memory).
    """

    def basis(n: Array, q: Array) -> Array:
        return np.column_stack([-np.expm1(-n / q[0]), n])

    def slope(n: Array, q: Array) -> Array:
        return np.stack([-n / q[0] ** 2 * np.exp(-n / q[0]), 0 * n], axis=1)[:, :, None]

    def guess(n: Array, w: Array) -> Array:
        best, rss = [np.nan] * 3, np.inf
        for scale in np.geomspace(max(float(n[n > 0].min()), 1.0), float(n.max()), 12):
            c, *_ = np.linalg.lstsq(basis(n, np.array([scale])), w, rcond=None)
            left = float(np.sum((w - basis(n, np.array([scale])) @ c) ** 2))
            if c.min() > 0 and left < rss:
                best, rss = [float(c[0]), float(scale), float(c[1])], left
        return clamp(best, RUNNING_IN)

    return Law("running in", "loss_mm over strokes", "w = a (1 - exp(-N/N0)) + c N",
               "Archard 1953 (from memory)", RUNNING_IN,
               lambda n, p: -p[0] * np.expm1(-n / p[1]) + p[2] * n,
               lambda n, p: np.column_stack(
                   [-np.expm1(-n / p[1]), -p[0] * n / p[1] ** 2 * np.exp(-n / p[1]), n]),
               guess, Separable((1,), basis, slope, lambda c, q: np.array([c[0], q[0], c[1]])))
