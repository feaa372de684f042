"""A dead-weight session -> RunFit: the same numbers as a load cell's run, where weights can give them.

weighings -> rounds -> the curve that decides -> laws that describe -> sinking in the held notes

* The force is that of the weights where the rig stands: it has no noise and no zero, but the doubt of
  the masses and of the place's gravity.
* A round is the n-th time that each weight came from below, and from above; rounds are what is
  repeated, as strokes are in other runs.
* A pad that has rested for half a minute gives more than one that is pressed every few seconds: by
  nothing up to what it sinks in two decades of time and a little more (virtual pads: 1.0 to 1.9 decades
  in position, -0.3 to 2 in stiffness). The middle is taken off, the rest is doubt (``time under load``).
* The loss of a stroke, the speed, warm-up and set are not known from weights: null.
"""

from __future__ import annotations

import math
from collections import defaultdict
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.calibration.channels import calibrated_rig, calibration_marks
from padlab.calibration.frame import Frame, frame_of
from padlab.calibration.loads import MASS, Load, load_of
from padlab.errors import FitError
from padlab.fitting.checked import LawCheck, check_law
from padlab.fitting.compression import Curve, Limbs, curves_of, describe, frame_freedom, gauge_moved
from padlab.fitting.creep import LAW_SHARE, WATCHED, Hold, sinking_in
from padlab.fitting.drawing import drawing_of
from padlab.fitting.landmarks import GAUGE_U_MM
from padlab.fitting.laws import compression_laws
from padlab.fitting.limbs import CELLS, Cells, LimbFitter, grid_force_n
from padlab.fitting.results import Creep, RunFit, StrokeRow
from padlab.fitting.run_budget import not_known, run_budget
from padlab.fitting.run_json import conditions_of, run_json
from padlab.fitting.run_marks import frame_marks, rough_sinking
from padlab.fitting.weighings import (
    LANDING_S,
    LIGHT,
    READ_AT_S,
    Weighing,
    noise_mm,
    weighings,
    within,
)
from padlab.marks import Mark, mark
from padlab.records.calibration import calibrations_of
from padlab.records.pad import F0_N
from padlab.records.rig_record import RigRecord
from padlab.records.run import Run
from padlab.statistics.quantity import with_doubt

Array = NDArray[np.float64]

FEWEST_FORCES = 4
RESTED_DECADES, RESTED_RANGE = 1.0, 1.4
"""By so many decades of sinking a rested pad gives more, give or take (rectangular)."""
USUAL_N = 3.5
SURE_FROM_N = 0.9
"""Sinking is read off weights from here up: under a lighter one there is hardly any."""
POINTS = 24
"""Cells, even in the logarithm of time, into which a held note is gathered."""
HELD_FROM_S = 0.8
HISTORY = 0.015
"""Relative standard doubt of the sinking from the minutes before: virtual pads that rested at the light
touch, between other held notes, sink by 1 to 2 % more than those that were pressed (design choice)."""


def is_weighed(run: Run) -> bool:
    """Whether dead weights pressed in this run, and the indicator alone was recorded."""
    steps = (run.procedure or {}).get("steps", ())
    return isinstance(steps, list | tuple) and any(
        isinstance(s, dict) and s.get("do") == "weight" for s in steps)


