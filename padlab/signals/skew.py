"""How much later one instrument shows what another shows: found on a spring, where both move together.

A steel spring has no delay of its own, so any lag between the rate of its force and the rate of its
displacement is the instruments'. The lag is where the cross-correlation of the two rates has its peak,
found between grid points by a parabola; stretches of the record, each with a lag of its own, tell how
well it is known and whether one clock runs faster than the other. It is measured, then applied as it
stands; it is never chosen to make a loop come out positive.

>>> t = np.arange(0, 10, 1 / 200)
>>> x = lambda s: 0.15 * (1 - np.cos(2 * np.pi * 0.7 * s)) + 0.02 * np.sin(2 * np.pi * 1.9 * s)
>>> found = estimate_skew(t, x(t), t, 40 * x(t - 0.023))
>>> f"{1e3 * found.skew_s:.3f} ms, to {1e3 * found.standard_uncertainty_s:.2f} ms"
'23.000 ms, to 0.02 ms'
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from padlab.errors import FitError

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

LONGEST_SKEW_S = 0.5
"""A serial instrument that lags more is averaging, not lagging; design choice [s]."""
CLOCK_DIFFERENCE = 500e-6
"""Two crystal or ceramic clocks differ by less than this; so much may the lag move in a record."""
STRETCH_S = 2.0
"""Length of a stretch with a lag of its own: about one press; design choice [s]."""
MOST_STRETCHES = 60
FEWEST_STRETCHES = 3
"""Under this number there is no scatter to judge by."""
LEAST_MATCH = 0.5
"""Under this correlation the two records do not show the same motion; design choice."""
LONGEST_BRIDGED = 3.5
"""A step of over so many usual steps is a gap, in which nothing is compared; design choice."""
MOVES = 0.15
"""Of the usual quick rate: with less the two are not pressed together, or turn; design choice."""
LEAST_LINE = 0.98
"""Share of the variance that a straight line must explain for a run to be one on a spring; design choice."""
MOST_MOVED_S = 0.08
"""How far from the peak of the correlation the line may put the lag [s]."""
STEP_DOUBT = 0.004
"""Of one grid step: what the parabola itself may be off, for motion below a fifth of the grid's rate."""


@dataclass(frozen=True)
class SkewEstimate:
    """How much later the second record shows what the first shows.

    Attributes
    ----------
    skew_s : float
        At the middle of the time in common; negative where the first is the late one [s].
    standard_uncertainty_s : float or None
        From the scatter of the stretches; None where there are too few to tell [s].
    degrees_of_freedom : int
        Of that uncertainty.
    drift : float or None
        How much the lag grows in one second, where the stretches show that it does: the two time
        axes run at different rates (0.0002 = 200 ppm); 0 where they show none, None where not determined.
    stretches : int
        How many had motion to compare.
    match : float
        Correlation of the two rates at the peak; 1 for a perfect spring.
    """

    skew_s: float
    standard_uncertainty_s: float | None
    degrees_of_freedom: int
    drift: float | None
    stretches: int
    match: float


