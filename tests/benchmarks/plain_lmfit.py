"""The same job as ``fit_run`` done plainly with lmfit and its defaults, on the same points.

What a careful person would write in an evening: the rising curve of both limbs, the laws on the
loading limb, the laws of sinking; values and covariance of each. No derivatives are given, no
smoothing is chosen and no stroke is left out in turn: the curve's smoothing is handed in.
"""

import lmfit
import numpy as np


def rising_curve(blocks, penalty, smoothing, rising):
    """Penalised least squares with non-negative coefficients; the last one is free."""
    a = np.vstack([block for block, _ in blocks])
    y = np.concatenate([target for _, target in blocks])
    values, vectors = np.linalg.eigh(penalty)
    root = (vectors * np.sqrt(np.maximum(values, 0))).T * np.sqrt(smoothing * len(blocks))
    parameters = lmfit.Parameters()
    for i in range(a.shape[1]):
        if i < rising:
            parameters.add(f"c{i}", value=0.02, min=0)
        else:
            parameters.add(f"c{i}", value=0.001)

    def residual(p):
        c = np.array([p[f"c{i}"].value for i in range(a.shape[1])])
        return np.concatenate([a @ c - y, root @ c])

    return lmfit.minimize(residual, parameters)


def law(function, x, y, start, sigma=None):
    """One law by lmfit's Model with its defaults."""
    weights = None if sigma is None else 1 / sigma
    model = lmfit.Model(function)
    return model.fit(y, x=x, weights=weights, **start)


def linear(x, K):
    """F = K x, from F0."""
    return (x - 0.25) / K


def power(x, c, p):
    """F = c x^p, from F0."""
    return (x / c) ** (1 / p) - (0.25 / c) ** (1 / p)


def exponential(x, a, B):
    """F = a (exp(B x) - 1), from F0."""
    return (np.log1p(x / a) - np.log1p(0.25 / a)) / B


def logarithmic(x, x1, c):
    """x1 (1 + c log10 t), clock as handed in."""
    return x1 * (1 + c * np.log10(x))


def findley(x, x0, m, n):
    """x0 + m t^n."""
    return x0 + m * x**n


def approach(x, x0, b, rate):
    """x0 + b (1 - exp(-rate t))."""
    return x0 + b * (1 - np.exp(-rate * x))
