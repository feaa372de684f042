"""Stamps of the rig -> the run's axis."""

from __future__ import annotations

import numpy as np
import pytest

from padlab.capture.timeline import Timeline


def test_a_clock_that_comes_round_goes_on():
    ticks = np.arange(0, 20_000_000, 20_000, dtype=float)
    line = Timeline(s_per_tick=1e-6, modulus=1_000_000)
    times = np.concatenate([line.add(host_s=np.full(5, i * 0.1), ticks=ticks[i * 5:i * 5 + 5] % 1_000_000)
                            for i in range(200)])
    np.testing.assert_allclose(times, ticks * 1e-6, atol=1e-9)
    assert line.restarts == []


def test_a_restarted_rig_is_bridged_by_the_hosts_time_at_the_rigs_own_rate():
    line = Timeline(s_per_tick=1e-6, modulus=2**32)
    for i in range(100):                                   # a rig sped up 50 times
        line.add(host_s=np.array([i * 0.01]), ticks=np.array([9e6 + i * 500_000.0]))
    before = line.now_s
    times = line.add(host_s=np.full(2, 0.99 + 0.2), ticks=np.array([0.0, 20_000.0]))
    assert [to for _, to in line.restarts] == [times[0]]
    assert times[0] - before == pytest.approx(0.2 * 50, rel=1e-6)
    assert times[1] - times[0] == pytest.approx(0.02)


def test_without_a_clock_the_stamp_of_the_piece_counts():
    line = Timeline(s_per_tick=None, modulus=None)
    assert line.add(host_s=np.array([7.0, 7.0]), ticks=None).tolist() == [0.0, 0.0]
    assert line.add(host_s=np.array([7.25]), ticks=None).tolist() == [0.25]


def test_the_axis_is_the_one_that_the_stored_readings_give():
    """The same rule as in signals.merge, which makes the final axis."""
    pd = pytest.importorskip("pandas")
    from padlab.capture.rig import read_rig
    from padlab.signals.merge import axis_s

    instrument = read_rig("bench").to_record().instruments[0]
    rng = np.random.default_rng(5)
    ticks = (4_294_000_000 + np.arange(400) * 20_000.0) % 2**32
    ticks[250:] = np.arange(150) * 20_000.0 + 17          # the rig restarts
    host = np.arange(400) * 0.02 + 0.001 * rng.random(400)
    host[250:] += 1.5
    line = Timeline(s_per_tick=1e-6, modulus=2**32)
    times = np.concatenate(
        [line.add(host_s=np.array([h]), ticks=np.array([t])) for h, t in zip(host, ticks, strict=True)])
    final = axis_s(instrument, pd.DataFrame({"host_s": host, "clock": ticks}))
    np.testing.assert_allclose(times, final, atol=5e-3)    # its rate is that of the whole run


@pytest.mark.parametrize("size", [1, 2, 3, 7, 100])
@pytest.mark.parametrize("flip", [4_000_000.0, -1_500_000.0, 2.0**31])
def test_one_damaged_tick_moves_nothing_after_it(size, flip):
    """A flipped bit of the clock used to move the whole rest of a run, as if the rig had restarted."""
    ticks = 2_000_000 + np.arange(60) * 20_000.0
    ticks[31] += flip
    line = Timeline(s_per_tick=1e-6, modulus=2**32)
    times = np.concatenate([line.add(host_s=np.full(len(part), 0.02 * i), ticks=part)
                            for i, part in enumerate(np.split(ticks, range(size, 60, size)))])
    right = np.arange(60) * 0.02
    np.testing.assert_allclose(np.delete(times, 31), np.delete(right, 31), atol=1e-9)
