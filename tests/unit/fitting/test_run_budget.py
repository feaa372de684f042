"""A run's budget: every group is in it or said to be unknown, and warmth counts as it is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from padlab.calibration.budget import GROUPS
from padlab.calibration.frame import stated_frame
from padlab.capture.virtual.simulate import simulate
from padlab.fitting.compression import limb_curve
from padlab.fitting.prepared import prepare
from padlab.fitting.run_budget import run_budget
from padlab.fitting.run_fit import fit_run


@pytest.fixture(scope="module")
def felt():
    return simulate("wool felt", seed=3)


@pytest.fixture(scope="module")
def felt_fit(felt):
    return fit_run(felt.run)


@pytest.fixture(scope="module")
def steady(felt):
    """The felt's run, and a way to change what its rig says of warmth and what was recorded of it."""
    def make(*, moves=None, within=None, temperature=None):
        rig = replace(felt.run.rig, movement_mm_per_k=moves, temperature_within_k=within)
        samples = felt.run.samples
        if temperature is not None:
            samples = samples.assign(temperature_c=temperature(samples["time_s"].to_numpy()))
        return fit_run(replace(felt.run, rig=rig, _samples=samples))
    return make


def source(fit, name):
    return next((s for s in fit.json["budget"]["sources"] if s["name"] == name), None)


def unknown(fit):
    return {u["group"]: u["reason"] for u in fit.json["budget"]["not_determined"]}


def test_each_group_is_known_or_said_to_be_unknown(felt_fit):
    told = felt_fit.json["budget"]
    known = {s["group"] for s in told["sources"]}
    assert known | set(unknown(felt_fit)) >= set(GROUPS)
    assert not known & set(unknown(felt_fit))
    assert all(s["standard_uncertainty_mm"] >= 0 for s in told["sources"])


def test_warmth_that_nobody_knows_is_said_and_is_no_zero(felt_fit):
    assert source(felt_fit, "temperature") is None
    assert "the rig file does not say" in unknown(felt_fit)["temperature"]


def test_warmth_that_is_assumed_is_a_rectangular_error(steady):
    # 0.8 um/K x 2 K / sqrt 3 = 0.924 um, whatever the two forces (closed form)
    fit = steady(moves=0.0008, within=2.0)
    found = source(fit, "temperature")
    assert found["standard_uncertainty_mm"] == pytest.approx(0.00092376, rel=1e-3)
    assert not found["systematic"]
    assert "temperature" not in unknown(fit)
    assert fit.curves.own_shift_mm["temperature"][-1] == pytest.approx(0.00092376, rel=1e-4)


def test_what_was_recorded_goes_before_what_is_assumed(steady):
    recorded = steady(moves=0.0008, within=2.0, temperature=lambda t: np.full(t.size, 21.0))
    assert source(recorded, "temperature")["standard_uncertainty_mm"] == 0     # known, and nothing
    moving = steady(moves=0.0008, within=0.001, temperature=lambda t: 20 + 6 * t / t[-1])
    assert source(moving, "temperature")["standard_uncertainty_mm"] > 1e-4


def test_no_range_at_all_is_unknown(steady):
    assert "assumes none" in unknown(steady(moves=0.0008))["temperature"]
    empty = steady(moves=0.0008, temperature=lambda t: np.full(t.size, np.nan))
    assert "assumes none" in unknown(empty)["temperature"]


def test_warmth_widens_the_interval_of_the_give(steady):
    def half(fit):
        give = fit.json["compression"]["give_mm"]
        return give["high"] - give["low"]

    assert half(steady(moves=0.05, within=2.0)) > 1.5 * half(steady())


def test_recorded_elsewhere_the_instruments_are_unknown(felt):
    told = unknown(fit_run(replace(felt.run, rig=None)))
    others = {"indicator", "force through stiffness", "compliance", "temperature"}
    assert set(told) == others                           # the step, a micrometre, is seen in the readings
    table = felt.run.samples
    fine = table.assign(displacement_mm=table["displacement_mm"]
                        + np.random.default_rng(1).normal(0, 1e-4, len(table)))
    assert set(unknown(fit_run(replace(felt.run, rig=None, _samples=fine)))) == {"resolution", *others}
    assert set(told.values()) == {"recorded elsewhere"}


def test_strokes_that_agree_by_chance_count_for_the_noise_within_them():
    """What used to happen: of five strokes some agreed to 0.03 um where their noise alone makes 0.12 um, and
    the interval of a difference of two stiff pads was too narrow for one pair in ten.
    """
    made = simulate("dense polymer", seed=3)
    frame = stated_frame(made.run.rig)
    curve = limb_curve(prepare(made.run, frame), made.run.rig, frame, {})
    alike = replace(curve, replicates=(curve.base,) * 5)
    noise = curve.noise_mm(0.5, 12.5)
    assert 0.00005 < noise < 0.00025
    for one, least in ((curve, noise), (alike, noise)):
        told = run_budget(one, from_n=0.5, to_n=12.5, unknown=()).budget
        [own] = [s for s in told.sources if s.name == "repeat strokes"]
        assert own.standard_uncertainty >= least * (1 - 1e-9)
        assert own.degrees_of_freedom == len(one.replicates) - 1
    assert own.standard_uncertainty == pytest.approx(noise)


def test_a_run_that_is_too_light_for_the_give_has_no_budget(felt):
    assert fit_run(felt.run, at_forces_n=(0.5, 60.0)).budget is None
