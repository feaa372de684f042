"""One sample run against a plain lmfit script, in one process after imports; and time against samples.

The plain script (beside this file) is given the same points, the same smoothing and the same
starting clock; it fits the curve and its leave-one-stroke-out copies (its covariance), the laws and
the laws of sinking. Three ratios: on just that; from the prepared record on, where padlab also gathers the
points and chooses the smoothing; and ``fit_run`` whole, which also reads the record and finds the strokes.
"""

import importlib.util
import math
import multiprocessing
import time
import warnings
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from padlab.calibration.frame import frame_of
from padlab.capture.virtual.simulate import simulated_run
from padlab.fitting import compression, creep, limbs
from padlab.fitting.landmarks import SET_FORCE_N, thickness
from padlab.fitting.laws import compression_laws
from padlab.fitting.prepared import prepare
from padlab.fitting.run_fit import fit_run

spec = importlib.util.spec_from_file_location("plain_lmfit", Path(__file__).parent / "plain_lmfit.py")
plain = importlib.util.module_from_spec(spec)
spec.loader.exec_module(plain)

pytestmark = pytest.mark.alone
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
                          lambda f: curve.base.at(stiffness, f), lambda f: 0.1, step_mm=0.001)
    clock, *_ = creep._fraction(seen)
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


def from_prepared(run):
    """The work from the prepared record on, as a job: the curve, the laws, the laws of sinking."""
    frame = frame_of(run)
    prepared = prepare(run, frame)
    height = thickness(run, prepared, frame)

    def job():
        curve = compression.limb_curve(prepared, run.rig, frame, {})
        base = curve.base
        laws = compression_laws(run.pad, height.value, compression_mm=float(base.loading_mm[-1]),
                                has_plateau=compression.has_plateau(base))
        stiffness = base.loading_stiffness()
        return curve, compression.describe(curve, laws), creep.sinking(
            prepared, near_n=SET_FORCE_N, loading_stiffness=lambda f: base.at(stiffness, f),
            gap_share=lambda f: 0.1, rig_u_mm=curve.rig_u_mm)
    return job


def on_the_same_points(run, fitter, smoothing, curve, seen):
    """The work that the plain script does, of the same points, as a job."""
    laws = compression_laws(run.pad, 1.5, compression_mm=0.1, has_plateau=False)
    assert [law.name for law in laws] == ["linear", "power", "exponential"]     # as in the plain script

    def job():
        everyone = fitter.fit(list(range(len(fitter.strokes))), smoothing)
        return everyone, fitter.without_each(smoothing), compression.describe(curve, laws), creep.sinking_in(
            seen, level_n=3.5, times_s=(1.0, 10.0), rig_u_mm=0.0, crossing_u_mm=5e-4)
    return job


def test_ten_times_faster_on_the_same_points(points, record_property):
    run, fitter, smoothing, curve, seen, clock = points
    same, whole = on_the_same_points(run, fitter, smoothing, curve, seen), from_prepared(run)
    same(), whole()  # imports and caches
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        (ours, more, theirs), ((everyone, _, (law, best, _), sinks), _, (curves, laws)) = least_seconds(
            same, whole, lambda: plain_job(fitter, smoothing, curve, seen, clock))
    record_property("ratio", theirs / ours)
    record_property("ratio_from_prepared", theirs / more)
    print(f"same points {1e3 * ours:.1f} ms, from prepared {1e3 * more:.1f} ms, plain lmfit "
          f"{1e3 * theirs:.0f} ms, ratios {theirs / ours:.1f} and {theirs / more:.1f}")
    # The same values, and errors of all: none was left out.
    found = np.array([p.value for p in curves[0].params.values()])
    assert np.cumsum(found[:limbs._count()]) == pytest.approx(np.cumsum(everyone.loading), abs=1e-4)
    assert best.stderr is not None
    for name, value in zip(law.parameters, best.values, strict=True):
        assert value == pytest.approx(laws[law.law].params[name].value, rel=1e-4)
    assert np.isfinite(sinks.fraction_standard_uncertainty)
    assert theirs / ours >= 10.0
    assert theirs / more >= 6.0


def noisy(points, seed):
    """The points of another run of such a pad: other noise on the curve's, the law's and the hold's."""
    _, fitter, smoothing, curve, seen, _ = points
    rng = np.random.default_rng(seed)
    strokes = [replace(s, x=s.x + rng.normal(0, 2e-4, s.x.shape)) for s in fitter.strokes]
    other = limbs.LimbFitter(strokes, low_u=fitter.low_u, high_u=fitter.high_u)
    force, x, sigma = curve.points
    return (other, smoothing, replace(curve, points=(force, x + rng.normal(0, 2e-4, x.size), sigma)),
            replace(seen, position_mm=seen.position_mm + rng.normal(0, 1e-4, seen.position_mm.size)))


