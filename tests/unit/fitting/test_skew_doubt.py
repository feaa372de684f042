"""A skew that is not known well is a doubt of the springback loss, and of nothing that needs no clock."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from padlab.calibration.frame import frame_of
from padlab.capture.virtual.simulate import simulated_run
from padlab.fitting.hysteresis import loop, skew_work_mj_per_s, stroke_work_mj
from padlab.fitting.prepared import prepare
from padlab.fitting.run_fit import fit_run
from padlab.records.rig_record import RigRecord


@pytest.fixture(scope="module")
def run():
    return simulated_run("wool felt", seed=3)[0]


@pytest.fixture(scope="module")
def prepared(run):
    return prepare(run, frame_of(run))


def test_the_loss_grows_with_the_lateness_as_the_integral_says(prepared):
    """Against the loss of the same record with its position moved in time by a known amount."""
    stroke, late_s = prepared.role("recorded")[0], 0.004
    moved = replace(prepared, position_mm=np.interp(
        prepared.time_s - late_s, prepared.time_s, prepared.position_mm))
    loss = [np.subtract(*stroke_work_mj(p, stroke)) for p in (prepared, moved)]
    assert loss[1] - loss[0] == pytest.approx(late_s * skew_work_mj_per_s(prepared, stroke), rel=0.15)


def test_the_doubt_of_a_skew_is_in_the_interval(prepared):
    sharp, vague = loop(prepared), loop(prepared, time_doubt_s=0.010)
    late = np.mean([skew_work_mj_per_s(prepared, s) for s in prepared.role("recorded")])
    half = [(q.loss_mj.high - q.loss_mj.low) / 2 for q in (sharp, vague)]
    assert vague.loss_mj.value == sharp.loss_mj.value
    assert half[1] > half[0]
    assert half[1] == pytest.approx(np.hypot(half[0], 1.96 * 0.010 * late), rel=0.3)
    unknown = loop(prepared, time_doubt_s=None)
    assert unknown.loss_fraction.value == sharp.loss_fraction.value
    assert (unknown.loss_fraction.low, unknown.loss_fraction.high) == (None, None)


def test_two_instruments_without_a_skew_are_marked_and_their_loss_has_no_interval(run):
    [both] = run.rig.instruments
    apart = tuple(replace(both, name=c.quantity, channels=(c,)) for c in both.channels)
    two = replace(run, rig=RigRecord(**{**vars(run.rig), "instruments": apart}))
    one_fit, two_fit = fit_run(run), fit_run(two)
    assert "skew_uncertain" in {m.code for m in two_fit.marks}
    assert "skew_uncertain" not in {m.code for m in one_fit.marks}
    assert two_fit.hysteresis.loss_fraction.low is None
    assert one_fit.hysteresis.loss_fraction.low is not None
    assert two_fit.json["hysteresis"]["loss_fraction"]["low"] is None
