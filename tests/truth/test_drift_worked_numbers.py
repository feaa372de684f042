"""Drift, give, hold, lots and letters against worked numbers.

Source of the numbers: a worked example computed from the stated formulas in a script of its own
(numpy 2.4.6, scipy 1.17.1), without any code of this project; laws and creep fractions are
invented. Each number is checked to half a unit of its last given digit, unless said otherwise.

Formula's rule: zero at F = 0, strokes that do not reach the stop stand at 0, nothing cut off.
padlab's own rule: zero at F0 = 0.25 N, strokes under F0 net and over 20 N finger force left out.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from padlab.decisions.groups import standing, stock_mean
from padlab.drift.position import creep_from_tenth, drift_with_thinning_mm, hold_mm, play_numbers
from padlab.drift.touch import find_strokes, net_strokes, preset
from padlab.records.pad import F0_N
from padlab.statistics.estimate import Estimate
from padlab.statistics.lots import pooled_within, variance_components
from padlab.statistics.quantity import t95
from padlab.statistics.tukey import probability_smallest, studentized_range_95

MICROMETRE = 1e-3

LAWS = {
    "linear 250 N/mm": (lambda f: np.asarray(f) / 250, 0.02),
    "exponential a .5 B 8": (lambda f: np.log1p(np.asarray(f) / 0.5) / 8, 0.04),
    "exponential a .0934 B 5": (lambda f: np.log1p(np.asarray(f) / 0.0934) / 5, 0.06),
    "fibre C 1.2 h 1.6": (lambda f: 1.6 * (1 - (1 + np.asarray(f) / 1.2) ** (-1 / 3)), 0.05),
}


def by_formula():
    return net_strokes(preset("medium"), not_bottomed="at_zero", cut_off_net_n=math.inf)


def from_f0(law):
    return lambda f: law(f) - law(F0_N)


@pytest.mark.parametrize(("name", "give", "hold", "band", "p95"), [
    ("linear 250 N/mm", 48.00, 0.56, 42.81, 23.05),
    ("exponential a .5 B 8", 320.62, 20.79, 354.91, 174.11),
    ("exponential a .0934 B 5", 611.01, 87.60, 747.20, 351.19),
    ("fibre C 1.2 h 1.6", 714.04, 58.50, 799.61, 403.21),
])
def test_table_by_the_formulas_rule(name, give, hold, band, p95):
    law, creep = LAWS[name]
    found = play_numbers(law, creep, by_formula())
    assert found.give_mm == pytest.approx(give * MICROMETRE, abs=0.0051 * MICROMETRE)
    assert found.band_mm == pytest.approx(band * MICROMETRE, abs=0.0051 * MICROMETRE)
    assert found.drift_p95_mm == pytest.approx(p95 * MICROMETRE, abs=0.0051 * MICROMETRE)
    # The table's hold runs from 0.1 s to 10 s; the one that is printed from 1 s to 10 s.
    assert hold_mm(law, creep, 3.5, from_s=0.1, to_s=10) == pytest.approx(
        hold * MICROMETRE, abs=0.0051 * MICROMETRE)
    assert found.hold_mm == pytest.approx(hold_mm(law, creep, 3.5, from_s=1, to_s=10))


@pytest.mark.parametrize(("name", "band"), [
    ("linear 250 N/mm", 42.18), ("exponential a .5 B 8", 344.64),
    ("exponential a .0934 B 5", 712.34), ("fibre C 1.2 h 1.6", 771.10),
])
def test_band_of_force_alone(name, band):
    found = play_numbers(LAWS[name][0], 0.0, by_formula())
    assert found.band_mm == pytest.approx(band * MICROMETRE, abs=0.0051 * MICROMETRE)


@pytest.mark.parametrize(("name", "p95", "band"), [
    ("linear 250 N/mm", 23.03, 40.98), ("exponential a .5 B 8", 149.99, 298.40),
    ("exponential a .0934 B 5", 287.44, 573.87), ("fibre C 1.2 h 1.6", 342.93, 676.68),
])
def test_padlabs_own_rule(name, p95, band):
    law, creep = LAWS[name]
    found = play_numbers(from_f0(law), creep, net_strokes(preset("medium")))
    assert found.drift_p95_mm == pytest.approx(p95 * MICROMETRE, abs=0.0051 * MICROMETRE)
    assert found.band_mm == pytest.approx(band * MICROMETRE, abs=0.0051 * MICROMETRE)


def test_share_left_out_of_the_medium_touch():
    strokes = net_strokes(preset("medium"))
    assert strokes.not_bottomed_share + strokes.cut_off_share == pytest.approx(0.0285, abs=1e-9)
    assert strokes.net_n.size == 1943
    assert by_formula().net_n.size == 2000
    assert float(np.mean(by_formula().net_n == 0)) == pytest.approx(0.0155, abs=1e-9)


@pytest.mark.parametrize(("touch", "percent"), [("light", 11), ("medium", 2.7), ("hard", 0.1)])
def test_shares_that_do_not_reach_the_stop(touch, percent):
    strokes = net_strokes(preset(touch))
    digits = 0 if percent >= 10 else 1
    assert round(100 * strokes.not_bottomed_share, digits) == percent


@pytest.mark.parametrize(("name", "share", "p95"), [
    ("linear 250 N/mm", 0.0, 79.34), ("linear 250 N/mm", 0.5, 43.91),
    ("exponential a .5 B 8", 0.0, 181.02), ("exponential a .5 B 8", 0.5, 179.51),
])
def test_headline_with_a_loss_of_3_thou(name, share, p95):
    law, creep = LAWS[name]
    found = drift_with_thinning_mm(law, creep, by_formula(), thinning_mm=76.2 * MICROMETRE, share=share)
    assert found == pytest.approx(p95 * MICROMETRE, abs=0.0051 * MICROMETRE)


def test_creep_fraction_of_another_reference():
    # 4 % a decade of what stands at 1 s is .04/.96 of what stands at 0.1 s (arithmetic).
    assert creep_from_tenth(0.04) == pytest.approx(0.04 / 0.96, rel=1e-12)


LOTS = {
    "P": [[46, 50, 48, 52], [55, 53, 57, 51], [49, 47, 45, 51]],
    "Q": [[58, 62, 60, 64], [52, 50, 54, 56], [61, 57, 59, 63]],
    "R": [[118, 126, 122, 130], [141, 137, 133, 145], [121, 125, 119, 127]],
}


@pytest.mark.parametrize(("stock", "mean", "between", "within", "half"), [
    ("P", 50.33, 8.667, 6.667, 7.99), ("Q", 58.00, 17.333, 6.667, 10.83),
    ("R", 128.67, 74.778, 22.222, 22.27),
])
def test_variance_between_and_within_lots(stock, mean, between, within, half):
    lots = LOTS[stock]
    assert np.mean(lots) == pytest.approx(mean, abs=0.0051)
    found = variance_components(lots)
    assert found[0] == pytest.approx(between, abs=0.00051)
    assert found[1] == pytest.approx(within, abs=0.00051)
    estimates = {str(n): [Estimate(float(v)) for v in lot] for n, lot in enumerate(lots)}
    interval = stock_mean(estimates, log=False).quantity(positive=False)
    assert interval.half_width == pytest.approx(half, abs=0.0051)


def stocks_of_lot_means():
    """As the example does it: the logarithm of each lot's arithmetic mean."""
    return {name: {str(n): [Estimate(float(np.mean(lot)))] for n, lot in enumerate(lots)}
            for name, lots in LOTS.items()}


