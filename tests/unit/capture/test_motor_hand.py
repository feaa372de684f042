"""The hand of a motor on the virtual press, turn by turn, without a port: what truly happened is judged."""

from __future__ import annotations

import copy
from collections import deque

import numpy as np
import pytest

from padlab.capture.motor_hand import MotorHand
from padlab.capture.motor_limits import Halt, Limits
from padlab.capture.procedure import procedure_from_table
from padlab.capture.rig import read_rig
from padlab.capture.steps import StepFollower
from padlab.capture.virtual.motor_press import MotorPress, PressFaults, Spring
from padlab.capture.virtual.physics import bare_anvils
from padlab.capture.virtual.stocks import make_pad

TURN_S, LATE_S = 0.02, 0.04
"""What a turn takes, and how late what is told arrives: a serial line and a busy computer."""
SAID_DELAY_S = 0.09
RIG = read_rig("motor-press")


def steps(*listed, kind="pad"):
    return procedure_from_table({"name": "test", "kind": kind, "peak_net_n": 12.5, "step": list(listed)},
                                source="test")


def stroke(to_n, count=1, **more):
    return {"do": "stroke", "label": "recorded", "to_n": to_n, "count": count, **more}


class Lockstep:
    """Press, hand and follower, one turn after another; nothing waits for a real clock."""

    def __init__(self, piece, procedure, *, faults=None, late_s=LATE_S, seed=0, rests_at_mm=0.1):
        self.press = MotorPress(RIG, piece, rng=np.random.default_rng(seed), faults=faults,
                                rests_at_mm=rests_at_mm)
        self.hand = MotorHand(RIG.motor, ceiling_n=25.0, peak_n=procedure.peak_net_n)
        self.limits = Limits(force_n=21.0, travel_mm=4.0, stall_s=1.0)
        self.procedure, self.follower, self.late_s = procedure, StepFollower(procedure), late_s
        self.on_its_way = deque()
        self.press.hear(b"on")

    def turn(self):
        lines, said = self.press.advance(TURN_S)
        assert not said
        read = np.array([[float(x) for x in line.split(b",")] for line in lines])
        time, force, place = 1e-6 * read[:, 1], 1e-3 * read[:, 2], 1e-3 * read[:, 3]
        self.hand.feel(time, force)
        self.hand.look(place)
        self.limits.force(force.tolist())
        self.limits.place(self.hand.place_mm)
        self.follower.feed(time, force)
        if self.follower.zero_n is not None:
            speed = self.hand.speed(self.follower, delay_s=SAID_DELAY_S)
            self.limits.motion(self.hand.time_s, self.hand.told_mm, self.hand.place_mm, self.hand.force_n)
            self.on_its_way.append((self.press.time_s + self.late_s, RIG.motor.speed_text(speed).encode()))
        while self.on_its_way and self.on_its_way[0][0] <= self.press.time_s:
            self.press.hear(self.on_its_way.popleft()[1])
        self.press.hear(b"alive")

    def play(self, limit_s=400.0):
        while not self.follower.done:
            assert self.press.time_s < limit_s, self.follower.attempts
            self.turn()
        return self

    def during(self, attempt, share=0.0):
        """True force between two times of an attempt, from a share of it on."""
        seen = np.array(self.press.force_seen)
        from_s = attempt.from_s + share * (attempt.to_s - attempt.from_s)
        return seen[(seen[:, 0] >= from_s) & (seen[:, 0] < attempt.to_s), 1]


def poor(played):
    return [(a.label, a.reason) for a in played.follower.attempts if not a.good] + played.follower.shortened


PIECES = {"spring": Spring, "wool felt": lambda: make_pad("wool felt"),
          "soft neoprene": lambda: make_pad("soft neoprene"),
          "dense polymer": lambda: make_pad("dense polymer")}


@pytest.mark.parametrize("name", PIECES)
def test_strokes_come_softly_to_the_asked_force(name):
    played = Lockstep(PIECES[name](), steps(stroke(12.5, 2), stroke(3.0), stroke(6.0, pace="quick"))).play()
    assert poor(played) == []
    for attempt in played.follower.attempts:
        asked = played.procedure.steps[attempt.step].to_n
        assert -0.02 * asked - 0.03 < played.during(attempt).max() - asked < 0.03 * asked
    assert max(f for _, f, _ in played.press.force_seen) < 12.5 * 1.03


def test_bare_anvils_are_pressed_as_softly():
    played = Lockstep(bare_anvils(), steps(
        {"do": "bare", "label": "recorded", "to_n": 18.0, "count": 3}, kind="blank")).play()
    assert poor(played) == []
    assert 17.5 < max(f for _, f, _ in played.press.force_seen) < 18.4


def test_a_press_keeps_the_pace_of_the_bench():
    played = Lockstep(make_pad("wool felt"), steps(stroke(12.5, 4))).play()
    seen = np.array(played.press.force_seen)
    for attempt in played.follower.attempts[1:]:
        inside = (seen[:, 0] > attempt.from_s) & (seen[:, 0] < attempt.to_s)
        pressing = inside & (seen[:, 2] > 0)
        assert 0.1 <= np.quantile(seen[pressing, 2], 0.5) <= 0.2
        assert seen[inside, 2].max() < 0.2
        assert pressing.sum() * TURN_S > 2.0


