"""The force zero and the crossing where they are known in closed form, and at the edges of what they take."""

from __future__ import annotations

import numpy as np
import pytest

from padlab.records.pad import F0_N
from padlab.signals.contact import MIN_IDLE, crossing, force_zero

K = 40.0


def record(idle: int, *presses: tuple[float, float], after: int = 60, noise_n: float = 0.0, seed: int = 0,
           ) -> tuple[np.ndarray, np.ndarray]:
    """Idle samples, presses as (peak, force let go to), idle samples: force and position of a spring."""
    force, position, begins = [np.zeros(idle)], [np.zeros(idle)], 0.0
    for peak, rest in presses:
        press = np.concatenate([
            np.linspace(begins, peak, 40), np.linspace(peak, rest, 40)[1:], np.full(20, rest)])
        force.append(press)
        position.append(0.3 + press / K)
        begins = rest
    force.append(np.zeros(after))
    position.append(np.zeros(after))
    f = np.concatenate(force)
    return f + noise_n * np.random.default_rng(seed).standard_normal(f.size), np.concatenate(position)


def test_the_noise_is_that_of_one_reading_and_the_zero_is_known_as_a_median_is() -> None:
    """White noise of sd s: the median of n has sd sqrt(pi/2) s / sqrt(n) (Kendall & Stuart, from memory)."""
    force, position = record(20_000, (10.0, 0.0), noise_n=0.004)
    zero = force_zero(force, position)
    assert zero.source == "idle"
    assert zero.noise_n == pytest.approx(0.004, rel=0.03)
    shift = abs(zero.end_shift_n or 0.0)
    at_start = np.sqrt(zero.standard_uncertainty_n**2 - shift**2 / 3)
    assert at_start == pytest.approx(np.sqrt(np.pi / 2) * 0.004 / np.sqrt(20_000), rel=0.08)
    tared = force_zero(force + 5.0, position)
    assert tared.value_n == pytest.approx(zero.value_n + 5.0, abs=1e-9)
    assert tared.standard_uncertainty_n == pytest.approx(zero.standard_uncertainty_n, rel=1e-6)


def test_readings_that_hang_together_count_for_fewer() -> None:
    """An autoregressive row with r: n_eff = n (1 - r) / (1 + r)."""
    rng, r = np.random.default_rng(1), 0.8
    row = np.zeros(20_000)
    for i, step in enumerate(rng.standard_normal(row.size)):
        row[i] = r * row[i - 1] + step
    row *= 0.004 / row.std()
    force, position = row, np.zeros(row.size)            # never touched: no end to compare with
    zero = force_zero(force, position)
    assert zero.end_shift_n is None
    white = np.sqrt(np.pi / 2) * 0.004 / np.sqrt(row.size)
    assert zero.standard_uncertainty_n == pytest.approx(white * np.sqrt((1 + r) / (1 - r)), rel=0.08)


def test_a_shift_of_the_zero_is_a_doubt_of_it_as_a_rectangle() -> None:
    force, position = record(4000, (10.0, 0.0), noise_n=0.001)
    force[-60:] += 0.03
    zero = force_zero(force, position)
    assert zero.end_shift_n == pytest.approx(0.03, abs=1e-3)
    assert not zero.drifted
    assert zero.standard_uncertainty_n == pytest.approx(0.03 / np.sqrt(3), rel=0.03)


@pytest.mark.parametrize(("shift_n", "drifted"), [
    (0.045, False), (-0.045, False), (0.055, True), (-0.055, True)])
def test_a_zero_may_move_by_five_hundredths_of_a_newton(shift_n: float, drifted: bool) -> None:
    force, position = record(200, (10.0, 0.0), noise_n=0.001)
    force[-60:] += shift_n
    assert force_zero(force, position).drifted is drifted


def test_a_noisy_zero_may_move_by_six_of_its_noises() -> None:
    """With 20 mN of noise 0.1 N is five: nothing is said; 0.15 N is more than seven."""
    force, position = record(2000, (10.0, 0.0), after=400, noise_n=0.02)
    for shift, drifted in ((0.10, False), (0.15, True)):
        moved = force.copy()
        moved[-400:] += shift
        assert force_zero(moved, position).drifted is drifted


def test_without_an_idle_stretch_the_lowest_force_stands_for_the_zero() -> None:
    """0.2 % of the readings lie under it, and F0/2 is its doubt."""
    force = np.linspace(1.0, 11.0, 1001)
    zero = force_zero(force, np.zeros(1001))
    assert (zero.source, zero.end_shift_n, zero.drifted) == ("lowest", None, False)
    assert zero.value_n == pytest.approx(1.02)
    assert zero.standard_uncertainty_n == F0_N / 2
    noise = 0.01 * np.random.default_rng(0).standard_normal(20_000)      # seen though the force rises
    assert force_zero(np.linspace(1, 1000, 20_000) + noise, noise).noise_n == pytest.approx(0.01, rel=0.03)
    nothing = force_zero(np.zeros(0), np.zeros(0))
    assert (nothing.value_n, nothing.source) == (0.0, "lowest")


@pytest.mark.parametrize(("still", "source"), [(MIN_IDLE + 2, "lowest"), (MIN_IDLE + 3, "idle")])
def test_half_a_second_must_be_idle_and_the_last_readings_before_a_press_do_not_count(
        still: int, source: str) -> None:
    force = np.concatenate([np.zeros(still), np.linspace(1.0, 18.0, 300)])
    assert force_zero(force, np.zeros(force.size)).source == source


