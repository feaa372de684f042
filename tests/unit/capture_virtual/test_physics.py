"""What a virtual pad must do, whatever its numbers."""

import math
from dataclasses import replace

import numpy as np
import pytest

from padlab.capture.procedure import Step, read_procedure
from padlab.capture.virtual.hand import IDEAL, play
from padlab.capture.virtual.physics import Spring, bare_anvils
from padlab.capture.virtual.stocks import MATERIALS, make_pad
from padlab.capture.virtual.truth import truth
from padlab.errors import InputError

NAMES = list(MATERIALS)
STANDARD = read_procedure("standard")


def only(*steps):
    return replace(STANDARD, steps=steps)


def stroke(pad, *, to_n=12.0, seconds=2.0, dt=0.004):
    """One even stroke by hand: force and travel up, force and travel down."""
    speed = pad.travel_to_mm(to_n) / seconds
    up, down = [], []
    while pad.force_n < to_n:
        up.append((pad.move_to(pad.travel_mm + speed * dt, dt), pad.travel_mm))
    while pad.force_n > 0:
        down.append((pad.move_to(pad.travel_mm - speed * dt, dt), pad.travel_mm))
    return np.array(up), np.array(down)


@pytest.mark.parametrize("name", NAMES)
def test_force_rises_and_falls_smoothly_and_work_is_lost_never_won(name):
    pad = make_pad(name)
    pad.travel_mm = 0.0
    for _ in range(3):
        up, down = stroke(pad)
        assert np.all(np.diff(up[:, 0]) >= 0)
        assert np.all(np.diff(down[:, 0]) <= 0)
        # no jump: a step of the anvil changes the force by what the steepest slope allows
        assert np.max(np.abs(np.diff(np.concatenate([up[:, 0], down[:, 0]])))) < 0.6
        force, travel = np.concatenate([up, down]).T
        lost = 0.5 * np.sum(np.roll(travel, -1) * force - travel * np.roll(force, -1))
        assert 0 < lost < 0.5 * np.max(force) * np.ptp(travel)


@pytest.mark.parametrize("name", NAMES)
def test_slope_it_states_is_the_slope_it_has(name):
    pad = make_pad(name)
    pad.work_in(strokes=1)
    pad.travel_mm += pad.gap_mm
    for target in (0.5, 3.0, 12.0):
        while pad.force_n < target:
            pad.move_to(pad.travel_mm + pad.travel_to_mm(18.0) / 4000, 0.004)
        assert pad.stiffness_n_per_mm(-1) > 0
        for direction in (1, -1):
            slope, before = pad.stiffness_n_per_mm(direction), pad.force_n
            step = direction * 1e-4 * pad.travel_to_mm(target)
            after = pad.move_to(pad.travel_mm + step, 1e-9)
            assert (after - before) / step == pytest.approx(slope, rel=0.1)


def test_loop_widens_with_the_load():
    gaps = truth(make_pad("wool felt"), only(*STANDARD.steps[:2])).half_gap_mm(np.array([0.5, 2.0, 4.0]))
    assert np.all(np.diff(gaps) > 0)


@pytest.mark.parametrize("name", NAMES)
def test_softening_and_early_set_are_over_after_three_strokes(name):
    answers = truth(make_pad(name), only(*STANDARD.steps[:2]))
    at_top = np.array([s.mean_mm(17.5) for s in answers.strokes])
    at_note = np.array([float(s.mean_mm(3.5) - s.mean_mm(0.25)) for s in answers.strokes])
    whole = answers.position_mm(17.5)
    assert len(answers.strokes) == 8
    assert len(answers.recorded) == 5
    assert at_top[1] - at_top[0] > 0.002 * whole                       # the first stroke does set it
    assert np.all(np.abs(np.diff(at_top[3:])) < 0.01 * whole)
    assert np.all(np.abs(np.diff(at_note[3:])) < 0.01 * at_note[3:-1])


@pytest.mark.parametrize("name", NAMES)
def test_sinking_is_about_logarithmic_and_comes_back(name):
    pad = make_pad(name)
    pad.work_in(strokes=4)
    motion = play(pad, only(
        Step("hold", "hold", to_n=3.5, seconds=60.0), Step("rest", "rest", seconds=20.0),
        Step("hold", "hard", to_n=8.0, seconds=20.0), Step("rest", "recovery", seconds=60.0)))
    hold, rest = motion.during("hold")[0], motion.during("recovery")[0]

    def at(event, seconds):
        return float(np.interp(event.from_s + seconds, motion.time_s, motion.travel_mm))

    first, second, third = (at(hold, b) - at(hold, a) for a, b in ((1, 4), (4, 16), (14.9, 59.6)))
    start = at(hold, 1.0)
    assert first > 0
    assert third > second > 0.9 * first
    assert third < 2.2 * first             # a dashpot would give fifteenfold, a finished creep nothing
    per_decade = (at(hold, 10) - start) / (start - motion.travel_mm[0] - 0.4)
    assert 0.005 < per_decade < 0.06
    assert at(rest, 10) > at(rest, 59)      # the face comes back under the light touch


