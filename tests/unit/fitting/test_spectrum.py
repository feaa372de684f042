"""A spectrum finds the time constants that were put in, says where it is known, and does not invent."""

import numpy as np
import pytest

from padlab.errors import FitError
from padlab.fitting.spectrum import condition_number, retardation_spectrum

TIME = np.geomspace(0.1, 100, 60)
NOISE_MM = 0.2e-3


def hold(parts, seed=0, at_once=0.2):
    clean = at_once + sum(j * -np.expm1(-TIME / tau) for tau, j in parts)
    return clean + NOISE_MM * np.random.default_rng(seed).standard_normal(TIME.size)


def middle(found, low, high):
    inside = (found.tau_s >= low) & (found.tau_s <= high)
    j = found.part_mm[inside]
    return float(np.exp(np.sum(j * np.log(found.tau_s[inside])) / j.sum())), float(j.sum())


@pytest.mark.parametrize("seed", range(5))
def test_two_time_constants_are_found_where_they_are(seed):
    found = retardation_spectrum(TIME, hold([(1.0, 0.02), (15.0, 0.03)], seed), noise_mm=NOISE_MM)
    assert found.is_within_noise
    first, second = middle(found, 0.1, 3.9), middle(found, 3.9, 100)
    assert first[0] == pytest.approx(1.0, rel=0.5)
    assert second[0] == pytest.approx(15.0, rel=0.5)
    assert first[1] == pytest.approx(0.02, rel=0.3)
    assert second[1] == pytest.approx(0.03, rel=0.3)
    assert found.at_once_mm == pytest.approx(0.2, abs=0.003)
    assert (found.part_mm >= 0).all()


def test_the_curve_lies_within_the_noise_and_not_on_it():
    x = hold([(1.0, 0.02), (15.0, 0.03)])
    found = retardation_spectrum(TIME, x, noise_mm=NOISE_MM)
    assert 0.7 < np.std(found.position_mm(TIME) - x) / NOISE_MM < 1.1


def test_a_log_law_gives_a_flat_spectrum_where_it_is_known():
    """Sinking by a fixed share a decade is a spectrum of one height (Ferry): c/ln(10) d ln tau."""
    x = 0.2 * (1 + 0.04 * np.log10(TIME)) + NOISE_MM * np.random.default_rng(1).standard_normal(TIME.size)
    found = retardation_spectrum(TIME, x, noise_mm=NOISE_MM, per_decade=6)
    low, high = found.known_s
    inside = (found.tau_s > low) & (found.tau_s < high)
    per_grid_step = 0.2 * 0.04 / 6
    assert np.mean(found.part_mm[inside]) == pytest.approx(per_grid_step, rel=0.15)


def test_what_does_not_fit_says_so():
    wild = 0.2 + 0.01 * np.sin(6 * np.log(TIME))
    assert not retardation_spectrum(TIME, wild, noise_mm=NOISE_MM).is_within_noise


def test_units_do_not_matter():
    x = hold([(2.0, 0.02)])
    mm = retardation_spectrum(TIME, x, noise_mm=NOISE_MM)
    um = retardation_spectrum(TIME, 1000 * x, noise_mm=1000 * NOISE_MM)
    assert um.part_mm / 1000 == pytest.approx(mm.part_mm, abs=1e-9)


def test_four_a_decade_cannot_be_told_apart():
    # 31 points, 0.1-100 s: computed with numpy 2.4 (relative 1e-3)
    assert condition_number(np.geomspace(0.1, 100, 31), per_decade=4) == pytest.approx(8.5e4, rel=0.02)


@pytest.mark.parametrize("t", [np.geomspace(1, 5, 30), np.geomspace(1, 100, 9), np.zeros(0)])
def test_too_short_is_refused(t):
    with pytest.raises(FitError, match="too short"):
        retardation_spectrum(t, np.ones_like(t), noise_mm=1e-3)


def test_ten_points_over_one_decade_are_enough():
    t = np.geomspace(1, 10, 10)
    assert retardation_spectrum(t, 0.2 + 0.01 * np.log10(t), noise_mm=1e-3).is_within_noise
