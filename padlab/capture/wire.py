r"""Bytes -> readings. No port, no clock, no file: an object that is fed pieces of any size.

A reading counts only with its end mark: half a line is never a reading, however much it looks
like one. Three things can stand in a line: a reading (the rig's pattern matches it whole), a
remark of the rig (it starts with ``#``), or neither: then it is bad, and counted once.

>>> wire = LineReader(read_pattern("(?P<counter>[0-9]+),(?P<force>-?[0-9]+)"), counter="counter")
>>> wire.feed(b"7,120\n8,1").text
'7,120'
>>> wire.feed(b"3\n# bench-a\n9x\n11,15\n").text
'8,13\n11,15'
>>> wire.counts.bad_lines, wire.counts.lost_lines
(1, 1)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import compress
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.capture.pattern import LinePattern, read_pattern
from padlab.capture.rig import InstrumentFile

Array = NDArray[np.float64]

LONGEST_LINE = 512
"""A line over this many bytes is bad (contract of the rig file)."""
REMARK = b"#"


@dataclass
class Counts:
    """What came over the wire so far."""

    readings: int = 0
    remarks: int = 0
    bad_lines: int = 0
    lost_lines: int = 0      # by the rig's own counter
    repeated_lines: int = 0  # the counter stood still
    restarts: int = 0        # the counter began anew: the rig was reset
    odd_counts: int = 0      # one count that fits neither neighbour: damaged on the way, nothing lost


@dataclass(frozen=True)
class Readings:
    """The readings that one piece of bytes completed.

    Attributes
    ----------
    text : str
        One line each, the columns joined by commas, as the rig sent them; no line end after the last.
    values : numpy.ndarray
        The same as numbers, shape (n, columns).
    remarks : tuple of str
        Lines that started with ``#``.
    """

    text: str
    values: Array
    remarks: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.values)


@dataclass
class LineReader:
    r"""Cuts lines out of pieces of bytes and reads them, a piece at a time.

    Parameters
    ----------
    pattern : LinePattern
        An accepted pattern; matched in time proportional to the line.
    counter : str, optional
        The column that counts the lines.
    modulus : int
        The count goes from ``modulus - 1`` to 0.
    line_end : bytes
        ``\n`` (which also takes ``\r\n``) or ``\r``.
    whole_from_start : bool
        False where the first bytes may be the rest of a line: they are passed over, uncounted, up
        to the first end mark, for a line that lost its head can still look like a reading.
    """

    pattern: LinePattern
    counter: str | None = None
    modulus: int = 2**32
    line_end: bytes = b"\n"
    whole_from_start: bool = True
    counts: Counts = field(default_factory=Counts)

    def __post_init__(self) -> None:
        self._tail = b""
        self._too_long = False          # the tail has passed the limit and was counted
        self._in_step = self.whole_from_start
        self._columns = len(self.pattern.columns)
        self._lines = _LineCounter(self.modulus, self.counts)
        self._bad_before = 0            # bad lines since the last reading
        self._place = None if self.counter is None else self.pattern.columns.index(self.counter)

    def feed(self, piece: bytes) -> Readings:
        """Take the next bytes; give the readings they complete."""
        head, mark, tail = piece.rpartition(self.line_end)
        if not mark:
            self._keep(self._tail + tail)
            return self._nothing()
        body, self._tail = self._tail + head, b""
        lines = body.split(self.line_end)
        remarks: list[str] = []
        if self._too_long:              # counted when it passed the limit
            self._too_long = False
            del lines[0]
        elif not self._in_step:
            first = lines.pop(0)
            if first.startswith(REMARK) and len(first) <= LONGEST_LINE:
                remarks.append(_words(first))
        self._in_step = True
        self._keep(tail)
        if self.line_end == b"\n" and b"\r" in body:
            lines = [line.removesuffix(b"\r") for line in lines]
        return self._read(lines, remarks) if lines or remarks else self._nothing()

    def reopened(self, *, whole_from_start: bool = False) -> None:
        """The port was lost and opened again: half a line joins nothing, the count starts anew."""
        self._tail, self._too_long, self._in_step = b"", False, whole_from_start
        self._bad_before = 0
        self._lines.forget()

    def _keep(self, tail: bytes) -> None:
        """Hold the bytes of an unfinished line, but never more than a line may have."""
        if self._too_long:
            return
        if len(tail) <= LONGEST_LINE + 1:             # + 1: the \r of \r\n
            self._tail = tail
            return
        self._tail, self._too_long = b"", True
        if self._in_step:
            self.counts.bad_lines += 1
            self._bad_before += 1

    def _read(self, lines: list[bytes], remarks: list[str]) -> Readings:
        found: list[Any] = list(map(self.pattern.compiled.fullmatch, lines))
        bad: list[int] = []                           # places of the bad lines
        if None in found or max(map(len, lines), default=0) > LONGEST_LINE:
            for i, line in enumerate(lines):
                if found[i] is not None and len(line) <= LONGEST_LINE:
                    continue
                found[i] = None
                if line.startswith(REMARK) and len(line) <= LONGEST_LINE:
                    remarks.append(_words(line))
                else:
                    bad.append(i)
        places: Sequence[int] = range(len(lines))
        if None in found:
            places = [i for i in places if found[i] is not None]
        rows = [lines[i] if self.pattern.is_csv else b",".join(found[i].groups()) for i in places]
        try:
            values = self._numbers(rows)
        except ValueError:                            # some text is no number: ``--``, ``1e999``
            good = [_is_numbers(row) for row in rows]
            bad = sorted([*bad, *(i for i, fine in zip(places, good, strict=True) if not fine)])
            rows, places = list(compress(rows, good)), list(compress(places, good))
            values = self._numbers(rows)
        self.counts.remarks += len(remarks)
        self.counts.bad_lines += len(bad)
        if self._place is not None:
            self._count_lost(values[:, self._place], places, bad)
        if not rows:
            return self._nothing(tuple(remarks))
        self.counts.readings += len(rows)
        return Readings(b"\n".join(rows).decode("ascii"), values, tuple(remarks))

    def _numbers(self, rows: list[bytes]) -> Array:
        """Every text as a number, shape (n, columns); ValueError where one is none."""
        values = np.array(list(map(float, b",".join(rows).split(b",")))) if rows else np.zeros(0)
        if not np.isfinite(values).all():
            raise ValueError("a number beyond all numbers")
        return values.reshape(-1, self._columns)

    def _count_lost(self, count: Array, places: Sequence[int], bad: list[int]) -> None:
        """Look at the rig's count; a line that came and could not be read is bad, not lost as well."""
        if not bad and not self._bad_before:
            self._lines.add(count)
            return
        before = np.searchsorted(bad, np.asarray(places, dtype=np.int64)) + self._bad_before
        self._bad_before += len(bad)
        if before.size:
            self._bad_before -= int(before[-1])
            self._lines.add(count, np.diff(before, prepend=0))

    def _nothing(self, remarks: tuple[str, ...] = ()) -> Readings:
        return Readings("", np.zeros((0, self._columns)), remarks)


