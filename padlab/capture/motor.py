"""Drive the motor of a rig, and leave it safe whatever happens.

    open --identity--> prove --the watchdog bites--> [yes] --> turn, turn, turn ... --> make_safe --> close

One turn: what did the motor say, are the readings fresh, may it go on, how fast now; 50 times a second, in
the loop that records. There is no thread that could go on by itself: if padlab hangs, is killed, or sees
no fresh readings, nothing is sent, and the watchdog in the rig stops the motor. A motor that was stopped is
never started again within the run.

Software is no safety device: an emergency stop and hard end stops that need no computer come first.
"""

from __future__ import annotations

import logging
import time
from collections import deque
from collections.abc import Callable
from dataclasses import replace
from statistics import fmean
from types import TracebackType
from typing import Self

import numpy as np
from numpy.typing import NDArray

from padlab.capture.events import Events, GivenUp, Lost, Piece
from padlab.capture.motor_file import MotorFile, WatchdogFile
from padlab.capture.motor_hand import MotorHand
from padlab.capture.motor_limits import Halt, Limits
from padlab.capture.pattern import read_pattern
from padlab.capture.port import Port
from padlab.capture.procedure import Procedure
from padlab.capture.prompts import Said
from padlab.capture.rig import RigFile
from padlab.capture.source import Source
from padlab.capture.steps import StepFollower
from padlab.errors import InputError, RigError
from padlab.units import parse_quantity

Array = NDArray[np.float64]
log = logging.getLogger(__name__)

TURN_S = 0.02
"""The loop of a recording turns so often while a motor is driven [s]."""
FED_IN_TIME = 8
"""The watchdog is fed so many times within its time."""
STALE_S, STALE_LINES = 0.1, 3.0
"""Readings older than this (and than three lines of their instrument) are not fresh: the motor stands [s]."""
SHARE_OF_LIMIT = 0.9
"""A procedure must stay below this share of the motor's force limit; design choice."""
SLOWEST_LINES_PER_S = 10.0
"""A motor is not driven by fewer readings a second; 50 are good, 100 better; design choice."""
MOST_HEARD = 16384
"""Bytes of the motor that are read in one turn; where more waits, turn after turn, it floods."""
FLOODED_TURNS = 10
LONGEST_LINE = 512
BACK_S = 2.0
"""A lost motor is waited for so long, to send it what makes it safe [s]."""
STILL = {"displacement": 0.004, "force": 0.1}
"""A stopped motor that presses on by more than this within a quarter of a second runs on; design choice."""
DRAIN_S = 1.0
"""What waits to be sent when a port is closed is waited for so long [s]."""
REACH_IN = "Switch the motor off at its stop switch before you reach in"


