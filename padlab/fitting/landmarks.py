"""Places on the record: thickness, seating, warm-up and set, each from where a force is crossed."""

from __future__ import annotations

import math

import numpy as np

from padlab.calibration.frame import Frame
from padlab.fitting.prepared import WORKING_IN, Prepared, Stroke
from padlab.fitting.results import CompressionSet, FirstPress, Verdict
from padlab.fitting.rounding import rounding_mm
from padlab.fitting.set_rules import constant_force_set_percent
from padlab.records.pad import F0_N
from padlab.records.run import Run
from padlab.signals.contact import crossing
from padlab.statistics.quantity import Quantity, with_doubt
from padlab.units import MM_PER_THOU

SET_FORCE_N = 3.5
WARM_UP_STROKES = 50
GAUGE_U_MM = MM_PER_THOU / 2
"""Standard uncertainty of a thickness that a person wrote down (design choice: half a thou)."""


def thickness(run: Run, prepared: Prepared, frame: Frame, *, scale_u: float | None = None,
              local_u_mm: float | None = None) -> Quantity | None:
    """Fresh thickness at F0 on the tested face: as written down, or from the bare anvils of a blank.

    The way from anvil to pad is read off the indicator: ``scale_u`` is its scale's relative standard
    uncertainty, ``local_u_mm`` that of a single place; None where nobody stated it.
    """
    if run.pad is not None and run.pad.thickness_mm is not None:
        return with_doubt(run.pad.thickness_mm, GAUGE_U_MM, positive=True)
    if frame.bare_at_f0_mm is None:
        return None
    first = at_force(prepared, full_strokes(prepared), F0_N)
    if first is None:
        return None
    way = frame.bare_at_f0_mm - first
    u = math.hypot(frame.bare_u_mm or 0.0, crossing_scatter_mm(prepared), (scale_u or 0.0) * way,
                   math.sqrt(2) * (local_u_mm or 0.0))
    return with_doubt(way, u, positive=way > 0)


def full_strokes(prepared: Prepared) -> list[Stroke]:
    """Working-in and recorded strokes, in the order of time."""
    full = [s for s in prepared.strokes if s.role in ("working-in", "recorded")]
    return sorted(full, key=lambda s: s.press.number)


def at_force(prepared: Prepared, strokes: list[Stroke], force_n: float, index: int = 0) -> float | None:
    """Position where the loading limb of stroke ``index`` reaches a force [mm], as the indicator reads."""
    if not -len(strokes) <= index < len(strokes):
        return None
    return prepared.loaded_to(force_n, strokes[index].press)


def _unloading_at(prepared: Prepared, strokes: list[Stroke], force_n: float, index: int) -> float | None:
    p = strokes[index].press
    x, f = prepared.position_mm[p.peak : p.stop + 12][::-1], prepared.force_n[p.peak : p.stop + 12][::-1]
    return crossing(x, f, at_n=force_n)


def crossing_scatter_mm(prepared: Prepared) -> float:
    """How much one F0 crossing of a worked-in pad scatters, from the recorded strokes [mm].

    From differences of neighbours: a pad that sinks a little from stroke to stroke is not scatter.
    """
    places = prepared.f0_places_mm
    # Strokes that begin at one place of a coarse indicator are all rounded alike: they agree and say nothing.
    rounding = rounding_mm(prepared.reading_steps[1] or 0.0, prepared.position_noise_mm)
    least = max(prepared.position_noise_mm, 0.5e-3, rounding)
    if len(places) < 3:
        return 4 * least
    return max(float(np.sqrt(np.mean(np.diff(places) ** 2) / 2)), least)


