"""Which wear runs count, and what the answer carries."""

import json
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

from padlab.decisions.renewal import renewals
from padlab.drift.ageing import ageing
from padlab.drift.life import Service
from padlab.errors import FitError, RunError
from padlab.marks import mark
from padlab.records.pad import Pad
from padlab.records.rig_record import RigRecord
from padlab.records.run import Run

PLAYER = Service(2000, 6)
DAY = 86400.0


def run(name, lot="1", *, rate=1.4e-8, material="wool felt", kind="felt", change=0.0, **how):
    strokes = [0.0, 1e5, 2e5, 5e5, 1e6, 1.5e6, 2e6]
    loss = [rate * n + (2e-4 if i % 2 else -2e-4) * (n > 0) for i, n in enumerate(strokes)]
    samples = pd.DataFrame({
        "strokes": strokes, "thickness_mm": [1.6 - one - change * n / 2e6 for one, n in zip(loss, strokes,
                                                                                            strict=True)],
        "rest_s": [DAY] * len(strokes)})
    pad = Pad(name, material, kind, lot, 19.0, 8.0, 1.6)
    return replace(Run(id=f"20260704T081530Z-{name}", folder=Path("nowhere"), kind="wear", state="complete",
                       start_utc="2026-07-04T08:15:30Z", pad=pad, stop="down", _samples=samples), **how)


def some(**how):
    return [run("aaaaa1", rate=1.4e-8, **how), run("aaaaa2", rate=1.6e-8, **how),
            run("aaaaa3", "2", rate=1.9e-8, **how), run("aaaaa4", "2", rate=2.1e-8, **how)]


def asked(runs, **how):
    return renewals(runs, **{"limit_mm": 0.05, "service": PLAYER, **how})


def test_each_stock_has_its_answer():
    found = asked([*some(), *[replace(r, id=r.id[:-2] + "b" + r.id[-1]) for r in some(material="cork",
                                                                                     kind="cork")]])
    assert [s.material for s in found.stocks] == ["cork", "wool felt"]
    told = found.to_json()
    assert [m["about"] for m in told["materials"]] == ["new lot", "new lot"]
    assert (told["limit_mm"], told["stop"], told["ageing"], told["left_out"]) == (0.05, "down", None, [])
    json.dumps(told, allow_nan=False)


def test_a_control_of_the_lot_is_taken_before_one_of_the_stock():
    damp = run("cccccc", rate=0.0, change=0.01, is_control=True)
    other = run("ccccc2", "2", rate=0.0, change=-0.01, is_control=True)
    alone, beside = asked([*some(), damp]), asked([*some(), damp, other])
    assert len(alone.stocks[0].pads) == 4
    assert alone.stocks[0].pads[0].loss.readings.loss_mm[-1] == pytest.approx(0.028 - 0.01, abs=5e-4)
    assert beside.stocks[0].pads[0].loss.readings.loss_mm[-1] == pytest.approx(0.028 - 0.01, abs=5e-4)
    assert beside.stocks[0].pads[2].loss.readings.loss_mm[-1] == pytest.approx(0.038 + 0.01, abs=5e-4)


def endured(one, *, start):
    """The same run, recorded on a machine: a million strokes take ten days."""
    samples = one.samples.drop(columns="rest_s").assign(days=one.samples["strokes"] / 1e5)
    rig = RigRecord("endurance-press", ())
    return replace(one, rig=rig, endurance={"parts": {}}, start_utc=start, _samples=samples)


def test_a_control_that_made_no_strokes_joins_by_its_dates():
    """It lay beside for five days before, and shrank by 1 um a day all the time."""
    days = [0.0, 5.0, 15.0, 30.0]
    control = run("cccccc", rate=0.0, is_control=True, table={"first_utc": "2026-06-29T00:00:00+00:00"},
                  _samples=pd.DataFrame({"days": days, "thickness_mm": [1.6 - 1e-3 * d for d in days]}))
    machines = [endured(one, start="2026-07-04T00:00:00+00:00") for one in some()]
    alone, beside = asked(machines), asked([*machines, control])
    for without, held in zip(alone.stocks[0].pads, beside.stocks[0].pads, strict=True):
        taken_off = without.loss.readings.loss_mm - held.loss.readings.loss_mm
        assert taken_off.tolist() == pytest.approx([1e-3 * n / 1e5 for n in without.loss.readings.strokes])
    assert "no_control" in {m.code for m in alone.stocks[0].pads[0].loss.marks}
    assert "no_control" not in {m.code for m in beside.stocks[0].pads[0].loss.marks}


