"""Records that a tired hand, a loose cable or a wrong unit makes: each once gave wrong numbers or a crash."""

from dataclasses import replace

import numpy as np
import pytest

from padlab.calibration.frame import Frame, frame_of
from padlab.capture.virtual.simulate import simulate
from padlab.errors import FitError
from padlab.fitting.prepared import prepare, without_spikes
from padlab.fitting.run_fit import fit_run
from padlab.marks import has_stop


@pytest.fixture(scope="module")
def polymer():
    return simulate("dense polymer", seed=701)


@pytest.fixture(scope="module")
def felt():
    return simulate("wool felt", seed=555)


def again(sim, table=None, **changed):
    samples = (sim.run.samples if table is None else table).assign(**changed).reset_index(drop=True)
    return replace(sim.run, _samples=samples)


def codes(fit):
    return {m.code for m in fit.marks}


def test_a_finger_left_on_between_strokes_gives_no_joined_limbs(polymer):
    """Presses that do not reach F0 between them used to swallow their neighbours: a loss over 1, unmarked."""
    prepared = prepare(polymer.run, frame_of(polymer.run))
    presses = [s.press for s in prepared.strokes]
    force = prepared.force_n.copy()
    for first, second in zip(presses[3:7], presses[4:8], strict=True):
        force[first.peak:second.peak] = np.maximum(force[first.peak:second.peak], 0.35)
    fit = fit_run(again(polymer, force_n=force + prepared.zero.value_n))
    assert sum("does not begin and end under F0" in s.reason for s in fit.strokes) >= 4
    assert fit.hysteresis.loss_fraction.value == pytest.approx(polymer.truth.loss_fraction, rel=0.3)
    presses = [s.press for s in prepare(again(polymer, force_n=force), frame_of(polymer.run)).strokes]
    assert all(a.stop <= b.peak and b.start >= a.peak for a, b in zip(presses[:-1], presses[1:], strict=True))


@pytest.mark.parametrize("turned", ["displacement_mm", "force_n"])
def test_a_wrong_sign_is_one_clear_refusal(felt, turned):
    with pytest.raises(FitError, match="does not rise|falls where the pad is pressed") as fault:
        fit_run(again(felt, **{turned: -felt.run.samples[turned]}))
    assert "-mm" in fault.value.remedy or "-N" in fault.value.remedy


def test_a_still_indicator_is_refused(felt):
    with pytest.raises(FitError, match="does not rise"):
        fit_run(again(felt, displacement_mm=0.0))


def test_readings_missing_in_an_unloading_limb(felt):
    """Used to end in a traceback."""
    prepared = prepare(felt.run, frame_of(felt.run))
    p = next(s.press for s in prepared.strokes if s.role == "recorded")
    keep = np.ones(len(felt.run.samples), dtype=bool)
    keep[p.peak - 5 : p.stop + 30] = False
    fit = fit_run(again(felt, felt.run.samples[keep]))
    assert "readings_missing" in codes(fit)
    assert any(s.reason == "readings are missing in it" for s in fit.strokes)


def test_half_of_every_loading_limb_missing_is_no_curve(felt):
    prepared = prepare(felt.run, frame_of(felt.run))
    keep = np.ones(len(felt.run.samples), dtype=bool)
    for s in prepared.strokes:
        if s.press.peak_n > 15:
            middle = (s.press.start + s.press.peak) // 2
            keep[s.press.start : middle] = False
    with pytest.raises(FitError, match="no usable full stroke"):
        fit_run(again(felt, felt.run.samples[keep]))


def test_too_few_readings_a_second(felt):
    with pytest.raises(FitError, match="no usable full stroke"):
        fit_run(again(felt, felt.run.samples.iloc[::50]))


def test_not_a_number_is_named_with_its_row(felt):
    table = felt.run.samples.copy()
    table.loc[1234, "displacement_mm"] = np.nan
    with pytest.raises(FitError, match="not a number") as fault:
        fit_run(again(felt, table))
    assert fault.value.where["row"] == 1235


def test_spikes_are_replaced_and_counted(polymer):
    clean = fit_run(polymer.run)
    table = polymer.run.samples.copy()
    rows = np.random.default_rng(0).choice(np.arange(100, len(table) - 100, 9), 30, replace=False)
    table.loc[rows, "displacement_mm"] += 1.0
    fit = fit_run(again(polymer, table))
    assert "spikes" in codes(fit)
    assert fit.hysteresis.loss_fraction.value == pytest.approx(clean.hysteresis.loss_fraction.value, rel=0.03)
    a, b = (f.json["compression"]["give_mm"]["value"] for f in (fit, clean))
    assert a == pytest.approx(b, rel=2e-3)


