"""The number of a stroke is the machine's; whatever its counter does, numbers rise and none comes twice."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from padlab.capture.stroke_count import TRUSTED_AGAIN, StrokeCount

NAN = math.nan


def run(count, *strokes):
    return [count.number(t, m) for t, m in strokes]


@given(steps=st.lists(st.integers(1, 40), min_size=1, max_size=60), start=st.integers(0, 65535),
       cuts=st.sets(st.integers(0, 59)), modulus=st.sampled_from([65536, 2**32]))
def test_the_count_is_the_machines_however_often_padlab_was_killed(steps, start, cuts, modulus):
    made, time, row = 0, 0.0, None
    count = StrokeCount(modulus=modulus, machine=float(start), time_s=0.0)
    for k, step in enumerate(steps):
        if k in cuts:                    # killed; on file is the last row, or none
            last, machine, at = row or (0, float(start), 0.0)
            count = StrokeCount(modulus=modulus, last=last, machine=machine, time_s=at, is_resumed=True)
        made, time = made + step, time + step
        machine = float((start + made) % modulus)
        number = count.number(time, machine)
        assert number == made
        row = (number, machine, time)
    assert not count.is_least


@given(strokes=st.lists(st.tuples(st.floats(0.01, 1e6), st.one_of(st.integers(0, 2**32 - 1), st.just(NAN))),
                        max_size=80),
       modulus=st.sampled_from([None, 2, 256, 2**32]), is_resumed=st.booleans())
def test_numbers_rise_whatever_the_counter_says(strokes, modulus, is_resumed):
    count, time, last = StrokeCount(modulus=modulus, last=7, machine=3.0, is_resumed=is_resumed), 0.0, 7
    for step, machine in strokes:
        time += step
        number = count.number(time, float(machine))
        assert number is None or number > last
        last = number or last
    assert count.last == last


def test_one_damaged_reading_of_the_counter_moves_nothing():
    count = StrokeCount(modulus=2**32, machine=0.0, time_s=0.0)
    assert run(count, (1, 1.0), (2, 2.0 + 2**20), (3, 3.0), (4, 4.0)) == [1, 2, 3, 4]
    assert not count.is_least


def test_a_counter_that_begins_anew_within_a_run_is_followed_and_said():
    count = StrokeCount(modulus=2**32, last=500, machine=500.0, time_s=0.0)
    assert run(count, *((float(k), float(k)) for k in range(1, 9))) == list(range(501, 509))
    assert count.is_least


def test_a_counter_that_stands_still_is_given_up():
    count = StrokeCount(modulus=2**32, last=500, machine=500.0, time_s=0.0)
    found = run(count, *((float(k), 500.0) for k in range(1, TRUSTED_AGAIN + 1)))
    assert found == [None] * (TRUSTED_AGAIN - 1) + [501]
    assert (count.twice, count.is_least) == (TRUSTED_AGAIN - 1, True)


@pytest.mark.parametrize("machine", [3.0, 10.0, NAN])
def test_a_counter_that_lost_its_memory_while_padlab_was_away(machine):
    count = StrokeCount(modulus=2**32, last=10, machine=10.0, time_s=9.0, is_resumed=True)
    assert run(count, (500, machine)) == [11]
    assert (count.is_least, count.missed) == (True, 0)


def test_a_small_counter_that_may_have_come_round_tells_nothing():
    week, hour = 7 * 86400.0, 3600.0
    for away_s, known in ((hour, True), (week, False)):
        count = StrokeCount(modulus=65536, last=10, machine=10.0, time_s=0.0, is_resumed=True)
        assert run(count, (away_s, 1000.0)) == ([1000] if known else [11])
        assert count.is_least is not known


def test_a_counter_that_goes_up_after_each_stroke_begins_with_one_too():
    count = StrokeCount(modulus=2**32, machine=40.0, time_s=0.0)
    assert run(count, (1, 40.0), (2, 41.0), (3, 42.0)) == [1, 2, 3]
