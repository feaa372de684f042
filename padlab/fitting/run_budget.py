"""The doubt of a run's give, source by source, and what nothing is known of.

Each source is found as it is for every other number of the run: the whole curve recomputed with one
stroke left out in turn, and with one source of the rig moved by one standard deviation.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from padlab.calibration.budget import Budget, Source, Unknown
from padlab.calibration.frame import Frame
from padlab.fitting.compression import Curve, Limbs
from padlab.fitting.prepared import Prepared
from padlab.fitting.results import RunBudget
from padlab.records.rig_record import RigRecord
from padlab.records.run import Run

ENDS = {"temperature": 1.0, "indicator step": math.sqrt(2), "indicator, place by place": math.sqrt(2)}
"""Errors that do not grow with the force: of a change once (warmth), or of each of its two ends."""


def give_mm(limbs: Limbs, from_n: float, to_n: float) -> float:
    """Change of position between two net forces, mean of the limbs [mm]."""
    mean = limbs.mean_mm()
    return limbs.at(mean, to_n) - limbs.at(mean, from_n)


def run_budget(curve: Curve, *, from_n: float, to_n: float, unknown: tuple[Unknown, ...],
               rig: RigRecord | None = None) -> RunBudget:
    """The budget of the change of position between two net forces that the curve reaches."""
    def of(limbs: Limbs) -> float:
        return give_mm(limbs, from_n, to_n)

    value = of(curve.base)
    sources = _sources(curve, of, value, from_n, to_n)
    travel = None if rig is None else rig.channel("displacement")
    if travel is not None and travel.resolution and "indicator step" not in curve.moved:
        # Known, and nothing: the readings' own noise is over half a step, so that rounding averages out.
        sources.append(Source("indicator step", travel.resolution / math.sqrt(12), sensitivity=0.0))
    return RunBudget(from_n, to_n, value, Budget(tuple(sources), unknown))


def _sources(curve: Curve, of: Callable[[Limbs], float], value: float, from_n: float, to_n: float,
             ) -> list[Source]:
    within = curve.noise_mm(from_n, to_n) if curve.replicates else curve.base.at(curve.within_mm, to_n)
    found = []
    for name, u, freedom, systematic in curve.sources(of, within=within):
        # The sign matters where two pads of one rig are compared: what moves both alike cancels.
        down = name in curve.moved and of(curve.moved[name]) < value
        if name in ENDS and not (name == "indicator step" and curve.rounded is not None):
            # On the curve such an error grows to the hardest press; between any two forces it is whole.
            u = ENDS[name] * abs(curve.moved[name].mean_mm()[-1] - curve.base.mean_mm()[-1])
        found.append(Source(name, u, freedom, sensitivity=-1.0 if down else 1.0, systematic=systematic))
    return found


def warmth(run: Run, prepared: Prepared, rig: RigRecord | None) -> tuple[float | None, str]:
    """What a temperature that moves during a press can do to a change of position.

    Returns
    -------
    standard uncertainty [mm], reason
        The rig's stated movement for 1 K times how far the temperature moved over the recorded strokes
        (or, where none was recorded, as far as the rig file says it may), as a rectangular error; None
        with the reason where either is not known.
    """
    if rig is None:
        return None, "recorded elsewhere"
    if rig.movement_mm_per_k is None:
        return None, "the rig file does not say what warmth does ([temperature] moves)"
    moved = _temperature_moved_k(run, prepared)
    if moved is None:
        moved = rig.temperature_within_k
    if moved is None:
        return None, "no temperature was recorded, and the rig file assumes none ([temperature] within)"
    return abs(rig.movement_mm_per_k) * moved / math.sqrt(3), ""


def not_known(rig: RigRecord | None, frame: Frame, column_doubt: dict[str, float],
              no_warmth: str, *, step_mm: float = 0.0) -> tuple[Unknown, ...]:
    """Groups of sources that are not in a run's budget, and why; ``step_mm`` of the indicator as seen."""
    found = []
    force = None if rig is None else rig.channel("force")
    travel = None if rig is None else rig.channel("displacement")
    where = "recorded elsewhere" if rig is None else "the rig file does not state it"
    if (column_doubt.get("displacement_scale") if travel is None else travel.scale_uncertainty) is None:
        found.append(Unknown("indicator", where))
    if not step_mm and (travel is None or travel.resolution is None):
        found.append(Unknown("resolution", where))
    if (column_doubt.get("force_scale") if force is None else force.scale_uncertainty) is None:
        found.append(Unknown("force through stiffness", where))
    if frame.uncertainty is None:
        found.append(Unknown("compliance", where))
    if no_warmth:
        found.append(Unknown("temperature", no_warmth))
    return tuple(found)


def _temperature_moved_k(run: Run, prepared: Prepared) -> float | None:
    """How far the temperature moved over the recorded strokes [K]; None where none was recorded."""
    strokes = prepared.role("recorded")
    if "temperature_c" not in run.samples or not strokes:
        return None
    seen = run.samples["temperature_c"].to_numpy(dtype=np.float64)
    seen = seen[strokes[0].press.start : strokes[-1].press.stop + 1]
    seen = seen[np.isfinite(seen)]
    if seen.size < 2:
        return None
    low, high = np.quantile(seen, (0.01, 0.99))
    return float(high - low)
