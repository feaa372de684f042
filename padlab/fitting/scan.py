"""Two recursions over many samples, without a loop over the samples.

A play operator and a retarded element both carry one state from sample to sample:

    clip:    y[n] = min(max(y[n-1], low[n]), high[n])
    linear:  y[n] = keep[n] * y[n-1] + add[n]

Steps of either kind join into one step of the same kind: clips into one clip, linear steps into one
linear step. So the samples are laid out in rows of about sqrt(n), all rows are walked side by side,
and the rows are chained at their ends: 2 sqrt(n) calls in place of n (Blelloch, Prefix sums and their
applications, CMU-CS-90-190 (1990), gives the principle).

>>> low, high = np.array([[0.0], [2.0], [-1.0]]), np.array([[1.0], [3.0], [0.5]])
>>> clip_scan(low, high, np.array([5.0])).ravel().tolist()
[1.0, 2.0, 0.5]
>>> linear_scan(np.full((3, 1), 0.5), np.ones((3, 1)), np.array([4.0])).ravel().tolist()
[3.0, 2.5, 2.25]
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def clip_scan(low: Array, high: Array, start: Array) -> Array:
    """``y[n] = min(max(y[n-1], low[n]), high[n])``.

    Parameters
    ----------
    low, high : array (n, m)
        With low <= high.
    start : array (m,)
        The state before the first sample.

    Returns
    -------
    array (n, m)
    """
    lows, highs, n = _rows(low), _rows(high), low.shape[0]
    # What any start can become lies between what the lowest and the highest start become.
    for i in range(1, lows.shape[0]):
        below, above = lows[i], highs[i].copy()
        highs[i] = np.minimum(np.maximum(highs[i - 1], below), above)
        lows[i] = np.minimum(np.maximum(lows[i - 1], below), above)
    starts = np.empty_like(lows[0])
    state = np.asarray(start, dtype=np.float64)
    for k in range(starts.shape[0]):
        starts[k] = state
        state = np.minimum(np.maximum(state, lows[-1, k]), highs[-1, k])
    return _flat(np.minimum(np.maximum(starts, lows), highs), n)


def linear_scan(keep: Array, add: Array, start: Array) -> Array:
    """``y[n] = keep[n] * y[n-1] + add[n]``; shapes as in :func:`clip_scan`."""
    kept, out, n = _rows(keep), _rows(add), keep.shape[0]
    for i in range(1, out.shape[0]):
        out[i] += kept[i] * out[i - 1]
        kept[i] *= kept[i - 1]
    starts = np.empty_like(out[0])
    state = np.asarray(start, dtype=np.float64)
    for k in range(starts.shape[0]):
        starts[k] = state
        state = kept[-1, k] * state + out[-1, k]
    out += kept * starts
    return _flat(out, n)


def _rows(values: Array) -> Array:
    """Laid out as (step, row, m), the last row filled up with its last sample; always a copy."""
    n, m = values.shape
    long = max(1, math.isqrt(n))
    count = -(-n // long)
    whole = np.empty((count * long, m))
    whole[:n] = values
    whole[n:] = values[-1]
    return np.ascontiguousarray(whole.reshape(count, long, m).transpose(1, 0, 2))


def _flat(rows: Array, n: int) -> Array:
    long, count, m = rows.shape
    return np.ascontiguousarray(rows.transpose(1, 0, 2)).reshape(long * count, m)[:n]
