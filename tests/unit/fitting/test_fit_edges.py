"""A fit's numbers in closed form, and each verdict at the edge of its threshold."""

from __future__ import annotations

import math

import numpy as np
import pytest

from padlab.fitting.fit import Fit, fit, gated_over
from padlab.fitting.laws import linear, power
from padlab.fitting.laws.law import Law, Parameter, clamp
from padlab.fitting.results import Verdict

X = np.linspace(0.5, 18.0, 40)
RNG = np.random.default_rng(4)
NOISE = RNG.standard_normal(40)


def line(lower: float = -100.0, upper: float = 100.0) -> Law:
    """A line y = a + b x, whose least squares are in every textbook."""
    return Law("line", "y over x", "y = a + b x", "none",
               (Parameter("a", "1", "", lower, upper), Parameter("b", "1", "", -100.0, 100.0)),
               lambda x, p: p[0] + p[1] * x, lambda x, p: np.column_stack([np.ones_like(x), x]),
               lambda x, y: np.array([1.0, 1.0]))


def by_hand(x: np.ndarray, y: np.ndarray, w: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Values and covariance of weighted least squares: s^2 (A'WA)^-1 with s^2 from what is left."""
    a = np.column_stack([np.ones_like(x), x]) * w[:, None]
    inverse = np.linalg.inv(a.T @ a)
    values = inverse @ a.T @ (y * w)
    left = y * w - a @ values
    return values, inverse * float(left @ left) / (x.size - 2)


@pytest.mark.parametrize("scale", [1e-3, 1.0, 1e3])
@pytest.mark.parametrize("share", [1.0, 0.25])
def test_weights_are_relative_and_serial_correlation_widens(scale: float, share: float) -> None:
    sigma = np.linspace(0.5, 2.0, 40)
    y = -0.3 + 0.2 * X + 0.05 * sigma * NOISE
    found = fit(line(), X, y, sigma=scale * sigma, effective_share=share)
    values, covariance = by_hand(X, y, 1 / sigma)
    assert found.values == pytest.approx(values, rel=1e-7)
    assert found.covariance == pytest.approx(covariance / share, rel=1e-6)
    assert found.residual_rms == pytest.approx(float(np.sqrt(np.mean((y - values[0] - values[1] * X) ** 2))))
    g = np.column_stack([np.ones(3), [0.0, 5.0, 40.0]])
    assert found.predict_standard_error(np.array([0.0, 5.0, 40.0])) == pytest.approx(
        np.sqrt(np.einsum("ij,jk,ik->i", g, covariance / share, g)), rel=1e-6)


def test_what_could_not_be_found_has_no_standard_error() -> None:
    bare = Fit(linear.law(), np.array([50.0]), None, 40, 0, 0.0, 0.0, Verdict.GOOD, "")
    assert bare.stderr is None
    assert bare.predict_standard_error(X) is None


def test_points_without_a_weight_are_dropped_and_counted() -> None:
    sigma = np.ones(40)
    sigma[[0, 1, 2]] = [0.0, -1.0, np.nan]
    x, y = X.copy(), X / 50
    x[5], y[6] = np.inf, np.nan
    found = fit(linear.law(), x, y, sigma=sigma)
    assert (found.n_used, found.n_dropped) == (35, 5)
    assert found.values == pytest.approx([50.0], rel=1e-9)


@pytest.mark.parametrize(("count", "verdict"), [(3, Verdict.TOO_FEW_POINTS), (4, Verdict.GOOD)])
def test_two_points_more_than_parameters_are_needed(count: int, verdict: Verdict) -> None:
    x = X[:count]
    found = fit(power.law(), x, (x / 300) ** (1 / 1.8))
    assert found.verdict is verdict
    if verdict is Verdict.TOO_FEW_POINTS:
        assert np.isnan(found.values).all()
        kept = fit(power.law(), x, x, start=np.array([1.0, 2.0]))
        assert kept.values.tolist() == [1.0, 2.0]


# -- the gate --------------------------------------------------------------------------------------


@pytest.mark.parametrize(("n", "over"), [(10, 3), (39, 3), (40, 4), (100, 10)])
def test_the_gate_looks_over_a_tenth_and_over_three_points_at_least(n: int, over: int) -> None:
    assert gated_over(n) == over


@pytest.mark.parametrize(("gate", "verdict"), [(0.9, Verdict.RESIDUAL_PATTERN), (1.1, Verdict.GOOD)])
def test_what_a_law_leaves_may_reach_the_gate_on_either_side(gate: float, verdict: Verdict) -> None:
    """A line through x^2 leaves most at its ends; the other way up it leaves the same below."""
    for sign in (1, -1):
        y = 3.0 + sign * 0.001 * X**2
        left = fit(line(), X, y)
        smooth = np.convolve(left.predict(X) - y, np.ones(4) / 4, "valid")
        found = fit(line(), X, y, gate=np.full(40, gate * np.abs(smooth).max()))
        assert found.verdict is verdict


@pytest.mark.parametrize(("count", "verdict"), [(9, Verdict.GOOD), (10, Verdict.RESIDUAL_PATTERN)])
def test_fewer_than_ten_points_show_no_pattern(count: int, verdict: Verdict) -> None:
    x = np.linspace(1, 10, count)
    assert fit(line(), x, 3 + 0.001 * x**2, gate=np.full(count, 1e-4)).verdict is verdict


# -- bounds and what is open -----------------------------------------------------------------------


def test_a_parameter_stands_at_its_bound() -> None:
    """The search is not held by bounds; where the least lies outside them, or on them, that is said."""
    y = 5.0 + 0.2 * X + 1e-3 * NOISE
    assert fit(line(upper=4.0), X, y).verdict is Verdict.AT_BOUND
    assert "a stands at its upper bound 4" in fit(line(upper=4.0), X, y).reason
    assert "a stands at its lower bound 6" in fit(line(lower=6.0), X, y).reason
    assert fit(line(upper=5.1), X, y).verdict is Verdict.GOOD
    stiff = fit(linear.law(), X, X / 2e6)
    assert (stiff.verdict, stiff.reason) == (Verdict.AT_BOUND, "K stands at its upper bound 1e+06 N/mm")
    for near, told in ((1.00005, Verdict.AT_BOUND), (1.0002, Verdict.GOOD)):
        assert fit(linear.law(), X, X / (1e-3 * near)).verdict is told
    soft = fit(linear.law(), X, X / 5e-4)
    assert (soft.verdict, soft.reason) == (Verdict.AT_BOUND, "K stands at its lower bound 0.001 N/mm")


@pytest.mark.parametrize(("noise", "verdict"), [(0.45, Verdict.GOOD), (0.55, Verdict.UNDETERMINED)])
def test_a_positive_parameter_is_open_by_half_of_itself(noise: float, verdict: Verdict) -> None:
    """Of y = b with one parameter the standard error is s / sqrt(n)."""
    level = Law("level", "y over x", "y = b", "none", (Parameter("b", "1", "", 1e-3, 1e3),),
                lambda x, p: np.full_like(x, p[0]), lambda x, p: np.ones((x.size, 1)),
                lambda x, y: np.array([1.0]))
    scatter = (NOISE - NOISE.mean()) / NOISE.std(ddof=1) * math.sqrt(40) * noise
    found = fit(level, X, 1.0 + scatter)
    assert found.stderr is not None
    assert found.stderr[0] == pytest.approx(noise, rel=1e-6)
    assert found.verdict is verdict
    if verdict is Verdict.UNDETERMINED:
        assert found.reason == "b is open by 55 %"


def test_parameters_that_do_the_same_cannot_be_told_apart() -> None:
    twice = Law("twice", "y over x", "y = a + b", "none",
                (Parameter("a", "1", "", -1e3, 1e3), Parameter("b", "1", "", -1e3, 1e3)),
                lambda x, p: np.full_like(x, p[0] + p[1]), lambda x, p: np.ones((x.size, 2)),
                lambda x, y: np.array([1.0, 1.0]))
    found = fit(twice, X, np.full(40, 3.0) + 0.01 * NOISE)
    assert found.covariance is None
    assert (found.verdict, found.reason) == (Verdict.UNDETERMINED, "the parameters cannot be told apart")


def test_a_first_guess_is_brought_inside_the_range() -> None:
    """Of what is not a number the middle: of positive ones in the logarithm."""
    several = (Parameter("p", "1", "", 1.0, 100.0), Parameter("q", "1", "", -2.0, 10.0))
    assert clamp([math.nan, math.nan], several) == pytest.approx([10.0, 4.0])
    assert clamp([0.1, -5.0], several) == pytest.approx([1.001, -2.0])
    assert clamp([1e6, 50.0], several) == pytest.approx([99.9, 9.99])
    assert clamp([7.0, 0.0], several) == pytest.approx([7.0, 0.0])
