"""Position against force: the model-free curve decides, the laws describe.

Every number read off the curve is a function of the curve; its doubt is found by recomputing it
with one stroke left out in turn (jackknife: strokes are what is repeated) and with the rig moved
by one standard deviation of each of its sources in turn.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from padlab.calibration.budget import independent_parts
from padlab.calibration.frame import Frame
from padlab.errors import FitError
from padlab.fitting.fit import Fit, fit
from padlab.fitting.laws import Law
from padlab.fitting.laws.cellular import PLATEAU
from padlab.fitting.limbs import Cells, LimbFitter, RisingCurves, gather, grid_force_n
from padlab.fitting.prepared import Prepared, Stroke
from padlab.fitting.results import CompressionLaw, LimbCurves, Verdict
from padlab.fitting.rounding import rounding_error_mm
from padlab.records.pad import F0_N
from padlab.records.rig_record import Channel, RigRecord
from padlab.statistics.quantity import Quantity, t95, with_doubt

Array = NDArray[np.float64]

MOST_STROKES = 10
UNSEEN_SHARE = 0.015
"""Relative doubt that stands for the scatter between strokes where too few were recorded to see it.

Between recorded strokes of virtual pads the give scatters by 0.5-1.5 % (design choice).
"""
TIE = 2.0
"""Laws within this of the best AICc are not told apart by the data."""
FEWEST_POINTS = 12.0
"""Effective points that a limb counts for at least in AICc: about the freedom of the smooth curve."""
FORCE_SCALE = "force scale"
OWN_FRAME = "frame, from run to run"
OWN_SOURCES = (OWN_FRAME, "force zero", "indicator step", "indicator, place by place", "temperature",
               "time under load", "sunk before the reading", "between the weights")
"""Sources of a run, not of its rig: another run has another zero, another pad another place on the dial,
another day another warmth, another pad sinks otherwise under its weights."""
BELOW_F0 = 0.6
MARGIN = 6
UNROUNDING = 1.0
"""Smoothing of the first curve through readings of a coarse indicator."""


@dataclass(frozen=True)
class Limbs:
    """Both limbs on the grid of net force (m,), from the loading limb's F0 point [mm]."""

    force_n: Array
    loading_mm: Array
    unloading_mm: Array

    def mean_mm(self) -> Array:
        """Mean of the limbs, 0 at F0."""
        return self._mean_mm

    def loading_stiffness(self) -> Array:
        """dF/dx of the loading limb [N/mm]."""
        return self._loading_stiffness

    def at(self, curve: Array, force_n: float) -> float:
        """A curve at one force, linear in log(F + F0)."""
        return float(np.interp(math.log(force_n + F0_N), self._u, curve))

    def weights(self, force_n: float) -> Array:
        """What each point of the grid adds to :meth:`at` of a force (m,)."""
        u, last = self._u, self._u.size - 2
        at = min(max(int(np.searchsorted(u, math.log(force_n + F0_N))) - 1, 0), last)
        share = min(max((math.log(force_n + F0_N) - u[at]) / (u[at + 1] - u[at]), 0.0), 1.0)
        out = np.zeros(u.size)
        out[at], out[at + 1] = 1.0 - share, share
        return out

    # Read at dozens of forces: computed once.
    @cached_property
    def _u(self) -> Array:
        return np.log(self.force_n + F0_N)

    @cached_property
    def _mean_mm(self) -> Array:
        mean = (self.loading_mm + self.unloading_mm) / 2
        return np.asarray(mean - mean[0])

    @cached_property
    def _loading_stiffness(self) -> Array:
        slope = np.gradient(self.loading_mm, self._u)
        return np.asarray((self.force_n + F0_N) / np.maximum(slope, 1e-12))


