"""How much later one instrument reports than another, from a run on a spring.

A steel spring has no delay of its own: force and displacement move together, so whatever lag is
seen between their rates of change belongs to the instruments. The lag is where the
cross-correlation of the two rates has its peak, found between samples by a parabola. It is never
tuned to make a loop come out positive: it is measured on a spring, then applied to pads.

>>> t = np.arange(0, 10, 1 / 200)
>>> x = lambda s: 0.15 * (1 - np.cos(2 * np.pi * 0.7 * s)) + 0.02 * np.sin(2 * np.pi * 1.9 * s)
>>> round(1e3 * lag_s(t, x(t), t, 40 * x(t - 0.023)), 4)
23.0008
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from padlab.errors import FitError, RunError
from padlab.marks import Mark, mark
from padlab.records.raw_log import read_raw
from padlab.records.run import Run
from padlab.signals.merge import axis_s, reading_to_value
from padlab.statistics.quantity import Quantity, with_doubt

if TYPE_CHECKING:
    import pandas as pd

    from padlab.records.rig_record import Instrument

Array = NDArray[np.float64]

LONGEST_LAG_S = 0.2
TARGET_S = 2e-3
"""Standard uncertainty that the loop of a pad can bear (design choice)."""
FEWEST_PARTS = 3
STRETCH_S = 12.0
STILL_SHARE = 0.02
"""A part in which the rate hardly moves says nothing of a lag."""


@dataclass(frozen=True)
class SkewFound:
    """The lag of ``late`` behind ``early`` over several parts of one or more runs [s]."""

    skew_s: float
    standard_uncertainty_s: float | None
    degrees_of_freedom: int
    parts_s: tuple[float, ...]
    marks: tuple[Mark, ...]

    @property
    def quantity(self) -> Quantity:
        """With its 95 % interval."""
        return with_doubt(self.skew_s, self.standard_uncertainty_s,
                          degrees_of_freedom=max(self.degrees_of_freedom, 1))


def lag_s(time_a_s: Array, a: Array, time_b_s: Array, b: Array, *, rate_hz: float | None = None,
          longest_s: float = LONGEST_LAG_S) -> float:
    """How much later ``b`` shows what ``a`` shows [s]; negative where ``a`` is the late one.

    Parameters
    ----------
    time_a_s, time_b_s : array (n,), (m,)
        On one clock, rising.
    rate_hz : float, optional
        Of the common grid; the faster of the two instruments' own if not given.

    Raises
    ------
    FitError
        They overlap too little, do not move, or show no peak within ``longest_s``.
    """
    from scipy.interpolate import CubicSpline

    steps = [float(np.median(np.diff(t))) for t in (time_a_s, time_b_s) if t.size > 3]
    if len(steps) < 2 or min(steps) <= 0:
        raise FitError("too few readings to find a lag", expected="more than 3 of each instrument",
                       seen=f"{time_a_s.size} and {time_b_s.size}")
    step = 1 / rate_hz if rate_hz else min(steps)
    start, stop = max(time_a_s[0], time_b_s[0]), min(time_a_s[-1], time_b_s[-1])
    margin = math.ceil(longest_s / step) + 10
    count = math.floor((stop - start) / step + 1e-6) + 1
    if count < 4 * margin:
        raise FitError("too short to find a lag", expected=f"{4 * margin * step:.1f} s in common",
                       seen=f"{max(stop - start, 0.0):.1f} s",
                       remedy="press the spring slowly, several times")
    grid = start + step * np.arange(count)
    grid = np.minimum(grid, stop)
    rates = [np.gradient(CubicSpline(t, y)(grid), step)
             for t, y in ((time_a_s, a), (time_b_s, b))]
    if any(np.ptp(r) == 0 for r in rates):
        raise FitError("nothing moves", expected="a spring pressed and let go", seen="a constant reading")
    inner = slice(margin, count - margin)
    lags = np.arange(-margin + 10, margin - 9)
    here = rates[0][inner]
    here = (here - here.mean()) / (here.std() * here.size)
    match = np.array([_correlation(here, rates[1][margin + lag: count - margin + lag]) for lag in lags])
    j = int(np.argmax(match))
    if j in (0, lags.size - 1) or match[j] < 0.5:
        raise FitError("no lag fits", expected=f"a clear peak within {longest_s * 1e3:.0f} ms",
                       seen=f"correlation {match[j]:.2f}",
                       remedy="use a run on a spring with both instruments recording")
    below, peak, above = match[j - 1 : j + 2]
    return float((lags[j] + (below - above) / (2 * (below - 2 * peak + above))) * step)


def skew_of(parts: Sequence[tuple[Array, Array, Array, Array]]) -> SkewFound:
    """The lag over several stretches, each ``(time_a, a, time_b, b)``, and its scatter.

    Parameters
    ----------
    parts : sequence
        Stretches of one run, or of several; each with some whole strokes.
    """
    found = []
    for time_a, a, time_b, b in parts:
        found.append(lag_s(time_a, a, time_b, b))
    n = len(found)
    values = np.array(found)
    u = float(values.std(ddof=1) / math.sqrt(n)) if n >= FEWEST_PARTS else None
    marks = []
    if u is None or u > TARGET_S:
        marks.append(mark("skew_uncertain", "skew",
                          f"{n} stretch(es) only: no scatter to judge it by" if u is None
                          else f"the skew is known to {1e3 * u:.1f} ms; 2 ms are wanted"))
    return SkewFound(float(values.mean()), u, n - 1, tuple(found), tuple(marks))


def stretches(time_a_s: Array, a: Array, time_b_s: Array, b: Array, *,
              count: int) -> list[tuple[Array, Array, Array, Array]]:
    """A run cut into ``count`` equal stretches of time, those in which the spring moved."""
    start, stop = max(time_a_s[0], time_b_s[0]), min(time_a_s[-1], time_b_s[-1])
    edges = np.linspace(start, stop, count + 1)
    whole = float(np.ptp(a))
    out = []
    for low, high in zip(edges[:-1], edges[1:], strict=True):
        in_a, in_b = (time_a_s >= low) & (time_a_s <= high), (time_b_s >= low) & (time_b_s <= high)
        if in_a.sum() > 3 and in_b.sum() > 3 and np.ptp(a[in_a]) > STILL_SHARE * whole:
            out.append((time_a_s[in_a], a[in_a], time_b_s[in_b], b[in_b]))
    return out


def _correlation(here: Array, other: Array) -> float:
    spread = float(other.std())
    return float(here @ (other - other.mean())) / spread if spread > 0 else 0.0


@dataclass(frozen=True)
class Series:
    """Force and displacement of one run on the computer's clock, each with its instrument's name."""

    early: str | None
    late: str | None
    arrays: tuple[Array, Array, Array, Array]        # time and force, time and displacement

    @property
    def stretches(self) -> int:
        """Into how many stretches of some 12 s it is cut, 3 at least."""
        return max(3, int((self.arrays[0][-1] - self.arrays[0][0]) / STRETCH_S))


def series_of(run: Run) -> Series:
    """Force and displacement of a run on a spring, each as its own instrument sent it.

    Raises
    ------
    RunError
        It is no run on a spring, or one of the two was not recorded.
    """
    run.need(kinds=("check",), columns=(), by="calibrate skew")
    if run.rig is None:
        run.need(kinds=("check",), columns=("force_n", "displacement_mm"), by="calibrate skew")
        table = run.samples
        time = table["time_s"].to_numpy(dtype=np.float64)
        return Series(None, None, (time, table["force_n"].to_numpy(dtype=np.float64),
                                   time, table["displacement_mm"].to_numpy(dtype=np.float64)))
    raw = read_raw(run)
    found: dict[str, tuple[str, Array, Array]] = {}
    for instrument in run.rig.instruments:
        for channel in instrument.channels:
            if channel.quantity in ("force", "displacement") and channel.quantity not in found:
                table = raw[instrument.name]
                if len(table) < 4:
                    raise RunError(f"instrument {instrument.name} said nothing in run {run.id}",
                                   expected="readings", seen=f"{len(table)}", where={"run": run.id})
                time = on_host_time(instrument, table)
                value = reading_to_value(channel, table)
                good = np.isfinite(value) & (np.diff(time, prepend=-np.inf) > 0)
                found[channel.quantity] = (instrument.name, time[good], value[good])
    missing = [q for q in ("force", "displacement") if q not in found]
    if missing:
        raise RunError(f"run {run.id} has no {missing[0]}", expected="force and displacement",
                       seen=", ".join(found) or "neither", where={"run": run.id})
    early, late = found["force"], found["displacement"]
    return Series(early[0], late[0], (early[1], early[2], late[1], late[2]))


def on_host_time(instrument: Instrument, table: pd.DataFrame) -> Array:
    """An instrument's own axis laid on the computer's clock by the earliest arrivals [s] (n,).

    Delays only ever add: in each stretch the reading that came soonest is nearest to the truth,
    and a straight line through those takes out the difference in rate of the two clocks.
    """
    own = axis_s(instrument, table)
    delay = table["host_s"].to_numpy(dtype=np.float64) - own
    edges = np.linspace(0, own.size, min(40, max(own.size // 20, 1)) + 1).astype(int)
    soonest = np.array([a + int(np.argmin(delay[a:b]))
                        for a, b in zip(edges[:-1], edges[1:], strict=True) if b > a])
    if soonest.size < 3 or own[soonest[-1]] <= own[soonest[0]]:
        return np.asarray(own + float(delay.min()))
    slope, offset = np.polyfit(own[soonest], delay[soonest], 1)
    line = offset + slope * own
    return np.asarray(own + line + float(np.min(delay - line)))
