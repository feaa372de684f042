r"""The only file that touches a port: open it alone, read in bulk, stamp each piece once, reopen.

    open() --identity--> start() --thread: Piece, Piece, ... Lost ... Back, Piece ...--> queue
                                                            \-- after give_up_s: GivenUp

pyserial is imported when the first port is opened, so that old runs can be analysed without it.

What was learned from ports: an unplugged one raises SerialException, a plain OSError or (closed
under a blocked read) a TypeError; ``readline`` returns half a line when its time is over; opening
resets some boards, so the control lines are set before; a port may come back under another name,
so that a rig is known by its own answer, never by its port's name.
"""

from __future__ import annotations

import errno
import logging
import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Self

from padlab.capture.advice import does_not_fit, sample
from padlab.capture.events import Back as Back
from padlab.capture.events import Event as Event
from padlab.capture.events import Events as Events
from padlab.capture.events import GivenUp as GivenUp
from padlab.capture.events import Lost as Lost
from padlab.capture.events import Piece as Piece
from padlab.capture.motor_file import MotorFile
from padlab.capture.pattern import read_pattern
from padlab.capture.rig import InstrumentFile, LinesFile, ModbusFile, check_url
from padlab.capture.rig_parts import IdentityFile
from padlab.capture.wire import reader_for
from padlab.errors import RigError, RigSilent
from padlab.units import parse_quantity

try:
    from termios import error as _Refused
except ImportError:                                   # Windows
    _Refused = OSError  # type: ignore[misc, assignment]

log = logging.getLogger(__name__)

GONE = (OSError, TypeError, AttributeError, _Refused)
"""What a port raises that went away; SerialException is an OSError, a refused setting is none."""
READ_S = 0.1
"""Longest wait for a byte, so that a port can be closed [s]."""
GATHER_S = 0.01
"""Pause after a small piece, three times as long if it held some lines: at 1,000 lines a second this
makes some 30 pieces, not 1,000 [s]. A line that comes every 20 ms is still stamped as it comes."""
SOME_LINES = 128
"""Bytes."""
SMALL = 1024
"""A piece below this many bytes is small; after a larger one is read on at once, so that nothing is lost."""
MOST_HALVES = 64
"""So many pieces without an end mark are no line: from then on pieces are gathered again."""
HOT_BYTES_PER_S = 1e6
"""Over this rate there is no pause at all: the buffer of a terminal is full within a few ms."""
HOT_S = 0.02
"""The rate is taken over this time [s]."""
MOST_HEARD = 4096
"""Of what came before a rig said who it is, so many bytes are kept to look at."""
RETRY_S = 0.2
GIVE_UP_S = 60.0
"""A rig that has not come back after this ends the run [s]."""
ASK_AGAIN_S = 1.0


def usb_ports() -> dict[str, tuple[int, int, str]]:
    """Port names of USB devices that carry a serial number, with vendor, product and that number."""
    from serial.tools import list_ports

    return {p.device: (p.vid, p.pid, p.serial_number) for p in list_ports.comports()
            if p.vid is not None and p.pid is not None and p.serial_number}


