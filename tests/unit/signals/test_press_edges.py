"""Presses, holds and dips at the edges of their definitions, in records made of straight lines."""

from __future__ import annotations

import numpy as np
import pytest

from padlab.signals.cycles import common_peak, find_presses


def lines(*points: tuple[float, float], rate_hz: float = 50.0) -> tuple[np.ndarray, np.ndarray]:
    """Time and force along straight lines through (seconds, newtons)."""
    at, force = np.array(points).T
    time = np.arange(at[0], at[-1] + 0.5 / rate_hz, 1 / rate_hz)
    return time, np.interp(time, at, force)


def test_a_press_runs_from_the_last_to_the_first_reading_at_or_under_f0() -> None:
    force = np.array([0.0, 0.25, 0.25, 0.3, 0.9, 1.0, 5.0, 4.0, 0.6, 0.5, 0.49, 0.3, 0.25, 0.25, 0.0])
    (press,) = find_presses(np.arange(force.size) * 0.02, force)
    assert (press.number, press.start, press.peak, press.stop) == (1, 2, 6, 13)
    assert press.complete
    assert press.peak_n == 4.0                           # the middle of the three highest: one may be a knock


@pytest.mark.parametrize(("peak_n", "presses"), [(0.99, 0), (1.0, 1)])
def test_a_press_reaches_one_newton(peak_n: float, presses: int) -> None:
    assert len(find_presses(*lines((0, 0), (1, 0), (2, peak_n), (3, 0), (4, 0)))) == presses


@pytest.mark.parametrize(("between_n", "presses"), [(0.52, 1), (0.48, 2)])
def test_a_press_ends_below_half_a_newton(between_n: float, presses: int) -> None:
    found = find_presses(*lines((0, 0), (1, 5), (2, between_n), (3, 6), (4, 0), (5, 0)))
    assert len(found) == presses
    assert [p.number for p in found] == list(range(1, presses + 1))


def test_limbs_that_never_reach_f0_end_where_the_neighbour_begins() -> None:
    """Between 5 N and 6 N a finger rests at 0.4 N; neither press is whole, and they share no reading."""
    time, force = lines((0, 0), (1, 5), (2, 0.4), (3, 0.4), (4, 6), (5, 0), (6, 0))
    first, second = find_presses(time, force)
    assert not first.complete
    assert not second.complete
    assert force[first.start] <= 0.25 < force[first.start + 1]
    assert force[second.stop - 1] <= 0.25 < force[second.stop - 2]
    rise, fall = np.flatnonzero(force >= 1.0), np.flatnonzero(force < 0.5)
    assert first.stop == rise[rise > np.searchsorted(time, 2.5)][0]
    assert second.start == fall[fall > np.searchsorted(time, 1.0)][0]


def test_two_presses_may_share_the_one_reading_between_them() -> None:
    """A hand so quick that one reading alone is under F0."""
    first, second = find_presses(np.arange(10) * 0.02, np.array([0.0, 0, 5, 6, 5, 0, 5, 7, 5, 0]))
    assert (first.start, first.stop, first.complete) == (1, 6, True)
    assert (second.start, second.stop, second.complete) == (5, 10, True)


def test_a_record_that_begins_or_ends_pressed_has_a_press_that_is_not_whole() -> None:
    time, force = lines((0, 4), (1, 5), (2, 0), (3, 0), (4, 6), (5, 3))
    first, second = find_presses(time, force)
    assert (first.start, first.complete, first.peak) == (0, False, 50)
    assert (second.stop, second.complete) == (force.size, False)
    assert second.peak_n == pytest.approx(6.0, abs=0.3)


def test_tremor_between_the_thresholds_is_not_a_press() -> None:
    time, force = lines((0, 0), (1, 5), (1.5, 0.6), (1.6, 0.95), (1.7, 0.6), (2.5, 0), (3, 0))
    assert len(find_presses(time, force)) == 1


# -- holds -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("held_s", "is_hold"), [(3.5, False), (4.0, True)])
def test_a_hold_lasts_four_seconds(held_s: float, is_hold: bool) -> None:
    """The way in and out of the band of 12 % takes 0.12 s on either side."""
    (press,) = find_presses(*lines((0, 0), (1, 5), (1 + held_s, 5), (2 + held_s, 0), (3 + held_s, 0)))
    assert press.is_hold is is_hold


def test_the_level_stretch_lies_within_twelve_hundredths_of_the_level() -> None:
    time, force = lines((0, 0), (2, 10), (12, 10), (14, 0), (15, 0))
    (press,) = find_presses(time, force)
    assert press.hold is not None
    a, b = press.hold
    assert (time[a], time[b - 1]) == pytest.approx((1.76, 12.24), abs=0.021)
    assert force[a:b].min() == pytest.approx(8.8, abs=0.11)


