"""Plans, tolerance factors, capability, equivalence and nested variances against outside numbers.

pastes_strength.csv: O. L. Davies & P. L. Goldsmith, Statistical Methods in Research and Production, 4th
ed., 1972, p. 136 (Pastes of the R package lme4). shoes.csv: Box, Hunter & Hunter, Statistics for
Experimenters, 1978, p. 100 (shoes of the R package MASS). Worked numbers that name no book were computed by
an independent script from the formula beside them.
"""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import integrate, special, stats

from padlab.errors import InputError
from padlab.statistics.attributes import counted_plan
from padlab.statistics.capability import bissell_interval, one_sided_bound
from padlab.statistics.equivalence import equivalence, paired_equivalence
from padlab.statistics.nested import nested_components, sheet_spread
from padlab.statistics.plans import (
    Risks,
    acceptance,
    constant_ends,
    double_plan,
    known_sigma_size,
    quality_index,
    single_plan,
)
from padlab.statistics.shape import normal_scores, normality, outlying
from padlab.statistics.tolerance import howe_factor, one_sided_factor, tolerance_interval, two_sided_factor

DATA = Path(__file__).parent / "data"
USUAL = Risks(0.01, 0.05, 0.08, 0.10)


@pytest.mark.parametrize(("risks", "n", "low", "high"), [
    (USUAL, 28, 1.8173, 1.8252),
    (Risks(0.01, 0.05, 0.06, 0.10), 42, 1.8976, 1.9053),
])
def test_plans_of_the_two_point_table(risks, n, low, high):
    # Noncentral t, both ends written out by an independent script; published k 1.817-1.825 and 1.9053.
    plan = single_plan(risks)
    assert plan.n == n
    assert (plan.k_low, plan.k_high) == (pytest.approx(low, abs=5e-5), pytest.approx(high, abs=5e-5))
    short_low, short_high = constant_ends(risks, n=n - 1)
    assert short_low > short_high                       # one pad fewer keeps no constant


def test_the_operating_curve_is_that_of_the_worked_plan():
    plan = single_plan(USUAL)
    assert plan.k == pytest.approx(1.817255, abs=5e-7)
    worked = {0.005: 0.9927, 0.01: 0.95291, 0.02: 0.7938, 0.04: 0.4407, 0.08: 0.1000, 0.12: 0.0200}
    for share, expected in worked.items():
        assert plan.acceptance(share)[0] == pytest.approx(expected, abs=5e-5)


def test_known_spread_plan():
    # Known sigma, (.025, .10) at 5 % and 10 %: n 19, k 1.579 (published tables of plans by variables; MEM).
    n, k = known_sigma_size(Risks(0.025, 0.05, 0.10, 0.10))
    assert math.ceil(n) == 19
    assert k == pytest.approx(1.579, abs=5e-4)


def test_acceptance_agrees_with_integration_over_the_spread():
    # An independent way: P(accept) = E over s of P(mean <= limit - k s); no noncentral t in it.
    for share, k, n in ((0.01, 1.8, 28), (0.08, 1.8, 28), (0.2, 1.0, 7), (0.003, 2.4, 90)):
        z, root = -special.ndtri(share), math.sqrt(n)

        def inside(s, z=z, root=root, k=k, n=n):
            return special.ndtr(root * (z - k * s)) * stats.chi2.pdf((n - 1) * s * s, n - 1) * 2 * (n - 1) * s

        oracle = integrate.quad(inside, 0, 1 + 9 / math.sqrt(2 * (n - 1)), epsabs=1e-12, limit=200)[0]
        assert acceptance(share, k=k, n=n)[0] == pytest.approx(oracle, abs=1e-8)


def test_two_limits_keep_both_risks_however_the_share_is_split():
    plan = single_plan(USUAL, two_sided=True)
    assert plan.n >= single_plan(USUAL).n
    rng = np.random.default_rng(11)
    lots, worst = 40_000, math.sqrt(0.1 * 0.9 / 40_000)
    for share in (0.01, 0.08):
        for split in (0.5, 0.75, 0.97):
            zu, zl = -special.ndtri([split * share, (1 - split) * share])
            mean, sigma = 0.5 - zu / (zu + zl), 1 / (zu + zl)
            x = rng.normal(mean, sigma, (lots, plan.n))
            m, s = x.mean(axis=1), x.std(axis=1, ddof=1)
            outside = stats.norm.sf((0.5 - m) / s) + stats.norm.sf((m + 0.5) / s)
            seen = float(np.mean(outside <= stats.norm.sf(plan.k)))
            least, most = plan.acceptance(share)
            assert least - 3 * worst <= seen <= most + 3 * worst, (share, split)
    assert plan.acceptance(0.01)[0] >= 0.95 - 1e-9
    assert plan.acceptance(0.08)[1] <= 0.10 + 1e-9


