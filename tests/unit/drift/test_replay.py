"""Replays of springs, whose answers are known; histories that give each part of a profile its due."""

from dataclasses import replace

import numpy as np
import pytest

from padlab.drift.replay import (
    HELD,
    HOLD_STEPS,
    MARKED,
    NOTES,
    USUAL,
    by_replay,
    doubted,
    finger_net_n,
    numbers,
    recorded_history,
    replayed,
    touch_history,
)
from padlab.drift.through import through
from padlab.drift.touch import net_strokes, preset
from padlab.errors import InputError
from padlab.fitting.response import HeldBack, ResponseModel

SLOPE = 1 / 250                                    # mm/N: a spring of 250 N/mm
SPRING = ResponseModel.of_parts(top_n=18.0, reach=[0.0], slopes_mm=[18.0 * SLOPE])
JUDGED = HeldBack(0.002, 8, (("recorded stroke", 0.002),))


def notes_of(history):
    return history.net_n[history.ends]


def test_a_history_gives_each_part_of_the_profile_its_due():
    strokes = net_strokes(preset("medium"))
    history = touch_history(strokes)
    assert history.ends.size == NOTES
    for q in (0.05, 0.5, 0.95):
        assert np.quantile(notes_of(history), q) == pytest.approx(np.quantile(strokes.net_n, q), rel=0.01)
    held = [history.time_s[e] - history.time_s[e - HOLD_STEPS] for e in history.ends]
    assert np.median(held) == pytest.approx(0.4, rel=0.05)
    assert abs(np.corrcoef(notes_of(history), held)[0, 1]) < 0.1         # loud and long do not go together
    assert (history.usual.size, history.light.size, history.held.shape) == (USUAL, MARKED, (HELD, 2))
    assert np.all(history.net_n[history.usual] == strokes.set_net_n)
    assert np.all(np.diff(history.time_s[history.held], axis=1) == pytest.approx(9.0))
    assert np.all(np.diff(history.time_s) > 0)
    first, last = history.time_s[history.strip[0]], history.time_s[history.strip[1] - 1]
    assert last - first >= 10.0


def test_the_same_history_on_every_call():
    one, two = (touch_history(net_strokes(preset("hard"))) for _ in range(2))
    assert np.array_equal(one.time_s, two.time_s)
    assert np.array_equal(one.net_n, two.net_n)


def test_a_spring_by_replay_is_the_spring_by_the_formula():
    """No loop, no memory: both ways must give the same numbers. Worked: 12 N of give at 4 um/N are 48 um."""
    from padlab.drift.position import play_numbers

    strokes = net_strokes(preset("medium"))
    found = replayed(SPRING, touch_history(strokes), strokes=strokes)
    formula = play_numbers(lambda force: (force - 0.25) * SLOPE, 0.0, strokes)
    assert found.give_mm == pytest.approx(0.048, rel=1e-9)
    assert found.hold_mm == pytest.approx(0.0, abs=1e-12)
    assert found.warm_up_mm == pytest.approx(0.0, abs=1e-12)
    assert found.drift_p95_mm == pytest.approx(formula.drift_p95_mm, rel=0.02)
    assert found.band_mm == pytest.approx(formula.band_mm, rel=0.02)


def test_pressure_not_force_and_thickness_carry_over():
    """A face twice as large has half the pressure under one force; twice as thick it gives twice as much."""
    strokes = net_strokes(preset("medium"))
    history = touch_history(strokes)
    one, other = replayed(SPRING, history), replayed(SPRING, history, ratio=2.0, scale=2.0)
    assert other.drift_p95_mm == pytest.approx(one.drift_p95_mm, rel=1e-9)


def test_harder_than_tested_stands_at_the_end():
    strokes = net_strokes(preset("hard"))
    found = replayed(SPRING, touch_history(strokes), end_n=9.0)
    assert found.position_mm.max() == pytest.approx(9.0 * SLOPE, rel=1e-9)