def fit_weighed_run(run: Run, *, at_forces_n: tuple[float, ...], give_forces_n: tuple[float, float],
                    asked_n: tuple[float, ...], times_s: tuple[float, ...], near_n: float,
                    frame: Frame | None = None, drawn: bool = False, checked: bool = False) -> RunFit:
    """Everything padlab can say of one dead-weight session.

    Parameters
    ----------
    run : Run
        Kind ``pad``, with ``displacement_mm`` and the steps as they were seen.
    at_forces_n, give_forces_n, times_s, drawn, checked
        As of :func:`padlab.fitting.run_fit.fit_run`; ``asked_n`` are the forces that a person named.
    near_n : float
        The held note nearest to this force is read [N].

    Raises
    ------
    RunError
        The run is of another kind, or has no indicator.
    FitError
        Too few weights were read, or none as light as F0.
    """
    run.need(kinds=("pad",), columns=("time_s", "displacement_mm"), by="fit")
    if run.pad is None:
        raise FitError(f"run {run.id} names no pad", remedy="padlab amend RUN --pad PAD.toml",
                       where={"run": run.id})
    if not np.all(np.isfinite(run.samples["displacement_mm"].to_numpy(dtype=np.float64))):
        raise FitError(f"run {run.id} has a reading that is not a number", expected="finite numbers",
                       where={"run": run.id, "column": "displacement_mm"})
    frame = frame_of(run) if frame is None else frame
    calibrations = calibrations_of(run)
    rig = calibrated_rig(run.rig, calibrations)
    latitude, height = _place(run, "latitude_deg", 90.0), _place(run, "height_m", 9000.0)
    load = load_of(latitude_deg=latitude, height_m=height)
    readings = weighings(run, load, frame)
    used = _usable(run, readings)
    noise = noise_mm(run.samples["displacement_mm"].to_numpy(dtype=np.float64))
    fraction = _fraction_per_decade(used)
    curve = _curve(used, fraction, rig=rig, frame=frame, load=load, noise=noise)
    thickness = None if run.pad.thickness_mm is None else with_doubt(
        run.pad.thickness_mm, GAUGE_U_MM, positive=True)
    law, best, differs = describe(curve, compression_laws(
        run.pad, run.pad.thickness_mm, compression_mm=float(curve.base.loading_mm[-1]),
        has_plateau=False))                          # a few weights do not show one
    checks: list[LawCheck] = []
    if checked and best is not None:
        checks.append(check_law(best, *curve.points, curve.effective_share, about="compression"))
    creep = _sinking(run, readings, curve, noise=noise, near_n=near_n, times_s=times_s, frame=frame,
                     on_fit=(lambda *a: checks.append(check_law(*a, about="sinking"))) if checked else None)
    top = curve.base.force_n[-1]
    low, high = give_forces_n
    marks = [*run.marks, *_marks(run, readings, used, latitude, creep), *frame_marks(frame, curve),
             *rough_sinking(creep, rig)]
    if frame.source == "rig file":
        marks.append(mark("no_blank", "frame"))
    marks += calibration_marks(run, calibrations, force_n=(F0_N, float(top)), displacement_mm=(
        min(w.at_mm for w in used), max(w.at_mm for w in used)))
    marks += [mark("beyond_this_run", f"{f:g} N", f"this run is good up to {top:.1f} N net")
              for f in asked_n if f > top]
    if differs:
        marks.append(mark("law_differs", "best-fitting law"))
    if thickness is not None and float(curve.base.loading_mm[-1]) >= thickness.value:
        marks.append(mark("over_thickness", "pad"))
    unknown = tuple(u for u in not_known(rig, frame, run.column_doubt, "no temperature was recorded")
                    if u.group != "force through stiffness")
    result = RunFit(
        run=run.id, pad=run.pad, procedure=str((run.procedure or {}).get("name", "")),
        rig=None if run.rig is None else run.rig.name, calibrations=run.calibrations,
        temperature_c=run.environment.get("temperature_c"), curves=curves_of(curve), thickness_mm=thickness,
        seating_mm=None, compression=law, hysteresis=None, creep=creep, compression_set=None,
        warm_up_mm=None, strokes=_rows(readings, used),
        conditions=_conditions(run, used, load, latitude, height),
        marks=tuple(sorted(set(marks))),
        budget=run_budget(curve, from_n=low, to_n=high, rig=rig, unknown=unknown)
        if F0_N <= low < high <= top else None,
        drawing=drawing_of(curve, best, None, creep) if drawn else None, checks=tuple(checks),
    )
    result.json.update(run_json(result, curve, at_forces_n=at_forces_n, give_forces_n=give_forces_n))
    return result


def _place(run: Run, key: str, most: float) -> float | None:
    """Where the rig stands, as the run says; None where it does not, or says nonsense."""
    value = run.environment.get(key)
    good = isinstance(value, (int, float)) and not isinstance(value, bool) and abs(value) <= most
    return float(value) if good and value is not None else None


# -- which weights count, and the curve through them ------------------------------------------------


