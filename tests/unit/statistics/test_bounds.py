"""Intervals of errors that are partly known only by bounds, against their integrals done numerically."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from padlab.statistics.quantity import half_width95, t95, with_doubt


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
    assert half_width95(1.0, [2.0], 4) > half_width95(1.0, [2.0])
    assert half_width95(0.0, [2.0], 4) == pytest.approx(half_width95(0.0, [2.0]), rel=1e-12)
