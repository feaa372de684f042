"""A curve measured on one ring, carried to another face and another thickness.

By pressure, never by force: equal pressure, equal strain (felt, foam, cork). A rubber-like pad
hardly changes its volume, so what its faces do to it depends on its shape; it is carried between
two bounds, free faces (strain carries over as it is) and gripped faces (the modulus follows the
shape factor), and stands in their middle on the log scale.

Thickness is fresh, at F0 on the tested face; position counts from F0 on the compared face.
The loaded thickness is what is left under the usual press: fresh - seating - compression.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from padlab.drift.position import along
from padlab.errors import FitError
from padlab.fitting.laws.rubber import gripped_modulus
from padlab.fitting.results import LimbCurves, RunFit
from padlab.marks import Mark, mark
from padlab.records.pad import F0_N, RUBBER_LIKE, Pad, annulus_area_mm2

Array = NDArray[np.float64]

FAR = 0.30
"""A compared face that differs by more than this from the tested one is marked."""

FOAM_LIKE_STRAIN = 0.25
"""A rubber-like pad squeezed by more than this under the usual press is carried like a foam.

A solid rubber ring hardly gets there under a finger; one that does holds air, and the shape
factor's formula (small strain, constant volume) says nothing about it (design choice).
"""


@dataclass(frozen=True)
class Face:
    """A loaded ring."""

    outer_mm: float
    inner_mm: float

    @property
    def area_mm2(self) -> float:
        """Its area."""
        return annulus_area_mm2(outer_mm=self.outer_mm, inner_mm=self.inner_mm)


@dataclass(frozen=True)
class Press:
    """The usual press, at which thickness counts as loaded: net force and what creep adds by then."""

    net_n: float
    creep_factor: float = 1.0


@dataclass(frozen=True)
class Carried:
    """A pad's curves on the compared face and thickness.

    ``scale`` = carried over tested compression at equal pressure. ``scale_doubt`` is the relative
    standard uncertainty of it from the pad's own thickness; ``shape_doubt`` from the bounds of a
    rubber-like pad (a rectangular error, shared by all pads of the stock).
    """

    curves: LimbCurves
    scale: float
    thickness_mm: float | None
    scale_doubt: float
    shape_doubt: float
    marks: tuple[Mark, ...]


def own_face(pad: Pad) -> Face:
    """The face that the pad has, and was tested on."""
    return Face(pad.outer_diameter_mm, pad.inner_diameter_mm)


def loaded_thickness_mm(fit: RunFit, *, face: Face, press: Press) -> float | None:
    """Thickness left under the usual press on ``face``, cut as thick as it was tested; None if not known."""
    if fit.thickness_mm is None or fit.curves is None:
        return None
    fresh = fit.thickness_mm.value
    compression = _tested_compression(fit.curves, fit.pad, face, press)
    scales = [bound(fresh) for bound in scale_bounds(fit, face, compression)]
    scale = math.sqrt(scales[0] * scales[1])
    left = fresh - seating_mm_of(fit) - scale * compression
    return left if left > 0 else None


def carry(fit: RunFit, *, face: Face, loaded_mm: float | None, press: Press) -> Carried:
    """Carry a run's curves to one face and one loaded thickness.

    Parameters
    ----------
    fit : RunFit
        With curves; its thickness may be unknown.
    face : Face
        The compared face.
    loaded_mm : float or None
        The compared thickness under the usual press; None: pads stay as thick as they were tested.
    press : Press
        The usual press on the compared face.

    Raises
    ------
    FitError
        The pad cannot be carried: no curve, no thickness for another face, or a pad that would
        have to be compressed to nothing.
    """
    curves, pad = fit.curves, fit.pad
    if curves is None:
        raise FitError(f"run {fit.run} has no curve", where={"run": fit.run})
    ratio = face.area_mm2 / pad.area_mm2
    marks: list[Mark] = []
    if abs(ratio - 1) > FAR:
        marks.append(mark("carried_far", f"pad {pad.id}"))
    same_face = math.isclose(ratio, 1.0, rel_tol=1e-9)
    if fit.thickness_mm is None:
        if not same_face:
            raise FitError(
                f"pad {pad.id} cannot be carried to another face: its thickness is not known",
                expected="a thickness at F0, or the compared face", seen="no thickness",
                remedy="padlab amend the pad with its thickness, or record a blank run",
                where={"run": fit.run})
        if loaded_mm is not None:
            marks.append(mark("thickness_unknown", f"pad {pad.id}",
                              "no thickness: compared as thick as it was tested"))
        return Carried(curves, 1.0, None, 0.0, 0.0, tuple(marks))

    fresh = fit.thickness_mm.value
    seating = seating_mm_of(fit)
    compression = _tested_compression(curves, pad, face, press)
    bounds = scale_bounds(fit, face, compression)
    if loaded_mm is None:
        cuts = [fresh, fresh]
    else:
        cuts = [_cut_for(loaded_mm, fresh, seating, compression, bound, fit) for bound in bounds]
    free, gripped = (bound(cut) for bound, cut in zip(bounds, cuts, strict=True))
    scale = math.sqrt(free * gripped)
    half_range = abs(math.log(gripped / free)) / 2
    if pad.material_class in RUBBER_LIKE and compression > FOAM_LIKE_STRAIN * fresh:
        marks.append(mark("bounds_shape", f"pad {pad.id}",
                          "rubber-like by its class, but squeezed by over a quarter: carried like a foam"))
    elif half_range > 1e-3:
        marks.append(mark("bounds_shape", f"pad {pad.id}"))
    cut = math.sqrt(cuts[0] * cuts[1])
    if abs(cut / fresh - 1) > FAR:
        marks.append(mark("carried_far", "thickness",
                          "the compared thickness differs from the tested one by more than 30 %"))
    doubt = 0.0
    half_width = fit.thickness_mm.half_width
    if loaded_mm is not None and half_width is not None:
        # scale = loaded / (fresh - seating - compression): a doubt of the thickness goes through that.
        doubt = half_width / 1.96 / max(fresh - seating - compression, 0.1 * fresh)

    def scale_at(compression_mm: float) -> float:
        """The scale, had the pad been found to be squeezed by that much under the usual press."""
        if loaded_mm is None:
            return scale
        both = [bound(_cut_for(loaded_mm, fresh, seating, compression_mm, bound, fit)) for bound in bounds]
        return math.sqrt(both[0] * both[1])

    def scale_of(values: Array) -> float:
        """The scale of a moved curve: what moves the compression moves the cut too."""
        return scale_at(_tested_compression(replace(curves, position_mm=values), pad, face, press))

    return Carried(_rescaled(curves, ratio, scale, scale_of), scale, cut, doubt,
                   half_range / math.sqrt(3), tuple(marks))


def seating_mm_of(fit: RunFit) -> float:
    """Early set of the first strokes; taken as 0 where it was not measured."""
    return 0.0 if fit.seating_mm is None else max(fit.seating_mm.value, 0.0)


def _tested_compression(curves: LimbCurves, pad: Pad, face: Face, press: Press) -> float:
    """Compression of the tested pad at the pressure of the usual press, from F0 on the compared face."""
    per_area = pad.area_mm2 / face.area_mm2
    at = along(curves, curves.position_mm, np.array([press.net_n, F0_N]) * per_area)
    return float(at[0] - at[1]) * press.creep_factor


def scale_bounds(fit: RunFit, face: Face, compression_mm: float,
                  ) -> tuple[Callable[[float], float], Callable[[float], float]]:
    """Carried over tested compression at equal pressure, as functions of the cut thickness: free, gripped."""
    pad, fresh = fit.pad, fit.thickness_mm.value if fit.thickness_mm is not None else 1.0

    def free(cut_mm: float) -> float:
        return cut_mm / fresh

    if pad.material_class not in RUBBER_LIKE or compression_mm > FOAM_LIKE_STRAIN * fresh:
        return free, free

    tested = gripped_modulus(1.0, outer_mm=pad.outer_diameter_mm, inner_mm=pad.inner_diameter_mm,
                             thickness_mm=fresh)

    def gripped(cut_mm: float) -> float:
        there = gripped_modulus(1.0, outer_mm=face.outer_mm, inner_mm=face.inner_mm, thickness_mm=cut_mm)
        return cut_mm / fresh * tested / there

    return free, gripped


def _cut_for(loaded_mm: float, fresh: float, seating: float, compression: float,
             scale_of: Callable[[float], float], fit: RunFit) -> float:
    """The fresh thickness of which ``loaded_mm`` is left: cut - seating share - carried compression."""
    def left(cut_mm: float) -> float:
        return cut_mm * (1 - seating / fresh) - scale_of(cut_mm) * compression - loaded_mm

    low, high = loaded_mm, loaded_mm
    for _ in range(60):
        high *= 1.25
        if left(high) >= 0:
            break
    else:
        raise FitError(
            f"pad {fit.pad.id} cannot be carried to {loaded_mm:.2f} mm loaded",
            expected="a pad that is thicker than its compression",
            seen=f"{fresh:.3f} mm thick, compressed by {compression:.3f} mm",
            remedy="check the pad's thickness; compare at a thickness nearer to the tested one",
            where={"run": fit.run})
    for _ in range(200):
        middle = (low + high) / 2
        if middle in (low, high):                    # no number lies between them
            break
        if left(middle) < 0:
            low = middle
        else:
            high = middle
    return (low + high) / 2


def _rescaled(curves: LimbCurves, ratio: float, scale: float,
              scale_of: Callable[[Array], float]) -> LimbCurves:
    """The curves on a face ``ratio`` times as large, compression times ``scale``, zero at F0 there."""
    force = curves.force_n * ratio
    force = np.concatenate([[F0_N], force[force > F0_N * (1 + 1e-9)]])
    tested = force / ratio

    def moved(values: Array) -> Array:
        return along(curves, values, tested) * scale

    def from_f0(values: Array, by: float = scale) -> Array:
        there = along(curves, values, tested) * by
        return np.asarray(there - there[0])

    base = from_f0(curves.position_mm)

    return LimbCurves(
        force_n=force, position_mm=base,
        half_gap_mm=np.maximum(moved(curves.half_gap_mm), 0.0),
        loading_stiffness_n_per_mm=along(curves, curves.loading_stiffness_n_per_mm, tested) * ratio / scale,
        replicate_mm=np.stack([from_f0(row, scale_of(row)) for row in curves.replicate_mm])
        if curves.replicate_mm.size else np.empty((0, force.size)),
        within_mm=np.maximum(moved(curves.within_mm), 0.0),
        rig_shift_mm={name: from_f0(curves.position_mm + shift, scale_of(curves.position_mm + shift)) - base
                      for name, shift in curves.rig_shift_mm.items()},
        own_shift_mm={name: from_f0(curves.position_mm + shift, scale_of(curves.position_mm + shift)) - base
                      for name, shift in curves.own_shift_mm.items()},
        preload_n=curves.preload_n * ratio,
    )
