"""Intervals of errors that are partly known only by bounds, against their integrals done numerically."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from padlab.statistics.quantity import effective_degrees_of_freedom, half_width95, spread95, t95, with_doubt


def held(half, u, rectangles):
    """Probability that a bell and up to two rectangles together stay within +-half: scipy's quadrature."""
    a, *rest = rectangles
    if not rest:
        return integrate.quad(lambda r: stats.norm.cdf((half - r) / u) - stats.norm.cdf((-half - r) / u),
                              -a, a)[0] / (2 * a)
    (b,) = rest
    return integrate.dblquad(
        lambda q, r: stats.norm.cdf((half - r - q) / u) - stats.norm.cdf((-half - r - q) / u),
        -a, a, -b, b, epsabs=1e-9)[0] / (4 * a * b)


@pytest.mark.parametrize(("u", "rectangles"), [
    (1.0, [1.0]), (1.0, [3.0]), (0.2, [2.0]), (1.0, [2.0, 1.0]), (0.3, [1.0, 1.0]), (0.5, [4.0, 0.4])])
def test_the_interval_holds_what_it_says(u, rectangles):
    assert held(half_width95(u, rectangles), u, rectangles) == pytest.approx(0.95, abs=1e-6)


def test_a_rectangle_alone_and_two_alike():
    """Of a rectangle 0.95 a; of two alike, a triangle on +-2a: 2a (1 - sqrt(0.05)). JCGM 101:2008, 6.4.4."""
    assert half_width95(0.0, [2.0]) == pytest.approx(1.9, rel=1e-4)
    assert half_width95(0.0, [2.0, 2.0]) == pytest.approx(4 * (1 - math.sqrt(0.05)), rel=1e-4)


@settings(deadline=None, max_examples=60)
@given(st.floats(0.0, 10.0), st.lists(st.floats(0.0, 10.0), max_size=5))
def test_never_wider_than_the_parts_laid_end_to_end_nor_narrower_than_the_widest(u, rectangles):
    found = half_width95(u, rectangles)
    assert found <= t95(math.inf) * u + sum(rectangles) * 1.14 + 1e-9
    assert found >= max(t95(math.inf) * u, *(0.95 * a for a in rectangles), 0.0) * (1 - 2e-3)


def test_many_rectangles_against_drawn_ones():
    rng = np.random.default_rng(3)
    rectangles = [1.0, 0.8, 0.5, 0.3]
    drawn = 0.4 * rng.standard_normal(400_000) + sum(rng.uniform(-a, a, 400_000) for a in rectangles)
    assert half_width95(0.4, rectangles) == pytest.approx(np.quantile(np.abs(drawn), 0.95), rel=5e-3)


def test_bounds_reach_the_quantity_and_few_repeats_widen_only_the_bell():
    plain = with_doubt(10.0, 0.0, rectangles=[2.0])
    assert (plain.low, plain.high) == pytest.approx((8.1, 11.9), rel=1e-4)
    assert half_width95([(1.0, 4)], [2.0]) > half_width95(1.0, [2.0])
    assert half_width95([(0.0, 4)], [2.0]) == pytest.approx(half_width95(0.0, [2.0]), rel=1e-12)


@pytest.mark.parametrize(("scatter", "freedom", "known"), [
    (2.0, 4, 1.0), (1.0, 4, 3.0), (1.0, 2, 1.0), (0.5, 9, 1.0), (3.0, 1, 1.0), (1.0, 2.6, 0.3)])
def test_a_scatter_of_few_repeats_beside_what_is_known_well(scatter, freedom, known):
    """Against the convolution of t and normal by scipy's quadrature (JCGM 101:2008, 6.4.9)."""
    half = half_width95([(scatter, freedom), (known, math.inf)])
    # Over probabilities, or quadrature would miss the bulk beside the long tails.
    held, _ = integrate.quad(
        lambda p: 2 * stats.norm.cdf((half - scatter * stats.t.ppf(p, freedom)) / known) - 1, 0, 1,
        epsabs=1e-9, limit=400)
    assert held == pytest.approx(0.95, abs=1e-4)


def test_it_covers_where_effective_degrees_of_freedom_do_not():
    """Standard deviations of five beside a part known well: drawn anew 200,000 times."""
    rng = np.random.default_rng(11)
    ratios, pads = (2.0, 3.0), 200_000
    for ratio in ratios:
        seen = ratio * np.sqrt(rng.chisquare(4, pads) / 4)
        error = np.hypot(ratio, 1.0) * rng.standard_normal(pads)
        # The half-width over the known part depends on the ratio that is seen alone.
        grid = np.geomspace(0.01, 20.0, 200)
        mixed = np.interp(seen, grid, [half_width95([(r, 4), (1.0, math.inf)]) for r in grid])
        joined = np.interp(seen, grid, [t95(effective_degrees_of_freedom([(r, 4), (1.0, math.inf)]))
                                        * math.hypot(r, 1.0) for r in grid])
        assert 0.95 <= np.mean(np.abs(error) <= mixed) <= 0.962
        assert np.mean(np.abs(error) <= joined) < 0.945


def test_parts_alone_and_many_together():
    assert half_width95([(2.0, 4)]) == pytest.approx(2 * t95(4), rel=1e-12)
    assert half_width95([(2.0, 4), (0.0, math.inf)]) == half_width95([(2.0, 4)])
    assert half_width95([(3.0, math.inf), (4.0, 1e6)]) == pytest.approx(5 * t95(math.inf), rel=1e-12)
    rng = np.random.default_rng(5)
    parts, n = [(1.0, 4), (0.5, 9), (0.2, 3), (1.0, math.inf)], 400_000
    drawn = sum(u * (rng.standard_t(nu, n) if math.isfinite(nu) else rng.standard_normal(n))
                for u, nu in parts)
    drawn += rng.uniform(-2, 2, n) + rng.uniform(-0.7, 0.7, n)
    # What is joined by effective degrees of freedom (all but the largest) is a little wide.
    assert half_width95(parts, [2.0, 0.7]) == pytest.approx(np.quantile(np.abs(drawn), 0.95), rel=2e-2)
    assert with_doubt(1.0, [(math.nan, 4), (1.0, math.inf)]).low is None


def test_weighed_possibilities_with_an_error_of_each_against_drawn_ones() -> None:
    rng, n = np.random.default_rng(8), 400_000
    values, weights = np.array([0.0, 0.5, 3.0]), np.array([0.2, 0.5, 0.3])
    for bell, rectangles in ((0.3, []), (0.2, [1.0]), (0.1, [1.0, 0.4]), (0.1, [1.0, 0.4, 0.2])):
        drawn = rng.choice(values, n, p=weights) + bell * rng.standard_normal(n)
        drawn += sum((rng.uniform(-a, a, n) for a in rectangles), np.zeros(n))
        assert spread95(values, weights, bell, rectangles) == pytest.approx(
            np.quantile(drawn, [0.025, 0.975]), abs=0.02)


def test_possibilities_without_any_error_of_their_own() -> None:
    low, high = spread95([1.0, 2.0, 3.0], [0.01, 0.98, 0.01], 0.0, [])
    assert (low, high) == pytest.approx((2.0, 2.0), abs=0.1)
    assert spread95([2.0], [1.0], 0.0, []) == pytest.approx((2.0, 2.0), abs=1e-6)
    z = t95(math.inf)
    assert spread95([2.0], [1.0], 1.0, [0.0]) == pytest.approx((2 - z, 2 + z), rel=1e-6)
