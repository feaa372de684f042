"""Sums of readings whose errors go on, against what is known of such errors in closed form."""

import math

import numpy as np
import pytest
from scipy.signal import lfilter

from padlab.statistics.serial import of_weighted_sum

N = 2000


def errors(r, seed):
    """First-order autoregressive errors of unit variance."""
    white = np.random.default_rng(seed).standard_normal(N + 500)
    return lfilter([math.sqrt(1 - r * r)], [1, -r], white)[500:]


@pytest.mark.parametrize("r", [-0.5, 0.0, 0.5, 0.9, 0.95])
def test_the_mean_of_errors_that_go_on(r):
    """Variance of a mean: sum of (1 - k/n) r^k over n lags either way, over n (textbook, from memory)."""
    k = np.arange(1, N)
    true = math.sqrt((1 + 2 * float(np.sum((1 - k / N) * r**k))) / N)
    found = [of_weighted_sum(np.full(N, 1 / N), errors(r, seed)) for seed in range(40)]
    least = 1 / math.sqrt(N)                                    # never less than of errors that do not go on
    assert np.mean([u for u, _ in found]) == pytest.approx(max(true, least), rel=0.1)
    freedom = N * (1 - r * r) / (1 + r * r)
    assert np.median([nu for _, nu in found]) == pytest.approx(freedom, rel=0.2)


def test_weights_of_both_signs_cancel_what_goes_on():
    """A difference of neighbours: variance 2 (1 - r)."""
    weights = np.zeros(N)
    weights[1000:1002] = (-1.0, 1.0)
    u = np.mean([of_weighted_sum(weights, errors(-0.6, seed))[0] for seed in range(40)])
    assert u == pytest.approx(math.sqrt(2 * 1.6), rel=0.05)


def test_no_residual_has_no_doubt():
    assert of_weighted_sum(np.ones(10), np.zeros(10)) == (0.0, 10.0)


def test_errors_that_go_on_over_the_whole_record_have_few_degrees_of_freedom():
    slow = np.sin(np.linspace(0, 2 * np.pi, N))
    u, freedom = of_weighted_sum(np.full(N, 1 / N), slow)
    assert freedom < 10
    assert u > 0.2
