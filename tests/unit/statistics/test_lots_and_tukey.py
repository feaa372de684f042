"""Variance between lots, lots that stand apart, letters, and the studentized range."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from padlab.decisions.groups import standing
from padlab.statistics.estimate import Estimate
from padlab.statistics.lots import lots_apart, variance_components
from padlab.statistics.tukey import (
    bartlett_p,
    compact_letters,
    probability_smallest,
    simultaneous_half_width,
    studentized_range_95,
    variances_differ,
)


@pytest.mark.parametrize(("groups", "df"), [(2, 1.0), (3, 6), (6, 3.3), (6, 12), (20, 40), (6, 90_000),
                                            (4, math.inf)])
def test_studentized_range_agrees_with_scipy(groups, df):
    assert studentized_range_95(groups, df) == pytest.approx(stats.studentized_range.ppf(0.95, groups, df),
                                                             rel=1e-8)


def test_pairs_agree_with_scipys_tukey_hsd():
    rng = np.random.default_rng(5)
    lots = {name: np.exp(rng.normal(centre, 0.1, 4)) for name, centre in
            {"a": 0.0, "b": 0.1, "c": 0.35, "d": 0.6}.items()}
    stand = standing({n: {str(i): [Estimate(float(v))] for i, v in enumerate(vs)} for n, vs in lots.items()})
    assert stand.spread_rule == "pooled"
    oracle = stats.tukey_hsd(*[np.log(v) for v in lots.values()])
    ends = oracle.confidence_interval(0.95)
    names = list(lots)
    for pair in stand.pairs:
        i, j = names.index(pair.a), names.index(pair.b)
        assert pair.told_apart == (oracle.pvalue[i, j] < 0.05)
        middle = math.exp((np.mean(np.log(lots[pair.a])) + np.mean(np.log(lots[pair.b]))) / 2)
        assert pair.difference.low == pytest.approx(2 * middle * math.sinh(ends.low[i, j] / 2), rel=1e-6)
        assert pair.difference.high == pytest.approx(2 * middle * math.sinh(ends.high[i, j] / 2), rel=1e-6)


def test_unequal_scatter_is_told_pair_by_pair():
    # Welch's t with q/sqrt 2: the Games-Howell interval, written out.
    lots = {"even": [1.0, 1.01, 0.99, 1.0], "wild": [2.0, 5.0, 1.0, 9.0]}
    logs = {n: np.log(v) for n, v in lots.items()}
    assert variances_differ(list(logs.values()))
    stand = standing({n: {str(i): [Estimate(v)] for i, v in enumerate(vs)} for n, vs in lots.items()})
    assert stand.spread_rule == "separate"
    welch = stats.ttest_ind(logs["even"], logs["wild"], equal_var=False).confidence_interval(0.95)
    # With two groups Tukey's factor is t: q(.95; 2, df)/sqrt 2 = t(.975; df).
    middle = math.exp((logs["even"].mean() + logs["wild"].mean()) / 2)
    assert stand.pairs[0].difference.low == pytest.approx(2 * middle * math.sinh(welch.low / 2), rel=1e-5)
    assert stand.pairs[0].difference.high == pytest.approx(2 * middle * math.sinh(welch.high / 2), rel=1e-5)


@pytest.mark.parametrize("sizes", [(2, 2), (4, 7), (3, 3, 9), (2, 5, 8, 30)])
def test_the_test_of_unequal_scatter_is_bartletts(sizes):
    rng = np.random.default_rng(sum(sizes))
    groups = [rng.normal(0, 1 + k, n).tolist() for k, n in enumerate(sizes)]
    assert bartlett_p(groups) == pytest.approx(stats.bartlett(*groups).pvalue, rel=1e-12)
    alike = [[1.0, 2.0, 3.0], [5.0, 6.0, 7.0]]
    assert bartlett_p(alike) == pytest.approx(1.0)


def test_scatter_of_nothing_is_no_evidence_of_unequal_scatter():
    assert not variances_differ([[1.0, 1.0, 1.0], [1.0, 1.2, 0.9]])
    assert not variances_differ([[1.0], [2.0]])


@st.composite
def relations(draw):
    k = draw(st.integers(1, 7))
    apart = [[False] * k for _ in range(k)]
    for i, j in itertools.combinations(range(k), 2):
        apart[i][j] = apart[j][i] = draw(st.booleans())
    return apart


@given(relations())
@settings(max_examples=200)
def test_letters_are_shared_exactly_where_not_told_apart(apart):
    letters = compact_letters(apart)
    assert all(letters)
    for i, j in itertools.combinations(range(len(apart)), 2):
        assert bool(set(letters[i]) & set(letters[j])) == (not apart[i][j])


def test_the_best_has_letter_a():
    assert compact_letters([[False, True], [True, False]]) == ["a", "b"]
    assert compact_letters([]) == []


def test_chance_of_being_the_smallest():
    assert probability_smallest([1.0, 1.0], [0.1, 0.1], [4, 4]) == pytest.approx([0.5, 0.5], abs=1e-4)
    # Two normals: Phi(d / sqrt(u1^2 + u2^2)).
    found = probability_smallest([0.0, 0.1], [0.06, 0.08], [math.inf, math.inf])
    assert found[0] == pytest.approx(stats.norm.cdf(1.0), abs=1e-3)
    assert probability_smallest([0.0, 1.0], [0.0, 0.0], [1, 1]) == [1.0, 0.0]


def test_half_width_of_two_groups_is_t():
    assert simultaneous_half_width(2.0, groups=2, degrees_of_freedom=7) == pytest.approx(
        2.0 * stats.t.ppf(0.975, 7), rel=1e-7)


def test_variance_components_of_unlike_lots():
    lots = [[1.0, 2.0, 3.0], [4.0, 6.0], [9.0]]
    # By hand: N 6, sizes 3 2 1, n0 = (6 - 14/6)/2; MSW = (2 + 2)/3; MSL from weighted means.
    means, sizes = np.array([2.0, 5.0, 9.0]), np.array([3, 2, 1])
    msl = float(np.sum(sizes * (means - 25 / 6) ** 2) / 2)
    assert variance_components(lots) == (pytest.approx((msl - 4 / 3) / (11 / 6)), pytest.approx(4 / 3))
    assert variance_components([[1.0], [3.0]]) == (2.0, None)


def pads(centre, spread=0.02):
    return [centre - spread, centre, centre + spread]


def test_one_soft_lot_is_named_and_the_good_ones_are_not():
    stocks = {"felt": {"a": pads(0.0), "b": pads(0.05), "soft": pads(0.6)},
              "cork": {"a": pads(-1.0), "b": pads(-1.03), "c": pads(-0.97)}}
    assert lots_apart(stocks) == {("felt", "soft")}


def test_of_two_lots_nobody_can_say_which_is_the_odd_one():
    assert lots_apart({"felt": {"a": pads(0.0), "b": pads(0.5)}}) == {("felt", "a"), ("felt", "b")}


def test_a_lot_must_differ_by_more_than_15_percent():
    below, above = math.log(1.149), math.log(1.151)
    assert lots_apart({"felt": {"a": pads(0.0, 0.001), "b": pads(below, 0.001)}}) == set()
    assert lots_apart({"felt": {"a": pads(0.0, 0.001), "b": pads(above, 0.001)}}) != set()
    # ... and by more than chance: the pads scatter more than the lots differ.
    assert lots_apart({"felt": {"a": pads(0.0, 0.5), "b": pads(above, 0.5)}}) == set()


def test_one_pad_a_lot_says_nothing_of_lots_apart():
    assert lots_apart({"felt": {"a": [0.0], "b": [2.0]}}) == set()
