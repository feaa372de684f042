r"""The operator's word from a keyboard: one line, one confirmation.

A thread reads lines, because a keyboard cannot be asked whether one is there on every system; the
recorder asks how many came.

>>> import io
>>> enter = Enter(io.StringIO("\n\n"))
>>> enter.wait_over(5)
True
>>> enter.taken(), enter.taken(), enter.taken()
(True, True, False)
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import TextIO

MOST = 1000
"""Lines that wait; more of them are no operator's."""


class Enter:
    """Counts the lines of a stream.

    Parameters
    ----------
    stream : TextIO
        The keyboard, or what stands in its place.
    on_end : callable
        Called once, from the thread, when no line can come any more.
    """

    def __init__(self, stream: TextIO, on_end: Callable[[], None] = lambda: None) -> None:
        self._stream, self._on_end = stream, on_end
        self._count = 0
        self._lock, self._over = threading.Lock(), threading.Event()
        threading.Thread(target=self._read, name="enter", daemon=True).start()

    def taken(self) -> bool:
        """Take one line that came; False where none is waiting."""
        with self._lock:
            had = self._count > 0
            self._count -= had
        return had

    def wait_over(self, seconds: float) -> bool:
        """Wait until no line can come any more."""
        return self._over.wait(seconds)

    def _read(self) -> None:
        try:
            # A bounded read: a line without an end is not gathered whole.
            while text := self._stream.readline(256):
                if text.endswith("\n"):
                    with self._lock:
                        self._count = min(self._count + 1, MOST)
        except (OSError, ValueError):          # closed under us, or not text
            pass
        self._on_end()
        self._over.set()
