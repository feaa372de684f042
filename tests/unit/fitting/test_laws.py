"""Every law: its derivatives are the derivatives of its value, and its guess leads to its truth."""

from dataclasses import replace

import numpy as np
import pytest

from padlab.fitting.fit import fit
from padlab.fitting.laws import (
    cellular,
    conditioning,
    exponential,
    fibre,
    flow,
    linear,
    mooney_rivlin,
    power,
    recovery,
    relaxation,
    rubber,
    sinking,
    wearing,
)
from padlab.fitting.reference import fit_with_lmfit
from padlab.fitting.results import Verdict

FORCE = np.geomspace(0.3, 18, 50)
TIME = np.geomspace(0.2, 60, 40)
STROKES = np.geomspace(10, 1e6, 40)
RAMP = (np.linspace(-3, 0, 30), np.linspace(0, 1, 30))
CASES = [
    (linear.law(), FORCE, [120.0]),
    (power.law(), FORCE, [300.0, 1.8]),
    (power.force_law(), np.geomspace(0.01, 0.5, 40), [300.0, 1.8]),
    (exponential.law(), FORCE, [0.5, 8.0]),
    (fibre.law(thickness_mm=1.6), FORCE, [1.2]),
    (rubber.law(area_mm2=233.0, thickness_mm=1.6), FORCE, [0.7]),
    (fibre.free_exponent_law(thickness_mm=1.6), FORCE, [1.2, 2.7]),
    (mooney_rivlin.law(area_mm2=120.0, thickness_mm=1.6), np.geomspace(0.3, 90, 50), [0.25, 0.08]),
    (mooney_rivlin.stress_law(), np.linspace(1.05, 3, 30), [0.2, 0.05]),
    (cellular.two_powers(area_mm2=233.0, thickness_mm=3.0), FORCE, [0.03, 0.5, 0.2, 4.0]),
    (cellular.buckling(area_mm2=233.0, thickness_mm=3.0), FORCE, [0.02, 0.3, 0.01, 2.0]),
    (relaxation.law(terms=1), TIME, [5.0, 1.0, 0.3]),
    (relaxation.law(terms=2), TIME, [5.0, 1.0, 2.0, 0.7, 0.08]),
    (flow.law(force_n=4.0), TIME, [80.0, 400.0, 0.33, 60000.0]),
    (recovery.law(), np.geomspace(10, 86400, 12), [0.08, 0.15]),
    (conditioning.saturating(), np.arange(1.0, 60.0), [0.32, 0.02, 0.5]),
    (wearing.steady(), STROKES, [1.4e-8]),
    (wearing.running_in(), STROKES, [0.02, 5e3, 1.4e-8]),
    (wearing.power(), STROKES, [0.012, 0.6]),
    (wearing.saturating(), STROKES, [0.06, 2e5, 0.7]),
    (wearing.logarithmic(), STROKES, [0.015, 3e3]),
    (sinking.logarithmic(clock_s=1.3), TIME, [0.2, 0.04]),
    (sinking.findley(clock_s=0.4), TIME, [0.2, 0.01, 0.15]),
    (sinking.approach(), TIME, [0.03, 0.2]),
    (sinking.approach_from(*RAMP), TIME, [0.2, 0.03, 0.2]),
]
IDS = [f"{law.name} {law.of}" for law, _, _ in CASES]


@pytest.mark.parametrize(("law", "x", "theta"), CASES, ids=IDS)
def test_derivatives(law, x, theta):
    theta = np.array(theta)
    analytic = law.jacobian(x, theta)
    for i in range(theta.size):
        step = np.zeros_like(theta)
        step[i] = 1e-6 * theta[i]
        numeric = (law.value(x, theta + step) - law.value(x, theta - step)) / (2 * step[i])
        rounding = 1e-15 * np.abs(law.value(x, theta)).max() / step[i]       # of the difference, not the law
        least = max(1e-9 * np.abs(numeric).max(), rounding)
        assert analytic[:, i] == pytest.approx(numeric, rel=2e-5, abs=least)


@pytest.mark.parametrize(("law", "x", "theta"), CASES, ids=IDS)
def test_the_truth_is_found_from_the_law_s_own_guess(law, x, theta):
    found = fit(law, x, law.value(x, np.array(theta)))
    assert found.verdict is Verdict.GOOD
    assert found.values == pytest.approx(theta, rel=1e-6)