def _usable(run: Run, readings: tuple[Weighing, ...]) -> list[Weighing]:
    """The weights of which the curve is made: worked in, settled, no held notes; straight ones first.

    From below those from the air go before those that were put on after a light touch: there the pad had
    rested for longer, and the hardest weight, read so, makes a soft pad 5 to 10 % too stiff beside it.
    """
    good = [w for w in readings if not w.reason and not w.is_hold]
    worked = [w for w in good if w.worked_in] or good
    straight = {(w.mass_kg, w.from_above) for w in worked if w.is_direct}
    aired = {w.mass_kg for w in worked if w.from_air}
    used = [w for w in worked if w.is_direct or (w.mass_kg, w.from_above) not in straight]
    used = [w for w in used if w.from_above or w.from_air or w.mass_kg not in aired]
    below = sorted({w.force_n for w in used if not w.from_above})
    if len(below) < FEWEST_FORCES:
        raise FitError("too few weights were read", expected=f"{FEWEST_FORCES} forces at least, from below",
                       seen=", ".join(f"{f:.2f} N" for f in below) or "none", where={"run": run.id},
                       remedy="record it again: let each weight down gently, hands off until it has settled")
    if below[0] > LIGHT * F0_N:
        raise FitError("the lightest weight is too heavy", expected=f"one of {F0_N} N (25.5 g in all)",
                       seen=f"{below[0]:.2f} N", where={"run": run.id},
                       remedy="balance foot and pan with a counterweight over a pulley")
    return used


def _fraction_per_decade(used: list[Weighing]) -> float:
    """What the pad sinks under these weights in a decade of time, as a share of its position, >= 0."""
    zero = float(np.mean([w.at_mm for w in used if not w.from_above and w.force_n <= LIGHT * F0_N]))
    loaded = [w for w in used if not w.from_above and w.force_n >= SURE_FROM_N]
    way = sum(w.at_mm - zero for w in loaded)
    return min(max(sum(w.sinks_mm for w in loaded) / way, 0.0), 0.2) if way > 0 else 0.0


def _curve(used: list[Weighing], fraction: float, *, rig: RigRecord | None, frame: Frame, load: Load,
           noise: float) -> Curve:
    below = [w for w in used if not w.from_above]
    good_to = max(w.force_n for w in below)
    low_u, high_u = math.log(min(w.force_n for w in below) + F0_N) - 0.05, math.log(good_to + F0_N) + 1e-6
    both = not any(w.from_above for w in used)      # nothing is known of the way back; it is marked so
    rounds = _rounds(used, good_to)

    def fitter_of(taken_off: float) -> LimbFitter:
        return LimbFitter([_cells(r, low_u, high_u, taken_off, both=both) for r in rounds],
                          low_u=low_u, high_u=high_u)

    fitter = fitter_of(0.5)
    smoothing = fitter.choose_smoothing()
    fitted = fitter.fit(list(range(len(rounds))), smoothing)
    grid = grid_force_n(good_to)
    basis = fitted.basis(np.log(grid + F0_N))
    plain = fitted.both(basis)[0]
    rested = _rested_mm(plain - plain[0], grid, fraction)

    def limbs(which: Any, less: Array = rested, at: Array = basis) -> Limbs:
        up, down = which.both(at)
        return Limbs(grid, up - up[0] - less, down - up[0] - less)

    base = limbs(fitted)
    replicates = tuple(limbs(r) for r in fitter.without_each(smoothing)) if len(rounds) >= 3 else ()
    within = np.zeros_like(grid)
    if not replicates:
        within = np.sqrt(np.maximum(np.diag(
            fitter.mean_curve_covariance(fitter.covariance(fitted), grid)), 0.0))
    travel = None if rig is None else rig.channel("displacement")
    moved = gauge_moved(base, travel, None if travel is None else travel.scale_uncertainty, frame, noise)
    heavier = math.hypot(load.relative_uncertainty, MASS)
    moved["weights"] = limbs(fitted, at=fitted.basis(np.log(grid / (1 + heavier) + F0_N)))
    moved["time under load"] = limbs(
        fitted, rested - fraction * RESTED_RANGE / math.sqrt(3) * (plain - plain[0]))
    if any(w.carried_mm for w in used):
        stairs = limbs(fitter_of(0.0).fit(list(range(len(rounds))), smoothing))
        moved["sunk before the reading"] = Limbs(
            grid, *(b + (s - b) / math.sqrt(3) for b, s in ((base.loading_mm, stairs.loading_mm),
                                                           (base.unloading_mm, stairs.unloading_mm))))
    between = fitter.fit(list(range(len(rounds))), 1e-6 if smoothing > 1e-4 else 1.0)
    moved["between the weights"] = limbs(between)
    return Curve(base, replicates, moved, np.asarray(within), (), _law_points(below, base, noise), 1.0,
                 freedom=frame_freedom(frame))