@dataclass
class Port:
    """One instrument's port.

    Parameters
    ----------
    instrument : InstrumentFile or MotorFile
        Its port, line settings and identity.
    events : Events
        Where the reading thread puts what happens; several ports may share one.
    clock : callable
        Monotonic seconds.
    give_up_s : float
        How long a lost rig is waited for [s].
    usb : callable
        Lists USB ports; by it a rig is looked for under another name.
    """

    instrument: InstrumentFile | MotorFile
    events: Events = field(default_factory=Events)
    clock: Callable[[], float] = time.monotonic
    give_up_s: float = GIVE_UP_S
    usb: Callable[[], dict[str, tuple[int, int, str]]] = usb_ports

    def __post_init__(self) -> None:
        self.url = check_url(self.instrument.url)
        self._serial: Any = None
        self._early = b""                     # what came in one piece with the identity's answer
        self._usb_key: tuple[int, int, str] | None = None
        self._stop = threading.Event()
        self._thread: threading.Thread | None = None

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @property
    def is_known(self) -> bool:
        """Whether the rig can prove that it is the one the rig file describes."""
        return self.instrument.identity is not None

    def open(self) -> None:
        """Open the port, alone, and wait for the rig to say who it is.

        Raises
        ------
        RigError
            No such port, held by another program, not permitted, or another rig answers.
        RigSilent
            Nothing comes.
        """
        self._serial = self._open_url(self.url)
        try:
            self._early = self._identify()
            self._set_up()
            self._usb_key = self.usb().get(self.url) if self.url.startswith(("/", "COM")) else None
        except BaseException:
            self._close_serial()
            raise

    def start(self) -> None:
        """Begin to read in a thread; what happens is put into ``events``."""
        self._thread = threading.Thread(target=self._run, name=f"port-{self.instrument.name}", daemon=True)
        self._thread.start()

    def command(self, text: str) -> None:
        """Send one line to the rig."""
        self._serial.write(text.encode("ascii") + self.instrument.line_end.encode("ascii"))

    @property
    def waits_to_leave(self) -> int:
        """Bytes that were sent and have not left this computer yet."""
        return int(getattr(self._serial, "out_waiting", 0))

    def close(self) -> None:
        """Stop reading and let the port go; safe to call twice."""
        self._stop.set()
        if self._thread is not None:
            serial = self._serial
            if serial is not None and hasattr(serial, "cancel_read"):
                try:
                    serial.cancel_read()
                except GONE as fault:                                   # it was lost at this moment
                    log.debug("cancel_read: %s", fault)
            self._thread.join(timeout=5.0)
            self._thread = None
        self._close_serial()

    # -- in the thread -----------------------------------------------------------------------------

    def _run(self) -> None:
        name = self.instrument.name
        if self._early:
            self.events.put(Piece(name, self.clock(), self._early))
        while not self._stop.is_set():
            try:
                self._read_on()
            except GONE as fault:
                if self._stop.is_set():
                    return
                reason = f"the port {self.url} was lost: {_why_lost(self.url, fault)}"
            except Exception as fault:
                log.exception("reading %s", self.url)
                self.events.put(GivenUp(name, self.clock(), f"reading {self.url} failed: {fault!r}"))
                return
            else:
                return
            self.events.put(Lost(name, self.clock(), reason))
            self._close_serial()
            if not self._reopen():
                return

    def _read_on(self) -> None:
        serial, name, stop = self._serial, self.instrument.name, self._stop
        since_s, count, hot, half = self.clock(), 0, False, 0
        end = self.instrument.line_end.encode("ascii")
        while not stop.is_set():
            data = read_some(serial)
            if not data:
                continue
            now = self.clock()
            self.events.put(Piece(name, now, data))
            count += len(data)
            if now - since_s >= HOT_S:
                hot = count > HOT_BYTES_PER_S * (now - since_s)
                since_s, count = now, 0
            # Half a line is read on at once, so that each line has the stamp of its own end mark.
            half = 0 if data.endswith(end) or half >= MOST_HALVES else half + 1
            if len(data) < SMALL and not hot and not half:
                time.sleep(GATHER_S if len(data) < SOME_LINES else 3 * GATHER_S)
            while self.events.is_full and not stop.is_set():
                stop.wait(GATHER_S)

    def _reopen(self) -> bool:
        """Wait until the same rig answers again, under its own or another port's name."""
        name, began = self.instrument.name, self.clock()
        last = "no port"
        while not self._stop.wait(RETRY_S):
            if self.clock() - began > self.give_up_s:
                self.events.put(GivenUp(
                    name, self.clock(), f"{self.url} did not come back within {self.give_up_s:g} s ({last})"))
                return False
            for url in self._places():
                try:
                    self._serial = self._open_url(url)
                    early = self._identify()
                    if not isinstance(self.instrument, MotorFile):     # a motor that was lost is only stopped
                        self._set_up()
                except GONE as fault:                                   # RigError is an OSError too
                    last = _short(fault)
                    self._close_serial()
                    continue
                self.url = url
                self.events.put(Back(name, self.clock(), url, self.is_known))
                if early:
                    self.events.put(Piece(name, self.clock(), early))
                return True
        return False

    def _places(self) -> list[str]:
        if self._usb_key is None:
            return [self.url]
        return list(dict.fromkeys([self.url, *(d for d, key in self.usb().items() if key == self._usb_key)]))

    # -- opening -----------------------------------------------------------------------------------

    def _open_url(self, url: str) -> Any:
        import serial

        wiring = self.instrument
        settings: dict[str, Any] = {
            "baudrate": wiring.baud, "bytesize": wiring.data_bits, "stopbits": wiring.stop_bits,
            "parity": {"none": "N", "even": "E", "odd": "O"}["none" if _is_pseudo(url) else wiring.parity],
            "rtscts": wiring.flow == "rts-cts", "xonxoff": wiring.flow == "xon-xoff",
            "timeout": READ_S, "write_timeout": 1.0,
        }
        if os.name == "posix" and url.startswith("/"):
            settings["exclusive"] = True
        try:
            port = serial.serial_for_url(url, do_not_open=True, **settings)
            port.dtr, port.rts = wiring.dtr, wiring.rts       # before opening: some boards reset on a change
            port.open()
        except (*GONE, ValueError) as fault:
            raise _cannot_open(url, fault) from fault
        return port

    def _identify(self) -> bytes:
        """Wait for the identity's line; gives the bytes that came after it."""
        identity = self.instrument.identity
        if not isinstance(identity, IdentityFile):
            return b""
        answer = read_pattern(identity.answer, needs_groups=False).compiled
        end = self.instrument.line_end.encode("ascii")
        until = self.clock() + parse_quantity(identity.wait, "time")
        streams = isinstance(self.instrument, LinesFile) and not self.instrument.is_asked
        ask_at, heard, others = self.clock(), b"", ""
        came, wanted = b"", f"a line like {identity.answer} within {identity.wait}"
        while self.clock() < until:
            try:
                if identity.ask is not None and self.clock() >= ask_at:
                    ask_at = self.clock() + ASK_AGAIN_S
                    self._serial.write(identity.ask.encode("ascii") + end)
                data = read_some(self._serial)
            except GONE as fault:
                raise RigError(
                    f"the rig on {self.url} hung up", expected=wanted,
                    seen=others or _why_lost(self.url, fault),
                    remedy="see that no other program holds the rig",
                ) from fault
            came = (came + data)[-MOST_HEARD:]
            *lines, heard = (heard + data).split(end)
            for place, line in enumerate(lines):
                if answer.fullmatch(line.removesuffix(b"\r")):
                    return end.join([*lines[place + 1:], heard])
                if line.startswith(b"#") or (line and not streams):
                    others = line[:80].decode("ascii", "backslashreplace")
            heard = heard[-MOST_HEARD:]
        if not came:
            raise RigSilent(
                f"nothing comes from {self.url}", expected=wanted, seen="silence",
                remedy="see that the rig has power, and that no other program holds it",
            )
        if streams and not others:
            others, unlike = self._unlike(came)
            if unlike:
                raise RigError(f"what comes from {self.url} cannot be read", expected=wanted, seen=others,
                               remedy="check the port, the line settings and the rig file")
        raise RigError(
            f"the rig on {self.url} is not the one the rig file describes",
            expected=wanted, seen=others or sample(came),
            remedy="check the port, the line settings and the rig file",
        )

    def _unlike(self, came: bytes) -> tuple[str, bool]:
        """What came instead of an identity, in words; whether there was not even a reading in it."""
        assert isinstance(self.instrument, LinesFile)
        wire = reader_for(self.instrument)
        if len(wire.feed(came)):
            return "readings, but no such line", False
        unread = wire.unread or came
        return sample(unread) + ": " + does_not_fit(
            self.instrument, unread, has_ends=wire.has_ends, failed_sums=wire.counts.failed_sums), True

    def _set_up(self) -> None:
        """Send what the rig file wants sent whenever the port was opened."""
        if isinstance(self.instrument, ModbusFile):
            return
        for text in self.instrument.setup:
            self.command(text)

    def _close_serial(self) -> None:
        serial, self._serial = self._serial, None
        if serial is not None:
            try:
                serial.close()
            except GONE as fault:                                       # it was gone already
                log.debug("close: %s", fault)


