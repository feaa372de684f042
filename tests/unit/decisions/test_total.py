"""Total drift: play, first presses and loss together, held to a worked number and to its own limits."""

import math

import numpy as np
import pytest

from padlab.decisions.total import service_loss, together_mm
from padlab.drift.life import Service, stock_life
from padlab.fitting.wear import WearReadings
from padlab.fitting.wear_run import PadLoss

PLAYER = Service(2000, 6)
N = np.linspace(1e5, 2e6, 12)


def life(rates=((1, 1.4e-8), (1, 1.6e-8), (2, 1.8e-8), (2, 1.7e-8)), n=N):
    rng = np.random.default_rng(2)
    readings = [WearReadings(str(i), str(lot), n, rate * n + rng.normal(0, 2e-4, n.size))
                for i, (lot, rate) in enumerate(rates)]
    return stock_life([(f"run {r.pad}", PadLoss(r, "strokes", 1.6, None, None, None, ())) for r in readings],
                      material="felt", material_class="felt", limit_mm=0.0762, service=PLAYER)


def test_the_worked_number_of_a_stable_pad():
    # Linear pad of 250 N/mm, creep 0.02 a decade, medium touch over a spring of 2.5 N, 76.2 um lost evenly
    # over the service: 79.34 um (independent script; full grid of 2,000 forces and 50 holds; below the stop
    # counted at 0).
    from scipy import stats

    finger = 6.0 * np.exp(math.log(1.5) * stats.norm.ppf((np.arange(2000) + 0.5) / 2000))
    hold = 0.4 * np.exp(math.log(3.0) * stats.norm.ppf((np.arange(50) + 0.5) / 50))
    net = np.maximum(finger - 2.5, 0.0)
    creep = 1 + 0.02 * np.log10(np.maximum(hold, 0.1) / 0.1)
    away = (net / 250)[:, None] * creep[None, :] - 3.5 / 250 * (1 + 0.02 * math.log10(4))
    small = np.quantile(away, (np.arange(400) + 0.5) / 400)
    loss = 0.0762 * (np.arange(41) + 0.5) / 41
    found = together_mm(small, loss_mm=loss, warm_up_mm=0.0, presses_a_day=2000)
    assert 1e3 * found == pytest.approx(79.34, rel=0.01)


def test_loss_adds_and_warm_up_counts_by_its_share():
    away = np.linspace(-0.02, 0.02, 400)
    none = np.zeros(41)
    bare = together_mm(away, loss_mm=none, warm_up_mm=0.0, presses_a_day=2000)
    assert bare == pytest.approx(0.019, abs=2e-4)
    lost = together_mm(away, loss_mm=np.full(41, 0.1), warm_up_mm=0.0, presses_a_day=2000)
    assert lost == pytest.approx(0.118, abs=3e-4)
    rare = together_mm(away, loss_mm=none, warm_up_mm=0.2, presses_a_day=2000)      # one press in forty
    often = together_mm(away, loss_mm=none, warm_up_mm=0.2, presses_a_day=100)      # every other one
    assert bare <= rare < 0.03 < 0.1 < often


def test_the_loss_of_a_service_is_the_middle_of_the_stock():
    found = service_loss(life(), years=2, presses_a_day=2000)
    end = 2 * PLAYER.strokes_per_year
    assert found.at_end.value == pytest.approx(math.sqrt(1.497e-8 * 1.749e-8) * end, rel=0.02)
    assert found.at_end.low < found.at_end.value < found.at_end.high
    assert found.loss_mm.size == 41
    assert np.all(np.diff(found.loss_mm) > 0)
    assert found.loss_mm[-1] < found.at_end.value
    assert [m.code for m in found.marks] == ["thinning_elsewhere"]
    later = service_loss(life(), years=8, presses_a_day=2000)
    assert [m.code for m in later.marks] == ["thinning_elsewhere", "extrapolated"]


def test_no_loss_is_told_too_far_on_or_without_an_interval():
    assert service_loss(life(), years=12, presses_a_day=2000) is None      # 6e6 strokes are 9.6 years
    assert service_loss(life(((1, 1.4e-8),)), years=1, presses_a_day=2000) is None
