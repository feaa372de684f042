"""Law + data -> Fit: values, covariance, and a verdict of padlab's own.

The search is MINPACK's (More, Garbow & Hillstrom, ANL-80-74, 1980) by scipy; how it says it ended
is only an input to the verdict. Positive parameters are searched in their logarithm, with the law's
own derivatives. ``reference`` fits the same with lmfit, to check by.

>>> from padlab.fitting.laws import power
>>> x = np.linspace(0.1, 2, 30)
>>> f = fit(power.force_law(), x, 3.0 * x**1.5)
>>> [round(float(v), 6) for v in f.values], str(f.verdict)
([3.0, 1.5], 'good')
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from padlab.errors import FitError
from padlab.fitting.laws.law import Law
from padlab.fitting.projection import FTOL, XTOL, search
from padlab.fitting.results import Verdict

Array = NDArray[np.float64]

UNDETERMINED_SHARE = 0.5
"""A standard error over half the value leaves the value open (its 95 % interval reaches 0)."""
FEWEST_GATED = 10
"""Fewer points show no pattern."""


@dataclass(frozen=True)
class Fit:
    """A fitted law. ``covariance`` is None where it could not be found."""

    law: Law
    values: Array                        # (k,)
    covariance: Array | None             # (k, k)
    n_used: int
    n_dropped: int
    residual_rms: float                  # unweighted, in the unit of y
    weighted_rss: float
    verdict: Verdict
    reason: str

    @property
    def stderr(self) -> Array | None:
        """Standard errors (k,), or None."""
        return None if self.covariance is None else np.sqrt(np.diag(self.covariance))

    @property
    def is_valid(self) -> bool:
        """Whether the values may be used."""
        return self.verdict is Verdict.GOOD

    def predict(self, x: Array) -> Array:
        """The law at ``x``."""
        return self.law.value(x, self.values)

    def predict_standard_error(self, x: Array) -> Array | None:
        """Standard error of the law at ``x`` by the delta method, or None."""
        if self.covariance is None:
            return None
        g = self.law.jacobian(x, self.values)
        return np.asarray(np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", g, self.covariance, g), 0)))


def fit(law: Law, x: Array, y: Array, *, sigma: Array | None = None, start: Array | None = None,
        effective_share: float = 1.0, gate: Array | None = None) -> Fit:
    """Fit ``law`` to ``y(x)`` by weighted least squares.

    Parameters
    ----------
    x, y : array (n,)
        Finite numbers; others are dropped and counted.
    sigma : array (n,), optional
        RELATIVE standard deviations of y (the scale is found from the residuals).
    start : array (k,), optional
        First values; default the law's own guess.
    effective_share : float
        n_eff / n of serially correlated residuals; it widens the covariance.
    gate : array (n,), optional
        Largest residual allowed, in the unit of y, after smoothing over a tenth of the points;
        above it the verdict is ``residual_pattern``.

    Raises
    ------
    FitError
        x and y differ in length.
    """
    x, y = np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)
    if x.shape != y.shape or x.ndim != 1:
        raise FitError(f"{law.name}: x and y differ in length", expected=f"{x.shape}", seen=f"{y.shape}")
    keep = np.isfinite(x) & np.isfinite(y)
    s = np.ones_like(y) if sigma is None else np.asarray(sigma, dtype=np.float64)
    keep &= np.isfinite(s) & (s > 0)
    dropped = int(np.sum(~keep))
    x, y, s = x[keep], y[keep], s[keep]
    k = len(law.parameters)
    positive = np.array([p.is_positive for p in law.parameters])
    if x.size < k + 2:
        nothing = np.full(k, np.nan) if start is None else np.asarray(start, dtype=np.float64)
        return Fit(law, nothing, None, int(x.size), dropped, math.nan, math.nan, Verdict.TOO_FEW_POINTS,
                   f"{x.size} points for {k} parameters")
    first = law.guess(x, y) if start is None else np.asarray(start, dtype=np.float64)
    # Parameters on very different scales are brought near 1; positive ones through the logarithm.
    # A first value of 0 tells no size; the bounds do.
    size = np.where(first == 0, [p.upper - p.lower for p in law.parameters], np.abs(first))
    unit = np.where(positive, 1.0, np.maximum(size, 1e-12))
    w = 1.0 / (s * max(float(np.median(np.abs(y) / s)), 1e-300))

    def theta_of(phi: Array) -> Array:
        return np.where(positive, np.exp(np.clip(phi, -700, 700)), phi * unit)

    def residual(phi: Array) -> Array:
        return _finite((law.value(x, theta_of(phi)) - y) * w)

    def derivative(phi: Array) -> Array:
        theta = theta_of(phi)
        return _finite(law.jacobian(x, theta) * (np.where(positive, theta, unit) * w[:, None]))

    with np.errstate(all="ignore"):
        found = None if law.separable is None else search(law, x, y, w, first)
        ended = 1
        if found is None:
            logs = np.log(np.where(positive, np.maximum(first, 1e-300), 1.0))
            phi0 = np.where(positive, logs, first / unit)
            # Where the projected search has left the bounds, the best place is at one: creeping up to it
            # for a thousand steps adds nothing to that answer.
            most = 400 if law.separable is None else 60
            phi, _, _, _, ended = optimize.leastsq(residual, phi0, Dfun=derivative, full_output=True,
                                                   ftol=FTOL, xtol=XTOL, gtol=0.0, maxfev=most * (k + 1))
            found = theta_of(phi)
        theta = found
        jac = law.jacobian(x, theta) * w[:, None]
        plain = law.value(x, theta) - y
        rss = float(np.sum((plain * w) ** 2))
        covariance = _covariance(jac, rss, max(x.size - k, 1), effective_share)
        verdict, reason = _verdict(law, theta, covariance, jac * np.where(positive, theta, unit), plain,
                                   None if gate is None else gate[keep],
                                   converged=ended in (1, 2, 3, 4))
    rms = float(np.sqrt(np.mean(plain**2)))
    return Fit(law, theta, covariance, int(x.size), dropped, rms, rss, verdict, reason)


def gated_over(n: int) -> int:
    """Over how many of n points what a law leaves is smoothed before the gate looks at it."""
    return max(n // 10, 3)


def _finite(values: Array) -> Array:
    """A search that strays where the law is not a number is driven back by a large one."""
    if np.isfinite(values).all():
        return values
    return np.nan_to_num(values, nan=1e150, posinf=1e150, neginf=-1e150)


def _covariance(jac: Array, rss: float, dof: int, effective_share: float) -> Array | None:
    """s^2 (J'J)^-1 through a QR of the scaled columns; None where it is singular."""
    norm = np.linalg.norm(jac, axis=0)
    if not np.all(np.isfinite(jac)) or np.any(norm == 0):
        return None
    r = np.linalg.qr(jac / norm, mode="r")
    if abs(np.diag(r)).min() < 1e-13:
        return None
    inverse = np.linalg.inv(r)
    scale = rss / dof / max(effective_share, 1e-6)
    return np.asarray((inverse @ inverse.T) * scale / np.outer(norm, norm))


def _verdict(law: Law, theta: Array, covariance: Array | None, scaled_jac: Array, residual: Array,
             gate: Array | None, *, converged: bool) -> tuple[Verdict, str]:
    if not converged or not np.all(np.isfinite(theta)):
        return Verdict.STOPPED_EARLY, "the search did not converge"
    norm = np.linalg.norm(scaled_jac, axis=0)
    for i, p in enumerate(law.parameters):
        if norm[i] <= 1e-12 * max(float(norm.max()), 1e-300):
            return Verdict.NOT_MOVED, f"{p.name} does not move the law"
    for t, p in zip(theta, law.parameters, strict=True):
        if t <= p.lower * 1.0001 if p.is_positive else t <= p.lower:
            return Verdict.AT_BOUND, f"{p.name} stands at its lower bound {p.lower:g} {p.unit}"
        if t >= p.upper * 0.9999:
            return Verdict.AT_BOUND, f"{p.name} stands at its upper bound {p.upper:g} {p.unit}"
    if covariance is None:
        return Verdict.UNDETERMINED, "the parameters cannot be told apart"
    if gate is not None and residual.size >= FEWEST_GATED:
        width = gated_over(residual.size)
        smooth = np.convolve(residual, np.ones(width) / width, "valid")
        limit = np.convolve(gate, np.ones(width) / width, "valid")
        if np.any(np.abs(smooth) > limit):
            worst = float(np.max(np.abs(smooth)))
            return Verdict.RESIDUAL_PATTERN, f"the law leaves {worst * 1e3:.1f} um in places"
    errors = np.sqrt(np.diag(covariance))
    for e, t, p in zip(errors, theta, law.parameters, strict=True):
        if p.is_positive and e > UNDETERMINED_SHARE * abs(t):
            return Verdict.UNDETERMINED, f"{p.name} is open by {100 * e / abs(t):.0f} %"
    return Verdict.GOOD, ""


def effective_share(residual: Array) -> float:
    """n_eff / n of a series (n,) from its lag-1 correlation."""
    below = float(residual @ residual)
    r1 = float(np.clip((residual[1:] @ residual[:-1]) / below, 0.0, 0.9)) if below > 0 else 0.0
    return (1 - r1) / (1 + r1)
