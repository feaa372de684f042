"""One stroke of an endurance run: its columns, and which strokes' loops are kept whole.

>>> [int(k) for k in range(1, 40) if is_kept(np.array([k]))[0]]
[1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 13, 15, 16, 18, 20, 23, 26, 29, 32, 36]
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

UNITS = {
    "stroke": "number in the run, from 1",
    "time_s": "when the force passed F0 going up, on the run's axis",
    "duration_s": "from there until it passed F0 going down",
    "peak_n": "highest reading, net",
    "peak_mm": "displacement there",
    "at_f0_mm": "displacement at F0 on the way up",
    "work_mj": "work of the way up, from F0 to the peak",
    "loss_mj": "area of the loop over F0",
    "floor_n": "lowest force before it, against the zero of the run's beginning",
    "lift_mm": "how far the anvil moved on that floor",
    "rest_s": "since the stroke before",
    "readings": "readings in its loop",
    "longest_step_s": "longest step of time in its loop",
    "machine": "the machine's own count, where it has one",
}
COLUMNS = tuple(UNITS)
A_DECADE = 20
"""Loops kept whole in each factor of ten of the strokes, after the first ten."""


def is_kept(strokes: NDArray[np.float64] | NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether the loops of these strokes are kept: 1 to 10, then :data:`A_DECADE` a decade.

    >>> kept = np.flatnonzero(is_kept(np.arange(1, 10**6 + 1))) + 1
    >>> kept.size, kept[-1].item()
    (110, 1000000)
    """
    k = np.maximum(np.asarray(strokes, dtype=np.float64), 1.0)
    with np.errstate(divide="ignore"):
        here, before = (np.floor(A_DECADE * np.log10(v) + 1e-9) for v in (k, k - 1.0))
    return np.asarray((k <= 10) | (here > before))
