r"""Procedure + rig -> Run: append-only, crash-safe, moved on by what the samples show.

    ports --Piece--> wire --Readings--> shelf (as sent)           nothing is ever held back for a step
                                   \--> axis --> steps --Said--> screen

One loop, in the caller's thread; the ports read in threads of their own. Whatever ends it (the
last step, Ctrl-C, a rig that is gone, too much force, a full disk), what came is kept. A process
that is killed loses what waited for the next flush: half a second.
"""

from __future__ import annotations

import contextlib
import logging
import time
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np
from numpy.typing import NDArray

from padlab.capture.advice import stands_still
from padlab.capture.events import Back, Event, Events, GivenUp, Lost, Piece
from padlab.capture.motor_limits import Halt
from padlab.capture.polled import port_for
from padlab.capture.port import GIVE_UP_S
from padlab.capture.procedure import Procedure
from padlab.capture.prompts import Said
from padlab.capture.rig import RigFile
from padlab.capture.source import Source
from padlab.capture.steps import StepFollower
from padlab.capture.timeline import steps_from
from padlab.capture.weights import WeightFollower
from padlab.errors import InputError
from padlab.marks import Mark, mark
from padlab.records.pad import Pad
from padlab.records.recording import Recording
from padlab.records.rig_record import RigRecord
from padlab.records.run import Run
from padlab.records.shelf import Shelf
from padlab.signals.judgement import judge
from padlab.signals.merge import lead_of, samples_from_raw

if TYPE_CHECKING:
    import pandas as pd

    from padlab.capture.endurance_follower import EnduranceFollower
    from padlab.capture.motor import Motor

Array = NDArray[np.float64]
Observe = Callable[["Recorder", Source, Array, Array], None]
"""Whoever looks on: the recorder, the instrument, times on the run's axis [s], its readings as they came."""
log = logging.getLogger(__name__)

TURN_S = 0.15
"""What has come is stored and looked at together this often [s]; a warning of too much force is no later."""
GAP_S = 1.0
"""A step of the axis over this (and over five lines of the rig) is a gap [s]."""
SILENT = "the rig fell silent"
LISTEN = "(padlab rigs NAME --listen shows what comes)"
NEXT = "see to its power and its cable, then start a new run"
UNLOAD = ("take the load off, see that the cell's zero is where it was (padlab rigs NAME --listen) and that "
          "its hard stop is set below its limit, then start a new run")
PATIENCE_S = 180.0
"""Nobody presses for so long: the run is ended and kept [s]."""
SHARE_OF_LIMIT = 0.8
"""A procedure must stay below this share of the cell's limit (science of the standard procedure)."""
AFTERMATH_S = 0.5
"""So long a motor is watched after it was stopped [s]."""
MANY_EVENTS = 64
"""With so many waiting there is no pause between two turns."""
MOST_BYTES = 1 << 20
"""Taken in one turn at most, so that what is due is written in time."""


class Screen(Protocol):
    """Who stands at the rig sees it."""

    def say(self, said: Said) -> None:
        """One sentence that stays."""

    def progress(self, text: str) -> None:
        """Where things stand; overwritten by the next."""


class Quit(Exception):  # noqa: N818  it ends a recording; it is no error
    """The recording ends before its procedure does; ``marks`` say why."""

    def __init__(self, reason: str, *marks: Mark) -> None:
        super().__init__(reason)
        self.marks = marks


def check_fits(rig: RigRecord, procedure: Procedure) -> None:
    """Refuse a procedure that this rig cannot do.

    Raises
    ------
    InputError
        A channel is missing, or it presses above 80 % of the cell's limit.
    """
    force = rig.channel("force")
    needed = {"force": not procedure.is_by_weights,
              "displacement": procedure.is_by_weights or procedure.kind in ("pad", "blank", "check")}
    for quantity, is_needed in needed.items():
        if is_needed and rig.channel(quantity) is None:
            raise InputError(f"rig {rig.name} measures no {quantity}, which procedure {procedure.name} needs",
                             expected=f"a channel with quantity {quantity}",
                             seen=", ".join(c.quantity for i in rig.instruments for c in i.channels))
    if force is None:
        return
    most = max((s.to_n for s in procedure.steps if s.to_n is not None), default=0.0)
    if force.limit is not None and most > SHARE_OF_LIMIT * force.limit:
        raise InputError(
            f"procedure {procedure.name} presses too hard for rig {rig.name}",
            expected=f"at most {SHARE_OF_LIMIT * force.limit:g} N, 80 % of the cell's {force.limit:g} N",
            seen=f"{most:g} N", remedy="lower peak_net_n, or use a stronger cell",
        )


