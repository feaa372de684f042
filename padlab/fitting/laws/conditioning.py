"""What changes from stroke to stroke while a pad is worked in: towards an end.

>>> saturating().value(np.array([1.0, 4.0]), np.array([0.321, 0.021, 0.5])).round(4).tolist()
[0.3, 0.3105]
"""

from __future__ import annotations

import numpy as np

from padlab.fitting.laws.law import Array, Law, Parameter, Separable, clamp

SATURATING = (
    Parameter("x_inf", "mm", "where it ends", -1e3, 1e3),
    Parameter("c", "mm", "what was still to come after the first stroke", -1e3, 1e3),
    Parameter("p", "1", "exponent of the stroke's number", 0.2, 1.0),
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