def test_a_slow_stroke_is_no_hold_however_long() -> None:
    (press,) = find_presses(*lines((0, 0), (20, 10), (40, 0), (41, 0)))
    assert press.hold is None


@pytest.mark.parametrize(("slow_s", "is_hold"), [(5.0, True), (12.0, False)])
def test_a_hold_is_mostly_level(slow_s: float, is_hold: bool) -> None:
    """Ten seconds held, then let go over some: with 12 s more than 40 % of the press is no hold."""
    (press,) = find_presses(*lines((0, 0), (1, 10), (11, 10), (11 + slow_s, 0), (12 + slow_s, 0)))
    assert press.is_hold is is_hold


@pytest.mark.parametrize(("away_s", "is_hold"), [(1.0, True), (4.0, False)])
def test_a_hold_that_was_left_for_long_is_none(away_s: float, is_hold: bool) -> None:
    """In the middle of ten seconds the force goes 30 % over its level and comes back."""
    (press,) = find_presses(*lines(
        (0, 0), (0.2, 5), (5, 5), (5.01, 6.5), (5 + away_s, 6.5), (5.01 + away_s, 5), (10 + away_s, 5),
        (10.2 + away_s, 0), (11 + away_s, 0)))
    assert press.is_hold is is_hold


def test_the_level_is_that_of_the_upper_half_by_force() -> None:
    """What a hand did below half of the peak says nothing of the level: two seconds at 2 N, five at 5 N."""
    (press,) = find_presses(*lines((0, 0), (0.2, 2), (2.2, 2), (2.4, 5), (7.4, 5), (7.6, 0), (8, 0)))
    assert press.hold is not None
    (other,) = find_presses(*lines((0, 0), (0.2, 2), (5.2, 2), (5.4, 5), (10.4, 5), (10.6, 0), (11, 0)))
    assert other.hold is None                            # half of the press is not level


def test_nine_level_readings_are_too_few_for_a_hold() -> None:
    """Two readings a second: long enough and level, but of nine and of ten readings."""
    for count, is_hold in ((9, False), (10, True)):
        force = np.array([0.0, *[5.0] * count, 0.0, 0.0])
        (press,) = find_presses(np.arange(force.size) * 0.5, force)
        assert press.is_hold is is_hold


# -- dips ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("fall_n", "rise_n", "dips"), [
    (8.4, 10.0, 1), (8.6, 10.0, 0), (5.0, 6.6, 1), (5.0, 6.4, 0)])
def test_a_dip_falls_and_rises_by_fifteen_hundredths_of_the_peak(
        fall_n: float, rise_n: float, dips: int) -> None:
    """The peak is 10 N: 1.5 N down, and 1.5 N up again."""
    (press,) = find_presses(*lines((0, 0), (1, 10), (2, fall_n), (3, rise_n), (5, 0), (6, 0)))
    assert press.dips == dips


@pytest.mark.parametrize("step_n", [0.02, 0.5])
def test_a_dip_between_two_level_tops_is_seen(step_n: float) -> None:
    """Two equal readings at the very top, as a coarse scale gives them, used to hide the dip after them."""
    time, force = lines((0, 0), (1, 10), (1.2, 10), (2, 6), (2.2, 6), (3, 10), (3.2, 10), (5, 0), (6, 0))
    (press,) = find_presses(time, np.round(force / step_n) * step_n)
    assert press.dips == 1


def test_every_dip_counts_and_a_small_one_within_does_not() -> None:
    (press,) = find_presses(*lines(
        (0, 0), (1, 10), (2, 6), (3, 8), (4, 4), (4.2, 5), (4.4, 3), (5, 9), (6, 0), (7, 0)))
    assert press.dips == 2
    (deeper,) = find_presses(*lines(
        (0, 0), (1, 10), (2, 8), (2.1, 9), (3, 5), (4, 6), (4.5, 9), (6, 0), (7, 0)))
    assert deeper.dips == 1                              # counted from the deepest place on


# -- the common peak -------------------------------------------------------------------------------


def test_the_largest_of_several_equally_common_peaks() -> None:
    assert common_peak(np.array([3.0, 18.0, 9.0])) == 18.0
    assert common_peak(np.array([3.0, 3.1, 18.0])) == 3.1
    assert common_peak(np.array([10.0, 10.6, 5.0]), share=0.05) == 10.6
    assert common_peak(np.array([10.0, 10.0, 10.6, 10.6]), share=0.05) == 10.6
