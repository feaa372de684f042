"""What is left of a squeeze while the pad rests: s = s30 [1 - c log10(t / 30 s)].

It cannot tell what will stay for ever from what only comes back slowly: it is never carried on to 0.

>>> law().value(np.array([30.0, 300.0]), np.array([0.08, 0.2])).round(6).tolist()
[0.08, 0.064]
"""

from __future__ import annotations

import numpy as np

from padlab.fitting.laws.law import Array, Law, Parameter, Separable, clamp

PARAMETERS = (Parameter("s30", "mm", "what is left after 30 s", 1e-7, 1e3),
              Parameter("c", "1/decade", "share that comes back per decade of time", -2.0, 2.0))
REFERENCE_S = 30.0


def law() -> Law:
    """Straight in the log of the time of rest. Source: common practice of set tests, no source."""

    def scaled(t: Array) -> Array:
        return np.asarray(np.log10(t / REFERENCE_S))

    def basis(t: Array, q: Array) -> Array:
        return np.column_stack([np.ones_like(t), -scaled(t)])

    def guess(t: Array, s: Array) -> Array:
        (a, b), *_ = np.linalg.lstsq(basis(t, t[:0]), s, rcond=None)
        return clamp([float(a), float(b / a) if a else 0.0], PARAMETERS)

    return Law("recovery", "set_mm over time_s", "s = s30 (1 - c log10(t / 30 s))",
               "set read at several times (common practice, no source)", PARAMETERS,
               lambda t, p: p[0] * (1 - p[1] * scaled(t)),
               lambda t, p: np.column_stack([1 - p[1] * scaled(t), -p[0] * scaled(t)]), guess,
               Separable((), basis, lambda t, q: np.zeros((t.size, 2, 0)),
                         lambda c, q: np.array([c[0], c[1] / c[0]])))
