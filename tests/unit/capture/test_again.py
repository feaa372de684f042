"""A press that was taken back: the follower expects it once more, and both stay on record."""

from __future__ import annotations

import importlib.util
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from padlab.calibration.frame import frame_of
from padlab.capture.procedure import procedure_from_table, read_procedure
from padlab.capture.steps import StepFollower
from padlab.capture.virtual.simulate import simulate
from padlab.fitting.prepared import prepare
from padlab.signals.judgement import judge
from padlab.signals.seen import TAKEN_BACK


def _pencil():
    spec = importlib.util.spec_from_file_location("drawn_steps", Path(__file__).with_name("test_steps.py"))
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.Pencil


Pencil = _pencil()


def plan(*steps):
    return procedure_from_table({"name": "own", "kind": "pad", "step": list(steps)}, source="test")


class Hand:
    """Presses, and says "again" where the drawing stands."""

    def __init__(self, *steps):
        self.follower, self.pencil, self.fed = StepFollower(plan(*steps)), Pencil(), 0
        self.do(lambda pencil: pencil.idle(2))

    def do(self, draw):
        draw(self.pencil)
        self.pencil.rng = np.random.default_rng(1)
        time, force = self.pencil.drawn()
        said = self.follower.feed(time[self.fed :], force[self.fed :])
        self.fed = time.size
        return [one.text for one in said]

    def again(self):
        return [one.text for one in self.follower.again()]

    @property
    def counts(self):
        return [(a.step, a.good, a.reason) for a in self.follower.attempts]


def stroke(peak=18.0, **how):
    return lambda pencil: pencil.press(peak, **how).idle(0.6)


def test_a_stroke_within_a_step():
    hand = Hand({"do": "stroke", "to_n": 18.0, "count": 3})
    hand.do(stroke())
    hand.do(stroke(17.9))
    said = hand.again()
    assert said[0] == "taken back: stroke, 17.9 N; it stays on record and does not count"
    assert said[1].startswith("once more: press slowly")
    assert "2 times" in said[1]
    assert hand.follower.count == 1
    hand.do(stroke())
    hand.do(stroke())
    hand.do(lambda pencil: pencil.idle(2))
    assert hand.follower.done
    assert hand.counts == [(0, True, None), (0, False, TAKEN_BACK), (0, True, None), (0, True, None)]
    assert hand.follower.shortened == []
    assert hand.follower.attempts[1].to_s < hand.follower.attempts[2].from_s


@pytest.mark.parametrize(
    "then",
    [
        {"do": "stroke", "to_n": 9.0},
        {"do": "rest", "seconds": 30.0},
        {"do": "hold", "to_n": 3.5, "seconds": 5.0},
        {"do": "away", "seconds": 30.0},
    ],
)
def test_the_last_stroke_of_a_step_goes_back_to_that_step(then):
    hand = Hand({"do": "stroke", "to_n": 18.0, "count": 2}, then)
    hand.do(stroke())
    hand.do(stroke())
    assert hand.follower.index == 1
    hand.again()
    assert (hand.follower.index, hand.follower.count) == (0, 1)
    # The word stands, however long it takes to come to it: a rest that would be over by now skips nothing.
    hand.do(lambda pencil: pencil.idle(40))
    assert (hand.follower.index, hand.follower.count) == (0, 1)
    hand.do(stroke())
    assert (hand.follower.index, hand.follower.count) == (1, 0)
    assert [good for _, good, _ in hand.counts] == [True, False, True]


def test_a_hold_and_the_very_last_press():
    hand = Hand({"do": "hold", "to_n": 3.5, "seconds": 5.0})
    held = stroke(3.5, hold_s=6.0)
    hand.do(held)
    assert hand.follower.step is None
    hand.again()
    assert hand.follower.step.do == "hold"
    hand.do(lambda pencil: pencil.idle(3))
    assert not hand.follower.done
    hand.do(held)
    hand.do(lambda pencil: pencil.idle(2))
    assert hand.follower.done
    assert [good for _, good, _ in hand.counts] == [False, True]


def test_what_was_played_since_is_set_apart():
    hand = Hand({"do": "stroke", "to_n": 18.0}, {"do": "free", "label": "passage", "seconds": 30.0})
    hand.do(stroke())
    began = hand.follower.attempts[0].to_s
    hand.do(stroke(7.0, up_s=0.2))                     # played already
    hand.again()
    assert hand.counts == [(0, False, TAKEN_BACK), (1, False, TAKEN_BACK)]
    played = hand.follower.attempts[1]
    assert (played.do, played.from_s) == ("free", pytest.approx(began))
    assert played.to_s > began + 1.0
    assert hand.again()[0].startswith("the last one does not count anyway")
    hand.do(stroke())
    hand.do(lambda pencil: pencil.idle(31))
    assert [(a.step, a.good) for a in hand.follower.attempts[2:]] == [(0, True), (1, True)]


