"""Ranking of stocks made of known laws: order, ties, lots, verdicts, what is left out and why."""

from __future__ import annotations

import json
import math
import random
from dataclasses import replace

import numpy as np
import pytest

from padlab.decisions.comparison import Face, compare
from padlab.drift.touch import preset
from padlab.errors import InputError
from padlab.marks import mark
from padlab.records.pad import Pad

MEDIUM = preset("medium")
RIG = {"travel scale": 0.005, "force scale": -0.01}


def law(scale):
    return lambda f: scale * np.log1p(np.asarray(f) / 0.5) / 8


@pytest.fixture
def stock(make_fit):
    """A stock of lots x pads; ``lots`` are factors on the law, pads scatter by ``spread``."""
    def make(material, scale, *, lots=(1.0, 1.03, 0.97), pads=(0.98, 1.0, 1.02), **given):
        given = {"rig": RIG, "scatter": 0.004, "within_mm": 0.0005, "gap": 0.05, "creep_u": 0.002,
                 "points": 80, **given}
        return [make_fit(law(scale * lot * pad), run=f"{material}-{i}-{j}", pad=f"p{j}", lot=f"lot{i}",
                         material=material, **given)
                for i, lot in enumerate(lots) for j, pad in enumerate(pads)]
    return make


@pytest.fixture
def three(stock):
    return [*stock("felt", 1.0), *stock("cork", 0.2), *stock("foam", 2.0)]


def row(comparison, material):
    return next(r for r in comparison.ranking if r.material == material)


def test_order_letters_and_verdicts(three):
    found = compare(three, MEDIUM)
    assert [(r.rank, r.material, r.letters) for r in found.ranking] == [
        (1, "cork", "a"), (2, "felt", "b"), (3, "foam", "c")]
    assert [r.verdict for r in found.ranking] == ["within", "within", "beyond"]
    assert all(p.told_apart for p in found.pairs)
    assert found.ranking[0].probability_best == pytest.approx(1, abs=1e-3)
    assert (found.replication, found.method) == ("lot", "formula")
    assert [m.code for m in found.marks] == ["formula"]


def test_shuffled_runs_give_the_same_bytes(three):
    first = json.dumps(compare(three, MEDIUM).to_json(), allow_nan=False)
    for seed in range(3):
        mixed = random.Random(seed).sample(three, len(three))
        assert json.dumps(compare(mixed, MEDIUM).to_json(), allow_nan=False) == first


def test_twice_the_compression_at_twice_the_thickness_is_the_same_stock(stock):
    thin, thick = stock("thin", 1.0), stock("thick", 2.0, thickness=3.2)
    found = compare([*thin, *thick], MEDIUM)
    assert row(found, "thin").drift_play_p95_mm.value == pytest.approx(
        row(found, "thick").drift_play_p95_mm.value, rel=1e-9)
    assert row(found, "thin").letters == row(found, "thick").letters == "a"
    assert not found.pairs[0].told_apart
    assert found.carried_to.thickness_chosen_by == "middle of the tested pads"


def test_letters_say_what_pairs_say(stock):
    found = compare([f for n, s in enumerate((1.0, 1.04, 1.1, 1.18, 1.3)) for f in stock(f"s{n}", s)], MEDIUM)
    letters = {r.material: set(r.letters) for r in found.ranking}
    assert any(p.told_apart for p in found.pairs)
    assert not all(p.told_apart for p in found.pairs)
    for p in found.pairs:
        assert bool(letters[p.a] & letters[p.b]) == (not p.told_apart)
        assert p.told_apart == (p.difference_mm.low > 0 or p.difference_mm.high < 0)


