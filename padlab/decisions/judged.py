"""One run under one touch: carried to the compared face and thickness, with its numbers and marks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from padlab.decisions.rows import PadRow
from padlab.drift.carry import Carried, Face, Press, carry, loaded_thickness_mm, own_face
from padlab.drift.position import (
    PadDrift,
    creep_factor,
    creep_from_tenth,
    pad_drift,
    position_estimate,
)
from padlab.drift.replay import Replayed, TouchHistory, by_replay, replayed, touch_history
from padlab.drift.touch import NetStrokes, TouchProfile, net_strokes
from padlab.fitting.results import RunFit, Verdict
from padlab.marks import Mark, Weight, mark
from padlab.statistics.estimate import Estimate
from padlab.statistics.quantity import Quantity, t95

Array = NDArray[np.float64]

FORMULA, REPLAY = "formula", "replay"

WARM_UP = "warm-up"
"""Runs of this procedure give the warm-up of a pad; they are not ranked."""

COARSE_FORCES, COARSE_HOLDS = 400, 20
"""Grid on which doubts are moved: 0.8 % off in the 95th percentile, which a doubt can bear."""


@dataclass(frozen=True)
class Setting:
    """What all pads are compared under."""

    strokes: NetStrokes
    coarse: NetStrokes
    holding_n: float
    face: Face
    loaded_mm: float | None
    history: TouchHistory | None = None      # the touch note by note, where some pad can be replayed


@dataclass(frozen=True)
class Judged:
    """One ranked run: its fit, carried, and its numbers; those of the formula too, where a replay decides."""

    fit: RunFit
    carried: Carried
    numbers: PadDrift
    rig: str
    shared_scale: dict[str, float]
    marks: tuple[Mark, ...]
    formula: PadDrift | None = None
    replay: Replayed | None = None

    @property
    def method(self) -> str:
        """How its numbers were found: replay or formula."""
        return FORMULA if self.replay is None else REPLAY

    @property
    def replayed_warm_up(self) -> Estimate | None:
        """Warm-up of the rested pad as far as the model remembers, with its model's doubt."""
        held = None if self.fit.response is None else self.fit.response.held_back
        if self.replay is None or self.replay.warm_up_mm is None or held is None:
            return None
        error = math.sqrt(2) * self.carried.scale * held.half_width_mm / t95(math.inf)
        return Estimate(self.replay.warm_up_mm, shared={f"model: {self.fit.pad.material}": error})

    def by_formula(self, why: str) -> Judged:
        """The same with the formula's numbers."""
        if self.formula is None:
            return self
        told = mark("no_replay", f"pad {self.fit.pad.id}", why)
        return replace(self, numbers=self.formula, formula=None, replay=None,
                       marks=tuple(sorted({*self.marks, told})))

    @property
    def pad_key(self) -> str:
        """The pad within its lot."""
        return self.fit.pad.id

    def position(self, net_n: Array) -> Estimate:
        """Position from F0 along net forces, on the compared face."""
        return position_estimate(self.carried.curves, net_n, rig=self.rig,
                                 scale_doubt=self.carried.scale_doubt, shared_scale=self.shared_scale)

    def sinking(self, net_n: float, time_s: Array) -> Estimate | None:
        """Position from F0 during a note held at ``net_n``; None where no hold is known."""
        c, u = creep_of(self.fit)
        if c is None or net_n > self.carried.curves.good_to_n:
            return None
        start = self.position(np.full(time_s.shape, net_n))
        factor = creep_factor(creep_from_tenth(c), time_s)
        per_c = np.asarray(start.value) * np.log10(np.maximum(time_s, 0.1) / 0.1) / (1 - c) ** 2
        own = np.hypot(np.asarray(start.own) * factor, per_c * (u or 0.0))
        shared = {name: np.asarray(shift) * factor for name, shift in start.shared.items()}
        return Estimate(np.asarray(start.value) * factor, own, start.own_df, shared)


