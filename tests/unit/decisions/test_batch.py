"""The verdict on a lot: the three grounds of "test more", the guard band, sheets, shape, equivalence."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from padlab.decisions.batch import BatchVerdict, judge_lot
from padlab.decisions.batch_plan import plan_batch
from padlab.decisions.batch_readings import LotReadings, PadValue, Unfitted, lot_readings
from padlab.marks import mark
from padlab.records.gauge import GaugeReading
from padlab.records.run import GaugeBatch
from padlab.records.spec import spec_from_table
from padlab.statistics.estimate import Estimate

ACCEPT, REFUSE, MORE = BatchVerdict.ACCEPT, BatchVerdict.REFUSE, BatchVerdict.TEST_MORE
GIVE = {"name": "give", "high": "0.30mm"}
LIMIT = 0.30


def spec(*characteristics, **more):
    return spec_from_table(
        {
            "material": "felt",
            "producer_risk_quality": 0.01,
            "producer_risk": 0.05,
            "consumer_risk_quality": 0.08,
            "consumer_risk": 0.10,
            "characteristic": list(characteristics),
            **more,
        },
        source="s.toml",
    )


def sample(n, *, mean, sd, seed=1):
    """As many values whose mean and standard deviation are exactly these, normal in shape."""
    x = np.random.default_rng(seed).normal(size=n)
    return mean + sd * (x - x.mean()) / x.std(ddof=1)


def readings(
    values, *, characteristic, sheets=None, places=None, shared=None, known=True, stopped=(), lot="L"
):
    pads = tuple(
        PadValue(
            f"p{i}",
            float(v),
            None if sheets is None else sheets[i],
            None if places is None else places[i],
            (f"r{i}",),
        )
        for i, v in enumerate(values)
    )
    mean = Estimate(float(np.mean(values)), shared=shared or {}) if pads else None
    return LotReadings(characteristic, lot, pads, mean, known, stopped)


def judged(values, *, asked=None, more=None, **how):
    plan = plan_batch(spec(asked or GIVE, **(more or {})))
    return judge_lot(
        plan, [readings(values, characteristic=plan.spec.characteristics[0], **how)]
    ).characteristics[0]


def test_a_lot_is_accepted_down_to_its_constant_and_refused_below():
    # k 1.817255 of 28 pads (worked plan): the mean lies so many standard deviations inside, or not.
    for k, verdict in ((1.8173, ACCEPT), (1.8171, REFUSE), (-1.0, REFUSE), (5.0, ACCEPT)):
        one = judged(sample(28, mean=LIMIT - k * 0.01, sd=0.01))
        assert one.verdict is verdict
        assert one.k == pytest.approx(k)
        assert one.acceptance_constant == pytest.approx(1.817255, abs=5e-7)
    assert one.bad_lot_accepted == pytest.approx(0.10)
    assert one.good_lot_refused == pytest.approx(1 - 0.95291, abs=5e-6)


def test_a_miss_by_a_hair_is_no_ground_to_test_more():
    assert judged(sample(28, mean=LIMIT - 1.81725 * 0.01, sd=0.01)).verdict is REFUSE


def test_fewer_pads_than_planned_are_a_ground_however_good_or_bad_they_are():
    for mean in (0.1, 0.5):
        one = judged(sample(27, mean=mean, sd=0.01))
        assert one.verdict is MORE
        assert one.reasons == ("27 of the 28 pads that the rule needs were tested",)
    none = judged([])
    assert (none.verdict, none.mean, none.k) == (MORE, None, None)
    assert judged([0.2]).verdict is MORE


def test_a_stopped_pad_is_a_ground_even_where_enough_others_are_good():
    one = judged(sample(30, mean=0.1, sd=0.01), stopped=(("x", "run r9 is marked stop: the zero moved"),))
    assert one.verdict is MORE
    assert "pad x: run r9 is marked stop" in one.reasons[0]


def test_more_pads_than_planned_use_the_constant_of_their_own_number():
    one = judged(sample(60, mean=LIMIT - 1.79 * 0.01, sd=0.01))
    z2, root = stats.norm.isf(0.08), math.sqrt(60)
    assert one.acceptance_constant == pytest.approx(stats.nct.ppf(0.9, 59, root * z2) / root, rel=1e-9)
    assert one.bad_lot_accepted == pytest.approx(0.10)


def test_overall_refused_by_any_accepted_by_all():
    plan = plan_batch(spec(GIVE, {"name": "loss_fraction", "high": 0.3}))
    c = plan.spec.characteristics
    good = sample(40, mean=0.2, sd=0.01)
    bad, few = sample(40, mean=0.29, sd=0.01), good[:5]
    for values, verdict in (
        ((good, good), ACCEPT),
        ((good, bad), REFUSE),
        ((few, bad), REFUSE),
        ((few, good), MORE),
    ):
        result = judge_lot(plan, [readings(v, characteristic=one) for v, one in zip(values, c, strict=True)])
        assert result.verdict is verdict


def test_the_guard_band_is_the_systematic_part_only():
    # u = 5 um of the rig's scale: the limit is drawn in by 1.96 u; scatter between pads adds nothing to it.
    one = judged(
        sample(28, mean=LIMIT - 0.01 - 1.9 * 0.01, sd=0.01), shared={"rig: scale": 0.003, "rig: f": -0.004}
    )
    assert one.guard == pytest.approx(1.959964 * 0.005, rel=1e-5)
    assert one.high == pytest.approx(LIMIT - one.guard)
    assert one.verdict is ACCEPT
    refused = judged(sample(28, mean=LIMIT - 1.9 * 0.01, sd=0.01), shared={"rig: scale": 0.005})
    assert refused.verdict is REFUSE
    assert "more pads cannot" in refused.reasons[1]
    unknown = judged(sample(28, mean=LIMIT - 1.9 * 0.01, sd=0.01), shared={"rig: scale": 0.005}, known=False)
    assert (unknown.guard, unknown.verdict) == (None, ACCEPT)


def test_limits_narrower_than_the_rigs_doubt_accept_nothing():
    one = judged(
        sample(40, mean=0.25, sd=0.0001),
        asked={"name": "give", "low": "0.24mm", "high": "0.26mm"},
        shared={"rig": 0.006},
    )
    assert one.verdict is REFUSE
    assert "no wider than the rig" in one.reasons[0]


def test_a_pad_apart_is_named_and_stays_in():
    values = sample(30, mean=0.2, sd=0.01)
    values[7] = 0.28
    one = judged(values)
    assert one.n == 30
    assert one.sd == pytest.approx(np.std(values, ddof=1))
    assert [m.code for m in one.marks if m.code == "pad_apart"]
    assert "p7" in next(m.message for m in one.marks if m.code == "pad_apart")


def test_pads_that_are_not_normal_are_counted():
    skewed = np.exp(np.random.default_rng(3).normal(0, 1, 28)) / 1000
    one = judged(skewed)
    assert one.rule == "counted"
    assert (one.verdict, one.tolerance, one.capability) == (MORE, None, None)
    assert "28 of the 65 pads that counting needs" in one.reasons[0]
    assert judged(np.exp(np.random.default_rng(3).normal(0, 1, 65)) / 1000).verdict is ACCEPT
    wild = np.exp(np.random.default_rng(3).normal(0, 1, 28)) / 4
    assert judged(wild).verdict is REFUSE  # more outside than may be: no more pads can mend it
    said = judged(
        np.exp(np.random.default_rng(3).normal(0, 0.4, 40)) / 20, asked={**GIVE, "distribution": "lognormal"}
    )
    assert (said.rule, said.verdict) == ("single", ACCEPT)
    assert judged([-0.1, *[0.1] * 40], asked={**GIVE, "distribution": "lognormal"}).verdict is REFUSE


def test_counted_where_the_spec_says_so():
    values = sample(65, mean=0.2, sd=0.01)
    for outside, verdict in ((0, ACCEPT), (2, ACCEPT), (3, REFUSE)):
        values[:outside] = 0.31
        assert judged(values, asked={**GIVE, "distribution": "any"}).verdict is verdict
    assert judged(values[3:20], asked={**GIVE, "distribution": "any"}).verdict is MORE
    many = judged(
        np.r_[np.full(8, 0.31), sample(200, mean=0.2, sd=0.01)], asked={**GIVE, "distribution": "any"}
    )
    assert stats.binom.cdf(many.acceptance_constant, 208, 0.08) <= 0.10
    assert stats.binom.cdf(many.acceptance_constant + 1, 208, 0.08) > 0.10


def test_double_plan_decides_the_clear_cases_first():
    more = {"double_plan": True}
    assert judged(sample(22, mean=LIMIT - 2.1 * 0.01, sd=0.01), more=more).verdict is ACCEPT
    assert judged(sample(22, mean=LIMIT - 1.6 * 0.01, sd=0.01), more=more).verdict is REFUSE
    between = judged(sample(22, mean=LIMIT - 1.9 * 0.01, sd=0.01), more=more)
    assert between.verdict is MORE
    assert "test 21 more pads" in between.reasons[0]
    assert judged(sample(43, mean=LIMIT - 1.9 * 0.01, sd=0.01), more=more).verdict is ACCEPT
    assert judged(sample(43, mean=LIMIT - 1.8 * 0.01, sd=0.01), more=more).verdict is REFUSE
    few = judged(sample(21, mean=0.1, sd=0.01), more=more)
    assert few.reasons == ("21 of the 22 pads that the rule needs were tested",)


def test_sheets_that_differ_make_pads_worth_less():
    sheets = [str(i // 7) for i in range(28)]
    shift = np.repeat([0.0, 0.02, 0.04, 0.06], 7)
    values = sample(28, mean=0.15, sd=0.004) + shift
    drawn = judged(values, sheets=sheets)
    alike = judged(values)
    assert drawn.sheets is not None
    assert drawn.sheets.mean_n < 5
    assert drawn.acceptance_constant > alike.acceptance_constant
    assert drawn.bad_lot_accepted == pytest.approx(0.10)
    assert drawn.good_lot_refused > 0.05
    assert any("refuse a good lot" in r for r in drawn.reasons)
    whole = judged(values, sheets=sheets, more={"sheets": 4})  # every sheet is in the sample
    assert whole.acceptance_constant == pytest.approx(alike.acceptance_constant)
    missing = judged(values, sheets=sheets, more={"sheets": 5})
    assert missing.verdict is MORE
    assert "from 4 of 5 sheets" in missing.reasons[0]
    assert "no pad says" in judged(values, more={"sheets": 5}).reasons[0]


def test_several_sheets_keep_the_consumers_risk():
    # Lots at p2 whose variance is half between sheets; 28 pads of 7 sheets drawn by lot.
    rng = np.random.default_rng(6)
    plan = plan_batch(spec(GIVE))
    c, lots = plan.spec.characteristics[0], 1500
    sheets = [str(i // 4) for i in range(28)]
    half = math.sqrt(0.5) * 0.01
    mean = LIMIT - stats.norm.isf(0.08) * 0.01
    accepted = 0
    for _ in range(lots):
        values = mean + np.repeat(rng.normal(0, half, 7), 4) + rng.normal(0, half, 28)
        result = judge_lot(plan, [readings(values, characteristic=c, sheets=sheets)])
        accepted += result.verdict is ACCEPT
    share = accepted / lots
    # Satterthwaite's numbers are an approximation: 0.12 where half the variance lies between seven sheets.
    assert share <= 0.125 + 3 * math.sqrt(0.1 * 0.9 / lots)


def test_equivalence_uses_the_margin_fixed_beforehand_and_cancels_the_common_rig():
    asked = {**GIVE, "margin": "0.01mm"}
    plan = plan_batch(spec(asked, reference={"lot": "old"}))
    c = plan.spec.characteristics[0]
    new = readings(sample(28, mean=0.202, sd=0.005), characteristic=c, shared={"a: scale": 0.02})
    for rig, shown in (("a", True), ("b", None)):
        old = readings(
            sample(12, mean=0.2, sd=0.005, seed=2),
            characteristic=c,
            lot="old",
            shared={f"{rig}: scale": 0.02},
        )
        e = judge_lot(plan, [new], reference=[old]).characteristics[0].equivalence
        assert (e if shown is None else e.is_shown) == shown
    se = 0.005 * math.sqrt(1 / 28 + 1 / 12)
    old = readings(sample(12, mean=0.2, sd=0.005, seed=2), characteristic=c, shared={"a: scale": 0.02})
    e = judge_lot(plan, [new], reference=[old]).characteristics[0].equivalence
    assert e.standard_error == pytest.approx(se)
    lonely = judge_lot(plan, [new], reference=[readings([0.2], characteristic=c)])
    assert lonely.characteristics[0].equivalence is None
    assert "no_reference" in {m.code for m in lonely.marks}


def test_capability_and_tolerance_are_of_the_sides_that_have_limits():
    one = judged(sample(30, mean=0.2, sd=0.01))
    assert (one.tolerance.low, one.tolerance.high) == (None, pytest.approx(0.2 + 0.01 * 2.2198, abs=5e-6))
    two = judged(sample(40, mean=0.2, sd=0.01), asked={"name": "give", "low": "0.1mm", "high": "0.3mm"})
    assert two.tolerance.low is not None
    assert two.capability.value == pytest.approx(0.1 / 0.03)


# What fits and gauges say


def test_readings_of_fits_repeats_average_and_the_rig_is_kept_apart(make_fit):
    def law(force):
        return force / 50

    fits = [
        make_fit(law, run=f"r{i}", pad=f"p{i // 2}", rig={"indicator scale": 0.01, "frame": 0.02})
        for i in range(6)
    ]
    (give,) = spec(GIVE).characteristics
    found = lot_readings(give, lot="l1", fits=fits, gauges=[])
    assert [p.runs for p in found.pads] == [("r0", "r1"), ("r2", "r3"), ("r4", "r5")]
    assert found.pads[0].value == pytest.approx(12 / 50, rel=1e-6)
    assert found.guard == pytest.approx(1.959964 * 0.24 * math.hypot(0.01, 0.02), rel=1e-3)
    (k,) = spec({"name": "stiffness", "low": "10N/mm", "at_force": "3.5N"}).characteristics
    stiff = lot_readings(k, lot="l1", fits=fits, gauges=[])
    assert stiff.pads[0].value == pytest.approx(50.0, rel=1e-4)
    assert stiff.guard == pytest.approx(1.959964 * 50 * math.hypot(0.01, 0.02), rel=1e-3)
    (loss,) = spec({"name": "loss_fraction", "high": "40%"}).characteristics
    lost = lot_readings(loss, lot="l1", fits=fits, gauges=[])
    assert lost.guard == pytest.approx(1.959964 * 0.3 * 0.02, rel=1e-2)  # a scale leaves the share alone
    (creep,) = spec({"name": "creep", "high": "6%"}).characteristics
    assert lot_readings(creep, lot="l1", fits=fits, gauges=[]).guard == pytest.approx(
        1.959964 * 0.04 * 0.02, rel=1e-2
    )


def test_stopped_unfitted_and_set_aside_pads_are_named(make_fit):
    def law(force):
        return force / 50

    fits = [
        make_fit(law, run="r1", pad="a"),
        make_fit(law, run="r2", pad="b", marks=(mark("zero_drifted", "r2"),)),
        make_fit(
            law, run="r3", pad="c", marks=(mark("set_aside", "r3", "set aside by a person: upside down"),)
        ),
        make_fit(law, run="r4", pad="d", marks=(mark("zero_drifted", "r4"),)),
        make_fit(law, run="r5", pad="d"),
        make_fit(law, run="r6", pad="e", to_n=5.0),
    ]
    (give,) = spec(GIVE).characteristics
    found = lot_readings(give, lot="l1", fits=fits, gauges=[], unfitted=[Unfitted("r7", "f", "no strokes")])
    assert [p.pad for p in found.pads] == ["a", "d"]  # d was measured again
    assert [pad for pad, _ in found.stopped] == ["b", "f"]
    assert [pad for pad, _ in found.set_aside] == ["c", "e"]
    assert "pressed to 5.0 N" in dict(found.set_aside)["e"]


def test_thickness_by_gauge_says_under_what(make_fit):
    (thick,) = spec({"name": "thickness", "low": "61thou"}).characteristics
    (meant,) = spec({"name": "thickness", "low": "61thou", "at": "gauge"}).characteristics
    gauges = [
        (
            "g1",
            "2026-07-01T00:00:00Z",
            GaugeBatch("felt", "l1", 0.5, 6.0),
            [GaugeReading("a", 1.6, "1", "edge"), GaugeReading("b", 1.7)],
        ),
        ("g2", "2026-07-02T00:00:00Z", GaugeBatch("felt", "l1", 0.5, 6.0), [GaugeReading("a", 1.62)]),
    ]
    found = lot_readings(thick, lot="l1", fits=[], gauges=gauges)
    assert [(p.pad, round(p.value, 3)) for p in found.pads] == [("a", 1.61), ("b", 1.7)]
    assert found.guard is None
    assert {m.code for m in found.marks} == {"gauge_thickness", "rig_doubt_unknown"}
    assert {m.code for m in lot_readings(meant, lot="l1", fits=[], gauges=gauges).marks} == {
        "rig_doubt_unknown"
    }
    fits = [make_fit(lambda f: f / 50, run="r1", pad="a")]
    assert lot_readings(thick, lot="l1", fits=fits, gauges=gauges).pads[0].runs == ("r1",)
    assert lot_readings(meant, lot="l1", fits=fits, gauges=gauges).pads[0].runs == ("g1", "g2")
