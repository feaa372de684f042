"""One instrument while it is recorded: its port, its wire, its axis, and what went wrong with it so far."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from padlab.capture.advice import Standing, does_not_fit, sample
from padlab.capture.motor_file import MotorFile
from padlab.capture.port import Piece, Port
from padlab.capture.timeline import Timeline
from padlab.capture.wire import reader_for
from padlab.records.rig_record import Channel, Instrument

Array = NDArray[np.float64]

MANY_BAD, BAD_SHARE = 10, 0.02
"""So many bad lines, and such a share, are worth a word at once; a flipped bit now and then is not."""


@dataclass
class Source:
    """One instrument while it is recorded."""

    port: Port
    record: Instrument
    start_s: float
    gap_s: float
    last_host_s: float
    heard: bool = False
    lost: str | None = None              # why, while it is lost
    has_gap: bool = False
    doubtful_gap: tuple[float, float] | None = None      # at the very last reading: the next one will tell
    restarts_seen: int = 0
    bad_when_heard: int = 0              # bad lines up to the last reading
    unread_bytes: int = 0                # that came since the last reading
    stands: list[str] = field(default_factory=list)      # what of clock and counter stands still
    _over: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, dtype=np.bool_))

    def __post_init__(self) -> None:
        assert not isinstance(self.port.instrument, MotorFile)
        self.wire = reader_for(self.port.instrument, whole_from_start=self.port.is_known)
        self.standing = Standing(self.record)
        self.timeline = Timeline(s_per_tick=self.record.clock_s_per_tick, modulus=self.record.clock_modulus)
        columns = self.record.columns
        self._clock = columns.index(self.record.clock) if self.record.clock else None
        self._channels = [(c, columns.index(c.name)) for c in self.record.channels]
        self._over = np.zeros(len(self._channels), dtype=np.bool_)

    def take(self, pieces: list[Piece]) -> tuple[list[str], Array, Array]:
        """Lines for the shelf, times on the axis and values, of what some pieces completed.

        The pieces are read as one, and each line gets the stamp of the piece that completed it.
        """
        got = self.wire.feed(b"".join(p.data for p in pieces))
        if not len(got):
            self.unread_bytes += sum(len(p.data) for p in pieces)
            return [], np.zeros(0), got.values
        self.unread_bytes = 0
        self.bad_when_heard = self.wire.counts.bad_lines
        ends = np.cumsum([p.data.count(self.wire.line_end) for p in pieces])
        bounds = np.searchsorted(got.places, [0, *ends.tolist()]).tolist()
        host_s = np.empty(len(got))
        texts = []
        for piece, start, stop in zip(pieces, bounds[:-1], bounds[1:], strict=True):
            if stop > start:
                host_s[start:stop] = self.last_host_s = piece.host_s
                prefix = b"%.6f," % max(0.0, piece.host_s - self.start_s)
                texts.append(prefix + (b"\n" + prefix).join(got.rows[start:stop]))
        lines = b"\n".join(texts).decode("ascii").split("\n")
        ticks = None if self._clock is None else got.values[:, self._clock]
        self.stands = self.standing.see(host_s, got.values)
        return lines, self.timeline.add(host_s=host_s, ticks=ticks), got.values

    @property
    def only_bad(self) -> bool:
        """Whether something has come since the last reading, and none of it could be read."""
        return self.wire.counts.bad_lines > self.bad_when_heard or (
            self.unread_bytes > 0 and bool(self.wire.unread) and not self.wire.has_ends)

    @property
    def many_bad(self) -> bool:
        """Whether so many lines are bad that somebody should look, now."""
        counts = self.wire.counts
        return counts.bad_lines >= MANY_BAD and counts.bad_lines > BAD_SHARE * counts.readings

    def unreadable(self) -> str:
        """What came that is no reading, with a piece of it, and where to look."""
        instrument = self.port.instrument
        assert not isinstance(instrument, MotorFile)
        unread = self.wire.unread
        if instrument.is_asked:
            return unread.decode("ascii", "backslashreplace").lstrip("!")
        why = does_not_fit(instrument, unread, has_ends=self.wire.has_ends,
                           failed_sums=self.wire.counts.failed_sums)
        return f"such as {sample(unread)}: {why}"

    def values(self, quantity: str, values: Array) -> Array | None:
        """The readings of one quantity, in its unit."""
        for channel, place in self._channels:
            if channel.quantity == quantity:
                return _value(channel, values[:, place])
        return None

    def over_limit(self, values: Array) -> str | None:
        """In words, the first channel that was over its limit in two readings running."""
        for k, (channel, place) in enumerate(self._channels):
            if channel.limit is None or not len(values):
                continue
            value = np.abs(_value(channel, values[:, place]))
            over = np.concatenate([self._over[k:k + 1], value >= channel.limit])
            self._over[k] = over[-1]
            if (over[1:] & over[:-1]).any():
                return (f"{channel.quantity} reached {float(value.max()):.1f} {channel.unit}, "
                        f"over the limit of {channel.limit:g} {channel.unit}")
        return None


def _value(channel: Channel, reading: Array) -> Array:
    return channel.sign * (channel.scale * reading + channel.offset)