def test_a_thousand_runs_on_two_workers(points, record_property):
    """Each with points of its own, sent to the workers; of the plain script ten are timed."""
    run, *_ = points
    spread = [noisy(points, seed) for seed in range(1000)]
    context = multiprocessing.get_context("fork")       # the workers need not import this file by name
    with ProcessPoolExecutor(2, mp_context=context) as pool:
        list(pool.map(_answer, [(run.pad, *spread[0])] * 8, chunksize=1))       # both are up
        start = time.perf_counter()
        answers = list(pool.map(_answer, [(run.pad, *one) for one in spread], chunksize=25))
        ours = time.perf_counter() - start
    plainly = []
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for seed in range(0, 1000, 100):
            start = time.perf_counter()
            curves, laws = plain_job(*spread[seed], points[-1])
            plainly.append(time.perf_counter() - start)
            limb, best, values, fraction_u = answers[seed]
            found = np.array([p.value for p in curves[0].params.values()])
            assert np.cumsum(found[:limbs._count()]) == pytest.approx(np.cumsum(limb), abs=1e-4)
            assert values == pytest.approx([p.value for p in laws[best].params.values()], rel=1e-4)
            assert math.isfinite(fraction_u)
    ratio = 1000 * sum(plainly) / len(plainly) / ours
    record_property("ratio", ratio)
    print(f"1,000 runs {ours:.1f} s on two workers, plain {100 * sum(plainly):.0f} s, ratio {ratio:.0f}")
    assert ratio >= 20.0


def _answer(job):
    pad, fitter, smoothing, curve, seen = job
    laws = compression_laws(pad, 1.5, compression_mm=0.1, has_plateau=False)
    everyone = fitter.fit(list(range(len(fitter.strokes))), smoothing)
    assert len(fitter.without_each(smoothing)) == len(fitter.strokes)
    law, best, _ = compression.describe(curve, laws)
    sinks = creep.sinking_in(seen, level_n=3.5, times_s=(1.0, 10.0), rig_u_mm=0.0, crossing_u_mm=5e-4)
    return everyone.loading, law.law, list(best.values), sinks.fraction_standard_uncertainty


def read_at(run, n, until_s):
    """The run up to ``until_s`` as if it had been read ``n`` times, with noise on every reading."""
    table, noise = run.samples, np.random.default_rng(1)
    t = np.linspace(0.0, until_s, n)
    return replace(run, _samples=pd.DataFrame({"time_s": t} | {
        name: np.interp(t, table["time_s"], table[name]) + noise.normal(0, sd, n)
        for name, sd in (("force_n", 2e-3), ("displacement_mm", 2e-4))}))


@pytest.mark.timeout(180)
@pytest.mark.parametrize(("part", "counts"), [
    ("strokes", (1_000, 10_000, 100_000, 1_000_000)),
    ("whole", (3_000, 30_000, 300_000, 1_000_000)),
])
def test_time_is_linear_in_the_samples(points, part, counts, record_property):
    run = points[0]
    strokes = [s for s in prepare(run, frame_of(run)).strokes if s.role in ("working-in", "recorded")]
    first = min(s.press.number for s in strokes)
    apart = next((i for i, s in enumerate(strokes) if s.press.number != first + i), len(strokes))
    end = float(run.samples["time_s"].iloc[strokes[apart - 1].press.stop]) + 0.5
    until_s = end if part == "strokes" else float(run.samples["time_s"].iloc[-1])
    seconds = []
    for n in counts:
        dense = read_at(run, n, until_s)
        fit_run(dense)
        took = []
        for _ in range(3):
            start = time.perf_counter()
            fit = fit_run(dense)
            took.append(time.perf_counter() - start)
        assert fit.compression is not None
        assert (fit.creep is not None) == (part == "whole")
        seconds.append(min(took))
    steps = [math.log(b / a) / math.log(m / n)
             for (a, b), (n, m) in zip(pairwise(seconds), pairwise(counts), strict=True)]
    exponent = float(np.polyfit(np.log(counts), np.log(seconds), 1)[0])
    record_property("exponent", exponent)
    record_property("exponents_step_by_step", steps)
    print(part, [f"{n}: {1e3 * s:.0f} ms" for n, s in zip(counts, seconds, strict=True)],
          f"exponent {exponent:.2f}, step by step", [f"{e:.2f}" for e in steps])
    assert exponent <= 1.1
    # The last step alone: arrays leave the cache there, which costs; work that grows faster would show 2.
    assert max(steps) <= 1.5
