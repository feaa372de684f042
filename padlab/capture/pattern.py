"""Is this line pattern safe to run on whatever a port sends? Decided once, before the port is opened.

A rig file may come from a stranger, and the usual engine of regular expressions can be made to
run for years on one short line. So a pattern is accepted only if *the next byte always decides*:
at no point may the same byte both go on with what is being repeated and belong to what follows,
or begin two alternatives. Such a pattern never goes back to try again, and the time it takes is
proportional to the line. Look-around, references to other groups and flags are refused.

>>> read_pattern(r"(?P<counter>[0-9]+),(?P<force>-?[0-9]+)").columns
('counter', 'force')
>>> read_pattern(r"(?P<force>([0-9]+)+)x")
Traceback (most recent call last):
...
padlab.capture.pattern.UnsafePattern: a group without a name; write (?: ... ); in a repeat the same \
byte could go on or belong to what follows ('0')

Source of the condition: a regular expression in which the next symbol decides is called
deterministic (one-unambiguous); A. Brueggemann-Klein and D. Wood, "One-unambiguous regular
languages", Information and Computation 140 (1998) 229-253 (from memory).
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from re import _constants as sre  # type: ignore[attr-defined]
from re import _parser as sre_parser  # type: ignore[attr-defined]
from typing import Any

LONGEST_PATTERN = 500
MOST_GROUPS = 32
END = 256
"""Stands for the end of the line in a set of bytes."""
NUMBER_BYTES = frozenset(b"0123456789+-.eE")
"""All that a group may capture, so that a captured text can be stored in a table as it stands."""

_ALL = frozenset(range(256))
_CATEGORIES = {
    sre.CATEGORY_DIGIT: frozenset(b"0123456789"),
    sre.CATEGORY_SPACE: frozenset(b" \t\n\r\f\v"),
    sre.CATEGORY_WORD: frozenset(b"abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_"),
}
_CATEGORIES |= {
    sre.CATEGORY_NOT_DIGIT: _ALL - _CATEGORIES[sre.CATEGORY_DIGIT],
    sre.CATEGORY_NOT_SPACE: _ALL - _CATEGORIES[sre.CATEGORY_SPACE],
    sre.CATEGORY_NOT_WORD: _ALL - _CATEGORIES[sre.CATEGORY_WORD],
}


class UnsafePattern(ValueError):
    """The pattern is not accepted; ``faults`` says why, all at once."""

    def __init__(self, faults: Sequence[str]) -> None:
        self.faults = tuple(dict.fromkeys(faults))
        super().__init__("; ".join(self.faults))


@dataclass(frozen=True)
class LinePattern:
    """A pattern that was accepted.

    Attributes
    ----------
    columns : tuple of str
        Its named groups, in the order in which they stand in the line.
    is_csv : bool
        A line that matches is its groups joined by commas: it can be stored as it came.
    block : re.Pattern or None
        Matches any number of such lines, each with its end, at once; None where a line of this
        pattern could hold a line end.
    """

    text: str
    compiled: re.Pattern[bytes]
    columns: tuple[str, ...]
    is_csv: bool
    block: re.Pattern[bytes] | None = None


def read_pattern(text: str, *, needs_groups: bool = True) -> LinePattern:
    """Check a pattern and compile it for bytes.

    Parameters
    ----------
    text : str
        A regular expression in ASCII; ``^`` at its start and ``$`` at its end are allowed and idle.
    needs_groups : bool
        Whether it must name at least one group (a line's pattern) or none (an identity's).

    Raises
    ------
    UnsafePattern
        Not a regular expression, or one whose time could run away; all faults are listed.
    """
    if len(text) > LONGEST_PATTERN:
        raise UnsafePattern([f"longer than {LONGEST_PATTERN} characters"])
    if not text.isascii():
        raise UnsafePattern(["a letter beyond ASCII; write its bytes, such as \\xb5"])
    try:
        tree = sre_parser.parse(text.encode("ascii"))
        compiled = re.compile(text.encode("ascii"))
    except (re.error, RecursionError, OverflowError) as fault:
        raise UnsafePattern([f"not a regular expression: {fault}"]) from fault
    names = {number: name for name, number in tree.state.groupdict.items()}
    items = list(tree)
    if items and items[0] == (sre.AT, sre.AT_BEGINNING):
        items = items[1:]
    if items and items[-1] == (sre.AT, sre.AT_END):
        items = items[:-1]
    walk = _Walk(names)
    if tree.state.flags:
        walk.faults.append("flags such as (?i); write both cases out")
    _, nullable = walk.sequence(items, frozenset([END]), repeated=False)
    if nullable:
        walk.faults.append("an empty line would match")
    if len(names) > MOST_GROUPS:
        walk.faults.append(f"more than {MOST_GROUPS} named groups")
    if needs_groups and not names:
        walk.faults.append("no named group such as (?P<force>-?[0-9]+)")
    if not needs_groups and names:
        walk.faults.append("named groups have no use here")
    if walk.faults:
        raise UnsafePattern(walk.faults)
    block = None
    if not _alphabet(items) & {10, 13}:
        core = text.removeprefix("^")
        core = core[:-1] if tree[-1:] and tree[-1] == (sre.AT, sre.AT_END) else core
        block = re.compile(b"(?:(?:%s)[\\r\\n])*+" % core.encode("ascii"))
    return LinePattern(text, compiled, tuple(names[n] for n in sorted(names)), _is_csv(items), block)


class _Walk:
    """Goes over the parsed pattern from right to left, knowing what may follow each part."""

    def __init__(self, names: dict[int, str]) -> None:
        self.names = names
        self.faults: list[str] = []

    def sequence(
        self, items: Sequence[Any], follow: frozenset[int], *, repeated: bool
    ) -> tuple[frozenset[int], bool]:
        """What a sequence may begin with, and whether it may be empty."""
        first: frozenset[int] = frozenset()
        nullable = True
        for item in reversed(items):
            mine, may_be_empty = self.item(item, follow, repeated=repeated)
            follow = mine | follow if may_be_empty else mine
            first = mine | first if may_be_empty else mine
            nullable = nullable and may_be_empty
        return first, nullable

    def item(
        self, item: tuple[Any, Any], follow: frozenset[int], *, repeated: bool
    ) -> tuple[frozenset[int], bool]:
        """The same for one part."""
        kind, value = item
        single = _bytes_of(kind, value)
        if single is not None:
            return single, False
        if kind is sre.SUBPATTERN:
            number, flags_on, flags_off, inner = value
            if flags_on or flags_off:
                self.faults.append("flags such as (?i: ); write both cases out")
            if number is not None:
                self._group(number, inner, repeated=repeated)
            return self.sequence(list(inner), follow, repeated=repeated)
        if kind is sre.BRANCH:
            return self._branch(value[1], follow)
        if kind in (sre.MAX_REPEAT, sre.MIN_REPEAT):
            return self._repeat(value, follow)
        names = {sre.AT: "^, $ or \\b inside the pattern", sre.ASSERT: "look-around",
                 sre.ASSERT_NOT: "look-around", sre.GROUPREF: "a reference to another group",
                 sre.GROUPREF_EXISTS: "a choice that depends on another group"}
        self.faults.append(names.get(kind, f"the construct {str(kind).lower()}") + " is not allowed")
        return frozenset(), True

    def _group(self, number: int, inner: Any, *, repeated: bool) -> None:
        name = self.names.get(number)
        if name is None:
            self.faults.append("a group without a name; write (?: ... )")
            return
        if repeated:
            self.faults.append(f"group {name} stands in a repeat or an alternative: "
                               "every line must give every value once")
        if not _alphabet(inner) <= NUMBER_BYTES:
            self.faults.append(f"group {name} may capture more than the signs of a number (0-9 + - . e E)")

    def _branch(self, branches: Iterable[Any], follow: frozenset[int]) -> tuple[frozenset[int], bool]:
        taken: frozenset[int] = frozenset()
        empty = False
        for branch in branches:
            first, nullable = self.sequence(list(branch), follow, repeated=True)
            starts = first | follow if nullable else first
            self._disjoint(taken, starts, "two alternatives may begin with the same byte")
            taken, empty = taken | starts, empty or nullable
        return taken, empty

    def _repeat(self, value: Any, follow: frozenset[int]) -> tuple[frozenset[int], bool]:
        least, most, body = value
        inside = list(body)
        first, nullable = _first(inside)
        if nullable:
            self.faults.append("a repeat of something that may be empty")
        if most > least:
            self._disjoint(first, follow,
                           "in a repeat the same byte could go on or belong to what follows")
        self.sequence(inside, first | follow if most > 1 else follow, repeated=True)
        return first, least == 0

    def _disjoint(self, a: frozenset[int], b: frozenset[int], fault: str) -> None:
        if a & b:
            byte = min(a & b)
            self.faults.append(f"{fault} ({'the end' if byte == END else repr(chr(byte))})")


def _bytes_of(kind: Any, value: Any) -> frozenset[int] | None:
    """The bytes that a part of one byte may be; None for any other part."""
    if kind is sre.LITERAL:
        return frozenset([value])
    if kind is sre.NOT_LITERAL:
        return _ALL - {value}
    if kind is sre.ANY:
        return _ALL - {10}
    if kind is not sre.IN:
        return None
    found: set[int] = set()
    negated = False
    for member, what in value:
        if member is sre.NEGATE:
            negated = True
        elif member is sre.LITERAL:
            found.add(what)
        elif member is sre.RANGE:
            found.update(range(what[0], what[1] + 1))
        else:
            found |= _CATEGORIES[what]
    return _ALL - found if negated else frozenset(found)


def _first(items: Sequence[Any]) -> tuple[frozenset[int], bool]:
    """What a sequence may begin with, and whether it may be empty; looks at nothing but its head."""
    first: frozenset[int] = frozenset()
    for kind, value in items:
        single = _bytes_of(kind, value)
        mine, nullable = (single, False) if single is not None else (frozenset(), True)
        if kind is sre.SUBPATTERN:
            mine, nullable = _first(list(value[3]))
        elif kind is sre.BRANCH:
            heads = [_first(list(branch)) for branch in value[1]]
            mine = frozenset().union(*(h for h, _ in heads))
            nullable = any(empty for _, empty in heads)
        elif kind in (sre.MAX_REPEAT, sre.MIN_REPEAT):
            mine, nullable = _first(list(value[2]))
            nullable = nullable or value[0] == 0
        first = first | mine
        if not nullable:
            return first, False
    return first, True


def _alphabet(items: Iterable[Any]) -> frozenset[int]:
    """Every byte that may stand anywhere in a part; all bytes where that is not plain to see."""
    found: frozenset[int] = frozenset()
    for kind, value in items:
        single = _bytes_of(kind, value)
        if single is not None:
            found |= single
        elif kind is sre.SUBPATTERN:
            found |= _alphabet(value[3])
        elif kind is sre.BRANCH:
            for branch in value[1]:
                found |= _alphabet(branch)
        elif kind in (sre.MAX_REPEAT, sre.MIN_REPEAT):
            found |= _alphabet(value[2])
        else:
            return _ALL
    return found


def _is_csv(items: Sequence[tuple[Any, Any]]) -> bool:
    """Whether the pattern is nothing but groups with one comma between."""
    return all(
        (kind is sre.SUBPATTERN) if place % 2 == 0 else (kind is sre.LITERAL and value == ord(","))
        for place, (kind, value) in enumerate(items)
    ) and len(items) % 2 == 1