def estimate_skew(time_a: Array, x: Array, time_b: Array, f: Array, *,
                  longest_s: float = LONGEST_SKEW_S) -> SkewEstimate:
    """How much later ``f`` shows what ``x`` shows [s].

    Parameters
    ----------
    time_a, time_b : array (n,), (m,)
        Times of the readings on one axis, rising; they need not be even, nor of one rate [s].
    x, f : array (n,), (m,)
        What moves together, such as displacement [mm] and force [N] on a spring. Single damaged
        readings are taken out; readings in a gap of either are not compared.
    longest_s : float
        Lags up to this are looked at [s].

    Raises
    ------
    FitError
        Too little in common, nothing moves, or no clear peak of the correlation.

    Notes
    -----
    Both records are carried to the grid of the faster one by cubic splines and their rates
    cross-correlated. What an instrument averages over its own interval shows as half an interval of
    lag, and is part of the skew. Two axes whose rates differ by up to 500 ppm are followed.
    """
    a, b = _Record.of(time_a, x, "first"), _Record.of(time_b, f, "second")
    step = min(a.step_s, b.step_s)
    start, stop = max(a.time_s[0], b.time_s[0]), min(a.time_s[-1], b.time_s[-1])
    count = math.floor((stop - start) / step + 1e-6) + 1
    reach = math.ceil(longest_s / step)
    if count < 3 * reach:
        raise FitError("too short to find a skew", expected=f"{3 * reach * step:.1f} s in common",
                       seen=f"{max(stop - start, 0.0):.1f} s",
                       remedy="press the spring slowly, several times")
    grid = np.minimum(start + step * np.arange(count), stop)
    a_rate, a_good = a.rates(grid, step)
    b_rate, b_good = b.rates(grid, step)
    pair = _Pair(a_rate, a_good, b_rate, b_good)
    lags, match = pair.match(range(-reach, reach + 1), 0, count)
    best = int(match.argmax())
    if match[best] < LEAST_MATCH or best in (0, match.size - 1):
        raise FitError(
            "no skew fits", expected=f"a clear peak of the correlation within {longest_s:g} s",
            seen=f"correlation {match[best]:.2f} at {lags[best] * step * 1e3:.0f} ms",
            remedy="use a run on a spring in which both instruments recorded the same presses")
    whole = _peak(lags, match, best) * step
    span = step * count
    pieces = int(min(max(FEWEST_STRETCHES, span // STRETCH_S), MOST_STRETCHES))
    near = 2 + math.ceil(CLOCK_DIFFERENCE * span / 2 / step)
    found = pair.stretches(pieces, range(lags[best] - near, lags[best] + near + 1))
    return _together(whole, found * [step, step, 1.0] if found.size else found,
                     middle_s=span / 2, step=step, match=float(match[best]))


def spring_skew(time_a: Array, x: Array, time_b: Array, f: Array, *,
                longest_s: float = LONGEST_SKEW_S) -> SkewEstimate:
    """How much later ``f`` shows what ``x`` shows, where one is a straight line of the other [s].

    The peak of the correlation is only where it begins. Then the readings of the slower record, at their
    own times, are fitted by a straight line of the faster one a lag earlier. Neither has to be carried
    to a grid that its rate does not bear, and readings in the air, where the anvil moves and nothing
    presses, are left out: only readings count where both move. Every limb gives a lag of its own; their
    scatter is the doubt. A record that is no straight line keeps the peak of the correlation.

    Parameters, result and errors as of :func:`estimate_skew`.
    """
    coarse = estimate_skew(time_a, x, time_b, f, longest_s=longest_s)
    a, b = _Record.of(time_a, x, "first"), _Record.of(time_b, f, "second")
    sign, fast, slow = (1.0, a, b) if b.step_s >= a.step_s else (-1.0, b, a)
    limbs = _limbs_on_line(fast, slow, sign, coarse.skew_s)
    if limbs is None:
        return coarse
    lag, u_line, found = limbs
    start = max(a.time_s[0], b.time_s[0])
    middle = (min(a.time_s[-1], b.time_s[-1]) - start) / 2
    limb = _together(lag, found - [start, 0.0, 0.0], middle_s=middle, step=fast.step_s, match=coarse.match,
                     spent=3)                          # a mean, and the slope and the trend of one line
    scatter = limb.standard_uncertainty_s
    return limb if scatter is None else replace(limb, standard_uncertainty_s=max(scatter, u_line))


def _limbs_on_line(fast: _Record, slow: _Record, sign: float, lag: float,
                   ) -> tuple[float, float, Array] | None:
    """The lag of all limbs together, its standard uncertainty by the scatter about the line, and time, lag
    and weight of each limb; None where no line fits.
    """
    from scipy.interpolate import CubicSpline

    spline, near = CubicSpline(fast.time_s, fast.value), 1.5 * fast.step_s
    time, y = slow.time_s[1:-1], slow.value[1:-1]
    span = slow.time_s[2:] - slow.time_s[:-2]
    rate = np.abs(slow.value[2:] - slow.value[:-2]) / span
    moves = (rate > MOVES * np.quantile(rate, 0.95)) & (span < 2 * LONGEST_BRIDGED * slow.step_s)
    whole, first = slow.step_s, lag
    for _ in range(12):
        at = time - sign * lag
        speed = (spline(at + near) - spline(at - near)) / (2 * near)
        good = moves & (at > fast.time_s[0] + near) & (at < fast.time_s[-1] - near) & ~_in_gap(fast, at)
        good &= np.abs(speed) > MOVES * np.quantile(np.abs(speed), 0.95)
        terms = np.column_stack([np.ones(time.size), spline(at), speed, time - time.mean()])
        for _ in range(4):                            # readings that leave the line: the anvil was in the air
            if np.count_nonzero(good) < 12:
                return None
            line = np.linalg.lstsq(terms[good], y[good], rcond=None)[0]
            off = y - terms @ line
            spread = 1.4826 * float(np.median(np.abs(off[good]))) + 1e-12 * float(np.ptp(y))
            good &= np.abs(off) < 4 * spread
        if line[1] == 0 or abs(lag - first) > MOST_MOVED_S:
            return None
        whole = -float(line[2] / (line[1] * sign))
        lag += float(np.clip(whole, -slow.step_s, slow.step_s))
        if abs(whole) < 1e-7:
            break
    off = (y - terms @ np.array([line[0], line[1], 0.0, line[3]]))[good]
    if off.var() > (1 - LEAST_LINE) * y[good].var():
        return None
    u_line = math.sqrt(float(off.var() * np.linalg.inv(terms[good].T @ terms[good])[2, 2])) / abs(line[1])
    turns = (np.diff(np.sign(speed[good])) != 0) | (np.diff(time[good]) > 2.5 * slow.step_s)
    begins = np.flatnonzero(turns) + 1
    found = []
    for t, r, v in zip(*(np.split(column, begins) for column in (time[good], off, speed[good])), strict=True):
        information = float(v @ v) * line[1] ** 2
        if t.size >= 3 and information > 0:
            found.append((float(t.mean()), lag - float(r @ v) / (line[1] * sign * float(v @ v)), information))
    return (float(lag), float(u_line), np.array(found)) if len(found) >= FEWEST_STRETCHES else None


def _in_gap(record: _Record, at: Array) -> Bools:
    """Which times lie where readings of a record are missing."""
    after = np.clip(np.searchsorted(record.time_s, at), 1, record.time_s.size - 1)
    return np.asarray(np.diff(record.time_s)[after - 1] > LONGEST_BRIDGED * record.step_s)


@dataclass(frozen=True)
class _Record:
    """One record without damaged readings, with its usual step."""

    time_s: Array
    value: Array
    step_s: float

    @classmethod
    def of(cls, time: Array, value: Array, name: str) -> _Record:
        time, value = np.asarray(time, dtype=np.float64), np.asarray(value, dtype=np.float64)
        good = np.isfinite(time) & np.isfinite(value)
        time, value = time[good], value[good]
        if time.size < 8 or np.any(np.diff(time) <= 0):
            raise FitError(f"the {name} record cannot be compared",
                           expected="8 readings at least, at rising times", seen=f"{time.size} readings"
                           if time.size < 8 else "times that stand still or go back")
        value = _without_spikes(value)
        if np.ptp(value) == 0:
            raise FitError(f"nothing moves in the {name} record", expected="a spring pressed and let go",
                           seen="a constant reading")
        return cls(time, value, float(np.median(np.diff(time))))

    def rates(self, grid: Array, step: float) -> tuple[Array, Bools]:
        """The rate of change on a grid, and where it is known (no gap there)."""
        from scipy.interpolate import CubicSpline

        rate = np.gradient(CubicSpline(self.time_s, self.value)(grid), step)
        steps = np.diff(self.time_s)
        after = np.clip(np.searchsorted(self.time_s, grid, side="left"), 1, self.time_s.size - 1)
        in_gap = steps > LONGEST_BRIDGED * self.step_s
        near_gap = in_gap | np.append(in_gap[1:], False) | np.append(False, in_gap[:-1])
        return np.asarray(rate, dtype=np.float64), ~near_gap[after - 1]


@dataclass(frozen=True)
class _Pair:
    """Two rates on one grid."""

    a: Array
    a_good: Bools
    b: Array
    b_good: Bools

    def match(self, lags: range, start: int, stop: int) -> tuple[range, Array]:
        """Correlation of ``a`` between two places with ``b`` later by each lag, shape (lags,).

        The same part of ``a`` is used for every lag, so that the peak has no slope from its edges.
        """
        start, stop = max(start, -lags[0], 0), min(stop, self.a.size - max(lags[-1], 0))
        out = np.full(len(lags), -1.0)
        if stop - start < 8:
            return lags, out
        good = self.a_good[start:stop].copy()
        if not (self.a_good.all() and self.b_good.all()):
            for lag in lags:
                good &= self.b_good[start + lag:stop + lag]
        if np.count_nonzero(good) < 8:
            return lags, out
        here = self.a[start:stop][good]
        here = here - here.mean()
        for k, lag in enumerate(lags):
            there = self.b[start + lag:stop + lag][good]
            there = there - there.mean()
            size = math.sqrt(float(here @ here) * float(there @ there))
            out[k] = float(here @ there) / size if size > 0 else -1.0
        return lags, out

    def stretches(self, count: int, lags: range) -> Array:
        """Middle [steps], lag [steps] and weight of each stretch that has a peak, shape (k, 3)."""
        edges = np.linspace(max(0, -lags[0]), self.a.size - max(0, lags[-1]), count + 1).astype(int).tolist()
        found = []
        for start, stop in zip(edges[:-1], edges[1:], strict=True):
            _, match = self.match(lags, start, stop)
            best = int(match.argmax())
            if match[best] < LEAST_MATCH or best in (0, match.size - 1):
                continue
            # The information of a stretch on a lag goes with the square of how the rate itself changes.
            bend = np.diff(self.a[start:stop])
            found.append(((start + stop) / 2, _peak(lags, match, best), float(bend @ bend)))
        return np.array(found)


def _peak(lags: range, match: Array, best: int) -> float:
    """The top of the parabola through the best lag and its neighbours [steps]."""
    below, top, above = match[best - 1:best + 2]
    return float(lags[best] + (below - above) / (2 * (below - 2 * top + above)))


def _together(whole: float, found: Array, *, middle_s: float, step: float, match: float,
              spent: int = 1) -> SkewEstimate:
    """One skew from the lags of the stretches, each weighted by its motion; ``spent`` is what they share."""
    n = len(found)
    if n < FEWEST_STRETCHES:
        return SkewEstimate(whole, None, 0, None, n, match)
    when, lag, weight = found.T
    weight = weight / weight.sum()
    weight = np.minimum(weight, 3 * np.median(weight))       # no one stretch may speak for all
    centre = float(np.median(lag))
    spread = 1.4826 * float(np.median(np.abs(lag - centre)))
    drift_allowed = CLOCK_DIFFERENCE * (when.max() - when.min()) / 2
    weight[np.abs(lag - centre) > 5 * spread + drift_allowed + step / 10] = 0.0
    weight /= weight.sum()
    used = int(np.count_nonzero(weight))
    mean, at = float(weight @ lag), float(weight @ when)
    drift, around = 0.0, lag - mean
    if used >= 5:
        slope = float(weight @ (around * (when - at))) / float(weight @ (when - at) ** 2)
        left = around - slope * (when - at)
        u_slope = math.sqrt(float(weight**2 @ (left * (when - at)) ** 2)) / float(weight @ (when - at) ** 2)
        if abs(slope) > 3 * u_slope * math.sqrt(used / (used - 2)):
            drift, around, spent = slope, left, spent + 1
    freedom = max(used - spent, 1)
    scatter = math.sqrt(float(weight**2 @ around**2) * used / freedom)
    return SkewEstimate(mean + drift * (middle_s - at), math.hypot(scatter, STEP_DOUBT * step), freedom,
                        drift if used >= 5 else None, used, match)


def _without_spikes(value: Array) -> Array:
    """Single readings far outside both their neighbours are replaced by the nearer one."""
    before, here, after = value[:-2], value[1:-1], value[2:]
    low, high = np.minimum(before, after), np.maximum(before, after)
    off = np.maximum(low - here, here - high)
    usual = float(np.quantile(np.abs(np.diff(value)), 0.9))
    spike = off > 5 * usual
    if not spike.any():
        return value
    mended = value.copy()
    mended[1:-1][spike] = np.clip(here, low, high)[spike]
    return mended