def test_a_touch_in_the_first_readings_does_not_end_the_idle_stretch() -> None:
    """A finger still on the button as the recording begins; the idle level comes after."""
    force = np.concatenate([np.full(10, 0.5), np.zeros(200), np.linspace(0.0, 18.0, 300)])
    zero = force_zero(force, np.zeros(force.size))
    assert zero.source == "idle"
    assert zero.value_n == 0.0


def test_an_indicator_that_did_not_go_back_halfway_is_still_loaded() -> None:
    """First contact near 0.3 mm: an end at 0.10 mm counts as unloaded, one at 0.20 mm does not."""
    force, position = record(100, (10.0, 0.0))
    force[-60:] += 0.02
    for at, seen in ((0.10, 0.02), (0.20, None)):
        position[-60:] = at
        assert force_zero(force, position).end_shift_n == pytest.approx(seen)
    flat = np.where(position > 0.29, 0.015, 0.0)         # an indicator that hardly moves tells nothing
    assert force_zero(force, flat).end_shift_n is None


@pytest.mark.parametrize(("late_n", "drifted"), [(0.15, False), (0.25, True), (-0.03, False), (-0.07, True)])
def test_a_floor_that_moves_between_presses_is_a_drift(late_n: float, drifted: bool) -> None:
    """Of nine presses the lowest of the first four rests against that of the last four.

    One rest lies well below the others on either side, so that neither mean nor middle would do.
    """
    early, late = [0.30, 0.10, 0.32, 0.30], [0.35, 0.36, 0.10 + late_n, 0.36]
    rests = [*early, 0.4, *late, 0.5]
    force, position = record(100, *[(10.0, rest) for rest in rests])
    position[-60:] = 0.35                                # it ends resting: the end itself says nothing
    zero = force_zero(force, position)
    assert zero.end_shift_n is None
    assert zero.drifted is drifted


@pytest.mark.parametrize(("early", "drifted"), [(3, False), (4, True)])
def test_fewer_than_eight_rests_are_too_few_to_judge_the_floor_by(early: int, drifted: bool) -> None:
    """Between eight presses there are seven floors, between nine eight."""
    force, position = record(100, *[(10.0, 0.0)] * early, *[(10.0, 0.6)] * 5)
    position[-60:] = 0.35
    assert force_zero(force, position).drifted is drifted


# -- the crossing ----------------------------------------------------------------------------------


@pytest.mark.parametrize("at_n", [0.25, 0.5, 3.5])
def test_the_crossing_of_a_parabola_is_exact(at_n: float) -> None:
    """Where x is a parabola of F, the fit near the crossing has no error of its own."""
    force = np.linspace(0.0, 2.5 * at_n, 60)
    position = 0.1 + 0.03 * force - 0.004 * force**2
    true = 0.1 + 0.03 * at_n - 0.004 * at_n**2
    assert crossing(position, force, at_n=at_n) == pytest.approx(true, abs=1e-12)


def test_of_six_readings_a_straight_line_is_drawn() -> None:
    """Fewer than seven do not bear a parabola: its bend would be the noise of one reading."""
    force = np.array([0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.44, 2.0, 3.0, 4.0, 5.0])
    position = 0.01 * force
    position[3] += 0.001
    near = np.abs(force - 0.25) <= 0.2
    line = np.polyfit(force[near] - 0.25, position[near], 1)
    assert near.sum() == 6
    assert crossing(position, force, at_n=0.25) == pytest.approx(line[1], abs=1e-12)


def test_a_step_between_two_readings_is_shared_out_in_proportion() -> None:
    """Too quick for a line of several readings: from 0 N at 0.2 mm to 2 N at 0.4 mm, F0 lies at 0.225 mm."""
    force = np.array([0.0] * 10 + [2.0, 4.0, 6.0, 8.0, 10.0, 12.0])
    position = np.array([0.2] * 10 + [0.4, 0.5, 0.6, 0.7, 0.8, 0.9])
    assert crossing(position, force, at_n=0.25) == pytest.approx(0.225, abs=1e-12)


def test_one_or_four_readings_over_the_level_are_no_contact() -> None:
    force = np.zeros(40)
    force[10:14] = 1.0                                   # a knock
    assert crossing(np.arange(40.0), force) is None
    force[20:] = 1.0
    assert crossing(np.arange(40.0), force) == pytest.approx(19.25)
    force[14] = 1.0                                      # five of them are, but a later rise is the one
    assert crossing(np.arange(40.0), force) == pytest.approx(19.25)


def test_what_begins_over_the_level_does_not_cross_it() -> None:
    assert crossing(np.arange(20.0), np.full(20, 1.0)) is None
    assert crossing(np.arange(6.0), np.array([0.0, 1, 1, 1, 1, 1])) == pytest.approx(0.25)
    assert crossing(np.arange(5.0), np.array([0.0, 1, 1, 1, 1])) is None


def test_a_stroke_soon_after_another_crosses_though_the_other_is_still_in_sight() -> None:
    """A slow rig reads five times at rest between two strokes: their contact used not to be found."""
    force = np.concatenate([np.linspace(8, 0, 9), np.zeros(5), np.linspace(0, 8, 41)[1:]])
    position = np.where(np.arange(force.size) < 9, 0.4, 0.1 + force / K)
    assert crossing(position, force) == pytest.approx(0.1 + 0.25 / K, abs=1e-9)