def seating(prepared: Prepared) -> Quantity | None:
    """Early set: how much the F0 point moved from the first to the third stroke [mm], + = thinner."""
    full = full_strokes(prepared)
    if len(full) < WORKING_IN:
        return None
    first, third = at_force(prepared, full, F0_N, 0), at_force(prepared, full, F0_N, 2)
    if first is None or third is None:
        return None
    few = max(len(prepared.role("recorded")) - 1, 2)
    return with_doubt(third - first, math.sqrt(2) * crossing_scatter_mm(prepared), degrees_of_freedom=few)


def first_press(prepared: Prepared, *, points: int = 25) -> FirstPress | None:
    """The first press of a fresh pad; None where it is not in the record, or is no whole press."""
    full = full_strokes(prepared)
    if len(full) < WORKING_IN or full[0].role != "working-in":
        return None
    start, later = at_force(prepared, full, F0_N, 0), prepared.f0_places_mm
    if start is None or not later:
        return None
    forces = np.geomspace(F0_N, 0.98 * full[0].press.peak_n, points)
    places = [at_force(prepared, full, float(f), 0) for f in forces]
    known = [(float(f), p - start) for f, p in zip(forces, places, strict=True) if p is not None]
    if len(known) < points // 2:
        return None
    scatter = crossing_scatter_mm(prepared)
    return FirstPress(np.array([f for f, _ in known]), np.maximum.accumulate([p for _, p in known]),
                      float(np.mean(later)) - start, scatter * math.sqrt(1 + 1 / len(later)))


def warm_up(prepared: Prepared) -> Quantity | None:
    """Shift of the position at 3.5 N net from stroke 1 to stroke 50, mean of the limbs [mm].

    Every press counts as one of the fifty; the last whole ones before the fiftieth are read.
    """
    presses = [s for s in prepared.strokes if s.press.complete and not s.press.is_hold]
    if len(presses) < WARM_UP_STROKES:
        return None

    def middle(i: int) -> float | None:
        if presses[i].press.peak_n < 1.2 * SET_FORCE_N:
            return None
        down = at_force(prepared, presses, SET_FORCE_N, i)
        up = _unloading_at(prepared, presses, SET_FORCE_N, i)
        return None if down is None or up is None else (down + up) / 2

    late = [m for m in (middle(i) for i in range(WARM_UP_STROKES - 6, WARM_UP_STROKES)) if m is not None]
    first = middle(0)
    if first is None or len(late) < 4:
        return None
    scatter = float(np.std(np.diff(late), ddof=1)) / math.sqrt(2)
    u = math.sqrt(2) * max(scatter, prepared.position_noise_mm / 2, 1e-4)
    return with_doubt(late[-1] - first, u, degrees_of_freedom=len(late) - 1)


def lasting_set(prepared: Prepared, thickness_mm: float | None) -> CompressionSet | None:
    """What had not come back at the end of the last rest at F0: where F0 stands then, minus at first."""
    full = full_strokes(prepared)
    first = at_force(prepared, full, F0_N, 0) if full else None
    holds = prepared.role("hold")
    if first is None or not holds:
        return None
    after = holds[-1].press.stop
    time, force, position = prepared.time_s[after:], prepared.force_n[after:], prepared.position_mm[after:]
    touching = np.abs(force - F0_N) < 0.6 * F0_N
    if touching.sum() < 50:
        return None
    end = time[touching][-1]
    if end - time[0] < 5.0:
        return None
    last = touching & (time >= end - 5.0)
    f, x = force[last] - F0_N, position[last]
    at_f0 = float(x.mean()) - (float(np.polyfit(f, x, 1)[0]) * float(f.mean()) if np.ptp(f) > 0.02 else 0.0)
    value = at_f0 - first
    u = math.hypot(float(x.std(ddof=1)) / math.sqrt(5.0), crossing_scatter_mm(prepared))
    percent = None
    if thickness_mm:
        share = constant_force_set_percent(before_mm=thickness_mm, after_mm=thickness_mm - value)
        percent = with_doubt(share, 100 * u / thickness_mm)
    return CompressionSet(with_doubt(value, u), percent, float(end - time[0]), Verdict.GOOD)
