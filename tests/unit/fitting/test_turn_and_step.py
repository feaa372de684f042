"""What the turn of a stroke may have added to the loss; what an indicator's step leaves open in a hold."""

import numpy as np
import pytest

from padlab.fitting.hysteresis import EARLY, turn_work_mj
from padlab.fitting.prepared import Prepared, Stroke
from padlab.fitting.rounding import rounding_mm
from padlab.signals.contact import ForceZero
from padlab.signals.cycles import find_presses

RATE_HZ = 100.0
PEAK_N, WAY_MM = 18.0, 0.30


def stroke(dwell_s, sunk_mm=0.0):
    """Down and up at one speed, 4 s each, with a stay at the top in which the pad sinks."""
    n, stay = int(4 * RATE_HZ), int(dwell_s * RATE_HZ)
    rise = np.linspace(-0.02, 1.0, n)
    force = np.concatenate([np.zeros(50), PEAK_N * np.maximum(rise, 0), np.full(stay, PEAK_N),
                            PEAK_N * np.maximum(rise[::-1], 0), np.zeros(50)])
    x = np.concatenate([np.full(50, -0.02), rise, 1 + np.linspace(0, 1, stay) * sunk_mm / WAY_MM,
                        (1 + sunk_mm / WAY_MM) * rise[::-1], np.full(50, -0.02)]) * WAY_MM
    time = np.arange(force.size) / RATE_HZ
    (press,) = find_presses(time, force)
    loading = float(time[press.peak] - time[press.start])
    one = Stroke(press, "recorded", "", loading, WAY_MM / loading)
    zero = ForceZero(0.0, 0.0, 0.0, "idle", 0.0, False)
    return Prepared(time, force, x, zero, 0.0, (one,), PEAK_N), one


def test_a_stroke_turned_at_once_has_nothing_taken_off():
    """However open its loop is at the top: the way that a loop makes there is not what a stay adds."""
    prepared, one = stroke(0.0, sunk_mm=0.02)
    assert turn_work_mj(prepared, one) > 0.1                          # all that the way there could be
    assert turn_work_mj(prepared, one, 0.05) == pytest.approx(0.0, abs=2e-3)


@pytest.mark.parametrize("dwell_s", [0.2, 0.5, 1.0])
def test_a_stay_adds_what_the_pad_sinks_in_that_time(dwell_s):
    prepared, one = stroke(dwell_s, sunk_mm=0.08)
    lead = one.loading_s / 2
    expected = 0.97 * PEAK_N * EARLY * 0.05 * WAY_MM * np.log10(1 + dwell_s / lead)
    # Where the stay begins is read to a reading or two.
    assert turn_work_mj(prepared, one, 0.05) == pytest.approx(expected, rel=0.12)


@pytest.mark.parametrize("share", [0.0, 0.1, 0.2, 0.3, 0.5, 0.8])
def test_what_rounding_leaves_of_a_mean(share):
    """Root mean square over places of mean(rounded reading) - place, drawn."""
    rng, step = np.random.default_rng(8), 0.0127
    places = rng.uniform(0, step, 800)
    readings = places[:, None] + share * step * rng.standard_normal((800, 4000))
    drawn = np.sqrt(np.mean((np.round(readings / step).mean(axis=1) * step - places) ** 2))
    noise = share * step / np.sqrt(4000)
    left = np.sqrt(max(drawn**2 - noise**2, 0))
    assert left == pytest.approx(rounding_mm(step, share * step), abs=0.02 * step)
