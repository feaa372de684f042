"""One sample run through ``fit_run`` against a plain lmfit script, in one process after imports.

The plain script (beside this file) is given the same points, the same smoothing and the same
starting clock; it fits the curve and its leave-one-stroke-out copies (its covariance), the laws and
the laws of sinking. padlab also chooses the smoothing, reads the record and finds the strokes.
"""

import importlib.util
import time
import warnings
from pathlib import Path

import numpy as np
import pytest

from padlab.calibration.frame import frame_of
from padlab.capture.virtual.simulate import simulated_run
from padlab.fitting import compression, creep, limbs
from padlab.fitting.prepared import prepare
from padlab.fitting.run_fit import fit_run

spec = importlib.util.spec_from_file_location("plain_lmfit", Path(__file__).parent / "plain_lmfit.py")
plain = importlib.util.module_from_spec(spec)
spec.loader.exec_module(plain)

ROUNDS = 7


def least_seconds(*jobs):
    """The least time of each job, taken in turn: what else the machine does falls on all alike."""
    seconds, results = [[] for _ in jobs], [None for _ in jobs]
    for _ in range(ROUNDS):
        for i, job in enumerate(jobs):
            start = time.perf_counter()
            results[i] = job()
            seconds[i].append(time.perf_counter() - start)
    return [min(s) for s in seconds], results


@pytest.fixture(scope="module")
def points():
    """What both sides are given: the run, the curve's blocks, the law points, the hold."""
    run, _ = simulated_run("sheet cork", 2, 1, seed=40)
    frame = frame_of(run)
    prepared = prepare(run, frame)
    kept = []
    original = limbs.LimbFitter

    class Kept(original):
        def __init__(self, *a, **k):
            super().__init__(*a, **k)
            kept.append(self)

    compression.LimbFitter = Kept
    try:
        curve = compression.limb_curve(prepared, run.rig, frame, {})
    finally:
        compression.LimbFitter = original
    stiffness = curve.base.loading_stiffness()
    hold = next(s for s in prepared.strokes if s.role == "hold")
    seen = creep._history(prepared, hold, creep._level(prepared, hold),
                          lambda f: curve.base.at(stiffness, f), lambda f: 0.1)
    clock, _, _ = creep._fraction(seen)
    fitter = kept[0]
    return run, fitter, fitter.choose_smoothing(), curve, seen, clock


def plain_job(fitter, smoothing, curve, seen, clock):
    everyone = range(len(fitter._blocks))
    curves = [plain.rising_curve([fitter._blocks[i] for i in everyone], fitter._penalty, smoothing,
                                 2 * limbs._count())]
    for left in everyone:
        curves.append(plain.rising_curve([fitter._blocks[i] for i in everyone if i != left], fitter._penalty,
                                         smoothing, 2 * limbs._count()))
    force, x, sigma = curve.points
    laws = {
        "linear": plain.law(plain.linear, force, x, {"K": 50.0}, sigma),
        "power": plain.law(plain.power, force, x, {"c": 100.0, "p": 2.0}, sigma),
        "exponential": plain.law(plain.exponential, force, x, {"a": 1.0, "B": 5.0}, sigma),
    }
    t = seen.time_s + clock
    laws["logarithmic"] = plain.law(plain.logarithmic, t, seen.position_mm, {"x1": 0.1, "c": 0.02})
    laws["Findley"] = plain.law(plain.findley, t, seen.position_mm, {"x0": 0.1, "m": 0.005, "n": 0.1})
    laws["approach"] = plain.law(plain.approach, t, seen.position_mm, {"x0": 0.1, "b": 0.005, "rate": 0.1})
    return curves, laws


def test_three_times_faster_than_plain_lmfit(points, record_property):
    run, fitter, smoothing, curve, seen, clock = points
    fit_run(run)  # imports and caches
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        (ours, theirs), (fit, (curves, laws)) = least_seconds(
            lambda: fit_run(run), lambda: plain_job(fitter, smoothing, curve, seen, clock))
    record_property("ratio", theirs / ours)
    print(f"fit_run {1e3 * ours:.0f} ms, plain lmfit {1e3 * theirs:.0f} ms, ratio {theirs / ours:.1f}")
    # The same values: the curve to 0.1 um, the best law's constants and their errors.
    found = np.array([p.value for p in curves[0].params.values()])
    everyone = list(range(len(fitter.strokes)))
    own = fitter.fit(everyone, smoothing)
    assert np.cumsum(found[:limbs._count()]) == pytest.approx(np.cumsum(own.loading), abs=1e-4)
    best = fit.compression
    reference = laws[best.law]
    for name, q in best.parameters.items():
        assert q.value == pytest.approx(reference.params[name].value, rel=1e-4)
    assert theirs / ours >= 3.0