@dataclass(frozen=True)
class Curve:
    """The fitted curve of a run with all that is needed to doubt it."""

    base: Limbs
    replicates: tuple[Limbs, ...]
    moved: dict[str, Limbs]                  # the curve with one rig source moved by one sd
    within_mm: Array                         # (m,) where there are too few strokes for replicates
    used: tuple[Stroke, ...]
    points: tuple[Array, Array, Array]       # loading limb for laws: force, position from F0, relative sd
    effective_share: float
    noise_mm2: Array | None = None           # (m, m) of the mean position, from noise within the strokes
    freedom: dict[str, float] = field(default_factory=dict)      # of moved's sources, where not many
    rounded: Limbs | None = None             # moved by a step that was taken off the curve, not the readings

    def quantity(self, of: Callable[[Limbs], float], *, positive: bool = True,
                 within: float | None = None) -> Quantity:
        """A number read off the curve with its 95 % interval.

        ``within`` is its standard uncertainty from noise within strokes: all there is where fewer than
        three strokes were recorded, and else the least that their scatter counts for.
        """
        value = of(self.base)
        return with_doubt(value, self.parts(of, within=within), positive=positive and value > 0)

    def noise_mm(self, from_n: float, to_n: float) -> float | None:
        """Standard uncertainty of a change of mean position from noise within the strokes [mm]."""
        if self.noise_mm2 is None:
            return None
        between = self.base.weights(to_n) - self.base.weights(from_n)
        return math.sqrt(max(float(between @ self.noise_mm2 @ between), 0.0))

    def rig_u_mm(self, force_n: float) -> float:
        """Standard uncertainty of the position at a force, from F0, that the rig's sources make [mm]."""
        mean = self.base.at(self.base.mean_mm(), force_n)
        return math.hypot(*(self.wider(name) * (limbs.at(limbs.mean_mm(), force_n) - mean)
                            for name, limbs in self.moved.items()), 0.0)

    def wider(self, name: str) -> float:
        """By how much a rig source is widened where it is taken for one of very many degrees of freedom.

        t95/1.96: then 1.96 of it is its 95 % half-width, though few blank runs stand behind it.
        """
        return t95(self.freedom.get(name, math.inf)) / t95(math.inf)

    def parts(self, of: Callable[[Limbs], float], *,
              within: float | None = None) -> list[tuple[float, float]]:
        """Standard uncertainties and degrees of freedom of a number, part by part."""
        return independent_parts((name, u, nu) for name, u, nu, _ in self.sources(of, within=within))

    def sources(self, of: Callable[[Limbs], float], *,
                within: float | None = None) -> list[tuple[str, float, float, bool]]:
        """(name, standard uncertainty, degrees of freedom, systematic) of a number."""
        value = of(self.base)
        out: list[tuple[str, float, float, bool]] = []
        if self.replicates:
            g = np.array([of(r) for r in self.replicates])
            n = g.size
            u = math.sqrt((n - 1) / n * float(np.sum((g - g.mean()) ** 2)))
            # Few strokes may agree by chance better than the noise within them allows; that noise is
            # known from hundreds of readings. The freedom stays that of the strokes.
            out.append(("repeat strokes", max(u, within or 0.0), n - 1, False))
        elif within is not None:
            out.append(("noise within strokes", within, math.inf, False))
            out.append(("stroke to stroke, not seen", UNSEEN_SHARE * abs(value), math.inf, False))
        for name, limbs in self.moved.items():
            freedom = self.freedom.get(name, math.inf)
            out.append((name, abs(of(limbs) - value), freedom, name not in OWN_SOURCES))
        return out


