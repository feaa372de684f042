"""Bytes -> readings, against a slow reader that shares no code with it."""

from __future__ import annotations

import random

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padlab.capture.pattern import read_pattern
from padlab.capture.rig import read_rig
from padlab.capture.wire import LineReader, reader_for, whole_numbers

BENCH = r"(?P<counter>\d+),(?P<clock>\d+),(?P<force>-?\d+),(?P<displacement>-?\d+)"


def bench_reader(**more) -> LineReader:
    return LineReader(read_pattern(BENCH), counter="counter", **more)


@pytest.mark.parametrize("most", [1, 7, 200, 4096, 10**6])
def test_every_fuzzed_line_is_read_or_counted_whatever_the_pieces(fuzz, most):
    stream = fuzz.fuzzed({1: 3_000, 4096: 100_000}.get(most, 20_000), seed=most)
    wire, rows = bench_reader(), []
    for piece in fuzz.pieces(stream, random.Random(most), most):
        got = wire.feed(piece)
        if len(got):
            rows += got.text.split("\n")
            assert got.values.shape == (got.text.count("\n") + 1, 4)
    readings, bad, remarks = fuzz.slow_reader(stream)
    assert rows == readings
    assert wire.counts.bad_lines == bad
    assert wire.counts.remarks == remarks
    assert wire.counts.readings == len(readings)


@given(st.binary(max_size=3000), st.lists(st.integers(1, 700), max_size=30))
@settings(max_examples=200, deadline=None)
def test_any_bytes_in_any_pieces(fuzz, noise, cuts):
    stream = noise + b"\n1,2,3,4\n"
    wire, rows, at = bench_reader(), [], 0
    for size in [*cuts, len(stream)]:
        got = wire.feed(stream[at:at + size])
        rows += got.text.split("\n") if len(got) else []
        at += size
    readings, bad, remarks = fuzz.slow_reader(stream)
    assert (rows, wire.counts.bad_lines, wire.counts.remarks) == (readings, bad, remarks)


def test_half_a_line_is_never_a_reading():
    """What used to happen elsewhere: a read that timed out gave 12.34 of 12.345, then 5 as a line."""
    wire = LineReader(read_pattern(r"(?P<force>\d+\.\d+)"))
    assert len(wire.feed(b"12.34")) == 0
    assert wire.feed(b"5\n").text == "12.345"


def test_the_rest_of_a_line_at_the_start_is_passed_over_uncounted():
    wire = bench_reader(whole_from_start=False)
    got = wire.feed(b"23,456,7,8\n124,457,7,8\n")              # looks whole; its head may be missing
    assert got.text == "124,457,7,8"
    assert wire.counts.bad_lines == 0


def test_a_port_that_was_reopened_joins_nothing():
    wire = bench_reader()
    wire.feed(b"1,2,3,4\n2,2,")
    wire.reopened()
    assert wire.feed(b"3,4\n9,2,3,4\n").text == "9,2,3,4"
    assert (wire.counts.bad_lines, wire.counts.lost_lines) == (0, 0)      # the gap is marked by others


def test_a_long_line_is_counted_once_and_costs_no_memory():
    wire = bench_reader()
    for _ in range(2000):
        wire.feed(b"x" * 1000)
    assert wire.counts.bad_lines == 1
    assert len(wire._tail) <= 513
    assert wire.feed(b"\n1,2,3,4\n").text == "1,2,3,4"
    assert wire.counts.bad_lines == 1


@pytest.mark.parametrize(("length", "bad"), [(511, 0), (512, 0), (513, 1), (514, 1), (515, 1)])
@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
@pytest.mark.parametrize("size", [1, 100, 1000])
def test_512_bytes_are_a_line_and_513_are_bad(length, bad, end, size):
    wire = LineReader(read_pattern(r"a*(?P<force>\d+)"))
    stream = b"a" * (length - 1) + b"1" + end
    rows = [wire.feed(stream[i:i + size]) for i in range(0, len(stream), size)]
    assert wire.counts.bad_lines == bad
    assert sum(map(len, rows)) == 1 - bad


def counters(*counts: int, modulus: int = 2**32, pieces_of: int = 10**6):
    wire = bench_reader(modulus=modulus)
    lines = [b"%d,0,0,0\n" % c for c in counts]
    for i in range(0, len(lines), pieces_of):
        wire.feed(b"".join(lines[i:i + pieces_of]))
    c = wire.counts
    return c.lost_lines, c.restarts, c.repeated_lines, c.odd_counts


@pytest.mark.parametrize("pieces_of", [1, 2, 3, 100])
@pytest.mark.parametrize(
    ("counts", "seen"),
    [
        ((5, 6, 7, 8), (0, 0, 0, 0)),
        ((5, 6, 9, 10), (2, 0, 0, 0)),
        ((2**32 - 2, 2**32 - 1, 0, 1), (0, 0, 0, 0)),            # the count comes round
        ((2**32 - 2, 1, 2), (2, 0, 0, 0)),                       # comes round, and lines are lost there
        ((70000, 70001, 0, 1, 2), (0, 1, 0, 0)),                 # reset of the rig: not four billion lost
        ((70000, 70001, 3, 4), (0, 1, 0, 0)),
        ((5, 6, 6, 7), (0, 0, 1, 0)),
        ((5, 6, 4103, 8, 9), (0, 0, 0, 1)),                      # one flipped bit up: taken back
        ((5000, 5001, 906, 5003, 5004), (0, 0, 0, 1)),           # one flipped bit down
        ((5, 6, 6, 8, 9), (0, 0, 0, 1)),
        ((5, 6, 10, 20, 21), (12, 0, 0, 0)),
    ],
)
def test_lost_lines_by_the_rigs_own_count(counts, seen, pieces_of):
    assert counters(*counts, pieces_of=pieces_of) == seen


