"""Checksums at the ends of lines: published check values, damage that must be seen, both ways of reading."""

from __future__ import annotations

import random
from binascii import crc_hqx
from functools import reduce
from itertools import combinations
from operator import xor

import pytest
from hypothesis import given
from hypothesis import strategies as st

from padlab.capture.checksum import add_sum, without_sums
from padlab.capture.pattern import read_pattern
from padlab.capture.rig import rig_from_table
from padlab.capture.wire import LineReader, reader_for

BENCH = r"(?P<counter>\d+),(?P<clock>\d+),(?P<force>-?\d+),(?P<displacement>-?\d+)"
KINDS = ("crc16", "xor")


def bit_by_bit(text: bytes) -> int:
    """CRC-16 by long division, as Recommendation ITU-T V.41 draws it: polynomial x^16 + x^12 + x^5 + 1."""
    left = 0xFFFF
    for byte in text:
        for place in range(7, -1, -1):
            carry = (left >> 15) ^ (byte >> place & 1)
            left = (left << 1 & 0xFFFF) ^ (0x1021 if carry else 0)
    return left


def reader(kind: str, **more) -> LineReader:
    return LineReader(read_pattern(BENCH), counter="counter", checksum=kind, **more)


def stream(kind: str, count: int) -> list[bytes]:
    return [add_sum(b"%d,%d,%d,%d" % (i, i * 20000, i % 13 - 6, 4000 + i % 900), kind) for i in range(count)]


def test_the_published_check_value():
    """0x29B1 for "123456789" is the value that catalogues of such codes print (from memory)."""
    assert add_sum(b"123456789", "crc16") == b"123456789*29B1"
    assert bit_by_bit(b"123456789") == 0x29B1


@given(st.lists(st.binary(max_size=60), max_size=30))
def test_sums_are_what_slow_arithmetic_gives(texts):
    slow = {"crc16": [b"%s*%04X" % (t, bit_by_bit(t)) for t in texts],
            "xor": [b"%s*%02X" % (t, reduce(xor, t, 0)) for t in texts]}
    for kind in KINDS:
        assert [add_sum(t, kind) for t in texts] == slow[kind]
        assert without_sums(slow[kind], kind) == (texts, False)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("line", [b"", b"*", b"7,120", b"7,120*", b"7,120*3", b"7,120*zzzz", b"7,120*+034",
                                  b"7,120* 34", b"7,120*0_34", b"\xff*\xff\xff", b"7,120*343", b"7,120*34 "])
def test_what_carries_no_fitting_sum(kind, line):
    assert without_sums([line], kind) == ([None], True)


def test_small_letters_will_do():
    assert without_sums([b"123456789*29b1", b"1*31"], "crc16")[0][0] == b"123456789"
    assert without_sums([b"j*6a"], "xor") == ([b"j"], False)


def test_crc16_finds_every_one_or_two_flipped_bits_and_every_burst():
    """What the polynomial promises (Koopman and Chakravarty, DSN 2004, from memory), on a line of the rig."""
    line = add_sum(b"4294967295,4294967295,-8388608,-4194304", "crc16")
    text, promised = line[:-5], int(line[-4:], 16)
    size = 8 * len(text)
    whole = int.from_bytes(text, "big")
    flips = [1 << a for a in range(size)] + [(1 << a) | (1 << b) for a, b in combinations(range(size), 2)]
    flips += [((1 << width) - 1) << at for width in range(3, 17) for at in range(size - width)]
    for flip in flips:
        assert crc_hqx((whole ^ flip).to_bytes(len(text), "big"), 0xFFFF) != promised


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("size", [1, 13, 4000, 10**6])
def test_a_damaged_line_is_bad_though_it_still_reads_like_one(kind, size):
    lines = stream(kind, 1000)
    lines[500] = lines[500].replace(b",4500", b",4501")
    lines[700] = lines[700][:-1]
    data = b"\n".join(lines) + b"\n"
    wire, rows = reader(kind), 0
    for i in range(0, len(data), size):
        rows += len(wire.feed(data[i:i + size]))
    assert rows == 998
    assert (wire.counts.bad_lines, wire.counts.failed_sums, wire.counts.lost_lines) == (2, 2, 0)


@pytest.mark.parametrize("kind", KINDS)
def test_every_flipped_bit_is_caught(kind):
    """Of lines with one flipped bit none is read, but where a letter of the sum only became small."""
    rng = random.Random(4)
    wire = reader(kind)
    for line in stream(kind, 3000):
        damaged = bytearray(line)
        at = rng.randrange(len(damaged))
        damaged[at] ^= 1 << rng.randrange(8)
        before = wire.counts.readings
        wire.feed(bytes(damaged) + b"\n")
        same = bytes(damaged).upper() == line and at > line.index(b"*")
        assert wire.counts.readings - before == same
    assert wire.counts.readings < 100


@pytest.mark.parametrize("kind", KINDS)
def test_rows_are_stored_without_their_sums_and_remarks_need_none(kind):
    wire = reader(kind)
    line = add_sum(b"1,2,-3,4", kind)
    got = wire.feed(b"# built-a 1\r\n" + line + b"\r\n1,2,3,4\n")
    assert got.text == "1,2,-3,4"
    assert got.values.tolist() == [[1, 2, -3, 4]]
    assert got.remarks == ("# built-a 1",)
    assert (wire.counts.bad_lines, wire.counts.remarks) == (1, 1)


def test_a_reading_that_begins_like_a_remark_needs_its_sum():
    wire = LineReader(read_pattern(r"#?(?P<force>\d+)"), checksum="xor")
    assert wire.feed(b"#12\n" + add_sum(b"#12", "xor") + b"\n# words\n").text == "12"
    assert (wire.counts.bad_lines, wire.counts.remarks) == (1, 1)


@pytest.mark.parametrize(("length", "bad"), [(512, 0), (513, 1)])
def test_the_sum_belongs_to_the_length_of_a_line(length, bad):
    wire = LineReader(read_pattern(r"a*(?P<force>\d+)"), checksum="crc16")
    got = wire.feed(add_sum(b"a" * (length - 6) + b"1", "crc16") + b"\n")
    assert (len(got), wire.counts.bad_lines, wire.counts.failed_sums) == (1 - bad, bad, 0)


@given(st.lists(st.one_of(st.binary(max_size=40), st.just(add_sum(b"1,2,3,4", "crc16"))), max_size=20),
       st.integers(1, 50))
def test_any_bytes_in_any_pieces(lines, size):
    data = b"\n".join(lines) + b"\n"
    wire, rows = reader("crc16"), 0
    for i in range(0, len(data), size):
        rows += len(wire.feed(data[i:i + size]))
    assert rows == sum(line.removesuffix(b"\r") == add_sum(b"1,2,3,4", "crc16") for line in data.split(b"\n"))
    blank = sum(not line.strip() for line in data.split(b"\n")[:-1])
    assert rows + wire.counts.bad_lines + wire.counts.remarks == data.count(b"\n") - blank


def test_the_rig_file_says_which_sum():
    instrument = {"name": "main", "url": "/dev/ttyACM0", "protocol": "lines", "pattern": r"(?P<force>-?\d+)",
                  "checksum": "xor", "channel": [{"column": "force", "quantity": "force", "unit": "N"}]}
    rig = rig_from_table({"name": "own", "instrument": [instrument]}, source="own.toml")
    wire = reader_for(rig.instrument[0], whole_from_start=True)
    assert wire.feed(b"-12*2E\n-12*2F\n12\n").text == "-12"
    assert wire.counts.failed_sums == 2
