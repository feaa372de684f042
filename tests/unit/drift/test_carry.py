"""From the tested ring to the compared face and thickness."""

from __future__ import annotations

import math

import numpy as np
import pytest

from padlab.drift.carry import Face, Press, carry, loaded_thickness_mm, own_face
from padlab.drift.position import along
from padlab.errors import FitError
from padlab.fitting.laws.rubber import gripped_modulus
from padlab.records.pad import F0_N, annulus_area_mm2

TESTED = Face(19.0, 8.0)
PRESS = Press(3.5)


def fibre(force, *, area=TESTED.area_mm2, thickness=1.6):
    """A strain-type pad: strain is a function of pressure alone (C = 1.2 N on 19 x 8 mm)."""
    pressure = np.asarray(force) / area
    return thickness * (1 - (1 + pressure * TESTED.area_mm2 / 1.2) ** (-1 / 3))


def position(carried, force):
    return along(carried.curves, carried.curves.position_mm, force)


@pytest.mark.parametrize("face", [Face(19, 8), Face(15, 7), Face(18, 9), Face(22, 8)])
@pytest.mark.parametrize("thickness", [1.2, 1.6, 2.4])
def test_a_strain_type_pad_carries_exactly(make_fit, face, thickness):
    """Same stuff cut to the other face and thickness, from its own law, zero at F0 on that face."""
    area = annulus_area_mm2(outer_mm=face.outer_mm, inner_mm=face.inner_mm)

    def there(force):
        return (fibre(force, area=area, thickness=thickness)
                - fibre(np.array([F0_N]), area=area, thickness=thickness))

    # Its loaded thickness there; thickness itself is at F0 on the tested face.
    eps = (fibre(3.5 * TESTED.area_mm2 / area) - fibre(F0_N * TESTED.area_mm2 / area)) / 1.6
    loaded = thickness * (1 - float(eps))
    carried = carry(make_fit(fibre, points=2000), face=face, loaded_mm=loaded, press=PRESS)
    # A larger face has its F0 below the first measured pressure: there the first stretch is drawn on,
    # which costs a few um of zero (such a face is marked as carried far).
    inside = area <= TESTED.area_mm2
    assert carried.thickness_mm == pytest.approx(thickness, rel=1e-5 if inside else 2e-3)
    at = np.array([0.5, 3.5, 9.0])
    assert position(carried, at) == pytest.approx(there(at), rel=0, abs=1e-4 if inside else 5e-3)
    assert position(carried, F0_N) == pytest.approx(0, abs=1e-12)
    assert carried.curves.good_to_n == pytest.approx(18 * area / TESTED.area_mm2)


def test_worked_transfer_of_pressure():
    """Worked example, computed from the stated rule: 3.5 N on a 15 x 7 ring is 5.906 N on 19 x 8.

    F_test = 3.5 * 233.263 / 138.230; fibre pad C 1.2 N, h 1.6 mm, zero at F = 0: strain .447269.
    """
    force = 3.5 * TESTED.area_mm2 / annulus_area_mm2(outer_mm=15, inner_mm=7)
    assert float(fibre(force)) / 1.6 == pytest.approx(0.447269, abs=5.1e-7)


def test_thicker_test_pads_do_not_lose(make_fit):
    thin = make_fit(fibre, thickness=1.6)
    thick = make_fit(lambda f: fibre(f, thickness=2.4), thickness=2.4)
    a, b = (carry(f, face=TESTED, loaded_mm=1.0, press=PRESS) for f in (thin, thick))
    at = np.linspace(0.5, 17, 9)
    assert position(a, at) == pytest.approx(position(b, at), rel=1e-9)


def test_carried_to_itself_nothing_changes(make_fit):
    fit = make_fit(fibre, gap=0.1, scatter=0.01, rig={"scale": 0.01}, within_mm=0.001)
    loaded = loaded_thickness_mm(fit, face=TESTED, press=PRESS)
    carried = carry(fit, face=own_face(fit.pad), loaded_mm=loaded, press=PRESS)
    assert carried.scale == pytest.approx(1.0, abs=1e-12)
    assert carried.marks == ()
    for name in ("force_n", "position_mm", "half_gap_mm", "within_mm", "loading_stiffness_n_per_mm"):
        assert getattr(carried.curves, name) == pytest.approx(getattr(fit.curves, name), rel=1e-9, abs=1e-12)


