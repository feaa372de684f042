"""Loss, sinking, seating, set and thickness of virtual pads, with their signs, against noise-free answers."""

from dataclasses import replace

import numpy as np
import pytest

from padlab.calibration.frame import Frame, frame_of
from padlab.capture.procedure import read_procedure
from padlab.capture.virtual.simulate import prepared, simulate
from padlab.capture.virtual.stocks import MATERIALS, make_pad
from padlab.capture.virtual.truth import truth
from padlab.fitting.hysteresis import stroke_work_mj
from padlab.fitting.run_fit import fit_run
from padlab.records.pad import F0_N


@pytest.fixture(scope="module")
def study():
    runs = [simulate(m, lot=1 + s % 3, pad=1, seed=9_100 + s) for m in MATERIALS for s in range(6)]
    return [(sim, fit_run(sim.run)) for sim in runs]


def covered(pairs):
    return np.mean([q.low <= t <= q.high for q, t in pairs])


def test_loss_fraction(study):
    pairs = [(f.hysteresis.loss_fraction, s.truth.loss_fraction) for s, f in study]
    assert covered(pairs) >= 0.85
    assert abs(np.median([q.value / t - 1 for q, t in pairs])) < 0.08


def test_stiffness_at_the_usual_press(study):
    at = [next(r for r in f.json["compression"]["tangent_stiffness_n_per_mm"] if r["force_n"] == 3.5)
          for _, f in study]
    true = [s.truth.stiffness_n_per_mm(3.5) for s, _ in study]
    assert np.mean([r["low"] <= t <= r["high"] for r, t in zip(at, true, strict=True)]) >= 0.85
    assert abs(np.median([r["value"] / t - 1 for r, t in zip(at, true, strict=True)])) < 0.02


def pressed_at_once(material, lot, seed):
    """The same pad under a weight that is let down in 0.4 s: what a quick press shows from 1 s to 10 s."""
    plan = read_procedure("held-note")
    plan = replace(plan, steps=(*plan.steps[:-1], replace(plan.steps[-1], seconds=15.0)))
    return truth(prepared(make_pad(material, lot=lot, pad=1, seed=seed), plan), plan).creep_per_decade()


def test_sinking_is_that_of_a_quick_press_though_a_hand_presses_slowly(study):
    """A slow ramp's own sinking from 1 s to 10 s is a quarter less: that is not what is told."""
    quick = [pressed_at_once(m, 1 + s % 3, 9_100 + s) for m in MATERIALS for s in range(6)]
    told = [f.creep.fraction_per_decade for _, f in study]
    held = [q.low <= t <= q.high for q, t in zip(told, quick, strict=True)]
    assert sum(held) >= 31                                  # of 36, at 95 %: fewer in 1 % of such studies
    for i, material in enumerate(MATERIALS):
        assert sum(held[6 * i : 6 * i + 6]) >= 4, material  # fewer by chance in 0.2 %


def test_sinking_of_a_steady_hold_is_near_the_truth():
    """A hold that does not wander needs no allowance: the number itself must be near."""
    from padlab.capture.virtual.hand import Hand

    steady = Hand(hold_wander=0.0, hold_drift=0.0, tremor=0.0)
    for material in ("soft neoprene", "synthetic felt", "sheet cork"):
        errors = []
        for seed in range(9_300, 9_304):
            sim = simulate(material, seed=seed, hand=steady)
            errors.append(fit_run(sim.run).creep.fraction_per_decade.value / sim.truth.creep_per_decade() - 1)
        assert abs(np.median(errors)) < 0.25, (material, errors)


def test_positions_in_the_hold(study):
    pairs = [(row["mm"], float(s.truth.held_mm(row["at_s"]))) for s, f in study for row in f.creep.predicted
             if row["at_s"] in (1.0, 10.0)]
    assert covered(pairs) >= 0.70          # a wandering hand shakes felts in: see DEVELOPERS, "whose clock"
    assert abs(np.median([q.value / t - 1 for q, t in pairs])) < 0.02


def test_seating_is_positive_and_right(study):
    def true(s):
        first, third = s.truth.strokes[0], s.truth.strokes[2]
        return float(third.loading_mm(F0_N) - first.loading_mm(F0_N))

    pairs = [(f.seating_mm, true(s)) for s, f in study]
    assert all(q.value > 0 for (q, t) in pairs if t > 0.01)
    assert covered(pairs) >= 0.75


def test_set_is_positive_and_no_more_than_the_pad_has_sunk(study):
    for s, f in study:
        if s.run.pad.material_class == "felt":
            assert 0.5 * f.seating_mm.value < f.compression_set.set_mm.value < 0.15 * s.truth.thickness_mm


def test_thickness_from_the_bare_anvils():
    """Thickness = bare - pad at F0: the sign and the size, to a few um."""
    sim = simulate("sheet cork", seed=9_200)
    record = frame_of(sim.run)
    # The virtual rig's place of the bare anvils at F0, as a blank run would have found it.
    bare = sim.errors.displacement_zero_mm + record.deflection_mm(np.array([F0_N]))[0]
    frame = Frame(record.force_n, record.deflection, record.uncertainty, "blank x", bare_at_f0_mm=float(bare),
                  bare_u_mm=0.001)
    unknown = replace(sim.run, pad=replace(sim.run.pad, thickness_mm=None))
    found = fit_run(unknown, frame=frame).thickness_mm
    assert found.value == pytest.approx(sim.truth.thickness_mm, abs=0.012)
    assert found.low < found.value < found.high


def test_work_of_known_strokes():
    """Loading F = 10 x/0.3, unloading F = 10 (x/0.3)^2 above F0: works by hand, through the record."""
    from padlab.fitting.prepared import Prepared, Stroke
    from padlab.signals.contact import ForceZero
    from padlab.signals.cycles import Press

    u = np.linspace(0, 1, 2001)
    x = np.concatenate([0.3 * u, 0.3 * u[::-1]])
    force = np.concatenate([10 * u, 10 * u[::-1] ** 2])
    start, stop = int(np.argmax(force > F0_N)) - 1, 2001 + int(np.argmax(force[2001:] <= F0_N)) + 1
    press = Press(1, start, 2000, stop, 10.0, None, 0, True)
    zero = ForceZero(0, 0, 0, "idle", None, False)
    prepared = Prepared(np.arange(x.size) / 50.0, force, x, zero, 0.0, (), 10.0)
    put_in, given_back = stroke_work_mj(prepared, Stroke(press, "recorded", "", 1.0, 0.1))
    low, root = F0_N / 10, np.sqrt(F0_N / 10)
    assert put_in == pytest.approx(1.5 * (1 - low**2), rel=1e-5)
    assert given_back == pytest.approx(1.0 * (1 - root**3), rel=1e-4)
