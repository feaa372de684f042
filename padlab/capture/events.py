r"""What the reading threads tell, and the queue in which it waits for whoever records.

The queue is bounded by bytes: a rig that sends without end must not pile up minutes of work that stand
between a Ctrl-C and the end of the run.

>>> waiting = Events(most_bytes=4)
>>> waiting.put(Piece("main", 0.0, b"1,2,3\n"))
>>> waiting.is_full, waiting.get_nowait().data, waiting.is_full
(True, b'1,2,3\n', False)
"""

from __future__ import annotations

import queue
import threading
from dataclasses import dataclass

MOST_WAITING = 1 << 20
"""Bytes that may wait before the readers pause: a tenth of a second's work, and 90 s of a serial line."""


@dataclass(frozen=True)
class Piece:
    """Bytes that came, and when they were read on the host's monotonic clock."""

    instrument: str
    host_s: float
    data: bytes


@dataclass(frozen=True)
class Lost:
    """The port went away."""

    instrument: str
    host_s: float
    reason: str


@dataclass(frozen=True)
class Back:
    """The same rig answers again; ``known`` says whether it proved to be the same."""

    instrument: str
    host_s: float
    url: str
    known: bool


@dataclass(frozen=True)
class GivenUp:
    """It did not come back in time, or reading it failed for another reason."""

    instrument: str
    host_s: float
    reason: str


Event = Piece | Lost | Back | GivenUp

LEAST_COST = 256
"""What an event weighs at least, in bytes: a flood of single bytes is a flood too."""


class Events:
    """A queue of events; several ports may share one.

    Parameters
    ----------
    most_bytes : int
        From here on it is full. ``put`` never waits: a reader asks ``is_full`` after it has put, so
        that what was read is never thrown away.
    """

    def __init__(self, most_bytes: int = MOST_WAITING) -> None:
        self.most_bytes = most_bytes
        self._queue: queue.SimpleQueue[Event] = queue.SimpleQueue()
        self._lock = threading.Lock()
        self._bytes = 0

    @property
    def is_full(self) -> bool:
        """Whether readers should pause."""
        return self._bytes >= self.most_bytes

    def put(self, event: Event) -> None:
        """Add one."""
        self._count(+1, event)
        self._queue.put(event)

    def get(self, timeout: float | None = None) -> Event:
        """The next; waits for it, ``queue.Empty`` after ``timeout`` seconds."""
        event = self._queue.get(timeout=timeout)
        self._count(-1, event)
        return event

    def get_nowait(self) -> Event:
        """The next, or ``queue.Empty`` at once."""
        event = self._queue.get_nowait()
        self._count(-1, event)
        return event

    def empty(self) -> bool:
        """Whether nothing waits."""
        return self._queue.empty()

    def qsize(self) -> int:
        """How many wait."""
        return self._queue.qsize()

    def _count(self, sign: int, event: Event) -> None:
        size = len(event.data) if isinstance(event, Piece) else 0
        with self._lock:
            self._bytes += sign * max(size, LEAST_COST)
