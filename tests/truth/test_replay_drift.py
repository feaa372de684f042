"""Drift by replay against the virtual pad itself, played with the same touch: no fit, no noise, small steps.

The pad (padlab/capture/virtual/physics.py: a physics that shares no formula with the model) is worked in,
then driven by force through the same notes; its own travel at the ends of the notes gives drift, band, give
and sinking. What is compared is the model that was fitted to a noisy, hand-driven run of that pad on a rig
without errors of scale (those are not the model's). Seeds are used nowhere else.
"""

import numpy as np
import pytest

from padlab.calibration.frame import frame_of
from padlab.capture.virtual.readings import RigErrors
from padlab.capture.virtual.simulate import simulate
from padlab.capture.virtual.stocks import MATERIALS, make_pad
from padlab.drift.position import creep_from_tenth, play_numbers
from padlab.drift.replay import numbers, replayed, touch_history
from padlab.drift.touch import net_strokes, preset
from padlab.fitting.prepared import prepare
from padlab.fitting.response_fit import fit_response
from padlab.fitting.run_fit import fit_run

NAMES = ("drift_p95_mm", "band_mm", "give_mm")
STEP_S = 0.004
SEED = 8_700


def driven(pad, time_s, net_n):
    """Travel of the pad (n,) at the samples of a force history, by small steps toward the force."""
    at = np.empty(time_s.size)
    for i in range(time_s.size):
        seconds = 0.0 if i == 0 else time_s[i] - time_s[i - 1]
        steps = max(1, int(np.ceil(seconds / STEP_S)))
        from_n = net_n[i - 1] if i else 0.0
        for k in range(1, steps + 1):
            target = from_n + (net_n[i] - from_n) * k / steps
            tries = 4 if k == steps else 2
            for _ in range(tries):
                missing = target - pad.force_n
                if target <= 0 and pad.force_n <= 0:
                    by = 0.0
                elif pad.gap_mm > 0:
                    by = pad.gap_mm + 1e-6
                else:
                    by = missing / pad.stiffness_n_per_mm(1 if missing > 0 else -1)
                pad.move_to(pad.travel_mm + max(-0.01, min(0.01, by)), seconds / steps / tries)
        at[i] = pad.travel_mm
    return at


def one(material):
    """True numbers, replayed ones, the formula's, and the model's error where it was judged."""
    strokes = net_strokes(preset("medium"))
    history = touch_history(strokes, notes=100)
    pad = make_pad(material, seed=SEED)
    pad.work_in(to_n=18.0, strokes=8)
    truth = numbers(driven(pad, history.time_s, history.net_n), history)
    run = simulate(material, seed=SEED, errors=RigErrors()).run
    fit = fit_run(run)
    model = fit_response(prepare(run, frame_of(run)), fit.curves)
    creep = creep_from_tenth(fit.creep.fraction_per_decade.value)
    grid, curve = np.log(fit.curves.force_n + 0.25), fit.curves.position_mm
    formula = play_numbers(lambda f: np.interp(np.log(f + 0.25), grid, curve), creep, strokes)
    return truth, replayed(model, history), formula, model.held_back.rms_mm


@pytest.fixture(scope="module")
def study():
    found = {material: one(material) for material in MATERIALS}
    for material, three in found.items():
        for name in (*NAMES, "hold_mm"):
            words = zip(("true", "replay", "formula"), three, strict=False)
            print(material, name, *(f"{who} {1e3 * getattr(one, name):.1f} um" for who, one in words))
    return found


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("material", MATERIALS)
def test_numbers_are_those_of_the_pad(study, material, name):
    """Within 4 % (what is allowed of a prediction), or three times what the model said that it is off by."""
    truth, replay, _, off = study[material]
    true = getattr(truth, name)
    assert getattr(replay, name) == pytest.approx(true, abs=max(0.04 * true, 3 * off))


@pytest.mark.parametrize("material", MATERIALS)
def test_sinking_of_a_note_held_in_play(study, material):
    """A small difference of two positions: within three times what the model said that it is off by."""
    truth, replay, _, off = study[material]
    assert replay.hold_mm == pytest.approx(truth.hold_mm, abs=3 * off)


@pytest.mark.parametrize("name", ["drift_p95_mm", "band_mm"])
def test_nearer_than_the_formula(study, name):
    """The formula lets no pad remember: for five materials of six the replay is nearer to the pad."""
    nearer = 0
    for truth, replay, formula, _ in study.values():
        by_replay, by_formula = (abs(getattr(m, name) - getattr(truth, name)) for m in (replay, formula))
        nearer += by_replay < by_formula
    assert nearer >= 5
