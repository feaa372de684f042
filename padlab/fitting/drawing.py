"""What a page draws of one run, and no number rests on: the strokes themselves, bands, what a law leaves.

Made only where it is asked for.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from padlab.errors import FitError
from padlab.fitting.compression import Curve, Limbs, gate_mm
from padlab.fitting.fit import FEWEST_GATED, Fit, gated_over
from padlab.fitting.hysteresis import stroke_work_mj
from padlab.fitting.spectrum import Spectrum, retardation_spectrum
from padlab.records.pad import F0_N
from padlab.statistics.quantity import Quantity

if TYPE_CHECKING:
    from padlab.fitting.prepared import Prepared, Stroke
    from padlab.fitting.results import Creep

Array = NDArray[np.float64]

PER_LIMB = 48
"""Readings drawn of one limb of a stroke: more cannot be seen."""
BAND_FORCES = 80


@dataclass(frozen=True)
class Loop:
    """One recorded stroke as it was read (n,), moved by a constant so that it lies on the curve."""

    cycle: int
    force_n: Array
    position_mm: Array


@dataclass(frozen=True)
class WorkedIn:
    """Every full press in order (n,): its height over where it began, and the work it lost.

    ``role`` is working-in or recorded. The work is as recorded, the turn at the top included.
    """

    role: tuple[str, ...]
    peak_mm: Array
    lost_mj: Array


@dataclass(frozen=True)
class Left:
    """What the best law leaves on the loading limb (n,): positions minus the law, and how much it may.

    The verdict looks at ``smooth_mm`` (m,), the mean over a tenth of the points.
    """

    law: str
    force_n: Array
    residual_mm: Array
    gate_mm: Array
    smooth_force_n: Array
    smooth_mm: Array


@dataclass(frozen=True)
class Drawing:
    """Curves of one run for its page; positions in mm from F0 of the loading limb, forces net."""

    loops: tuple[Loop, ...]
    loading_mm: Array                    # (m,) on LimbCurves.force_n
    unloading_mm: Array
    stiffness_force_n: Array             # (b,)
    stiffness: Array                     # (b, 3): value, low, high [N/mm]; nan: not determined
    worked_in: WorkedIn | None
    left: Left | None
    spectrum: Spectrum | None
    spectrum_known_s: tuple[float, float] | None


def drawing_of(curve: Curve, best: Fit | None, prepared: Prepared | None, creep: Creep | None) -> Drawing:
    """Everything that is drawn of a run; ``prepared`` is None where no stroke was recorded (dead weights)."""
    force_n, stiffness = _band(curve)
    spectrum, known = _spectrum(creep)
    return Drawing(
        loops=() if prepared is None else tuple(_loop(curve, prepared, s) for s in curve.used),
        loading_mm=curve.base.loading_mm, unloading_mm=curve.base.unloading_mm, stiffness_force_n=force_n,
        stiffness=stiffness, worked_in=None if prepared is None else _worked_in(prepared),
        left=None if best is None else _left(curve, best), spectrum=spectrum, spectrum_known_s=known)


def _loop(curve: Curve, prepared: Prepared, stroke: Stroke) -> Loop:
    p = stroke.press
    force, position = prepared.force_n[p.start : p.stop], prepared.position_mm[p.start : p.stop]
    peak = p.peak - p.start
    up = np.flatnonzero(force[: peak + 1] >= F0_N)
    expected = np.interp(np.log(force[up] + F0_N), np.log(curve.base.force_n + F0_N), curve.base.loading_mm)
    away = float(np.median(position[up] - expected)) if up.size else 0.0
    shown = np.unique(np.concatenate([_even(force, 0, peak), _even(force, peak, force.size - 1)]))
    return Loop(p.number, force[shown], position[shown] - away)


def _even(force: Array, first: int, last: int) -> Array:
    """Places of readings that are evenly apart on the drawing's force axis."""
    way = np.concatenate([[0.0], np.cumsum(np.abs(np.diff(force[first : last + 1])))])
    at = np.searchsorted(way, np.linspace(0.0, float(way[-1]), PER_LIMB))
    return np.asarray(first + np.clip(at, 0, last - first))


def _band(curve: Curve) -> tuple[Array, Array]:
    """Stiffness of the loading limb with its 95 % interval; without replicates no interval is known."""
    u = np.log(curve.base.force_n + F0_N)
    force = np.exp(np.linspace(u[0], u[-1], BAND_FORCES)) - F0_N
    force[0], force[-1] = curve.base.force_n[0], curve.base.force_n[-1]
    rows = []
    for f in force.tolist():
        def stiffness(limbs: Limbs, f: float = f) -> float:
            return limbs.at(limbs.loading_stiffness(), f)

        q = curve.quantity(stiffness) if curve.replicates else Quantity(stiffness(curve.base))
        rows.append([q.value, *(math.nan if end is None else end for end in (q.low, q.high))])
    return force, np.array(rows)


def _worked_in(prepared: Prepared) -> WorkedIn | None:
    full = sorted([*prepared.role("working-in"), *prepared.role("recorded")], key=lambda s: s.press.number)
    if not full:
        return None
    at = prepared.position_mm
    work = np.array([stroke_work_mj(prepared, s) for s in full])
    return WorkedIn(tuple(s.role for s in full),
                    np.array([float(at[s.press.peak] - at[s.press.start]) for s in full]),
                    work[:, 0] - work[:, 1])


def _left(curve: Curve, best: Fit) -> Left | None:
    force, position, _ = curve.points
    residual = position - best.predict(force)
    if force.size < 2 or not np.all(np.isfinite(residual)):
        return None
    width = gated_over(force.size)
    mean = np.ones(width) / width
    smooth = [np.convolve(v, mean, "valid") if force.size >= FEWEST_GATED else np.zeros(0)
              for v in (force, residual)]
    return Left(best.law.name, force, residual, gate_mm(position), *smooth)


def _spectrum(creep: Creep | None) -> tuple[Spectrum | None, tuple[float, float] | None]:
    """The spectrum of the hold, and where it is known: not before the force had come on."""
    if creep is None or creep.curve_t_s is None or creep.curve_measured_mm is None:
        return None, None
    t, x = creep.curve_t_s, creep.curve_measured_mm
    if t.size < 12:
        return None, None
    # The hold's own scatter: about a cubic in the logarithm of time.
    design = np.vander(np.log10(t), 4)
    left = x - design @ np.linalg.lstsq(design, x, rcond=None)[0]
    noise = math.sqrt(float(left @ left) / (t.size - 4))
    try:
        found = retardation_spectrum(t, x, noise_mm=max(noise, 1e-6))
    except FitError:
        return None, None                # too short: there is nothing to draw
    known = (max(found.known_s[0], creep.ramp_s or 0.0), found.known_s[1])
    return (found, known) if known[1] > known[0] else (None, None)
