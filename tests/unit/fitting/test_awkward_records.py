"""Records that a tired hand, a loose cable or a wrong unit makes: each once gave wrong numbers or a crash."""

from dataclasses import replace

import numpy as np
import pytest

from padlab.calibration.frame import Frame, frame_of
from padlab.capture.virtual.simulate import simulate
from padlab.errors import FitError
from padlab.fitting.prepared import prepare, slips_at, without_spikes
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


def rounded(sim, step_mm):
    return again(sim, displacement_mm=np.round(sim.run.samples["displacement_mm"] / step_mm) * step_mm)


def with_step(run, step_mm):
    """The run with a rig file that states that step."""
    one = run.rig.instruments[0]
    channels = tuple(replace(c, resolution=step_mm) if c.quantity == "displacement" else c
                     for c in one.channels)
    return replace(run, rig=replace(run.rig, instruments=(replace(one, channels=channels),)))


def test_a_dial_coarser_than_the_rig_file_states_is_seen(polymer):
    """Half a thou read as micrometres made 123 N/mm (112 to 136) of 218, without a word."""
    wrong = rounded(polymer, 0.0127)
    found, known = fit_run(wrong), fit_run(with_step(wrong, 0.0127))
    assert "coarser_than_stated" in codes(found)
    assert "coarser_than_stated" not in codes(known)
    [said] = [m.message for m in found.marks if m.code == "coarser_than_stated"]
    assert "steps of 0.0127 mm" in said
    assert "states 0.001 mm" in said
    for part in ("tangent_stiffness_n_per_mm", "position_mm"):
        both = (fit.json["compression"][part] for fit in (found, known))
        for ours, theirs in zip(*both, strict=True):
            assert ours == pytest.approx(theirs, rel=1e-6)
    assert "coarser_than_stated" not in codes(fit_run(polymer.run))


def test_the_step_of_a_table_recorded_elsewhere_is_read_off_it(polymer):
    def budget(run):
        return {s["name"] for s in fit_run(run).json["budget"]["sources"]}

    elsewhere = replace(rounded(polymer, 0.0127), rig=None)
    frame = Frame.unknown()
    found = fit_run(elsewhere, frame=frame).json["compression"]
    known = fit_run(with_step(rounded(polymer, 0.0127), 0.0127), frame=frame).json["compression"]
    for theirs, ours in zip(known["tangent_stiffness_n_per_mm"], found["tangent_stiffness_n_per_mm"],
                            strict=True):
        assert ours["value"] == pytest.approx(theirs["value"], rel=1e-9)
    assert "indicator step" in budget(elsewhere)
    assert "coarser_than_stated" not in codes(fit_run(elsewhere))


def test_a_force_in_coarse_steps_has_no_spikes_and_no_warning(felt):
    """A reading that goes to the next step and comes back used to be replaced; warnings are errors here."""
    found = fit_run(again(felt, force_n=np.round(felt.run.samples["force_n"] / 0.5) * 0.5))
    assert "spikes" not in codes(found)
    assert "coarser_than_stated" in codes(found)
    give = found.json["compression"]["give_mm"]
    assert give["low"] <= felt.truth.give_mm(0.5, 12.5) <= give["high"]


