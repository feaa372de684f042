"""A run on a spring with two instruments: its skew found, kept, and taken off by remake."""

import random
from dataclasses import replace
from datetime import UTC, datetime

import numpy as np
import pytest

from padlab.capture.procedure import procedure_from_table
from padlab.capture.rig import read_rig
from padlab.capture.virtual.session import VirtualRig
from padlab.records.calibration import read_calibration
from padlab.records.raw_log import read_raw
from padlab.records.rig_record import Channel, Instrument, RigRecord
from padlab.records.shelf import open_run
from padlab.signals.merge import samples_from_raw
from padlab.signals.skew import estimate_skew, spring_skew

START = datetime(2026, 7, 4, 8, 15, 30, tzinfo=UTC)
LATE_S = 0.023
CELL = Instrument("cell", "lines", ("clock", "force"), (Channel("force", "force", "N", scale=0.001),),
                  clock="clock", clock_s_per_tick=1e-6, clock_modulus=2**32)
DIAL = Instrument("dial", "lines", ("place",), (Channel("place", "displacement", "mm", scale=0.001),))
RIG = RigRecord("two", (CELL, DIAL))


def travel(t):
    return 0.5 * (1 - np.cos(2 * np.pi * t / 8)) + 0.08 * np.sin(2 * np.pi * t / 3.1)


@pytest.fixture
def spring_run(shelf):
    """A minute on a spring of 12 N/mm; the cell at 50 Hz with a clock 200 ppm fast, the dial at 10 Hz."""
    def record(*, kind="check", seed=1, rig=RIG):
        rng = np.random.default_rng(seed)
        recording = shelf.begin(kind=kind, procedure={"name": kind}, pad=None, rig=rig, environment={},
                                start_utc=START, monotonic_s=0.0, rng=random.Random(seed))
        t = np.arange(0, 60, 0.02)
        force = np.round((12 * travel(t) + rng.normal(0, 0.004, t.size)) * 1000).astype(int)
        host = np.maximum.accumulate(t + 0.002 + rng.exponential(0.003, t.size))
        recording.append("cell", [f"{h:.6f},{round(s * 1.0002e6)},{f}" for h, s, f in
                                  zip(host, t, force, strict=True)])
        t = np.arange(0.037, 60, 0.1)
        place = np.round(travel(t - LATE_S) * 1000 + rng.normal(0, 0.5, t.size)).astype(int)
        host = np.maximum.accumulate(t + 0.002 + rng.exponential(0.003, t.size))
        recording.append("dial", [f"{h:.6f},{x}" for h, x in zip(host, place, strict=True)])
        return recording.close("complete", derive=lambda run: samples_from_raw(run, read_raw(run)))
    return record


def loop(run):
    """How far the force lies from a straight line over the displacement [N]: a skew opens a loop."""
    x, f = run.samples["displacement_mm"].to_numpy(), run.samples["force_n"].to_numpy()
    return float(np.std(f - np.polyval(np.polyfit(x, f, 1), x)))


def test_skew_is_found_kept_and_taken_off(padlab, spring_run, shelf):
    runs = [spring_run(seed=k) for k in (1, 2, 3)]
    told = padlab("calibrate", "skew", *(r.folder for r in runs), "--out", shelf.folder, "--json")
    assert told.code == 0, told.err
    answer = told.json
    assert list(answer)[:2] == ["id", "instrument"]
    assert answer["instrument"] == "dial"
    assert answer["skew_s"]["value"] == pytest.approx(LATE_S, abs=0.002)
    assert answer["skew_s"]["low"] < answer["skew_s"]["value"] < answer["skew_s"]["high"]
    assert answer["marks"] == []
    assert read_calibration(shelf.folder, answer["id"]).skew.late == "dial"
    before = [loop(r) for r in runs]
    for run in runs:
        assert padlab("remake", run.folder, "--calibration", answer["id"]).code == 0
        assert open_run(run.folder).calibrations == (answer["id"],)
    after = [loop(open_run(r.folder)) for r in runs]
    assert max(after) < min(before) / 4


def test_what_has_no_skew_is_refused(padlab, spring_run, bench, shelf):
    both = bench.record(spring=True)
    told = padlab("calibrate", "skew", both.folder)
    assert told.code == 1
    assert "one instrument for both" in told.err
    blank = bench.record()
    assert padlab("calibrate", "skew", blank.folder).code == 1
    other = spring_run(seed=9, rig=replace(RIG, name="x"))
    told = padlab("calibrate", "skew", spring_run().folder, other.folder)
    assert told.code == 1
    assert "several rigs" in told.err


def test_a_hand_that_leaves_the_spring_between_strokes_moves_nothing():
    """In the air the anvil moves and nothing presses; the peak of the correlation was 10 ms off there."""
    plan = procedure_from_table({"name": "x", "kind": "check", "step": [
        {"do": "stroke", "label": "recorded", "to_n": 6.0, "count": 3},
        {"do": "stroke", "label": "quick", "to_n": 6.0, "count": 5, "pace": "quick"}]}, source="test")
    off, inside, coarse_off = [], [], []
    for seed in range(12):
        rig = VirtualRig(read_rig("two-instruments"), pad_kind="spring", procedure=plan, seed=seed,
                         lags_s={"dial": LATE_S}, ppm={"cell": 0.0, "dial": 0.0})
        cell, dial = next(rig.passes(once=True))
        seen = (cell.time_s, cell.values[:, 0], dial.time_s, dial.values[:, 0])
        found, coarse = spring_skew(*seen), estimate_skew(*seen)
        off.append(found.skew_s - LATE_S)
        inside.append(abs(off[-1]) < 2.5 * found.standard_uncertainty_s)
        coarse_off.append(coarse.skew_s - LATE_S)
        back = spring_skew(*seen[2:], *seen[:2])
        assert back.skew_s == pytest.approx(-found.skew_s, abs=1e-4)
    assert np.abs(off).max() < 0.001
    assert np.abs(coarse_off).max() > 0.005                       # what this function is there for
    assert sum(inside) >= 10
