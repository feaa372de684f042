"""The skew of two records where it is known: its drift, its doubt, and what is too little to tell it by."""

from __future__ import annotations

import numpy as np
import pytest

from padlab.errors import FitError
from padlab.signals.skew import SkewEstimate, estimate_skew, spring_skew

STEP_S = 0.01


def way(s: np.ndarray) -> np.ndarray:
    """Of three periods that do not fit into each other, so that no lag but the true one fits [mm]."""
    return (0.15 * (1 - np.cos(2 * np.pi * 0.37 * s)) + 0.05 * np.sin(2 * np.pi * 0.83 * s)
            + 0.01 * np.sin(2 * np.pi * 1.41 * s))


def found(seconds: float, *, skew_s: float = 0.023, drift: float = 0.0, noise_mm: float = 0.0, **more: float,
          ) -> SkewEstimate:
    """What is found of a force that shows the way later, by a lag that grows with time from its middle on."""
    rng = np.random.default_rng(3)
    t = np.arange(0.0, seconds, STEP_S)
    late = skew_s + drift * (t - seconds / 2)
    x = way(t) + noise_mm * rng.standard_normal(t.size)
    return estimate_skew(t, x, t, 40 * (way(t - late) + noise_mm * rng.standard_normal(t.size)), **more)


@pytest.mark.parametrize("drift", [3e-4, -2e-4])
def test_two_clocks_that_drift_apart_are_told_by_how_much_and_the_middle_holds(drift: float) -> None:
    told = found(60.0, drift=drift)
    assert told.drift == pytest.approx(drift, rel=0.05)
    assert told.skew_s == pytest.approx(0.023, abs=1e-4)
    assert told.stretches >= 29                          # of two seconds each
    assert told.degrees_of_freedom == told.stretches - 2     # a mean and a slope are spent
    assert told.standard_uncertainty_s == pytest.approx(0.004 * STEP_S, abs=1e-4)


def test_a_drift_is_told_where_noise_leaves_it_at_several_of_its_doubts() -> None:
    assert found(60.0, drift=3e-4, noise_mm=5e-4).drift == pytest.approx(3e-4, rel=0.3)


def test_what_does_not_drift_is_said_not_to() -> None:
    told = found(60.0, noise_mm=1e-4)
    assert told.drift == 0.0
    assert told.degrees_of_freedom == told.stretches - 1
    assert told.match > 0.99


def test_the_doubt_is_that_of_the_mean_of_stretches() -> None:
    """Of four times the time half the doubt; and the truth within three of it."""
    short, long = found(30.0, noise_mm=5e-4), found(120.0, noise_mm=5e-4)
    assert short.standard_uncertainty_s is not None
    assert long.standard_uncertainty_s is not None
    assert short.standard_uncertainty_s / long.standard_uncertainty_s == pytest.approx(2.0, rel=0.4)
    for told in (short, long):
        assert abs(told.skew_s - 0.023) < 3 * told.standard_uncertainty_s
        assert told.standard_uncertainty_s > 3e-5


def test_the_least_doubt_is_that_of_the_parabola() -> None:
    """Of clean records it is 0.4 % of a grid step at least."""
    told = found(60.0)
    assert told.standard_uncertainty_s is not None
    assert 0.004 * STEP_S <= told.standard_uncertainty_s < 0.012 * STEP_S


@pytest.mark.parametrize(("seconds", "stretches", "drift"), [(5.0, 3, None), (9.0, 4, None), (11.0, 5, 0.0)])
def test_a_stretch_is_two_seconds_and_of_three_at_least(seconds: float, stretches: int, drift: float | None,
                                                        ) -> None:
    """Whether the lag moves cannot be said of fewer than five."""
    told = found(seconds)
    assert told.stretches == stretches
    assert told.drift == drift
    assert told.degrees_of_freedom == stretches - 1


