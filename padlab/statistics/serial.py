"""Sums of readings whose errors go on from one to the next."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

QUIET = 5
"""So many correlations in a row must be small before all further ones are taken for none."""


def of_weighted_sum(weights: Array, residual: Array) -> tuple[float, float]:
    """Standard uncertainty of sum(weights * readings) and its degrees of freedom, from residuals; (n,) each.

    Notes
    -----
    The errors are taken for stationary: the variance is the sum over lags of their covariance times that of
    the weights. Covariances count whole up to the lag from which on they are within the noise of their own
    estimate, and taper off over as many lags again (flat-top window: Politis & Romano, J. Time Series
    Analysis 16 (1995) 67; the lag: Politis, J. Nonparametric Statistics 15 (2003) 431; both from memory).
    Degrees of freedom n / (1 + 2 sum r_k^2) as of a variance (Bayley & Hammersley, Suppl. J. R. Stat. Soc. 8
    (1946) 184, from memory).

    >>> e = np.array([1.0, -1.0, -1.0, 1.0, 1.0, -1.0, 1.0, -1.0])
    >>> [round(v, 3) for v in of_weighted_sum(np.full(8, 1 / 8), e)]
    [0.354, 8.0]
    """
    n = residual.size
    covariance, apart = _by_lag(residual) / n, _by_lag(weights)
    variance = float(covariance[0])
    if variance <= 0:
        return 0.0, float(n)
    r = covariance / variance
    small = np.abs(r[1:]) < 2 * math.sqrt(math.log10(n) / n)
    quiet = np.flatnonzero(np.convolve(small, np.ones(QUIET), "valid") == QUIET)
    most = max(n // 4, 1)
    last = min(int(quiet[0]) if quiet.size else most, most)
    lag = np.arange(1, min(2 * last, n - 1) + 1)
    taper = np.clip(2 - lag / max(last, 1), 0.0, 1.0)
    total = variance * (apart[0] + 2 * float(np.sum(taper * r[lag] * apart[lag])))
    # A window that is flat may sum to less than nothing; what goes on is no less than what does not.
    total = max(total, variance * float(apart[0]))
    freedom = n / (1 + 2 * float(np.sum((taper * r[lag]) ** 2)))
    return math.sqrt(total), freedom


def _by_lag(values: Array) -> Array:
    """Sum of products of values (n,) so many places apart (n,)."""
    size = 1 << (2 * values.size - 1).bit_length()
    power = np.abs(np.fft.rfft(values, size)) ** 2
    return np.asarray(np.fft.irfft(power, size)[: values.size])
