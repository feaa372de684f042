"""A hold read in coarse steps: what its readings allow, against places that are known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import signal, stats

from padlab.fitting.stepped import Steps, on_steps, sunk_in

STEP = 0.0127
T = np.arange(0.2, 60.0, 0.02)
RAMP_S = 2.0


def read(rng: np.random.Generator, *, place_mm: float, a_decade_mm: float, noise_mm: float = 0.002,
         give_mm_per_n: float = 0.0, lead_s: float = 1.0, correlation: float = 0.0,
         bend: float = 0.0) -> Steps:
    """A hold of a pad that sinks by the logarithm, its places rounded to steps that stand anywhere."""
    below = -0.05 * np.abs(np.sin(T / 7.0))
    decades = np.log10((T + lead_s) / (1 + lead_s))
    place = place_mm + a_decade_mm * decades * (1 + bend * decades) + give_mm_per_n * below
    noise = rng.standard_normal(T.size)
    if correlation:
        noise = signal.lfilter([np.sqrt(1 - correlation**2)], [1, -correlation], noise)
    zero = rng.uniform(0, STEP)
    shown = np.round((place + noise_mm * noise - zero) / STEP) * STEP + zero
    return Steps(T, shown, below, 0.1, STEP, RAMP_S)


def ends(steps: Steps) -> tuple[float, float]:
    """The 95 % of what a decade adds."""
    low, high = np.quantile(sunk_in(steps).a_decade_mm, (0.025, 0.975))
    return float(low), float(high)


@pytest.mark.parametrize(("a_decade_mm", "correlation", "least"), [
    (0.0015, 0.0, 0.93), (0.004, 0.0, 0.93), (0.012, 0.0, 0.93), (0.03, 0.0, 0.93), (0.012, 0.9, 0.82)])
def test_it_holds_what_was_drawn_as_often_as_it_says(a_decade_mm: float, correlation: float,
                                                     least: float) -> None:
    """Forty pads whose clock, give and steps stand anywhere; a right interval misses this once in thousands.

    Of a noise that goes on from reading to reading steps show only a part: that is held less often.
    """
    rng, pads, held, wide = np.random.default_rng([int(1e6 * a_decade_mm), int(correlation)]), 40, 0, []
    for _ in range(pads):
        steps = read(rng, place_mm=rng.uniform(0.1, 0.3), a_decade_mm=a_decade_mm, correlation=correlation,
                     lead_s=RAMP_S * rng.uniform(0.1, 0.9), give_mm_per_n=rng.uniform(0.0, 0.1))
        low, high = ends(steps)
        held += low <= a_decade_mm <= high
        wide.append(high - low)
    assert held >= stats.binom.ppf(5e-4, pads, least)
    # One step at most may have been crossed unseen, and one more in the noise; a crossed one tells more.
    assert max(wide) < 2 * STEP
    if a_decade_mm >= 0.012 and not correlation:
        assert np.median(wide) < 0.4 * a_decade_mm


def test_a_pad_that_stays_on_one_step_sank_by_less_than_a_step() -> None:
    steps = replace(read(np.random.default_rng(3), place_mm=0.2, a_decade_mm=0.0, noise_mm=0.0),
                    middle_mm=np.full(T.size, 0.2), below_n=np.zeros(T.size))
    low, high = ends(steps)
    assert low < 0.1 * STEP
    assert 0.4 * STEP < high < STEP


def test_steps_that_were_crossed_tell_the_sinking_without_any_noise() -> None:
    """Without noise each crossing tells one place: the slope is steps over the logarithm of their times."""
    rng, held = np.random.default_rng(4), []
    for a_decade_mm in (0.02, 0.04) * 5:
        steps = read(rng, place_mm=0.2, a_decade_mm=a_decade_mm, noise_mm=0.0, lead_s=1.0)
        low, high = ends(steps)
        held.append(low <= a_decade_mm <= high)
        assert low > 0.75 * a_decade_mm
        assert high < 1.25 * a_decade_mm
    assert sum(held) >= 7


def test_readings_that_do_not_follow_the_curve_tell_less() -> None:
    """A pad that sinks ever faster: the interval is wider than that of one that follows, and says no less."""
    rng = np.random.default_rng(5)
    straight, bent = (np.median([np.diff(ends(read(rng, place_mm=rng.uniform(0.2, 0.22), a_decade_mm=0.012,
                                                   bend=bend))) for _ in range(8)]) for bend in (0.0, 0.6))
    assert bent > 1.5 * straight


@pytest.mark.parametrize("shown", [
    np.full(T.size, 0.2), np.where(T < 30, 0.2, 50.0), np.linspace(0.2, 0.1, T.size),
    np.where(np.arange(T.size) == 700, 9.0, 0.2)])
def test_strange_holds_are_weighed_without_a_fault(shown: np.ndarray) -> None:
    """Nothing moves; a jump; a pad that rises; one reading far off: numbers."""
    shown = np.round(shown / STEP) * STEP
    found = sunk_in(Steps(T, shown, np.zeros(T.size), 0.1, STEP, RAMP_S))
    assert np.isfinite(found.a_decade_mm).all()
    assert (found.a_decade_mm >= 0).all()
    assert np.isfinite(found.log_likely).all()


def test_averaged_readings_are_no_steps() -> None:
    shown = np.round(np.linspace(0.2, 0.24, 400) / STEP) * STEP + 0.003
    assert on_steps(shown, STEP)
    assert not on_steps(np.linspace(0.2, 0.24, 400), STEP)
    assert not on_steps(shown, 0.0)