def test_what_cannot_be_taken_back_is_said_and_changes_nothing():
    hand = Hand(
        {"do": "stroke", "to_n": 18.0, "count": 3},
        {"do": "rest", "seconds": 2.0},
        {"do": "stroke", "to_n": 9.0},
    )
    assert hand.again()[0].startswith("nothing was pressed")
    hand.do(stroke(12.0))  # poor by itself: it is asked for already
    before = hand.counts
    assert hand.again()[0].startswith("the last one does not count anyway")
    assert (hand.counts, hand.follower.index, hand.follower.count) == (before, 0, 0)


def test_not_while_a_hand_presses_nor_after_a_rest_nor_twice():
    hand = Hand(
        {"do": "stroke", "to_n": 18.0, "count": 2},
        {"do": "rest", "seconds": 2.0},
        {"do": "stroke", "to_n": 9.0},
    )
    hand.do(stroke())
    hand.do(lambda pencil: pencil.parts.append(np.linspace(0, 10, 60)))
    assert hand.again()[0].startswith("let go first")
    assert hand.counts == [(0, True, None)]
    hand.do(lambda pencil: pencil.parts.append(np.linspace(10, 18, 60)))
    hand.do(lambda pencil: pencil.parts.extend([np.linspace(18, 0, 50), np.zeros(30)]))
    assert len(hand.counts) == 2
    hand.again()
    assert hand.again()[0].startswith("the last one does not count anyway")
    hand.do(stroke())
    hand.do(lambda pencil: pencil.idle(3))
    assert hand.counts[-1] == (1, True, None)  # the rest is over
    assert hand.again()[0].startswith("the last step was no press")
    assert hand.follower.index == 2


def test_a_procedure_that_waits_for_its_first_press():
    follower = StepFollower(read_procedure("blank"))
    assert follower.again()[0].text.startswith("nothing was pressed")


@pytest.fixture(scope="module")
def felt():
    return simulate("wool felt", lot=2, pad=1, seed=8_900).run


def test_the_fit_leaves_it_out_by_name(felt):
    """The readings alone show a good stroke: that it does not count is known from the record only."""
    frame = frame_of(felt)
    before = prepare(felt, frame)
    stroke = before.role("recorded")[1].press
    attempt = {
        "do": "stroke",
        "label": "recorded",
        "good": False,
        "reason": TAKEN_BACK,
        "from_s": float(before.time_s[stroke.start]),
        "to_s": float(before.time_s[stroke.stop]),
    }
    after = prepare(replace(felt, steps=(attempt,)), frame)
    left = [s for s in after.strokes if s.press.number == stroke.number]
    assert [(s.role, s.reason) for s in left] == [("left out", TAKEN_BACK)]
    assert len(after.role("recorded")) == len(before.role("recorded")) - 1
    assert [s.press.number for s in after.role("hold")] == [s.press.number for s in before.role("hold")]
    poor = prepare(replace(felt, steps=({**attempt, "reason": "the peak was 17 N"},)), frame)
    assert len(poor.role("recorded")) == len(before.role("recorded"))  # the fit judges that itself


def test_a_locked_press_that_was_taken_back_is_no_load(felt):
    before = prepare(felt, frame_of(felt))
    press = before.role("recorded")[0].press
    attempt = {
        "do": "keep",
        "label": "locked",
        "good": True,
        "reason": None,
        "from_s": float(before.time_s[press.start]),
        "to_s": float(before.time_s[press.stop]),
    }
    kept = prepare(replace(felt, steps=(attempt,)), frame_of(felt))
    assert len(kept.role("kept")) == 1
    back = {**attempt, "good": False, "reason": TAKEN_BACK}
    assert prepare(replace(felt, steps=(back,)), frame_of(felt)).role("kept") == []


def test_its_speed_is_not_judged_but_its_force_is():
    asked = plan({"do": "stroke", "to_n": 18.0, "count": 5}).to_json()
    pencil = Pencil(noise_n=0.002).idle(2).strokes(18, 4)
    at = sum(part.size for part in pencil.parts) / 50.0
    time, force = pencil.strokes(18, 1, up_s=0.5).drawn()
    position = force / 100.0
    samples = {"time_s": time, "force_n": force, "displacement_mm": position}
    back = {"do": "stroke", "label": "", "from_s": at, "to_s": at + 1.6, "good": False, "reason": TAKEN_BACK}
    assert "speed_uneven" in {f.mark.code for f in judge(samples, asked)}
    assert judge(samples, asked, [back]) == ()
    hard = {**samples, "force_n": np.where(time > at, 1.3, 1.0) * force}
    assert "overshot" in {f.mark.code for f in judge(hard, asked, [back])}