def test_a_held_force_stays_and_a_light_touch_is_light():
    played = Lockstep(make_pad("wool felt"), steps(
        stroke(6.0), {"do": "hold", "label": "hold", "to_n": 3.5, "seconds": 15},
        {"do": "rest", "label": "rest", "seconds": 10})).play()
    assert poor(played) == []
    hold, rest = played.follower.attempts[-2:]
    held, touched = played.during(hold, 0.5), played.during(rest, 0.5)
    assert held.mean() == pytest.approx(3.5, rel=0.015)
    assert held.std() / held.mean() < 0.005                  # no hand does that: 0.01 to 0.02
    assert played.during(hold).max() < 1.03 * 3.5
    assert touched.mean() == pytest.approx(0.25, abs=0.03)
    assert played.during(rest, 0.1).max() < 0.35


def test_what_is_kept_is_kept_in_place_and_what_is_left_alone_has_air():
    played = Lockstep(make_pad("wool felt"), steps(
        stroke(6.0), {"do": "keep", "label": "locked", "to_n": 8.0, "seconds": 12},
        {"do": "away", "label": "recovery", "seconds": 6})).play()
    assert poor(played) == []
    _, kept, away = played.follower.attempts
    seen = np.array(played.press.force_seen)
    inside = (seen[:, 0] > kept.to_s - 8) & (seen[:, 0] < kept.to_s - 0.2)
    assert (seen[inside, 2] == 0).all()                      # the motor stood
    assert seen[inside][-1, 1] < seen[inside][0, 1]          # and the pad relaxed
    assert (played.during(away, 0.5) == 0).all()


def test_a_passage_is_played_with_mixed_strokes():
    played = Lockstep(make_pad("wool felt"), steps(
        stroke(6.0), {"do": "free", "label": "passage", "seconds": 40})).play()
    force = played.during(played.follower.attempts[-1])
    pieces = np.split(force, np.flatnonzero(np.diff((force > 0.3).astype(int))))
    peaks = [p.max() for p in pieces if p.max() > 0.5]
    assert len(peaks) > 5
    assert max(peaks) < 13.5
    assert max(peaks) > 1.5 * min(peaks)


def test_a_slower_line_than_said_is_noticed_at_the_first_stop():
    played = Lockstep(make_pad("wool felt"), steps(stroke(12.5, 2)), late_s=0.16).play()
    assert played.hand.seen_delay_s == pytest.approx(0.22, abs=0.05)       # with a reading, the motor
    assert max(f for _, f, _ in played.press.force_seen) < 12.5 * 1.04


@pytest.mark.parametrize("name", ["spring", "dense polymer"])
def test_left_alone_at_any_moment_the_watchdog_stops_it_below_the_cells_limit(name):
    """Killed at every half second of a run: nothing is sent any more, what was told goes on."""
    played = Lockstep(PIECES[name](), steps(stroke(18.0, 2)))
    worst, tried = 0.0, 0
    while not played.follower.done:
        for _ in range(25):
            played.turn()
        if played.press.speed_mm_per_s <= 0:
            continue
        alone = copy.deepcopy(played.press)
        _, said = alone.advance(1.0)
        assert said == [b"stopped: nobody spoke"]
        assert alone.speed_mm_per_s == 0.0
        worst, tried = max(worst, max(f for _, f, _ in alone.force_seen)), tried + 1
    assert tried > 5
    assert worst < 25.0


@pytest.mark.parametrize(("faults", "words"), [
    (PressFaults(backwards=True), "runs the wrong way"),
    (PressFaults(times_too_fast=60.0), "runs too fast"),
    (PressFaults(times_too_fast=1 / 60), "stalled"),
    (PressFaults(times_too_fast=1 / 3), "moves too little or not at all"),
    (PressFaults(gauge_stuck=True), "whether the gauge follows the anvil"),
    (PressFaults(jams_at_n=6.0), "stalled"),
    (PressFaults(cell_sticks_at_n=6.0), "over the motor's limit of 21 N"),
])
def test_what_is_wrong_with_the_press_ends_it_before_it_hurts(faults, words):
    played = Lockstep(Spring(), steps(stroke(12.5)), faults=faults, rests_at_mm=0.5)
    with pytest.raises(Halt, match=words) as halt:
        played.play()
    assert "start a new run" in str(halt.value) or "check" in str(halt.value)
    assert max(f for _, f, _ in played.press.force_seen) < 8.0


def test_a_zero_taken_under_load_is_noticed():
    piece = Spring()
    played = Lockstep(piece, steps(stroke(12.5)), rests_at_mm=-0.05)      # it presses with 1 N from the start
    played.press._follow()
    with pytest.raises(Halt, match="zero was taken under load"):
        played.play()


def test_without_a_pad_it_goes_no_farther_than_its_travel():
    class Nothing(Spring):
        gap_mm = 100.0
        force_n = 0.0

        def move_to(self, travel_mm, dt_s):
            self.travel_mm = travel_mm
            return 0.0

    played = Lockstep(Nothing(), steps(stroke(12.5)))
    with pytest.raises(Halt, match="is there a pad, does the cell feel it"):
        played.play()
    assert played.press.screw_mm < 4.3


def test_presses_that_never_count_end_it():
    played = Lockstep(Spring(), steps(stroke(12.5, 9)))
    follower, feed = played.follower, played.follower.feed
    lost = []

    def spoilt(time, force):
        said = feed(time, force)
        if force[-1] > 6 and not lost:
            lost.append(follower.lost())
        if force[-1] < 1:
            lost.clear()
        return said

    follower.feed = spoilt
    with pytest.raises(Halt, match="4 presses running did not count: readings are missing"):
        played.play()