def test_where_only_two_stretches_moved_the_doubt_is_not_known() -> None:
    """A minute of which only the first four seconds have motion: one lag, no scatter to judge by."""
    t = np.arange(0.0, 60.0, STEP_S)
    rng = np.random.default_rng(0)
    still = np.where(t < 3.9, way(t), way(np.array([3.9]))[0])
    late = np.where(t < 3.923, way(t - 0.023), way(np.array([3.9]))[0])
    told = estimate_skew(t, still + 1e-6 * rng.standard_normal(t.size), t,
                         late + 1e-6 * rng.standard_normal(t.size))
    assert told.stretches == 2
    assert (told.standard_uncertainty_s, told.drift, told.degrees_of_freedom) == (None, None, 0)
    assert told.skew_s == pytest.approx(0.023, abs=1e-3)


@pytest.mark.parametrize(("skew_s", "longest_s"), [(0.19, 0.2), (-0.19, 0.2), (0.45, 0.5)])
def test_a_skew_near_the_longest_is_found(skew_s: float, longest_s: float) -> None:
    assert found(20.0, skew_s=skew_s, longest_s=longest_s).skew_s == pytest.approx(skew_s, abs=1e-4)


def test_three_times_the_longest_skew_must_be_in_common() -> None:
    assert found(1.6, longest_s=0.5).skew_s == pytest.approx(0.023, abs=2e-3)
    with pytest.raises(FitError, match="too short to find a skew"):
        found(1.4, longest_s=0.5)


def test_eight_readings_are_needed() -> None:
    few, many = 0.1 * np.arange(8), np.arange(0, 0.71, 0.01)
    with pytest.raises(FitError, match="cannot be compared"):
        estimate_skew(few[:7], way(few[:7]), many, way(many), longest_s=0.1)
    told = estimate_skew(few, way(few), many, way(many - 0.01), longest_s=0.1)
    assert told.skew_s == pytest.approx(0.01, abs=5e-3)


def test_a_knock_that_one_instrument_saw_moves_nothing() -> None:
    """A single reading far outside its neighbours, upwards or downwards, in either record."""
    t = np.arange(0.0, 30.0, STEP_S)
    clean = found(30.0).skew_s
    for knock in (2.0, -2.0):
        x, f = way(t), 40 * way(t - 0.023)
        x[[500, 1500]] += knock
        f[[901, 2100]] -= 40 * knock
        assert estimate_skew(t, x, t, f).skew_s == pytest.approx(clean, abs=1e-4)


@pytest.mark.parametrize("stiffness", [0.5, 4.0, 40.0])
def test_on_a_spring_the_line_gives_the_lag_whatever_its_stiffness(stiffness: float) -> None:
    """And whichever of the two is the quick one."""
    fast, slow = np.arange(0.0, 40.0, 0.02), np.arange(0.03, 40.0, 0.1)
    late_force = spring_skew(slow, way(slow), fast, stiffness * way(fast - 0.037))
    late_place = spring_skew(fast, stiffness * way(fast), slow, way(slow - 0.037))
    assert late_force.skew_s == pytest.approx(0.037, abs=1e-4)
    assert late_place.skew_s == pytest.approx(0.037, abs=1e-4)


def test_a_force_that_falls_as_the_other_rises_is_no_press_on_a_spring() -> None:
    t = np.arange(0.0, 40.0, 0.02)
    with pytest.raises(FitError, match="no skew fits"):
        estimate_skew(t, way(t), t, -40 * way(t - 0.037), longest_s=0.1)


def test_what_is_no_straight_line_keeps_the_peak_of_the_correlation() -> None:
    """A pad that stiffens steeply is no spring: 98 % of the variance must lie on a line."""
    t, slow = np.arange(0.0, 40.0, 0.02), np.arange(0.03, 40.0, 0.1)
    steep = np.exp(12 * way(t - 0.02))
    assert spring_skew(slow, way(slow), t, steep) == estimate_skew(slow, way(slow), t, steep)
