r"""Bytes -> readings. No port, no clock, no file: an object that is fed pieces of any size.

A reading counts only with its end mark: half a line is never a reading, however much it looks
like one. Three things can stand in a line: a reading (the rig's pattern matches it whole), a
remark of the rig (it starts with ``#``), or neither: then it is bad, and counted once. A blank line
is nothing: it is passed over, and counted nowhere. Where the rig sends a checksum, a line whose
checksum does not fit is bad too, however well it reads.

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

from padlab.capture.checksum import Checksum, without_sums
from padlab.capture.pattern import LinePattern, read_pattern
from padlab.capture.rig import InstrumentFile, LinesFile
from padlab.capture.timeline import steps_from

Array = NDArray[np.float64]
Places = NDArray[np.int64]

LONGEST_LINE = 512
"""A line over this many bytes is bad (contract of the rig file)."""
MOST_SHOWN = 80
"""So much of an unreadable line is kept to be shown, in bytes."""
REMARK = b"#"
FEW_BYTES = 4096
"""Below this much text, numbers are read one by one: it is quicker then; measured."""


@dataclass
class Counts:
    """What came over the wire so far."""

    readings: int = 0
    remarks: int = 0
    bad_lines: int = 0
    failed_sums: int = 0     # of the bad lines: the checksum is missing or does not fit
    lost_lines: int = 0      # by the rig's own counter
    repeated_lines: int = 0  # the counter stood still
    restarts: int = 0        # the counter began anew: the rig was reset
    odd_counts: int = 0      # one count that fits neither neighbour: damaged on the way, nothing lost


@dataclass(frozen=True)
class Readings:
    """The readings that one piece of bytes completed.

    Attributes
    ----------
    rows : sequence of bytes
        One line each, the columns joined by commas, as the rig sent them; no line ends.
    values : numpy.ndarray
        The same as numbers, shape (n, columns).
    places : numpy.ndarray
        Which end mark of the piece completed each row, counted from 0.
    remarks : tuple of str
        Lines that started with ``#``.
    """

    rows: Sequence[bytes]
    values: Array
    places: Places
    remarks: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.rows)

    @property
    def text(self) -> str:
        """The rows, one a line."""
        return b"\n".join(self.rows).decode("ascii")


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
    checksum : {"crc16", "xor"}, optional
        What each reading ends with (:mod:`padlab.capture.checksum`); the pattern is matched against
        the text before it. Remarks need none.
    """

    pattern: LinePattern
    counter: str | None = None
    modulus: int = 2**32
    line_end: bytes = b"\n"
    whole_from_start: bool = True
    checksum: Checksum | None = None
    counts: Counts = field(default_factory=Counts)

    def __post_init__(self) -> None:
        self._bad = b""                               # the beginning of the last unreadable line
        self.has_ends = False                         # whether an end mark was ever seen
        self._tail = b""
        self._too_long = False          # the tail has passed the limit and was counted
        self._in_step = self.whole_from_start
        self._columns = len(self.pattern.columns)
        self._lines = _LineCounter(self.modulus, self.counts)
        self._bad_before = 0            # bad lines since the last reading
        self._place = None if self.counter is None else self.pattern.columns.index(self.counter)

    @property
    def last_bad(self) -> str | None:
        """The beginning of the last unreadable line, for whoever seeks a fault."""
        return _words(self._bad) if self._bad else None

    @property
    def unread(self) -> bytes:
        """Some bytes of what came and was not read: of the last bad line, or of one that does not end."""
        return self._bad or self._tail[:MOST_SHOWN]

    def feed(self, piece: bytes) -> Readings:
        """Take the next bytes; give the readings they complete."""
        head, mark, tail = piece.rpartition(self.line_end)
        if not mark:
            self._keep(self._tail + tail)
            return self._nothing()
        self.has_ends = True
        body, self._tail = self._tail + head, b""
        lines = body.split(self.line_end)
        remarks: list[str] = []
        passed_over = int(self._too_long or not self._in_step)
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
        return self._read(lines, remarks, passed_over) if lines or remarks else self._nothing()

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
            self._bad = tail[:MOST_SHOWN]
            self._bad_before += 1

    def _read(self, lines: list[bytes], remarks: list[str], passed_over: int) -> Readings:
        """Take whole lines, all at once where nothing is wrong with any of them."""
        blank = not all(map(bytes.strip, lines))
        ends: list[int] = []
        if blank:                                     # passed over; the others keep their end marks
            ends = [k for k, line in enumerate(lines) if line.strip() or len(line) > LONGEST_LINE]
            lines = [lines[k] for k in ends]
        bad: list[int] = []                           # places of the bad lines
        sent = lines
        if self.checksum is not None:
            lines = self._without_sums(lines, self.checksum)
        rows = lines
        if self._all_match(lines):
            places = np.arange(len(lines))
        else:
            rows, places, bad = self._sort_out(lines, remarks)
        try:
            values = self._numbers(rows)
        except ValueError:                            # some text is no number: ``--``, ``1e999``
            good = np.array([_is_numbers(row) for row in rows])
            bad = sorted([*bad, *places[~good].tolist()])
            rows, places = list(compress(rows, good)), places[good]
            values = self._numbers(rows)
        self.counts.remarks += len(remarks)
        self.counts.bad_lines += len(bad)
        if bad:
            self._bad = sent[bad[-1]][:MOST_SHOWN]
        if self._place is not None:
            self._count_lost(values[:, self._place], places, bad)
        if not rows:
            return self._nothing(tuple(remarks))
        self.counts.readings += len(rows)
        if blank:
            places = np.array(ends, dtype=np.int64)[places]
        return Readings(rows, values, places + passed_over, tuple(remarks))

    def _without_sums(self, lines: list[bytes], kind: Checksum) -> list[bytes]:
        """Lines without their checksums; one that fails, or is too long with it, becomes empty and so bad."""
        texts, any_failed = without_sums(lines, kind)
        if not any_failed and max(map(len, lines), default=0) <= LONGEST_LINE:
            return [text for text in texts if text is not None]
        taken = []
        for line, text in zip(lines, texts, strict=True):
            if text is not None and len(line) <= LONGEST_LINE:
                taken.append(text)
            elif line.startswith(REMARK) and self.pattern.compiled.fullmatch(line) is None:
                taken.append(line)
            else:
                self.counts.failed_sums += text is None
                taken.append(b"")
        return taken

    def _all_match(self, lines: list[bytes]) -> bool:
        """Whether every line is a reading that can be stored as it came; one look at all of them."""
        pattern = self.pattern
        if pattern.block is None or not pattern.is_csv or max(map(len, lines), default=0) > LONGEST_LINE:
            return False
        return pattern.block.fullmatch(self.line_end.join(lines) + self.line_end) is not None

    def _sort_out(self, lines: list[bytes], remarks: list[str]) -> tuple[list[bytes], Places, list[int]]:
        """Line by line: rows, their places, and the places of the bad ones; remarks are added."""
        rows, places, bad = [], [], []
        found: list[Any] = list(map(self.pattern.compiled.fullmatch, lines))
        for i, (line, match) in enumerate(zip(lines, found, strict=True)):
            if len(line) > LONGEST_LINE:
                bad.append(i)
            elif match is not None:
                rows.append(line if self.pattern.is_csv else b",".join(match.groups()))
                places.append(i)
            elif line.startswith(REMARK):
                remarks.append(_words(line))
            else:
                bad.append(i)
        return rows, np.array(places, dtype=np.int64), bad

    def _numbers(self, rows: list[bytes]) -> Array:
        """Every text as a number, shape (n, columns); ValueError where one is none."""
        if not rows:
            return np.zeros((0, self._columns))
        text = b",".join(rows)
        values = whole_numbers(text) if len(text) > FEW_BYTES else None
        if values is None:
            values = np.array(list(map(float, text.split(b","))))
            if not np.isfinite(values).all():
                raise ValueError("a number beyond all numbers")
        return values.reshape(-1, self._columns)

    def _count_lost(self, count: Array, places: Places, bad: list[int]) -> None:
        """Look at the rig's count; a line that came and could not be read is bad, not lost as well."""
        if not bad and not self._bad_before:
            self._lines.add(count)
            return
        before = np.searchsorted(bad, places) + self._bad_before
        self._bad_before += len(bad)
        if before.size:
            self._bad_before -= int(before[-1])
            self._lines.add(count, np.diff(before, prepend=0))

    def _nothing(self, remarks: tuple[str, ...] = ()) -> Readings:
        return Readings((), np.zeros((0, self._columns)), np.zeros(0, dtype=np.int64), remarks)


