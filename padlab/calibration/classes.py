"""How good a calibrated channel is, level by level, against the limits of the standards' classes.

In the manner of ISO 7500-1 (force) and ISO 9513 (displacement); no claim of conformity. The class
of a level is the best one whose limit it keeps; a class holds from the lowest level up only as
far as every higher level keeps it too.

>>> force_class("accuracy", 0.8), force_class("accuracy", 5.0)
(1.0, None)
>>> displacement_class(reference_mm=0.5, bias_mm=0.0014), displacement_class(reference_mm=0.5, bias_mm=0.02)
(0.5, None)
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.calibration.reading_fit import groups_of
from padlab.records.reading_curve import ReadingCurve

Array = NDArray[np.float64]

FORCE_LIMITS_PERCENT: dict[str, dict[float, float]] = {
    # ISO 7500-1, relative limits by class; from memory
    "accuracy": {0.5: 0.5, 1.0: 1.0, 2.0: 2.0, 3.0: 3.0},
    "repeatability": {0.5: 0.5, 1.0: 1.0, 2.0: 2.0, 3.0: 3.0},
    "reversibility": {0.5: 0.75, 1.0: 1.5, 2.0: 3.0, 3.0: 4.5},
    "zero return": {0.5: 0.05, 1.0: 0.1, 2.0: 0.2, 3.0: 0.3},
    "resolution": {0.5: 0.25, 1.0: 0.5, 2.0: 1.0, 3.0: 1.5},
}
DISPLACEMENT_LIMITS: dict[float, tuple[float, float]] = {
    # ISO 9513: class -> bias, the larger of % of the value and mm. 0.2 and 0.5 as published,
    # 1 and 2 from memory.
    0.2: (0.2, 0.0006), 0.5: (0.5, 0.0015), 1.0: (1.0, 0.003), 2.0: (2.0, 0.006),
}
FORCE_SOURCE = "in the manner of ISO 7500-1; limits from memory"
DISPLACEMENT_SOURCE = "in the manner of ISO 9513; limits of classes 1 and 2 from memory"


@dataclass(frozen=True)
class Level:
    """One check at one reference (N or mm); ``value`` is in the check's unit."""

    reference: float
    value: float
    reaches: float | None


@dataclass(frozen=True)
class Check:
    """One property of the channel at all its levels; without levels it was not determined."""

    name: str
    unit: str
    levels: tuple[Level, ...]
    source: str | None = None            # where the limits come from; None: there are none

    @property
    def worst(self) -> Level | None:
        """The level with the largest value."""
        return max(self.levels, key=lambda level: abs(level.value), default=None)

    def to_json(self, factor: float) -> dict[str, Any]:
        """As printed; ``factor`` is how much one stated unit of the reference is in padlab's own."""
        worst, small = self.worst, 1.0 if self.unit == "%" else factor
        return {
            "check": self.name, "unit": self.unit if self.unit == "%" else "of the reference",
            "worst": None if worst is None else worst.value / small,
            "at": None if worst is None else worst.reference / factor,
            "class": worst_class(self.levels) if self.source else None, "limits": self.source,
            "levels": [{"reference": v.reference / factor, "value": v.value / small, "class": v.reaches}
                       for v in self.levels],
        }


def force_class(check: str, percent: float) -> float | None:
    """The best class whose limit a relative value [%] keeps, or None."""
    return next((c for c, limit in FORCE_LIMITS_PERCENT[check].items() if abs(percent) <= limit), None)


def displacement_class(*, reference_mm: float, bias_mm: float) -> float | None:
    """The best class whose bias limit is kept, or None."""
    return next((c for c, (percent, fixed) in DISPLACEMENT_LIMITS.items()
                 if abs(bias_mm) <= max(percent / 100 * abs(reference_mm), fixed)), None)


def worst_class(levels: tuple[Level, ...]) -> float | None:
    """The class that all levels keep, or None."""
    if not levels or any(level.reaches is None for level in levels):
        return None
    return max(level.reaches for level in levels if level.reaches is not None)


FEWEST_APART = 3
"""Repeats that differ, before what they differ by is taken for the step of the instrument."""


def class_from(checks: tuple[Check, ...]) -> list[dict[str, float]]:
    """For each class that is reached, the lowest reference from which every check keeps it, and on up.

    Nothing is claimed of a force channel whose repeatability was not determined.
    """
    limited = [c for c in checks if c.source and c.levels]
    if any(c.source and not c.levels for c in checks if c.name in ("accuracy", "repeatability")):
        return []
    references = sorted({level.reference for c in limited for level in c.levels})
    classes = sorted({level.reaches for c in limited for level in c.levels if level.reaches is not None})
    out = []
    for one in classes:
        start = None
        for reference in reversed(references):
            here = [v.reaches for c in limited for v in c.levels if v.reference == reference]
            if any(r is None or r > one for r in here):
                break
            start = reference
        if start is not None:
            out.append({"class": one, "from": start})
    return out


