r"""Serve a virtual rig: a port and a thread for each instrument, one rig time for all.

    ports --opened, all of them--> rig time begins --due--> lines          what streams
                                                  \--asked--> an answer    what only answers

Rig time runs ``speed`` times as fast as the host's; lines are handed over in batches, 50 a second. A
slow reader is waited for, up to 5 s, so that no line is lost unless a fault says so.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from padlab.capture.virtual.faults import GONE_S, LINES_LOST, SPLIT_S, STALL_S, Fault, befalling
from padlab.capture.virtual.ports import ServedPort
from padlab.capture.virtual.session import Block, VirtualRig
from padlab.capture.virtual.voices import Talk, Voice

BATCH_S = 0.02
SETTLE_S = 0.05
SLOW_READER_S = 5.0


@dataclass
class Service:
    """A rig being served.

    Parameters
    ----------
    rig : VirtualRig
        What is said.
    ports : mapping
        Where each instrument says it.
    speed : float
        Seconds of rig time in one second of the host's.
    once : bool
        End when the procedure was played and the program left.
    say : callable
        Takes words for the person beside the rig.
    clock : callable
        The host's monotonic clock [s].
    """

    rig: VirtualRig
    ports: Mapping[str, ServedPort]
    speed: float = 1.0
    once: bool = False
    say: Callable[[str], None] = field(default=lambda words: None)
    clock: Callable[[], float] = time.monotonic

    def __post_init__(self) -> None:
        self._stopping = threading.Event()
        self._lock = threading.Lock()
        self._story: _Story | None = None
        self._faults: list[BaseException] = []

    def stop(self) -> None:
        """End soon; may be called from a signal handler or another thread."""
        self._stopping.set()

    def run(self) -> None:
        """Serve opening after opening until stopped (or once)."""
        self.rig.prepare()
        threads = [threading.Thread(target=self._serve, args=(voice,), name=f"rig-{voice.name}")
                   for voice in self.rig.voices]
        try:
            with ThreadPoolExecutor(max_workers=1) as self._ahead:
                for thread in threads:
                    thread.start()
                while any(t.is_alive() for t in threads):
                    self._stopping.wait(0.1)
                    threads[0].join(0.02)
        finally:
            self.stop()
            for thread in threads:
                thread.join()
            for port in self.ports.values():
                port.close()
        if self._faults:
            raise self._faults[0]

    def _serve(self, voice: Voice) -> None:
        port = self.ports[voice.name]
        try:
            while not self._stopping.is_set():
                if port.opened(0.1):
                    story = self._enter(voice)
                    _Outlet(self, voice, port, story).tell()
                    self._leave(voice, story)
        except BaseException as fault:
            self._faults.append(fault)
            self.stop()

    def _enter(self, voice: Voice) -> _Story:
        """A program opened this port."""
        several = len(self.rig.voices) > 1
        self.say("a program opened the port" + (f" of {voice.name}" if several else ""))
        with self._lock:
            if self._story is None:
                self._story = _Story(self.rig, self.once, self.speed, self.clock, self._ahead)
            story = self._story
            story.present.add(voice.name)
        return story

    def begin(self, voice: Voice, story: _Story) -> None:
        """One port is ready; rig time begins when all are."""
        with self._lock:
            story.ready.add(voice.name)
            missing = [v.name for v in self.rig.voices if v.name not in story.ready & story.present]
            if not missing:
                story.begin()
            elif story.began is None:
                self.say("time stands still until a program opens " + ", ".join(missing) + " too")

    def _leave(self, voice: Voice, story: _Story) -> None:
        several = len(self.rig.voices) > 1
        self.say("the program left" + (f" {voice.name}" if several else ""))
        with self._lock:
            story.present.discard(voice.name)
            if not story.present:
                self._story = None
                if self.once and story.passed:
                    self.stop()

    def wait(self, seconds: float) -> bool:
        """Pause; whether the service is to end."""
        return self._stopping.wait(seconds)

    @property
    def is_stopping(self) -> bool:
        """Whether it is to end."""
        return self._stopping.is_set()


class _Story:
    """One opening: the rig's time, and what every instrument says in it."""

    def __init__(
        self, rig: VirtualRig, once: bool, speed: float, clock: Callable[[], float], ahead: Executor,
    ) -> None:
        self.present: set[str] = set()
        self.ready: set[str] = set()
        self.began: float | None = None
        self.passed = False
        self.speed, self.clock = speed, clock
        self._lock = threading.Lock()
        self._passes, self._ahead, self._once = rig.passes(once=once), ahead, once
        self._told: dict[int, tuple[Block, ...]] = {0: next(self._passes)}
        self._coming: Future[tuple[Block, ...]] = self._work_ahead()

    def begin(self) -> None:
        """Let the rig's time begin, if it has not."""
        self.began = self.clock() if self.began is None else self.began

    def now_s(self) -> float:
        """Rig time [s]."""
        return 0.0 if self.began is None else (self.clock() - self.began) * self.speed

    def stand_at(self, rig_s: float) -> None:
        """Set the rig's time after it stood still."""
        self.began = self.clock() - rig_s / self.speed

    def blocks(self, number: int) -> tuple[Block, ...]:
        """The blocks of some seconds; each is worked out while the one before is told."""
        with self._lock:
            if number not in self._told:
                waiting = self.clock()
                self._told[number] = self._coming.result()
                if self.began is not None:
                    self.began += self.clock() - waiting       # the rig's time stood still
                self._coming = self._work_ahead()
                self._told.pop(number - 3, None)
            return self._told[number]

    def _work_ahead(self) -> Future[tuple[Block, ...]]:
        return self._ahead.submit(self._passes.__next__)