def setting(touch: TouchProfile, *, stop: str, holding_n: float, face: Face, loaded_mm: float | None,
            can_replay: bool = False) -> Setting:
    """The touch on both grids and note by note, with the face and thickness of the comparison."""
    strokes = net_strokes(touch, stop=stop, holding_n=holding_n)
    return Setting(strokes,
                   net_strokes(touch, stop=stop, holding_n=holding_n, forces=COARSE_FORCES,
                               holds=COARSE_HOLDS),
                   holding_n, face, loaded_mm, touch_history(strokes) if can_replay else None)


def why_not(fit: RunFit) -> str | None:
    """Why a run cannot be ranked, in words; None if it can."""
    stops = sorted({m.message for m in fit.marks if m.weight is Weight.STOP})
    if stops:
        return "; ".join(stops)
    if fit.curves is None or fit.curves.force_n.size < 2:
        return "no usable strokes, so no curve"
    return None


def creep_of(fit: RunFit) -> tuple[float | None, float | None]:
    """Creep fraction a decade relative to 1 s and its standard uncertainty; None where not known."""
    creep = fit.creep
    if creep is None or creep.fraction_per_decade is None:
        return None, None
    c = creep.fraction_per_decade.value
    return (c, creep.fraction_standard_uncertainty) if -0.5 < c < 0.9 else (None, None)


def press_of(fit: RunFit, strokes: NetStrokes) -> Press:
    """The usual press on this pad: creep of the usual note is part of the loaded thickness."""
    c, _ = creep_of(fit)
    factor = 1.0 if c is None else float(creep_factor(creep_from_tenth(c), strokes.set_hold_s))
    return Press(strokes.set_net_n, factor)


def commonest_face(fits: Sequence[RunFit]) -> Face:
    """The face that most pads were tested on; of several the largest."""
    pads = {(f.pad.material, f.pad.lot, f.pad.id): own_face(f.pad) for f in fits}
    faces = list(pads.values())
    return max(faces, key=lambda face: (faces.count(face), face.area_mm2, face.outer_mm))


def middle_thickness_mm(fits: Sequence[RunFit], *, face: Face, strokes: NetStrokes) -> float | None:
    """Median loaded thickness of the tested pads; None where no thickness is known."""
    per_pad: dict[tuple[str, str, str], list[float]] = {}
    for fit in fits:
        left = loaded_thickness_mm(fit, face=face, press=press_of(fit, strokes))
        if left is not None:
            per_pad.setdefault((fit.pad.material, fit.pad.lot, fit.pad.id), []).append(left)
    return float(np.median([np.mean(v) for v in per_pad.values()])) if per_pad else None


def judge(fit: RunFit, at: Setting) -> Judged:
    """Carry one run and put the touch on it.

    Raises
    ------
    FitError
        The pad cannot be carried there.
    """
    carried = carry(fit, face=at.face, loaded_mm=at.loaded_mm, press=press_of(fit, at.strokes))
    stock = fit.pad.material
    if fit.rig is None:
        # Nobody knows whether two stocks recorded elsewhere shared a rig: shared within, not between.
        rig = f"unknown rig of {stock}"
    else:
        rig = " + ".join((fit.rig, *sorted(fit.calibrations)))
    shared_scale = {f"shape: {stock}": carried.shape_doubt} if carried.shape_doubt > 0 else {}
    c, u = creep_of(fit)
    # A replay has its own error; what strokes, thickness and rig do to it is as in the formula.
    numbers, bare = pad_drift(
        carried.curves, creep_1s=c, creep_uncertainty=u, strokes=at.strokes, coarse=at.coarse, rig=rig,
        gap_name=stock, scale_doubt=carried.scale_doubt, shared_scale=shared_scale)
    marks = _marks(fit, carried, numbers, c)
    model, history = fit.response, at.history
    if model is None or model.held_back is None or history is None:
        return Judged(fit, carried, numbers, rig, shared_scale, marks)
    found = replayed(model, history, ratio=at.face.area_mm2 / fit.pad.area_mm2, scale=carried.scale,
                     end_n=carried.curves.good_to_n, strokes=at.strokes)
    decided = by_replay(found, bare, model.held_back, model_name=stock, scale=carried.scale)
    return Judged(fit, carried, decided, rig, shared_scale, marks, numbers, found)


