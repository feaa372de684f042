"""The response model against a plain numpy recursion over the same samples, in one process after imports.

One pass of the plain recursion: 8 play operators and 12 retardation times, updated sample by sample in numpy.
"""

import time
import tracemalloc

import numpy as np
import pytest

from padlab.calibration.frame import frame_of
from padlab.capture.virtual.simulate import simulate
from padlab.fitting import response_fit
from padlab.fitting.prepared import prepare
from padlab.fitting.response import ResponseModel
from padlab.fitting.run_fit import fit_run

SAMPLES = 100_000
TIMES = 12


def plain_pass(time_s, drive, reach, tau_s):
    """Outputs of the last sample; every sample is visited in a loop."""
    plays, lags = np.full(reach.size, drive[0]), np.zeros(tau_s.size)
    every = np.empty((time_s.size, reach.size + tau_s.size))
    for i in range(1, time_s.size):
        plays = np.minimum(np.maximum(plays, drive[i] - reach), drive[i] + reach)
        u = (time_s[i] - time_s[i - 1]) / tau_s
        e = np.exp(-u)
        f = (1.0 - e) / u
        lags = e * lags + (f - e) * drive[i - 1] + (1.0 - f) * drive[i]
        every[i, :reach.size], every[i, reach.size:] = plays, lags
    return every


def seconds_of(job, rounds=3):
    """The least time of a job and its result."""
    least, result = np.inf, None
    for _ in range(rounds):
        start = time.perf_counter()
        result = job()
        least = min(least, time.perf_counter() - start)
    return least, result


@pytest.fixture(scope="module")
def record():
    """A run of 10^5 readings: a virtual pad recorded so often a second, with its curves."""
    run = simulate("dense polymer", seed=8_901, rate_hz=425.0).run
    prepared = prepare(run, frame_of(run))
    assert 0.95 * SAMPLES < prepared.time_s.size < 1.3 * SAMPLES, prepared.time_s.size
    return prepared, fit_run(run).curves


@pytest.fixture(scope="module")
def plain(record):
    prepared, _ = record
    part = slice(0, SAMPLES)
    reach, tau = np.linspace(0, 0.5, 8), np.geomspace(0.1, 250, TIMES)
    drive = np.maximum(prepared.force_n[part], 0.0) / 18.0
    return seconds_of(lambda: plain_pass(prepared.time_s[part], drive, reach, tau), rounds=2)[0]


@pytest.mark.alone
def test_a_fit_takes_less_than_twenty_passes(record, plain, monkeypatch):
    prepared, curves = record
    per_decade = (TIMES - 1) / np.log10((prepared.time_s[-1] - prepared.time_s[0]) / response_fit.SHORTEST_S)
    monkeypatch.setattr(response_fit, "PER_DECADE", per_decade)
    took, model = seconds_of(lambda: response_fit.fit_response(prepared, curves), rounds=1)
    assert (len(model.reach), len(model.tau_s)) == (8, TIMES)
    print(f"\nfit {took:.2f} s, one plain pass {plain:.2f} s: {took / plain:.2f} passes")
    assert took < 20 * plain


@pytest.mark.alone
def test_a_replay_takes_less_than_two_passes(record, plain, monkeypatch):
    prepared, curves = record
    model = response_fit.fit_response(prepared, curves)
    part = slice(0, SAMPLES)
    took, _ = seconds_of(lambda: model.position(prepared.time_s[part], prepared.force_n[part]))
    print(f"\nreplay {took:.3f} s, one plain pass {plain:.2f} s: {took / plain:.2f} passes")
    assert took < 2 * plain


def test_ten_million_samples_in_flat_memory():
    """Fed in pieces of 10^6: what is held at once does not grow with what was fed."""
    model = ResponseModel.of_parts(
        top_n=18.0, reach=np.linspace(0, 0.3, 8).tolist(), slopes_mm=[0.05] * 8,
        tau_s=np.geomspace(0.1, 300, TIMES).tolist(), lags_mm=[0.002] * TIMES)
    player, piece = model.start("worked in"), 1_000_000
    tracemalloc.start()
    peaks = []
    for k in range(10):
        at = (k * piece + np.arange(piece)) * 0.005
        found = player.position(at, np.abs(9.0 * np.sin(at)))
        assert np.all(np.isfinite(found))
        peaks.append(tracemalloc.get_traced_memory()[1])
        del at, found                       # or the piece before would stand beside the next
    tracemalloc.stop()
    assert peaks[-1] < 1.1 * peaks[0]
    assert peaks[-1] < 300e6


@pytest.mark.alone
def test_time_grows_no_faster_than_the_samples():
    model = ResponseModel.of_parts(top_n=18.0, reach=[0.0, 0.1], slopes_mm=[0.1, 0.1], tau_s=[0.3, 30.0],
                                   lags_mm=[0.01, 0.01])
    took = []
    for n in (200_000, 1_600_000):
        at = np.arange(n) * 0.005
        force = np.abs(9.0 * np.sin(at))
        took.append(seconds_of(lambda at=at, force=force: model.position(at, force))[0])
    assert took[1] < 1.5 * 8 * took[0]
