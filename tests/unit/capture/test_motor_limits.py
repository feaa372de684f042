"""The limits of a motor, held against readings that a test makes up."""

import numpy as np
import pytest

from padlab.capture.motor_limits import Halt, Limits


def limits(**more):
    return Limits(**{"force_n": 21.0, "travel_mm": 4.0, "stall_s": 1.0, **more})


def drive(made, told, place, force, dt=0.02):
    for i, (p, x, f) in enumerate(zip(told, place, force, strict=True)):
        made.motion(i * dt, p, x, f)


def test_one_damaged_reading_is_no_overload_but_stops_for_a_moment():
    made = limits()
    made.force([3.0, 24.0])
    assert made.is_pressed_too_hard
    made.force([3.0])
    assert not made.is_pressed_too_hard
    with pytest.raises(Halt, match="over the motor's limit of 21 N") as halt:
        made.force([-21.0, -21.1])
    assert [m.code for m in halt.value.marks] == ["over_range"]


@pytest.mark.parametrize("way", [4.01, -4.01])
def test_travel_is_limited_either_way_from_where_it_stood(way):
    made = limits()
    made.place(7.0)
    made.place(7.0 + 0.99 * way)
    with pytest.raises(Halt, match="over the motor's limit of 4 mm"):
        made.place(7.0 + way)


def ramp(speed, seconds=2.0, dt=0.02):
    return speed * dt * np.arange(round(seconds / dt))


def test_a_stall_is_seen_within_its_time():
    made, told = limits(), ramp(0.1)
    with pytest.raises(Halt, match=r"stalled: told to move by \+0\.\d+ mm within 1\.0 s"):
        drive(made, told, np.full(told.size, 5.0), np.full(told.size, 8.0))
    assert made._past[-1][0] == pytest.approx(1.0, abs=0.05)


@pytest.mark.parametrize(("place", "force"), [
    (lambda p: 5.0 + 0.9 * p, lambda p: np.zeros_like(p)),              # in air
    (lambda p: 5.0 + 0.001 * p, lambda p: 400 * p),                     # on bare anvils: the drive gives
    (lambda p: 5.0 + 0.9 * np.maximum(0, p - 0.03), lambda p: np.zeros_like(p)),    # after backlash
])
def test_what_moves_is_no_stall(place, force):
    told = ramp(0.1)
    drive(limits(), told, place(told), force(told))
    drive(limits(), -told, 10.0 - place(told), 20 - force(told))


def test_standing_and_holding_are_no_stall():
    drive(limits(), np.zeros(200), np.full(200, 5.0), np.full(200, 8.0))
    wander = 0.003 * np.sin(np.arange(200))
    drive(limits(), wander, np.full(200, 5.0), np.full(200, 8.0))


def test_a_turn_in_the_middle_is_no_stall():
    told = np.concatenate([ramp(0.1, 0.6), 0.06 - ramp(0.1, 1.0)])
    late = np.concatenate([np.zeros(8), told])[:told.size]
    drive(limits(), told, 5 + late, np.zeros(told.size))


def test_a_motor_that_runs_by_itself_is_seen():
    with pytest.raises(Halt, match="does not do what it is told"):
        drive(limits(), np.zeros(100), 5 + ramp(0.2), np.zeros(100))
    with pytest.raises(Halt, match="does not do what it is told"):
        drive(limits(), ramp(0.1), 5 + ramp(0.3), np.zeros(100))
