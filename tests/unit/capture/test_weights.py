"""Following dead weights: the operator's word, the indicator's readings, and what can go wrong with both."""

from __future__ import annotations

import numpy as np
import pytest

from padlab.capture.procedure import Procedure, Step
from padlab.capture.weights import WeightFollower

NOISE_MM = 0.0006


def procedure(*masses, seconds=3.0, away_s=None):
    steps = []
    for mass in masses:
        steps.append(Step(do="weight", label="w", mass_kg=mass, seconds=seconds))
        if away_s is not None:
            steps.append(Step(do="away", label="lifted", seconds=away_s))
    return Procedure("short", "pad", "Short", tuple(steps))


class Bench:
    """An indicator over a pad: what lies on it is set by the test; readings go to the follower."""

    def __init__(self, plan, *, yes_after_s=None, rate_hz=10.0, seed=1, sinks=0.01):
        self.follower = WeightFollower(plan, yes_after_s=yes_after_s)
        self.rng = np.random.default_rng(seed)
        self.rate_hz, self.sinks, self.now_s = rate_hz, sinks, 0.0
        self.mass_kg, self.put_s, self.from_mm = None, 0.0, -0.3
        self.shift_mm = 0.0
        self.said = []

    def place_mm(self, at_s):
        if self.mass_kg is None:
            return -0.3
        aim = 0.2 * self.mass_kg**0.5
        landed = np.clip((at_s - self.put_s) / 0.4, 0.0, 1.0)
        aged = max(at_s - self.put_s - 0.4, 0.0)
        sunk = self.sinks * np.log10(1 + aged / 0.1) + self.shift_mm
        return self.from_mm + landed * (aim - self.from_mm) + sunk

    def put(self, mass_kg):
        self.from_mm = self.place_mm(self.now_s)
        self.mass_kg, self.put_s = mass_kg, self.now_s

    def run(self, seconds):
        count = round(seconds * self.rate_hz)
        time = self.now_s + np.arange(1, count + 1) / self.rate_hz
        at = np.array([self.place_mm(t) for t in time]) + NOISE_MM * self.rng.standard_normal(count)
        self.now_s = float(time[-1])
        self.said += self.follower.feed(time, np.round(at, 3))

    def texts(self):
        return [s.text for s in self.said]


def test_a_weight_counts_when_it_was_confirmed_and_has_settled():
    bench = Bench(procedure(0.05, 0.2))
    bench.run(2)
    bench.put(0.05)
    bench.run(2)
    bench.follower.confirm()
    bench.run(0.4)
    assert bench.follower.is_active
    assert any("hands off until it has settled" in t for t in bench.texts())
    bench.run(8)
    [first] = bench.follower.attempts
    assert (first.good, first.mass_kg, first.do) == (True, 0.05, "weight")
    assert first.to_s - first.from_s >= 3.0
    assert bench.follower.step.mass_kg == 0.2
    bench.put(0.2)
    bench.run(1.5)
    bench.follower.confirm()
    bench.run(20)
    assert bench.follower.done
    assert [a.good for a in bench.follower.attempts] == [True, True]
    assert not bench.follower.shortened


def test_nothing_counts_without_the_operators_word():
    bench = Bench(procedure(0.05))
    bench.run(2)
    bench.put(0.05)
    bench.run(60)
    assert bench.follower.attempts == []
    assert not bench.follower.is_active, "a recorder may run out of patience with whoever says nothing"


def test_a_word_before_the_first_reading_counts():
    """It used to be lost, and the operator waited for padlab while padlab waited for the operator."""
    bench = Bench(procedure(0.2))
    bench.follower.confirm()
    bench.put(0.2)
    bench.run(12)
    assert [a.mass_kg for a in bench.follower.attempts] == [0.2]


def test_an_enter_too_many_confirms_no_later_weight():
    bench = Bench(procedure(0.05, 0.2))
    bench.put(0.05)
    bench.run(2)
    bench.follower.confirm()
    bench.run(1)
    bench.follower.confirm()
    bench.run(20)
    assert len(bench.follower.attempts) == 1
    assert bench.follower.step.mass_kg == 0.2
    assert not bench.follower.is_active