def test_rig_error_widens_a_stock_and_cancels_between_stocks(stock):
    def both(rig, other=None):
        a = stock("a", 1.0, rig=rig, gap=0.0)
        b = stock("b", 1.15, rig=rig, gap=0.0, **({"rig_name": other} if other else {}))
        return compare([*a, *b], MEDIUM)

    exact, same, apart = both({}), both({"travel scale": 0.1}), both({"travel scale": 0.1}, "bench-b")
    width = {n: c.ranking[0].drift_play_p95_mm.high / c.ranking[0].drift_play_p95_mm.low
             for n, c in (("exact", exact), ("same", same))}
    assert width["same"] > 1.2 * width["exact"]
    pair = {n: c.pairs[0].difference_mm.half_width for n, c in
            (("exact", exact), ("same", same), ("apart", apart))}
    assert pair["same"] == pytest.approx(pair["exact"], rel=0.02)
    assert pair["apart"] > 2 * pair["exact"]
    # Calibrations are part of the rig: another calibration is another error.
    rig = {"travel scale": 0.1}
    recalibrated = compare([*stock("a", 1.0, rig=rig, gap=0.0),
                            *stock("b", 1.15, rig=rig, gap=0.0, calibrations=("c2",))], MEDIUM)
    assert recalibrated.pairs[0].difference_mm.half_width == pytest.approx(pair["apart"], rel=1e-6)


def test_one_lot_ranks_these_pads(stock):
    found = compare([*stock("a", 1.0, lots=(1.0,)), *stock("b", 2.0, lots=(1.0,))], MEDIUM)
    assert found.replication == "pad"
    assert all("one_lot" in {m.code for m in r.marks} for r in found.ranking)
    assert [(r.lots, r.pads) for r in found.ranking] == [(1, 3), (1, 3)]


def test_one_pad_each_rests_on_its_own_measurement(stock):
    one = {"lots": (1.0,), "pads": (1.0,)}
    found = compare([*stock("a", 1.0, **one), *stock("b", 1.002, **one)], MEDIUM)
    assert found.replication == "measurement"
    drift = found.ranking[0].drift_play_p95_mm
    assert drift.low < drift.value < drift.high
    assert found.ranking[0].letters == found.ranking[1].letters


def test_a_single_stock_has_no_rivals(stock):
    found = compare(stock("felt", 1.0), MEDIUM)
    assert found.pairs == ()
    assert found.smallest_difference_mm is None
    assert found.ranking[0].probability_best is None


def test_the_soft_lot_stands_apart(stock):
    found = compare([*stock("felt", 1.0, lots=(1.0, 1.02, 1.6)), *stock("cork", 0.3)], MEDIUM)
    assert [(r.lot, r.stands_apart) for r in row(found, "felt").lot_rows] == [
        ("lot0", False), ("lot1", False), ("lot2", True)]
    assert [m.about for m in row(found, "felt").marks if m.code == "lot_apart"] == ["lot lot2"]
    assert not any(r.stands_apart for r in row(found, "cork").lot_rows)


def test_repeat_runs_are_one_pad(stock):
    pads = stock("felt", 1.0)
    again = [replace(f, run=f.run + "-again") for f in pads[:3]]
    found = compare([*pads, *again], MEDIUM)
    assert (found.ranking[0].pads, len(found.pads)) == (9, 12)
    assert found.ranking[0].drift_play_p95_mm.value == pytest.approx(
        compare(pads, MEDIUM).ranking[0].drift_play_p95_mm.value, rel=1e-9)


def test_runs_marked_stop_are_listed_not_used(three):
    drifted = (mark("zero_drifted", "force"),)
    spoiled = [replace(f, marks=drifted) if f.run == "felt-0-0" else f for f in three]
    found = compare(spoiled, MEDIUM)
    assert [(r.run, r.used, r.role) for r in found.left_out] == [("felt-0-0", False, "left out")]
    assert "zero" in found.left_out[0].reason
    assert row(found, "felt").pads == 8
    assert found.unranked == ()


def test_a_stock_of_which_nothing_came_through_says_why(three):
    spoiled = [replace(f, marks=(mark("set_aside", "run", "set aside: dropped"),))
               if f.pad.material == "felt" else f for f in three]
    found = compare(spoiled, MEDIUM)
    assert [(u.material, u.reason) for u in found.unranked] == [("felt", "set aside: dropped")]
    assert {r.material for r in found.ranking} == {"cork", "foam"}
    assert found.to_json()["unranked"][0]["material"] == "felt"


