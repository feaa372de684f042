"""Clocks of instruments -> the host's time, so that several instruments share one axis.

    clock of the cell --line--> host time <--line-- clock of the dial        (lines from below)
    a rig without a clock: a regular rate, from below as well

A reading can reach the host late (it waits in a chunk, the host is busy), never early. So what belongs
together lies on the line under all arrivals that is nearest to them: of all lines that no point lies
below, the one with the least sum of distances. It is an edge of the lower convex hull, the one over the
mean time. What every reading takes, the least way, stays in it: that is part of the skew, and measured.

>>> own = np.arange(0, 60, 0.02)
>>> late = 0.001 + 0.03 * np.random.default_rng(1).random(own.size) ** 2
>>> line = lower_line(own, own * 1.0002 + 7 + late)
>>> round(line.host_s_per_s, 5), round(line.at_zero_s, 3)
(1.0002, 7.001)
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from padlab.records.rig_record import Instrument

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

GAP_S = 1.0
"""Host silence that counts as a gap where the rig has no clock [s]; a chunk comes every few ms."""
GAP_STEPS = 5.0
"""A slow instrument is silent only after so many of its usual steps."""
SHORTEST_LINE_S = 5.0
"""Over less than this a rate cannot be told from delay: a clock near the host's rate then counts as equal."""
NEAR_ONE = 0.01
"""No clock of a rig that runs in real time is off by 1 %."""
DAMAGED_S = 0.02
"""A reading this much earlier than any of its neighbours can be was damaged on the way [s]."""
BLOCKS = 20
"""Parts of a record whose least delays are compared with each other."""
WANDER_S = 0.004
"""A rate that strays from its line by more than this is followed part by part; design choice [s]."""
BLOCK_READINGS = 40
SLOW_S = 0.015
"""Of a quicker instrument one lost line moves the time by less than its chunks do."""


@dataclass(frozen=True)
class ClockLine:
    """``host_s = at_zero_s + host_s_per_s * own_s``: the least delay, never the mean one."""

    at_zero_s: float
    host_s_per_s: float

    def host_s(self, own_s: Array) -> Array:
        """The host's time of each own time [s]."""
        return np.asarray(self.at_zero_s + self.host_s_per_s * own_s, dtype=np.float64)


def lower_line(own_s: Array, host_s: Array, *, is_clock: bool = True) -> ClockLine:
    """The line under all arrivals that is nearest to them.

    Parameters
    ----------
    own_s : array (n,)
        Time of each reading on the instrument's own clock, not falling [s].
    host_s : array (n,)
        When it arrived, not falling; readings that came together share a stamp [s].
    is_clock : bool
        The own time is that of a clock; one near the host's rate is taken to run at it where the
        record is too short to tell.

    Notes
    -----
    Work is linear in n. Points that lie below what their neighbours allow (a damaged tick) are left
    out first: a single one would otherwise tip the line.
    """
    last = np.append(np.diff(host_s) > 0, True)          # of one chunk the last reading waited least
    own, host = own_s[last], host_s[last]
    if own.size < 3 or own[-1] <= own[0]:
        return ClockLine(float((host_s - own_s).min()), 1.0)
    keep = _undamaged(own, host)
    own, host = own[keep], host[keep]
    hull = _lower_hull(own, host)
    middle = float(own_s.mean())
    k = int(np.clip(np.searchsorted(own[hull], middle), 1, hull.size - 1))
    a, b = hull[k - 1], hull[k]
    rate = float((host[b] - host[a]) / (own[b] - own[a]))
    if is_clock and host[-1] - host[0] < SHORTEST_LINE_S and abs(rate - 1.0) < NEAR_ONE:
        rate = 1.0
    return ClockLine(float((host - rate * own).min()), rate)


def stray_s(even_s: Array, host_s: Array) -> float | None:
    """How far the least delays of a record's parts lie from their middle, as a root mean square [s].

    It is what a clock that does not run evenly adds to the doubt of every time; None where the record
    is too short to tell.
    """
    last = np.append(np.diff(host_s) > 0, True)
    least = _least_by_part(even_s[last], (host_s - even_s)[last])
    return None if least is None else float(np.sqrt(np.mean((least[1] - np.median(least[1])) ** 2)))


