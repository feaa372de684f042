"""A run made ready for fitting: force from its zero, position without the frame's give, presses sorted."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from padlab.calibration.frame import Frame
from padlab.records.pad import F0_N
from padlab.records.run import Run
from padlab.signals.contact import ForceZero, force_zero
from padlab.signals.cycles import Press, common_peak, find_presses

Array = NDArray[np.float64]

WORKING_IN = 3
FEWEST_CLEAN = 3
PEAK_SHARE = 0.08
"""A full stroke ends within 8 % of the common peak: a hand's scatter is 2-3 %. The curve is used up
to the lowest peak, so a peak's height touches only the top of the unloading limb."""
NOT_LET_GO_N = 0.08
"""A pad that was not let go before a stroke keeps part of its memory: that stroke runs stiffer.

On virtual wool felt a touch of 0-0.2 N left on makes the give 1-2 % too small.
"""
SPEED_RATIO = 3.0
"""Hand-driven strokes are allowed within x/÷3 of the median speed (design choice)."""


@dataclass(frozen=True)
class Stroke:
    """A full stroke with what was decided about it."""

    press: Press
    role: str                      # working-in | recorded | small | hold | left out
    reason: str
    loading_s: float
    speed_mm_per_s: float


@dataclass(frozen=True)
class Prepared:
    """Arrays on one axis, (n,): time, net force, position with the frame's give taken off."""

    time_s: Array
    force_n: Array
    position_mm: Array
    zero: ForceZero
    position_noise_mm: float
    strokes: tuple[Stroke, ...]
    peak_n: float | None

    def role(self, role: str) -> list[Stroke]:
        """The strokes of that role, in order."""
        return [s for s in self.strokes if s.role == role]


def prepare(run: Run, frame: Frame) -> Prepared:
    """Zero, frame and presses of a run of kind ``pad``, ``blank`` or ``check``."""
    table = run.samples
    time = table["time_s"].to_numpy(dtype=np.float64)
    force = table["force_n"].to_numpy(dtype=np.float64)
    position = table["displacement_mm"].to_numpy(dtype=np.float64)
    zero = force_zero(force, position)
    net = force - zero.value_n
    position = position - frame.deflection_mm(net)
    presses = find_presses(time, net)
    strokes, peak = sort_presses(presses, time, net, position)
    return Prepared(time, net, position, zero, _noise_mm(position, net), tuple(strokes), peak)


def sort_presses(presses: list[Press], time: Array, net: Array,
                 position: Array) -> tuple[list[Stroke], float | None]:
    """Which press is what: the common peak decides what a full stroke is, the order does the rest."""
    whole = [p for p in presses if p.complete and not p.is_hold]
    peak = common_peak(np.array([p.peak_n for p in whole]), share=PEAK_SHARE)
    strokes: list[Stroke] = []
    for p in presses:
        loading = float(time[p.peak] - time[p.start])
        travel = float(position[p.peak] - position[p.start])
        speed = travel / loading if loading > 0 else np.inf
        role, reason = _role(p, peak)
        strokes.append(Stroke(p, role, reason, loading, speed))
    # Full strokes of an alien speed are left out, but a whole run at one odd speed is not.
    full = [s for s in strokes if s.role == "full"]
    usual = float(np.median([s.loading_s for s in full])) if full else 0.0
    pressed = {s.press.number: _floor_before(s.press, strokes, net) for s in full}
    # Strokes begun under a resting finger are left out, but only where enough others remain.
    clean = sum(1 for s in full[WORKING_IN:] if pressed[s.press.number] <= NOT_LET_GO_N)
    strict = clean >= FEWEST_CLEAN
    out: list[Stroke] = []
    seen = 0
    for s in strokes:
        if s.role != "full":
            out.append(s)
            continue
        seen += 1
        role, reason = ("working-in" if seen <= WORKING_IN and len(full) > WORKING_IN else "recorded"), ""
        if role == "recorded" and not usual / SPEED_RATIO <= s.loading_s <= usual * SPEED_RATIO:
            role, reason = "left out", f"pressed in {s.loading_s:.1f} s, the others in {usual:.1f} s"
        elif role == "recorded" and strict and pressed[s.press.number] > NOT_LET_GO_N:
            role, reason = "left out", f"not let go before it: {pressed[s.press.number]:.2f} N were left on"
        out.append(replace(s, role=role, reason=reason))
    return out, peak


def _floor_before(press: Press, strokes: list[Stroke], net: Array) -> float:
    """Lowest force between the press before and this one [N]."""
    before = [s.press.stop for s in strokes if s.press.number < press.number]
    between = net[max(before) - 1 if before else 0 : press.start + 1]
    return float(between.min()) if between.size else 0.0


def _role(p: Press, peak: float | None) -> tuple[str, str]:
    if not p.complete:
        return "left out", f"does not begin and end under F0 = {F0_N} N"
    if p.is_hold:
        return "hold", ""
    if p.dips:
        return "left out", "pressed more than once without letting go"
    if peak is None:
        return "left out", "no common peak force"
    if abs(p.peak_n / peak - 1) <= PEAK_SHARE:
        return "full", ""
    if p.peak_n < peak * 0.8:
        return "small", ""
    return "left out", f"peak {p.peak_n:.2f} N, the others {peak:.2f} N"


def _noise_mm(position: Array, force: Array) -> float:
    """Noise of one position reading from third differences [mm]."""
    if position.size < 8:
        return 0.0
    third = np.diff(position, 3)
    return float(1.4826 * np.median(np.abs(third)) / np.sqrt(20.0))
