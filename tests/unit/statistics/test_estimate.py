"""Doubts kept in parts: what averages down, what stays, what cancels."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from padlab.statistics.estimate import (
    Estimate,
    average,
    average_with_scatter,
    shared_difference,
    welch_satterthwaite,
)
from padlab.statistics.quantity import effective_degrees_of_freedom, t95

positive = st.floats(1e-3, 1e3)


@given(st.lists(st.tuples(positive, st.floats(0, 0.2)), min_size=1, max_size=6), positive)
def test_log_mean_scales_with_the_unit(rows, factor):
    one = [Estimate(v, v * u, 5.0, {"rig": v * 0.01}) for v, u in rows]
    other = [Estimate(v * factor, v * u * factor, 5.0, {"rig": v * 0.01 * factor}) for v, u in rows]
    a, b = average_with_scatter(one, log=True), average_with_scatter(other, log=True)
    assert float(b.value) == pytest.approx(float(a.value) * factor, rel=1e-9)
    size = float(a.value) * factor
    assert float(b.own) == pytest.approx(float(a.own) * factor, rel=1e-6, abs=1e-12 * size)
    assert float(a.shared["rig"]) == pytest.approx(0.01 * float(a.value), rel=1e-9)


def test_own_doubt_averages_down_and_shared_stays():
    mean = average([Estimate(1.0, 0.1, math.inf, {"rig": 0.05})] * 4, log=True)
    assert float(mean.own) == pytest.approx(0.05)
    assert float(mean.shared["rig"]) == pytest.approx(0.05)


def test_what_two_share_cancels_and_the_rest_stays():
    a = Estimate(1.0, 0.0, math.inf, {"rig": 0.02, "gap: a": 0.03})
    b = Estimate(2.0, 0.0, math.inf, {"rig": 0.04, "gap: b": 0.08})
    assert float(shared_difference(a, b, log=True)) == pytest.approx(math.hypot(0.03, 0.04))


def test_scatter_speaks_unless_the_measurement_is_worse():
    wide = average_with_scatter([Estimate(1.0, 0.01), Estimate(1.2, 0.01), Estimate(1.1, 0.01)], log=False)
    assert (float(wide.own), float(wide.own_df)) == (pytest.approx(0.1 / math.sqrt(3)), 2)
    lucky = average_with_scatter([Estimate(1.0, 0.3, 4.0), Estimate(1.0, 0.3, 4.0)], log=False)
    assert float(lucky.own) == pytest.approx(0.3 / math.sqrt(2))
    assert float(lucky.own_df) == pytest.approx(8.0)


def test_degrees_of_freedom_as_the_scalar_rule():
    parts = [(0.3, 4.0), (0.2, 10.0), (0.5, math.inf)]
    assert welch_satterthwaite(parts) == pytest.approx(effective_degrees_of_freedom(parts))
    assert welch_satterthwaite([(0.0, 3.0)]) == math.inf


def test_a_curve_has_the_band_of_its_points():
    rig = np.array([0.0, 0.1, 0.1])
    a = Estimate(np.array([0.0, 1.0, 2.0]), np.array([0.0, 0.1, 0.2]), 3.0, {"rig": rig})
    low, high = a.band()
    assert (low[0], high[0]) == (0.0, 0.0)
    point = Estimate(2.0, 0.2, 3.0, {"rig": 0.1}).quantity()
    assert (low[2], high[2]) == (pytest.approx(point.low), pytest.approx(point.high))


def test_interval_of_a_positive_number_is_on_the_log_scale():
    q = Estimate(2.0, 0.2, 4.0).quantity()
    assert q.high == pytest.approx(2 * math.exp(t95(4) * 0.1))
    assert q.low == pytest.approx(2 * math.exp(-t95(4) * 0.1))