@pytest.mark.parametrize(("law", "x", "theta"), CASES, ids=IDS)
def test_the_parameter_table_is_whole(law, x, theta):
    assert len(law.parameters) == len(theta)
    assert law.source
    assert law.equation
    for p, t in zip(law.parameters, theta, strict=True):
        assert p.lower < t < p.upper
        assert p.meaning
        assert p.unit


def test_from_zero_counts_from_the_preload():
    law = exponential.law().from_zero(0.25)
    assert law.value(np.array([0.25]), np.array([0.5, 8.0]))[0] == 0.0


@pytest.mark.parametrize(("law", "x", "theta"), CASES, ids=IDS)
@pytest.mark.parametrize("seed", range(4))
def test_values_and_errors_are_lmfit_s_to_six_digits(law, x, theta, seed):
    """The reference has its own bounds, derivatives by differences and covariance; it shares the law."""
    random = np.random.default_rng(seed)
    y = law.value(x, np.array(theta))
    sigma = random.uniform(0.5, 2.0, x.size)
    y = y + 0.003 * float(np.median(np.abs(y))) * sigma * random.standard_normal(x.size)
    found = fit(law, x, y, sigma=sigma)
    values, errors = fit_with_lmfit(law, x, y, sigma=sigma)
    assert errors is not None
    assert found.stderr is not None
    assert found.values == pytest.approx(values, rel=1e-6)
    assert found.stderr == pytest.approx(errors, rel=1e-6)


def test_the_ramp_of_the_approach_is_that_of_the_element():
    ramp_s = np.sort(np.random.default_rng(2).uniform(-3, 0, 12))
    ramp_s[-1] = 0.0
    share = np.linspace(0.1, 1, 12) ** 1.7
    for rate in (1e-5, 0.02, 0.4, 9.0, 1e4):
        law = sinking.approach_from(ramp_s, share)
        shown = law.value(np.array([0.0]), np.array([0.0, 1.0, rate]))[0]
        expected = sinking.kelvin_voigt(ramp_s, share, compliance=1.0, tau_s=1 / rate)[-1]
        assert shown == pytest.approx(expected, rel=1e-12, abs=1e-10)


@pytest.mark.parametrize(("law", "x", "theta"), [c for c in CASES if c[0].separable], ids=[
    name for name, c in zip(IDS, CASES, strict=True) if c[0].separable])
def test_both_searches_end_in_one_place(law, x, theta):
    random = np.random.default_rng(5)
    y = law.value(x, np.array(theta))
    y = y + 0.003 * float(np.median(np.abs(y))) * random.standard_normal(x.size)
    fast, slow = fit(law, x, y), fit(replace(law, separable=None), x, y)
    assert fast.values == pytest.approx(slow.values, rel=1e-7)
    assert fast.stderr == pytest.approx(slow.stderr, rel=1e-6)


@pytest.mark.parametrize(("law", "x", "theta"), [c for c in CASES if c[0].separable], ids=[
    name for name, c in zip(IDS, CASES, strict=True) if c[0].separable])
def test_the_parts_of_a_law_make_the_law(law, x, theta):
    """The basis times c is the law, slope is the basis' derivative; also counted from a preload."""
    for one in (law, law.from_zero(float(x[0]))) if law.of.endswith("over force_n") else (law,):
        parts = one.separable
        q = np.array([theta[i] for i in parts.nonlinear])
        c, *_ = np.linalg.lstsq(parts.basis(x, q), one.value(x, np.array(theta)), rcond=None)
        assert parts.join(c, q) == pytest.approx(theta, rel=1e-9)
        for m in range(q.size):
            step = np.zeros_like(q)
            step[m] = 1e-6 * q[m]
            numeric = (parts.basis(x, q + step) - parts.basis(x, q - step)) / (2 * step[m])
            assert parts.slope(x, q)[:, :, m] == pytest.approx(numeric, rel=2e-5, abs=1e-9)


def test_a_search_that_strays_far_meets_numbers():
    """Coarse readings once led it to a rate of e^700, and the fit of a run to an overflow."""
    law = sinking.approach_from(*RAMP)
    for rate in (0.0, 1e-300, 1e300, float("inf")):
        theta = np.array([0.2, 0.03, rate])
        assert np.isfinite(law.value(TIME, theta)).all()
        assert np.isfinite(law.jacobian(TIME, theta)).all()
