"""One pad under one recorded touch: replayed where it can be, else by the formula; on the tested face."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.drift.position import along, creep_factor, creep_from_tenth, position_estimate
from padlab.drift.replay import TouchHistory, doubted, numbers
from padlab.fitting.results import LimbCurves, RunFit
from padlab.marks import Mark, mark
from padlab.records.pad import F0_N
from padlab.statistics.quantity import Quantity, with_doubt

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Through:
    """Positions of one pad along a recording (n,) with a 95 % band, and what they say of the touch.

    ``outside_share`` is of the samples that touch the pad: pressed harder than was fitted (or tested).
    """

    run: str
    pad: str
    lot: str
    material: str
    method: str
    displacement_mm: Array
    low_mm: Array
    high_mm: Array
    is_outside: NDArray[np.bool_]
    play_band_mm: Quantity
    p95_mm: Quantity
    home_mm: float
    held_back_rms_mm: float | None
    outside_share: float
    marks: tuple[Mark, ...]

    def to_json(self) -> dict[str, Any]:
        """The run's entry of ``replay --json``."""
        return {"run": self.run, "material": self.material, "method": self.method,
                "play_band_mm": self.play_band_mm.to_json(), "p95_mm": self.p95_mm.to_json(),
                "held_back_rms_mm": self.held_back_rms_mm, "outside_range_share": self.outside_share,
                "marks": [m.to_json() for m in self.marks]}


def through(fit: RunFit, history: TouchHistory) -> Through:
    """Send a recorded touch through a pad.

    Raises
    ------
    ValueError
        The fit has no curve (a run that was fitted has one).
    """
    curves = fit.curves
    if curves is None:
        raise ValueError(f"run {fit.run} has no curve")
    about = f"pad {fit.pad.id}"
    # Positions rest on the model or on the measured curve: what is said of the describing law is not theirs.
    known = [m for m in fit.marks if m.about != "best-fitting law"]
    touching = history.net_n >= F0_N
    if fit.response is not None:
        replay = fit.response.position(history.time_s, history.net_n)
        at, low, high, outside = replay.displacement_mm, replay.low_mm, replay.high_mm, replay.is_outside
        method, held, marks = "replay", fit.response.held_back, known
    else:
        at, half = _by_formula(fit, curves, history)
        low, high, outside = at - half, at + half, history.net_n > curves.good_to_n
        method, held = "formula", None
        marks = [*known, mark("no_replay", about, fit.no_response or "this run cannot replay a touch")]
    share = float(np.mean(outside[touching])) if touching.any() else 0.0
    if share > 0:
        to_n = curves.good_to_n if fit.response is None else fit.response.to_n
        marks.append(mark("replay_outside", about, f"{share:.1%} of the touch presses harder than "
                          f"{to_n:.1f} N net, which was never fitted"))
    found = numbers(at, history)
    q = at[history.ends]
    by_order = np.argsort(q)
    ends = [int(history.ends[by_order[round(p * (q.size - 1))]]) for p in (0.025, 0.975)]
    net = np.maximum(history.net_n[ends], F0_N)
    rig = math.hypot(*(float(np.diff(along(curves, shift, np.minimum(net, curves.good_to_n)))[0])
                       for shift in (*curves.rig_shift_mm.values(), *curves.own_shift_mm.values())), 0.0)
    if held is None:
        # Both ends of a difference are off by the formula's own doubt.
        u = math.sqrt(2) * float(np.median(high[history.ends] - q)) / 1.96
        band, p95 = (with_doubt(v, u, positive=v > 0) for v in (found.band_mm, found.drift_p95_mm))
    else:
        band, p95 = doubted(found.band_mm, held, rig), doubted(found.drift_p95_mm, held, rig)
    return Through(
        fit.run, fit.pad.id, fit.pad.lot, fit.pad.material, method, at, low, high, outside, band, p95,
        found.home_mm, None if held is None else held.rms_mm, share, tuple(sorted(set(marks))))


def _by_formula(fit: RunFit, curves: LimbCurves, history: TouchHistory) -> tuple[Array, Array]:
    """Middle of the limbs, sunk since each press began; half the band: of the curve, and half the gap."""
    net = np.minimum(history.net_n, curves.good_to_n)
    doubt = position_estimate(curves, net, rig="rig")
    at = np.array(along(curves, curves.position_mm, net))
    creep = None if fit.creep is None else fit.creep.fraction_per_decade
    if creep is not None and -0.5 < creep.value < 0.9:
        began = np.maximum.accumulate(np.where(history.net_n < F0_N, np.arange(net.size), 0))
        held_s = history.time_s - history.time_s[began]
        at = at * creep_factor(creep_from_tenth(creep.value), held_s)
    gap = along(curves, curves.half_gap_mm, net) / math.sqrt(3)
    return at, np.asarray(1.96 * np.hypot(np.asarray(doubt.standard_uncertainty), gap))
