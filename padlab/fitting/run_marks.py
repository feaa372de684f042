"""What a reader of a run's numbers must know, found while they were made."""

from __future__ import annotations

import numpy as np

from padlab.calibration.frame import Frame
from padlab.fitting.compression import Curve, gate_mm
from padlab.fitting.creep import QUICK_S
from padlab.fitting.fit import FEWEST_GATED, gated_over
from padlab.fitting.prepared import SPEED_RATIO, WORKING_IN, Prepared
from padlab.fitting.results import CompressionLaw, Creep, Hysteresis, Verdict
from padlab.marks import Mark, mark
from padlab.records.pad import F0_N
from padlab.records.rig_record import RigRecord
from padlab.records.run import Run
from padlab.statistics.quantity import Quantity

BOUND_SHARE = 0.20
"""A frame that may give over a fifth of the pad's own position (design choice) leaves only a bound; one
that does, as its blank run says, makes the pad's curve a small difference of two."""
UNSTEADY = 0.05
"""Variation of the force in a hold (sd over mean) over which it is unsteady (design choice)."""

ROUGH = 0.10
"""Half-width of the sinking, as a share of it, from which a finer indicator is spoken of."""
FINE_STEP_MM = 0.0001
"""The step of one that brought cork and dense polymer to a tenth (tests/truth/test_fine_indicator.py)."""


def frame_marks(frame: Frame, curve: Curve) -> list[Mark]:
    """Whether the frame is over a fifth of what was seen.

    A stated frame is taken with twice its doubt added. (A press that was never measured may give
    more than its file says: that is what `no_blank` says.) Of a measured one the give is taken off:
    what it leaves open is twice its doubt.
    """
    found: list[Mark] = []
    if frame.scale_unsure:
        found.append(mark("frame_scale", "frame", f"{frame.source} may be in another scale than this run, "
                          "and its blank runs are not on this shelf: bring them, or calibrate anew"))
    force = curve.base.force_n
    give = frame.deflection_mm(force)
    share = np.abs(give - give[0])
    doubt = frame.uncertainty_mm(force)
    open_ = np.zeros_like(share) if doubt is None else 2 * (doubt - doubt[0])
    limit = BOUND_SHARE * np.maximum(curve.base.mean_mm(), 1e-9)
    if np.any(((open_ if frame.is_measured else share + open_) > limit)[1:]):
        return [*found, mark("bound_only", "frame")]
    return [*found, mark("soft_frame", "frame")] if np.any((share > limit)[1:]) else found


def record_marks(run: Run, prepared: Prepared, frame: Frame) -> list[Mark]:
    """Of the record: its zero, its rig, its strokes, its holes."""
    found: list[Mark] = []
    recorded, worked = prepared.role("recorded"), prepared.role("working-in")
    if run.set_aside:
        found.append(mark("set_aside", "run", f"set aside: {run.set_aside}"))
    zero = prepared.zero
    if zero.drifted:
        found.append(mark("zero_drifted", "force"))
    if zero.source != "idle":
        found.append(mark("zero_not_seen", "force"))
    elif zero.end_shift_n is None:
        found.append(mark("zero_not_checked", "force"))
    if run.rig is None and not run.column_doubt and not any(m.code == "rig_doubt_unknown" for m in run.marks):
        found.append(mark("rig_doubt_unknown", "rig"))
    if frame.source == "rig file":
        found.append(mark("no_blank", "frame"))
    if frame.blank_aside is not None:
        found.append(mark("blank_set_aside", "frame", f"its blank run was set aside: {frame.blank_aside}; "
                          "name another with padlab remake RUN --blank OTHER"))
    if len(worked) < WORKING_IN:
        found.append(mark("not_conditioned", "pad"))
    if len(recorded) < 3:
        found.append(mark("few_strokes", "recorded strokes",
                          f"{len(recorded)} usable recorded stroke(s): the interval rests on noise alone"))
    for s in prepared.strokes:
        if s.role == "left out":
            found.append(mark("stroke_left_out", f"stroke {s.press.number}",
                              f"stroke {s.press.number} left out: {s.reason}"))
    if prepared.holes:
        found.append(mark("readings_missing", "record",
                          f"readings are missing in {len(prepared.holes)} place(s), first at "
                          f"{prepared.holes[0][0]:.1f} s; strokes there are left out"))
    if prepared.spikes:
        found.append(mark("spikes", "record", f"{prepared.spikes} reading(s) stood alone and were replaced"))
    if run.gaps and not any(m.code == "gap" for m in run.marks):
        found.append(mark("gap", "run", f"{len(run.gaps)} gap(s) in the recording"))
    if run.state == "interrupted" and not any(m.code == "interrupted" for m in run.marks):
        found.append(mark("interrupted", "run"))
    return found


