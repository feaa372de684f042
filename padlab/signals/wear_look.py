"""What a table of wear holds, in plain words, and whether a pad can have done that.

>>> look = wear_look({"strokes": [0, 1e6, 2e6], "thickness_mm": [1.600, 1.585, 1.574]})
>>> print(look.words[0])
3 readings, 0 to 2000000 strokes, 1.600 mm at first, 26.0 um (1.0 thou) thinner at last
>>> look.marks
()
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from padlab.marks import Mark, mark
from padlab.units import both_lengths

if TYPE_CHECKING:
    import pandas as pd

THINNEST_MM, THICKEST_MM = 0.05, 20.0
"""What a pad of a valve can measure, widely drawn (as for a pad's file)."""
MOST_LOST = 0.5
SWOLLEN = 0.05


@dataclass(frozen=True)
class WearLook:
    """What was read."""

    readings: int
    axis: str
    last: float
    thickness_mm: tuple[float, float]
    words: tuple[str, ...]
    marks: tuple[Mark, ...]

    def to_json(self) -> dict[str, Any]:
        """As ``padlab import --json`` prints it; marks and words are not in it."""
        return {"readings": self.readings, self.axis: round(self.last, 5),
                "thickness_mm": {"first": self.thickness_mm[0], "last": self.thickness_mm[1]}}


def wear_look(samples: Mapping[str, Any] | pd.DataFrame) -> WearLook:
    """Look over the readings of one pad: ``thickness_mm`` and ``strokes`` or ``days`` (n,)."""
    axis = "strokes" if "strokes" in samples else "days"
    at = np.asarray(samples[axis], dtype=np.float64)
    thickness = np.asarray(samples["thickness_mm"], dtype=np.float64)
    first, last = float(thickness[0]), float(thickness[-1])
    lost = first - last
    said = f"{both_lengths(abs(lost))} {'thinner' if lost >= 0 else 'THICKER'} at last"
    words = [f"{at.size} readings, {at[0]:.0f} to {at[-1]:.0f} {axis}, {first:.3f} mm at first, {said}"]
    marks = tuple(mark("units_doubtful", about, message) for about, message in _doubts(thickness, lost))
    return WearLook(int(at.size), axis, float(at[-1]), (round(first, 5), round(last, 5)), tuple(words), marks)


def _doubts(thickness: np.ndarray, lost: float) -> Iterator[tuple[str, str]]:
    low, high = float(thickness.min()), float(thickness.max())
    if low < THINNEST_MM or high > THICKEST_MM:
        yield "thickness", f"{low:.3g} to {high:.3g} mm thick; is it in another unit?"
    elif lost > MOST_LOST * thickness[0]:
        yield "thickness", f"more than half of the pad is gone ({lost:.2f} mm); is it one pad, in one unit?"
    elif -lost > SWOLLEN * thickness[0]:
        yield "thickness", f"the pad grew by {-lost:.2f} mm; is the thickness read the right way round?"
