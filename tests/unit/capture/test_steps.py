"""The steps follow what the force does, however the samples arrive."""

from __future__ import annotations

import numpy as np
import pytest

from padlab.capture.presses import Mender, PressFinder
from padlab.capture.procedure import Procedure, Step, procedure_from_table, read_procedure
from padlab.capture.quiet import Quiet
from padlab.capture.steps import StepFollower

RATE = 50.0


class Pencil:
    """Draws a force over time, piece by piece."""

    def __init__(self, seed: int = 1, noise_n: float = 0.01, zero_n: float = 0.0) -> None:
        self.rng = np.random.default_rng(seed)
        self.noise_n, self.zero_n = noise_n, zero_n
        self.parts: list[np.ndarray] = []

    def idle(self, seconds: float, at_n: float = 0.0) -> Pencil:
        self.parts.append(np.full(round(seconds * RATE), at_n))
        return self

    def press(self, peak_n: float, up_s: float = 2.0, down_s: float = 1.0, hold_s: float = 0.1) -> Pencil:
        up, down = (np.linspace(0, peak_n, max(2, round(s * RATE))) for s in (up_s, down_s))
        self.parts += [up, np.full(round(hold_s * RATE), peak_n), down[::-1]]
        return self

    def strokes(self, peak_n: float, count: int, **how: float) -> Pencil:
        for _ in range(count):
            self.press(peak_n, **how).idle(0.6)
        return self

    def drawn(self) -> tuple[np.ndarray, np.ndarray]:
        force = np.concatenate(self.parts)
        force = force + self.zero_n + self.noise_n * self.rng.standard_normal(force.size)
        return np.arange(force.size) / RATE, force


def follow(procedure: Procedure, pencil: Pencil, *, most: int = 20, seed: int = 0) -> StepFollower:
    time, force = pencil.drawn()
    follower, rng, at = StepFollower(procedure), np.random.default_rng(seed), 0
    follower.heard = []                                       # what was said, for the tests
    while at < time.size:
        size = int(rng.integers(1, most + 1))
        follower.heard += follower.feed(time[at:at + size], force[at:at + size])
        at += size
    return follower


def plan(*steps: dict) -> Procedure:
    return procedure_from_table({"name": "own", "kind": "pad", "step": list(steps)}, source="test")


THREE = plan({"do": "stroke", "to_n": 18.0, "count": 3})


def reasons(follower: StepFollower) -> list[str | None]:
    return [a.reason for a in follower.attempts]


@pytest.mark.parametrize("most", [1, 3, 50, 100_000])
def test_three_good_strokes_complete_a_step(most):
    follower = follow(THREE, Pencil(zero_n=0.7).idle(2).strokes(18, 3).idle(2), most=most)
    assert follower.done
    assert reasons(follower) == [None] * 3
    assert follower.zero_n == pytest.approx(0.7, abs=0.01)
    assert [round(a.peak_n, 1) for a in follower.attempts] == pytest.approx([18.0] * 3, abs=0.1)
    assert not follower.shortened


def test_nothing_counts_before_the_zero_is_known():
    follower = follow(THREE, Pencil().strokes(18, 3).idle(2).strokes(18, 2))
    assert len(follower.attempts) == 2
    assert not follower.done


@pytest.mark.parametrize(
    ("draw", "reason"),
    [
        (lambda p: p.press(15.0), "the peak was 15.0 N, not 18 N"),
        (lambda p: p.press(21.0), "the peak was 21.0 N, not 18 N"),
        (lambda p: p.press(18.0, up_s=0.3), "far too fast"),
        (lambda p: p.press(18.0, down_s=0.02).idle(0.02, at_n=8.0).press(17.0, up_s=1.0), "pressed twice"),
    ],
)
def test_a_poor_stroke_is_said_at_once_and_repeated(draw, reason):
    pencil = Pencil().idle(2).strokes(18, 1)
    if reason == "pressed twice":
        pencil.parts += [np.linspace(0, 18, 100), np.linspace(18, 8, 30), np.linspace(8, 17, 60),
                         np.linspace(17, 0, 50)]
    else:
        draw(pencil)
    follower = follow(THREE, pencil.idle(0.6).strokes(18, 2).idle(2))
    assert follower.done
    assert [r is None for r in reasons(follower)] == [True, False, True, True]
    assert reason in reasons(follower)[1]
    said = [s for s in follower.heard if s.tone == "poor"]
    assert len(said) == 1
    assert reason in said[0].text
    assert not follower.shortened


def test_a_quick_step_takes_quick_strokes():
    quick = plan({"do": "stroke", "to_n": 6.0, "count": 2, "pace": "quick"})
    follower = follow(quick, Pencil().idle(2).strokes(6, 2, up_s=0.3, down_s=0.2, hold_s=0.0).idle(2))
    assert follower.done
    assert reasons(follower) == [None, None]