def _rested_mm(x: Array, grid: Array, fraction: float) -> Array:
    """What a pad that has rested gives more than one in play, along the curve (m,).

    In proportion to the position up to a usual press. Harder presses close the gap between the two, for
    it was the hardest press that the one in play still remembers: beyond, half of the proportion.
    """
    usual = float(np.interp(USUAL_N, grid, x))
    return np.asarray(RESTED_DECADES * fraction * (np.minimum(x, usual) + 0.5 * np.maximum(x - usual, 0.0)))


def _rounds(used: list[Weighing], good_to: float) -> list[list[Weighing]]:
    """The n-th reading of each weight from below, and from above; only rounds that hold most weights."""
    seen: dict[tuple[float, bool], int] = defaultdict(int)
    rounds: dict[int, list[Weighing]] = defaultdict(list)
    for w in used:
        if w.force_n <= good_to:
            key = (w.mass_kg, w.from_above)
            rounds[seen[key]].append(w)
            seen[key] += 1
    most = max(len(r) for r in rounds.values())
    return [r for _, r in sorted(rounds.items()) if len(r) >= 0.7 * most]


def _cells(of_round: list[Weighing], low_u: float, high_u: float, taken_off: float, *,
           both: bool) -> Cells:
    """One round as the curve's fit wants it; ``taken_off`` is the share of what earlier stairs carried."""
    u, x, n = np.zeros((2, CELLS)), np.zeros((2, CELLS)), np.zeros((2, CELLS))
    width = (high_u - low_u) / CELLS
    top = max(w.force_n for w in of_round)
    for w in of_round:
        at_u = math.log(w.force_n + F0_N)
        k = min(max(int((at_u - low_u) / width), 0), CELLS - 1)
        at = w.at_mm - taken_off * w.carried_mm
        # At the hardest press the limbs meet.
        for limb in ([0, 1] if both or (not w.from_above and w.force_n == top) else [int(w.from_above)]):
            n[limb][k] += 4
            u[limb][k] += (at_u - u[limb][k]) * 4 / n[limb][k]
            x[limb][k] += (at - x[limb][k]) * 4 / n[limb][k]
    return Cells(u, x, n, 0.0)


def _law_points(below: list[Weighing], base: Limbs, noise: float) -> tuple[Array, Array, Array]:
    """Loading limb for the laws, at the forces of the weights."""
    force = np.array(sorted({w.force_n for w in below if w.force_n > LIGHT * F0_N}))
    x = np.array([base.at(base.loading_mm, f) for f in force])
    return force, x, np.hypot(max(noise, 1e-5), 0.002 * x)


# -- held notes -------------------------------------------------------------------------------------


def _sinking(run: Run, readings: tuple[Weighing, ...], curve: Curve, *, noise: float, near_n: float,
             times_s: tuple[float, ...], frame: Frame, on_fit: WATCHED | None = None) -> Creep | None:
    """Sinking in the held notes whose force is nearest to ``near_n``, all together; None without any."""
    holds = [w for w in readings if w.is_hold and not w.reason and not w.from_above]
    if not holds:
        return None
    nearest = min(holds, key=lambda w: (round(abs(math.log(w.force_n / near_n)), 2), w.number))
    alike = [w for w in holds if w.mass_kg == nearest.mass_kg]
    seen = _gathered(run, alike, readings, frame, noise)
    if seen is None:
        return None
    return sinking_in(seen, level_n=nearest.force_n, times_s=times_s,
                      rig_u_mm=curve.rig_u_mm(nearest.force_n), crossing_u_mm=max(noise, 5e-4), on_fit=on_fit)


