"""A whole run through the fitting room: what is right, what is flawed, what is refused."""

import json
from dataclasses import replace

import numpy as np
import pytest

from padlab.capture.virtual.simulate import simulate
from padlab.errors import FitError, RunError
from padlab.fitting.results import Verdict
from padlab.fitting.run_fit import fit_run
from padlab.marks import has_stop


@pytest.fixture(scope="module")
def felt():
    return simulate("wool felt", lot=2, pad=1, seed=11)


@pytest.fixture(scope="module")
def felt_fit(felt):
    return fit_run(felt.run)


def codes(fit):
    return {m.code for m in fit.marks}


def with_samples(run, **columns):
    return replace(run, _samples=run.samples.assign(**columns))


def test_numbers_are_near_the_truth(felt, felt_fit):
    truth = felt.truth
    compression = felt_fit.json["compression"]
    assert compression["give_mm"]["value"] == pytest.approx(truth.give_mm(0.5, 12.5), rel=0.03)
    by_force = {row["force_n"]: row for row in compression["tangent_stiffness_n_per_mm"]}
    assert by_force[3.5]["value"] == pytest.approx(truth.stiffness_n_per_mm(3.5), rel=0.06)
    assert felt_fit.hysteresis.loss_fraction.value == pytest.approx(truth.loss_fraction, rel=0.08)
    assert felt_fit.hysteresis.verdict is Verdict.GOOD


def test_json_has_no_nan_and_names_its_parts(felt_fit):
    text = json.dumps(felt_fit.json, allow_nan=False)
    back = json.loads(text)
    assert set(back) >= {"run", "pad", "thickness_mm", "good_to_n", "conditions", "budget", "compression",
                         "hysteresis", "creep", "compression_set", "strokes", "marks"}
    assert back["compression"]["give_mm"]["low"] < back["compression"]["give_mm"]["value"]
    sources = {s["name"] for s in back["budget"]["sources"]}
    assert sources >= {"repeat strokes", "indicator scale", "force scale"}


def test_same_data_same_digits(felt, felt_fit):
    assert json.dumps(fit_run(felt.run).json) == json.dumps(felt_fit.json)


def test_curves_rise_and_start_at_the_preload(felt_fit):
    curves = felt_fit.curves
    assert curves.position_mm[0] == 0
    assert np.all(np.diff(curves.position_mm) >= 0)
    assert np.all(curves.half_gap_mm >= 0)
    assert curves.force_n[0] == 0.25
    assert curves.replicate_mm.shape[1] == curves.force_n.size


def test_units_of_the_axis_do_not_matter(felt, felt_fit):
    """A record shifted in time and in the indicator's zero is the same record."""
    table = felt.run.samples
    moved = with_samples(felt.run, time_s=table["time_s"] + 1000.0,
                         displacement_mm=table["displacement_mm"] - 3.0)
    a, b = felt_fit.json["compression"]["give_mm"], fit_run(moved).json["compression"]["give_mm"]
    assert b["value"] == pytest.approx(a["value"], rel=1e-6)


def test_a_stretched_indicator_stretches_the_give(felt, felt_fit):
    table = felt.run.samples
    twice = with_samples(felt.run, displacement_mm=2 * table["displacement_mm"])
    a, b = felt_fit.json["compression"]["give_mm"], fit_run(twice).json["compression"]["give_mm"]
    assert b["value"] == pytest.approx(2 * a["value"], rel=2e-3)


def test_a_drifting_zero_is_marked_stop():
    drifting = simulate("wool felt", seed=3, drift_n=(60.0, 0.5))
    fit = fit_run(drifting.run)
    assert "zero_drifted" in codes(fit)
    assert has_stop(fit.marks)


def test_a_spoiled_stroke_is_left_out_and_said(felt):
    table = felt.run.samples.copy()
    strokes = [s for s in fit_run(felt.run).strokes if s.reason == "recorded"]
    bad = strokes[1]
    inside = table["time_s"].between(bad.from_s, bad.to_s)
    table.loc[inside, "force_n"] *= 0.85  # its peak is 15 % low
    fit = fit_run(replace(felt.run, _samples=table))
    row = next(s for s in fit.strokes if s.cycle == bad.cycle)
    assert not row.used
    assert "peak" in row.reason
    assert any(m.code == "stroke_left_out" and f"stroke {bad.cycle} " in m.message for m in fit.marks)