def test_runs_that_could_not_be_fitted_are_listed(three):
    pad = Pad("p9", "old foam", "other", "lot9", 19.0, 8.0)
    found = compare(three, MEDIUM, not_fitted=[("r9", pad, "no usable stroke")])
    assert [u.material for u in found.unranked] == ["old foam"]
    assert [r.reason for r in found.pads if r.run == "r9"] == ["no usable stroke"]
    alone = compare([], MEDIUM, not_fitted=[("r9", pad, "no usable stroke")])
    assert (alone.ranking, len(alone.unranked)) == ((), 1)


def test_a_stock_pressed_too_lightly_has_no_rank(three, stock):
    found = compare([*three, *stock("light", 0.1, to_n=6.0)], MEDIUM)
    last = found.ranking[-1]
    assert (last.material, last.rank, last.drift_play_p95_mm, last.letters) == ("light", None, None, "")
    assert last.test_force_needed_n == pytest.approx(9.1, abs=0.1)   # 95 % of the medium touch, less 2.5 N
    assert last.hold_mm is not None
    assert "not_tested_hard_enough" in {m.code for m in last.marks}
    assert not any(p.used for p in found.pads if p.material == "light")
    assert "light" in {u["material"] for u in found.to_json()["unranked"]}
    assert {p.a for p in found.pairs} | {p.b for p in found.pairs} == {"felt", "cork", "foam"}


def test_warm_up_stands_beside_and_is_not_ranked(stock, make_fit):
    pads = stock("felt", 1.0)
    warm = [make_fit(law(1.0), run=f"w{i}", pad="p0", lot=f"lot{i}", material="felt", procedure="warm-up",
                     warm_up=0.02 + 0.001 * i) for i in range(3)]
    with_it, without = compare([*pads, *warm], MEDIUM), compare(pads, MEDIUM)
    felt = with_it.ranking[0]
    assert felt.warm_up_mm.value == pytest.approx(0.021, rel=0.03)
    assert felt.drift_play_p95_mm == without.ranking[0].drift_play_p95_mm
    assert "warm_up" not in felt.missing
    assert "warm_up" in without.ranking[0].missing
    assert [p.role for p in with_it.pads if p.procedure == "warm-up"] == ["warm-up"] * 3


def test_total_drift_waits_for_thinning(three):
    asked = compare(three, MEDIUM, service={"years": 8, "strokes_per_day": 3000, "days_per_week": 6})
    assert all(r.drift_total_p95_mm is None and "thinning" in r.missing for r in asked.ranking)
    assert "service" not in asked.ranking[0].missing
    assert "service" in compare(three, MEDIUM).ranking[0].missing


def test_no_hold_is_said_not_taken_as_none(stock):
    found = compare([*stock("a", 1.0), *stock("b", 2.0, creep=None)], MEDIUM)
    b = row(found, "b")
    assert (b.hold_mm, b.includes, "hold" in b.missing, b.creep) == (None, ("give",), True, None)
    assert "no_hold" in {m.code for m in b.marks}
    assert row(found, "a").includes == ("give", "hold")


def test_face_is_the_commonest_and_the_rest_is_carried(stock):
    found = compare([*stock("a", 1.0), *stock("b", 1.0, outer=15.0, inner=7.0, lots=(1.0, 1.1))], MEDIUM)
    assert (found.carried_to.outer_mm, found.carried_to.inner_mm) == (19.0, 8.0)
    assert "carried_far" in {m.code for m in row(found, "b").marks}
    asked = compare(stock("a", 1.0), MEDIUM, face=Face(15, 7), thickness_mm=1.2)
    assert asked.carried_to.face_chosen_by == asked.carried_to.thickness_chosen_by == "asked for"
    assert asked.carried_to.loaded_thickness_mm == 1.2


