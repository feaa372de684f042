"""Power law: F = c x^p, so x = (F/c)^(1/p).

>>> round(float(law().value(np.array([8.0]), np.array([1.0, 3.0]))[0]), 6)
2.0
"""

from __future__ import annotations

import numpy as np

from padlab.fitting.laws.law import Array, Law, Parameter, Separable, clamp

PARAMETERS = (
    Parameter("c", "N/mm^p", "force at 1 mm", 1e-4, 1e12),
    Parameter("p", "1", "exponent", 0.2, 12.0),
)


def law() -> Law:
    """The law, displacement over net force. Source: Hertz-type contact, exponent free."""
    return Law(
        "power", "displacement_mm over force_n", "F = c x^p", "power law of contact (Hertz, exponent free)",
        PARAMETERS, _value, _jacobian, _guess, Separable((1,), _basis, _slope, _join),
    )


def _value(f: Array, p: Array) -> Array:
    return np.asarray((f / p[0]) ** (1 / p[1]))


def _jacobian(f: Array, p: Array) -> Array:
    x = _value(f, p)
    return np.column_stack([-x / (p[0] * p[1]), -x * np.log(f / p[0]) / p[1] ** 2])


def _basis(f: Array, q: Array) -> Array:
    # x = s F^(1/p) with s = c^(-1/p), the scale of x.
    return np.asarray((f ** (1 / q[0]))[:, None])


def _slope(f: Array, q: Array) -> Array:
    return np.asarray((-(f ** (1 / q[0])) * np.log(f) / q[0] ** 2)[:, None, None])


def _join(s: Array, q: Array) -> Array:
    return np.array([s[0] ** -q[0] if s[0] > 0 else np.nan, q[0]])


def _guess(f: Array, x: Array) -> Array:
    ok = (x > 0) & (f > 0)
    if ok.sum() < 2:
        return clamp([np.nan, np.nan], PARAMETERS)
    p, log_c = np.polyfit(np.log(x[ok]), np.log(f[ok]), 1)
    return clamp([float(np.exp(log_c)), float(p)], PARAMETERS)


def force_law() -> Law:
    """The same law the other way round, force over displacement: y = c x^p."""
    return Law(
        "power", "force_n over displacement_mm", "F = c x^p", "power law of contact (Hertz, exponent free)",
        PARAMETERS,
        lambda x, p: p[0] * x ** p[1],
        lambda x, p: np.column_stack([x ** p[1], p[0] * x ** p[1] * np.log(x)]),
        lambda x, f: _guess(f, x),
        Separable((1,), lambda x, q: (x ** q[0])[:, None],
                  lambda x, q: (x ** q[0] * np.log(x))[:, None, None], np.append),
    )
