r"""Live readings of a rig, without a run: rate, noise, lost and bad lines, once a second.

>>> from padlab.capture.rig import read_rig
>>> watch = Watch(read_rig("bench").instrument[0])
>>> watch.take(b"# bench-a\n1,0,1000,10\n2,20000,1002,10\n4,60000,x\n", host_s=0.5)
>>> look = watch.look(host_s=1.0)
>>> look.lines_per_s, look.channels[0].value, look.bad_lines
(2.0, 1.002, 1)
"""

from __future__ import annotations

import queue
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.capture.advice import Standing, does_not_fit, sample, settings, stands_still
from padlab.capture.events import Back, Events, GivenUp, Lost, Piece
from padlab.capture.polled import port_for
from padlab.capture.rig import InstrumentFile, RigFile
from padlab.capture.wire import reader_for
from padlab.errors import RigLost


@dataclass(frozen=True)
class ChannelLook:
    """One channel over the last look: its last value, and the noise (standard deviation) about its mean."""

    quantity: str
    unit: str
    value: float | None
    noise: float | None
    mean: float | None = None


@dataclass(frozen=True)
class Look:
    """What one instrument said since the last look, and its counts since the first."""

    instrument: str
    lines_per_s: float
    channels: tuple[ChannelLook, ...]
    bad_lines: int
    lost_lines: int
    trouble: str | None = None
    last_bad: str | None = None      # the last unreadable line so far; of what is asked, why it was none
    is_new: bool = False             # whether that one came since the last look
    no_readings: str | None = None   # where none came since the last look: why, and what to see to
    stands: str | None = None        # clock or counter stand still: which, and what to do


class Watch:
    """Gathers the readings of one instrument between two looks."""

    def __init__(
        self, instrument: InstrumentFile, *, start_s: float = 0.0, whole_from_start: bool = True
    ) -> None:
        self.name = instrument.name
        self.trouble: str | None = None
        self._record = instrument.to_record()
        self._wire = reader_for(instrument, whole_from_start=whole_from_start)
        self._since_s = start_s
        self._values: list[NDArray[np.float64]] = []
        self._instrument, self._bad_shown = instrument, 0
        self._bytes, self._remark = 0, ""                # since the last look
        self._standing, self._stands = Standing(self._record), ""

    def take(self, data: bytes, *, host_s: float) -> None:
        """Take the next bytes."""
        got = self._wire.feed(data)
        self._bytes += len(data)
        self._remark = got.remarks[-1] if got.remarks else self._remark
        if len(got):
            self._values.append(got.values)
            what = self._standing.see(np.full(len(got), host_s), got.values)
            self._stands = stands_still(self.name, what) if what else ""

    def lost(self, reason: str) -> None:
        """The port went away."""
        self.trouble = reason

    def back(self, *, known: bool) -> None:
        """The port is open again; what comes next is a line from its beginning where the rig is known."""
        self.trouble = None
        self._standing.forget()
        self._wire.reopened(whole_from_start=known)

    def look(self, *, host_s: float) -> Look:
        """What came since the last look."""
        spent = max(host_s - self._since_s, 1e-9)
        width = len(self._record.columns)
        values = np.concatenate([np.zeros((0, width)), *self._values])
        self._values.clear()
        self._since_s = host_s
        channels = []
        for c in self._record.channels:
            value = c.sign * (c.scale * values[:, self._record.columns.index(c.name)] + c.offset)
            channels.append(ChannelLook(c.quantity, c.unit, float(value[-1]) if value.size else None,
                                        float(value.std(ddof=1)) if value.size > 1 else None,
                                        float(value.mean()) if value.size else None))
        counts = self._wire.counts
        new, self._bad_shown = counts.bad_lines > self._bad_shown, counts.bad_lines
        why = None if len(values) else self._why_none(spent, new)
        self._bytes, self._remark = 0, ""
        return Look(self.name, len(values) / spent, tuple(channels), counts.bad_lines, counts.lost_lines,
                    self.trouble, self._last_bad(), new, why, self._stands or None)

    def _last_bad(self) -> str | None:
        """The last unreadable line; an asked port marks by ``!`` its own words about an answer."""
        bad = self._wire.last_bad
        return bad[1:] if bad is not None and self._instrument.is_asked and bad.startswith("!") else bad

    def _why_none(self, spent_s: float, new_bad: bool) -> str:
        """Why no readings came since the last look, and what to see to."""
        if self._instrument.is_asked:                    # what came is the port's own word about an answer
            why = (self._last_bad() if new_bad else None) or "no answer yet"
            return f"{why}: see to " + (
                f"power, cable, line settings ({settings(self._instrument)}) and to what is asked"
                if "no answer" in why else "what is asked, and to how the rig file reads the answer")
        if not self._bytes:
            return "nothing comes: see to power, cable and port"
        if self._remark and not new_bad:
            return f"only remarks come, such as {self._remark[:60]!r}: does it wait for a command (setup)?"
        unread = self._wire.unread
        what = does_not_fit(self._instrument, unread, has_ends=self._wire.has_ends,
                            failed_sums=self._wire.counts.failed_sums)
        return f"{self._bytes / spent_s:.0f} bytes/s come, such as {sample(unread)}: {what}"


def listen(
    rig: RigFile, *, should_stop: Callable[[], bool], clock: Callable[[], float] = time.monotonic,
    every_s: float = 1.0, give_up_s: float | None = None,
) -> Iterator[list[Look]]:
    """Open a rig and look at all its instruments, once every ``every_s``, until told to stop.

    Raises
    ------
    RigError
        A port that cannot be opened, or an instrument that went away and did not come back.
    """
    events = Events()
    with ExitStack() as stack:
        ports = [stack.enter_context(port_for(i, events, clock, give_up_s)) for i in rig.instrument]
        watches = {i.name: Watch(i, start_s=clock(), whole_from_start=p.is_known)
                   for i, p in zip(rig.instrument, ports, strict=True)}
        for port in ports:
            port.start()
        due = clock() + every_s
        while not should_stop():
            try:
                event = events.get(timeout=min(0.1, max(0.001, due - clock())))
                if isinstance(event, Piece):
                    watches[event.instrument].take(event.data, host_s=event.host_s)
                elif isinstance(event, Lost):
                    watches[event.instrument].lost(event.reason)
                elif isinstance(event, Back):
                    watches[event.instrument].back(known=event.known)
                elif isinstance(event, GivenUp):
                    raise RigLost(f"{event.instrument}: {event.reason}", expected="a rig that comes back",
                                  seen="nothing", remedy="see to its power and its cable, then listen again")
            except queue.Empty:
                pass
            if clock() >= due:
                due += every_s
                yield [w.look(host_s=clock()) for w in watches.values()]