def test_index_of_two_limits_is_that_of_both_tails():
    share = stats.norm.sf(2.0) + stats.norm.sf(3.0)
    assert quality_index(63.0, 1.0, low=60.0, high=65.0) == pytest.approx(stats.norm.isf(share), rel=1e-12)
    assert quality_index(0.0, 0.01, low=-1.0, high=1.0) > 90      # shares that underflow keep their order
    assert quality_index(70.0, 1.0, low=60.0, high=65.0) == pytest.approx(-5.0, abs=1e-4)
    assert quality_index(63.0, 0.0, low=60.0, high=65.0) == math.inf
    assert quality_index(66.0, 0.0, low=60.0, high=65.0) == -math.inf


def test_double_plan_keeps_both_risks_in_simulation():
    plan = double_plan(USUAL)
    rng = np.random.default_rng(5)
    lots = 40_000
    for share, check in ((0.01, lambda p, se: p >= 0.95 - 3 * se), (0.08, lambda p, se: p <= 0.10 + 3 * se)):
        x = rng.normal(0, 1, (lots, plan.total))
        limit = -special.ndtri(share)

        def index(part, limit=limit):
            return (limit - part.mean(axis=1)) / part.std(axis=1, ddof=1)

        first, both = index(x[:, :plan.first]), index(x)
        accepted = (first >= plan.accept_k) | ((first >= plan.refuse_k) & (both >= plan.k))
        seen = float(accepted.mean())
        se = math.sqrt(seen * (1 - seen) / lots)
        assert check(seen, se), (share, seen)
        least, most = plan.acceptance(share)
        assert least - 3 * se <= seen <= most + 3 * se


def test_a_small_lot_takes_fewer_pads_and_keeps_both_risks():
    plan = single_plan(USUAL, lot_size=80)
    assert plan.n < 28
    rng = np.random.default_rng(9)
    lots = 20_000
    x = rng.normal(0, 1, (lots, 80))
    x = (x - x.mean(axis=1, keepdims=True)) / x.std(axis=1, ddof=1, keepdims=True)    # the lot itself
    m, s = x[:, :plan.n].mean(axis=1), x[:, :plan.n].std(axis=1, ddof=1)
    for share in (0.01, 0.08):
        seen = float(np.mean((-special.ndtri(share) - m) / s >= plan.k))
        se = math.sqrt(seen * (1 - seen) / lots)
        assert seen == pytest.approx(plan.acceptance(share)[0], abs=3 * se + 0.004)
    assert single_plan(USUAL, lot_size=2000) == single_plan(USUAL)
    with pytest.raises(InputError, match="too small"):
        single_plan(USUAL, lot_size=25)


def test_what_makes_no_plan_is_refused():
    with pytest.raises(InputError, match="do not make a plan"):
        Risks(0.08, 0.05, 0.01, 0.10)
    with pytest.raises(InputError, match="risk lies between"):
        Risks(0.01, 0.0, 0.08, 0.10)
    with pytest.raises(InputError, match="over 2000 pads"):
        single_plan(Risks(0.01, 0.05, 0.011, 0.10))


def test_counted_plan_is_the_smallest():
    # Oracle: every n and c tried, binomial. (A plan of n 65, c 2.)
    plan = counted_plan(USUAL)
    smallest = min((n, c) for n in range(1, 120) for c in range(6)
                   if stats.binom.cdf(c, n, 0.01) >= 0.95 and stats.binom.cdf(c, n, 0.08) <= 0.10)
    assert (plan.n, plan.most_outside) == smallest
    small = counted_plan(USUAL, lot_size=100)
    assert small.n < plan.n
    assert stats.hypergeom.cdf(small.most_outside, 100, 8, small.n) <= 0.10
    assert stats.hypergeom.cdf(small.most_outside, 100, 1, small.n) >= 0.95
    with pytest.raises(InputError):
        counted_plan(Risks(0.01, 0.001, 0.012, 0.001))