def limb_curve(prepared: Prepared, rig: RigRecord | None, frame: Frame,
               column_doubt: dict[str, float], *, warmth_mm: float | None = None) -> Curve:
    """Fit the model-free curve of the recorded strokes.

    ``warmth_mm``: standard uncertainty of a change of position from a temperature that moved
    meanwhile; None where it is not known.

    Raises
    ------
    FitError
        No usable recorded stroke.
    """
    strokes = prepared.role("recorded")[-MOST_STROKES:]
    if not strokes:
        raise FitError("no usable full stroke",
                       expected="at least one full stroke from under F0 to a common peak",
                       seen=f"{len(prepared.strokes)} presses, none of them usable",
                       remedy="record it again: press slowly to the same force, let go fully each time")
    good_to = min(s.press.peak_n for s in strokes)
    if good_to < 4 * F0_N:
        raise FitError("the strokes are too light", expected=f"a peak over {4 * F0_N} N net",
                       seen=f"{good_to:.2f} N")
    at = prepared.position_mm
    travel = float(np.median([at[s.press.peak] - at[s.press.start] for s in strokes]))
    if travel <= max(5 * prepared.position_noise_mm, 1e-4):
        raise FitError("the position does not rise with the force",
                       expected="displacement + where the pad gets thinner",
                       seen=f"{travel:.4f} mm of way to the peak",
                       remedy="import it again with the unit -mm, or look at the indicator")
    if frame.measured_to_n is not None and good_to > frame.measured_to_n:
        good_to = frame.measured_to_n
    low_u, high_u = math.log((1 + BELOW_F0) * F0_N), math.log(good_to + F0_N)
    cells = [_cells(prepared, s, low_u, high_u) for s in strokes]
    fitter = LimbFitter(cells, low_u=low_u, high_u=high_u)
    before: LimbFitter | None = None
    step = None if rig is None else coarse_step_mm(rig.channel("displacement"), prepared.position_noise_mm)
    if step is not None:
        # The first curve is a stiff one, which cannot follow the steps.
        for smoothing in (UNROUNDING, None):
            first = fitter.fit(list(range(len(cells))), smoothing or fitter.choose_smoothing())
            unrounded = _unrounded(prepared, strokes, first, frame, step)
            if unrounded is None:
                break
            before = fitter
            cells = [_cells(unrounded, s, low_u, high_u) for s in strokes]
            fitter = LimbFitter(cells, low_u=low_u, high_u=high_u)
    smoothing = fitter.choose_smoothing()
    fitted = fitter.fit(list(range(len(cells))), smoothing)
    grid = grid_force_n(good_to)
    basis = fitted.basis(np.log(grid + F0_N))
    base = _limbs(fitted, grid, basis)
    without = fitter.without_each(smoothing) if len(cells) >= 3 else []
    if step is not None and before is not None:
        # A curve of fewer strokes has its own idea of where in the steps they stood.
        for i, one in enumerate(without):
            others = strokes[:i] + strokes[i + 1 :]
            seen = _unrounded(prepared, others, one, frame, step) or prepared
            again = LimbFitter([_cells(seen, s, low_u, high_u) for s in others], low_u=low_u, high_u=high_u)
            without[i] = again.fit(list(range(len(others))), smoothing)
    replicates = tuple(_limbs(one, grid, basis) for one in without)
    noise = fitter.mean_curve_covariance(fitter.covariance(fitted), grid)
    within = np.zeros_like(grid) if replicates else np.sqrt(np.maximum(np.diag(noise), 0.0))
    moved = _rig_moved(fitted, grid, base, prepared, rig, frame, column_doubt)
    rounded = None
    if before is not None:
        # What is left of steps that were taken off differs from stroke to stroke, and is in their scatter;
        # what is common to them is about what taking them off once more has changed.
        rounded = moved["indicator step"]
        moved["indicator step"] = _limbs(before.fit(list(range(len(cells))), smoothing), grid, basis)
    if warmth_mm is not None:
        away = warmth_mm * _upper_end(grid)
        moved["temperature"] = Limbs(grid, base.loading_mm + away, base.unloading_mm + away)
    points, share = _law_points(fitter, fitted, cells, base, prepared)
    return Curve(base, replicates, moved, within, tuple(strokes), points, share, noise, frame_freedom(frame),
                 rounded)


def has_plateau(base: Limbs) -> bool:
    """Whether the pad softened to under 0.3 of a stiffness it had had, and stiffened again."""
    k = base.loading_stiffness()
    softest = int(np.argmin(k / np.maximum.accumulate(k)))
    return bool(k[softest] < PLATEAU * k[: softest + 1].max() and k[softest:].max() > 1.5 * k[softest])


def curves_of(curve: Curve) -> LimbCurves:
    """What the drift room needs of the curve."""
    base = curve.base
    mean = base.mean_mm()
    shifts = {name: curve.wider(name) * (limbs.mean_mm() - mean) for name, limbs in curve.moved.items()}
    return LimbCurves(
        force_n=base.force_n,
        position_mm=mean,
        half_gap_mm=np.maximum((base.unloading_mm - base.loading_mm) / 2, 0.0),
        loading_stiffness_n_per_mm=base.loading_stiffness(),
        replicate_mm=np.array([r.mean_mm() for r in curve.replicates]).reshape(-1, base.force_n.size),
        within_mm=curve.within_mm,
        rig_shift_mm={name: by for name, by in shifts.items() if name not in OWN_SOURCES},
        own_shift_mm={name: by for name, by in shifts.items() if name in OWN_SOURCES},
    )