class _Outlet:
    """One instrument from the opening of its port to the leaving of the program."""

    def __init__(self, service: Service, voice: Voice, port: ServedPort, story: _Story) -> None:
        self.service, self.voice, self.port, self.story = service, voice, port, story
        self.place = service.rig.voices.index(voice)
        self.number, self.at = 0, 0                      # which block, and the next line in it
        self.is_alone = len(service.rig.voices) == 1
        faults = befalling(service.rig.faults, voice.name)
        self.waiting = sorted((f for f in faults if f.kind in ("stall", "unplug")), key=lambda f: f.at_s)
        self.split = [f.at_s for f in faults if f.kind == "split"]
        self.mute = [] if voice.streams else [f.at_s for f in faults if f.kind == "lost"]
        self.garbage = [] if voice.streams else sorted(f.at_s for f in faults if f.kind == "garbage")
        now_s = story.now_s()
        if now_s > 1.0:                                  # it comes back into a story that goes on
            self.go_on_at(now_s)
            self.waiting = [f for f in self.waiting if f.at_s > now_s]

    def tell(self) -> None:
        """Say what is due and answer what is asked until the program leaves."""
        self.service.wait(SETTLE_S)                      # the program is still setting the line
        self.write(self.voice.greeting)
        self.service.begin(self.voice, self.story)
        talk = self.voice.talk()
        while not self.service.is_stopping:
            heard = self.port.read(BATCH_S)
            if heard is None:
                return
            if heard:
                self.answer(talk, heard)
            fault = self.due_fault()
            if fault is not None and fault.kind == "stall":
                self.service.say(f"fault: stall at {fault.at_s:g} s")
                self.service.wait(STALL_S)
                self.go_on_at(self.resumed(fault.at_s))
            elif fault is not None:
                self.service.say(f"fault: unplug at {fault.at_s:g} s")
                if not self.unplugged():
                    return
                self.go_on_at(self.resumed(fault.at_s + GONE_S))
                talk = self.voice.talk()
            elif self.voice.streams:
                batch = self.batch()
                if self.splits():
                    self.write_in_pieces(batch)
                else:
                    self.write(batch)
            else:
                self.now_row()

    def answer(self, talk: Talk, heard: bytes) -> None:
        """Answer, unless a fault keeps it from answering."""
        said, now_s = talk.hear(heard, self.now_row()), self.story.now_s()
        if any(at_s <= now_s <= at_s + LINES_LOST / self.asked_hz for at_s in self.mute):
            return
        if said and self.garbage and now_s >= self.garbage[0]:
            self.garbage.pop(0)
            said = said[:len(said) // 2] + b"\xff\x00" + said[len(said) // 2:]
        if said and self.splits():
            self.write_in_pieces(said)
        else:
            self.write(said)

    @property
    def asked_hz(self) -> float:
        """How often a program is meant to ask."""
        return float(self.voice.instrument.lines_per_s or 1.0)

    def resumed(self, rig_s: float) -> float:
        """Rig time after a fault: alone it stood still, beside others it went on."""
        if not self.is_alone:
            return self.story.now_s()
        self.story.stand_at(rig_s)
        return rig_s

    def unplugged(self) -> bool:
        """Take the port away and bring it back; whether a program opened it again."""
        self.port.unplug()
        self.service.wait(GONE_S)
        if self.service.is_stopping:
            return False
        self.port.plug_in()
        while not self.port.opened(0.1):
            if self.service.is_stopping or (not self.is_alone and self.story.present == {self.voice.name}):
                return False
        self.service.wait(SETTLE_S)
        self.write(self.voice.greeting)
        self.service.say("the port was opened again")
        return True

    # -- what is due -------------------------------------------------------------------------------

    @property
    def block(self) -> Block:
        """What is being told."""
        return self.story.blocks(self.number)[self.place]

    def next_block(self) -> None:
        """Go on to the next seconds."""
        self.story.passed = self.story.passed or self.block.ends_pass
        self.number, self.at = self.number + 1, 0

    def next_s(self) -> float:
        """The time of the next line [s]; of what only answers the time now."""
        return float(self.block.time_s[self.at]) if self.voice.streams else self.story.now_s()

    def go_on_at(self, rig_s: float) -> None:
        """Pass over the lines of a time before."""
        while self.voice.streams and self.next_s() < rig_s:
            self.take_until(rig_s)

    def due_fault(self) -> Fault | None:
        """The next stall or unplug, when all lines before it were told."""
        if not self.waiting or self.next_s() < self.waiting[0].at_s:
            return None
        return self.waiting.pop(0)

    def splits(self) -> bool:
        """Whether lines come in pieces now."""
        now = self.next_s()
        return any(at <= now <= at + SPLIT_S for at in self.split)

    def batch(self) -> bytes:
        """All lines that are due, up to the next fault."""
        if self.story.began is None:
            return b""
        until = self.story.now_s()
        if self.waiting:
            until = min(until, self.waiting[0].at_s)
        return b"".join(self.take_until(until))

    def take_until(self, rig_s: float) -> list[bytes]:
        """Lines of a time before ``rig_s``."""
        block = self.block
        end = int(np.searchsorted(block.time_s, rig_s))
        taken = block.lines[self.at:end]
        self.at = max(self.at, end)
        if self.at >= len(block.lines):
            self.next_block()
        return taken

    def now_row(self) -> NDArray[np.float64]:
        """What this instrument measured last; what streams is not asked for it."""
        if self.voice.streams:
            return np.zeros(0)
        now_s = self.story.now_s()
        while now_s > self.block.time_s[-1]:
            self.next_block()
        block = self.block
        place = max(0, int(np.searchsorted(block.time_s, now_s, "right")) - 1)
        return np.asarray(block.values[place], dtype=np.float64)

    # -- writing -----------------------------------------------------------------------------------

    def write(self, data: bytes) -> None:
        """Write all, waiting for a slow reader for a while."""
        clock = self.service.clock
        until = clock() + SLOW_READER_S
        while data and not self.service.is_stopping:
            went = self.port.write(data, 0.1)
            if went < 0:
                return
            data = data[went:]
            if went:
                until = clock() + SLOW_READER_S
            elif clock() > until:
                self.service.say(f"the program does not read: {len(data)} bytes were dropped")
                return

    def write_in_pieces(self, data: bytes) -> None:
        """Write in small pieces."""
        at = 0
        for number in range(200):
            size = 1 + (number * 5) % 7
            self.write(data[at:at + size])
            at += size
            if at >= len(data):
                return
            time.sleep(0.0005)
        self.write(data[at:])
