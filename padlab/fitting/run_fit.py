"""One run of kind ``pad`` -> RunFit: every property with its interval and its verdict.

samples -> prepared -> the curve that decides -> laws that describe
-> loop -> sinking -> set -> warm-up
"""

from __future__ import annotations

from typing import Any

import numpy as np

from padlab.calibration.channels import calibrated_rig, calibration_marks
from padlab.calibration.frame import Blanks, Frame, frame_of
from padlab.errors import FitError
from padlab.fitting.as_read import rig_as_read
from padlab.fitting.checked import LawCheck, check_law
from padlab.fitting.compression import (
    FORCE_SCALE,
    Curve,
    Limbs,
    curves_of,
    describe,
    force_scale_u,
    has_plateau,
    limb_curve,
    travel_scale_u,
)
from padlab.fitting.creep import DEFAULT_TIMES_S, sinking
from padlab.fitting.dead_weight import fit_weighed_run, is_weighed
from padlab.fitting.drawing import drawing_of
from padlab.fitting.hysteresis import limbs_work_mj, loop
from padlab.fitting.kept import Response, response_of
from padlab.fitting.landmarks import (
    SET_FORCE_N,
    first_press,
    lasting_set,
    seating,
    thickness,
    warm_up,
)
from padlab.fitting.laws import compression_laws
from padlab.fitting.locked import relaxation, set_after_load
from padlab.fitting.prepared import Prepared, need_strokes, prepare
from padlab.fitting.response_fit import response_marks
from padlab.fitting.results import RunFit, StrokeRow
from padlab.fitting.run_budget import not_known, run_budget, warmth
from padlab.fitting.run_json import conditions_of, response_json, run_json
from padlab.fitting.run_marks import partly_read, record_marks, result_marks, rough_sinking
from padlab.marks import mark
from padlab.records.calibration import calibrations_of
from padlab.records.pad import F0_N
from padlab.records.rig_record import RigRecord
from padlab.records.run import Run
from padlab.signals.merge import skew_marks, time_doubt_s

GIVE_FORCES_N = (0.5, 12.5)
"""Net forces of ``give``: 3 N and 15 N finger force over a holding force of 2.5 N."""
AT_FORCES_N = (2.0, 3.5, 8.0, 12.5)