def describe(curve: Curve, laws: list[Law]) -> tuple[CompressionLaw, Fit | None, bool]:
    """Fit the laws to the loading limb and choose by AICc.

    Returns the chosen law, its Fit, and whether it leaves the measured curve.

    Notes
    -----
    AICc = n ln(RSS/n) + 2K + 2K(K+1)/(n-K-1), K = parameters + 1 (Burnham & Anderson 2002, from
    memory), with ONE effective n for all laws, the same points and the same frozen weights. Laws that
    are not told apart are drawn as their weighted mean.
    """
    force, position, sigma = curve.points
    gate = gate_mm(position)
    fits = [fit(law.from_zero(F0_N), force, position, sigma=sigma,
                effective_share=curve.effective_share, gate=gate) for law in laws]
    n = max(force.size * curve.effective_share, FEWEST_POINTS)
    rows: list[tuple[float, Fit]] = []
    for f in fits:
        k = len(f.values) + 1
        if not math.isfinite(f.weighted_rss) or n - k - 1 <= 0:
            continue
        mean_square = max(f.weighted_rss / force.size, 1e-300)
        rows.append((n * math.log(mean_square) + 2 * k + 2 * k * (k + 1) / (n - k - 1), f))
    if not rows:
        return CompressionLaw("none", {}, (), Verdict.TOO_FEW_POINTS), None, False
    rows.sort(key=lambda r: (r[0], r[1].law.name))
    # A law that must gain to be believed, and does not, is listed but not chosen.
    best_aicc, best = next(
        (a, f) for a, f in rows
        if all(f is g or b - a >= f.law.needs_gain for b, g in rows if not g.law.needs_gain))
    weights = [math.exp(-max(a - best_aicc, 0.0) / 2) if a >= best_aicc else 0.0 for a, _ in rows]
    total = sum(weights)
    alternatives = tuple({"law": f.law.name, "aicc": round(a, 4), "weight": round(w / total, 6)}
                         for (a, f), w in zip(rows, weights, strict=True))
    tied = [(w, f) for (a, f), w in zip(rows, weights, strict=True)
            if f is best or (0 <= a - best_aicc < TIE and f.verdict is Verdict.GOOD)]
    law_mm = np.average([f.predict(curve.base.force_n) for _, f in tied], axis=0,
                        weights=[w for w, _ in tied])
    apart = np.abs(law_mm - (curve.base.loading_mm - curve.base.loading_mm[0]))
    differs = bool(np.any(apart > _half_widths(curve)))
    described = CompressionLaw(best.law.name, _parameters(curve, best), alternatives, best.verdict, law_mm)
    return described, best, differs


def _parameters(curve: Curve, best: Fit) -> dict[str, Quantity]:
    """The law's constants with their 95 % intervals, of all that doubts the limb: strokes, noise, the rig.

    The covariance of a fit knows none of the rig, whose scale moves all points alike. What a moved limb, or
    one without a stroke, does to the constants is followed by the derivatives of the law.
    """
    names, errors = [p.name for p in best.law.parameters], best.stderr
    force, _, sigma = curve.points
    rows = best.law.jacobian(force, best.values) / sigma[:, None]
    if errors is None or not np.isfinite(rows).all():
        return {name: Quantity(float(v)) for name, v in zip(names, best.values, strict=True)}
    follows = np.linalg.pinv(rows) / sigma
    base, u = curve.base, np.log(force + F0_N)

    def constant(i: int) -> Callable[[Limbs], float]:
        def of(limbs: Limbs) -> float:
            further = limbs.loading_mm - limbs.loading_mm[0] - (base.loading_mm - base.loading_mm[0])
            return float(best.values[i] + follows[i] @ np.interp(u, np.log(base.force_n + F0_N), further))
        return of

    return {p.name: curve.quantity(constant(i), positive=p.is_positive, within=float(errors[i]))
            for i, p in enumerate(best.law.parameters)}


def gate_mm(position: Array) -> Array:
    """The most that a law may leave of the measured curve, smoothed [mm]."""
    return np.asarray(np.maximum(2e-3, 0.02 * position))


def _half_widths(curve: Curve) -> Array:
    """95 % half-width of the loading limb's position on the grid [mm]."""
    base = curve.base.loading_mm - curve.base.loading_mm[0]
    square = curve.within_mm**2
    if curve.replicates:
        g = np.array([r.loading_mm - r.loading_mm[0] for r in curve.replicates])
        square = square + (len(g) - 1) / len(g) * np.sum((g - g.mean(axis=0)) ** 2, axis=0)
    for name, limbs in curve.moved.items():
        square = square + (curve.wider(name) * (limbs.loading_mm - limbs.loading_mm[0] - base)) ** 2
    return np.asarray(2.0 * np.sqrt(square) + 1e-6)


