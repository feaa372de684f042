"""Equivalence: is the difference of two means proven to lie within a margin that was fixed beforehand?

Two one-sided tests (TOST): D. J. Schuirmann, J. Pharmacokinetics Biopharm. 15 (1987) 657; with Welch's
degrees of freedom. Not "no difference was found", which few pads always give.

>>> e = equivalence((62.0, 4.0, 12), (60.0, 3.5, 12), margin=6.0)
>>> round(e.p, 5), round(e.low, 3), round(e.high, 3), e.is_shown
(0.00811, -0.637, 4.637, True)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True)
class Equivalence:
    """A difference with its 90 % interval; shown equivalent if that lies within +-margin (p < 0.05)."""

    difference: float
    standard_error: float
    degrees_of_freedom: float
    margin: float
    low: float
    high: float
    p: float

    @property
    def is_shown(self) -> bool:
        """Whether the whole 90 % interval lies within the margin."""
        return -self.margin < self.low and self.high < self.margin


def equivalence(a: tuple[float, float, float], b: tuple[float, float, float], *,
                margin: float) -> Equivalence:
    """Two lots, each as ``(mean, standard deviation, n)``; ``margin`` > 0 in their unit.

    What one lot's pads say of lots in general is not asked here: these two lots are compared.
    """
    parts = [(s * s / n, n - 1) for _, s, n in (a, b)]
    variance = sum(v for v, _ in parts)
    below = sum(v * v / df for v, df in parts)
    return tost(a[0] - b[0], math.sqrt(variance), variance**2 / below if below > 0 else math.inf, margin)


def paired_equivalence(a: Sequence[float], b: Sequence[float], *, margin: float) -> Equivalence:
    """The same things measured twice: the test on their differences."""
    d = np.asarray(a, dtype=float) - np.asarray(b, dtype=float)
    return tost(float(d.mean()), float(d.std(ddof=1)) / math.sqrt(d.size), d.size - 1, margin)


def tost(difference: float, standard_error: float, degrees_of_freedom: float, margin: float) -> Equivalence:
    """The two one-sided tests of a difference with its standard error."""
    from scipy import special

    if standard_error <= 0:
        p = 0.0 if abs(difference) < margin else 1.0
        return Equivalence(difference, 0.0, degrees_of_freedom, margin, difference, difference, p)
    df = min(degrees_of_freedom, 1e9)
    half = float(special.stdtrit(df, 0.95)) * standard_error
    p = float(special.stdtr(df, -(margin - abs(difference)) / standard_error))
    return Equivalence(difference, standard_error, degrees_of_freedom, margin, difference - half,
                       difference + half, p)
