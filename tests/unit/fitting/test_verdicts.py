"""Each verdict is reached, and none of them by a library's flag."""

from dataclasses import replace

import numpy as np
import pytest

from padlab.errors import FitError
from padlab.fitting.fit import fit
from padlab.fitting.laws import exponential, linear, power, sinking
from padlab.fitting.laws.law import Law, Parameter
from padlab.fitting.results import Verdict

X = np.linspace(0.5, 18, 40)


def test_good():
    found = fit(exponential.law(), X, np.log1p(X / 0.5) / 8)
    assert found.verdict is Verdict.GOOD
    assert found.values == pytest.approx([0.5, 8.0], rel=1e-9)


def test_too_few_points():
    found = fit(power.law(), X[:3], X[:3])
    assert found.verdict is Verdict.TOO_FEW_POINTS
    assert found.covariance is None


def test_at_bound():
    # An exponent of 20 is outside what a power law of contact may have (12).
    found = fit(power.law(), X, (X / 5.0) ** (1 / 20))
    assert found.verdict is Verdict.AT_BOUND
    assert "p stands at its upper bound" in found.reason


def test_undetermined():
    rng = np.random.default_rng(0)
    # Hardly bent data: amplitude and rate of an approach trade against each other.
    t = np.linspace(0.1, 2, 30)
    found = fit(sinking.approach(), t, 1 - np.exp(-0.4 * t) + rng.normal(0, 0.10, 30))
    assert found.verdict is Verdict.UNDETERMINED
    assert "is open by" in found.reason


def test_not_moved():
    blind = Law("blind", "y over x", "y = a + 0 b", "none",
                (Parameter("a", "1", "", -1e3, 1e3), Parameter("b", "1", "", -1e3, 1e3)),
                lambda x, p: np.full_like(x, p[0]),
                lambda x, p: np.column_stack([np.ones_like(x), np.zeros_like(x)]),
                lambda x, y: np.array([1.0, 2.0]))
    found = fit(blind, X, np.full_like(X, 3.0))
    assert found.verdict is Verdict.NOT_MOVED
    assert "b does not move" in found.reason
    # By no more than rounding is not at all, however sure the search seems of it.
    faint = replace(blind, jacobian=lambda x, p: np.column_stack([np.ones_like(x), 1e-14 * x]))
    assert fit(faint, X, np.full_like(X, 3.0)).verdict is Verdict.NOT_MOVED


def test_residual_pattern():
    found = fit(linear.law(), X, np.log1p(X / 0.5) / 8, gate=np.full_like(X, 2e-3))
    assert found.verdict is Verdict.RESIDUAL_PATTERN
    assert found.covariance is not None


def test_stopped_early():
    wild = Law("wild", "y over x", "not a number", "none", (Parameter("a", "1", "", -1e3, 1e3),),
               lambda x, p: np.full_like(x, np.nan), lambda x, p: np.full((x.size, 1), np.nan),
               lambda x, y: np.array([np.nan]))
    assert fit(wild, X, X).verdict in (Verdict.STOPPED_EARLY, Verdict.NOT_MOVED)


def test_dropped_points_are_counted():
    y = np.log1p(X / 0.5) / 8
    y[3], y[7] = np.nan, np.inf
    found = fit(exponential.law(), X, y)
    assert (found.n_used, found.n_dropped) == (38, 2)
    assert found.values == pytest.approx([0.5, 8.0], rel=1e-9)


def test_integers_and_single_precision_are_taken_as_they_are():
    """Parameters of an integer table used to stay at their start in other people's fits."""
    found = fit(linear.law(), np.arange(1, 20), 2 * np.arange(1, 20))
    assert found.values == pytest.approx([0.5], rel=1e-9)


def test_shapes_that_differ_are_refused():
    with pytest.raises(FitError, match="differ in length"):
        fit(linear.law(), X, X[:-1])


def test_serial_correlation_widens_the_errors():
    y = np.log1p(X / 0.5) / 8 + np.random.default_rng(1).normal(0, 1e-4, X.size)
    plain = fit(exponential.law(), X, y)
    wide = fit(exponential.law(), X, y, effective_share=0.25)
    assert wide.stderr == pytest.approx(2 * plain.stderr, rel=1e-9)


def test_covariance_agrees_with_scipy():
    from scipy import optimize

    rng = np.random.default_rng(2)
    y = 3.0 * X**1.5 + rng.normal(0, 0.3, X.size)
    ours = fit(power.force_law(), X, y)
    values, covariance = optimize.curve_fit(lambda x, c, p: c * x**p, X, y, p0=[1, 1], xtol=1e-14, ftol=1e-14)
    assert ours.values == pytest.approx(values, rel=1e-7)
    assert ours.stderr == pytest.approx(np.sqrt(np.diag(covariance)), rel=1e-5)