def slipped(sim, by_mm, numbers):
    """The run with a jump in the middle of the loading limb of those recorded strokes."""
    position = sim.run.samples["displacement_mm"].to_numpy().copy()
    recorded = prepare(sim.run, frame_of(sim.run)).role("recorded")
    for k in numbers:
        position[(recorded[k].press.start + recorded[k].press.peak) // 2 :] += by_mm
    return again(sim, displacement_mm=position), [recorded[k].press.number for k in numbers]


@pytest.mark.parametrize("by_mm", [0.03, -0.03])
def test_a_stroke_that_slipped_is_left_out_with_its_reason(polymer, by_mm):
    """It used to make the stiffness at 8 N 248 N/mm (145 to 425) of 290."""
    run, [number] = slipped(polymer, by_mm, [1])
    found, whole = fit_run(run), fit_run(polymer.run)
    [row] = [s for s in found.strokes if s.cycle == number]
    assert not row.used
    assert row.reason.startswith("the position jumped by ")
    assert int(row.reason.split()[4]) == pytest.approx(1000 * by_mm, abs=4)
    for ours, theirs in zip(found.json["compression"]["tangent_stiffness_n_per_mm"],
                            whole.json["compression"]["tangent_stiffness_n_per_mm"], strict=True):
        assert ours["value"] == pytest.approx(theirs["value"], rel=0.02)
    assert [s.reason for s in whole.strokes if "jumped" in s.reason] == []


def test_a_slip_in_the_air_costs_no_stroke(polymer):
    position = polymer.run.samples["displacement_mm"].to_numpy().copy()
    strokes = prepare(polymer.run, frame_of(polymer.run)).role("recorded")
    position[(strokes[0].press.stop + strokes[1].press.start) // 2 :] += 0.05
    found = fit_run(again(polymer, displacement_mm=position))
    assert [s.reason for s in found.strokes if "jumped" in s.reason] == []


def test_a_quick_press_and_a_coarse_dial_have_no_slips():
    time = np.arange(0, 2, 0.02)
    quick = 0.4 * np.abs(np.sin(np.pi * time / 0.25))
    assert slips_at(time, quick, least=0.02).size == 0
    coarse = np.round(0.2 * np.abs(np.sin(time)) / 0.0127) * 0.0127
    assert slips_at(time, coarse, least=1.5 * 0.0127).size == 0
    assert slips_at(time, np.where(time > 1.0, 0.05, 0.0), least=0.02).tolist() == [51]
    gone = np.concatenate([time[:50], time[50:] + 0.5])     # readings are missing there: that is no jump
    assert slips_at(gone, np.where(gone > 1.0, 0.05, 0.0), least=0.02).size == 0


@pytest.mark.parametrize("material", ["wool felt", "sheet cork", "soft neoprene", "dense polymer"])
def test_a_pad_that_snaps_through_has_no_rising_curve(material):
    """Its force falls from 6 N to 3 N on the way in: 387 N/mm (344 to 435) at 8 N was told without a word."""
    pad = simulate(material, seed=5)
    force = pad.run.samples["force_n"]
    found = fit_run(again(pad, force_n=force * (1 - 0.5 * np.exp(-((force - 6) ** 2)))))
    assert "curve_off" in codes(found)
    assert "curve_off" not in codes(fit_run(pad.run))
    assert "curve_off" not in codes(fit_run(rounded(pad, 0.0127)))


def reasons(fit):
    return [s.reason for s in fit.strokes if "stood still" in s.reason]


def test_an_indicator_at_the_end_of_its_travel(polymer, felt):
    """One such stroke made the stiffness at 12.5 N 230 to 771 N/mm of 342; all of them 1.3e13 N/mm."""
    for sim in (polymer, felt):
        position = sim.run.samples["displacement_mm"].to_numpy()
        strokes = prepare(sim.run, frame_of(sim.run)).role("recorded")
        p = strokes[2].press
        end = position[p.start] + 0.6 * (position[p.peak] - position[p.start])
        one = position.copy()
        one[p.start : p.stop] = np.minimum(one[p.start : p.stop], end)
        found, whole = fit_run(again(sim, displacement_mm=one)), fit_run(sim.run)
        assert len(reasons(found)) == 1
        assert reasons(whole) == []
        for ours, theirs in zip(found.json["compression"]["tangent_stiffness_n_per_mm"],
                                whole.json["compression"]["tangent_stiffness_n_per_mm"], strict=True):
            assert ours["value"] == pytest.approx(theirs["value"], rel=0.03)
        with pytest.raises(FitError, match="no usable full stroke") as fault:
            fit_run(again(sim, displacement_mm=np.minimum(position, end)))
        assert "8 of them: the indicator stood still" in fault.value.seen


def test_a_force_at_the_end_of_its_scale(felt):
    """It used to make a loss of 56 % (47 to 66) of 36, without a word."""
    force = felt.run.samples["force_n"]
    with pytest.raises(FitError, match="no usable full stroke"):
        fit_run(again(felt, force_n=np.minimum(force, 10.0)))
    prepared = prepare(again(felt, force_n=np.minimum(force, 10.0)), frame_of(felt.run))
    assert sum("the force stood still at 10.0" in s.reason for s in prepared.strokes) >= 8


@pytest.mark.parametrize("material", ["wool felt", "sheet cork", "soft neoprene", "dense polymer"])
@pytest.mark.parametrize("step_mm", [0.001, 0.0127])
def test_a_coarse_dial_does_not_stand_still(material, step_mm):
    assert reasons(fit_run(rounded(simulate(material, seed=5), step_mm))) == []
