"""A dial that lags behind each way makes every loop fatter; its calibration says by how much at most."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from padlab.calibration.frame import Frame
from padlab.calibration.readings import ReadingTable, calibrate_readings
from padlab.capture.virtual.simulate import simulate
from padlab.fitting.hysteresis import loop
from padlab.fitting.prepared import prepare
from padlab.fitting.run_fit import fit_run

BACKLASH_MM = 0.004


def lagging(position_mm: np.ndarray, backlash_mm: float) -> np.ndarray:
    """What a dial with play in its gears shows: it moves only when pushed by one flank or the other."""
    shown, at = np.empty_like(position_mm), float(position_mm[0])
    for i, x in enumerate(position_mm.tolist()):
        at = min(max(at, x - backlash_mm / 2), x + backlash_mm / 2)
        shown[i] = at
    return shown


def with_dial(run, *, shown_mm=None, backlash=None, doubt=None):
    [instrument] = run.rig.instruments
    channels = tuple(replace(c, backlash=backlash, backlash_uncertainty=doubt)
                     if c.quantity == "displacement" else c for c in instrument.channels)
    samples = run.samples if shown_mm is None else run.samples.assign(displacement_mm=shown_mm)
    return replace(run, rig=replace(run.rig, instruments=(replace(instrument, channels=channels),)),
                   _samples=samples)


@pytest.mark.parametrize("material", ["dense polymer", "sheet cork", "wool felt"])
def test_a_loop_seen_through_a_lagging_dial(material):
    """What used to happen: the backlash was listed by its calibration, and the loss stood as seen.

    Twelve pads each of polymer and cork: without it 0 and 0 intervals held the truth, with it 12 and 12.
    """
    made = simulate(material, seed=20)
    shown = lagging(made.run.samples["displacement_mm"].to_numpy(), BACKLASH_MM)
    true = made.truth.loss_fraction
    unaware = fit_run(with_dial(made.run, shown_mm=shown)).hysteresis.loss_fraction
    aware = fit_run(with_dial(made.run, shown_mm=shown, backlash=BACKLASH_MM, doubt=0.0003))
    found = aware.hysteresis.loss_fraction
    assert found.low <= true <= found.high
    assert found.value < unaware.value
    assert found.half_width > unaware.half_width
    if material != "wool felt":                         # stiff: the backlash is a large part of its way
        assert unaware.low > true


def test_what_a_lag_adds_is_backlash_times_the_span_of_force():
    """Closed form: of a spring seen through a lag b, the loop is b (peak - F0), half of it taken off."""
    made = simulate("dense polymer", seed=11)
    run = made.run
    straight = run.samples["force_n"].to_numpy() / 20.0                 # a spring of 20 N/mm has no loop
    shown = with_dial(run, shown_mm=lagging(straight, BACKLASH_MM))
    prepared = prepare(shown, Frame.unknown())
    dial = with_dial(run, backlash=BACKLASH_MM, doubt=0.0).rig.channel("displacement")
    seen, told = loop(prepared, sinks_at_most=0.0), loop(prepared, sinks_at_most=0.0, dial=dial)
    whole = BACKLASH_MM * (seen.peak_n - 0.25)
    assert seen.loss_mj.value == pytest.approx(whole, rel=0.05)
    assert seen.loss_mj.value - told.loss_mj.value == pytest.approx(whole / 2, rel=0.02)
    # Between none and all of it the doubt of the backlash itself counts by a root of a third.
    rough = with_dial(run, backlash=BACKLASH_MM, doubt=10 * BACKLASH_MM).rig.channel("displacement")
    widest = loop(prepared, sinks_at_most=0.0, dial=rough).loss_mj
    assert np.log(widest.high / widest.value) == pytest.approx(
        1.96 * 10 * whole / np.sqrt(3) / widest.value, rel=0.01)


def table(backlash_mm: float, *, both_ways: bool = True) -> ReadingTable:
    rng = np.random.default_rng(3)
    blocks = [0.0, 0.5, 1.0, 2.0, 3.0, 4.0, 5.0]
    rows = [(b, way) for _ in range(3) for way, order in (("up", blocks), ("down", blocks[::-1]))
            for b in order]
    reference = np.array([b for b, _ in rows])
    lag = np.array([-backlash_mm / 2 if way == "up" else backlash_mm / 2 for _, way in rows])
    reading = np.round((reference + lag + rng.normal(0, 0.0003, reference.size)) * 1000)
    return ReadingTable(reference, reading, "mm", direction=tuple(w for _, w in rows) if both_ways else None)


def test_the_calibration_finds_it():
    curve = calibrate_readings("displacement", table(BACKLASH_MM)).fit.curve
    assert curve.backlash == pytest.approx(BACKLASH_MM, abs=0.0006)
    assert abs(curve.backlash - BACKLASH_MM) < 3 * curve.backlash_u
    assert curve.backlash_u < 0.0005


def test_a_dial_without_backlash_adds_next_to_nothing():
    curve = calibrate_readings("displacement", table(0.0)).fit.curve
    assert abs(curve.backlash) < 0.0005


def test_without_directions_it_is_not_determined():
    curve = calibrate_readings("displacement", table(BACKLASH_MM, both_ways=False)).fit.curve
    assert (curve.backlash, curve.backlash_u) == (None, None)
