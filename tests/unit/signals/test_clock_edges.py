"""Clocks and lines from below in records whose delays are known to the last digit."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from padlab.records.rig_record import Channel, Instrument
from padlab.signals.clocks import (
    lower_line,
    own_time_s,
    regular_s,
    stray_s,
    without_delay_s,
    without_odd_ticks,
)

OWN = np.arange(0.0, 60.0, 0.02)


def late(n: int, *, at_most_s: float = 0.03, seed: int = 0) -> np.ndarray:
    """Delays of which every tenth is nothing."""
    out = at_most_s * np.random.default_rng(seed).random(n)
    out[::10] = 0.0
    return out


# -- the line from below ---------------------------------------------------------------------------


@pytest.mark.parametrize("rate", [0.9, 1.0, 1.0003, 1.2])
def test_the_line_is_that_of_the_readings_that_did_not_wait(rate: float) -> None:
    line = lower_line(OWN, 5.0 + rate * OWN + late(OWN.size))
    assert line.host_s_per_s == pytest.approx(rate, rel=1e-6)
    assert line.at_zero_s == pytest.approx(5.0, abs=1e-5)


@pytest.mark.parametrize(("seconds", "rate", "is_clock", "expected"), [
    (4.9, 1.005, True, 1.0), (5.1, 1.005, True, 1.005), (4.9, 1.02, True, 1.02), (4.9, 0.98, True, 0.98),
    (4.9, 1.005, False, 1.005), (4.9, 0.995, True, 1.0)])
def test_a_clock_near_the_host_s_is_taken_to_run_at_it_over_less_than_five_seconds(
        seconds: float, rate: float, is_clock: bool, expected: float) -> None:
    own = np.arange(0.0, seconds / rate, 0.02)
    line = lower_line(own, 5.0 + rate * own + late(own.size, at_most_s=0.003), is_clock=is_clock)
    assert line.host_s_per_s == pytest.approx(expected, rel=1e-4)


def test_the_own_time_is_that_of_a_clock_unless_said_otherwise() -> None:
    own = np.arange(0.0, 4.0, 0.02)
    assert lower_line(own, 5.0 + 1.005 * own).host_s_per_s == 1.0


def test_two_readings_have_no_rate_of_their_own() -> None:
    line = lower_line(np.array([1.0, 2.0]), np.array([8.0, 8.5]))
    assert (line.at_zero_s, line.host_s_per_s) == (6.5, 1.0)
    still = lower_line(np.full(5, 2.0), np.array([8.0, 8.1, 8.2, 8.3, 8.4]))
    assert (still.at_zero_s, still.host_s_per_s) == (6.0, 1.0)


def test_of_a_chunk_the_last_reading_waited_least() -> None:
    """Five readings at a time: the line goes through the last ones, none of which waited."""
    host = 3.0 + np.repeat(OWN[4::5], 5)
    line = lower_line(OWN, host)
    assert line.host_s(OWN) == pytest.approx(3.0 + OWN, abs=1e-9)


def test_what_lies_too_low_was_damaged_on_the_way_and_what_lies_a_little_low_was_not() -> None:
    """20 ms and five spreads below what its neighbours allow; here nothing else is late at all."""
    true = np.arange(0.0, 60.0, 0.1)
    for low_s, tips in ((0.09, False), (0.025, False), (0.015, True)):
        own = true.copy()
        own[400] += low_s
        off = lower_line(own, 5.0 + true).host_s(true) - (5.0 + true)
        assert bool(np.abs(off).max() > 1e-3) is tips


# -- how far a clock strays ------------------------------------------------------------------------


def test_the_stray_is_the_root_mean_square_about_the_middle() -> None:
    """Twenty parts. All of half of them 6 ms late: 3 ms about the middle; of one of them: 6 ms / sqrt(20)."""
    part = np.repeat(np.arange(20), OWN.size // 20)
    assert stray_s(OWN, OWN + 0.0) == 0.0
    assert stray_s(OWN, OWN + 0.006 * (part % 2)) == pytest.approx(0.003, rel=1e-6)
    assert stray_s(OWN, OWN + 0.006 * (part == 7)) == pytest.approx(0.006 / np.sqrt(20), rel=1e-6)
    assert stray_s(OWN, OWN + 0.5 * (np.arange(OWN.size) % 3 > 0)) == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(("count", "known"), [(99, False), (100, True)])
def test_five_readings_a_part_are_needed(count: int, known: bool) -> None:
    assert (stray_s(OWN[:count], OWN[:count] + 1.0) is not None) is known


def test_chunks_count_once() -> None:
    """A hundred readings that came in ten chunks are ten."""
    host = np.repeat(OWN[9:1000:10], 10)
    assert stray_s(OWN[:1000], host) == pytest.approx(0.0, abs=1e-12)
    assert stray_s(OWN[:100], host[:100]) is None


# -- wraps and restarts ----------------------------------------------------------------------------


def clocked(modulus: int | None) -> Instrument:
    return Instrument("cell", "lines", ("clock", "force"), (Channel("force", "force", "N"),), clock="clock",
                      clock_s_per_tick=0.001, clock_modulus=modulus)


@pytest.mark.parametrize(("modulus", "before", "after", "wraps"), [
    (1000, 950, 50, True), (1000, 880, 50, False), (1000, 950, 120, False), (None, 950, 50, False)])
def test_a_clock_that_steps_back_has_wrapped_only_from_its_last_to_its_first_tenth(
        modulus: int | None, before: int, after: int, wraps: bool) -> None:
    """Else the board has restarted, and the host's time bridges the step: 0.7 s here."""
    tick = np.concatenate([before - 20 * np.arange(20)[::-1], after + 20 * np.arange(20)]).astype(float)
    host = np.concatenate([0.02 * np.arange(20), 0.38 + 0.7 + 0.02 * np.arange(20)])
    time, restarts = own_time_s(clocked(modulus), pd.DataFrame({"host_s": host, "clock": tick}))
    assert restarts == ([] if wraps else [20])
    assert time[20] - time[19] == pytest.approx(0.1 if wraps else 0.7, abs=1e-9)
    assert time[0] == 0.0
    assert np.diff(np.delete(time, 20)).min() > 0