def fit_run(run: Run, *, frame: Frame | None = None, at_forces_n: tuple[float, ...] | None = None,
            at_times_s: tuple[float, ...] = DEFAULT_TIMES_S, drawn: bool = False,
            checked: bool = False, replayed: bool = False, blanks: Blanks | None = None) -> RunFit:
    """Everything padlab can say of one run.

    Parameters
    ----------
    run : Run
        Kind ``pad`` with ``force_n`` and ``displacement_mm``.
    frame : Frame, optional
        The give of the frame; default from the run's blank run, else what its rig record states.
    at_forces_n, at_times_s : tuple of float
        Net forces for stiffness and position, times for sinking. Two forces or more also say
        from where to where the give is meant: the first and the last.
    drawn, checked, replayed : bool
        Whether what a page draws, the same laws fitted by lmfit, and the response model come with it.
    blanks : dict, optional
        Frames of blank runs, shared by runs that are fitted together.

    Raises
    ------
    RunError
        The run is of another kind, or lacks a column.
    FitError
        There is no usable stroke in it.
    """
    ends = (at_forces_n[0], at_forces_n[-1]) if at_forces_n and len(at_forces_n) > 1 else GIVE_FORCES_N
    if is_weighed(run):
        return fit_weighed_run(run, frame=frame, at_forces_n=at_forces_n or AT_FORCES_N, give_forces_n=ends,
                               asked_n=at_forces_n or (), times_s=at_times_s, near_n=SET_FORCE_N, drawn=drawn,
                              checked=checked)
    run.need(kinds=("pad",), columns=("time_s", "force_n", "displacement_mm"), by="fit")
    if run.pad is None:
        raise FitError(f"run {run.id} names no pad", remedy="padlab amend RUN --pad PAD.toml",
                       where={"run": run.id})
    as_on_shelf = frame is None
    frame = frame_of(run, blanks) if frame is None else frame
    calibrations = calibrations_of(run)
    rig = calibrated_rig(run.rig, calibrations)
    try:
        prepared = prepare(run, frame)
        need_strokes(prepared)
        warmth_mm, no_warmth = warmth(run, prepared, rig)
        read, coarser = rig_as_read(run, rig, prepared.reading_steps)
        curve = limb_curve(prepared, read, frame, run.column_doubt, warmth_mm=warmth_mm)
    except FitError as fault:
        fault.where.setdefault("run", run.id)
        raise
    dial = None if rig is None else rig.channel("displacement")
    height = thickness(run, prepared, frame, scale_u=travel_scale_u(rig, run.column_doubt),
                       local_u_mm=None if dial is None else dial.local_uncertainty)
    proposed = compression_laws(run.pad, None if height is None else height.value,
                                compression_mm=float(curve.base.loading_mm[-1]),
                                has_plateau=has_plateau(curve.base))
    law, best, differs = describe(curve, proposed)
    checks: list[LawCheck] = []
    if checked and best is not None:
        checks.append(check_law(best, *curve.points, curve.effective_share, about="compression"))
    k = curve.base.loading_stiffness()
    mean = np.maximum(curve.base.mean_mm(), 1e-6)
    gap = np.maximum(curve.base.unloading_mm - curve.base.loading_mm, 0.0) / 2
    creep = sinking(prepared, near_n=SET_FORCE_N, times_s=at_times_s,
                    loading_stiffness=lambda force_n: curve.base.at(k, force_n),
                    gap_share=lambda force_n: curve.base.at(gap, force_n) / curve.base.at(mean, force_n),
                    rig_u_mm=curve.rig_u_mm, step_mm=_indicator_step_mm(read),
                    on_fit=(lambda *a: checks.append(check_law(*a, about="sinking"))) if checked else None)
    sinks = None if creep is None or creep.fraction_per_decade is None else creep.fraction_per_decade.high
    hysteresis = loop(prepared, sinks_at_most=sinks, time_doubt_s=time_doubt_s(run),
                      rig=_loss_by_rig(curve, force_scale_u(rig, run.column_doubt)),
                      dial=dial)
    thick = None if height is None else height.value
    after_load, relaxed = set_after_load(prepared, thick), relaxation(prepared)
    marks = [*run.marks, *record_marks(run, prepared, frame), *skew_marks(run), *partly_read(prepared)]
    marks += calibration_marks(run, calibrations, **_used_ranges(prepared, curve))
    marks += result_marks(prepared, frame, curve, law=law, differs=differs, hysteresis=hysteresis,
                          creep=creep, thickness=height)
    marks += rough_sinking(creep, rig) + coarser
    procedure = run.procedure or {}
    rested = bool(procedure.get("needs_rest_h"))
    forces = at_forces_n or AT_FORCES_N
    top = float(curve.base.force_n[-1])
    marks += [mark("beyond_this_run", f"{f:g} N", f"this run is good up to {top:.1f} N net")
              for f in at_forces_n or () if f > top]
    budget = run_budget(curve, from_n=ends[0], to_n=ends[1], rig=read,
                        unknown=not_known(rig, frame, run.column_doubt, no_warmth,
                                          step_mm=_indicator_step_mm(read)),
                        ) if F0_N <= ends[0] < ends[1] <= top else None
    curves = curves_of(curve)
    response = response_of(run, prepared, curves, kept=as_on_shelf) if replayed else Response(None)
    if response.model is not None:
        marks += response_marks(response.model, f"pad {run.pad.id}")
    result = RunFit(
        run=run.id, pad=run.pad, procedure=str(procedure.get("name", "imported")),
        rig=None if run.rig is None else run.rig.name, calibrations=run.calibrations,
        temperature_c=run.environment.get("temperature_c"), curves=curves, thickness_mm=height,
        seating_mm=seating(prepared), compression=law, hysteresis=hysteresis, creep=creep,
        compression_set=lasting_set(prepared, thick) if after_load is None else after_load[0],
        warm_up_mm=warm_up(prepared) if rested else None, strokes=_rows(prepared, curve),
        conditions=_conditions(run, curve), marks=tuple(sorted(set(marks))), budget=budget,
        drawing=drawing_of(curve, best, prepared, creep) if drawn else None, checks=tuple(checks),
        response=response.model, no_response=response.why_not,
        first_press=None if rested else first_press(prepared),
    )
    result.json.update(run_json(result, curve, at_forces_n=forces, give_forces_n=ends))
    if after_load is not None:
        result.json["compression_set"]["readings"] = after_load[1]
    if relaxed is not None:
        result.json["relaxation"] = relaxed
    if replayed:
        result.json["response"] = response_json(response)
    return result


def _indicator_step_mm(rig: RigRecord | None) -> float:
    channel = None if rig is None else rig.channel("displacement")
    return 0.0 if channel is None else channel.resolution or 0.0


def _loss_by_rig(curve: Curve, force_scale: float | None) -> list[tuple[float, float]]:
    """What each source of the rig makes of the share lost and of the energy lost, relative, one sd.

    A force scale moves put in and given back alike: the share not at all, the energy by itself. (On the
    moved curve the loop would be cut off below its turn.)
    """
    share, energy = _lost(curve.base)
    if share <= 0:
        return []
    moved = [_lost(limbs) for name, limbs in curve.moved.items() if name != FORCE_SCALE]
    moved += [] if curve.rounded is None else [_lost(curve.rounded)]
    return [(s / share - 1, e / energy - 1) for s, e in moved] + [(0.0, force_scale or 0.0)]


def _lost(limbs: Limbs) -> tuple[float, float]:
    return limbs_work_mj(limbs.force_n, limbs.loading_mm, limbs.unloading_mm)


def _used_ranges(prepared: Prepared, curve: Curve) -> dict[str, tuple[float, float]]:
    """Lowest and highest force and displacement that the results rest on, as the samples have them."""
    last = prepared.time_s.size
    at = np.concatenate([np.arange(s.press.start, min(s.press.stop, last)) for s in curve.used])
    zero, position = prepared.zero.value_n, prepared.position_mm[at]
    return {"force_n": (zero + F0_N, zero + float(curve.base.force_n[-1])),
            "displacement_mm": (float(position.min()), float(position.max()))}


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


def _conditions(run: Run, curve: Curve) -> dict[str, Any]:
    speeds = [s.speed_mm_per_s for s in curve.used]
    q05, q50, q95 = (float(q) for q in np.quantile(speeds, (0.05, 0.5, 0.95)))
    return conditions_of(run, cycles=[s.press.number for s in curve.used],
                         rate_mm_per_s={"q05": q05, "q50": q50, "q95": q95})
