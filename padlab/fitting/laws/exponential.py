"""Exponential stiffening: F = a (e^(B x) - 1), so x = ln(1 + F/a) / B and k = B (F + a).

>>> round(float(law().value(np.array([2.0]), np.array([0.5, 8.0]))[0]), 7)
0.2011797
"""

from __future__ import annotations

import numpy as np

from padlab.fitting.laws.law import Array, Law, Parameter, Separable, clamp

PARAMETERS = (
    Parameter("a", "N", "force scale", 1e-4, 1e4),
    Parameter("B", "1/mm", "stiffening per mm", 1e-3, 1e4),
)


def law() -> Law:
    """The law, displacement over net force. Source: exponential law of soft tissue and fibre (Fung)."""
    return Law(
        "exponential", "displacement_mm over force_n", "F = a (exp(B x) - 1)",
        "exponential law (Fung, Biomechanics)", PARAMETERS, _value, _jacobian, _guess,
        Separable((0,), lambda f, q: np.log1p(f / q[0])[:, None],
                  lambda f, q: (-f / (q[0] * (q[0] + f)))[:, None, None],
                  lambda c, q: np.array([q[0], 1 / c[0]])),
    )


def _value(f: Array, p: Array) -> Array:
    return np.asarray(np.log1p(f / p[0]) / p[1])


def _jacobian(f: Array, p: Array) -> Array:
    a, b = p
    return np.column_stack([-f / (a * (a + f) * b), -np.log1p(f / a) / b**2])


def _guess(f: Array, x: Array) -> Array:
    # k is linear in F: its slope is B, its intercept a B.
    k = np.gradient(f, x) if np.all(np.diff(x) > 0) else np.array([np.nan])
    ok = np.isfinite(k) & (k > 0) if k.size == f.size else np.zeros(f.size, dtype=bool)
    if ok.sum() < 4:
        return clamp([1.0, 5.0], PARAMETERS)
    slope, intercept = np.polyfit(f[ok], k[ok], 1)
    return clamp([float(intercept / slope) if intercept * slope > 0 else 0.1, float(abs(slope))], PARAMETERS)