def check_drives(rig: RigFile, procedure: Procedure) -> MotorFile:
    """Refuse what a motor must not, or cannot, do.

    Raises
    ------
    InputError
        No motor or no watchdog in the rig, no force or no displacement, a force or a kind of step that is
        not for this motor. All that is wrong is listed.
    """
    motor, record = rig.motor, rig.to_record()
    if motor is None:
        raise InputError(f"rig {rig.name} has no motor", expected="a [motor] table in the rig file",
                         remedy="padlab rigs motor-press shows one; without it the hand presses")
    if motor.watchdog is None:
        raise InputError(
            f"padlab does not drive the motor of rig {rig.name}: nothing in the rig would stop it if padlab "
            "fell silent", seen="none",
            expected="[motor.watchdog]: a timer in the motor's own controller, with feed and within",
            remedy="press by hand (take [motor] out), or give the controller a watchdog")
    against = [f"it measures no {q}" for q in ("force", "displacement") if record.channel(q) is None]
    slow = [i for i in rig.instrument if i.lines_per_s is not None and i.lines_per_s < SLOWEST_LINES_PER_S
            and any(c.quantity in ("force", "displacement") for c in i.channel)]
    force = record.channel("force")
    if force is not None and force.limit is None:
        against.append("its cell has no limit: state the rated force of the cell")
    if force is not None and force.limit is not None and motor.force_n > force.limit:
        against.append(f"its force limit of {motor.force_n:g} N is over the cell's {force.limit:g} N")
    against += [f"{i.name} reads only {i.lines_per_s:g} times a second, not {SLOWEST_LINES_PER_S:g}"
                for i in slow]
    longest = max((_stale_s(i.lines_per_s) for i in rig.instrument), default=STALE_S)
    if 2 * longest > parse_quantity(motor.watchdog.within, "time"):
        against.append(f"its readings may be {longest:.2g} s old, too much for a watchdog of "
                       f"{motor.watchdog.within}")
    most = max((s.to_n for s in procedure.steps if s.to_n is not None), default=0.0)
    if most > SHARE_OF_LIMIT * motor.force_n:
        against.append(f"{most:g} N is over {SHARE_OF_LIMIT * motor.force_n:.3g} N, 90 % of the motor's "
                       "force limit")
    if procedure.kind == "touch" or procedure.is_by_weights:
        against.append(f"procedure {procedure.name} is for a player's finger or for dead weights")
    if against:
        raise InputError(f"the motor of rig {rig.name} cannot do procedure {procedure.name}",
                         seen="; ".join(against), expected="force, displacement and fresh readings; steps "
                         "that press, hold and rest within the limits")
    return motor


