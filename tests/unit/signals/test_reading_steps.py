"""The step that readings stand on is the instrument's, told by the readings alone."""

import numpy as np
import pytest

from padlab.signals.reading_steps import MOST, reading_step


@pytest.mark.parametrize("step", [0.0127, 0.001, 0.0254, 0.5])
@pytest.mark.parametrize("zero", [0.0, 0.0038])
def test_a_rounded_record_shows_its_step(step, zero):
    random = np.random.default_rng(1)
    place = 40 * step * np.abs(np.sin(np.linspace(0, 9, 3000))) + random.normal(0, step / 3, 3000)
    assert reading_step(np.round(place / step) * step + zero) == pytest.approx(step, rel=1e-6)


def test_a_calibrated_dial_still_stands_on_steps():
    shown = np.round(np.random.default_rng(2).uniform(0, 0.6, 4000) / 0.0127) * 0.0127
    assert reading_step(shown * 1.004 + 0.003 * shown**2) == pytest.approx(0.0127 * 1.004, rel=0.01)


@pytest.mark.parametrize("values", [
    np.zeros(0), np.zeros(500), np.full(50, np.nan), np.array([0.0, 1.0] * 300),
    np.random.default_rng(3).normal(0, 1, 5000), np.linspace(0, 1, 5000),
    np.round(np.random.default_rng(4).uniform(0, 18, 5000), 3)],
    ids=["none", "still", "no number", "two places", "noise", "a ramp", "finer than often"])
def test_readings_that_show_none(values):
    assert reading_step(values) is None


def test_two_dials_in_one_record_show_none():
    """Every third reading from another scale: there is no one step."""
    place = np.random.default_rng(5).uniform(0, 0.3, 6000)
    one, other = (np.round(place / step) * step for step in (0.0127, 0.01))
    assert reading_step(np.where(np.arange(6000) % 3 == 0, one, other)) is None


def test_a_long_record_is_looked_at_evenly():
    place = np.linspace(0, 1.0, 50 * MOST)
    assert reading_step(np.round(place / 0.0127) * 0.0127) == pytest.approx(0.0127, rel=1e-9)
