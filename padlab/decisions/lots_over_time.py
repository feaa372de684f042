"""Lots over time: each lot's mean on a chart of individuals and a smoothed one, and the check standard's own.

What the check standard shows below is the rig's; only what the lots show and it does not is the pads'.
Sources: W. A. Shewhart's individuals chart (sigma = mean moving range/1.128; limits at 3 sigma) and the
exponentially weighted mean of S. W. Roberts, Technometrics 1 (1959) 239, with weight 0.2 and limits at
2.86 sigma sqrt(0.2/1.8) (values from memory).

>>> chart = chart_of([("a", 1.0), ("b", 1.1), ("c", 0.9), ("d", 1.0)])
>>> round(chart.sigma, 4), round(chart.points[-1].smoothed, 4), chart.is_provisional
(0.1182, 0.9968, True)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np

from padlab.decisions.batch_readings import LotReadings
from padlab.errors import RunError
from padlab.records.run import Run
from padlab.signals.contact import force_zero

WEIGHT, WIDTH = 0.2, 2.86
FIRM_FROM = 20
"""Below so many lots the limits are called provisional."""
FEWEST = 3
"""Fewer lots make no chart with limits."""
MOVING_RANGE_OF_TWO = 1.128


def day_of(start_utc: str) -> str:
    """The day of a moment in ISO 8601, however it is written, in UTC.

    >>> day_of("2026-07-04T23:30:00-02:00"), day_of("20260704T081530Z"), day_of("0001-01-01T00:00+05:00")
    ('2026-07-05', '2026-07-04', '0001-01-01')
    """
    moment = datetime.fromisoformat(start_utc)
    with suppress(OverflowError):                          # the first or the last day that a date can hold
        moment = moment if moment.tzinfo is None else moment.astimezone(UTC)
    return moment.date().isoformat()


@dataclass(frozen=True)
class ChartPoint:
    """One lot (or one reading of the check standard)."""

    label: str
    value: float
    smoothed: float
    beyond: bool  # its value or its smoothed mean lies outside its limits


@dataclass(frozen=True)
class Chart:
    """Points in the order of time; limits are None with fewer than three points, or without any scatter."""

    points: tuple[ChartPoint, ...]
    centre: float
    sigma: float | None
    is_provisional: bool

    @property
    def limits(self) -> tuple[float, float] | None:
        """Of a single point."""
        return None if self.sigma is None else (self.centre - 3 * self.sigma, self.centre + 3 * self.sigma)

    @property
    def smoothed_limits(self) -> tuple[float, float] | None:
        """Of the smoothed mean."""
        if self.sigma is None:
            return None
        half = WIDTH * self.sigma * math.sqrt(WEIGHT / (2 - WEIGHT))
        return self.centre - half, self.centre + half


def chart_of(values: Sequence[tuple[str, float]]) -> Chart:
    """A chart of (label, value) in the order of time; at least one."""
    numbers = [v for _, v in values]
    centre = float(np.mean(numbers))
    ranges = [abs(b - a) for a, b in pairwise(numbers)]
    sigma = float(np.mean(ranges)) / MOVING_RANGE_OF_TWO if len(numbers) >= FEWEST else None
    if sigma is not None and sigma <= 0:
        sigma = None
    bare = Chart((), centre, sigma, len(numbers) < FIRM_FROM)
    points, smoothed = [], centre
    for label, value in values:
        smoothed = WEIGHT * value + (1 - WEIGHT) * smoothed
        points.append(
            ChartPoint(
                label,
                value,
                smoothed,
                _outside(value, bare.limits) or _outside(smoothed, bare.smoothed_limits),
            )
        )
    return Chart(tuple(points), centre, sigma, bare.is_provisional)


def _outside(value: float, limits: tuple[float, float] | None) -> bool:
    return limits is not None and not limits[0] <= value <= limits[1]


def lots_chart(lots: Sequence[LotReadings]) -> Chart | None:
    """The chart of the lots' means, by the date of their first reading; None with none measured."""
    known = [(lot, lot.mean) for lot in lots if lot.mean is not None]
    dated = sorted((day_of(lot.first_utc) if lot.first_utc else "", lot.first_utc or "", lot.lot,
                    float(mean.value)) for lot, mean in known)
    return chart_of([(lot, value) for _, _, lot, value in dated]) if dated else None


def spring_rate_n_per_mm(run: Run) -> float:
    """Rate of the steel spring of a check run, over the forces from 1 N to 9/10 of the hardest press.

    Raises
    ------
    RunError
        Force or displacement was not recorded, or the spring was hardly pressed.
    """
    run.need(kinds=("check",), columns=("force_n", "displacement_mm"), by="the chart of the check standard")
    force, way = (run.samples[c].to_numpy(dtype=float) for c in ("force_n", "displacement_mm"))
    whole = np.isfinite(force) & np.isfinite(way)
    force, way = force[whole], way[whole]
    force = force - force_zero(force, way).value_n
    top = float(force.max()) if force.size else 0.0
    pressed = (force > 1.0) & (force < 0.9 * top)
    if top < 3.0 or np.count_nonzero(pressed) < 50 or np.ptp(way[pressed]) <= 0:
        raise RunError(
            f"check run {run.id} hardly presses its spring",
            expected="presses of 3 N and more",
            seen=f"{top:.2f} N",
            where={"run": run.id},
        )
    x = force[pressed] - force[pressed].mean()
    return float(np.sum(x * x) / np.sum(x * (way[pressed] - way[pressed].mean())))