def test_letters_pairs_and_chances():
    logs = {name: [math.log(np.mean(lot)) for lot in lots] for name, lots in LOTS.items()}
    sp, df = pooled_within(list(logs.values()))
    assert (sp, df) == (pytest.approx(0.069612, abs=5.1e-7), 6)
    assert studentized_range_95(3, 6) == pytest.approx(4.339195, abs=5.1e-7)
    hsd = studentized_range_95(3, 6) * sp / math.sqrt(3)
    assert hsd == pytest.approx(0.174394, abs=5.1e-7)

    stand = standing(stocks_of_lot_means())
    assert stand.order == ("P", "Q", "R")
    assert (stand.replication, stand.spread_rule) == ("lot", "pooled")
    assert stand.letters == {"P": "a", "Q": "a", "R": "b"}
    pairs = {(p.a, p.b): p for p in stand.pairs}
    for (a, b), (difference, apart) in {("P", "Q"): (0.14117, False), ("Q", "R"): (0.79714, True),
                                        ("P", "R"): (0.93831, True)}.items():
        mean_a, mean_b = (math.exp(np.mean(logs[name])) for name in (a, b))
        assert math.log(mean_b / mean_a) == pytest.approx(difference, abs=5.1e-6)
        assert pairs[a, b].told_apart is apart
        assert pairs[a, b].difference.value == pytest.approx(mean_a - mean_b, rel=1e-9)
        # The interval in mm ends where the one of the logarithm does: 2 sqrt(ab) sinh((d +- hsd)/2).
        d, middle = math.log(mean_a / mean_b), math.sqrt(mean_a * mean_b)
        assert pairs[a, b].difference.high == pytest.approx(2 * middle * math.sinh((d + hsd) / 2), rel=1e-6)
    # The example drew 20,000 times; its own doubt is about .001, the tolerance 1e-2 as for all drawn numbers.
    assert [stand.probability_best[name] for name in "PQR"] == pytest.approx([0.975, 0.025, 0.0], abs=1e-2)


