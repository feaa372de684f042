"""Two pads on one rig: what is common cancels, what is each run's own does not, and the words are right."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest

from padlab.calibration.budget import Budget, Source, Unknown, smallest_difference, typical, verdict
from padlab.decisions.told_apart import rig_rows, told_apart
from padlab.fitting.results import RunBudget


def law(force_n):
    return 0.1 * np.log1p(np.asarray(force_n) / 0.5)


@pytest.fixture
def pad(make_fit):
    """A fit whose budget is stated outright."""
    def make(give_mm, *sources, run="r", material="felt", rig="bench", calibrations=(), ends=(0.5, 12.5)):
        fit = make_fit(law, run=run, material=material)
        budget = RunBudget(*ends, give_mm, Budget(tuple(sources)))
        return replace(fit, rig=rig, calibrations=calibrations, budget=budget)
    return make


OWN = Source("repeat strokes", 0.001, 4)


def scale(give_mm, share=0.004):
    return Source("indicator scale", give_mm * share, sensitivity=1.0, systematic=True)


def test_the_difference_of_two_runs_is_an_own_t_interval_where_all_else_is_common(pad):
    # by hand: u = 1 um * sqrt 2, Welch-Satterthwaite 8, t = 2.306 (tables of Student's t), U = 3.261 um
    found = told_apart(pad(0.200, OWN, run="a"), pad(0.196, OWN, run="b"))
    assert found.smallest_difference_mm == pytest.approx(0.0032612, rel=1e-4)
    assert found.told_apart
    assert found.difference_mm.low == pytest.approx(0.004 - 0.0032612, abs=1e-7)
    assert not told_apart(pad(0.200, OWN), pad(0.197, OWN)).told_apart


def test_a_scale_moves_two_alike_pads_alike_and_cancels_only_on_one_rig(pad):
    alone = told_apart(pad(0.2, OWN), pad(0.2, OWN)).smallest_difference_mm
    one = told_apart(pad(0.2, OWN, scale(0.2)), pad(0.2, OWN, scale(0.2)))
    other = told_apart(pad(0.2, OWN, scale(0.2)), pad(0.2, OWN, scale(0.2), rig="another"))
    recalibrated = told_apart(pad(0.2, OWN, scale(0.2)), pad(0.2, OWN, scale(0.2), calibrations=("c1",)))
    assert one.one_rig
    assert one.smallest_difference_mm == pytest.approx(alone)
    assert not other.one_rig
    assert not recalibrated.one_rig
    # 0.8 um of scale in each, on top of 1 um of scatter
    wider = Budget((OWN, OWN, scale(0.2), scale(0.2))).expanded()
    assert other.smallest_difference_mm == pytest.approx(wider)
    assert recalibrated.smallest_difference_mm == pytest.approx(wider)
    assert wider > 1.1 * alone


def test_what_a_scale_does_to_the_difference_itself_stays(pad):
    found = told_apart(pad(1.0, OWN, scale(1.0)), pad(0.5, OWN, scale(0.5)))
    assert found.smallest_difference_mm == pytest.approx(
        Budget((OWN, OWN, Source("left", 0.5 * 0.004))).expanded())


def test_a_pair_s_verdict_says_what_is_not_in_it(pad):
    """What used to happen: each run said that its temperature was not known, and the pair said nothing."""
    def with_unknown(give_mm, *unknown):
        fit = pad(give_mm, OWN)
        budget = replace(fit.budget.budget, unknown=unknown)
        return replace(fit, budget=replace(fit.budget, budget=budget))

    warmth, frame = Unknown("temperature", "none was recorded"), Unknown("compliance", "not stated")
    found = told_apart(with_unknown(0.2, warmth), with_unknown(0.196, warmth, frame))
    assert found.verdict.endswith("would be enough; not known, and not in this: temperature, compliance")
    assert found.to_json()["not_determined"] == [
        {"group": "temperature", "reason": "none was recorded"},
        {"group": "compliance", "reason": "not stated"}]
    assert "not known" not in told_apart(pad(0.2, OWN), pad(0.196, OWN)).verdict


def test_opposite_signs_of_one_source_add_up(pad):
    up, down = (Source("force scale", 0.001, sensitivity=s, systematic=True) for s in (1.0, -1.0))
    found = told_apart(pad(0.2, OWN, up), pad(0.2, OWN, down))
    assert found.smallest_difference_mm == pytest.approx(
        Budget((OWN, OWN, Source("left", 0.002))).expanded())


def test_a_frame_from_another_blank_run_does_not_cancel(pad):
    first, second = (Source(f"frame, blank {b}", 0.002, systematic=True) for b in "ab")
    same = told_apart(pad(0.2, OWN, first), pad(0.2, OWN, first)).smallest_difference_mm
    other = told_apart(pad(0.2, OWN, first), pad(0.2, OWN, second)).smallest_difference_mm
    assert other > 1.5 * same


def test_runs_recorded_elsewhere_share_nothing(pad):
    found = told_apart(pad(0.2, OWN, scale(0.2), rig=None), pad(0.2, OWN, scale(0.2), rig=None))
    assert not found.one_rig


def test_without_a_budget_or_with_other_forces_nothing_is_said(pad):
    light = replace(pad(0.2, OWN), budget=None)
    assert told_apart(light, pad(0.2, OWN)) is None
    assert told_apart(pad(0.2, OWN), pad(0.2, OWN, ends=(1.0, 8.0))) is None


def test_nothing_repeated_nothing_told_apart(pad):
    found = told_apart(pad(0.2, scale(0.2)), pad(0.1, scale(0.1)))
    assert (found.smallest_difference_mm, found.told_apart) == (None, False)
    assert "not determined" in found.verdict
    assert found.difference_mm.to_json() == {"value": pytest.approx(0.1), "low": None, "high": None}


def test_the_words_say_both_units_and_the_verdict():
    assert verdict(0.0032) == (
        "this rig can tell apart pads that differ by 3.2 um (0.1 thou) in give or more, at 95 %")
    assert "less than the 3.2 um (0.1 thou) that can be told apart" in verdict(0.0032, -0.001)
    assert verdict(0.0032, -0.01).endswith("told apart, for 3.2 um (0.1 thou) would be enough")


def test_a_rig_is_worth_what_its_runs_were_stock_by_stock(pad):
    fits = [pad(0.2, OWN, scale(0.2), run="a"), pad(0.3, Source("repeat strokes", 0.003, 4), run="b"),
            pad(0.02, Source("repeat strokes", 0.0002, 4), run="c", material="polymer"),
            pad(0.02, OWN, run="d", material="polymer", rig=None)]
    (found,) = rig_rows(fits)
    assert (found.rig, [s.material for s in found.stocks]) == ("bench", ["felt", "polymer"])
    felt, polymer = found.stocks
    assert felt.give_mm == pytest.approx(0.25)
    assert felt.smallest_difference_mm == pytest.approx(0.0032612 * math.sqrt((1 + 9) / 2), rel=1e-4)
    assert found.smallest_difference_mm == (polymer.smallest_difference_mm, felt.smallest_difference_mm)
    assert "bench can tell apart pads that differ by 0.7 um" in found.verdict
    json.dumps(found.to_json(), allow_nan=False)


def test_a_typical_run_has_the_root_mean_square_of_each_source_and_what_is_unknown_stays_unknown():
    none = Unknown("temperature", "nobody looked")
    found = typical([Budget((OWN,), (none,)), Budget((Source("repeat strokes", 0.003, 6),), (none,))])
    (one,) = found.sources
    assert one.standard_uncertainty == pytest.approx(math.sqrt(5e-6))
    assert one.degrees_of_freedom == 5
    assert found.unknown == (none,)


def test_groups_stand_in_the_stated_order_with_shared_and_own_apart():
    found = Budget((OWN, Source("frame", 1e-4, systematic=True), Source("indicator, place by place", 3e-4),
                    scale(0.1), Source("humidity", 1e-5))).groups()
    assert [(s.name, s.systematic) for s in found] == [
        ("indicator", True), ("indicator", False), ("compliance", True), ("repeatability", False),
        ("humidity", False)]


def test_smallest_difference_of_unlike_budgets():
    one, two = Budget((OWN,)), Budget((Source("repeat strokes", 0.003, 4),))
    u, nu = math.hypot(0.001, 0.003), 100 / (1 / 4 + 81 / 4)
    assert smallest_difference(one, two) == pytest.approx(
        Budget((Source("both", u, nu),)).expanded(), rel=1e-9)