def test_a_hand_that_goes_on_is_followed_with_fewer_strokes():
    two = plan({"do": "stroke", "label": "recorded", "to_n": 18.0, "count": 3},
               {"do": "stroke", "label": "small", "to_n": 3.0})
    follower = follow(two, Pencil().idle(2).strokes(18, 1).strokes(9, 1).strokes(18, 1).strokes(3, 1).idle(2))
    assert follower.done
    assert follower.shortened == ["recorded to 18 N: 2 of 3"]


def test_a_slip_to_the_force_of_a_later_step_does_not_skip_steps():
    """A finger that slipped off at 9 N of 18 N was once taken for the stroke to 9 N, six steps on."""
    follower = follow(read_procedure("standard"),
                      Pencil().idle(2).strokes(18, 4).strokes(9, 1).strokes(18, 4))
    assert follower.index == 2
    assert follower.shortened == []


def test_holds_and_rests_are_counted_in_the_rigs_time():
    steps = plan({"do": "hold", "to_n": 3.5, "seconds": 10}, {"do": "rest", "seconds": 5},
                 {"do": "hold", "label": "second", "to_n": 8.0, "seconds": 4})
    pencil = Pencil().idle(2).press(3.5, hold_s=10).idle(0.5).idle(5, at_n=0.25).press(8, hold_s=4.5).idle(2)
    follower = follow(steps, pencil)
    assert follower.done
    assert reasons(follower) == [None] * 3
    hold = follower.attempts[0]
    assert hold.to_s - hold.from_s == pytest.approx(10, abs=2.5)


def test_a_hold_let_go_too_soon_is_repeated():
    steps = plan({"do": "hold", "to_n": 3.5, "seconds": 10})
    follower = follow(steps, Pencil().idle(2).press(3.5, hold_s=4).idle(3).press(3.5, hold_s=11).idle(2))
    assert follower.done
    assert [r is None for r in reasons(follower)] == [False, True]
    assert "not 10 s" in reasons(follower)[0]


def test_a_hold_that_was_overshot_is_poor():
    steps = plan({"do": "hold", "to_n": 3.5, "seconds": 5})
    pencil = Pencil().idle(2)
    pencil.parts += [np.linspace(0, 6, 50), np.linspace(6, 3.5, 10), np.full(300, 3.5),
                     np.linspace(3.5, 0, 50)]
    follower = follow(steps, pencil.idle(2).press(3.5, hold_s=6).idle(2))
    assert "over the 3.5 N" in reasons(follower)[0]
    assert follower.done


def test_a_poor_hold_that_is_not_repeated_ends_in_the_rest_that_follows():
    steps = plan({"do": "hold", "to_n": 8.0, "seconds": 10}, {"do": "rest", "seconds": 6})
    follower = follow(steps, Pencil().idle(2).press(8, hold_s=4).idle(12))
    assert follower.done
    assert follower.shortened == ["hold at 8 N: not held for 10 s"]


def test_a_rest_cut_short_is_noted_and_the_press_counts_for_the_next_step():
    steps = plan({"do": "stroke", "to_n": 6.0}, {"do": "rest", "label": "rest", "seconds": 20},
                 {"do": "stroke", "to_n": 9.0})
    follower = follow(steps, Pencil().idle(2).strokes(6, 1).idle(5).strokes(9, 1).idle(2))
    assert follower.done
    assert follower.shortened[0].startswith("rest: ")
    assert [a.good for a in follower.attempts] == [True, False, True]


def test_a_hold_begun_while_strokes_are_missing_is_found():
    steps = plan({"do": "stroke", "label": "small", "to_n": 9.0}, {"do": "hold", "to_n": 3.5, "seconds": 20})
    follower = follow(steps, Pencil().idle(2).strokes(4.5, 1).press(3.5, hold_s=21).idle(2))
    assert follower.done
    assert follower.shortened == ["small to 9 N: 0 of 1"]


def test_free_playing_lasts_its_time_whatever_happens():
    pencil = Pencil().idle(2).strokes(6, 90, up_s=0.06, down_s=0.06).idle(60)
    follower = follow(read_procedure("touch"), pencil)
    assert follower.done
    assert follower.attempts[0].to_s - follower.attempts[0].from_s == pytest.approx(120, abs=1)


@pytest.mark.parametrize("drift_n", [-1.5, -0.5, 0.2, 0.45, 0.8])
def test_a_zero_that_moves_does_not_stop_the_steps(drift_n):
    """The drift is for the analysis to find and to mark; here nothing may wait for ever."""
    pencil = Pencil().idle(2)
    for _ in range(8):
        pencil.strokes(18, 1).idle(1.5)
    time, force = pencil.drawn()
    force = force + np.linspace(0, drift_n, force.size)
    follower = StepFollower(plan({"do": "stroke", "to_n": 18.0, "count": 8}))
    for i in range(0, time.size, 9):
        follower.feed(time[i:i + 9], force[i:i + 9])
    assert follower.done
    assert all(a.good for a in follower.attempts)


def test_a_zero_taken_under_a_press_is_taken_again():
    pencil = Pencil(zero_n=0.3)
    pencil.parts.append(np.full(150, 3.5))                    # recording began while somebody held it
    follower = follow(THREE, pencil.idle(2).strokes(18, 3).idle(2))
    assert follower.done
    assert follower.zero_n == pytest.approx(0.3, abs=0.02)