@pytest.mark.parametrize(("n", "two", "one"),
                         [(10, 3.3934, 2.9110), (20, 2.7604, 2.3960), (50, 2.3816, None)])
def test_tolerance_factors_to_the_printed_digits(n, two, one):
    # ISO 16269-6:2014, Annex F (two-sided) and one-sided table, 95 %/95 %. At n = 20 the printed 2.7604 is
    # 0.54 of its last digit above the exact 2.760346 that two independent computations give: the others
    # agree to half a digit, this one to one.
    assert two_sided_factor(n, share=0.95, confidence=0.95) == pytest.approx(two, abs=5.5e-5)
    assert two_sided_factor(20, share=0.95, confidence=0.95) == pytest.approx(2.760346, abs=5e-7)
    if one is not None:
        assert round(one_sided_factor(n, share=0.95, confidence=0.95), 4) == one


@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")   # its version file stays open
def test_tolerance_factors_agree_with_an_independent_package():
    from toleranceinterval.twoside import normal_factor

    for n, share, confidence in ((5, 0.9, 0.95), (10, 0.95, 0.95), (28, 0.99, 0.9), (100, 0.95, 0.99)):
        theirs = normal_factor(n, share, confidence, method="exact")
        assert two_sided_factor(n, share=share, confidence=confidence) == pytest.approx(theirs, rel=1e-4)


def test_howe_is_an_approximation_and_is_told_apart():
    # Howe gives 3.3819 where the exact factor is 3.3934 (n = 10, 95 %/95 %).
    assert howe_factor(10, 0.95, 0.95) == pytest.approx(3.3819, abs=5e-5)
    interval = tolerance_interval(0.0, 1.0, n=10, has_low=True, has_high=True)
    assert interval.factor == pytest.approx(3.3934, abs=5e-5)


def test_capability_intervals():
    # Capability 1.33 of 30 pads: .9675-1.6925 (Bissell 1990), exact one-sided lower 95 % 1.0216.
    assert bissell_interval(1.33, 30) == (pytest.approx(0.9675, abs=5e-5), pytest.approx(1.6925, abs=5e-5))
    assert one_sided_bound(1.33, 30, 0.05) == pytest.approx(1.0216, abs=5e-5)
    x = np.random.default_rng(3).normal(0, 1, (4000, 15))
    index = (2.5 - x.mean(axis=1)) / (3 * x.std(axis=1, ddof=1))
    held = [one_sided_bound(c, 15, 0.025) <= 2.5 / 3 <= one_sided_bound(c, 15, 0.975) for c in index[:1500]]
    assert np.mean(held) == pytest.approx(0.95, abs=3 * math.sqrt(0.95 * 0.05 / 1500))


def test_equivalence_of_the_worked_lots_and_of_the_shoes():
    found = equivalence((62.0, 4.0, 12), (60.0, 3.5, 12), margin=6.0)
    assert found.standard_error == pytest.approx(1.53433, abs=5e-6)
    assert found.degrees_of_freedom == pytest.approx(21.62, abs=5e-3)
    assert found.p == pytest.approx(0.00811, abs=5e-6)
    assert (found.low, found.high) == (pytest.approx(-0.637, abs=5e-4), pytest.approx(4.637, abs=5e-4))
    shoes = pd.read_csv(DATA / "shoes.csv")
    worn = paired_equivalence(shoes["B"].to_list(), shoes["A"].to_list(), margin=1.0)
    assert (worn.difference, worn.degrees_of_freedom) == (pytest.approx(0.41), 9)
    assert worn.difference / worn.standard_error == pytest.approx(3.348877, abs=5e-7)
    assert worn.p == pytest.approx(4.7407e-4, rel=5e-5)
    assert worn.is_shown
    assert not paired_equivalence(shoes["B"].to_list(), shoes["A"].to_list(), margin=0.5).is_shown


def test_equivalence_agrees_with_statsmodels():
    from statsmodels.stats.weightstats import ttost_ind

    rng = np.random.default_rng(8)
    a, b = rng.normal(60, 4, 12), rng.normal(61, 3, 9)
    theirs = ttost_ind(a, b, -3.0, 3.0, usevar="unequal")[0]
    ours = equivalence((a.mean(), a.std(ddof=1), 12), (b.mean(), b.std(ddof=1), 9), margin=3.0)
    assert ours.p == pytest.approx(float(theirs), rel=1e-9)


