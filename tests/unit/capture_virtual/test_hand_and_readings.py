"""The hand's unevenness, the rig's readings, and a run without a port."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from padlab.capture.procedure import Step, read_procedure
from padlab.capture.rig import read_rig
from padlab.capture.virtual.hand import Hand, play, play_finger
from padlab.capture.virtual.physics import Spring
from padlab.capture.virtual.readings import RigErrors, draw_errors, simulate_readings
from padlab.capture.virtual.simulate import simulate, simulated_run
from padlab.capture.virtual.stocks import make_pad

STANDARD = read_procedure("standard")
BENCH = read_rig("bench").to_record()


@pytest.fixture(scope="module")
def played():
    return play(make_pad("wool felt"), STANDARD, hand=Hand(), rng=np.random.default_rng(5))


def peaks(motion, do="stroke"):
    return np.array([[motion.force_n[(motion.time_s >= e.from_s) & (motion.time_s <= e.to_s)].max(), e.to_n]
                     for e in motion.events if e.do == do]).T


def test_hand_plays_every_step_in_order_with_a_peak_scatter_of_two_per_cent(played):
    assert [e.label for e in played.events] == (
        ["working-in"] * 3 + ["recorded"] * 5 + ["small"] * 6 + ["hold", "rest", "second hold", "recovery"])
    peak, wanted = peaks(played)
    assert np.all(np.abs(peak / wanted - 1) < 0.08)
    assert np.std(peak / wanted) > 0.005


def test_it_begins_in_air_for_a_second_at_least_and_travels_freely_before_contact(played):
    touched = int(np.argmax(played.force_n > 0))
    idle = played.time_s < 1.0
    assert np.all(played.force_n[idle] == 0)
    assert np.ptp(played.travel_mm[idle]) == 0
    assert played.travel_mm[touched] - played.travel_mm[0] > 0.3


def test_between_strokes_it_lets_go_below_f0_and_pauses(played):
    strokes = [e for e in played.events if e.do == "stroke"]
    for before, after in zip(strokes, strokes[1:], strict=False):
        pause = (played.time_s > before.to_s) & (played.time_s <= after.from_s)
        assert 0.28 <= after.from_s - before.to_s <= 1.02
        assert played.force_n[pause].max() < 0.25


def test_a_hold_stays_near_its_force_and_a_rest_near_f0(played):
    for event in (e for e in played.events if e.do in ("hold", "rest")):
        during = (played.time_s > event.from_s + 3) & (played.time_s < event.to_s - 0.1)
        force = played.force_n[during]
        if event.do == "hold":
            assert abs(force.mean() / event.to_n - 1) < 0.05
            assert 0.002 < force.std() / force.mean() < 0.04
        else:
            assert np.all(np.abs(force - 0.25) < 0.08)


@pytest.mark.parametrize("name", ["soft neoprene", "dense polymer"])
def test_slow_is_bench_speed_but_two_seconds_at_least_and_quick_is_quicker(name):
    pad = make_pad(name)
    motion = play(pad, replace(STANDARD, steps=(
        Step("stroke", "slow", to_n=9.0), Step("stroke", "quick", to_n=9.0, pace="quick"))), rate_hz=250)
    length = {}
    for event in motion.events:
        during = (motion.time_s >= event.from_s) & (motion.time_s <= event.to_s) & (motion.force_n > 0)
        top = int(np.argmax(np.where(during, motion.force_n, 0)))
        first = int(np.argmax(during))
        length[event.label] = (top - first) / 250
        speed = np.diff(motion.travel_mm[first:top]) * 250
        assert speed.max() <= (0.18 if event.label == "slow" else 0.72) + 1e-9
    assert length["slow"] > 1.5
    assert 3 < length["slow"] / length["quick"] < 5


def test_ideal_hand_lands_on_the_peak_and_needs_no_chance():
    peak, wanted = peaks(play(make_pad("dense polymer"), STANDARD, hand="ideal", rate_hz=250))
    assert peak == pytest.approx(wanted, rel=0.01)
    with pytest.raises(ValueError, match="random"):
        play(make_pad("dense polymer"), STANDARD, hand=Hand())


def test_a_slip_spoils_one_stroke_and_no_other():
    motion = play(Spring(), read_procedure("blank"), hand=Hand(), rng=np.random.default_rng(1),
                  slips_at_s=(10.0,))
    peak, wanted = peaks(motion, "bare")
    assert sorted(peak / wanted) == pytest.approx([0.5, 1.0, 1.0, 1.0, 1.0], abs=0.08)


def test_a_finger_plays_strokes_of_the_stated_size():
    playing = replace(read_procedure("touch"), steps=(Step("free", "playing", seconds=3000.0),))
    motion = play_finger(playing, rng=np.random.default_rng(2), rate_hz=20)
    forces = np.log([e.to_n for e in motion.events])
    assert len(forces) > 1000
    assert np.exp(forces.mean()) == pytest.approx(6.0, rel=0.05)
    assert np.exp(forces.std()) == pytest.approx(1.5, rel=0.05)
    assert np.all(motion.force_n >= 0)


def test_free_play_on_a_pad_presses_it_again_and_again():
    free = replace(STANDARD, steps=(Step("free", "playing", seconds=20.0),))
    motion = play(make_pad("rubber cork"), free, hand=Hand(), rng=np.random.default_rng(3))
    assert motion.force_n.max() > 3
    assert np.sum(np.diff((motion.force_n > 1).astype(int)) == 1) > 5


def test_readings_carry_the_rigs_errors_and_whole_counts(played):
    errors = RigErrors(force_scale=0.01, force_offset_n=0.05, displacement_scale=-0.01,
                       displacement_zero_mm=5.0, frame_mm_per_n=1e-4, force_noise_n=0.0,
                       displacement_noise_mm=0.0, zero_wander_n=0.0)
    readings = simulate_readings(played, errors, np.random.default_rng(0), instrument=BENCH.instruments[0])
    assert readings.force_counts.dtype == np.int64
    assert readings.force_counts / 1000 == pytest.approx(played.force_n * 1.01 + 0.05, abs=0.00051)
    place = played.travel_mm - played.free_height_mm + 1e-4 * played.force_n
    assert readings.displacement_counts / 1000 == pytest.approx(place * 0.99 + 5.0, abs=0.00051)


def test_noise_has_the_stated_size(played):
    readings = simulate_readings(played, RigErrors(zero_wander_n=0.0), np.random.default_rng(0),
                                 instrument=BENCH.instruments[0])
    assert np.std(readings.force_counts / 1000 - played.force_n) == pytest.approx(0.004, rel=0.05)


def test_errors_are_drawn_from_the_stated_doubts():
    drawn = [draw_errors(BENCH, np.random.default_rng(n)) for n in range(400)]
    assert np.std([e.force_scale for e in drawn]) == pytest.approx(0.004, rel=0.1)
    assert np.std([e.force_offset_n for e in drawn]) == pytest.approx(0.01, rel=0.1)
    assert np.std([e.displacement_scale for e in drawn]) == pytest.approx(0.003, rel=0.1)
    assert np.mean([e.frame_mm_per_n for e in drawn]) == pytest.approx(5e-5, rel=0.1)
    assert min(e.frame_mm_per_n for e in drawn) >= 0


def test_a_simulated_run_is_what_a_capture_would_file_with_the_truth_beside_it():
    run, answers = simulated_run("sheet cork", 2, 3, 11)
    both = simulate("sheet cork", lot=2, pad=3, seed=11)
    pd.testing.assert_frame_equal(run.samples, both.run.samples)      # the same numbers, the same run
    assert list(run.samples.columns) == ["time_s", "force_n", "displacement_mm"]
    assert (run.kind, run.state, run.pad.material, run.pad.lot) == ("pad", "complete", "sheet cork", "2")
    assert run.rig.channel("force").scale_uncertainty == 0.004
    assert run.pad.thickness_mm == pytest.approx(answers.thickness_mm, abs=0.0051)
    # the curve of the run, by the simplest means, lies where the truth says: within the rig's errors
    give = []
    for event in both.motion.during("recorded"):
        during = (run.samples.time_s + 0.02 >= event.from_s) & (run.samples.time_s + 0.02 <= event.to_s)
        limbs = run.samples[during]
        top = int(limbs.force_n.argmax())
        up, down = limbs[:top + 1], limbs[top:][::-1]
        at = [0.5, 12.5]
        offset = both.errors.force_offset_n
        mean = 0.5 * (np.interp(at, up.force_n - offset, up.displacement_mm)
                      + np.interp(at, down.force_n - offset, down.displacement_mm))
        give.append(mean[1] - mean[0])
    assert np.mean(give) == pytest.approx(answers.give_mm(), rel=0.03, abs=0.002)


def test_a_pad_for_the_warm_up_is_worked_in_and_rested():
    both = simulate("soft neoprene", procedure="warm-up")
    assert len(both.truth.strokes) == 50
    assert 0.005 < both.truth.warm_up_mm(3.5) < 0.06