def test_unknown_thickness(stock):
    same = compare([*stock("a", 1.0), *stock("b", 1.0, thickness=None)], MEDIUM)
    assert "thickness_unknown" in {m.code for m in row(same, "b").marks}
    other = compare([*stock("a", 1.0), *stock("b", 1.0, thickness=None)], MEDIUM, face=Face(18, 8))
    assert [u.material for u in other.unranked] == ["b"]
    assert "thickness is not known" in other.unranked[0].reason
    nobody = compare(stock("a", 1.0, thickness=None), MEDIUM)
    assert nobody.carried_to.loaded_thickness_mm is None
    assert nobody.carried_to.thickness_chosen_by == "not known"
    assert nobody.ranking[0].drift_play_p95_mm is not None


def test_curves_for_the_page(stock):
    felt = compare(stock("felt", 1.0), MEDIUM).ranking[0]
    position = felt.position
    assert position.finger_force_n[[0, -1]] == pytest.approx([2.75, 20.5])
    inside = position.position_mm[1:]
    assert np.all((position.low_mm[1:] < inside) & (inside < position.high_mm[1:]))
    assert np.all(np.diff(position.position_mm) > 0)
    creep = felt.creep
    assert creep.time_s[0] == 1
    assert creep.time_s[-1] == pytest.approx(600)       # one decade past the hold of 60 s, no more
    assert np.array_equal(creep.extrapolated, creep.time_s > 60 * (1 + 1e-9))
    # 4 % of the position at 1 s, every decade.
    assert creep.position_mm[-1] / creep.position_mm[0] == pytest.approx(1 + 0.04 * math.log10(600), rel=1e-6)


def test_up_stop(stock):
    found = compare(stock("felt", 1.0), MEDIUM, stop="up", holding_n=2.0)
    assert (found.touch.stop, found.touch.set_net_n, found.touch.median_n) == ("up", 1.5, 0.5)
    assert found.ranking[0].drift_play_p95_mm.value > 0
    assert np.all(np.diff(found.ranking[0].position.finger_force_n) > 0)
    assert json.dumps(found.to_json(), allow_nan=False)


def test_many_strokes_that_do_not_bottom_are_a_caution(stock):
    found = compare(stock("felt", 1.0), preset("light"), holding_n=3.0)
    assert "not_bottomed" in {m.code for m in found.marks}


def test_json_has_the_keys_of_the_contract(three):
    answer = compare(three, MEDIUM).to_json()
    assert set(answer) >= {"touch", "carried_to", "unranked", "limit_mm", "method", "ranking", "pads",
                           "pairs", "smallest_difference_mm", "marks"}
    assert set(answer["touch"]) >= {"name", "median_n", "gsd", "hold_median_s", "hold_gsd", "holding_n",
                                    "not_bottomed_share", "beyond_tested_share"}
    assert set(answer["ranking"][0]) >= {
        "material", "lots", "pads", "drift_play_p95_mm", "drift_total_p95_mm", "includes", "missing",
        "give_mm", "hold_mm", "warm_up_mm", "thinning_mm", "play_band_mm", "loss_fraction", "letters",
        "probability_best", "verdict", "method", "marks"}
    assert set(answer["pads"][0]) >= {"run", "pad", "material", "lot", "drift_play_p95_mm", "give_mm",
                                      "hold_mm", "used", "marks"}
    assert set(answer["pairs"][0]) >= {"a", "b", "difference_mm", "told_apart"}


def test_nothing_and_twice_the_same_are_refused(three):
    with pytest.raises(InputError, match="nothing to compare"):
        compare([], MEDIUM)
    with pytest.raises(InputError, match="came in twice"):
        compare([*three, three[0]], MEDIUM)


def test_interval_of_a_stock_covers_its_truth():
    """Lots drawn at random: the 95 % interval of a stock holds its true drift in 95 % of 400 draws."""
    from padlab.decisions.groups import stock_mean
    from padlab.statistics.estimate import Estimate

    rng = np.random.default_rng(3)
    hits = 0
    for _ in range(400):
        lots = {str(i): [Estimate(float(np.exp(lot + rng.normal(0, 0.03)))) for _ in range(3)]
                for i, lot in enumerate(rng.normal(0, 0.1, 3))}
        interval = stock_mean(lots).quantity()
        hits += interval.low < 1.0 < interval.high
    assert 0.93 <= hits / 400 <= 0.97