def _cells(prepared: Prepared, stroke: Stroke, low_u: float, high_u: float) -> Cells:
    p = stroke.press
    return gather(prepared.force_n, prepared.position_mm, start=max(p.start - MARGIN, 0), peak=p.peak,
                  stop=min(p.stop + MARGIN, prepared.force_n.size), low_u=low_u, high_u=high_u)


def coarse_step_mm(travel: Channel | None, noise_mm: float) -> float | None:
    """The step of an indicator where its readings do not dither enough to wipe it out, else None."""
    if travel is None or not travel.resolution or noise_mm >= travel.resolution / 2:
        return None
    return travel.resolution


def _unrounded(prepared: Prepared, strokes: list[Stroke], fitted: RisingCurves, frame: Frame,
               step_mm: float) -> Prepared | None:
    """The run, the mean rounding error of its strokes' readings taken off; None if not rounded so."""
    place = np.full_like(prepared.position_mm, np.nan)
    u = np.log(np.maximum(prepared.force_n, -0.5 * F0_N) + F0_N)
    inside = (u >= fitted.low_u) & (u < fitted.high_u)
    for s in strokes:
        a, b = max(s.press.start - MARGIN, 0), min(s.press.stop + MARGIN, u.size)
        turn = s.press.peak + 1
        on = np.concatenate([fitted.limb(u[a:turn], 0), fitted.limb(u[turn:b], 1)])
        there = inside[a:b]
        offset = float(np.mean((prepared.position_mm[a:b] - on)[there]))
        place[a:b] = np.where(there, on + offset, np.nan)
    some = np.isfinite(place)
    if not some.any():
        return None
    give = frame.deflection_mm(prepared.force_n[some])
    error = rounding_error_mm(prepared.position_mm[some] + give, place[some] + give, step_mm=step_mm)
    if error is None:
        return None
    position = prepared.position_mm.copy()
    position[some] -= error
    return replace(prepared, position_mm=position)


def _limbs(fitted: RisingCurves, grid: Array, basis: Array) -> Limbs:
    loading, unloading = fitted.both(basis)
    return Limbs(grid, loading - loading[0], unloading - loading[0])


def _limbs_seen(fitted: RisingCurves, grid: Array, shown_n: Array) -> Limbs:
    """Limbs on the grid, were ``shown_n`` what the rig shows where the true force is the grid's."""
    return _limbs(fitted, grid, fitted.basis(np.log(np.maximum(shown_n, 0.0) + F0_N)))


def force_scale_u(rig: RigRecord | None, column_doubt: dict[str, float]) -> float | None:
    """Relative standard uncertainty of the force's scale; None where nobody stated it."""
    channel = None if rig is None else rig.channel("force")
    return column_doubt.get("force_scale") if channel is None else channel.scale_uncertainty


def travel_scale_u(rig: RigRecord | None, column_doubt: dict[str, float]) -> float | None:
    """Relative standard uncertainty of the displacement's scale; None where nobody stated it."""
    channel = None if rig is None else rig.channel("displacement")
    return column_doubt.get("displacement_scale") if channel is None else channel.scale_uncertainty


def _rig_moved(fitted: RisingCurves, grid: Array, base: Limbs, prepared: Prepared, rig: RigRecord | None,
               frame: Frame, column_doubt: dict[str, float]) -> dict[str, Limbs]:
    """The curve as it would be were one source of the rig one standard deviation elsewhere."""
    moved: dict[str, Limbs] = {}
    force = None if rig is None else rig.channel("force")
    travel = None if rig is None else rig.channel("displacement")
    force_scale = force_scale_u(rig, column_doubt)
    travel_scale = travel_scale_u(rig, column_doubt)
    if force_scale:
        # Shrinking the force keeps the evaluation inside the measured range.
        moved[FORCE_SCALE] = _limbs_seen(fitted, grid, grid / (1 + force_scale))
    zero = prepared.zero.standard_uncertainty_n
    if force is not None and force.resolution:
        zero = math.hypot(zero, force.resolution / math.sqrt(12))
    if zero > 0:
        # Moved up, so that a large doubt does not leave the measured range at the light end.
        moved["force zero"] = _limbs_seen(fitted, grid, grid + zero)
    return gauge_moved(base, travel, travel_scale, frame, prepared.position_noise_mm) | moved