def from_quantity(quantity: Quantity, scale: float = 1.0) -> Estimate:
    """A 95 % interval back to a standard uncertainty (normal)."""
    half = quantity.half_width
    return Estimate(quantity.value * scale, 0.0 if half is None else abs(half * scale) / 1.96)


def pad_row(fit: RunFit, *, role: str, reason: str = "", judged: Judged | None = None,
            warm_up: Estimate | None = None) -> PadRow:
    """The run's line in the table of pads."""
    numbers = None if judged is None else judged.numbers
    carried = None if judged is None else judged.carried
    return PadRow(
        run=fit.run, pad=fit.pad.id, material=fit.pad.material, lot=fit.pad.lot,
        drift_play_p95_mm=_shown(numbers.drift) if numbers else None,
        give_mm=_shown(numbers.give) if numbers else None,
        hold_mm=_shown(numbers.hold) if numbers else None,
        play_band_mm=_shown(numbers.band) if numbers else None,
        warm_up_mm=_shown(warm_up), loss_fraction=fit.hysteresis.loss_fraction if fit.hysteresis else None,
        used=role == "ranked", role=role, reason=reason, marks=judged.marks if judged else fit.marks,
        rig=fit.rig, calibrations=fit.calibrations, procedure=fit.procedure,
        temperature_c=fit.temperature_c, start_utc=fit.conditions.get("start_utc"),
        tested_outer_mm=fit.pad.outer_diameter_mm, tested_inner_mm=fit.pad.inner_diameter_mm,
        thickness_mm=fit.thickness_mm, scale=carried.scale if carried else None,
        tested_to_n=carried.curves.good_to_n if carried else None,
        method=FORMULA if judged is None else judged.method, held_back_rms_mm=_held_back(judged),
    )


def _held_back(judged: Judged | None) -> float | None:
    """What its model was off by where it was judged, on the compared thickness [mm]."""
    if judged is None or judged.replay is None or judged.fit.response is None:
        return None
    held = judged.fit.response.held_back
    return None if held is None else held.rms_mm * judged.carried.scale


def _shown(estimate: Estimate | None) -> Quantity | None:
    return None if estimate is None else estimate.quantity(positive=float(estimate.value) > 0)


def _marks(fit: RunFit, carried: Carried, numbers: PadDrift, creep: float | None) -> tuple[Mark, ...]:
    about = f"pad {fit.pad.id}"
    # The ranking rests on the measured curve: what is said of the describing law stays with the pad.
    found = [*(m for m in fit.marks if m.about != "best-fitting law"), *carried.marks]
    if creep is None and not any(m.code == "no_hold" for m in found):
        found.append(mark("no_hold", about))
    if creep is not None and fit.creep is not None and fit.creep.verdict is not Verdict.GOOD:
        found.append(mark("fit_not_good", f"{about}: sinking under a held note",
                          "how it sinks under a held note is known only roughly"))
    if fit.response is None and fit.no_response is not None:
        found.append(mark("no_replay", about, fit.no_response))
    if numbers.test_force_needed_n is not None:
        found.append(mark(
            "not_tested_hard_enough", about,
            f"tested to {carried.curves.good_to_n:.1f} N net on the compared face; this touch needs "
            f"{numbers.test_force_needed_n:.1f} N"))
    elif numbers.beyond_tested_share > 0:
        found.append(mark("beyond_tested", about,
                          f"{numbers.beyond_tested_share:.1%} of the strokes press harder than the pad was "
                          "tested; they stand at the end of its curve"))
    return tuple(sorted(set(found)))


def end_of(judged: Sequence[Judged]) -> float:
    """Net force up to which all of the pads were measured."""
    return min(j.carried.curves.good_to_n for j in judged)


def needed_on_test_pad(judged: Sequence[Judged], face: Face) -> float | None:
    """Net force on the tested pads themselves up to which they must be tested."""
    needed = [j.numbers.test_force_needed_n * j.fit.pad.area_mm2 / face.area_mm2
              for j in judged if j.numbers.test_force_needed_n is not None]
    return max(needed) if needed else None

