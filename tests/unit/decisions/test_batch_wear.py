"""Wear as a characteristic of a lot: known paths give known losses; what was not read is not tested."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from padlab.decisions.batch import BatchVerdict, judge_lot
from padlab.decisions.batch_plan import plan_batch
from padlab.decisions.batch_readings import NotMeasured
from padlab.decisions.batch_wear import LossAt, loss_at, named, wear_readings
from padlab.marks import mark
from padlab.records.pad import Pad
from padlab.records.run import Run
from padlab.records.spec import spec_from_table

DAY = 86400.0
ASKED = 100_000
STROKES = (0.0, 1e4, 5e4, 1e5, 2e5)
WEAR = {"name": "wear", "high": "60um", "after_strokes": ASKED}


def spec(characteristic=WEAR, **more):
    return spec_from_table({
        "material": "felt", "producer_risk_quality": 0.01, "producer_risk": 0.05,
        "consumer_risk_quality": 0.08, "consumer_risk": 0.10, "characteristic": [characteristic], **more},
        source="s.toml")


C = spec().characteristics[0]


def run(pad, loss, *, lot="L", at=STROKES, rest=DAY, tag="aa", axis="strokes", more=None, **how):
    """A wear run whose loss is ``loss(strokes)`` in mm, each reading after a day of rest."""
    at = np.array(at)
    samples = pd.DataFrame({axis: at, "thickness_mm": 1.6 - np.array([loss(n) for n in at]),
                            "rest_s": np.full(at.size, rest), **(more or {})})
    name = "".join(c if c in "abcdefghijklmnopqrstuvwxyz234567" else "z" for c in f"{pad}{tag}".lower())
    return replace(Run(id=f"20260704T081530Z-{name:a>6}"[:23], folder=Path("nowhere"), kind="wear",
                       state="complete", start_utc="2026-07-04T08:15:30Z", stop="down",
                       pad=Pad(pad, "felt", "felt", lot, 19.0, 8.0, 1.6), _samples=samples), **how)


def values(runs, c=C, lot="L"):
    return {p.pad: p.value for p in wear_readings(c, lot=lot, runs=runs).pads}


def codes(found):
    return {m.code for m in found.marks}


def test_a_known_path_gives_its_known_loss():
    # Science: w(N) = a (1 - exp(-N/N0)) + c N, with a reading at the asked strokes.
    def path(n):
        return 0.020 * (1 - np.exp(-n / 5e4)) + 1.4e-7 * n

    found = wear_readings(C, lot="L", runs=[run("p", path)])
    assert found.pads[0].value == pytest.approx(0.020 * (1 - np.exp(-2)) + 0.014, abs=1e-12)
    assert found.mean.value == pytest.approx(found.pads[0].value)
    assert not found.systematic_known
    assert found.guard is None
    assert codes(found) == {"no_control", "rig_doubt_unknown"}


def test_between_two_readings_a_straight_path_is_exact_and_a_bent_one_is_bounded():
    straight = wear_readings(C, lot="L", runs=[run("p", lambda n: 3e-7 * n, at=(0, 5e4, 2e5))])
    assert straight.pads[0].value == pytest.approx(0.030, abs=1e-12)
    assert "between_readings" not in codes(straight)

    def bent(n):
        return 0.04 * (1 - np.exp(-n / 3e4))

    found = wear_readings(C, lot="L", runs=[run("p", bent, at=(0, 2e4, 2e5))])
    line = bent(2e4) + (bent(2e5) - bent(2e4)) * 8e4 / 18e4
    assert found.pads[0].value == pytest.approx(line, abs=1e-12)
    assert line < bent(1e5)
    one = loss_at(np.array([0, 2e4, 2e5]), np.array([0, bent(2e4), bent(2e5)]), 1e5)
    assert bent(1e5) <= one.loss_mm + one.may_be_missing_mm
    assert "between_readings" in codes(found)


@given(st.floats(0.1, 50), st.floats(0.0, 20), st.lists(st.floats(0.01, 5), min_size=1, max_size=6,
                                                        unique=True), st.floats(0.011, 5))
def test_no_path_that_only_flattens_leaves_the_bounds(settle, steady, where, asked):
    at = np.array([0.0, *sorted(where)])
    if asked > at[-1]:
        return

    def path(n):
        return settle * (1 - np.exp(-n)) + steady * n

    one = loss_at(at, path(at), asked)
    slack = 1e-9 * (settle + steady) * 10
    assert one.loss_mm - slack <= path(asked) <= one.loss_mm + one.may_be_missing_mm + slack


def test_readings_that_end_short_are_not_carried_on_but_for_a_twentieth():
    def path(n):
        return 2e-7 * n

    found = wear_readings(C, lot="L", runs=[
        run("near", path, at=(0, 5e4, 0.955e5)), run("short", path, at=(0, 5e4, 0.945e5)),
        run("exact", path, at=(0, 1e5))])
    assert {p.pad: round(p.value, 9) for p in found.pads} == {"near": 0.020, "exact": 0.020}
    ((pad, why),) = found.set_aside
    assert pad == "short"
    assert "read up to 94,500 strokes, the wear is asked after 100,000" in why
    (carried,) = (m for m in found.marks if m.code == "extrapolated")
    assert "pad near" in carried.message
    with pytest.raises(NotMeasured):
        loss_at(np.array([0.0, 1e3]), np.array([0.0, 0.01]), 1e5)
    # Noise that makes the last step rise (the pad thicker) is not carried on below the last reading.
    assert loss_at(np.array([0.0, 9e4, 9.9e4]), np.array([0.0, 0.02, 0.019]), 1e5).loss_mm == 0.019


def test_what_comes_back_with_rest_is_kept_apart():
    # After each stop read tired (6 um thinner) and rested: only the rested reading is a loss.
    at = np.repeat(STROKES, 2)
    rest = np.tile([60.0, DAY], len(STROKES))
    thickness = 1.6 - 2e-7 * at - np.where((rest < DAY) & (at > 0), 0.006, 0.0)
    one = run("p", lambda n: 0.0, at=at, more={"rest_s": rest, "thickness_mm": thickness})
    found = wear_readings(C, lot="L", runs=[one])
    assert found.pads[0].value == pytest.approx(0.020, abs=1e-12)
    ((what, mean_mm, n),) = found.kept_apart
    assert ("not counted" in what, round(mean_mm, 9), n) == (True, 0.006, 1)


def test_a_fresh_pad_needs_no_rest_and_a_pad_first_read_worn_is_not_tested():
    rest = np.array([np.nan, DAY, DAY, DAY, DAY])
    assert values([run("p", lambda n: 2e-7 * n, more={"rest_s": rest})]) == {"p": pytest.approx(0.020)}
    found = wear_readings(C, lot="L", runs=[run("p", lambda n: 2e-7 * n, at=STROKES[1:])])
    assert not found.pads
    assert "first read after 10,000 strokes: what was lost by then is not known" in found.set_aside[0][1]


def test_mass_tells_rubbed_off_from_set_within_the_loss():
    # h0 (m0 - m)/m0: of 20 um lost after the asked strokes 8 um rubbed off.
    mass = np.array([1.0 - 0.008 / 1.6 * n / ASKED for n in STROKES]) * 1e-4
    found = wear_readings(C, lot="L", runs=[run("p", lambda n: 2e-7 * n, more={"mass_kg": mass})])
    told = {what.split(",")[0].split(";")[0]: round(mean, 9) for what, mean, _ in found.kept_apart}
    assert told == {"rubbed off": 0.008, "set": 0.012}


def test_an_unloaded_pad_is_taken_off_that_of_the_lot_first():
    worn = run("p", lambda n: 2e-7 * n)
    own = run("c", lambda n: 0.5e-7 * n, is_control=True)
    other = run("d", lambda n: -1e-7 * n, lot="M", is_control=True)
    found = wear_readings(C, lot="L", runs=[worn, own, other])
    assert found.pads[0].value == pytest.approx(0.015, abs=1e-12)
    assert (found.beside, "no_control" in codes(found)) == ((own.id,), False)
    found = wear_readings(C, lot="L", runs=[worn, other])
    assert found.pads[0].value == pytest.approx(0.030, abs=1e-12)
    short = run("c", lambda n: 0.5e-7 * n, is_control=True, at=(0, 5e4))
    found = wear_readings(C, lot="L", runs=[worn, short])
    assert found.pads[0].value == pytest.approx(0.0175, abs=1e-12)
    assert "no_control" in codes(found)           # it ends before the asked strokes, and that is said
    of_days = run("c", lambda n: 0.0, is_control=True, axis="days", at=(0, 10, 20))
    assert "over the same axis" in wear_readings(C, lot="L", runs=[worn, of_days]).set_aside[0][1]


def test_of_several_runs_of_a_pad_the_one_that_goes_furthest_counts_and_the_other_is_told():
    short = run("p", lambda n: 3e-7 * n, at=(0, 1e5), tag="bb")
    far = run("p", lambda n: 2e-7 * n, at=(0, 5e4, 1e5, 3e5), tag="cc")
    late = run("p", lambda n: 9e-7 * n, at=(5e4, 4e5), tag="dd")       # goes furthest, tells no loss
    found = wear_readings(C, lot="L", runs=[late, short, far])
    assert (found.pads[0].value, found.pads[0].runs) == (pytest.approx(0.020), (far.id,))
    ((pad, why),) = found.set_aside
    assert pad == "p"
    assert f"run {short.id} says 30.0 um" in why
    assert "first read after 50,000 strokes" in why


def test_later_readings_move_nothing():
    early = run("p", lambda n: 2e-7 * n, at=(0, 5e4, 1.2e5))
    later = run("p", lambda n: 2e-7 * n + (n > 2e5) * 0.5, at=(0, 5e4, 1.2e5, 5e5))
    one, two = (wear_readings(C, lot="L", runs=[r]) for r in (early, later))
    assert (one.pads[0].value, one.marks) == (two.pads[0].value, two.marks)


def test_what_may_not_count_is_named_with_its_reason():
    def path(n):
        return 2e-7 * n

    found = wear_readings(C, lot="L", runs=[
        run("a", path), run("b", path, stop="up"), run("d", path, state="recording"),
        run("e", path, marks=(mark("set_aside", "run", "fell on the floor"),)),
        run("f", path, axis="days", at=(0.0, 5.0, 10.0)), run("g", path, lot="other"),
        run("h", path, marks=(mark("over_thickness", "run"),)), run("i", path, stop=None)])
    assert [p.pad for p in found.pads] == ["a", "i"]
    why = dict(found.set_aside)
    assert "served at the up stop" in why["b"]
    assert "still being recorded" in why["d"]
    assert "fell on the floor" in why["e"]
    assert "read over days" in why["f"]
    assert [pad for pad, _ in found.stopped] == ["h"]
    up = replace(C, stop="up")
    found = wear_readings(up, lot="L", runs=[run("a", path), run("b", path, stop="up")])
    assert [p.pad for p in found.pads] == ["b"]


def lot_of(n, *, mean, sd, seed=1, lot="L"):
    x = np.random.default_rng(seed).normal(size=n)
    x = mean + sd * (x - x.mean()) / x.std(ddof=1)
    return [run(f"p{i}", lambda s, v=v: v * s / ASKED, lot=lot, tag=chr(97 + i // 26) + chr(97 + i % 26))
            for i, v in enumerate(x)]


def test_a_lot_is_accepted_refused_or_tested_more_by_its_wear():
    # k 1.817255 of 28 pads (worked plan EX9): 60 um less so many standard deviations of 4 um.
    plan = plan_batch(spec())
    for k, n, verdict in ((1.8173, 28, BatchVerdict.ACCEPT), (1.8171, 28, BatchVerdict.REFUSE),
                          (9.0, 27, BatchVerdict.TEST_MORE)):
        runs = lot_of(n, mean=0.060 - k * 0.004, sd=0.004)
        one = judge_lot(plan, [wear_readings(C, lot="L", runs=runs)]).characteristics[0]
        assert one.verdict is verdict
        assert one.k == pytest.approx(k)
    assert one.reasons == ("27 of the 28 pads that the rule needs were tested",)


def test_two_characteristics_of_one_name_are_held_against_their_own_reference():
    # What used to happen: the reference lot's readings were kept by name, and the last one served both.
    at = [{"name": "wear", "high": "60um", "margin": "5um", "after_strokes": n} for n in (ASKED, 2 * ASKED)]
    plan = plan_batch(spec_from_table({
        "material": "felt", "producer_risk_quality": 0.01, "producer_risk": 0.05,
        "consumer_risk_quality": 0.08, "consumer_risk": 0.10, "characteristic": at,
        "reference": {"lot": "M"}}, source="s.toml"))
    runs = lot_of(36, mean=0.020, sd=0.002) + lot_of(36, mean=0.020, sd=0.002, seed=2, lot="M")
    new, old = ([wear_readings(c, lot=lot, runs=runs) for c in plan.spec.characteristics] for lot in "LM")
    for one in judge_lot(plan, new, reference=old).characteristics:
        assert one.equivalence.difference == pytest.approx(0, abs=1e-12)
        assert one.equivalence.is_shown


def test_cautions_of_the_runs_travel_once_and_notes_stay():
    marks = (mark("units_doubtful", "run", "a size that is unusual"), mark("imported", "run"),
             mark("rig_doubt_unknown", "run"))
    found = wear_readings(C, lot="L", runs=[run("p", lambda n: 2e-7 * n, marks=marks)])
    assert codes(found) == {"units_doubtful", "no_control", "rig_doubt_unknown"}
    assert sum(m.code == "rig_doubt_unknown" for m in found.marks) == 1


def test_carried_on_and_between_are_told_apart():
    at, loss = np.array([0.0, 5e4, 9.9e4]), np.array([0.0, 0.010, 0.0198])
    assert loss_at(at, loss, 1e5) == LossAt(pytest.approx(0.020), 0.0, True)
    assert loss_at(at, loss, 5e4) == LossAt(0.010, 0.0, False)


def test_pads_are_named_up_to_six():
    some = [f"p{i}" for i in range(8)]
    assert named(some[:6], 9).endswith("p4, p5")
    assert named(some[:7], 9).endswith("p5 and 1 more")
    assert named(some[:1], 1) == "pad p0"
    assert named(some, 8) == "all 8 pads"


def test_a_falling_loss_has_no_bent_path_below_nothing():
    # A pad that swelled: the loss is negative, and what may be missing is still told against nothing.
    found = wear_readings(C, lot="L", runs=[run("p", lambda n: -1e-8 * n, at=(0, 5e4, 2e5))])
    assert found.pads[0].value == pytest.approx(-0.001)
    assert "between_readings" not in codes(found)
