"""The same fit by lmfit, in the bare parameters: what ``fit`` is checked by.

Bounds and covariance are lmfit's; derivatives are central differences of the law's value, so that a
wrong derivative of a law cannot hide (lmfit's own one-sided ones leave four digits of an error).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from padlab.fitting.laws.law import Law

Array = NDArray[np.float64]


def fit_with_lmfit(law: Law, x: Array, y: Array, *, sigma: Array | None = None,
                   start: Array | None = None) -> tuple[Array, Array | None]:
    """Values (k,) and standard errors (k,) of ``law`` on ``y(x)``; errors are None where lmfit finds none.

    Parameters
    ----------
    x, y, sigma : array (n,)
        Finite; ``sigma`` > 0 are relative standard deviations of y.
    start : array (k,), optional
        First values; default the law's own guess.
    """
    import lmfit

    weight = np.ones_like(y) if sigma is None else 1.0 / np.asarray(sigma, dtype=np.float64)
    weight = weight / max(float(np.median(np.abs(y) * weight)), 1e-300)
    first = law.guess(x, y) if start is None else np.asarray(start, dtype=np.float64)
    parameters = lmfit.Parameters()
    for p, value in zip(law.parameters, first, strict=True):
        parameters.add(f"p_{p.name}", value=float(value), min=0.0 if p.is_positive else -math.inf)

    def residual(tried: lmfit.Parameters) -> Array:
        theta = np.array([tried[f"p_{p.name}"].value for p in law.parameters])
        with np.errstate(all="ignore"):
            return np.nan_to_num((law.value(x, theta) - y) * weight, nan=1e150, posinf=1e150, neginf=-1e150)

    def derivative(tried: lmfit.Parameters) -> Array:
        theta = np.array([tried[f"p_{p.name}"].value for p in law.parameters])
        columns = []
        for i in range(theta.size):
            step = np.zeros_like(theta)
            step[i] = 1e-5 * max(abs(float(theta[i])), 1e-12)
            with np.errstate(all="ignore"):
                rise = law.value(x, theta + step) - law.value(x, theta - step)
            columns.append(np.nan_to_num(rise / (2 * step[i]) * weight, nan=0.0))
        return np.column_stack(columns)

    found = lmfit.minimize(residual, parameters, Dfun=derivative, col_deriv=0, ftol=1e-14, xtol=1e-12,
                           gtol=0.0)
    values = np.array([found.params[f"p_{p.name}"].value for p in law.parameters])
    errors = [found.params[f"p_{p.name}"].stderr for p in law.parameters]
    return values, None if any(e is None for e in errors) else np.array(errors, dtype=np.float64)
