"""The ports behind which the virtual rig stands: a pseudo-terminal, or TCP.

Both tell the same things to the one loop that serves them: has a program opened the port, what did it
send, is it gone. A pseudo-terminal knows by its own errors: reading its master side fails while no
program holds the other side (one that is closed and opened again within some milliseconds looks as if
it had never been closed). Over TCP a second program is told that the rig is busy.
"""

from __future__ import annotations

import contextlib
import os
import select
import socket
import tempfile
import time
from pathlib import Path
from typing import Protocol

from padlab.errors import InputError, RigError

_PIECE = 65536
BUSY = b"# busy: another program holds this rig\n"


class ServedPort(Protocol):
    """One end of a port, seen from the rig."""

    @property
    def url(self) -> str:
        """What a program opens."""

    def opened(self, wait_s: float) -> bool:
        """Wait up to ``wait_s`` for a program to open the port."""

    def read(self, wait_s: float) -> bytes | None:
        """What the program sent within ``wait_s``; ``b""`` = nothing, None = it is gone."""

    def write(self, data: bytes, wait_s: float) -> int:
        """Write, waiting up to ``wait_s`` for a slow reader; how many bytes went, -1 = it is gone."""

    def unplug(self) -> None:
        """Take the port away."""

    def plug_in(self) -> None:
        """Bring it back under the same name."""

    def close(self) -> None:
        """End, and leave nothing behind."""


class PtyPort:
    """A pseudo-terminal with a stable name beside it.

    Parameters
    ----------
    link : Path, optional
        A symbolic link that always points to it. Without one the terminal's own name is the URL, or
        where it must survive an unplug (``keeps_name``) a link in a folder of our own.

    Raises
    ------
    RigError
        There are no pseudo-terminals here (Windows).
    InputError
        The link's name is taken.
    """

    def __init__(self, link: Path | None = None, *, keeps_name: bool = False) -> None:
        if not hasattr(os, "openpty"):
            raise RigError("there are no pseudo-terminals on this system", remedy="--tcp 7000")
        self._own_folder: tempfile.TemporaryDirectory[str] | None = None
        if link is None and keeps_name:
            self._own_folder = tempfile.TemporaryDirectory(prefix="padlab-rig-")
            link = Path(self._own_folder.name) / "port"
        self.link = link
        self._master = -1
        self._name = ""
        self._heard = b""                # said before the opening was noticed
        self.plug_in()

    @property
    def url(self) -> str:
        """The link if there is one, else the terminal's own name."""
        return str(self.link.absolute()) if self.link is not None else self._name

    def plug_in(self) -> None:
        """Make a terminal, let its far side go, and point the link to it."""
        master, far = os.openpty()
        self._name = os.ttyname(far)
        os.close(far)
        os.set_blocking(master, False)
        self._master = master
        if self.link is not None:
            try:
                _point(self.link, self._name)
            except BaseException:
                self._let_master_go()
                raise

    def opened(self, wait_s: float) -> bool:
        """Whether a program opens it within ``wait_s``; then it is made raw at once, nothing is echoed."""
        # An unopened terminal is "ready" all the time, so that there is nothing to select on.
        until = time.monotonic() + wait_s
        while True:
            self._heard = b""
            if not self._is_gone():
                self._make_raw()
                return True
            left = until - time.monotonic()
            if left <= 0:
                return False
            time.sleep(min(0.01, left))

    def read(self, wait_s: float) -> bytes | None:
        """What came; None when the far side was closed."""
        if self._heard:
            heard, self._heard = self._heard, b""
            return heard
        select.select([self._master], [], [], wait_s)
        try:
            return os.read(self._master, _PIECE) or None
        except BlockingIOError:
            return b""
        except OSError:
            return None

    def write(self, data: bytes, wait_s: float) -> int:
        """Write all, or as much as a slow reader takes within ``wait_s``."""
        view, until = memoryview(data), time.monotonic() + wait_s
        while view:
            try:
                view = view[os.write(self._master, view):]
            except BlockingIOError:
                # a full terminal that nobody holds any more stays full: only reading tells
                if self._is_gone():
                    return -1
                left = until - time.monotonic()
                if left <= 0:
                    break
                # and a full one can call itself writable: never spin on it
                select.select([], [self._master], [], left)
                time.sleep(0.0005)
            except OSError:
                return -1
        return len(data) - len(view)

    def _is_gone(self) -> bool:
        """Whether no program holds the far side; what one said meanwhile is kept."""
        try:
            heard = os.read(self._master, _PIECE)
        except BlockingIOError:
            return False
        except OSError:
            return True
        self._heard += heard
        return heard == b""

    def unplug(self) -> None:
        """Close the terminal; a program that holds it sees a hang-up."""
        self._let_master_go()
        if self.link is not None:
            self._unlink()

    def close(self) -> None:
        """Close the terminal and remove the link."""
        self.unplug()
        if self._own_folder is not None:
            self._own_folder.cleanup()
            self._own_folder = None

    def _make_raw(self) -> None:
        import termios
        import tty

        with contextlib.suppress(termios.error, OSError):
            termios.tcflush(self._master, termios.TCOFLUSH)
            tty.setraw(self._master, termios.TCSANOW)

    def _let_master_go(self) -> None:
        if self._master >= 0:
            os.close(self._master)
            self._master = -1

    def _unlink(self) -> None:
        if self.link is not None and self.link.is_symlink() and os.readlink(self.link) == self._name:
            self.link.unlink()


