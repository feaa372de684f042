"""Numbers of one pad and where their doubts come from."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from padlab.drift.position import along, creep_factor, pad_drift
from padlab.drift.touch import net_strokes, preset

FINE = net_strokes(preset("medium"))
COARSE = net_strokes(preset("medium"), forces=400, holds=20)


def spring(force):
    return np.asarray(force) / 50


def drift(fit, **given):
    given = {"creep_1s": None, "creep_uncertainty": None, "strokes": FINE, "coarse": COARSE, "rig": "bench",
             "gap_name": "felt", **given}
    return pad_drift(fit.curves, **given)[0]


def test_interpolation_is_linear_in_log_force_and_draws_the_first_stretch_on(make_fit):
    curves = make_fit(lambda f: np.log(np.asarray(f) + 0.25) / 8).curves
    at = np.array([0.2, 0.3, 7.3, 17.9])
    exact = (np.log(at + 0.25) - np.log(0.5)) / 8
    assert along(curves, curves.position_mm, at) == pytest.approx(exact, abs=1e-9)
    assert along(curves, curves.position_mm, 30.0) == pytest.approx(curves.position_mm[-1])


def test_numbers_of_a_spring(make_fit):
    found = drift(make_fit(spring))
    # Give between 3 and 15 N finger force = 12 N over 50 N/mm; the interpolation in log force costs < 0.1 um.
    assert float(found.give.value) == pytest.approx(0.240, abs=1e-4)
    assert float(found.home.value) == pytest.approx((3.5 - 0.25) / 50, abs=1e-4)
    assert found.hold is None
    assert not found.has_hold


def test_hold_and_creep_doubt(make_fit):
    found = drift(make_fit(spring), creep_1s=0.04, creep_uncertainty=0.004)
    c, x = 0.04 / 0.96, (3.5 - 0.25) / 50
    assert float(found.hold.value) == pytest.approx(x * c, rel=1e-3)
    assert float(found.hold.own) == pytest.approx(x * 0.004 / 0.96**2, rel=1e-3)
    assert float(found.give.own) == pytest.approx(0, abs=1e-12)


def test_jackknife_of_the_strokes(make_fit):
    fit = make_fit(spring, strokes=5, scatter=0.02)
    found = drift(fit)
    gives = [along(fit.curves, row, 12.5) - along(fit.curves, row, 0.5) for row in fit.curves.replicate_mm]
    wanted = math.sqrt(4 / 5 * np.sum((np.array(gives) - np.mean(gives)) ** 2))
    assert float(found.give.own) == pytest.approx(wanted, rel=1e-9)
    assert float(found.give.own_df) == 4


def test_noise_where_one_stroke_is_all_there_is(make_fit):
    found = drift(make_fit(spring, strokes=1, within_mm=0.002))
    assert float(found.give.own) == pytest.approx(0.002 * math.sqrt(2))
    assert float(found.drift.own) == pytest.approx(0.002 * math.sqrt(2))


def test_rig_sources_stay_apart_with_their_sign(make_fit):
    found = drift(make_fit(spring, rig={"scale": 0.01, "force": -0.02}))
    assert found.drift.shared["bench: scale"] == pytest.approx(0.01 * found.drift.value, rel=0.02)
    assert found.drift.shared["bench: force"] == pytest.approx(-0.02 * found.drift.value, rel=0.02)


def test_half_gap_joins_drift_and_band_but_not_the_give(make_fit):
    fit = make_fit(spring, gap=0.2)
    found = drift(fit)
    inside = FINE.net_n[(FINE.net_n >= 0.25) & (FINE.net_n <= fit.curves.good_to_n)]
    half = float(np.sqrt(np.mean(along(fit.curves, fit.curves.half_gap_mm, inside) ** 2)))
    assert half > 0
    assert found.drift.shared["gap: felt"] == pytest.approx(half / math.sqrt(3), rel=1e-9)
    assert found.band.shared["gap: felt"] > 0
    assert found.give.shared["gap: felt"] == 0
    assert found.hold is None or found.hold.shared["gap: felt"] == 0


def test_up_to_5_percent_beyond_tested_stand_at_the_end(make_fit):
    for to_n, few in ((17.6, True), (9.5, True), (9.0, False)):
        found = drift(make_fit(spring, to_n=to_n))
        share = float(np.mean(FINE.net_n > to_n))
        assert found.beyond_tested_share == pytest.approx(share)
        assert (share <= 0.05) is few
        assert (found.drift is not None) is few
        assert (found.test_force_needed_n is None) is few
    assert found.band is None
    assert found.give is None                       # 12.5 N net was never reached
    # Tested to the force that is asked for, the drift is there.
    assert drift(make_fit(spring, to_n=found.test_force_needed_n)).drift is not None


def test_scale_of_everything_is_scale_of_drift(make_fit):
    one, two = drift(make_fit(spring), creep_1s=0.03), drift(make_fit(lambda f: 2 * spring(f)), creep_1s=0.03)
    for name in ("drift", "band", "give", "hold", "home"):
        assert float(getattr(two, name).value) == pytest.approx(2 * float(getattr(one, name).value), rel=1e-9)


def test_coarse_grid_moves_as_the_fine_one(make_fit):
    fit = make_fit(spring, rig={"scale": 0.01}, scatter=0.01, gap=0.1)
    coarse, fine = drift(fit, creep_1s=0.04), drift(fit, creep_1s=0.04, coarse=FINE)
    assert float(coarse.drift.standard_uncertainty) == pytest.approx(
        float(fine.drift.standard_uncertainty), rel=0.02)


def test_short_presses_count_as_a_tenth_of_a_second():
    assert creep_factor(0.1, np.array([0.001, 0.1, 1.0])) == pytest.approx([1.0, 1.0, 1.1])


def test_a_thickness_doubt_is_relative(make_fit):
    found = drift(make_fit(spring), scale_doubt=0.03, shared_scale={"shape: felt": 0.1})
    assert float(found.drift.own) == pytest.approx(0.03 * float(found.drift.value))
    assert found.give.shared["shape: felt"] == pytest.approx(0.1 * float(found.give.value))


def test_curve_without_replicates(make_fit):
    fit = make_fit(spring)
    bare = replace(fit.curves, replicate_mm=np.empty((0, fit.curves.force_n.size)))
    found = drift(replace(fit, curves=bare))
    assert float(found.drift.own) == 0.0
