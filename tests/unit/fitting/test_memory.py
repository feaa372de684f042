"""Play, retardation and their scans: closed forms, properties, and a plain loop that shares no code."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from padlab.fitting.memory import SMALL, play, retarded
from padlab.fitting.scan import clip_scan, linear_scan

reading = st.floats(-10, 10, width=32)
histories = st.integers(1, 60).flatmap(lambda n: st.tuples(
    arrays(float, n, elements=st.floats(0, 3, width=32)).map(np.cumsum),
    arrays(float, n, elements=reading), arrays(float, n, elements=reading)))


def test_kelvin_element_after_a_ramp():
    """J = 0.02 mm/N, tau = 2 s, 0-5 N within 0.5 s, at 3 s: J F (1 - e^(-t/tau) (e^u - 1)/u), u = t1/tau.

    Closed form of the step response convolved with the ramp's rate (textbook; worked by hand).
    """
    u = 0.5 / 2
    closed = 0.02 * 5 * (1 - math.exp(-3 / 2) * (math.exp(u) - 1) / u)
    assert closed == pytest.approx(0.07465015, abs=5e-9)
    assert (math.exp(u) - 1) / u == pytest.approx(1.13610167, abs=5e-9)
    for time in (np.array([0, 0.5, 3.0]), np.linspace(0, 3, 61), np.array([0, 0.01, 0.5, 0.5, 0.7, 3.0])):
        force = 5 * np.minimum(time / 0.5, 1)
        at = retarded(time, force, np.array([2.0]))[-1, 0]
        assert 0.02 * at == pytest.approx(closed, rel=1e-13)


def test_maxwell_element_under_a_ramp():
    """A dashpot is a Kelvin element without end: x = F/k + (integral of F dt)/eta = r t/k + r t^2/(2 eta)."""
    k, eta, rate, tau = 40.0, 900.0, 1.7, 1e7
    time = np.cumsum(np.random.default_rng(1).uniform(0.001, 0.5, 60)) - 0.001
    time[0] = 0.0
    flow = tau / eta * retarded(time, rate * time, np.array([tau]))[:, 0]
    closed = rate * time**2 / (2 * eta)
    assert rate * time / k + flow == pytest.approx(rate * time / k + closed, rel=1e-6, abs=1e-12)
    # The error is that of the finite time constant, t/(3 tau), not of the digits.
    assert flow[1:] / closed[1:] - 1 == pytest.approx(-time[1:] / (3 * tau), rel=1e-3, abs=1e-12)


@pytest.mark.parametrize("u", [SMALL * 0.999, SMALL * 1.001])
def test_series_and_formula_meet(u):
    """Where the step's factors change from series to formula both give the same (40 digits in fractions)."""
    from fractions import Fraction

    x = Fraction(u)
    e = sum((-x) ** k / math.factorial(k) for k in range(20))
    f = (1 - e) / x
    old = retarded(np.array([0.0, u]), np.array([1.0, 0.0]), np.ones(1))[-1, 0]
    new = retarded(np.array([0.0, u]), np.array([0.0, 1.0]), np.ones(1))[-1, 0]
    assert old == pytest.approx(float(f - e), rel=2e-13)
    assert new == pytest.approx(float(1 - f), rel=2e-13)


@pytest.mark.parametrize(("reach", "size"), [(0.1, 1.0), (0.4, 0.5), (2.0, 5.0)])
def test_play_loop_encloses_what_it_must(reach, size):
    """Drive between -A and A: the parallelogram encloses 2 r * 2 (A - r)."""
    drive = size * np.concatenate([[0, 1], np.tile([-1, 1], 3)]).astype(float)
    fine = np.interp(np.linspace(0, drive.size - 1, 56001), np.arange(drive.size), drive)
    out = play(fine, np.array([reach]))[:, 0]
    loop = slice(56000 * 5 // 7, None)             # the last turn there and back
    v, p = fine[loop], out[loop]
    area = 0.5 * abs(np.sum(v[:-1] * p[1:] - v[1:] * p[:-1]))
    assert area == pytest.approx(2 * reach * 2 * (size - reach), rel=5e-4)
    assert play(drive, np.array([reach]))[-1, 0] == pytest.approx(size - reach)


def test_a_drive_that_stays_within_the_play_moves_nothing():
    drive = 0.3 * np.sin(np.linspace(0, 20, 500))
    assert not play(drive, np.array([0.31]), np.zeros(1)).any()


@given(histories)
def test_play_forgets_speed(history):
    """Rate independence: between any two samples the same way at any pace gives the same outputs."""
    _, drive, _ = history
    reach = np.array([0.0, 0.5, 3.0])
    twice = np.repeat(drive, 3)
    assert np.array_equal(play(twice, reach)[2::3], play(drive, reach))


@given(histories)
def test_lags_add_up(history):
    """Boltzmann superposition: the response to a sum is the sum of the responses."""
    time, one, other = history
    tau = np.array([0.01, 1.0, 300.0])
    both = retarded(time, 2.0 * one - other, tau)
    assert both == pytest.approx(2.0 * retarded(time, one, tau) - retarded(time, other, tau), abs=1e-11)


@given(histories, st.sampled_from([0.5, 64.0, 4096.0]))
def test_a_later_start_changes_nothing(history, later_s):
    time, drive, _ = history
    tau = np.array([0.05, 20.0])
    moved = retarded(time + later_s, drive, tau)
    assert moved == pytest.approx(retarded(time, drive, tau), abs=1e-9)


@given(histories, st.integers(0, 60))
def test_pieces_are_the_whole(history, cut):
    time, drive, _ = history
    cut = min(cut, time.size)
    tau, reach = np.array([0.3, 10.0]), np.array([0.0, 1.0])
    whole, whole_play = retarded(time, drive, tau), play(drive, reach)
    if 0 < cut < time.size:
        first, first_play = retarded(time[:cut], drive[:cut], tau), play(drive[:cut], reach)
        last = retarded(time[cut:], drive[cut:], tau, first[-1], before=(time[cut - 1], drive[cut - 1]))
        assert np.concatenate([first, last]) == pytest.approx(whole, abs=1e-12)
        last_play = play(drive[cut:], reach, first_play[-1])
        assert np.array_equal(np.concatenate([first_play, last_play]), whole_play)


@given(st.integers(1, 200), st.integers(0, 2**32 - 1))
def test_scans_are_the_plain_loops(n, seed):
    rng = np.random.default_rng(seed)
    low = rng.normal(size=(n, 3))
    high, start = low + rng.exponential(size=(n, 3)), rng.normal(size=3)
    keep, add = rng.uniform(0, 1, (n, 3)), rng.normal(size=(n, 3))
    y, z, ys, zs = start, start, [], []
    for i in range(n):
        y = np.minimum(np.maximum(y, low[i]), high[i])
        z = keep[i] * z + add[i]
        ys.append(y)
        zs.append(z)
    assert np.array_equal(clip_scan(low, high, start), np.array(ys))
    assert linear_scan(keep, add, start) == pytest.approx(np.array(zs), abs=1e-12)