def test_a_weight_that_is_changed_too_soon_does_not_count_and_the_run_goes_on():
    bench = Bench(procedure(0.2, 0.4, seconds=6))
    bench.put(0.2)
    bench.run(2)
    bench.follower.confirm()
    bench.run(4)
    bench.put(0.4)
    bench.run(2)
    [first] = bench.follower.attempts
    assert not first.good
    assert "changed before it had settled" in first.reason
    assert any("does not count" in t for t in bench.texts())
    bench.follower.confirm()
    bench.run(12)
    assert bench.follower.done
    assert bench.follower.shortened == [f"w, 200 g: {first.reason}"]


def test_a_pad_that_will_not_rest_is_read_late_and_said_so():
    bench = Bench(procedure(0.2))
    bench.put(0.2)
    bench.run(2)
    bench.follower.confirm()
    for _ in range(70):                       # draughts, a lorry: the indicator wanders and wanders
        bench.shift_mm += 0.01
        bench.run(1)
    [first] = bench.follower.attempts
    assert not first.good
    assert first.reason.startswith("it had not settled after 6")


def test_missing_readings_spoil_the_weight_that_lay_on_the_pad():
    bench = Bench(procedure(0.2, 0.4))
    bench.put(0.2)
    bench.run(2)
    bench.follower.confirm()
    bench.run(1)
    bench.follower.lost()
    bench.now_s += 5
    bench.run(2)
    [first] = bench.follower.attempts
    assert first.reason == "readings are missing while it lay on the pad"


@pytest.mark.parametrize("rate_hz", [4.0, 10.0, 50.0])
def test_without_a_word_the_indicator_decides_through_lifts_and_landings(rate_hz):
    plan = procedure(0.05, 0.4, 0.05, 0.9, away_s=3)
    bench = Bench(plan, yes_after_s=0.6, rate_hz=rate_hz)
    bench.run(3)
    for mass in (0.05, 0.4, 0.05, 0.9):
        bench.put(mass)
        bench.run(14)
        bench.put(None)
        bench.run(3.5)
    bench.run(2)
    assert bench.follower.done
    assert [(a.mass_kg, a.good) for a in bench.follower.attempts if a.do == "weight"] == [
        (0.05, True), (0.4, True), (0.05, True), (0.9, True)]


def test_a_pad_that_only_sinks_is_no_new_weight():
    """It used to confirm the next weight as soon as a felt had sunk by 3 um."""
    bench = Bench(procedure(0.2, 0.9), yes_after_s=0.6, sinks=0.04)
    bench.run(3)
    bench.put(0.2)
    bench.run(60)
    assert [a.mass_kg for a in bench.follower.attempts] == [0.2]
    assert bench.follower.step.mass_kg == 0.9
    assert not bench.follower.is_active


def test_the_answer_does_not_depend_on_how_readings_arrive():
    found = []
    for piece in (1, 3, 17, 1000):
        bench = Bench(procedure(0.05, 0.4), yes_after_s=0.6)
        time, at = [], []
        for mass, seconds in ((None, 3), (0.05, 12), (0.4, 12)):
            bench.put(mass)
            count = round(seconds * 10)
            t = bench.now_s + np.arange(1, count + 1) / 10
            at += [bench.place_mm(x) for x in t]
            time += t.tolist()
            bench.now_s = float(t[-1])
        noisy = np.array(at) + NOISE_MM * np.random.default_rng(5).standard_normal(len(at))
        for k in range(0, len(time), piece):
            bench.follower.feed(np.array(time[k:k + piece]), noisy[k:k + piece])
        found.append([(a.from_s, a.to_s, a.good) for a in bench.follower.attempts])
    assert len(found[0]) == 2
    assert all(f == found[0] for f in found)


def test_readings_that_are_not_looked_at_any_more_are_let_go():
    bench = Bench(procedure(0.2))
    bench.run(120)
    assert bench.follower._time.size < 10 * 10, "linear in time, however long the operator takes"
    assert bench.follower.progress().startswith("200 g: Enter when it is on")
