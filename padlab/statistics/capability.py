"""Process capability with its interval: how many times three standard deviations fit to the nearest limit.

>>> round(capability(0.0, 1.0, n=30, low=None, high=3.99).value, 2)
1.33
>>> q = bissell_interval(1.33, 30)
>>> round(q[0], 4), round(q[1], 4)
(0.9675, 1.6925)
"""

from __future__ import annotations

import math

from padlab.statistics.quantity import Quantity


def capability(mean: float, sd: float, *, n: float, low: float | None, high: float | None,
               degrees_of_freedom: float | None = None) -> Quantity | None:
    """min(high - mean, mean - low)/(3 sd) with its 95 % interval; None for no spread.

    One limit: exact (noncentral t). Two limits: Bissell's approximation, for which no exact interval is
    in use. Says nothing where the pads are not normal.
    """
    if sd <= 0:
        return None
    nearest = min(math.inf if high is None else high - mean, math.inf if low is None else mean - low)
    index = nearest / (3 * sd)
    if low is not None and high is not None:
        return Quantity(index, *bissell_interval(index, n, degrees_of_freedom))
    return Quantity(index, one_sided_bound(index, n, 0.025, degrees_of_freedom),
                    one_sided_bound(index, n, 0.975, degrees_of_freedom))


def bissell_interval(index: float, n: float, degrees_of_freedom: float | None = None) -> tuple[float, float]:
    """Approximate 95 % interval: A. F. Bissell, Applied Statistics 39 (1990) 331.

    index +- 1.96 sqrt(1/(9 n) + index^2/(2 (n - 1))).
    """
    from padlab.statistics.quantity import t95

    df = n - 1 if degrees_of_freedom is None else degrees_of_freedom
    half = t95(math.inf) * math.sqrt(1 / (9 * n) + index * index / (2 * df))
    return index - half, index + half


def one_sided_bound(index: float, n: float, level: float, degrees_of_freedom: float | None = None) -> float:
    """The capability at which an index as large as this one is seen with probability ``level``; exact.

    Solves P[T'(n - 1, 3 sqrt(n) C) >= 3 sqrt(n) index] = level for C.

    >>> round(one_sided_bound(1.33, 30, 0.05), 4)
    1.0216
    """
    from scipy import optimize, special, stats

    df = n - 1 if degrees_of_freedom is None else degrees_of_freedom
    root = 3 * math.sqrt(n)
    half = 12 * math.sqrt(1 / (9 * n) + index * index / (2 * df)) + 0.2

    def excess(c: float) -> float:
        # The upper tail, mirrored. Far out this one gives no number, where the other takes ten times as long.
        above = float(special.nctdtr(df, -root * c, -root * index))
        return (float(stats.nct.sf(root * index, df, root * c)) if math.isnan(above) else above) - level

    return float(optimize.brentq(excess, index - half, index + half, xtol=1e-10))
