"""Whether the host has sent something."""

from host import waits

POLLIN = 1


class poll:  # noqa: N801  its name on the board
    def register(self, stream, events):
        self._waits = ((stream, events),)

    def ipoll(self, timeout):
        return self._waits if waits() else ()
