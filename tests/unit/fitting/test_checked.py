"""What lmfit finds beside what padlab reports; a difference cannot hide."""

import math
from dataclasses import replace

import numpy as np
import pytest

from padlab.capture.virtual.simulate import simulated_run
from padlab.fitting import run_fit
from padlab.fitting.checked import AGREES, LawCheck, ParameterCheck, check_law, relative_difference
from padlab.fitting.fit import fit
from padlab.fitting.laws import power
from padlab.fitting.results import Verdict

RNG = np.random.default_rng(5)
X = np.linspace(0.1, 2.0, 40)
Y = 3.0 * X**1.5 * (1 + 0.01 * RNG.standard_normal(X.size))
LAW = power.force_law()


def test_a_good_fit_agrees_with_lmfit_in_values_and_errors():
    found = fit(LAW, X, Y, effective_share=0.25)
    told = check_law(found, X, Y, None, 0.25, about="compression")
    assert told.agrees is True
    # Errors are shown as of independent points: half of what is reported at n_eff = n / 4.
    assert told.parameters[0].standard_error == pytest.approx(found.stderr[0] / 2)


@pytest.mark.parametrize("spoil", [
    lambda f: replace(f, values=f.values * (1 + 3 * AGREES)),
    lambda f: replace(f, covariance=f.covariance * (1 + 6 * AGREES)),
    lambda f: replace(f, covariance=None),
    lambda f: replace(f, values=np.array([math.nan, 1.5])),
])
def test_a_wrong_value_or_error_is_seen(spoil):
    told = check_law(spoil(fit(LAW, X, Y)), X, Y, None, 1.0, about="compression")
    assert told.agrees is False


def test_what_is_not_good_need_not_agree():
    few = fit(LAW, X[:3], Y[:3])
    assert few.verdict is Verdict.TOO_FEW_POINTS
    told = check_law(few, X[:3], Y[:3], None, 1.0, about="sinking")
    assert told.agrees is None
    assert told.to_json()["parameters"][0]["padlab"] == {"value": None, "standard_error": None}


def test_readings_that_no_fit_uses_are_kept_from_lmfit_too():
    y = Y.copy()
    y[7] = math.nan
    assert check_law(fit(LAW, X, y), X, y, None, 1.0, about="compression").agrees is True


def test_differences_of_what_is_no_number():
    assert relative_difference(math.nan, 1.0) is None
    assert relative_difference(0.0, 0.0) == 0.0
    assert relative_difference(0.0, 1e-30) == 1.0
    row = ParameterCheck("a", "mm", 1.0, None, 1.0, 0.1)
    assert LawCheck("sinking", "power", Verdict.GOOD, (row,)).agrees is False


@pytest.mark.parametrize("material", ["wool felt", "sheet cork", "soft neoprene"])
def test_the_laws_of_a_whole_run_are_checked_by_name(material):
    run, _ = simulated_run(material, 1, 1, seed=8)
    told = run_fit.fit_run(run, checked=True)
    assert [c.about for c in told.checks] == ["compression", "sinking", "sinking", "sinking"]
    assert told.checks[0].law == told.compression.law
    for p in told.checks[0].parameters:
        assert p.value == told.compression.parameters[p.name].value
    assert {c.law for c in told.checks[1:]} == {told.creep.law, *(a["law"] for a in told.creep.alternatives)}
    assert all(c.agrees is not False for c in told.checks)
    assert run_fit.fit_run(run).checks == ()