def whole_numbers(text: bytes) -> Array | None:
    """Whole numbers of up to 15 digits with commas between, all at once; None where there is anything else.

    >>> whole_numbers(b"12,-7,0").tolist()
    [12.0, -7.0, 0.0]
    >>> whole_numbers(b"1.5,2") is None
    True
    """
    if text.translate(None, b"0123456789-,"):
        return None
    signs = np.frombuffer(text + b",", dtype=np.uint8)
    ends = np.flatnonzero(signs == 44)
    starts = np.concatenate([[0], ends[:-1] + 1])
    minus = signs[starts] == 45
    digits = ends - starts - minus
    if digits.min() < 1 or digits.max() > 15 or np.count_nonzero(minus) != text.count(b"-"):
        return None
    value = signs[ends - 1].astype(np.int64) - 48
    with_more, power = np.flatnonzero(digits > 1), 1
    while with_more.size:
        power += 1
        value[with_more] += (signs[ends[with_more] - power].astype(np.int64) - 48) * 10 ** (power - 1)
        with_more = with_more[digits[with_more] > power]
    return np.where(minus, -value, value).astype(np.float64)


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
        step = np.mod(steps_from(self.last, count), self.modulus)
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
    pattern = read_pattern(instrument.stored_pattern)
    if not isinstance(instrument, LinesFile) or instrument.is_asked:
        return LineReader(pattern)                    # padlab itself wrote these lines: whole from the first
    counter = instrument.counter
    return LineReader(
        pattern, counter=counter.column if counter else None,
        modulus=counter.modulus if counter else 2, line_end=instrument.line_end.encode("ascii"),
        whole_from_start=whole_from_start, checksum=instrument.checksum,
    )


def _words(line: bytes) -> str:
    return line.decode("ascii", "backslashreplace")


def _is_numbers(row: bytes) -> bool:
    try:
        return all(np.isfinite(float(text)) for text in row.split(b","))
    except ValueError:
        return False