class _LineCounter:
    """Sees by the rig's own count whether lines are missing.

    A step of more than half the modulus is a step back: the rig was reset, nothing is known to be
    lost. One count that fits neither neighbour was damaged on the way: what it seemed to say is
    taken back.
    """

    def __init__(self, modulus: int, counts: Counts) -> None:
        self.modulus, self.counts = modulus, counts
        self.forget()

    def forget(self) -> None:
        self.last: float | None = None
        self.before_jump: float | None = None   # the count before the last reading, if that one jumped
        self.claimed = (0, 0, 0)                # what that jump was taken for: lost, restarts, repeated

    def add(self, count: Array, bad_before: NDArray[np.int64] | None = None) -> None:
        """Take the next counts, and how many bad lines stood before each."""
        count = np.mod(count, self.modulus)
        if count.size and self.last is None:
            self.last = float(count[0])
            count, bad_before = count[1:], None if bad_before is None else bad_before[1:]
        if count.size == 0 or self.last is None:
            return
        step = np.mod(np.diff(count, prepend=self.last), self.modulus)
        if self.before_jump is None and (step == 1).all():      # nearly always
            self.last = float(count[-1])
            return
        steps = step.tolist()
        counts = [self.last, *count.tolist()]
        for i in np.flatnonzero(step != 1).tolist():
            if i > 0 and steps[i - 1] == 1:
                self.before_jump = None
            self._jump(steps[i], counts[i], counts[i + 1], 0 if bad_before is None else int(bad_before[i]))
        if steps[-1] == 1:
            self.before_jump = None
        self.last = counts[-1]

    def _jump(self, step: float, last: float, count: float, bad: int) -> None:
        if self.before_jump is not None and (count - self.before_jump) % self.modulus == 2:
            self._claim(-1)
            self.counts.odd_counts += 1
            self.before_jump = None
            return
        self.before_jump = last
        if step == 0:
            self.claimed = (0, 0, 1)
        elif step < self.modulus / 2:
            self.claimed = (max(0, int(step) - 1 - bad), 0, 0)
        else:
            self.claimed = (0, 1, 0)
        self._claim(+1)

    def _claim(self, sign: int) -> None:
        self.counts.lost_lines += sign * self.claimed[0]
        self.counts.restarts += sign * self.claimed[1]
        self.counts.repeated_lines += sign * self.claimed[2]


def reader_for(instrument: InstrumentFile, *, whole_from_start: bool = False) -> LineReader:
    """The reader that an instrument's protocol asks for; a new protocol gets its branch here."""
    counter = instrument.counter
    return LineReader(
        read_pattern(instrument.pattern), counter=counter.column if counter else None,
        modulus=counter.modulus if counter else 2, line_end=instrument.line_end.encode("ascii"),
        whole_from_start=whole_from_start,
    )


def _words(line: bytes) -> str:
    return line.decode("ascii", "backslashreplace")


def _is_numbers(row: bytes) -> bool:
    try:
        return all(np.isfinite(float(text)) for text in row.split(b","))
    except ValueError:
        return False