def read_some(serial: Any) -> bytes:
    """What has come, in one go; waits at most the port's own timeout for the first byte."""
    if not str(serial.port).startswith("socket:"):
        waiting: bytes = serial.read(max(1, serial.in_waiting))
        if len(waiting) == 1 and (more := serial.in_waiting):      # it was waited for, and came with others
            waiting += serial.read(more)
        return waiting
    data: bytes = serial.read(1)      # over TCP the library knows only whether something waits, not how much
    if data:
        wait_s, serial.timeout = serial.timeout, 0
        try:
            data += serial.read(65536)
        except OSError as fault:
            log.debug("the next read will tell: %s", fault)
        finally:
            serial.timeout = wait_s
    return data


def _cannot_open(url: str, fault: Exception) -> RigError:
    number = getattr(fault, "errno", None)
    if number in (errno.EAGAIN, errno.EBUSY, errno.EWOULDBLOCK) or "PermissionError(13" in str(fault):
        return RigError(f"the port {url} is held by another program", expected="a port that is free",
                        seen="held", remedy="close the other program, then start again")
    if number in (errno.EACCES, errno.EPERM):
        return RigError(f"the port {url} may not be opened by you", expected="the right to open it",
                        seen="permission denied",
                        remedy="on Linux join the group that owns the port (often dialout), then log in anew")
    if number == errno.ENOENT or "FileNotFoundError(2" in str(fault):
        return RigError(f"there is no port {url}: {_nothing(url)}", expected="a rig that is plugged in",
                        seen=_ports_here(), remedy="plug the rig in, or name its port with --url")
    if number in (errno.ENOTTY, errno.EISDIR, errno.EINVAL) or "(25, " in str(fault):
        what = "a folder" if os.path.isdir(url) else "a file or a device of another kind"
        return RigError(f"{url} cannot be opened: it is no serial port", expected="a serial port",
                        seen=f"{what}; {_ports_here()}", remedy="name the rig's port with --url")
    if url.startswith(("socket:", "rfc2217:")):
        return RigError(f"the port {url} cannot be opened",
                        expected="a rig or a converter that listens there", seen="nobody answers",
                        remedy="see that it is switched on, and that address and port number are right")
    return RigError(f"the port {url} cannot be opened: {_short(fault)}",
                    remedy="see that the rig has power and that the name is right")


