"""Presses in a hand-driven record: strokes and holds, found in the data alone.

A press is an excursion of the net force over 1.0 N that ends below 0.5 N (a Schmitt trigger, so
that tremor at a threshold is not a press). Its loading limb begins at the last sample at or under
F0 before the peak, its unloading limb ends at the first one after it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.records.pad import F0_N

Array = NDArray[np.float64]

ON_N, OFF_N = 1.0, 0.5
HOLD_BAND = 0.12
HOLD_MIN_S = 4.0


@dataclass(frozen=True)
class Press:
    """One press: indices into the samples, half open ``[start, stop)``."""

    number: int                 # 1, 2, ... in the order of time
    start: int                  # last sample at or under F0 before the peak
    peak: int
    stop: int                   # one past the first sample at or under F0 after the peak
    peak_n: float
    hold: tuple[int, int] | None    # the level stretch, where it is a hold
    dips: int                   # times the force fell back by > 15 % of the peak and rose again
    complete: bool              # begins and ends under F0

    @property
    def is_hold(self) -> bool:
        """Whether the force was held."""
        return self.hold is not None


def find_presses(time_s: Array, net_force_n: Array) -> list[Press]:
    """Find all presses.

    Parameters
    ----------
    time_s, net_force_n : array (n,)
        Net force has its zero taken off. Linear in n.
    """
    on = net_force_n >= ON_N
    off = net_force_n < OFF_N
    state = np.where(on, 1, np.where(off, 0, -1)).astype(np.int8)
    known = np.flatnonzero(state >= 0)
    if known.size == 0:
        return []
    held = state[known]
    flips = np.flatnonzero(np.diff(held, prepend=0)) if held[0] == 1 else np.flatnonzero(np.diff(held)) + 1
    at = known[flips]
    kinds = held[flips]
    starts, ends = at[kinds == 1], at[kinds == 0]
    presses: list[Press] = []
    low = np.flatnonzero(net_force_n <= F0_N)
    falls = [int(ends[k]) if k < ends.size else net_force_n.size for k in np.searchsorted(ends, starts)]
    for i, (rise, fall) in enumerate(zip(starts, falls, strict=True)):
        # A limb ends where the neighbouring press begins, whether or not F0 was reached between them.
        earliest = falls[i - 1] if i else 0
        latest = int(starts[i + 1]) if i + 1 < starts.size else net_force_n.size
        before, after = np.searchsorted(low, rise) - 1, np.searchsorted(low, fall)
        begins = before >= 0 and low[before] >= earliest
        stops = after < low.size and low[after] < latest
        start = int(low[before]) if begins else earliest
        stop = int(low[after]) + 1 if stops else latest
        presses.append(_press(len(presses) + 1, time_s, net_force_n, int(rise), fall, start, stop,
                              complete=bool(begins and stops)))
    return presses


def _press(number: int, time_s: Array, force: Array, rise: int, fall: int, start: int, stop: int,
           *, complete: bool) -> Press:
    body = force[rise:fall]
    peak = rise + int(np.argmax(body))
    peak_n = float(np.median(np.sort(body)[-min(3, body.size):]))
    hold = _hold(time_s, force, rise, fall, peak_n)
    return Press(number, start, peak, stop, peak_n, hold, _dips(body, 0.15 * peak_n), complete)


def _hold(time_s: Array, force: Array, rise: int, fall: int, peak_n: float) -> tuple[int, int] | None:
    """The level stretch of a press that is mostly level, or None.

    The force is level where it stays within 12 % of the median of its upper half (by time): a
    hand that holds wanders by a few per cent, a stroke passes that band in a fraction of its time.
    """
    body = force[rise:fall]
    level = float(np.median(body[body > 0.5 * peak_n]))
    near = np.flatnonzero(np.abs(body - level) <= HOLD_BAND * level)
    if near.size < 10:
        return None
    a, b = rise + int(near[0]), rise + int(near[-1]) + 1
    long_enough = time_s[b - 1] - time_s[a] >= HOLD_MIN_S
    mostly = near.size >= 0.6 * body.size and near.size >= 0.8 * (b - a)
    return (a, b) if long_enough and mostly else None


def _dips(body: Array, prominence: float) -> int:
    """Count falls of at least ``prominence`` from a running top that are followed by such a rise.

    Works on local extremes only, so a long press costs little.
    """
    body = body[np.append(True, np.diff(body) != 0)]     # two equal readings at a top would hide it
    slope = np.sign(np.diff(body))
    turns = np.flatnonzero(slope[1:] * slope[:-1] < 0) + 1
    values = np.concatenate([body[:1], body[turns], body[-1:]])
    dips, top, bottom, falling = 0, values[0], values[0], False
    for v in values[1:]:
        if falling:
            bottom = min(bottom, v)
            if v - bottom >= prominence:
                dips, falling, top = dips + 1, False, v
        else:
            top = max(top, v)
            if top - v >= prominence:
                falling, bottom = True, v
    return dips


def common_peak(peaks_n: Array, *, share: float = 0.05) -> float | None:
    """The peak force that most strokes share within ``share``; the largest where several tie."""
    if peaks_n.size == 0:
        return None
    ordered = np.sort(peaks_n)[::-1]
    counts = [int(np.sum(np.abs(peaks_n / p - 1) <= share)) for p in ordered]
    return float(ordered[int(np.argmax(counts))])