def gauge_moved(base: Limbs, travel: Channel | None, scale_u: float | None, frame: Frame,
                noise_mm: float) -> dict[str, Limbs]:
    """The curve were a source of the displacement or of the frame one standard deviation elsewhere."""
    grid = base.force_n
    away: dict[str, Array] = {name: -give for name, give in frame_sources(frame, grid).items()}
    ramp = _upper_end(grid)
    step = coarse_step_mm(travel, noise_mm)
    if step is not None:
        # Rounding averages out where the noise is over half a step; a quieter dial rounds all alike.
        away["indicator step"] = step / math.sqrt(12) * ramp
    if travel is not None and travel.local_uncertainty:
        # A dial's local errors come back at the same place in every stroke: they do not average out.
        away["indicator, place by place"] = travel.local_uncertainty * ramp
    moved = {name: Limbs(grid, base.loading_mm + by, base.unloading_mm + by) for name, by in away.items()}
    if scale_u:
        moved["indicator scale"] = Limbs(grid, base.loading_mm * (1 + scale_u),
                                         base.unloading_mm * (1 + scale_u))
    return moved


def frame_sources(frame: Frame, grid: Array) -> dict[str, Array]:
    """What one standard deviation of the frame moves the position by, from F0 (m,), source by source."""
    parts = frame.parts_mm(grid)
    if parts is None:
        return {}
    names = _frame_names(frame)
    return {name: part - part[0] for name, part in zip(names, parts, strict=True) if np.any(part > 0)}


def frame_freedom(frame: Frame) -> dict[str, float]:
    """Degrees of freedom of the frame's sources, where blank runs leave few."""
    return dict.fromkeys(_frame_names(frame), frame.degrees_of_freedom) \
        if math.isfinite(frame.degrees_of_freedom) else {}


def _frame_names(frame: Frame) -> tuple[str, str]:
    """What all pads share, and what each run has anew.

    Two pads share the frame's error only where the same blank runs gave it.
    """
    return f"frame, {frame.source}" if frame.is_measured else "frame", OWN_FRAME


def _upper_end(grid: Array) -> Array:
    """From 0 at F0 to 1 at the hardest press (m,).

    Each end of a difference has its own such error; over a whole stroke they average out but for what is
    common: it is kept once, at the upper end.
    """
    return np.asarray((grid - grid[0]) / (grid[-1] - grid[0]))


def _law_points(fitter: LimbFitter, fitted: RisingCurves, cells: list[Cells], base: Limbs,
                prepared: Prepared) -> tuple[tuple[Array, Array, Array], float]:
    """Loading-limb points for the laws: cells averaged over strokes, offsets taken off.

    The weights use the slope of the model-free curve, so they are the same for every law.
    """
    total = np.zeros(cells[0].n.shape[1])
    u_sum, x_sum = np.zeros_like(total), np.zeros_like(total)
    zero = fitted.limb(np.array([math.log(2 * F0_N)]), 0)[0]
    left: list[Array] = []
    for c in cells:
        full = [c.n[k] > 0 for k in (0, 1)]
        law = fitted.both(fitted.basis(c.u.ravel()))
        gaps = [c.x[k][full[k]] - law[k].reshape(c.u.shape)[k][full[k]] for k in (0, 1)]
        offset = float(np.mean(np.concatenate(gaps)))
        left.append(gaps[0] - offset)
        f = full[0]
        u_sum[f] += c.u[0][f]
        x_sum[f] += c.x[0][f] - offset - zero
        total[f] += 1
    some = total > 0
    u, x = u_sum[some] / total[some], x_sum[some] / total[some]
    force = np.exp(u) - F0_N
    keep = force > F0_N * 1.02
    force, x = force[keep], x[keep]
    k = np.interp(np.log(force + F0_N), np.log(base.force_n + F0_N), base.loading_stiffness())
    sigma = np.sqrt(max(prepared.position_noise_mm, 1e-5) ** 2 + (prepared.zero.noise_n / k) ** 2
                    + (0.002 * x) ** 2)
    r = np.concatenate(left)
    below = float(r @ r)
    r1 = float(np.clip(r[1:] @ r[:-1] / below, 0.0, 0.95)) if below > 0 else 0.0
    return (force, x, sigma), (1 - r1) / (1 + r1)