def partly_read(prepared: Prepared) -> list[Mark]:
    """What is in the record that no number here tells of."""
    found = []
    if played := prepared.role("played"):
        found.append(mark("partly_read", "playing",
                          f"{len(played)} strokes were played freely: they are kept to check predictions by; "
                          "the numbers here are those of the recorded strokes"))
    if endured := prepared.role("endured"):
        found.append(mark("partly_read", "endurance",
                          f"the numbers here are those of the strokes after the last of {len(endured)}; "
                          "how the pad changed on the way is kept, not read yet"))
    return found


def rough_sinking(creep: Creep | None, rig: RigRecord | None) -> list[Mark]:
    """A note where a weight held the force and yet the sinking is not known to a tenth, with what would help.

    Under a hand its wander is most of the doubt, and another indicator would change little.
    """
    travel = None if rig is None else rig.channel("displacement")
    step = None if travel is None else travel.resolution
    if creep is None or step is None or creep.ramp_s is None or creep.ramp_s >= QUICK_S:
        return []
    fraction = creep.fraction_per_decade
    half = None if fraction is None else fraction.half_width
    if fraction is None or half is None or half <= ROUGH * abs(fraction.value) or step < 2 * FINE_STEP_MM:
        return []
    known = f"known to {100 * half / abs(fraction.value):.0f} %" if fraction.value > half else "hardly known"
    return [mark("sinking_rough", "sinking under a held note",
                 f"{known} from steps of {1000 * step:g} um; an indicator that reads to 0.1 um and scatters "
                 "by half of that, under a weight (procedures held-note, dead-weight-stiff), tells it to a "
                 "tenth")]


def curve_is_off(curve: Curve) -> bool:
    """Whether the mean of the loading limbs leaves the curve by more than a law may leave of it.

    A force that falls while the pad is pressed on (it snaps through, or lets go) has two places at one
    force, which no rising curve has. On virtual pads a quarter of the gate is left, half on a dial of half
    a thou.
    """
    force, position, _ = curve.points
    if force.size < FEWEST_GATED:
        return False
    base = curve.base
    left = position - np.interp(np.log(force + F0_N), np.log(base.force_n + F0_N), base.loading_mm)
    width = gated_over(force.size)
    mean = np.ones(width) / width
    smooth, limit = (np.convolve(v, mean, "valid") for v in (left, gate_mm(position)))
    return bool(np.any(np.abs(smooth) > limit))


def result_marks(prepared: Prepared, frame: Frame, curve: Curve, *, law: CompressionLaw,
                 differs: bool, hysteresis: Hysteresis | None, creep: Creep | None,
                 thickness: Quantity | None) -> list[Mark]:
    """Of the results: what they rest on and where they cannot be right."""
    found: list[Mark] = []
    base = curve.base
    mean = base.mean_mm()
    if differs:
        found.append(mark("law_differs", "best-fitting law"))
    if law.verdict is not Verdict.GOOD:
        found.append(mark("law_not_good", "best-fitting law"))
    if frame.measured_to_n is not None:
        peaks = min(s.press.peak_n for s in curve.used)
        if peaks > 1.02 * frame.measured_to_n:
            found.append(mark("blank_too_light", "frame",
                              f"the blank run ends at {frame.measured_to_n:.1f} N: good only up to there"))
    found += frame_marks(frame, curve)
    if curve_is_off(curve):
        found.append(mark("curve_off", "curve"))
    if thickness is not None and float(base.loading_mm[-1]) >= thickness.value:
        found.append(mark("over_thickness", "pad"))
    if hysteresis is not None:
        if hysteresis.steady_from_cycle is None:
            found.append(mark("not_steady", "strokes"))
        share = hysteresis.loss_fraction
        if share is not None and not 0 < share.value < 1:
            found.append(mark("loop_reversed", "springback loss"))
    gap = base.unloading_mm - base.loading_mm
    if float(gap.mean()) < -0.01 * float(mean[-1]):
        found.append(mark("loop_reversed", "limbs"))
    times = [s.loading_s for s in curve.used]
    if max(times) > SPEED_RATIO * min(times):
        found.append(mark("speed_uneven", "strokes",
                          f"presses took from {min(times):.1f} to {max(times):.1f} s"))
    if creep is None:
        found.append(mark("no_hold", "sinking under a held note"))
    for s in prepared.role("hold"):
        assert s.press.hold is not None  # the role says so
        held = prepared.force_n[slice(*s.press.hold)]
        if float(held.std()) > UNSTEADY * float(held.mean()):
            found.append(mark("hold_unsteady", f"hold at {held.mean():.1f} N"))
    return found