def own_time_s(instrument: Instrument, table: pd.DataFrame) -> tuple[Array, list[int]]:
    """The time of each reading on the instrument's own clock from 0, and where that clock began anew.

    Parameters
    ----------
    table : DataFrame
        ``host_s`` and the instrument's columns; the instrument must have a clock.

    Returns
    -------
    (array (n,), list of int)
        A clock that wrapped runs on; over a restart the host's time bridges the step. The places are
        those of the first reading after each restart.
    """
    assert instrument.clock is not None
    assert instrument.clock_s_per_tick is not None
    host = table["host_s"].to_numpy(dtype=np.float64)
    time = without_odd_ticks(table[instrument.clock].to_numpy(dtype=np.float64)) * instrument.clock_s_per_tick
    step = np.diff(time)
    modulus = (instrument.clock_modulus or 0) * instrument.clock_s_per_tick
    back = np.flatnonzero(step < 0)
    if back.size == 0:
        return np.asarray(time - time[0], dtype=np.float64), []
    rate = _clock_rate(time, host)
    restarts = []
    for i in back.tolist():
        # A clock that steps back has wrapped if it was near its end; else the board has restarted.
        if modulus > 0 and time[i] > 0.9 * modulus and time[i + 1] < 0.1 * modulus:
            step[i] += modulus
        else:
            step[i] = max((host[i + 1] - host[i]) * rate, 1e-6)
            restarts.append(i + 1)
    return np.concatenate([[0.0], np.cumsum(step)]), restarts


def without_delay_s(own_s: Array, host_s: Array, restarts: list[int]) -> Array:
    """The host's time of each reading with its own delay taken off [s], shape (n,), not falling.

    Between two restarts the clock is one line; a piece too short for a line of its own takes the
    rate of the longest.
    """
    edges = [0, *restarts, own_s.size]
    pieces = list(zip(edges[:-1], edges[1:], strict=True))
    lines = [lower_line(own_s[a:b], host_s[a:b]) for a, b in pieces]
    longest = max(range(len(pieces)), key=lambda k: own_s[pieces[k][1] - 1] - own_s[pieces[k][0]])
    rate = lines[longest].host_s_per_s
    out = np.empty_like(own_s)
    for (a, b), line in zip(pieces, lines, strict=True):
        if host_s[b - 1] - host_s[a] < SHORTEST_LINE_S:
            line = ClockLine(float((host_s[a:b] - rate * own_s[a:b]).min()), rate)
        out[a:b] = line.host_s(own_s[a:b])
    return np.maximum.accumulate(out)


def regular_s(host: Array, count: Array | None = None) -> Array:
    """Times of readings that come at a regular rate and carry no clock [s], on the host's time.

    Parameters
    ----------
    host : array (n,)
        When each arrived; readings that came together share a stamp [s].
    count : array (n,), optional
        The instrument's own count of its lines, unwrapped; without one a line that was lost shows
        only by the arrivals that stay late from there on.

    Returns
    -------
    array (n,)
        Rising strictly; one line from below for each stretch between gaps. A rate that wanders by
        more than 4 ms is followed part by part.
    """
    steps = np.diff(host)
    moved = steps[steps > 0]
    usual = float(host[-1] - host[0]) / max(host.size - 1, 1) if moved.size == 0 else float(np.median(moved))
    out = np.empty_like(host)
    edges = [0, *(np.flatnonzero(steps > max(GAP_S, GAP_STEPS * usual)) + 1).tolist(), host.size]
    last = -np.inf
    for a, b in zip(edges[:-1], edges[1:], strict=True):
        own = np.arange(b - a, dtype=np.float64) if count is None else count[a:b] - count[a]
        if b - a < 3 or host[b - 1] <= host[a] or np.any(np.diff(own) <= 0):
            piece = host[a] + np.arange(b - a) * 1e-6
        else:
            piece = _regular(own, host[a:b], counted=count is not None)
        piece = piece + max(0.0, last + 1e-6 - piece[0])
        out[a:b] = piece
        last = float(piece[-1])
    return out


def without_odd_ticks(tick: Array) -> Array:
    """Replace a tick that fits neither neighbour, though these fit each other: it was damaged on the way.

    One flipped bit would otherwise move the axis, and everything after it, by minutes.

    >>> without_odd_ticks(np.array([10.0, 20.0, 9000.0, 40.0, 50.0])).tolist()
    [10.0, 20.0, 30.0, 40.0, 50.0]
    """
    before, here, after = tick[:-2], tick[1:-1], tick[2:]
    odd = np.flatnonzero((before < after) & ((here < before) | (here > after)))
    if odd.size == 0:
        return tick
    mended = tick.copy()
    mended[odd + 1] = (before[odd] + after[odd]) / 2
    return mended