def test_a_quick_press_has_no_spikes():
    up = np.linspace(0, 9, 12)
    values = np.concatenate([np.zeros(20), up, up[::-1], np.zeros(20)])
    noisy = values + np.random.default_rng(1).normal(0, 0.004, values.size)
    assert without_spikes(noisy, least=0.1)[1] == 0


def test_a_blank_that_ends_early_bounds_the_curve(polymer):
    """A frame measured to 5 N used to be held constant up to 18 N without a word."""
    short = Frame(np.array([0, 0.25, 5.0]), np.array([0, 0, 0.002]), np.array([0, 0, 1e-4]), "blank x",
                  measured_to_n=5.0)
    fit = fit_run(polymer.run, frame=short)
    assert fit.json["good_to_n"] <= 5.0
    assert "blank_too_light" in codes(fit)
    assert fit.json["compression"]["give_mm"] is None


def test_a_frame_that_gives_as_much_as_the_pad_leaves_a_bound(polymer):
    soft = Frame.from_compliance(2e-3, 1e-4)
    assert "bound_only" in codes(fit_run(polymer.run, frame=soft))


def test_no_idle_start_is_said(felt):
    table = felt.run.samples
    start = int(np.argmax(table["force_n"].to_numpy() > 2.0))
    assert "zero_not_seen" in codes(fit_run(again(felt, table.iloc[start:])))


def test_the_end_not_seen_unloaded_is_said(felt):
    last = [s for s in fit_run(felt.run).strokes if s.reason == "recorded"][-1]
    table = felt.run.samples
    assert "zero_not_checked" in codes(fit_run(again(felt, table[table["time_s"] < last.to_s])))
    assert "zero_not_checked" not in codes(fit_run(felt.run))


def test_a_lagging_force_is_stopped(polymer):
    """Force 100 ms late turns the loop round: clocks that disagree, never a pad that gives energy."""
    table = polymer.run.samples
    late = np.roll(table["force_n"].to_numpy(), 5)
    fit = fit_run(again(polymer, force_n=late))
    assert "loop_reversed" in codes(fit)
    assert has_stop(fit.marks)


def test_micrometres_read_as_millimetres_are_stopped(felt):
    fit = fit_run(again(felt, displacement_mm=1000 * felt.run.samples["displacement_mm"]))
    assert "over_thickness" in codes(fit)
    assert has_stop(fit.marks)


def test_an_unsteady_hold_is_marked(felt):
    table = felt.run.samples.copy()
    hold = next(s for s in fit_run(felt.run).strokes if s.reason == "hold")
    inside = table["time_s"].between(hold.from_s + 8, hold.to_s - 5)
    table.loc[inside, "force_n"] += 0.4 * np.sin(table.loc[inside, "time_s"] / 2)
    assert "hold_unsteady" in codes(fit_run(again(felt, table)))


def test_fifty_strokes_without_a_rest_are_no_warm_up():
    warm = simulate("sheet cork", seed=9, procedure="warm-up")
    assert fit_run(warm.run).warm_up_mm is not None
    plain = replace(warm.run, procedure={**warm.run.procedure, "needs_rest_h": None})
    assert fit_run(plain).warm_up_mm is None


def test_one_stroke_gives_no_interval_of_stiffness(felt):
    fourth = fit_run(felt.run).strokes[3]
    table = felt.run.samples
    compression = fit_run(again(felt, table[table["time_s"] < fourth.to_s + 0.3])).json["compression"]
    assert all(row["low"] is None for row in compression["tangent_stiffness_n_per_mm"])
    give = compression["give_mm"]
    assert (give["high"] - give["low"]) / give["value"] > 0.03


def test_one_force_asked_for_leaves_the_give_as_it_is(felt):
    asked = fit_run(felt.run, at_forces_n=(3.5,)).json
    assert asked["compression"]["give_mm"] == fit_run(felt.run).json["compression"]["give_mm"]
    both = fit_run(felt.run, at_forces_n=(2.0, 8.0)).json["compression"]
    assert both["secant_stiffness_n_per_mm"]["from_n"] == 2.0
    assert both["give_mm"]["value"] == pytest.approx(
        both["position_mm"][1]["value"] - both["position_mm"][0]["value"], rel=1e-9)
