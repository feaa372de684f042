"""A line pattern is accepted only if its time cannot run away."""

from __future__ import annotations

import re
import time

import pytest

from padlab.capture.pattern import UnsafePattern, read_pattern

GOOD = [
    r"(?P<counter>\d+),(?P<clock>\d+),(?P<force>-?\d+),(?P<displacement>-?\d+)",
    r"^F=(?P<force>[-+]?[0-9]+(?:\.[0-9]+)?(?:[eE][-+]?[0-9]+)?) ?N$",
    r"\s*(?P<force>-?\d+)\s*;(?P<displacement>-?\d+)",
    r"(?:A|B) (?P<force>\d{1,8})",
    r"(?:x,){3}(?P<force>\d+)",
    r"ID[^,\n]{0,40},(?P<force>\d+)",
]


@pytest.mark.parametrize("text", GOOD)
def test_ordinary_patterns_are_accepted(text):
    assert "force" in read_pattern(text).columns


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (r"(?P<force>(?:[0-9]+)+)x", "repeat"),       # the classic: 2^n ways to split digits
        (r"(?:(?:[0-9]+)*,)*(?P<force>[0-9]+)", "repeat"),
        (r"(?:a|a)*(?P<force>[0-9]+)", "alternatives"),
        (r"(?:a|ab)(?:c|bcd)*(?P<force>[0-9]+)", "alternatives"),
        (r"(?:x?){30}x{30}(?P<force>[0-9]+)", "may be empty"),
        (r"x?x?x?x?x?x?x?x?x?x?xxxxxxxxxx(?P<force>[0-9]+)", "repeat"),
        (r".*.*.*(?P<force>[0-9]+)", "repeat"),
        (r".*,(?P<force>[0-9]+)", "repeat"),
        (r"[0-9]*(?P<force>[0-9]+)", "repeat"),
        (r"(?P<force>[0-9]+)(?P=force)", "reference"),
        (r"(?=.*x)(?P<force>[0-9]+)", "look-around"),
        (r"(?<!x)(?P<force>[0-9]+)", "look-around"),
        (r"(?i)f(?P<force>[0-9]+)", "flags"),
        (r"(?i:f)(?P<force>[0-9]+)", "flags"),
        (r"(?P<force>[0-9]+)\b", "inside the pattern"),
        (r"([0-9]+),(?P<force>[0-9]+)", "without a name"),
        (r"(?:(?P<force>[0-9]+),)+x", "repeat"),
        (r"(?P<force>.+)", "signs of a number"),
        (r"(?P<force>\w+)", "signs of a number"),
        (r"[0-9]+", "no named group"),
        (r"(?P<force>[0-9]*)", "empty line"),
        (r"(?P<force>[0-9]+", "not a regular expression"),
        ("(?P<force>[0-9]+)µ", "ASCII"),
        ("x" * 600, "longer"),
        ("(?:" * 90 + "a" + ")+" * 90, "repeat"),                 # deep nesting must not cost time either
        (r"(?>a+)(?P<force>[0-9]+)", "not allowed"),
        (r"a++(?P<force>[0-9]+)", "not allowed"),
        (r"(?P<x>1)?(?(x)2|3)(?P<force>[0-9]+)", "depends on another"),
    ],
)
def test_patterns_that_could_run_away_are_refused_quickly(text, reason):
    began = time.perf_counter()
    with pytest.raises(UnsafePattern, match=re.escape(reason)):
        read_pattern(text)
    assert time.perf_counter() - began < 1.0


def test_all_faults_are_listed_at_once():
    with pytest.raises(UnsafePattern) as caught:
        read_pattern(r"([0-9]+)(?=x).*.*")
    assert len(caught.value.faults) >= 4


@pytest.mark.parametrize("text", GOOD)
def test_an_accepted_pattern_is_linear_on_the_longest_hostile_lines(text):
    pattern = read_pattern(text).compiled
    lines = [bytes([c]) * 512 for c in b"0a, -x\t"]
    lines += [b"ID" + b"a" * 510, b"x," * 256, b"1," * 256, b"-" * 512, b" 1" * 256]
    began = time.perf_counter()
    for line in lines:
        for _ in range(100):
            pattern.fullmatch(line)
    assert time.perf_counter() - began < 1.0      # 1,200 lines: well below a millisecond each


@pytest.mark.parametrize("text", GOOD)
def test_many_lines_at_once_match_just_where_each_of_them_does(text):
    pattern = read_pattern(text)
    lines = [b"1,2,3,4", b"F=1.5 N", b"F=-2e3N", b"A 7", b"B 12345678", b"x,x,x,9", b"ID zz,5", b"", b"B 7x"]
    for line in lines:
        alone = pattern.compiled.fullmatch(line) is not None
        if pattern.block is not None:
            assert (pattern.block.fullmatch(line + b"\n") is not None) == alone
            assert (pattern.block.fullmatch((line + b"\r") * 3) is not None) == alone
    assert (pattern.block is None) == (r"\s" in text or r"\n" in text)       # a line end could hide in these


def test_an_alternative_at_the_top_cannot_hold_a_group():
    """So that every line gives every value; and a whole line is meant, not its last alternative."""
    with pytest.raises(UnsafePattern, match="alternative"):
        read_pattern(r"(?P<force>[0-9]+)|x")
    block = read_pattern("# a|b", needs_groups=False).block
    assert block is not None
    assert block.fullmatch(b"# a\nb\n")
    assert not block.fullmatch(b"# ab\n")


def test_an_identity_has_no_groups():
    assert read_pattern("# bench-a(?: .*)?", needs_groups=False).columns == ()
    with pytest.raises(UnsafePattern, match="no use"):
        read_pattern("# (?P<force>[0-9]+)", needs_groups=False)


def test_a_line_that_is_its_own_table_row_is_known():
    assert read_pattern(GOOD[0]).is_csv
    assert not any(read_pattern(text).is_csv for text in GOOD[1:])