def test_a_moved_compression_moves_the_cut_too(make_fit):
    """One loaded thickness: a pad squeezed by 1 % more is cut thicker, and moves by 1 + x/(h - s - x) %."""
    fit = make_fit(fibre, rig={"scale": 0.01})
    loaded = loaded_thickness_mm(fit, face=TESTED, press=PRESS)
    carried = carry(fit, face=own_face(fit.pad), loaded_mm=loaded, press=PRESS).curves
    x = float(along(fit.curves, fit.curves.position_mm, PRESS.net_n)) * PRESS.creep_factor
    expected = 0.01 * (1 + x / loaded)
    assert carried.rig_shift_mm["scale"][-1] / carried.position_mm[-1] == pytest.approx(expected, rel=0.02)


def test_creep_of_the_usual_note_is_part_of_the_loaded_thickness(make_fit):
    fit = make_fit(fibre)
    x = float(along(fit.curves, fit.curves.position_mm, 3.5))
    assert loaded_thickness_mm(fit, face=TESTED, press=Press(3.5, 1.1)) == pytest.approx(1.6 - 1.1 * x)


def test_rubber_stands_between_free_and_gripped(make_fit):
    fit = make_fit(lambda f: np.asarray(f) / 400, material_class="neoprene", thickness=1.6)
    carried = carry(fit, face=Face(25, 10), loaded_mm=1.0, press=PRESS)
    assert "bounds_shape" in {m.code for m in carried.marks}
    # Free: thickness alone. Gripped: thickness and the modulus of the other shape.
    cut = carried.thickness_mm
    tested = gripped_modulus(1.0, outer_mm=19, inner_mm=8, thickness_mm=1.6)
    there = gripped_modulus(1.0, outer_mm=25, inner_mm=10, thickness_mm=cut)
    free, gripped = cut / 1.6, cut / 1.6 * tested / there
    assert gripped < carried.scale < free
    assert carried.scale == pytest.approx(math.sqrt(free * gripped), rel=2e-3)
    assert carried.shape_doubt == pytest.approx(math.log(free / gripped) / 2 / math.sqrt(3), rel=2e-2)
    felt = carry(make_fit(lambda f: np.asarray(f) / 400), face=Face(25, 10), loaded_mm=1.0, press=PRESS)
    assert felt.shape_doubt == 0


def test_far_face_is_marked(make_fit):
    def codes(face):
        return {m.code for m in carry(make_fit(fibre), face=face, loaded_mm=1.0, press=PRESS).marks}

    assert "carried_far" in codes(Face(14, 8))
    assert "carried_far" not in codes(Face(18, 8))


def test_thickness_doubt_goes_through_the_loaded_thickness(make_fit):
    fit = make_fit(fibre, thickness_u=0.01)
    carried = carry(fit, face=TESTED, loaded_mm=1.0, press=PRESS)
    thicker = carry(make_fit(fibre, thickness=1.61), face=TESTED, loaded_mm=1.0, press=PRESS)
    assert carried.scale_doubt == pytest.approx(math.log(carried.scale / thicker.scale), rel=0.02)


def test_unknown_thickness_serves_only_on_its_own_face(make_fit):
    fit = make_fit(fibre, thickness=None)
    there = carry(fit, face=TESTED, loaded_mm=1.0, press=PRESS)
    assert (there.scale, [m.code for m in there.marks]) == (1.0, ["thickness_unknown"])
    with pytest.raises(FitError, match="thickness is not known"):
        carry(fit, face=Face(18, 8), loaded_mm=1.0, press=PRESS)


def test_a_pad_thinner_than_its_own_compression_is_refused(make_fit):
    fit = make_fit(lambda f: np.asarray(f) / 2, thickness=1.0)      # 1.6 mm at the usual press
    assert loaded_thickness_mm(fit, face=TESTED, press=PRESS) is None
    with pytest.raises(FitError, match="cannot be carried"):
        carry(fit, face=TESTED, loaded_mm=1.0, press=PRESS)


def test_a_thickness_far_from_the_tested_one_is_marked(make_fit):
    """A pad carried to twelve times its thickness used to be ranked without a word."""
    fit = make_fit(fibre)
    loaded = loaded_thickness_mm(fit, face=TESTED, press=PRESS)
    near = carry(fit, face=own_face(fit.pad), loaded_mm=1.2 * loaded, press=PRESS)
    far = carry(fit, face=own_face(fit.pad), loaded_mm=12 * loaded, press=PRESS)
    assert near.marks == ()
    assert [(m.code, m.about) for m in far.marks] == [("carried_far", "thickness")]