def _regular(own: Array, host: Array, *, counted: bool) -> Array:
    """One stretch without a gap: a line from below over the number of each reading."""
    if not counted:
        own = own + _unseen(own, host)
    scale = (host[-1] - host[0]) / (own[-1] - own[0])
    own = own * scale                                    # in about seconds, as a clock would be
    even = lower_line(own, host, is_clock=False).host_s(own)
    strays = stray_s(even, host)
    if strays is None or strays <= WANDER_S:
        return even
    rest = host - even
    edges = np.linspace(0, own.size, own.size // BLOCK_READINGS + 1).astype(int)
    least = np.minimum.reduceat(rest, edges[:-1])
    middle = np.add.reduceat(own, edges[:-1]) / np.diff(edges)
    followed = even + np.interp(own, middle, least)
    return followed if np.all(np.diff(followed) > 0) else even


def _unseen(own: Array, host: Array) -> Array:
    """How many lines were lost unseen before each reading.

    A line that was lost makes all that follow come late by one step for good; a busy host makes them
    late for a moment. So the least delay before a place is held against the least delay after it.
    """
    out = np.zeros(own.size)
    n = min(50, host.size - 1)                           # over some readings: chunks do not matter then
    step = float(np.median((host[n:] - host[:-n]) / n))
    if step < SLOW_S:
        return out
    rest = host - step * own
    reach = max(25, round(GAP_S / step))
    for i in (np.flatnonzero(np.diff(host) > 1.5 * step) + 1).tolist():
        if min(i, own.size - i) >= reach:
            later = float(rest[i:i + reach].min() - rest[i - reach:i].min())
            lost = max(0, round(later / step - 0.1))
            out[i:] += lost
            rest[i:] -= step * lost
    return out


def _undamaged(own: Array, host: Array) -> NDArray[np.bool_]:
    """Which points are not below what the parts of the record allow."""
    rate = float(np.median(_slopes(own, host)))
    rest = host - rate * own
    least = _least_by_part(own, rest)
    if least is None:
        return np.ones(own.size, dtype=np.bool_)
    at, low = least
    tilt = np.subtract.outer(low, low)[np.triu_indices(low.size, 1)] / np.subtract.outer(at, at)[
        np.triu_indices(low.size, 1)]
    slope = float(np.median(tilt))
    flat = rest - slope * own
    floor = float(np.median(low - slope * at))
    spread = 1.4826 * float(np.median(np.abs(low - slope * at - floor)))
    keep = flat > floor - DAMAGED_S - 5 * spread
    return keep if np.count_nonzero(keep) >= 3 else np.ones(own.size, dtype=np.bool_)


def _slopes(own: Array, host: Array) -> Array:
    """Slopes over half the record, many of them, so that no single point decides."""
    half = own.size // 2
    run = own[half:] - own[:own.size - half]
    good = run > 0
    if not good.any():
        return np.ones(1)
    return np.asarray((host[half:] - host[:own.size - half])[good] / run[good], dtype=np.float64)


def _least_by_part(own: Array, rest: Array) -> tuple[Array, Array] | None:
    """Time and value of the least delay in each part of the record; None with too few points."""
    if own.size < 5 * BLOCKS:
        return None
    edges = np.linspace(0, own.size, BLOCKS + 1).astype(int)
    places = np.array([a + int(rest[a:b].argmin()) for a, b in zip(edges[:-1], edges[1:], strict=True)])
    if np.any(np.diff(own[places]) <= 0):
        return None
    return own[places], rest[places]


def _lower_hull(x: Array, y: Array) -> NDArray[np.int64]:
    """Places of the points of the lower convex hull, for rising x (of equal x the lowest counts)."""
    xs, ys = x.tolist(), y.tolist()
    hull: list[int] = []
    for i, (px, py) in enumerate(zip(xs, ys, strict=True)):
        while hull and xs[hull[-1]] >= px and ys[hull[-1]] >= py:
            hull.pop()
        if hull and xs[hull[-1]] >= px:
            continue
        while len(hull) > 1:
            a, b = hull[-2], hull[-1]
            if (ys[b] - ys[a]) * (px - xs[a]) < (py - ys[a]) * (xs[b] - xs[a]):
                break
            hull.pop()
        hull.append(i)
    return np.array(hull)


def _clock_rate(time: Array, host: Array) -> float:
    """Rig seconds in one host second, from the stretches in which the clock ran on."""
    step, host_step = np.diff(time), np.diff(host)
    on = step >= 0
    spent = float(host_step[on].sum())
    return float(step[on].sum()) / spent if spent > 0.2 else 1.0
