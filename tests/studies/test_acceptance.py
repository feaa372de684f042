"""Simulated acceptance: over many lots the verdict keeps both risks, by the code that judges real lots.

The quick form (300 to 1,500 lots a case) runs with all tests; the long one (``-m long``) takes 20,000 lots a
case. Shares are held to three Monte-Carlo standard errors. What the test of shape sends to be counted ends in
"test more" and counts as not accepted: the plan has set that part of the producer's risk aside.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from padlab.decisions.batch import BatchVerdict, judge_lot
from padlab.decisions.batch_plan import plan_batch
from padlab.decisions.batch_readings import LotReadings, PadValue
from padlab.records.spec import spec_from_table
from padlab.statistics.estimate import Estimate
from padlab.statistics.plans import quality_index, single_plan

pytestmark = pytest.mark.timeout(3600)
P1, ALPHA, P2, BETA = 0.01, 0.05, 0.08, 0.10
ONE = {"name": "give", "high": "0.30mm"}
BOTH = {"name": "thickness", "low": "1.55mm", "high": "1.65mm"}
THREE = (ONE, {"name": "loss_fraction", "high": 0.30}, {"name": "stiffness", "low": "30N/mm"})


def plan_of(*characteristics, **more):
    return plan_batch(spec_from_table({
        "material": "felt", "producer_risk_quality": P1, "producer_risk": ALPHA, "consumer_risk_quality": P2,
        "consumer_risk": BETA, "characteristic": list(characteristics), **more}, source="s.toml"))


def lot_of(characteristic, share, rng, n, *, split=1.0, bias=0.0, rig=0.0):
    """Readings of a lot with ``share`` outside, ``split`` of it beyond the upper of two limits."""
    c = characteristic
    if c.low is not None and c.high is not None:
        zu, zl = (stats.norm.isf(max(q, 1e-12)) for q in (split * share, (1 - split) * share))
        sd = (c.high - c.low) / (zu + zl)
        mean = c.high - zu * sd
    else:
        sd = 0.05 * (c.high if c.high is not None else c.low)
        away = stats.norm.isf(share) * sd
        mean = c.high - away if c.high is not None else c.low + away
    values = rng.normal(mean + bias * sd, sd, n)
    pads = tuple(PadValue(str(i), float(v), None, None, ("r",)) for i, v in enumerate(values))
    shared = {"rig: scale": rig * sd} if rig else {}
    return LotReadings(c, "L", pads, Estimate(float(values.mean()), shared=shared), True)


def shares(plan, make, lots, seed):
    """Shares accepted and sent to more tests."""
    rng = np.random.default_rng(seed)
    seen = [judge_lot(plan, make(rng)).verdict for _ in range(lots)]
    return (sum(v is BatchVerdict.ACCEPT for v in seen) / lots,
            sum(v is BatchVerdict.TEST_MORE for v in seen) / lots)


def error(share, lots):
    return 3 * math.sqrt(max(share * (1 - share), 1 / lots) / lots)


SIZES = [pytest.param(1, id="quick"), pytest.param(20, id="long", marks=pytest.mark.long)]


def lots_of(size, quick):
    return quick if size == 1 else 20_000


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("two_sided", [False, True])
def test_the_rule_accepts_as_often_as_the_plan_computes(size, two_sided):
    # The bare rule on 20,000 lots always: no test of shape before it, so that Pa is the plan's own.
    plan = single_plan(plan_of(ONE).spec.risks, two_sided=two_sided)
    rng = np.random.default_rng(17 + size)
    lots = 20_000
    for p in (P1, P2, 0.03):
        z = stats.norm.isf([0.75 * p, 0.25 * p] if two_sided else [p, 0.5])
        x = rng.normal(0, 1, (lots, plan.n))
        mean, sd = x.mean(axis=1), x.std(axis=1, ddof=1)
        low, high = (-z[1] if two_sided else None), z[0]
        seen = np.mean([quality_index(m, s, low=low, high=high) >= plan.k
                        for m, s in zip(mean, sd, strict=True)])
        least, most = plan.acceptance(p)
        assert least - error(seen, lots) <= seen <= most + error(seen, lots), p
        assert seen >= 1 - ALPHA - error(seen, lots) or p > P1
        assert seen <= BETA + error(seen, lots) or p < P2


@pytest.mark.parametrize("size", SIZES)
def test_one_characteristic(size):
    plan, lots = plan_of(ONE), lots_of(size, 1500)
    c = plan.spec.characteristics[0]
    good, counted = shares(plan, lambda rng: [lot_of(c, P1, rng, plan.n)], lots, 1)
    one = plan.characteristics[0]
    assert good >= 1 - ALPHA - error(good, lots)
    assert good == pytest.approx(one.rule.acceptance(P1)[0] * (1 - one.shape_level), abs=error(good, lots))
    assert counted == pytest.approx(one.shape_level, abs=error(one.shape_level, lots))
    bad, _ = shares(plan, lambda rng: [lot_of(c, P2, rng, plan.n)], lots, 2)
    assert bad <= BETA + error(BETA, lots)
    print(f"\none: good {good:.4f} (test more {counted:.4f}), bad {bad:.4f} of {lots}")


@pytest.mark.parametrize("size", SIZES)
def test_two_limits(size):
    plan, lots = plan_of(BOTH), lots_of(size, 600)
    c = plan.spec.characteristics[0]
    for split in (0.5, 0.9):
        good, counted = shares(plan, lambda rng, w=split: [lot_of(c, P1, rng, plan.n, split=w)], lots, 3)
        bad, _ = shares(plan, lambda rng, w=split: [lot_of(c, P2, rng, plan.n, split=w)], lots, 4)
        assert good >= 1 - ALPHA - error(good, lots)
        assert bad <= BETA + error(BETA, lots)
        print(f"\ntwo limits, split {split}: good {good:.4f} (test more {counted:.4f}), bad {bad:.4f}")


@pytest.mark.parametrize("size", SIZES)
def test_three_characteristics_share_the_producers_risk(size):
    plan, lots = plan_of(*THREE), lots_of(size, 500)
    cs = plan.spec.characteristics
    good, counted = shares(plan, lambda rng: [lot_of(c, P1, rng, plan.n) for c in cs], lots, 5)
    assert good >= 1 - ALPHA - error(good, lots)
    bad, _ = shares(plan, lambda rng: [lot_of(cs[0], P2, rng, plan.n),
                                       *(lot_of(c, 1e-6, rng, plan.n) for c in cs[1:])], lots, 6)
    assert bad <= BETA + error(BETA, lots)
    print(f"\nthree: all at p1 {good:.4f} (test more {counted:.4f}), one at p2 {bad:.4f} of {lots}")


@pytest.mark.parametrize("size", SIZES)
def test_the_guard_band_keeps_the_consumers_risk_on_a_biased_rig(size):
    # The rig reads every pad too well by the whole of what its budget allows (1.96 standard uncertainties).
    plan, lots = plan_of(ONE), lots_of(size, 800)
    c, u = plan.spec.characteristics[0], 0.4

    def with_rig(rng, known):
        one = lot_of(c, P2, rng, plan.n, bias=-1.96 * u, rig=u)
        return [one if known else replace(one, systematic_known=False)]

    guarded, _ = shares(plan, lambda rng: with_rig(rng, True), lots, 7)
    bare, _ = shares(plan, lambda rng: with_rig(rng, False), lots, 7)
    assert guarded <= BETA + error(BETA, lots)
    assert bare > 0.5                                    # without it the same rig passes most bad lots
    print(f"\nbiased rig: bad lots accepted {guarded:.4f} with, {bare:.4f} without guard band, of {lots}")


@pytest.mark.parametrize("size", SIZES)
def test_double_plans(size):
    plan, lots = plan_of(ONE, double_plan=True), lots_of(size, 800)
    c, rule = plan.spec.characteristics[0], plan.characteristics[0].rule

    def twice(rng, p):
        whole = lot_of(c, p, rng, rule.total)
        first = replace(whole, pads=whole.pads[:rule.first])
        verdict = judge_lot(plan, [first]).verdict
        second = verdict is BatchVerdict.TEST_MORE
        return judge_lot(plan, [whole]).verdict if second else verdict, second

    for p, keeps in ((P1, lambda a, more: a >= 1 - ALPHA - error(a, lots)),
                     (P2, lambda a, more: a <= BETA + error(BETA, lots))):
        rng = np.random.default_rng(8)
        seen = [twice(rng, p) for _ in range(lots)]
        accepted, more = (sum(v is want for v, _ in seen) / lots
                          for want in (BatchVerdict.ACCEPT, BatchVerdict.TEST_MORE))
        assert keeps(accepted, more), p
        print(f"\ndouble, share {p}: accepted {accepted:.4f}, second sample for "
              f"{sum(second for _, second in seen) / lots:.3f} of {lots}")
