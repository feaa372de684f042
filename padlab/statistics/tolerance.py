"""Tolerance intervals: where a stated share of ALL pads of the lot lies, at a stated confidence.

>>> round(one_sided_factor(10, share=0.95, confidence=0.95), 4), round(howe_factor(10, 0.95, 0.95), 4)
(2.911, 3.3819)
>>> round(two_sided_factor(10, share=0.95, confidence=0.95), 4)
3.3934

Which one when: the exact factors always; Howe's approximation is here only to be told apart from them (it
is 0.3 % short at ten pads) and is never printed as exact.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np


@dataclass(frozen=True)
class ToleranceInterval:
    """``share`` of the lot lies within ``low`` .. ``high`` at ``confidence``; None: no limit on that side."""

    low: float | None
    high: float | None
    share: float
    confidence: float
    factor: float


@lru_cache(maxsize=256)
def one_sided_factor(n: float, *, share: float, confidence: float,
                     degrees_of_freedom: float | None = None) -> float:
    """k1 such that mean + k1 s lies above ``share`` of the lot at ``confidence``; exact (noncentral t).

    Source: ISO 16269-6:2014, one-sided, both parameters unknown.
    """
    from scipy import special, stats

    df = n - 1 if degrees_of_freedom is None else degrees_of_freedom
    root = math.sqrt(n)
    return float(stats.nct.ppf(confidence, df, root * float(special.ndtri(share)))) / root


@lru_cache(maxsize=256)
def two_sided_factor(n: float, *, share: float, confidence: float,
                     degrees_of_freedom: float | None = None) -> float:
    """k2 such that mean +- k2 s holds ``share`` of the lot at ``confidence``; exact.

    Solves E_z[P(chi2_v >= v r(z)^2/k^2)] = confidence over the error z ~ N(0, 1/n) of the mean, with
    Phi(z + r) - Phi(z - r) = share. Source: ISO 16269-6:2014 Annex F (its factors are the check).
    """
    from scipy import optimize, special, stats

    df = n - 1 if degrees_of_freedom is None else degrees_of_freedom
    x, weight = np.polynomial.legendre.leggauss(80)
    z = 4.5 * (x + 1) / math.sqrt(n)            # half of the symmetric error, to nine standard deviations
    density = 9 * weight * math.sqrt(n) / math.sqrt(2 * math.pi) * np.exp(-n * z * z / 2) / math.sqrt(n)
    low, high = np.zeros(z.size), z + 9.0
    for _ in range(60):
        r = (low + high) / 2
        short = special.ndtr(z + r) - special.ndtr(z - r) < share
        low, high = np.where(short, r, low), np.where(short, high, r)
    r = (low + high) / 2

    def excess(log_k: float) -> float:
        held = stats.chi2.sf(df * (r / math.exp(log_k)) ** 2, df)
        return float(np.sum(density * held)) - confidence

    return math.exp(float(optimize.brentq(excess, math.log(0.01), math.log(1e4), xtol=1e-12)))


def howe_factor(n: float, share: float, confidence: float) -> float:
    """Howe's APPROXIMATION of the two-sided factor: W. G. Howe, JASA 64 (1969) 610."""
    from scipy import special

    v, z = n - 1, float(special.ndtri((1 + share) / 2))
    return z * math.sqrt(v * (1 + 1 / n) / (2 * float(special.gammaincinv(v / 2, 1 - confidence))))


def tolerance_interval(mean: float, sd: float, *, n: float, has_low: bool, has_high: bool,
                       share: float = 0.95, confidence: float = 0.95,
                       degrees_of_freedom: float | None = None) -> ToleranceInterval:
    """The interval on the sides that have a limit, by the exact factor.

    ``n``: what the mean is worth; ``degrees_of_freedom``: of ``sd``.
    """
    find = two_sided_factor if has_low and has_high else one_sided_factor
    factor = find(n, share=share, confidence=confidence, degrees_of_freedom=degrees_of_freedom)
    return ToleranceInterval(mean - factor * sd if has_low else None,
                             mean + factor * sd if has_high else None, share, confidence, factor)