def _gathered(run: Run, holds: list[Weighing], readings: tuple[Weighing, ...], frame: Frame,
              noise: float) -> Hold | None:
    """Held notes of one force, even in log time, each from the light touch before it; their mean."""
    time = run.samples["time_s"].to_numpy(dtype=np.float64)
    at = run.samples["displacement_mm"].to_numpy(dtype=np.float64)
    t_all, x_all, lasted = [], [], []
    for hold in holds:
        light = next((w for w in readings if w.number == hold.number - 1 and not w.from_above
                      and w.force_n <= LIGHT * F0_N), None)
        if light is None:
            continue
        give = float(np.diff(frame.deflection_mm(np.array([light.force_n, hold.force_n])))[0])
        before = at[within(time, light.until_s - 2.0, light.until_s)]
        inside = within(time, hold.on_s + HELD_FROM_S, hold.until_s)
        if before.size and inside.stop - inside.start >= 20:
            t_all.append(time[inside] - hold.on_s)
            x_all.append(at[inside] - float(np.median(before)) - give)
            lasted.append(float(t_all[-1][-1]))
    if not t_all:
        return None
    # Up to where all of them were held: else the mean would jump where one of them ends.
    edges = np.geomspace(0.999 * HELD_FROM_S, min(lasted) * 1.0001, POINTS + 1)
    n, x, log_t = np.zeros(POINTS), np.zeros((len(t_all), POINTS)), np.zeros(POINTS)
    whole = np.ones(POINTS, dtype=bool)
    for k, (t_k, x_k) in enumerate(zip(t_all, x_all, strict=True)):
        early = t_k < edges[-1]
        cell = np.searchsorted(edges, t_k[early], side="right") - 1
        found = np.bincount(cell, minlength=POINTS)
        x[k] = np.bincount(cell, x_k[early], POINTS) / np.maximum(found, 1)
        n, log_t = n + found, log_t + np.bincount(cell, np.log(t_k[early]), POINTS)
        whole &= found > 0
    if not whole.any():
        return None
    mean_x = x.mean(axis=0)[whole]
    sigma = np.hypot(max(noise, 1e-5) / np.sqrt(n[whole]), LAW_SHARE * np.abs(mean_x))
    ramp = np.linspace(-2 * LANDING_S, 0.0, 5)
    return Hold(np.exp(log_t[whole] / n[whole]), mean_x, min(lasted), ramp, np.linspace(0.0, 1.0, 5), 0.0,
                sigma, HISTORY)


# -- what is told with it -----------------------------------------------------------------------------


def _marks(run: Run, readings: tuple[Weighing, ...], used: list[Weighing], latitude: float | None,
           creep: Creep | None) -> list[Mark]:
    found = [mark("by_weights", "run")]
    if latitude is None:
        found.append(mark("place_unknown", "weights"))
    if not any(w.worked_in for w in used):
        found.append(mark("not_conditioned", "pad"))
    lowest_rounds = min((sum(w.mass_kg == v.mass_kg and w.from_above == v.from_above for w in used)
                         for v in used), default=0)
    if lowest_rounds < 3:
        found.append(mark("few_strokes", "weights", f"a weight was read {lowest_rounds} time(s) only"))
    if not any(w.from_above for w in used):
        found.append(mark("one_limb", "weights"))
    for w in readings:
        if w.reason:
            found.append(mark("stroke_left_out", f"weight {w.number}",
                              f"{1000 * w.mass_kg:g} g left out: {w.reason}"))
    if creep is None:
        found.append(mark("no_hold", "sinking under a held note"))
    if run.set_aside:
        found.append(mark("set_aside", "run", f"set aside: {run.set_aside}"))
    if run.state == "interrupted" and not any(m.code == "interrupted" for m in run.marks):
        found.append(mark("interrupted", "run"))
    return found


def _rows(readings: tuple[Weighing, ...], used: list[Weighing]) -> tuple[StrokeRow, ...]:
    numbers = {w.number for w in used}
    rows = []
    for w in readings:
        way = "from above" if w.from_above else "from below"
        what = "held note" if w.is_hold else way if w.worked_in else "working-in"
        rows.append(StrokeRow(w.number, w.on_s, w.until_s, w.force_n,
                              not w.reason and (w.number in numbers or w.is_hold or not w.worked_in),
                              w.reason or (what if w.number in numbers or w.is_hold or not w.worked_in
                                           else f"{way}: on the way only")))
    return tuple(rows)


def _conditions(run: Run, used: list[Weighing], load: Load, latitude: float | None,
                height: float | None) -> dict[str, Any]:
    return {
        **conditions_of(run, cycles=[w.number for w in used], rate_mm_per_s=None),
        "weights": {"n_per_kg": load.n_per_kg, "latitude_deg": latitude, "height_m": height,
                    "relative_standard_uncertainty": math.hypot(load.relative_uncertainty, MASS),
                    "read_at_s": READ_AT_S},
    }
