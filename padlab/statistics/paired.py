"""Two stocks worn side by side, valve by valve: the difference of their losses, pair by pair.

>>> difference, t = paired_difference([8.8, 11.2, 14.2], [8.2, 10.9, 14.3])
>>> round(difference.value, 4), round(t, 4)
(0.2667, 1.3152)
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from padlab.errors import FitError
from padlab.statistics.quantity import Quantity, t95


def paired_difference(a: Sequence[float], b: Sequence[float]) -> tuple[Quantity, float]:
    """Mean of a - b (n,) with its 95 % interval, and Student's t; what the places share cancels.

    Raises
    ------
    FitError
        Fewer than two pairs, or pairs that all differ alike.
    """
    d = np.asarray(a, dtype=np.float64) - np.asarray(b, dtype=np.float64)
    if d.size < 2 or not np.isfinite(d).all() or not np.ptp(d) > 0:
        raise FitError("no difference of pairs can be told", expected="two pairs or more that scatter",
                       seen=f"{d.size} pairs")
    error = float(d.std(ddof=1)) / math.sqrt(d.size)
    half = t95(d.size - 1) * error
    mean = float(d.mean())
    return Quantity(mean, mean - half, mean + half), mean / error