def test_chance_of_being_best_against_drawn_t():
    # Second method: 400,000 draws of t with 6 degrees of freedom.
    rng = np.random.default_rng(11)
    means, u = [0.0, 0.05, 0.12], [0.04, 0.06, 0.05]
    drawn = np.array(means) + np.array(u) * rng.standard_t(6, size=(400_000, 3))
    share = np.bincount(drawn.argmin(axis=1), minlength=3) / 400_000
    assert probability_smallest(means, u, [6, 6, 6]) == pytest.approx(list(share), abs=3e-3)


def test_strokes_of_a_recorded_finger():
    # Worked example: trapezoids of (peak N, hold s), 200 Hz, ramps of 8 samples.
    rate, trace = 200, [np.zeros(0)]
    for peak, hold in [(6, 0.4), (3, 0.2), (14, 0.3), (7, 0.8), (5, 0.25)]:
        trace += [np.zeros(60), np.linspace(0, peak, 9)[1:], np.full(int(hold * rate), float(peak)),
                  np.linspace(peak, 0, 9)[1:]]
    force = np.concatenate([*trace, np.zeros(60)])
    strokes = find_strokes(np.arange(force.size) / rate, force)
    plateau, duration = strokes.plateau_n, strokes.duration_s
    # A ramp of 8 samples: 0.8 of the peak in 6.4 of them.
    assert strokes.rate_n_per_s == pytest.approx(np.array([6, 3, 14, 7, 5]) * 0.8 / (6.4 / rate), rel=1e-9)
    assert strokes.peak_n == pytest.approx([6, 3, 14, 7, 5])
    assert plateau.tolist() == [6, 3, 14, 7, 5]
    assert duration == pytest.approx([0.47, 0.26, 0.375, 0.87, 0.32], abs=1e-9)
    assert np.median(plateau) == 6


def test_t_of_the_lots():
    # 4.303 is the two-sided 95 % point of t with 2 degrees of freedom in any table of t.
    assert t95(2) == pytest.approx(4.303, abs=0.00051)