def test_a_night_of_rest_brings_back_what_flowed_but_not_the_set():
    pad = make_pad("wool felt")
    play(pad, only(Step("hold", "hold", to_n=12.0, seconds=20.0)))
    flowed, compacted, tired = pad.flowed_mm, pad.compacted_mm, pad.tired
    pad.rest(12 * 3600.0)
    assert pad.flowed_mm < 0.3 * flowed
    assert abs(pad.body_mm) < 1e-6
    assert pad.compacted_mm == compacted > 0
    assert pad.tired < 0.1 * tired
    assert pad.gap_mm == pytest.approx(0.4)


@pytest.mark.parametrize("name", NAMES)
def test_a_tenfold_speed_changes_the_force_by_some_per_cent_only(name):
    forces = {}
    for seconds in (2.0, 20.0):
        pad = make_pad(name)
        pad.work_in(strokes=5)
        up, _ = stroke(pad, seconds=seconds)
        forces[seconds] = np.interp(pad.travel_to_mm(6.0) + pad.compacted_mm, up[:, 1], up[:, 0])
    assert 0.005 < math.log(forces[2.0] / forces[20.0]) < 0.12


def test_warm_up_moves_a_rested_pad_and_levels_off():
    pad = make_pad("soft neoprene")
    pad.work_in()
    pad.rest(12 * 3600.0)
    answers = truth(pad, only(Step("stroke", "warm-up", to_n=12.5, count=30)))
    at_note = np.array([float(s.mean_mm(3.5)) for s in answers.strokes])
    assert at_note[-1] - at_note[0] > 0.002
    assert at_note[9] - at_note[0] > at_note[-1] - at_note[-10]
    assert answers.warm_up_mm(3.5) == pytest.approx(at_note[-1] - at_note[0])


def test_halving_the_small_step_does_not_change_the_answers():
    answers = []
    for rate in (250.0, 500.0):
        motion = play(make_pad("wool felt"), only(*STANDARD.steps[:1]), rate_hz=rate)
        last = motion.events[-1]
        during = (motion.time_s >= last.from_s) & (motion.time_s <= last.to_s)
        force, travel = motion.force_n[during], motion.travel_mm[during]
        top = int(np.argmax(force))
        answers.append(np.interp([0.25, 3.5, 12.5], force[:top], travel[:top]))
    assert np.diff(answers[0]) == pytest.approx(np.diff(answers[1]), rel=1e-3)
    assert answers[0] == pytest.approx(answers[1], abs=0.001)


def test_same_numbers_same_pad_and_every_number_matters():
    assert make_pad("sheet cork", lot=2, pad=3, seed=4).substance == make_pad(
        "sheet cork", lot=2, pad=3, seed=4).substance
    pads = [make_pad("sheet cork"), make_pad("sheet cork", lot=2), make_pad("sheet cork", pad=2),
            make_pad("sheet cork", seed=1), make_pad("rubber cork")]
    assert len({p.substance.crowd_stiffness_n_per_mm for p in pads}) == 5
    # the number that the generator gave when this was written: another machine must give the same pad
    wool = make_pad("wool felt").substance
    assert wool.crowd_stiffness_n_per_mm == pytest.approx(21.656854392447972, rel=1e-12)


def test_scatter_between_lots_and_pads_has_the_stated_size():
    logs = np.log([[make_pad("rubber cork", lot=lot, pad=pad).substance.crowd_stiffness_n_per_mm
                    for pad in range(4)] for lot in range(40)])
    within = logs.std(axis=1, ddof=1)
    pads = math.sqrt(np.mean(within**2))
    lots = math.sqrt(logs.mean(axis=1).var(ddof=1) - pads**2 / 4)
    assert pads == pytest.approx(0.03, rel=0.25)
    assert lots == pytest.approx(0.06, rel=0.35)


def test_a_soft_lot_gives_more():
    strokes = only(*STANDARD.steps[:2])
    good = truth(make_pad("wool felt"), strokes).give_mm()
    assert truth(make_pad("wool felt", lot_softness=1.6), strokes).give_mm() > 1.15 * good


def test_thickness_is_what_a_light_touch_on_the_fresh_pad_finds():
    pad = make_pad("wool felt")
    motion = play(pad, only(Step("stroke", "s", to_n=1.0)), rate_hz=250.0)
    top = int(np.argmax(motion.force_n))
    touched = np.interp(0.25, motion.force_n[:top], motion.travel_mm[:top])
    assert pad.free_height_mm - touched == pytest.approx(pad.thickness_mm, abs=0.003)
    assert 1.4 < pad.thickness_mm < 1.8


@pytest.mark.parametrize("wrong", [
    {"material": "wolf felt"}, {"material": "wool felt", "lot": -1}, {"material": "wool felt", "seed": -1},
    {"material": "wool felt", "lot_softness": 0.0}, {"material": "wool felt", "lot_softness": math.nan}])
def test_what_cannot_be_made_is_refused(wrong):
    with pytest.raises(InputError):
        make_pad(wrong.pop("material"), **wrong)


def test_spring_and_bare_anvils_lose_nothing():
    for piece, rate in ((Spring(), 20.0), (bare_anvils(), 4e5)):
        motion = play(piece, only(Step("bare", "b", to_n=18.0, count=2)), hand=IDEAL)
        touching = motion.force_n > 0
        assert motion.force_n.max() == pytest.approx(18.0, abs=0.5)
        assert motion.force_n[touching] == pytest.approx(rate * motion.travel_mm[touching], rel=1e-9)