class Motor:
    """The motor of a rig while a run is recorded.

    Parameters
    ----------
    rig : RigFile
        With a motor that :func:`check_drives` lets through.
    procedure : Procedure
        What it is to do.
    clock, pause : callable
        Monotonic seconds, and to wait for some.
    """

    turn_s = TURN_S

    def __init__(self, rig: RigFile, procedure: Procedure, *, clock: Callable[[], float] = time.monotonic,
                 pause: Callable[[float], None] = time.sleep) -> None:
        motor = check_drives(rig, procedure)
        assert motor.watchdog is not None
        self.file, self.watchdog, self.clock, self.pause = motor, motor.watchdog, clock, pause
        force = rig.to_record().channel("force")
        cell_n = force.limit if force is not None else None
        self.hand = MotorHand(motor, ceiling_n=cell_n or motor.force_n, peak_n=procedure.peak_net_n)
        self.limits = Limits(force_n=motor.force_n, travel_mm=motor.travel_mm, stall_s=motor.stall_s)
        self.within_s = parse_quantity(self.watchdog.within, "time")
        self._events = Events(4 * MOST_HEARD)
        self._port = Port(motor, self._events, clock, give_up_s=10 * BACK_S)
        self._talk = _Talk(motor)
        self._rates = {c.quantity: _stale_s(i.lines_per_s) for i in rig.instrument for c in i.channel}
        self._lines_s = next(1.0 / (i.lines_per_s or 50.0) for i in rig.instrument
                             if any(c.quantity == "force" for c in i.channel))
        self._still = {q: max(least, 1.5 * (c.resolution or 0.0)) for q, least in STILL.items()
                       if (c := rig.to_record().channel(q)) is not None}
        self._heard_s: dict[str, float] = {}         # host's time of the last fresh reading of a quantity
        self._ticks: dict[str, float] = {}           # its own time then
        self._fed_s = 0.0
        self._armed = self._is_open = self._is_ending = self._is_safe = False
        self._is_torn = self._is_unreachable = False
        self._told: str | None = None
        self._flooded, self._rate, self._news = 0, 1.0, False
        self._after: deque[tuple[float, str, float]] = deque(maxlen=500)       # since it was made safe

    # -- before a run --------------------------------------------------------------------------------

    def __enter__(self) -> Self:
        self.open()
        return self

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()

    @property
    def url(self) -> str:
        """The motor's port."""
        return self._port.url

    def open(self) -> None:
        """Open the motor's port and see that it is this motor; nothing is switched on.

        Raises
        ------
        RigError
            No such port, or something else behind it.
        """
        self._port.open()
        self._port.start()
        self._is_open = True

    def prove(self) -> list[Said]:
        """See that the watchdog bites: switch on, feed it, fall silent. The motor stands meanwhile.

        Where the rig file does not say what the motor says then (``says``), it cannot be proved from here,
        and that is said.

        Raises
        ------
        RigError
            It bit while it was fed, or did not bite, or the motor reports a fault. The motor was made safe.
        """
        if self.watchdog.says is None:
            return [Said("the watchdog of this motor cannot be proved from here (its file has no says): "
                         "prove it by hand, pull the cable while it runs in air", "poor")]
        try:
            self._arm()
            self._wait(1.5 * self.within_s, fed=True)
            if self._talk.has_tripped():
                raise RigError("the motor's watchdog stopped it although it was fed",
                               expected=f"quiet while {self.watchdog.feed!r} is sent every "
                               f"{1000 * self.within_s / FED_IN_TIME:.0f} ms", seen=self._talk.tripped,
                               remedy="check feed, within and says in the rig file")
            silent_s = self.clock()
            self._wait(1.25 * self.within_s + 0.3, fed=False)
            took_s = self.clock() - silent_s
            if not self._talk.has_tripped():
                raise RigError(
                    "the motor's watchdog does not bite: padlab does not drive this motor",
                    expected=f"a line like {self.watchdog.says} within {self.watchdog.within} of silence",
                    seen=self._talk.last or "silence",
                    remedy="see to the controller's watchdog, or check within and says in the rig file")
        except Halt as fault:
            raise RigError(f"the motor could not be tried: {fault}") from fault
        finally:
            self.make_safe()
        if not self._is_safe:
            raise RigError(f"the motor on {self.url} takes no more commands",
                           expected="a motor that can be stopped", seen="nothing can be sent",
                           remedy=f"{REACH_IN}; see to its cable")
        self._is_ending = self._is_safe = False
        self._talk.tripped = None
        return [Said("the motor's watchdog was tried: it stops the motor "
                     f"{took_s:.1f} s after padlab falls silent", "good")]

    def _wait(self, seconds: float, *, fed: bool) -> None:
        until = self.clock() + seconds
        while self.clock() < until and not self._talk.has_tripped():
            self._hear()
            if fed:
                self._feed()
            self.pause(0.01)
        self._hear()

    # -- during a run --------------------------------------------------------------------------------

    def see(self, source: Source, times: Array, values: Array) -> None:
        """Take readings of an instrument as they come, on its own time.

        Raises
        ------
        Halt
            A limit was passed; the motor must be made safe at once.
        """
        if not times.size:
            return
        for quantity in ("force", "displacement"):
            read = source.values(quantity, values)
            if read is None or not (real := np.isfinite(read)).any():
                continue
            when, seen = times[real], read[real]
            if float(when[-1]) > self._ticks.get(quantity, -np.inf):         # its clock goes on
                self._heard_s[quantity], self._ticks[quantity] = source.last_host_s, float(when[-1])
            self._after.extend((t, quantity, v) for t, v in zip(when[-20:].tolist(), seen[-20:].tolist(),
                                                                 strict=True))
            if quantity == "force":
                self._rate, self._news = source.timeline.rate, True
                self.hand.feel(when, seen)
                if not self._is_ending:
                    self.limits.force(seen.tolist())
            else:
                self.hand.look(seen)
                if not self._is_ending:
                    self.limits.place(self.hand.place_mm)

    def turn(self, follower: StepFollower) -> None:
        """One turn: hear, feed, judge, tell; the follower has seen all that came.

        Raises
        ------
        Halt
            The run must end; the motor must be made safe at once.
        """
        self._hear()
        now = self.clock()
        if follower.zero_n is None or not self.hand.is_ready:
            return                                        # nothing is switched on yet
        if not self._armed:
            self._arm()
        fresh = all(now - self._heard_s.get(q, -np.inf) <= self._rates[q] for q in ("force", "displacement"))
        if fresh and self._talk.has_tripped():
            raise Halt("the motor's own watchdog stopped it: padlab was too slow, or what it sends does not "
                       "arrive. See to the cable, close other programs, then start a new run")
        if fresh:
            self._feed()
        else:
            self._tell(self.hand.stand())
            if now - self._fed_s > self.within_s or self._talk.has_tripped():
                raise Halt("fresh readings stayed away, so that the motor was stopped: see to the "
                           "instruments' power and cables, then start a new run")
        if not (fresh and self._news):
            return
        self._news = False
        hand = self.hand
        if self.limits.is_pressed_too_hard:
            self._tell(hand.stand())
            return
        speed = hand.speed(follower, delay_s=self._delay_s)
        self.limits.motion(hand.time_s, hand.told_mm, hand.place_mm, hand.force_n)
        self._tell(speed)

    @property
    def _delay_s(self) -> float:
        """From a reading to the effect of what is told on it, in the rig's time [s]."""
        return (self.turn_s + 0.03) * self._rate + self._lines_s + 0.02

    def _arm(self) -> None:
        self._armed = True
        self._send(*self.file.start, self.watchdog.feed)
        self._fed_s = self.clock()

    def _feed(self) -> None:
        if self.clock() - self._fed_s >= self.within_s / FED_IN_TIME:
            self._send(self.watchdog.feed)
            self._fed_s = self.clock()

    def _tell(self, speed: float) -> None:
        text = self.file.stop if speed == 0.0 else self.file.speed_text(speed)
        if text != self._told:
            self._send(text)
            self._told = text

    def _send(self, *texts: str) -> None:
        """Some lines in one piece.

        Raises
        ------
        Halt
            The motor's port is gone.
        """
        for text in texts:
            self._talk.sent(text)
        try:
            self._port.command(self.file.line_end.join(texts))
        except (OSError, TypeError, AttributeError) as fault:      # AttributeError: it is being opened again
            self._is_torn = True
            raise Halt(f"the motor's port {self.url} does not take what is sent ({type(fault).__name__}): "
                       f"its own watchdog stops it. {REACH_IN}; see to its cable, then start a new run"
                       ) from fault

    def _hear(self) -> None:
        """What the motor said.

        Raises
        ------
        Halt
            A fault, its watchdog, a lost port, or talk without end.
        """
        count = 0
        while count < MOST_HEARD and not self._events.empty():
            event = self._events.get_nowait()
            if isinstance(event, Piece):
                count += len(event.data)
                self._talk.feed(event.data)
            elif isinstance(event, Lost | GivenUp):
                raise Halt(f"{event.reason}: the motor's own watchdog stops it. {REACH_IN}; see to its "
                           "cable, then start a new run")
        self._flooded = self._flooded + 1 if count >= MOST_HEARD else 0
        if self._flooded >= FLOODED_TURNS:
            raise Halt("the motor talks without end, so that a fault of it could not be heard: check its "
                       "baud rate and its rig file, then start a new run")
        if self._talk.fault is not None:
            raise Halt(f"the motor reports {self._talk.fault!r}: see to it with the motor switched off, then "
                       "start a new run")

    @staticmethod
    def words(said: Said) -> Said:
        """What was written for a hand, for whoever stands beside a motor: nobody is to reach in."""
        if said.tone != "prompt" or said.text.startswith("hands off"):
            return said
        return replace(said, text="hands off, the motor does it: " + said.text)

    # -- after it ----------------------------------------------------------------------------------

    def make_safe(self) -> list[Said]:
        """Stop, then make the rig safe, whatever came before; safe to call again.

        Returns
        -------
        list of Said
            What whoever stands there must know.
        """
        if self._is_safe or not self._is_open:
            return []
        self._is_ending, self._told = True, None
        self._is_safe = self._send_safe()            # only then: if this is broken off, close tries again
        armed, self._armed = self._armed, False
        self._after.clear()
        if self._is_safe:
            sent = Said(f"the motor is stopped and made safe ({self.file.safe!r} was sent)", "good")
            return [sent] if armed else []
        return [Said("THE MOTOR CANNOT BE REACHED: its own watchdog stops it within "
                     f"{self.watchdog.within}. {REACH_IN}", "poor")]

    def _send_safe(self) -> bool:
        """One piece of bytes, so that nothing can come between; a lost port is waited for a little."""
        until = self.clock() + (0.0 if self._is_unreachable else BACK_S)
        end = self.file.line_end
        while True:
            try:
                torn = end if self._is_torn else ""              # what was sent before may lack its end
                self._port.command(torn + self.file.stop + end + self.file.safe)
                return True
            except (OSError, TypeError, AttributeError) as fault:
                self._is_torn = True
                log.info("making the motor safe: %s", fault)
            if self.clock() >= until:
                self._is_unreachable = True
                return False
            self.pause(0.05)

    def aftermath(self) -> list[Said]:
        """Does it stand? Judged from what was read since it was made safe."""
        latest = {q: [v for _, name, v in self._after if name == q] for q in ("force", "displacement")}
        said = []
        for quantity, unit in (("displacement", "mm"), ("force", "N")):
            seen = latest[quantity][int(0.4 * len(latest[quantity])):]     # it may take a moment to stop
            if len(seen) < 8:
                continue
            rose = fmean(seen[-4:]) - fmean(seen[:4])
            if rose > self._still[quantity]:
                said.append(Said(f"IT STILL PRESSES ({rose:+.3f} {unit} since it was told to stop): use the "
                                 "stop switch NOW", "poor"))
                break
        last = latest["force"][-1] if latest["force"] else None
        if not said and last is not None and last > 1.0:
            said.append(Said(f"the pad is still under load ({last:.1f} N): relieve it, motor switched off"))
        return said

    def close(self) -> None:
        """Make it safe, and let its port go."""
        try:
            self.make_safe()
            self._drain()
        finally:
            self._is_open = False
            self._port.close()

    def _drain(self) -> None:
        """Let go only when the last words have left: closing a port may throw away what still waits."""
        until = self.clock() + DRAIN_S
        try:
            while self._port.waits_to_leave and self.clock() < until:
                self.pause(0.01)
        except (OSError, TypeError, AttributeError) as fault:      # lost, or a kind of port that cannot tell
            log.debug("draining: %s", fault)


