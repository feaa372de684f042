"""What a time under load leaves behind, and what a locked press loses.

* set: where F0 stands in the rest after the load, minus where it stood in the rest before it. Working-in
  is over by then: what it left behind is ``seating``, another number.
* relaxation: how much of its force a locked press loses per tenfold time, and how far the lock moved.

A rest is a stretch of at least 5 s at a light touch of about F0; its last 5 s are read.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.fitting.landmarks import crossing_scatter_mm
from padlab.fitting.prepared import Prepared, Stroke
from padlab.fitting.results import CompressionSet, Verdict
from padlab.fitting.set_rules import constant_deflection_set_percent, constant_force_set_percent
from padlab.records.pad import F0_N
from padlab.statistics.quantity import Quantity, to_json, with_doubt
from padlab.statistics.serial import of_weighted_sum

Array = NDArray[np.float64]

TOUCH_SHARE = 0.6
"""A light touch is F0 give or take so much of it."""
REST_S = 5.0
BREAK_S = 0.5
READ_FROM_S = 1.0


def rests(prepared: Prepared) -> list[tuple[float, float, float]]:
    """Rests at a light touch: (begin, end [s], position at F0 [mm]); (n samples) linear."""
    time, force, position = prepared.time_s, prepared.force_n, prepared.position_mm
    touching = np.flatnonzero(np.abs(force - F0_N) < TOUCH_SHARE * F0_N)
    if touching.size == 0:
        return []
    breaks = np.flatnonzero(np.diff(time[touching]) > BREAK_S)
    found = []
    for part in np.split(touching, breaks + 1):
        begin, end = float(time[part[0]]), float(time[part[-1]])
        if end - begin < REST_S:
            continue
        last = part[time[part] >= end - REST_S]
        f, x = force[last] - F0_N, position[last]
        # The light touch of a hand is not quite F0: its own slope brings it there.
        slope = float(np.polyfit(f, x, 1)[0]) if np.ptp(f) > 0.02 else 0.0
        found.append((begin, end, float(x.mean()) - slope * float(f.mean())))
    return found


def set_after_load(prepared: Prepared, thickness_mm: float | None,
                   ) -> tuple[CompressionSet, list[dict[str, Any]]] | None:
    """The set after the last rest, and after each; None without a load or a rest on either side of it."""
    loads = prepared.role("kept")
    if not loads:
        return None
    load = max(loads, key=lambda s: _lasted_s(prepared, s))
    time, position = prepared.time_s, prepared.position_mm
    pressed_s, released_s = float(time[load.press.peak]), float(time[min(load.press.stop, time.size) - 1])
    every = rests(prepared)
    # The press of the load may begin out of the rest itself, the rest after it out of the let-go.
    before = [r for r in every if r[1] <= pressed_s]
    after = [r for r in every if r[0] >= released_s - BREAK_S and r[1] > released_s + REST_S]
    if not before or not after:
        return None
    stood = before[-1][2]
    u_one = max(crossing_scatter_mm(prepared), prepared.position_noise_mm / 2)
    rows = []
    for _, end, at in after:
        moved = with_doubt(at - stood, math.sqrt(2) * u_one)
        rows.append({"after_s": end - released_s, "set_mm": to_json(moved)})
    moved = with_doubt(after[-1][2] - stood, math.sqrt(2) * u_one)
    percent = None
    if thickness_mm:
        seated = thickness_mm - _seated(prepared, stood)
        share = constant_force_set_percent(before_mm=seated, after_mm=seated - moved.value)
        percent = with_doubt(share, 100 * math.sqrt(2) * u_one / seated)
    held = slice(load.press.peak, max(load.press.peak + 1, load.press.stop - 1))
    squeezed = float(np.median(position[held])) - stood
    if squeezed > 5 * u_one:
        by = constant_deflection_set_percent(before_mm=squeezed, after_mm=squeezed - moved.value,
                                             spacer_mm=0.0, reading_u_mm=u_one)
        rows[-1]["set_percent_of_squeeze"] = to_json(by)
    return CompressionSet(moved, percent, after[-1][1] - released_s, Verdict.GOOD), rows


def _seated(prepared: Prepared, stood: float) -> float:
    """How much thinner the pad stood at F0 before the load than at its first stroke [mm]."""
    first = next((s for s in prepared.strokes if s.role in ("working-in", "recorded")), None)
    if first is None:
        return 0.0
    a = first.press.start
    return max(stood - float(prepared.position_mm[a]), 0.0)


def _lasted_s(prepared: Prepared, s: Stroke) -> float:
    time = prepared.time_s
    return float(time[min(s.press.stop, time.size) - 1] - time[s.press.peak])


def _parabola(s: Array) -> Array:
    return np.column_stack([np.ones_like(s), s, s * s])


def relaxation(prepared: Prepared) -> dict[str, Any] | None:
    """How the force of the longest locked press fell; None without one of 20 s.

    A parabola in the logarithm of time through the force, from 1 s after the peak until it was let go:
    the loss from 1 s to 10 s and from 1 s to the end, as shares of the force at 1 s. Their doubt is that of
    the readings, whose errors go on, and of the force zero; a scale cancels in a share.
    """
    loads = prepared.role("kept")
    if not loads:
        return None
    load = max(loads, key=lambda s: _lasted_s(prepared, s))
    time, force, position = prepared.time_s, prepared.force_n, prepared.position_mm
    start, stop = load.press.peak, min(load.press.stop, time.size)
    level = float(np.median(force[start:stop]))
    # Until it was let go: the last time it stood at nine tenths of what it had fallen to.
    end = start + int(np.flatnonzero(force[start:stop] >= 0.9 * level)[-1])
    t = time[start:end] - time[start]
    inside = (t >= READ_FROM_S) & (t <= t[-1] - 0.5) if t.size else np.zeros(0, dtype=bool)
    if inside.sum() < 50 or t[-1] < 20.0:
        return None
    s, f, x = np.log10(t[inside]), force[start:end][inside], position[start:end][inside]
    whole = float(s[-1])
    # Even in log time, or the last minute rules.
    cell = np.minimum((s / (s[-1] + 1e-9) * 24).astype(int), 23)
    n = np.bincount(cell, minlength=24)
    some = n > 0
    middle = np.bincount(cell, s, 24)[some] / n[some]
    # What a reading adds to each coefficient: by its cell's mean.
    adds = np.linalg.pinv(_parabola(middle))[:, (np.cumsum(some) - 1)[cell]] / n[cell]
    beta = adds @ f
    left = f - _parabola(s) @ beta
    zero_u = prepared.zero.standard_uncertainty_n

    def lost(to: float) -> Quantity:
        c = np.array([0.0, to, to * to])
        share = -float(c @ beta) / float(beta[0])
        by = (-c - share * np.array([1.0, 0.0, 0.0])) / float(beta[0])
        u, freedom = of_weighted_sum(by @ adds, left)
        by_zero = abs(share / float(beta[0])) * zero_u
        return with_doubt(share, [(u, max(freedom - 3, 1.0)), (by_zero, math.inf)])

    return {
        "locked_at_n": float(load.press.peak_n), "reference_s": 1, "lasted_s": float(t[-1]),
        "force_lost_1_to_10_s": to_json(lost(1.0)), "force_lost_to_end": to_json(lost(whole)),
        "lock_moved_mm": float(np.mean(x[-25:]) - np.mean(x[:25])),
    }
