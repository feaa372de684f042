"""Is a sample normal, and does a pad stand apart? Stated tests; nothing is ever dropped here.

>>> outlying([1.0, 1.1, 0.9, 1.05, 0.95, 1.02, 0.98, 1.03, 0.97, 9.0]).places
(9,)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

NOT_NORMAL_BELOW = 0.01
"""Level of the test where nothing else is said; a plan takes it out of its own producer's risk."""

OUTLIER_LEVEL = 0.01
"""Level of the test for pads that stand apart (design choice)."""


@dataclass(frozen=True)
class Normality:
    """Shapiro and Wilk's test: Biometrika 52 (1965) 591 (Royston's approximation, 3 to 5,000 values)."""

    w: float
    p: float
    level: float = NOT_NORMAL_BELOW

    @property
    def is_refused(self) -> bool:
        """Whether the sample is not taken for normal."""
        return self.p < self.level


def normality(values: Sequence[float], *, level: float = NOT_NORMAL_BELOW) -> Normality | None:
    """The test on (n,) values; None with fewer than three, or where all are alike (nothing to test)."""
    from scipy import stats

    x = np.asarray(values, dtype=float)
    if x.size < 3 or np.ptp(x) <= 1e-12 * max(float(np.abs(x).max()), 1e-300):
        return None
    found = stats.shapiro(x)
    return Normality(float(found.statistic), float(found.pvalue), level)


def normal_scores(n: int) -> Array:
    """Where n ordered normal values are expected: Blom's (i - 3/8)/(n + 1/4), (n,)."""
    from scipy import special

    return np.asarray(special.ndtri((np.arange(1, n + 1) - 0.375) / (n + 0.25)))


@dataclass(frozen=True)
class Outlying:
    """Pads that stand apart, by their places; ``statistics`` and ``critical`` of each step."""

    places: tuple[int, ...]
    statistics: tuple[float, ...]
    critical: tuple[float, ...]
    level: float


def outlying(values: Sequence[float], *, most: int | None = None, level: float = OUTLIER_LEVEL) -> Outlying:
    """Rosner's generalized extreme studentized deviate test for up to ``most`` values (a tenth, at least 1).

    Source: B. Rosner, Technometrics 25 (1983) 165. A value that stands apart stays in the sample: it is
    named, and a person finds out why.
    """
    from scipy import special

    x = np.asarray(values, dtype=float)
    n = x.size
    steps = min(max(1, n // 10) if most is None else most, n - 2)
    left, taken, seen, critical = np.arange(n), [], [], []
    for i in range(1, steps + 1):
        part = x[left]
        sd = float(part.std(ddof=1))
        if sd <= 0:
            break
        far = int(np.argmax(np.abs(part - part.mean())))
        seen.append(float(abs(part[far] - part.mean())) / sd)
        t = float(special.stdtrit(n - i - 1, 1 - level / (2 * (n - i + 1))))
        critical.append((n - i) * t / math.sqrt((n - i - 1 + t * t) * (n - i + 1)))
        taken.append(int(left[far]))
        left = np.delete(left, far)
    count = max((i + 1 for i, (r, c) in enumerate(zip(seen, critical, strict=True)) if r > c), default=0)
    return Outlying(tuple(taken[:count]), tuple(seen), tuple(critical), level)