def record(
    rig: RigFile,
    procedure: Procedure,
    shelf: Shelf,
    *,
    screen: Screen,
    pad: Pad | None = None,
    environment: dict[str, Any] | None = None,
    blank: str | None = None,
    calibrations: tuple[str, ...] = (),
    note: str | None = None,
    should_stop: Callable[[], bool] = lambda: False,
    on_begin: Callable[[Recording], None] = lambda recording: None,
    clock: Callable[[], float] = time.monotonic,
    wall: Callable[[], datetime] = lambda: datetime.now(UTC),
    patience_s: float = PATIENCE_S,
    give_up_s: float = GIVE_UP_S,
    derive: Callable[[Run], pd.DataFrame] | None = None,
    confirmed: Callable[[], bool] = lambda: False,
    yes_after_s: float | None = None,
    motor: Motor | None = None,
    observe: Observe | None = None,
    again: Callable[[], bool] = lambda: False,
    turn_s: float = TURN_S,
) -> Run:
    """Record one run.

    Parameters
    ----------
    rig : RigFile
        Which ports, and what comes over them.
    procedure : Procedure
        Its steps, as a hand does them.
    shelf : Shelf
        Where the run is kept.
    screen : Screen
        Shows what is to be done and what was seen.
    environment : dict, optional
        ``temperature_c``, ``humidity_percent``, ``conditioning``: what is known of them.
    calibrations : tuple of str
        Ids beside those that the rig file names: the skew of two instruments.
    should_stop : callable
        Asked several times a second; True ends the run as interrupted, all samples kept.
    on_begin : callable
        Called with the recording as soon as its folder is there.
    clock, wall : callable
        Monotonic seconds; the time of day.
    patience_s, give_up_s : float
        How long a hand may do nothing, and how long a lost rig is waited for, in the host's time [s].
    derive : callable, optional
        Makes the samples of the closed run; padlab's own way if not given.
    confirmed : callable
        Dead weights: asked several times a second, True once for each weight that the operator has put on.
    yes_after_s : float, optional
        Dead weights: confirm each by itself when the indicator has come to rest for so long, in the
        rig's time [s].
    motor : Motor, optional
        Open, and this rig's: it presses instead of a hand. It is made safe whatever ends the run.
    observe : callable, optional
        Looks on: called with readings that are kept already, before the steps see them; it must be quick.
    again : callable
        Pressed by hand: asked several times a second, True once for each press that is to be taken back.
    turn_s : float
        What has come is stored and looked at together this often [s]; a motor has its own.

    Returns
    -------
    Run
        Complete, or interrupted with the reason among its marks.

    Raises
    ------
    RigError
        A port that cannot be opened, or another rig behind it; no run is begun.
    InputError
        A procedure that this rig cannot do.
    RunError
        The shelf cannot be written; what was written before is kept.
    """
    remembered = rig.to_record()
    check_fits(remembered, procedure)
    events = Events()
    with ExitStack() as stack:
        for said in motor.prove() if motor is not None else ():
            screen.say(said)
        ports = [stack.enter_context(port_for(i, events, clock, give_up_s)) for i in rig.instrument]
        start_utc, start_s = wall(), clock()
        recording = shelf.begin(
            kind=procedure.kind, procedure=procedure.to_json(), pad=pad, rig=remembered,
            environment=environment or {}, blank=blank, note=note,
            calibrations=(*_calibrations(remembered), *calibrations),
            start_utc=start_utc, monotonic_s=start_s, clock=clock,
        )
        follower = WeightFollower(procedure, yes_after_s=yes_after_s) if procedure.is_by_weights \
            else StepFollower(procedure)
        recorder = Recorder(recording, follower, screen, clock, patience_s, give_up_s, confirmed, motor,
                            observe, again, turn_s)
        for port, instrument in zip(ports, remembered.instruments, strict=True):
            rate = next(i.lines_per_s for i in rig.instrument if i.name == instrument.name)
            gap_s = max(GAP_S, 5 / rate) if rate else 10 * GAP_S
            recorder.sources[instrument.name] = Source(port, instrument, start_s, gap_s, start_s)
        if procedure.needs_rest_h and not (environment or {}).get("conditioning"):
            recorder.marks.append(mark("rest_unknown", "run"))
        on_begin(recording)
        try:
            for port in ports:
                port.start()
            recorder.run(events, should_stop)
        except BaseException as fault:
            recorder.quit_for(fault)
            raise
        for port in ports:
            port.close()
        recorder.take_rest(events)
        return recorder.close(derive or _derive)


