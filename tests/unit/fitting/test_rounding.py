"""Readings on the steps of a coarse indicator: what is taken off, and that the curve is the better for it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from padlab.calibration.frame import stated_frame
from padlab.capture.virtual.simulate import simulate
from padlab.fitting import compression
from padlab.fitting.compression import limb_curve
from padlab.fitting.creep import _history, _level
from padlab.fitting.prepared import prepare
from padlab.fitting.results import Verdict
from padlab.fitting.rounding import mean_error_mm, rounding_error_mm
from padlab.fitting.run_budget import give_mm, run_budget
from padlab.fitting.run_fit import fit_run

STEP = 0.0127


@pytest.mark.parametrize("noise", [0.1, 0.2, 0.4])
def test_the_mean_error_is_that_of_many_rounded_readings(noise: float) -> None:
    rng = np.random.default_rng(5)
    place = np.linspace(-1.2, 1.3, 26) * STEP
    seen = place[:, None] + noise * STEP * rng.standard_normal((26, 20_000))
    mean = np.mean(np.round(seen / STEP) * STEP, axis=1) - place
    assert mean_error_mm(place, step_mm=STEP, noise_mm=noise * STEP) == pytest.approx(mean, abs=0.012 * STEP)


def test_the_steps_are_found_where_they_stand_and_the_noise_from_the_readings() -> None:
    """Steps that do not start at 0, a noise of a sixth: an eighth of what rounding makes is left at most."""
    rng = np.random.default_rng(6)
    place = np.linspace(0.0, 20 * STEP, 6000)
    zero = 0.3 * STEP
    shown = np.round((place + STEP / 6 * rng.standard_normal(place.size) - zero) / STEP) * STEP + zero
    found = rounding_error_mm(shown, place, step_mm=STEP)
    assert found is not None
    right = mean_error_mm(place - zero, step_mm=STEP, noise_mm=STEP / 6)
    assert np.std(found - right) < np.std(right) / 8


def test_readings_that_do_not_stand_on_steps_are_left_alone() -> None:
    place = np.linspace(0.0, 1.0, 500)
    assert rounding_error_mm(place, place, step_mm=STEP) is None


def coarse(run, step: float = STEP):
    """The run as an indicator of that step would have read it, its rig file saying so."""
    one = run.rig.instruments[0]
    channels = tuple(replace(c, resolution=step) if c.quantity == "displacement" else c for c in one.channels)
    table = run.samples.copy()
    table["displacement_mm"] = np.round(table["displacement_mm"] / step) * step
    return replace(run, rig=replace(run.rig, instruments=(replace(one, channels=channels),)), _samples=table)


def test_a_coarse_indicator_reads_the_stiffness_of_the_fine_one_and_knows_how_well() -> None:
    """Virtual pads of other physics: the run read in half thou against the same run read in micrometres."""
    apart, inside = [], []
    for material in ("wool felt", "sheet cork", "soft neoprene", "synthetic felt"):
        for seed in (31, 32, 33):
            run = simulate(material, seed=seed).run
            fine, rough = (fit_run(r).json["compression"]["tangent_stiffness_n_per_mm"]
                           for r in (run, coarse(run)))
            for a, b in zip(fine, rough, strict=True):
                apart.append(abs(b["value"] / a["value"] - 1))
                inside.append(b["low"] <= a["value"] <= b["high"])
    assert np.median(apart) < 0.02
    assert np.mean(inside) >= 0.90


def test_the_whole_step_is_a_doubt_of_the_curve_only_where_it_could_not_be_taken_off() -> None:
    run = coarse(simulate("sheet cork", seed=31).run)
    frame = stated_frame(run.rig)
    curve = limb_curve(prepare(run, frame), run.rig, frame, {})

    def give(limbs):
        return give_mm(limbs, 0.5, 12.5)

    assert curve.rounded is not None                     # the loop is read off the readings themselves
    whole = abs(give(curve.rounded) - give(curve.base))
    left = abs(give(curve.moved["indicator step"]) - give(curve.base))
    assert left < whole / 3
    [told] = [s for s in run_budget(curve, from_n=0.5, to_n=12.5, unknown=()).budget.sources
              if s.name == "indicator step"]
    assert told.contribution == pytest.approx(left)
    table = run.samples.copy()
    table["displacement_mm"] += 0.3 * STEP * np.sin(np.arange(len(table)) / 7.0)
    smeared = replace(run, _samples=table)
    curve = limb_curve(prepare(smeared, frame), smeared.rig, frame, {})
    assert curve.rounded is None
    assert give(curve.moved["indicator step"]) - give(curve.base) > STEP / 6


def test_half_a_thou_tells_a_felts_sinking_nearly_as_well_as_a_micrometre() -> None:
    """Virtual pads of other physics: the same run read both ways."""
    wider, apart = [], []
    for seed in (41, 42, 43, 44):
        run = simulate("synthetic felt", seed=seed).run
        fine, rough = (fit_run(r).creep.fraction_per_decade for r in (run, coarse(run)))
        wider.append(rough.half_width / fine.half_width)
        apart.append((rough.value - fine.value) / fine.half_width)
    assert np.median(wider) < 1.6             # five times as wide, were the step a doubt of each place
    assert np.abs(apart).max() < 0.5


def test_a_hold_is_read_in_steps_only_where_its_mean_would_be_off() -> None:
    """An indicator that reads its own noise, and readings that somebody averaged, are taken for places."""
    run = simulate("synthetic felt", seed=41).run
    averaged = coarse(run)
    table = averaged.samples.copy()
    table["displacement_mm"] = table["displacement_mm"].rolling(3, min_periods=1).mean()
    for one, step, there in ((run, 0.001, False), (coarse(run), STEP, True),
                             (replace(averaged, _samples=table), STEP, False)):
        prepared = prepare(one, stated_frame(one.rig))
        (hold, *_) = prepared.role("hold")
        level = _level(prepared, hold)
        seen = _history(prepared, hold, level, lambda force_n: 30.0, lambda force_n: 0.1, step)
        assert seen is not None
        assert (seen.steps is not None) == there


def test_the_verdict_of_a_stepped_hold_is_of_the_number_that_is_told() -> None:
    """A felt that crosses steps is good; a hard pad that stays on one is not determined."""
    felt, hard = (fit_run(coarse(simulate(material, seed=41).run)).creep
                  for material in ("synthetic felt", "dense polymer"))
    for creep in (felt, hard):
        told = creep.fraction_per_decade
        assert told.low < told.value < told.high
    assert hard.verdict is Verdict.UNDETERMINED
    assert felt.fraction_per_decade.half_width < felt.fraction_per_decade.value


def test_a_curve_without_a_stroke_has_its_steps_from_the_other_strokes(
        monkeypatch: pytest.MonkeyPatch) -> None:
    """Or a stroke's own noise would stand in the curve that is to be without it."""
    asked: list[list[int]] = []
    real = compression._unrounded

    def unrounded(prepared, strokes, *rest):
        asked.append([s.press.number for s in strokes])
        return real(prepared, strokes, *rest)

    monkeypatch.setattr(compression, "_unrounded", unrounded)
    run = coarse(simulate("sheet cork", seed=31).run)
    frame = stated_frame(run.rig)
    curve = limb_curve(prepare(run, frame), run.rig, frame, {})
    every = [s.press.number for s in curve.used]
    assert asked[-len(every):] == [[n for n in every if n != left] for left in every]
