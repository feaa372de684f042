"""The step that an instrument's readings stand on, as the readings themselves show it.

A table recorded elsewhere says nothing of it, and a rig file may state a finer one than the dial has. Nine
readings between two steps then look like nine that agree.

>>> shown = np.round(np.linspace(0.0, 0.5, 400) / 0.0127) * 0.0127
>>> round(reading_step(shown), 6)
0.0127
>>> reading_step(np.linspace(0.0, 0.5, 400)) is None
True
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

MOST = 20_000
"""So many readings, evenly taken, show a step as well as all."""
FEWEST_STEPS = 4
"""Fewer different readings show no step."""
SHARED = 3.0
"""A step is believed where as many readings or more share one, on the average."""
ON_STEP = 0.05
"""How far from a whole number of steps two readings may be apart, in steps."""


def reading_step(values: Array) -> float | None:
    """The step that readings (n,) stand on, in their unit; None where they show none.

    The smallest difference of two readings, if all others are a whole number of it.
    """
    shown = values[:: max(values.size // MOST, 1)]
    shown = shown[np.isfinite(shown)]
    different = np.unique(np.round(shown, 9))
    if different.size < FEWEST_STEPS or shown.size < SHARED * different.size:
        return None
    apart = np.diff(different)
    step = float(apart.min())
    # Of many single steps the mean is known better than any one of them.
    ones = apart[apart < 1.5 * step]
    step = float(ones.mean())
    times = apart / step
    return step if bool(np.all(np.abs(times - np.round(times)) <= ON_STEP * np.maximum(times, 1.0))) else None