def _is_pseudo(url: str) -> bool:
    """Whether it is a pseudo-terminal: it hands on bytes, and some systems refuse it a parity."""
    return url.startswith("/") and os.path.realpath(url).startswith("/dev/pts/")


def _nothing(url: str) -> str:
    if os.path.islink(url):
        return f"it is a link to {os.readlink(url)}, where nothing is"
    return "nothing is there"


def _ports_here() -> str:
    """The serial ports of this machine, in words."""
    from serial.tools import list_ports

    names = sorted(p.device for p in list_ports.comports())
    return "ports that are here: " + ", ".join(names[:20]) if names else "no serial port on this machine"


def _why_lost(url: str, fault: Exception) -> str:
    """In plain words why a port that was open is gone; the system's own reason last, if it has one.

    >>> _why_lost("/dev/ttyACM0", OSError(5, "Input/output error"))
    'it was unplugged or switched off (the system says: Input/output error)'
    """
    number = getattr(fault, "errno", None)
    if number == errno.ETIMEDOUT or isinstance(fault, TimeoutError):
        why = "it no longer takes or sends anything"
    elif url.startswith(("socket:", "rfc2217:")):
        why = "the other end hung up, or the network between is down"
    elif "multiple access" in str(fault):
        why = "it was unplugged or switched off, or another program reads it too"
    else:
        why = "it was unplugged or switched off"
    said = os.strerror(number) if isinstance(number, int) and number > 0 else ""
    return f"{why} (the system says: {said})" if said else why


def _short(fault: Exception) -> str:
    text = getattr(fault, "message", None) or getattr(fault, "strerror", None) or str(fault)
    return " ".join(str(text).split())[:160] or type(fault).__name__