def test_a_control_without_strokes_or_dates_is_refused_by_name():
    control = run("cccccc", rate=0.0, is_control=True,
                  _samples=pd.DataFrame({"days": [0.0, 9.0], "thickness_mm": [1.6, 1.59]}))
    machines = [endured(one, start="2026-07-04T00:00:00+00:00") for one in some()]
    with pytest.raises(FitError, match="control pad has no readings"):
        asked([*machines, control])


@pytest.mark.parametrize(("how", "reason"), [
    ({"stop": "up"}, "up stop"),
    ({"state": "recording"}, "still being recorded"),
    ({"kind": "pad"}, "of kind pad"),
    ({"pad": None}, "names no pad"),
    ({"marks": (mark("set_aside", "run", "dropped"),)}, "dropped"),
])
def test_what_cannot_serve_is_left_out_by_name(how, reason):
    odd = replace(run("zzzzzz", rate=9e-8), **how)
    found = asked([*some(), odd])
    assert [(one.run, reason in one.reason) for one in found.left_out] == [(odd.id, True)]
    assert len(found.stocks[0].pads) == 4


def test_a_pad_followed_twice_counts_once():
    again = some()[0]
    shorter = replace(again, id="20260601T081530Z-aaaaa1", _samples=again.samples.iloc[:5])
    found = asked([*some(), shorter])
    assert len(found.stocks[0].pads) == 4
    assert [one.run for one in found.left_out] == [shorter.id]


def test_one_pad_that_cannot_be_read_does_not_stop_the_others():
    broken = run("zzzzzz")
    broken = replace(broken, _samples=broken.samples.iloc[:3])
    with pytest.raises(FitError, match="too few"):
        asked([broken])
    once = replace(run("yyyyyy", "2"), _samples=run("yyyyyy").samples.assign(strokes=0.0))
    found = asked([*some(), once])
    assert "one time only" in found.left_out[0].reason
    assert len(found.stocks[0].pads) == 4


def test_a_pad_that_lost_nothing_counts_as_one_that_lasts():
    # It used to stop its stock; left out, the stock would look worse than it is.
    still = replace(run("yyyyyy", "2"), _samples=run("yyyyyy").samples.assign(thickness_mm=1.6))
    without, with_it = asked(some()).stocks[0], asked([*some(), still]).stocks[0]
    assert (with_it.censored, len(with_it.pads)) == (1, 5)
    assert with_it.median("years").value > without.median("years").value
    assert with_it.to_json()["each"][-1]["verdict"] is None
    with pytest.raises(FitError, match="lost nothing"):
        asked([still])


def test_nothing_on_file_is_said():
    with pytest.raises(RunError, match="no wear run"):
        asked([])
    with pytest.raises(RunError, match="no wear run"):
        asked(some(), stop="up")


def test_cautions_of_the_runs_travel_on():
    doubtful = mark("units_doubtful", "thickness", "is it in another unit?")
    found = asked([replace(some()[0], marks=(doubtful,)), *some()[1:]])
    assert doubtful in found.stocks[0].marks


def test_ageing_is_shown_beside_and_marked_by_material():
    found = asked(some(), ageing=ageing(tested_c=50, service_c=23))
    told = found.to_json()["ageing"]
    assert [f["activation_energy_kj_per_mol"] for f in told["factors"]] == [60, 90]
    assert told["materials"][0]["material"] == "wool felt"
    assert told["materials"][0]["marks"][0]["code"] == "not_arrhenius"
