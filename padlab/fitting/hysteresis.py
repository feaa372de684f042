"""Springback loss: what the pad does not give back on the way up.

>>> th = np.linspace(0, 2 * np.pi, 200, endpoint=False)
>>> round(loop_energy_mj(0.05 * np.sin(th), 2 * np.sin(th + 0.1)), 8)
0.03135843
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from padlab.fitting.prepared import Prepared, Stroke
from padlab.fitting.results import Hysteresis, Verdict
from padlab.records.pad import F0_N
from padlab.records.rig_record import Channel
from padlab.statistics.quantity import Quantity, with_doubt

Array = NDArray[np.float64]

TURN = 0.97
"""Share of the peak force above which a hand is turning round."""
UNDER_WAY = (0.60, 0.85)
"""Shares of the peak force between which the speed of a limb is read, before a hand slows down for the
turn (design choice)."""
EARLY = 3.0
"""A pad sinks faster just after it was pressed than its held note says later: up to three times as much
(virtual pads; design choice)."""
STEADY_CHANGE = 0.005
STEADY_CYCLES = 3


def loop_energy_mj(position_mm: Array, force_n: Array) -> float:
    """Energy lost in a closed loop [mJ], + = lost: 1/2 sum(x[i+1] F[i] - x[i] F[i+1]).

    The last point joins the first. A negative area means that time runs backwards between the two
    quantities (skew), never a pad that gives energy.
    """
    x_next, f_next = np.roll(position_mm, -1), np.roll(force_n, -1)
    return float(0.5 * np.sum(x_next * force_n - position_mm * f_next))


def stroke_work_mj(prepared: Prepared, stroke: Stroke) -> tuple[float, float]:
    """Work put in and work given back over one stroke, above F0 [mJ]."""
    p = stroke.press
    return (_work(prepared.position_mm[p.start : p.peak + 1], prepared.force_n[p.start : p.peak + 1]),
            -_work(prepared.position_mm[p.peak : p.stop], prepared.force_n[p.peak : p.stop]))


def turn_work_mj(prepared: Prepared, stroke: Stroke, sinks_at_most: float | None = None) -> float:
    """The most that slowing down and staying at the top can have added to the loss [mJ].

    While the hand turns, the pad sinks under the peak force; a stroke that turned at once, at the speed
    it had, would have lost less. How much less is between nothing and the force times all the way made
    there, and no more than the pad sinks in the time that a turn at once would not have taken:
    ``sinks_at_most`` of its position for each tenfold time (as its held note says), counted from the
    middle of the way down.
    """
    p = stroke.press
    level = TURN * p.peak_n
    force, time = prepared.force_n, prepared.time_s
    top = np.flatnonzero(force[p.start : p.stop] >= level) + p.start
    if top.size < 2:
        return 0.0
    first, last = int(top[0]), int(top[-1])
    way = max(level * float(prepared.position_mm[last] - prepared.position_mm[first]), 0.0)
    if sinks_at_most is None:
        return way
    limbs = (force[p.start : first + 1], time[p.start : first + 1]), (force[last : p.stop][::-1],
                                                                      time[last : p.stop][::-1])
    at_once = sum(_seconds_at_speed(f, t, p.peak_n) for f, t in limbs)
    spent = max(float(time[last] - time[first]) - at_once, 0.0)
    position = float(prepared.position_mm[p.peak] - prepared.position_mm[p.start])
    decades = math.log10(1 + spent / max(stroke.loading_s / 2, 1e-3))
    return min(way, level * EARLY * max(sinks_at_most, 0.0) * position * decades)


def _seconds_at_speed(force: Array, time: Array, peak_n: float) -> float:
    """How long the way from ``TURN`` to the peak takes at the speed of the limb (n,), by rising force [s]."""
    low, high = (int(np.argmax(force >= share * peak_n)) for share in UNDER_WAY)
    rise = float(force[high] - force[low])
    return abs(float(time[high] - time[low])) / rise * (1 - TURN) * peak_n if rise > 0 else 0.0


def skew_work_mj_per_s(prepared: Prepared, stroke: Stroke) -> float:
    """By how much the loss of a stroke grows with each second by which its position is seen too late [mJ/s].

    Of the work with a position that is late by d, the integral of F(t) dx(t - d), the part linear in d
    is the integral of dF/dt dx/dt over the stroke.
    """
    p = stroke.press
    body = slice(p.start, p.stop)
    steps = np.maximum(np.diff(prepared.time_s[body]), 1e-9)
    return float(np.sum(np.diff(prepared.force_n[body]) * np.diff(prepared.position_mm[body]) / steps))


def _work(x: Array, f: Array) -> float:
    """Integral of F dx where F >= F0; the crossing of F0 is interpolated."""
    inside = f >= F0_N
    if inside.sum() < 2:
        return 0.0
    a, b = int(np.argmax(inside)), int(f.size - np.argmax(inside[::-1]))
    xs, fs = x[a:b], f[a:b]
    if a > 0 and f[a] > f[a - 1]:
        s = (F0_N - f[a - 1]) / (f[a] - f[a - 1])
        xs, fs = np.append(x[a - 1] + s * (x[a] - x[a - 1]), xs), np.append(F0_N, fs)
    if b < f.size and f[b - 1] > f[b]:
        s = (F0_N - f[b]) / (f[b - 1] - f[b])
        xs, fs = np.append(xs, x[b] + s * (x[b - 1] - x[b])), np.append(fs, F0_N)
    return float(np.trapezoid(fs, xs))


def steady_from(values: list[float]) -> int | None:
    """Cycle (from 1) at which three successive relative changes have been under 0.5 %, or None.

    >>> steady_from([300, 312, 317, 319.2, 320.3, 320.9, 321.2])
    7
    """
    calm = 0
    for i in range(1, len(values)):
        calm = calm + 1 if abs(values[i] - values[i - 1]) < STEADY_CHANGE * abs(values[i]) else 0
        if calm == STEADY_CYCLES:
            return i + 1
    return None


def loop(prepared: Prepared, *, sinks_at_most: float | None = None, time_doubt_s: float | None = 0.0,
         rig: Sequence[tuple[float, float]] = (), dial: Channel | None = None) -> Hysteresis | None:
    """The loop of the recorded strokes; None without any.

    ``sinks_at_most`` is the upper end of what a hold says of the fraction per decade, if one was made.
    ``time_doubt_s`` is the standard uncertainty of a position's time against a force's [s]; None = two
    instruments of which nothing is known: then the doubt of the loss is not determined. ``rig``: for each
    source of the rig the relative standard uncertainty it makes in the fraction and in the energy lost.

    ``dial`` is the channel of the displacement; a dial that lags behind by its backlash b each way adds
    b (peak - F0) to every loop: at the turn the force falls, and the dial stands. In use a dial is shaken
    more than on gauge blocks, so between none and all of that is taken to be there.

    What the turn at the top may have added is taken off by half, and its half range joins the
    doubt as a rectangular error: the loss is that of a stroke at bench speed, however it was turned.
    """
    recorded = prepared.role("recorded")
    if not recorded:
        return None
    work = np.array([stroke_work_mj(prepared, s) for s in recorded])
    turn = np.array([turn_work_mj(prepared, s, sinks_at_most) for s in recorded])
    lags, lags_u = _lag_work_mj(dial, np.array([s.press.peak_n for s in recorded]))
    lost = work[:, 0] - work[:, 1] - turn / 2 - lags / 2
    share, turn_share = lost / work[:, 0], turn / work[:, 0]
    lag_share, lag_share_u = lags / work[:, 0], lags_u / work[:, 0]
    full = prepared.role("working-in") + recorded
    full.sort(key=lambda s: s.press.number)
    travel = [float(prepared.position_mm[s.press.peak] - prepared.position_mm[s.press.start]) for s in full]
    energy = [w[0] - w[1] for w in (stroke_work_mj(prepared, s) for s in full)]
    ends = [steady_from(travel), steady_from(energy)]
    steady = max(e for e in ends if e is not None) if all(e is not None for e in ends) else None
    verdict = Verdict.GOOD if len(recorded) >= 3 else Verdict.TOO_FEW_POINTS
    if verdict is Verdict.GOOD and not 0.0 < float(share.mean()) < 1.0:
        verdict = Verdict.UNDETERMINED           # no pad gives back more than was put in: see loop_reversed
    peak = float(np.median([s.press.peak_n for s in recorded]))
    late = np.array([skew_work_mj_per_s(prepared, s) for s in recorded])
    if time_doubt_s is None:
        both = [_mean(share, ()), _mean(lost, ())]
        loss, loss_mj = (None if q is None else Quantity(q.value) for q in both)
    else:
        from_rig = np.array([*rig, (0.0, 0.0)])
        loss = _mean(share, (lag_share_u, time_doubt_s * late / work[:, 0], *np.outer(from_rig[:, 0], share)),
                     bounds=(turn_share / 2, lag_share / 2))
        # No pad loses more than was put in: the logarithm's upper end may say so of a loss hardly known.
        if loss is not None and loss.high is not None:
            loss = replace(loss, high=max(loss.value, min(loss.high, 1.0)))
        loss_mj = _mean(lost, (lags_u, time_doubt_s * late, *np.outer(from_rig[:, 1], lost)),
                        bounds=(turn / 2, lags / 2))
    return Hysteresis(peak, loss, loss_mj, steady, verdict)


def limbs_work_mj(force_n: Array, loading_mm: Array, unloading_mm: Array) -> tuple[float, float]:
    """Share of the work that is lost, and the energy lost [mJ], of two limbs over one grid of force (m,)."""
    put_in = float(np.trapezoid(force_n, loading_mm))
    lost = put_in - float(np.trapezoid(force_n, unloading_mm))
    return lost / put_in, lost


def _lag_work_mj(dial: Channel | None, peak_n: Array) -> tuple[Array, Array]:
    """The most that a dial's backlash adds to the loop of each stroke, and the doubt of that [mJ]."""
    if dial is None or dial.backlash is None:
        return np.zeros_like(peak_n), np.zeros_like(peak_n)
    span = peak_n - F0_N
    # Of a share of the backlash between none and all, the mean square is a third.
    return max(dial.backlash, 0.0) * span, (dial.backlash_uncertainty or 0.0) / math.sqrt(3) * span


def _mean(values: Array, common: tuple[Array, ...], bounds: tuple[Array, ...] = ()) -> Quantity | None:
    """Mean over strokes with Student's t: strokes are what is repeated; all else is alike in all of them.

    ``common``: standard uncertainties of each stroke (n,), source by source; ``bounds``: half ranges of what
    lies anywhere between nothing and all of it, its middle taken off.
    """
    mean = float(values.mean())
    if not math.isfinite(mean):
        return None
    if values.size < 3:
        return Quantity(mean)
    parts = [(float(values.std(ddof=1)) / math.sqrt(values.size), float(values.size - 1)),
             *((abs(float(u.mean())), math.inf) for u in common)]
    return with_doubt(mean, parts, positive=mean > 0, rectangles=[float(b.mean()) for b in bounds])