def test_one_damaged_reading_is_no_press_and_spoils_none():
    time, force = Pencil().idle(2).strokes(18, 3).idle(3).drawn()
    force[30], force[150], force[-60] = 9000.0, -400.0, 17.0
    follower = StepFollower(THREE)
    for i in range(0, time.size, 4):
        follower.feed(time[i:i + 4], force[i:i + 4])
    assert follower.done
    assert reasons(follower) == [None] * 3


@pytest.mark.parametrize("cut_s", [1.9, 2.03, 2.08, 3.2, 4.2])
def test_readings_missing_during_a_press_make_it_poor_once(cut_s):
    """Before it, at its first touch, in its rise, at its peak, as it is let go: 0.6 s are missing."""
    time, force = Pencil().idle(2).strokes(18, 4).idle(2).drawn()
    follower, cut = StepFollower(THREE), round(cut_s * RATE)
    follower.feed(time[:cut], force[:cut])
    follower.lost()
    follower.feed(time[cut + 30:], force[cut + 30:])
    assert [r is None for r in reasons(follower)] == [False, True, True, True]
    assert "missing" in reasons(follower)[0]
    assert follower.done


def test_readings_missing_between_presses_spoil_none():
    time, force = Pencil().idle(2).strokes(18, 1).idle(2).strokes(18, 2).idle(2).drawn()
    follower, cut = StepFollower(THREE), round(5.5 * RATE)
    follower.feed(time[:cut], force[:cut])
    assert follower.lost() == []
    follower.feed(time[cut + 50:], force[cut + 50:])
    assert reasons(follower) == [None] * 3


def test_the_answer_does_not_depend_on_the_pieces():
    def drawing() -> Pencil:
        return Pencil(3).idle(2).strokes(18, 3).strokes(14, 1).strokes(18, 6).strokes(3, 1)

    a, b = (follow(read_procedure("standard"), drawing(), most=most) for most in (1, 400))
    assert len(a.attempts) == 11
    assert a.attempts == b.attempts


def test_work_is_linear_in_samples():
    import time as clock

    step = Step(do="stroke", label="many", to_n=18.0, count=100_000)
    procedure = Procedure(name="own", kind="pad", title="", steps=(step,))
    spent = []
    for repeats in (20, 80):
        time, force = Pencil().idle(2).strokes(18, repeats).drawn()
        follower = StepFollower(procedure)
        began = clock.process_time()
        for i in range(0, time.size, 500):
            follower.feed(time[i:i + 500], force[i:i + 500])
        spent.append(clock.process_time() - began)
        assert follower.count == repeats
    assert spent[1] < 12 * spent[0]                            # 4 times the samples


def test_a_stretch_at_rest_needs_fifty_samples_and_most_of_a_second():
    t = np.arange(0, 5, 0.001)
    found = Quiet().feed(t, np.zeros(t.size))
    assert found is not None
    assert found[0].to_s == pytest.approx(0.8, abs=0.01)
    assert Quiet().feed(np.arange(49) * 0.1, np.zeros(49)) is None
    slope = np.arange(500) * 0.02
    assert Quiet().feed(slope, 0.2 * slope) is None
    assert Quiet().feed(slope, np.random.default_rng(0).normal(0, 0.1, 500)) is None


def test_a_stretch_at_rest_is_the_same_in_any_pieces():
    rng = np.random.default_rng(2)
    t = np.arange(400) * 0.02
    f = np.where(t < 3, 2 * np.sin(3 * t), 0.05) + 0.005 * rng.standard_normal(400)
    whole = Quiet().feed(t, f)
    assert whole is not None
    quiet, pieces = Quiet(), None
    for i in range(400):
        pieces = quiet.feed(t[i:i + 1], f[i:i + 1])
        if pieces is not None:
            break
    assert pieces is not None
    assert pieces[0] == whole[0]
    assert i + 1 == whole[1]


def test_the_mender_gives_every_sample_once_and_in_order():
    t = np.arange(100) * 0.02
    f = np.sin(t)
    mender, out = Mender(), []
    for i in range(0, 100, 3):
        out.append(np.column_stack(mender.feed(t[i:i + 3], f[i:i + 3])))
    got = np.concatenate(out)
    np.testing.assert_allclose(got[:, 0], t[:99])
    np.testing.assert_allclose(got[:, 1], f[:99])


def test_presses_do_not_depend_on_the_pieces():
    time, force = Pencil(5).idle(1).strokes(18, 2).strokes(3, 2).strokes(9, 2, up_s=0.2).drawn()

    def presses(size: int) -> list[tuple[float, float, float]]:
        finder, out = PressFinder(on_n=0.5), []
        for i in range(0, time.size, size):
            out += [s.press for s in finder.feed(time[i:i + size], force[i:i + size]) if s.ended]
        return [(p.from_s, p.to_s, p.peak_n) for p in out if p.peak_n > 1]

    assert len(presses(1)) == 6
    assert presses(1) == presses(7) == presses(10_000)
