"""What stands beside a run's numbers: their verdicts and the marks that weigh on them."""

from dataclasses import replace

import numpy as np
import pytest

from padlab.capture.virtual.simulate import simulate
from padlab.fitting.run_fit import fit_run
from padlab.report.run_story import tell_run


@pytest.fixture(scope="module")
def polymer():
    return simulate("dense polymer", seed=701).run


def told(run):
    return {what: (value, interval) for what, value, interval in tell_run(fit_run(run)).numbers}


def test_a_small_share_is_not_rounded_to_nothing(polymer):
    fit = fit_run(polymer)
    sinks = fit.json["creep"]["fraction_per_decade"]
    [(value, interval)] = [v for k, v in told(polymer).items() if k.startswith("Sinks in ten times")]
    assert interval == f"{100 * sinks['low']:.1f} to {100 * sinks['high']:.1f} %"
    assert value.startswith(f"{100 * sinks['value']:.1f} %")


def test_a_thickness_has_its_interval(polymer):
    value, interval = told(polymer)["Thickness, fresh"]
    half = 1.96 * 0.0127                                  # half a thou, one standard deviation
    assert value.startswith(f"{polymer.pad.thickness_mm:.3f} mm")
    low, high = (float(word) for word in interval.partition(" mm")[0].split(" to "))
    assert high - low == pytest.approx(2 * half, rel=0.03)


def test_verdicts_and_marks_stand_beside_the_numbers_they_weigh_on(polymer):
    table = polymer.samples
    coarse = replace(polymer, _samples=table.assign(
        displacement_mm=np.round(table["displacement_mm"] / 0.0127) * 0.0127))
    [(value, _)] = [v for k, v in told(coarse).items() if k.startswith("Sinks in ten times")]
    assert value.endswith(", undetermined")
    drifting = replace(polymer, _samples=table.assign(
        force_n=table["force_n"] + np.linspace(0, 0.3, len(table))))
    beside = told(drifting)
    assert beside["Stiffness at 3.5 N net"][0].endswith("; the force zero moved")
    assert "zero" not in beside["Thickness, fresh"][0]
    assert all("zero" not in value for value, _ in told(polymer).values())