def test_a_gap_over_a_restart_is_told_in_the_clock_s_own_seconds() -> None:
    """A clock that runs 10 % fast: seven seconds of the host are 7.7 of it."""
    tick = np.concatenate([500 + 22 * np.arange(500), 22 * np.arange(500)]).astype(float)
    host = np.concatenate([0.02 * np.arange(500), 9.98 + 7.0 + 0.02 * np.arange(500)])
    time, restarts = own_time_s(clocked(None), pd.DataFrame({"host_s": host, "clock": tick}))
    assert restarts == [500]
    assert time[500] - time[499] == pytest.approx(7.7, rel=1e-6)


def test_a_piece_too_short_for_a_line_takes_the_rate_of_the_longest() -> None:
    """A minute on a clock 1 % slow, a restart, four seconds: the four are told at the rate of the minute."""
    own = np.concatenate([OWN, 70.0 + np.arange(0.0, 4.0, 0.02)])
    host = 5.0 + 1.02 * own
    waits = late(own.size, at_most_s=0.01)
    waits[OWN.size:] = np.linspace(0.01, 0.0, own.size - OWN.size)     # its own line would lie aslant
    told = without_delay_s(own, host + waits, [OWN.size])
    assert told[:OWN.size] == pytest.approx(host[:OWN.size], abs=1e-5)
    assert told[OWN.size:] == pytest.approx(host[OWN.size:], abs=1e-5)


def test_what_is_told_never_goes_back() -> None:
    """Two pieces of which the second would begin before the first has ended."""
    own = np.concatenate([np.arange(0.0, 10.0, 0.02), 10.0 + np.arange(0.0, 10.0, 0.02)])
    host = np.concatenate([np.arange(0.0, 10.0, 0.02), 9.5 + np.arange(0.0, 10.0, 0.02)])
    assert np.diff(without_delay_s(own, host, [500])).min() >= 0


def test_only_a_tick_that_fits_neither_neighbour_is_mended() -> None:
    for tick, mended in (
            ([10.0, 20.0, 5.0, 40.0], [10.0, 20.0, 30.0, 40.0]),
            ([10.0, 20.0, 20.0, 40.0], [10.0, 20.0, 20.0, 40.0]),      # it may stand
            ([10.0, 20.0, 40.0, 40.0], [10.0, 20.0, 40.0, 40.0]),
            ([80.0, 90.0, 5.0, 15.0], [80.0, 90.0, 5.0, 15.0]),        # it wrapped
            ([10.0, 90.0, 10.0, 20.0], [10.0, 90.0, 10.0, 20.0])):     # its neighbours do not fit either
        assert without_odd_ticks(np.array(tick)).tolist() == mended


# -- without a clock -------------------------------------------------------------------------------


@pytest.mark.parametrize(("silence_s", "kept"), [(0.9, False), (1.5, True)])
def test_a_second_of_silence_is_a_gap_of_a_quick_instrument(silence_s: float, kept: bool) -> None:
    """Of 100 readings a second nothing less than a second is: the host was busy, and the rate goes on."""
    host = np.concatenate([0.01 * np.arange(500), 4.99 + silence_s + 0.01 * np.arange(500)])
    step = np.diff(regular_s(host))
    assert bool(step.max() > 0.5 * silence_s) is kept
    assert step.min() > 0


@pytest.mark.parametrize(("silence_s", "kept"), [(2.2, False), (2.7, True)])
def test_a_slow_instrument_is_silent_after_five_of_its_steps(silence_s: float, kept: bool) -> None:
    """Read twice a second: 2.5 s. Up to there lines were lost one by one, and the host tells how many."""
    host = np.concatenate([0.5 * np.arange(100), 49.5 + silence_s + 0.5 * np.arange(100)])
    told = regular_s(host)
    assert np.diff(told).max() == pytest.approx(silence_s if kept else 0.5 * round(silence_s / 0.5), abs=0.1)
    assert np.diff(told).min() > 0


def test_two_readings_after_a_gap_stand_where_they_came() -> None:
    host = np.concatenate([0.02 * np.arange(100), [10.0, 10.02], [20.0]])
    told = regular_s(host)
    assert told[100] == 10.0
    assert told[102] == 20.0
    assert np.diff(told).min() > 0


def test_readings_that_all_came_at_once_are_kept_apart() -> None:
    told = regular_s(np.full(50, 3.0))
    assert told[0] == 3.0
    assert np.diff(told).min() > 0
    assert told[-1] < 3.001


def test_a_count_that_stands_still_is_not_believed() -> None:
    told = regular_s(0.02 * np.arange(10), np.array([0.0, 1, 2, 3, 3, 5, 6, 7, 8, 9]))
    assert np.diff(told).min() > 0
    assert told[-1] < 1.0


def test_what_waited_for_a_busy_host_is_told_after_what_came_before_it() -> None:
    """Of three seconds of silence 32 readings come at once, where 30 fit in."""
    host = np.concatenate([0.1 * np.arange(100), np.full(32, 12.9), 12.9 + 0.1 * np.arange(1, 100)])
    told = regular_s(host)
    assert np.diff(told).min() > 0
    assert told[99] == pytest.approx(9.9, abs=0.05)
    assert told[100] == pytest.approx(9.9, abs=0.2)