def _point(link: Path, to: str) -> None:
    """Point a symbolic link there; only a link that leads nowhere is replaced."""
    if link.is_symlink() and not link.exists():
        link.unlink()
    try:
        link.symlink_to(to)
    except FileExistsError as fault:
        raise InputError(f"the name {link} is taken", expected="a name where a link can be made",
                         seen="a file or a link that is there already",
                         remedy="another --link, or remove it if it is a left-over") from fault


class TcpPort:
    """A listening TCP port on this machine only.

    Parameters
    ----------
    number : int
        The port number; 0 = any that is free.

    Raises
    ------
    RigError
        The number is taken.
    """

    def __init__(self, number: int, host: str = "127.0.0.1") -> None:
        self._host = host
        self._number = number
        self._listening: socket.socket | None = None
        self._program: socket.socket | None = None
        self.plug_in()

    @property
    def url(self) -> str:
        """``socket://HOST:PORT``."""
        return f"socket://{self._host}:{self._number}"

    def plug_in(self) -> None:
        """Listen."""
        listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        try:
            if os.name == "posix":
                # elsewhere this option would let two programs share the number
                listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            listening.bind((self._host, self._number))
            listening.listen(4)
        except OSError as fault:
            listening.close()
            raise RigError(f"port {self._number} cannot be listened on: {fault.strerror}",
                           seen=str(self._number), remedy="another --tcp number, or 0 for any") from fault
        listening.setblocking(False)
        self._number = int(listening.getsockname()[1])
        self._listening = listening

    def opened(self, wait_s: float) -> bool:
        """Accept one program."""
        listening = self._listening
        if listening is None or not select.select([listening], [], [], wait_s)[0]:
            return False
        try:
            program, _ = listening.accept()
        except OSError:
            return False
        program.setblocking(False)
        with contextlib.suppress(OSError):
            program.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._program = program
        return True

    def read(self, wait_s: float) -> bytes | None:
        """What came; None when the program left. Others who knock meanwhile are turned away."""
        program, listening = self._program, self._listening
        if program is None or listening is None:
            return None
        ready = select.select([program, listening], [], [], wait_s)[0]
        if listening in ready:
            self._turn_away(listening)
        if program not in ready:
            return b""
        try:
            data = program.recv(_PIECE)
        except BlockingIOError:
            return b""
        except OSError:
            data = b""
        if not data:
            self._hang_up()
            return None
        return data

    def write(self, data: bytes, wait_s: float) -> int:
        """Write all, or as much as a slow reader takes within ``wait_s``."""
        if self._program is None:
            return -1
        view, until = memoryview(data), time.monotonic() + wait_s
        while view:
            try:
                view = view[self._program.send(view):]
            except BlockingIOError:
                left = until - time.monotonic()
                if left <= 0:
                    break
                select.select([], [self._program], [], left)
            except OSError:
                self._hang_up()
                return -1
        return len(data) - len(view)

    def unplug(self) -> None:
        """Hang up and stop listening."""
        self._hang_up()
        if self._listening is not None:
            self._listening.close()
            self._listening = None

    def close(self) -> None:
        """The same, for good."""
        self.unplug()

    def _hang_up(self) -> None:
        if self._program is not None:
            self._program.close()
            self._program = None

    @staticmethod
    def _turn_away(listening: socket.socket) -> None:
        with contextlib.suppress(OSError):
            other, _ = listening.accept()
            with other:
                other.send(BUSY)