def test_few_strokes_still_have_an_interval(felt):
    """One recorded stroke: nothing to leave out, the noise within the stroke speaks."""
    table = felt.run.samples
    first = [s for s in fit_run(felt.run).strokes][3]
    start = table[table["time_s"] < first.to_s + 0.3].reset_index(drop=True)
    fit = fit_run(replace(felt.run, _samples=start))
    assert "few_strokes" in codes(fit)
    give = fit.json["compression"]["give_mm"]
    assert give["low"] < give["value"] < give["high"]
    assert "no_hold" in codes(fit)
    assert fit.creep is None


def test_refusals_name_the_run(felt):
    run = felt.run
    with pytest.raises(RunError, match="no displacement_mm|displacement_mm") as fault:
        fit_run(replace(run, _samples=run.samples.drop(columns="displacement_mm")))
    assert fault.value.where["run"] == run.id
    with pytest.raises(RunError, match="kind"):
        fit_run(replace(run, kind="touch"))
    with pytest.raises(FitError, match="no usable full stroke"):
        fit_run(with_samples(run, force_n=np.zeros(len(run.samples))))
    with pytest.raises(FitError, match="names no pad"):
        fit_run(replace(run, pad=None))


def test_a_run_without_rig_says_that_its_doubt_is_unknown(felt):
    fit = fit_run(replace(felt.run, rig=None))
    assert "rig_doubt_unknown" in codes(fit)
    names = {s["name"] for s in fit.json["budget"]["sources"]}
    assert "indicator scale" not in names


def test_force_beyond_the_test_is_not_answered(felt):
    compression = fit_run(felt.run, at_forces_n=(1.0, 40.0)).json["compression"]
    reached, beyond = compression["position_mm"]
    assert reached["value"] > 0
    assert (beyond["force_n"], beyond["value"]) == (40.0, None)
    assert compression["give_mm"] is None


def test_sinking_beyond_the_hold_is_marked_extrapolated(felt_fit):
    rows = {row["at_s"]: row for row in felt_fit.json["creep"]["predicted_mm"]}
    assert not rows[10.0]["extrapolated"]
    assert rows[600.0]["extrapolated"]
    assert rows[600.0]["high"] - rows[600.0]["low"] > rows[10.0]["high"] - rows[10.0]["low"]
    assert {a["law"] for a in felt_fit.json["creep"]["alternatives"]} == {"Findley", "approach"}


def test_warm_up_is_the_shift_over_fifty_strokes():
    warm = simulate("wool felt", seed=4, procedure="warm-up")
    fit = fit_run(warm.run)
    expected = float(warm.truth.warm_up_mm(3.5))
    assert fit.procedure == "warm-up"
    assert fit.warm_up_mm.value == pytest.approx(expected, abs=max(0.25 * abs(expected), 0.004))


def test_a_blank_run_takes_the_frame_off():
    """A frame of 2 um/N, measured by a blank run, is taken off the pad's give."""
    from padlab.calibration.frame import Frame, frame_from_blank
    from padlab.capture.virtual.simulate import bench_record

    soft = replace(bench_record(), frame_compliance_mm_per_n=0.0, frame_compliance_uncertainty_mm_per_n=None)
    pad = simulate("dense polymer", seed=5, rig=soft)
    net = pad.run.samples["force_n"].to_numpy()
    travel = pad.run.samples["displacement_mm"] + 2e-3 * np.clip(net, 0, None)
    bent = with_samples(pad.run, displacement_mm=travel)
    stroke = [np.linspace(0, 18, 150), np.linspace(18, 0, 150), np.zeros(30)]
    rate = np.concatenate([np.zeros(60), *(stroke * 5)])
    force = rate + np.random.default_rng(0).normal(0, 0.004, rate.size)
    travel = 2e-3 * np.clip(rate, 0, None) + np.random.default_rng(1).normal(0, 5e-4, rate.size)
    table = pad.run.samples.iloc[:0].reindex(range(rate.size)).assign(
        time_s=np.arange(rate.size) / 50, force_n=force, displacement_mm=travel)
    blank = replace(pad.run, id="blank", kind="blank", pad=None, _samples=table)
    frame = frame_from_blank(blank)
    assert float(frame.deflection_mm(np.array([10.0]))[0]) == pytest.approx(2e-3 * 9.75, abs=1e-3)
    found = fit_run(bent, frame=frame).json["compression"]["give_mm"]["value"]
    assert found == pytest.approx(pad.truth.give_mm(0.5, 12.5), abs=2e-3)
    untaken = fit_run(bent, frame=Frame.unknown()).json["compression"]["give_mm"]["value"]
    assert untaken - found == pytest.approx(2e-3 * 12, abs=1.5e-3)