class Recorder:
    """The loop of a recording and what it knows."""

    def __init__(
        self, recording: Recording, follower: StepFollower | WeightFollower | EnduranceFollower,
        screen: Screen,
        clock: Callable[[], float], patience_s: float, give_up_s: float,
        confirmed: Callable[[], bool] = lambda: False, motor: Motor | None = None,
        observe: Observe | None = None, again: Callable[[], bool] = lambda: False, turn_s: float = TURN_S,
    ) -> None:
        self.observe, self.again = observe, again
        self.motor, self.turn_s = motor, turn_s if motor is None else motor.turn_s
        self.recording, self.screen, self.clock = recording, screen, clock
        self.patience_s, self.give_up_s = patience_s, give_up_s
        self.follower, self.confirmed = follower, confirmed
        self.sources: dict[str, Source] = {}
        self.marks: list[Mark] = []
        self._waiting: list[tuple[Array, Array]] = []      # times and readings not yet looked at
        self._looked_s = self._active_s = self._began_s = clock()
        self._told: set[str] = set()
        self._silent: set[str] = set()                     # who was said to be silent
        self._ended = False

    @property
    def lead(self) -> Source:
        """The instrument on whose time the run is: the one that measures force, if there is one."""
        return self.sources[lead_of(s.record for s in self.sources.values()).name]

    def run(self, events: Events, should_stop: Callable[[], bool]) -> None:
        """Take events until the procedure is done or something ends it."""
        self.screen.say(Said(self.follower.prompt()))
        try:
            try:
                while not self.follower.done:
                    if should_stop():
                        raise Quit("stopped by hand")
                    self._take_some(events)
                    self._look()
                    if self.motor is not None and isinstance(self.follower, StepFollower):
                        self.motor.turn(self.follower)
                    self.recording.tick()
                    self._mind_the_time()
                    self._wait_for(events)
            finally:
                self._leave_safe(events)                   # first of all, whatever ended it
        except (Quit, Halt) as end:
            self._look(is_over=True)
            reason = str(end)
            self.marks += [*end.marks, mark("interrupted", "run", f"the recording ended early: {reason}")]
            self.screen.say(Said(f"the run is ended and kept: {reason}", "poor"))

    def close(self, derive: Callable[[Run], pd.DataFrame] | None) -> Run:
        """End the recording with all that is known of it."""
        state: Any = "complete" if self.follower.done else "interrupted"
        for name, source in self.sources.items():
            counts = source.wire.counts
            if counts.bad_lines:
                self.marks.append(mark("bad_lines", name, f"{counts.bad_lines} line(s) were not readable, "
                                       f"{source.unreadable()}"))
            if counts.lost_lines:
                self.marks.append(mark("lost_lines", name, f"{counts.lost_lines} line(s) were lost"))
            if source.doubtful_gap is not None:
                self._gap(source, *source.doubtful_gap, SILENT)
            elif source.heard and source is not self.lead:
                self._mind_the_end(source)
            if source.has_gap or counts.restarts:
                self.marks.append(mark("gap", name))
        if self.follower.shortened:
            self.marks.append(mark("fewer_strokes_than_planned", "run",
                                   "the procedure went on with less: " + "; ".join(self.follower.shortened)))
        self.recording.keep_steps([a.to_json() for a in self.follower.attempts])
        return self.recording.close(state, marks=self.marks, derive=derive, judge=self._judge)

    def _judge(self, run: Run, samples: pd.DataFrame) -> list[Mark]:
        """What is wrong with the run is said at once, with what to do about it."""
        found = judge(samples, run.procedure, run.steps)
        for one in found:
            self.screen.say(Said(f"{one.mark.message}; {one.remedy}", "poor"))
        return [one.mark for one in found]

    def take_rest(self, events: Events) -> None:
        """What was read but not yet stored when the loop ended is stored too."""
        while not events.empty():
            event = events.get_nowait()
            if isinstance(event, Piece):
                source = self.sources[event.instrument]
                lines, times, values = source.take([event])
                if lines:
                    self._store(source, lines, times, values)

    def quit_for(self, fault: BaseException) -> None:
        """Something unforeseen ended the loop: keep what there is; the fault itself goes on."""
        self.marks.append(mark("interrupted", "run", f"the recording ended early: {type(fault).__name__}"))
        try:
            self.close(None)
        except (OSError, ValueError) as second:            # the disk is full, most likely, and stays so
            log.info("closing after %r: %s", fault, second)

    def _leave_safe(self, events: Events) -> None:
        """Stop the motor, if there is one, and see from some more readings that it stands."""
        self._ended = True
        if self.motor is None:
            return
        for one in self.motor.make_safe():
            self.screen.say(one)
        until = self.clock() + AFTERMATH_S
        while self.clock() < until:
            with contextlib.suppress(Quit, Halt):          # it is over already; what comes is kept
                self._take_some(events)
            time.sleep(self.turn_s)
        for one in self.motor.aftermath():
            self.screen.say(one)

    # -- one turn of the loop ----------------------------------------------------------------------

    def _wait_for(self, events: Events) -> None:
        """Sleep through the rest of this turn, unless more waits than one turn can take."""
        left = self._looked_s + self.turn_s - self.clock()
        if left > 0 and events.qsize() < MANY_EVENTS and not events.is_full:
            time.sleep(left)

    def _take_some(self, events: Events) -> None:
        """Take what waits, consecutive pieces of one instrument together."""
        pieces: list[Piece] = []
        count = 0
        while count < MOST_BYTES and not events.empty():
            event = events.get_nowait()
            if pieces and not (isinstance(event, Piece) and event.instrument == pieces[0].instrument):
                self._take_pieces(pieces)
                pieces = []
            if isinstance(event, Piece):
                pieces.append(event)
                count += len(event.data)
            else:
                self._take(event)
        if pieces:
            self._take_pieces(pieces)

    def _take(self, event: Event) -> None:
        source = self.sources[event.instrument]
        if isinstance(event, Lost):
            self._look(is_over=self._ended)
            source.lost, source.has_gap = event.reason, True
            if self.motor is not None:                     # it would start again by itself, unexpected
                raise Quit(f"{self._named(source, event.reason)}; {NEXT}")
            if self._serves(source):
                self._say_all(self.follower.lost())
            self.screen.say(Said(f"{self._named(source, event.reason)}; let go and plug it in again: "
                                 "waiting for the rig to come back", "poor"))
        elif isinstance(event, Back):
            source.wire.reopened(whole_from_start=event.known)
            source.standing.forget()
            source.last_host_s = self._active_s = event.host_s
            if self._serves(source):
                self._look()
                self._say_all(self.follower.lost())           # a press that began without it
            sure = "the same rig is back" if event.known else "a rig is back (it cannot say which)"
            self.screen.say(Said(f"{sure} on {event.url}", "good"))
            self.screen.say(Said(self.follower.prompt()))
        elif isinstance(event, GivenUp):
            source.has_gap = True
            raise Quit(f"{self._named(source, event.reason)}; {NEXT}")

    def _take_pieces(self, pieces: list[Piece]) -> None:
        source = self.sources[pieces[0].instrument]
        if source is not self.lead and self._is_away(source, pieces[0].host_s):
            self._without(source)
        before_s = source.timeline.now_s
        lines, times, values = source.take(pieces)
        if not lines:
            return
        self._store(source, lines, times, values)
        if self.observe is not None:
            self.observe(self, source, times, values)
        if source.record.name in self._silent:
            self._silent.remove(source.record.name)
            self.screen.say(Said(f"readings come from {source.record.name} again", "good"))
        cuts = self._mind_gaps(source, before_s, times)
        seen = source.values(self.follower.quantity, values)
        if seen is not None:
            for start, stop in zip([0, *cuts], [*cuts, times.size], strict=True):
                if start in cuts:
                    self._look()
                    self._say_all(self.follower.lost())
                self._waiting.append((times[start:stop], seen[start:stop]))
        if self.motor is not None:
            self.motor.see(source, times, values)
        if self._ended:
            return
        if source.stands:
            self._mind_standing(source)
        over = source.over_limit(values)
        if over is not None:
            self.screen.say(Said(f"STOP, let go: {over}" if self.motor is None else f"STOP: {over}", "poor"))
            raise Quit(f"{over}; {UNLOAD}", mark("over_range", "run", over))

    def _store(self, source: Source, lines: list[str], times: Array, values: Array) -> None:
        """Keep what came, as it was sent."""
        self.recording.append(source.record.name, lines)

    def _mind_standing(self, source: Source) -> None:
        """Without a clock no step ends and no time is known; without a counter lost lines are not seen."""
        words = stands_still(source.record.name, source.stands)
        if any(what.startswith("clock") for what in source.stands):
            raise Quit(f"{words}, then start a new run", mark("stands_still", source.record.name, words))
        if f"stands {source.record.name}" not in self._told:
            self._tell_once(f"stands {source.record.name}", f"{words}; lost lines are not seen meanwhile")
            self.marks.append(mark("stands_still", source.record.name, words))

    def _mind_gaps(self, source: Source, before_s: float, times: Array) -> list[int]:
        """Keep the gaps of an instrument; gives the places of the readings that follow one."""
        cuts = set()
        doubtful, source.doubtful_gap = source.doubtful_gap, None
        if doubtful is not None and times[0] >= doubtful[1]:
            self._gap(source, *doubtful, SILENT)
            cuts.add(0)
        if source.lost is not None:
            self._gap(source, before_s, float(times[0]), source.lost)
            source.lost, source.heard = None, False
            cuts.add(0)
        steps = steps_from(before_s if source.heard else float(times[0]), times)
        source.heard = True
        restarts = source.timeline.restarts
        for from_s, to_s in restarts[source.restarts_seen:]:
            self._gap(source, from_s, to_s, "the rig was restarted: its clock began anew")
            cuts.update(np.flatnonzero(times == to_s).tolist())
        source.restarts_seen = len(restarts)
        for i in sorted(set(np.flatnonzero(steps > source.gap_s).tolist()) - cuts):
            gap = (float(times[i] - steps[i]), float(times[i]))
            if i == times.size - 1:
                source.doubtful_gap = gap
            else:
                self._gap(source, *gap, SILENT)
                cuts.add(i)
        return sorted(cuts)

    def _gap(self, source: Source, from_s: float, to_s: float, reason: str) -> None:
        """Keep a gap, given on the time of its instrument, on the run's."""
        source.has_gap = True
        lead = self.lead
        if source is not lead:
            at = (lead.timeline.at_host(source.timeline.host_at(t)) for t in (from_s, to_s))
            from_s, to_s = (max(0.0, t) for t in at)
        if to_s > from_s:
            self.recording.add_gap(from_s, to_s, self._named(source, reason))

    def _mind_the_end(self, source: Source) -> None:
        """An instrument that had fallen silent before the run ended left a gap up to the end."""
        end_s = source.timeline.at_host(self.lead.timeline.host_at(self.lead.timeline.now_s))
        if end_s - source.timeline.now_s > source.gap_s:
            self._gap(source, source.timeline.now_s, end_s, source.lost or SILENT)

    def _named(self, source: Source, text: str) -> str:
        return text if len(self.sources) == 1 else f"{source.record.name}: {text}"

    def _serves(self, source: Source) -> bool:
        """Whether a step cannot be done well without this instrument."""
        if source is self.lead or self.follower.quantity != "force":
            return any(c.quantity == self.follower.quantity for c in source.record.channels)
        return self.follower.procedure.kind != "touch" and any(
            c.quantity == "displacement" for c in source.record.channels)

    def _is_away(self, source: Source, now_s: float) -> bool:
        """Whether an instrument beside the leading one is lost, or has been silent for too long."""
        return source.lost is not None or now_s - source.last_host_s > source.gap_s

    def _without(self, source: Source) -> None:
        """What is pressed while an instrument is away does not count."""
        if self._serves(source):
            self._look()
            self._say_all(self.follower.lost())

    def _look(self, *, is_over: bool = False) -> None:
        """Let the steps see what has come since the last look; once it is over nothing more is asked for."""
        self._looked_s = now = self.clock()
        if isinstance(self.follower, WeightFollower) and self.confirmed():
            self.follower.confirm()
        if isinstance(self.follower, StepFollower) and self.motor is None and self.again():
            self._say_all(self.follower.again())
        if self._waiting:
            times, seen = (np.concatenate(column) for column in zip(*self._waiting, strict=True))
            self._waiting.clear()
            said = self.follower.feed(times, seen)
            self._say_all([one for one in said if one.tone == "good"] if is_over else said)
        if is_over:
            return
        others = [s for s in self.sources.values() if s is not self.lead]
        if any(self._serves(s) and self._is_away(s, now) for s in others):
            self._say_all(self.follower.lost())
        self.screen.progress(self.follower.progress())

    def _say_all(self, said: list[Said]) -> None:
        if said or self.follower.is_active:
            self._active_s = self.clock()
        for one in said:
            self.screen.say(one if self.motor is None else self.motor.words(one))

    def _mind_the_time(self) -> None:
        """Who or what has done nothing for too long?"""
        now = self.clock()
        for name, source in self.sources.items():
            silent_s = now - source.last_host_s
            if source.lost is None and silent_s > 5.0:
                self._silent.add(name)
                self._tell_once(f"silent {source.last_host_s}", (
                    f"only what cannot be read comes from {name}, {source.unreadable()} {LISTEN}"
                    if source.only_bad else f"nothing comes from {name}: is it switched on?"))
                if silent_s > self.give_up_s:
                    source.has_gap = True
                    what, then = ("only what cannot be read", source.unreadable()) if source.only_bad \
                        else ("nothing", NEXT)
                    raise Quit(f"{what} came from {name} for {self.give_up_s:g} s; {then}")
            elif source.many_bad:
                self._tell_once(f"bad {name}", f"many lines from {name} cannot be read, "
                                f"{source.unreadable()} {LISTEN}")
        noise = self.follower.noise_n
        if self.follower.zero_n is None and noise is not None and now - self._began_s > 10.0:
            self._tell_once("noise", f"the force is not at rest (noise {noise:.3f} N): hands off, no knocks")
        if now - self._active_s > self.patience_s and all(s.lost is None for s in self.sources.values()):
            who = "nobody" if self.motor is None else "the motor has not"
            raise Quit(f"{who} pressed for {self.patience_s:g} s")

    def _tell_once(self, key: str, text: str) -> None:
        if key not in self._told:
            self._told.add(key)
            self.screen.say(Said(text, "poor"))


def _calibrations(rig: RigRecord) -> tuple[str, ...]:
    return tuple(sorted({c.calibration for i in rig.instruments for c in i.channels if c.calibration}))


def _derive(run: Run) -> pd.DataFrame:
    from padlab.records.raw_log import read_raw

    return samples_from_raw(run, read_raw(run))