def test_nested_variances_of_the_pastes():
    # Published: 0.6780 within, 8.4337 cask, 1.6573 batch (REML; with equal sizes the analysis of variance).
    pastes = pd.read_csv(DATA / "pastes_strength.csv")
    batch, cask, within = nested_components(pastes["strength"].to_list(), pastes["batch"].to_list(),
                                            pastes["cask"].to_list())
    assert within == pytest.approx(0.6780, abs=5e-5)
    assert cask == pytest.approx(8.4337, abs=5e-5)
    assert batch == pytest.approx(1.6573, abs=5e-5)


@pytest.mark.filterwarnings("ignore")        # statsmodels' own: pandas and convergence notes
def test_variance_between_sheets_agrees_with_a_mixed_model():
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(21)
    table = pd.DataFrame([{"sheet": str(s), "y": 60 + shift + rng.normal(0, 1.0)}
                          for s, shift in enumerate(rng.normal(0, 2.0, 8)) for _ in range(6)])
    model = smf.mixedlm("y ~ 1", table, groups=table["sheet"]).fit(reml=True)
    ours = sheet_spread({s: g["y"].to_list() for s, g in table.groupby("sheet")})
    assert ours.between == pytest.approx(float(model.cov_re.iloc[0, 0]), rel=1e-3)
    assert ours.within == pytest.approx(float(model.scale), rel=1e-3)
    assert ours.sd / math.sqrt(ours.mean_n) == pytest.approx(float(model.bse_fe.iloc[0]), rel=1e-3)


def test_pads_of_few_sheets_are_worth_fewer_pads():
    rng = np.random.default_rng(4)
    apart = {str(s): list(rng.normal(5 * s, 1, 7)) for s in range(4)}
    alike = {str(s): list(np.arange(7) + 0.1 * s) for s in range(4)}
    assert sheet_spread(apart).mean_n < 5
    assert sheet_spread(apart).degrees_of_freedom < 5
    assert sheet_spread(alike).mean_n == 28           # no difference between sheets: one sample


def test_the_outlier_test_of_the_handbook():
    # NIST/SEMATECH e-Handbook 1.3.5.17.3 (Rosner's 54 values, alpha 0.05): three stand apart. Data from
    # memory; the statistics of the first three steps are the handbook's.
    x = [-0.25, 0.68, 0.94, 1.15, 1.20, 1.26, 1.26, 1.34, 1.38, 1.43, 1.49, 1.49, 1.55, 1.56, 1.58, 1.65,
         1.69, 1.70, 1.76, 1.77, 1.81, 1.91, 1.94, 1.96, 1.99, 2.06, 2.09, 2.10, 2.14, 2.15, 2.23, 2.24, 2.26,
         2.35, 2.37, 2.40, 2.47, 2.54, 2.62, 2.64, 2.90, 2.92, 2.92, 2.93, 3.21, 3.26, 3.30, 3.59, 3.68, 4.30,
         4.64, 5.34, 5.42, 6.01]
    found = outlying(x, most=10, level=0.05)
    assert len(found.places) == 3
    assert {x[i] for i in found.places} == {6.01, 5.42, 5.34}
    assert found.statistics[:3] == pytest.approx((3.118906, 2.942973, 3.179424), abs=5e-7)
    assert found.critical[:3] == pytest.approx((3.158794, 3.151430, 3.143890), abs=5e-7)


def test_shape_is_refused_at_its_stated_rate():
    rng = np.random.default_rng(2)
    refused = np.mean([normality(rng.normal(0, 1, 28)).is_refused for _ in range(3000)])
    assert refused == pytest.approx(0.01, abs=3 * math.sqrt(0.01 * 0.99 / 3000) + 0.002)
    assert normality(np.exp(rng.normal(0, 1, 40))).is_refused
    assert normality([1.0, 1.0, 1.0, 1.0]) is None
    assert normality([1.0, 2.0]) is None
    # Blom's places against the exact expected order statistics of five (David & Nagaraja: 1.16296, 0.49502).
    assert normal_scores(5)[[4, 3, 2]] == pytest.approx([1.16296, 0.49502, 0.0], abs=0.03)
