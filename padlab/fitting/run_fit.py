"""One run of kind ``pad`` -> RunFit: every property with its interval and its verdict.

samples -> prepared -> the curve that decides -> laws that describe
-> loop -> sinking -> set -> warm-up
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.calibration.channels import calibrated_rig, calibration_marks
from padlab.calibration.frame import Frame, frame_of
from padlab.errors import FitError
from padlab.fitting.compression import Curve, Limbs, curves_of, describe, limb_curve
from padlab.fitting.creep import DEFAULT_TIMES_S, sinking
from padlab.fitting.hysteresis import loop
from padlab.fitting.laws import compression_laws
from padlab.fitting.prepared import WORKING_IN, Prepared, Stroke, prepare
from padlab.fitting.results import CompressionSet, RunFit, StrokeRow, Verdict
from padlab.fitting.run_json import run_json
from padlab.fitting.set_rules import constant_force_set_percent
from padlab.marks import Mark, mark
from padlab.records.calibration import calibrations_of
from padlab.records.pad import F0_N
from padlab.records.run import Run
from padlab.signals.contact import crossing
from padlab.statistics.quantity import Quantity, with_doubt

Array = NDArray[np.float64]

GIVE_FROM_N, GIVE_TO_N = 0.5, 12.5
"""Net forces of ``give``: 3 N and 15 N finger force over a holding force of 2.5 N."""
AT_FORCES_N = (2.0, 3.5, 8.0, 12.5)
SET_FORCE_N = 3.5
WARM_UP_STROKES = 50
UNMEASURED_MM_PER_N = 1e-3
"""A press that was never measured may give so much (design choice)."""
BOUND_SHARE = 0.2
"""A frame that may be more than this share of what was seen makes the stiffness a bound."""


def fit_run(run: Run, *, frame: Frame | None = None, at_forces_n: tuple[float, ...] = AT_FORCES_N,
            at_times_s: tuple[float, ...] = DEFAULT_TIMES_S) -> RunFit:
    """Everything padlab can say of one run.

    Parameters
    ----------
    run : Run
        Kind ``pad`` with ``force_n`` and ``displacement_mm``.
    frame : Frame, optional
        The give of the frame; default from the run's blank run, else what its rig record states.
    at_forces_n, at_times_s : tuple of float
        Net forces for stiffness and position, times for sinking.

    Raises
    ------
    RunError
        The run is of another kind, or lacks a column.
    FitError
        There is no usable stroke in it.
    """
    run.need(kinds=("pad",), columns=("time_s", "force_n", "displacement_mm"), by="fit")
    if run.pad is None:
        raise FitError(f"run {run.id} names no pad", remedy="padlab amend RUN --pad PAD.toml",
                       where={"run": run.id})
    frame = frame_of(run) if frame is None else frame
    calibrations = calibrations_of(run)
    rig = calibrated_rig(run.rig, calibrations)
    try:
        prepared = prepare(run, frame)
        curve = limb_curve(prepared, rig, frame, run.column_doubt)
    except FitError as fault:
        fault.where.setdefault("run", run.id)
        raise
    marks = [*run.marks, *_marks(run, prepared, frame, curve),
             *calibration_marks(run, calibrations, **_used_ranges(prepared, curve))]
    thickness = _thickness(run, prepared, frame)
    height = None if thickness is None else thickness.value
    law, _, differs = describe(curve, compression_laws(run.pad, height))
    if differs:
        marks.append(mark("law_differs", "best-fitting law"))
    if law.verdict is not Verdict.GOOD:
        marks.append(mark("law_not_good", "best-fitting law"))
    hysteresis = loop(prepared)
    channel = None if rig is None else rig.channel("displacement")
    stiffness = curve.base.loading_stiffness()
    creep = sinking(prepared, near_n=SET_FORCE_N, times_s=at_times_s,
                    loading_stiffness=lambda force_n: curve.base.at(stiffness, force_n),
                    travel_scale_u=None if channel is None else channel.scale_uncertainty)
    if creep is None:
        marks.append(mark("no_hold", "sinking under a held note"))
    warm_up = _warm_up(prepared)
    result = RunFit(
        run=run.id, pad=run.pad, procedure=str((run.procedure or {}).get("name", "imported")),
        rig=None if run.rig is None else run.rig.name, calibrations=run.calibrations,
        temperature_c=run.environment.get("temperature_c"), curves=curves_of(curve), thickness_mm=thickness,
        seating_mm=_seating(prepared), compression=law, hysteresis=hysteresis, creep=creep,
        compression_set=_set(prepared, height), warm_up_mm=warm_up, strokes=_rows(prepared, curve),
        conditions=_conditions(run, prepared, curve), marks=tuple(sorted(set(marks))),
    )
    result.json.update(run_json(result, curve, at_forces_n=at_forces_n))
    return result


def _used_ranges(prepared: Prepared, curve: Curve) -> dict[str, tuple[float, float]]:
    """Lowest and highest force and displacement that the results rest on, as the samples have them."""
    at = np.concatenate([np.arange(s.press.start, s.press.stop) for s in curve.used])
    zero, position = prepared.zero.value_n, prepared.position_mm[at]
    return {"force_n": (zero + F0_N, zero + float(curve.base.force_n[-1])),
            "displacement_mm": (float(position.min()), float(position.max()))}


def _is_bound(frame: Frame, curve: Curve) -> bool:
    """Whether a frame that nobody measured may be a fifth of what was seen.

    A rig file's word counts, but a press that was never measured is held to give 1 um/N at least.
    """
    if frame.is_measured:
        return False
    top = curve.base.force_n[-1]
    doubt = frame.uncertainty_mm(np.array([top]))
    may_be = float(frame.deflection_mm(np.array([top]))[0]) + (0.0 if doubt is None else 2 * float(doubt[0]))
    seen = float(curve.base.mean_mm()[-1]) + float(frame.deflection_mm(np.array([top]))[0])
    return max(may_be, UNMEASURED_MM_PER_N * float(top)) > BOUND_SHARE * seen


def _marks(run: Run, prepared: Prepared, frame: Frame, curve: Curve) -> list[Mark]:
    found: list[Mark] = []
    recorded, worked = prepared.role("recorded"), prepared.role("working-in")
    if run.set_aside:
        found.append(mark("set_aside", "run", f"set aside: {run.set_aside}"))
    if prepared.zero.drifted:
        found.append(mark("zero_drifted", "force"))
    if _is_bound(frame, curve):
        found.append(mark("bound_only", "stiffness",
                          "the frame was not measured and may give a fifth of this: the pad is at least so "
                          "stiff; record a blank run"))
    if run.rig is None and not run.column_doubt:
        found.append(mark("rig_doubt_unknown", "rig"))
    if frame.source == "rig file":
        found.append(mark("no_blank", "frame"))
    if len(worked) < WORKING_IN:
        found.append(mark("not_conditioned", "pad"))
    if len(recorded) < 3:
        found.append(mark("few_strokes", "recorded strokes",
                          f"{len(recorded)} usable recorded stroke(s): the interval rests on noise alone"))
    for s in prepared.strokes:
        if s.role == "left out":
            found.append(mark("stroke_left_out", f"stroke {s.press.number}",
                              f"stroke {s.press.number} left out: {s.reason}"))
    if run.gaps:
        found.append(mark("gap", "run", f"{len(run.gaps)} gap(s) in the recording"))
    if run.state == "interrupted":
        found.append(mark("interrupted", "run"))
    return found


def _thickness(run: Run, prepared: Prepared, frame: Frame) -> Quantity | None:
    """Fresh thickness at F0 on the tested face: as measured, or from the bare anvils of a blank."""
    assert run.pad is not None
    if run.pad.thickness_mm is not None:
        return Quantity(run.pad.thickness_mm)
    if frame.bare_at_f0_mm is None:
        return None
    first = _at_force(prepared, _first_full(prepared), F0_N)
    return None if first is None else Quantity(frame.bare_at_f0_mm - first)


def _first_full(prepared: Prepared) -> list[Stroke]:
    full = [s for s in prepared.strokes if s.role in ("working-in", "recorded")]
    return sorted(full, key=lambda s: s.press.number)


def _at_force(prepared: Prepared, strokes: list[Stroke], force_n: float, index: int = 0) -> float | None:
    """Position where the loading limb of stroke ``index`` reaches a force [mm], as the indicator reads."""
    if not -len(strokes) <= index < len(strokes):
        return None
    p = strokes[index].press
    a = max(p.start - 12, 0)
    return crossing(prepared.position_mm[a : p.peak + 1], prepared.force_n[a : p.peak + 1], at_n=force_n)


def _unloading_at(prepared: Prepared, strokes: list[Stroke], force_n: float, index: int) -> float | None:
    p = strokes[index].press
    x, f = prepared.position_mm[p.peak : p.stop + 12][::-1], prepared.force_n[p.peak : p.stop + 12][::-1]
    return crossing(x, f, at_n=force_n)


def _seating(prepared: Prepared) -> Quantity | None:
    """Early set: how much the F0 point moved from the first to the third stroke [mm]."""
    full = _first_full(prepared)
    if len(full) < WORKING_IN:
        return None
    first, third = _at_force(prepared, full, F0_N, 0), _at_force(prepared, full, F0_N, 2)
    if first is None or third is None:
        return None
    return with_doubt(third - first, math.sqrt(2) * max(prepared.position_noise_mm, 0.5e-3), positive=False)


def _warm_up(prepared: Prepared) -> Quantity | None:
    """Shift of the position at 3.5 N net from stroke 1 to stroke 50, mean of the limbs [mm].

    Every press counts as one of the fifty; the last whole ones before the fiftieth are read.
    """
    presses = [s for s in prepared.strokes if s.press.complete and not s.press.is_hold]
    if len(presses) < WARM_UP_STROKES:
        return None

    def middle(i: int) -> float | None:
        if presses[i].press.peak_n < 1.2 * SET_FORCE_N:
            return None
        down = _at_force(prepared, presses, SET_FORCE_N, i)
        up = _unloading_at(prepared, presses, SET_FORCE_N, i)
        return None if down is None or up is None else (down + up) / 2

    late = [m for m in (middle(i) for i in range(WARM_UP_STROKES - 6, WARM_UP_STROKES)) if m is not None]
    first = middle(0)
    if first is None or len(late) < 4:
        return None
    scatter = float(np.std(np.diff(late), ddof=1)) / math.sqrt(2)
    u = math.sqrt(2) * max(scatter, prepared.position_noise_mm / 2, 1e-4)
    return with_doubt(late[-1] - first, u, degrees_of_freedom=len(late) - 1, positive=False)


def _set(prepared: Prepared, thickness_mm: float | None) -> CompressionSet | None:
    """What had not come back at the end of the last rest at F0."""
    full = _first_full(prepared)
    first = _at_force(prepared, full, F0_N, 0) if full else None
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
    u = math.hypot(float(x.std(ddof=1)) / math.sqrt(5.0), max(prepared.position_noise_mm, 0.5e-3))
    in_mm = with_doubt(value, u, positive=False)
    percent = None
    if thickness_mm:
        share = constant_force_set_percent(before_mm=thickness_mm, after_mm=thickness_mm - value)
        percent = with_doubt(share, 100 * u / thickness_mm, positive=False)
    return CompressionSet(in_mm, percent, float(end - time[0]), Verdict.GOOD)


def _rows(prepared: Prepared, curve: Curve) -> tuple[StrokeRow, ...]:
    used = {s.press.number for s in curve.used}
    rows = []
    for s in prepared.strokes:
        p = s.press
        end = min(p.stop, prepared.time_s.size) - 1
        in_use = p.number in used or s.role in ("working-in", "hold")
        reason = s.reason or (s.role if in_use else f"{s.role}: not part of the steady curve")
        rows.append(StrokeRow(p.number, float(prepared.time_s[p.start]), float(prepared.time_s[end]),
                              p.peak_n, in_use, reason))
    return tuple(rows)


def _conditions(run: Run, prepared: Prepared, curve: Curve) -> dict[str, Any]:
    from padlab import __version__

    speeds = [s.speed_mm_per_s for s in curve.used]
    q05, q50, q95 = (float(q) for q in np.quantile(speeds, (0.05, 0.5, 0.95)))
    return {
        "preload_n": F0_N,
        "cycles": [s.press.number for s in curve.used],
        "rate_mm_per_s": {"q05": q05, "q50": q50, "q95": q95},
        "temperature_c": run.environment.get("temperature_c"),
        "humidity_percent": run.environment.get("humidity_percent"),
        "conditioning": run.environment.get("conditioning"),
        "calibrations": list(run.calibrations),
        "blank": run.blank,
        "padlab": __version__,
    }


def give_mm(limbs: Limbs, from_n: float, to_n: float) -> float:
    """Change of the mean of the limbs between two net forces [mm]."""
    mean = limbs.mean_mm()
    return limbs.at(mean, to_n) - limbs.at(mean, from_n)