def checks_of(kind: str, curve: ReadingCurve, reference: Array, reading: Array, *, step: float,
              direction: tuple[str, ...] | None, series: tuple[str, ...] | None) -> tuple[Check, ...]:
    """What the calibration readings say of the channel once it is read through its curve.

    Parameters
    ----------
    kind : str
        ``force`` (values relative, in %) or ``displacement`` (in mm).
    step : float
        Smallest step of the reading as it was written down.
    direction, series : tuple of str, optional
        ``up`` or ``down`` of each reading; which repetition it belongs to. Without a direction
        reversibility is not determined.
    """
    value = curve.value(reading)
    group = groups_of(reference)
    way = np.array(direction if direction is not None else [""] * reference.size)
    smallest = abs(float(curve.value(np.array([reading.mean() + step]))[0])
                   - float(curve.value(np.array([reading.mean()]))[0]))
    rows: dict[str, list[tuple[float, float]]] = {
        name: [] for name in ("accuracy", "repeatability", "reversibility", "resolution")}
    for g in range(int(group.max()) + 1):
        here = group == g
        at = float(reference[here].mean())
        if at == 0:
            continue
        rows["accuracy"].append((at, float(value[here].mean()) - at))
        spreads = [float(np.ptp(value[here & (way == w)])) for w in np.unique(way[here])
                   if (here & (way == w)).sum() > 1]
        if spreads:
            rows["repeatability"].append((at, max(spreads)))
        up, down = here & (way == "up"), here & (way == "down")
        if up.any() and down.any():
            rows["reversibility"].append((at, float(value[down].mean() - value[up].mean())))
        rows["resolution"].append((at, smallest))
    zero = _zero_return(reference, value, series)
    if kind == "force":
        checks = [_relative(name, found) for name, found in rows.items()]
        top = float(np.abs(reference).max())
        back = [] if zero is None else [(top, zero)]
        return (*checks, _relative("zero return", back))
    lengths: list[tuple[str, list[tuple[float, float]]]] = list(rows.items())
    lengths.append(("zero return", [] if zero is None else [(float(np.abs(reference).max()), zero)]))
    return tuple(_length(name, found) for name, found in lengths)


def step_as_written(reading: Array) -> float:
    """The smallest step that readings were written with: 1, or a tenth, a hundredth ... of it.

    >>> step_as_written(np.array([12.0, 1012.6, 2013.4]))
    0.1
    """
    rounding = 4 * np.finfo(np.float64).eps * float(np.max(np.abs(reading)))
    for places in range(19):
        if np.all(np.abs(np.round(reading, places) - reading) <= rounding):
            return float(f"1e-{places}")
    return 1e-19


def step_of(reference: Array, reading: Array) -> float:
    """The smallest step that the readings move by: what repeats differ by, where all keep to it.

    An inch dial read in millimetres moves by 0.0127, however many places are written down.

    >>> step_of(np.array([1.0, 1, 1, 2, 2]), np.array([1.0033, 1.0160, 0.9906, 2.0066, 2.0193]))
    0.0127
    """
    written = step_as_written(reading)
    group = groups_of(reference)
    apart = np.concatenate([np.diff(np.unique(reading[group == g])) for g in range(int(group.max()) + 1)])
    apart = apart[apart > 0.5 * written]
    if apart.size < FEWEST_APART:
        return written
    least = float(apart.min())
    off = (reading - reading[0]) / least
    keeps = np.all(np.abs(off - np.round(off)) <= 0.01 + written / least)
    return float(f"{round(least / written) * written:.12g}") if keeps and least > written else written


def _zero_return(reference: Array, value: Array, series: tuple[str, ...] | None) -> float | None:
    """Largest difference between the last and the first reading at zero, of any series."""
    names = np.array(series if series is not None else [""] * reference.size)
    zero = np.flatnonzero(reference == 0)
    shifts = []
    for name in np.unique(names):
        own = zero[names[zero] == name]
        loaded = np.flatnonzero((reference != 0) & (names == name))
        if loaded.size == 0:
            continue
        before, after = own[own < loaded[0]], own[own > loaded[-1]]
        if before.size and after.size:
            shifts.append(float(value[after[-1]] - value[before[0]]))
    return max(shifts, key=abs) if shifts else None


def _relative(name: str, found: list[tuple[float, float]]) -> Check:
    levels = [(at, 100 * v / abs(at)) for at, v in found]
    return Check(name, "%", tuple(Level(at, v, force_class(name, v)) for at, v in levels), FORCE_SOURCE)


def _length(name: str, found: list[tuple[float, float]]) -> Check:
    limited = name == "accuracy"
    reaches: Callable[[float, float], float | None] = (
        lambda at, v: displacement_class(reference_mm=at, bias_mm=v)) if limited else lambda at, v: None
    return Check(name, "mm", tuple(Level(at, v, reaches(at, v)) for at, v in found),
                 DISPLACEMENT_SOURCE if limited else None)