def _stale_s(lines_per_s: float | None) -> float:
    """So old a reading is no longer fresh [s]."""
    return STALE_S if lines_per_s is None else max(STALE_S, STALE_LINES / lines_per_s)


class _Talk:
    """What a motor says, line by line: faults, and its watchdog. Echoes of what was sent are no news."""

    def __init__(self, motor: MotorFile) -> None:
        watchdog = motor.watchdog
        assert isinstance(watchdog, WatchdogFile)
        self._fault, self._says = (
            None if text is None else read_pattern(text, needs_groups=False).compiled
            for text in (motor.fault, watchdog.says))
        self._end = motor.line_end.encode("ascii")
        self._rest = b""
        self._sent: set[bytes] = set()
        self.fault: str | None = None
        self.tripped: str | None = None
        self.last: str | None = None

    def has_tripped(self) -> bool:
        """Whether its watchdog said that it stopped the motor."""
        return self.tripped is not None

    def sent(self, text: str) -> None:
        """Remember what was sent."""
        self._sent.add(text.encode("ascii"))

    def feed(self, data: bytes) -> None:
        """Take the next bytes."""
        *lines, rest = (self._rest + data).split(self._end)
        self._rest = rest[-LONGEST_LINE:]
        for line in lines:
            line = line[-LONGEST_LINE:].removesuffix(b"\r")
            if not line or line in self._sent:
                continue
            text = line[:120].decode("ascii", "backslashreplace")
            self.last = text
            if self._says is not None and self._says.fullmatch(line):
                self.tripped = self.tripped or text
            elif self._fault is not None and self._fault.fullmatch(line):
                self.fault = self.fault or text
