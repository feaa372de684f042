"""Against numpy's own quantiles, which must be the same to the last bit: pages are held to their bytes."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import array_shapes, arrays

from padlab.statistics.quantiles import quantiles

SHARES = st.lists(st.floats(0, 1), min_size=1, max_size=4)


VALUES = st.floats(-1e300, 1e300) | st.just(np.nan)


@given(arrays(np.float64, array_shapes(max_dims=3, max_side=12), elements=VALUES), SHARES)
def test_the_same_bits_as_numpys(values, shares):
    before = values.copy()
    found = np.array(quantiles(values, *shares))
    assert np.array_equal(found, np.quantile(values, shares), equal_nan=True)
    assert np.array_equal(values, before, equal_nan=True)


def test_the_same_bits_where_they_are_asked_for():
    rng = np.random.default_rng(4)
    for _ in range(200):
        values = rng.lognormal(size=(rng.integers(1, 80), 20)) - 1
        assert quantiles(values, 0.025, 0.95, 0.975) == tuple(np.quantile(values, [0.025, 0.95, 0.975]))


@pytest.mark.parametrize("share", [-0.01, 1.01, np.nan])
def test_what_is_no_share_is_refused(share):
    with pytest.raises(ValueError, match="0 to 1"):
        quantiles(np.arange(3.0), share)


def test_no_values_have_no_quantile():
    with pytest.raises((IndexError, ValueError)):
        quantiles(np.empty(0), 0.5)