def test_a_loop_makes_the_way_matter():
    """Play of 2 N: 4 N after 20 N let go only to 3 N stands at 3 N + 2 N; let go fully, at 4 N - 2 N."""
    loose = ResponseModel.of_parts(top_n=20.0, reach=[0.1], slopes_mm=[0.2])
    force = np.array([0, 4.0, 0, 20.0, 3.0, 4.0, 20.0, 0, 4.0])
    at = loose.start("fresh").position(np.arange(9.0), force)
    assert at[[1, 5, 8]] * 100 == pytest.approx([2.0, 5.0, 2.0])          # 0.01 mm of way a newton


def test_recorded_notes_end_where_they_are_let_go():
    time = np.linspace(0, 6, 601)
    force = np.interp(time, [0.5, 0.6, 1.5, 1.6, 3.0, 3.2, 5.0, 5.2], [0, 4, 3.8, 0, 0, 10, 9, 0])
    history = recorded_history(time, force)
    assert history.time_s[history.ends] == pytest.approx([1.5, 5.0], abs=0.05)
    found = numbers(force * SLOPE, history)
    assert found.home_mm == pytest.approx(np.median(force[history.ends]) * SLOPE)
    assert found.give_mm is None
    with pytest.raises(InputError, match="no note"):
        recorded_history(time, np.zeros_like(time))


def test_a_finger_rests_and_holds_the_valve():
    finger = np.array([0.2] * 50 + [6.2] * 20 + [0.2] * 50 + [2.0] * 5)
    assert finger_net_n(finger, holding_n=2.5).tolist() == pytest.approx([0.0] * 50 + [3.5] * 20 + [0.0] * 55)


def test_the_models_error_is_in_every_number(make_fit):
    from padlab.drift.position import pad_drift

    curves = make_fit(lambda f: f * SLOPE).curves
    strokes = net_strokes(preset("medium"))
    _, bare = pad_drift(curves, creep_1s=0.04, creep_uncertainty=None, strokes=strokes, coarse=strokes,
                        rig="r", gap_name="felt")
    found = replayed(SPRING, touch_history(strokes))
    told = by_replay(found, bare, JUDGED, model_name="felt")
    for name, ends in (("drift", 2), ("give", 2), ("home", 1)):
        estimate, formula = getattr(told, name), getattr(bare, name)
        assert estimate.own == formula.own
        error = np.sqrt(ends) * 0.002 * 2.36462 / 1.95996          # t of 7 degrees of freedom for the normal
        assert estimate.shared["model: felt"] == pytest.approx(error, rel=1e-4)
        assert not any(name.startswith("gap") for name in estimate.shared)
    assert told.drift.value == found.drift_p95_mm
    assert doubted(0.1, JUDGED).half_width > 2.36 * np.sqrt(2) * 0.002 * 0.95
    assert doubted(0.1, None).low is None


def test_through_a_pad_that_cannot_replay(make_fit):
    fit = replace(make_fit(lambda f: f * SLOPE, creep=None, gap=0.1), no_response="no hold")
    time = np.linspace(0, 4, 401)
    force = np.interp(time, [0.5, 0.6, 1.5, 1.6, 2.0, 2.2, 3.0, 3.2], [0, 4, 4, 0, 0, 10, 10, 0])
    history = recorded_history(time, force)
    row = through(fit, history)
    assert row.method == "formula"
    assert [m.code for m in row.marks] == ["no_replay"]
    assert row.held_back_rms_mm is None
    ends_n = history.net_n[history.ends]
    assert row.play_band_mm.value == pytest.approx(0.95 * np.ptp(ends_n) * SLOPE, rel=1e-4)


def test_through_a_pad_pressed_too_hard_is_marked(make_fit):
    fit = replace(make_fit(lambda f: f * SLOPE), response=replace(SPRING, held_back=JUDGED))
    time = np.linspace(0, 4, 401)
    force = np.interp(time, [0.5, 0.6, 1.5, 1.6, 2.0, 2.2, 3.0, 3.2], [0, 4, 4, 0, 0, 25, 25, 0])
    row = through(fit, recorded_history(time, force))
    assert row.method == "replay"
    assert [m.code for m in row.marks] == ["replay_outside"]
    assert row.outside_share == pytest.approx(np.mean(row.is_outside[force >= 0.25]))
    assert 0.3 < row.outside_share < 0.5
    assert np.all(row.high_mm - row.low_mm == pytest.approx(2 * JUDGED.half_width_mm))