def test_a_line_that_came_but_was_not_readable_is_bad_and_not_lost():
    for size in (1, 5, 1000):
        wire = bench_reader()
        stream = b"1,0,0,0\n2,x,0,0\n3,0,0,0\n" + b"?\n" + b"5,0,0,0\n9,0,0,0\n"
        for i in range(0, len(stream), size):
            wire.feed(stream[i:i + size])
        assert (wire.counts.bad_lines, wire.counts.lost_lines) == (2, 3)


@pytest.mark.parametrize("size", [1, 2, 5, 1000])
def test_a_blank_line_is_nothing(size):
    """What used to happen: a rig that sends an empty line after each reading had as many bad lines."""
    stream = b"1,0,0,0\r\n\r\n2,0,0,0\n\n \n# bench-a\n\n?\n\n4,0,0,0\n"
    wire, rows, ends = bench_reader(), [], 0
    for i in range(0, len(stream), size):
        piece = stream[i:i + size]
        got = wire.feed(piece)
        rows += [(row, ends + place) for row, place in zip(got.rows, got.places.tolist(), strict=True)]
        ends += piece.count(b"\n")
    assert rows == [(b"1,0,0,0", 0), (b"2,0,0,0", 2), (b"4,0,0,0", 9)]       # each by its own end mark
    assert (wire.counts.bad_lines, wire.counts.lost_lines, wire.counts.remarks) == (1, 0, 1)


@pytest.mark.parametrize("size", [1, 1000])
def test_a_line_of_too_many_blanks_is_bad_like_any_other(size):
    wire, stream = bench_reader(), b" " * 600 + b"\n"
    for i in range(0, len(stream), size):
        wire.feed(stream[i:i + size])
    assert wire.counts.bad_lines == 1


def test_a_blank_line_needs_no_checksum():
    wire = bench_reader(checksum="xor")
    assert wire.feed(b"\n\r\n").rows == ()
    assert wire.counts.bad_lines == 0
    wire.feed(b"1,2,3,4*00\n*\n")
    assert wire.counts.bad_lines == 2


def test_lost_lines_over_a_long_stream_with_random_holes():
    rng = random.Random(3)
    kept = [i for i in range(50_000) if rng.random() > 0.01]
    lost, restarts, _, odd = counters(*kept, modulus=1000, pieces_of=137)
    # a run of holes may look like one odd count; there are none here, since counts only grow
    assert (lost, restarts, odd) == (kept[-1] - kept[0] + 1 - len(kept), 0, 0)


def test_text_that_the_pattern_takes_but_is_no_number_is_bad():
    wire = LineReader(read_pattern(r"(?P<force>[-+0-9.eE]+)"))
    got = wire.feed(b"1.5\n--\n1e999\n.\n-2e3\n")
    assert got.text == "1.5\n-2e3"
    assert wire.counts.bad_lines == 3
    assert got.values.tolist() == [[1.5], [-2000.0]]


def test_values_are_what_the_text_says_and_the_text_is_what_was_sent():
    wire = LineReader(read_pattern(r"F (?P<force>-?\d+\.\d+) N; (?P<displacement>-?\d+) um"))
    got = wire.feed(b"F -1.2500 N; 007 um\r\nF 3.1 N; -8 um\n")
    assert got.text == "-1.2500,007\n3.1,-8"
    np.testing.assert_array_equal(got.values, [[-1.25, 7], [3.1, -8]])


def test_a_rig_that_ends_lines_with_cr():
    wire = LineReader(read_pattern(r"(?P<force>\d+)"), line_end=b"\r")
    assert wire.feed(b"1\r2\r3").text == "1\n2"


def test_reader_of_a_rig_file():
    wire = reader_for(read_rig("bench").instrument[0], whole_from_start=True)
    wire.feed(b"4294967295,0,0,0\n0,0,0,0\n")
    assert wire.counts.lost_lines == 0


@given(st.lists(st.integers(-(10**15) + 1, 10**15 - 1), min_size=1, max_size=60))
def test_whole_numbers_are_what_float_makes_of_them(numbers):
    text = ",".join(map(str, numbers)).encode()
    got = whole_numbers(text)
    assert got is not None
    assert got.tolist() == [float(n) for n in numbers]


@pytest.mark.parametrize(
    "text", [b"1.5", b"1,,2", b"", b"-", b"1-2", b"--1", b"+1", b"1,-", b"1e3", b"1" * 16, b"1 "])
def test_what_is_not_a_whole_number_is_left_to_float(text):
    assert whole_numbers(text) is None
