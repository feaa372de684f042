"""Serve a virtual rig on a port: the one loop between the rig's time and the host's.

Rig time runs ``speed`` times as fast as the host's; lines are handed over in batches, 50 a second. A
slow reader is waited for, up to 5 s, so that no line is lost unless a fault says so.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Executor, Future, ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np

from padlab.capture.virtual.faults import GONE_S, SPLIT_S, STALL_S, Fault
from padlab.capture.virtual.ports import ServedPort
from padlab.capture.virtual.session import Block, VirtualRig

BATCH_S = 0.02
SETTLE_S = 0.05
SLOW_READER_S = 5.0
_LONGEST_QUESTION = 512


@dataclass
class Service:
    """A rig being served.

    Parameters
    ----------
    rig : VirtualRig
        What is said.
    port : ServedPort
        Where it is said.
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
    port: ServedPort
    speed: float = 1.0
    once: bool = False
    say: Callable[[str], None] = field(default=lambda words: None)
    clock: Callable[[], float] = time.monotonic
    _stopping: threading.Event = field(default_factory=threading.Event, init=False, repr=False)

    def stop(self) -> None:
        """End soon; may be called from a signal handler or another thread."""
        self._stopping.set()

    def run(self) -> None:
        """Serve opening after opening until stopped (or once)."""
        self.rig.prepare()
        try:
            while not self._stopping.is_set():
                if self.port.opened(0.1) and self._opening() and self.once:
                    return
        finally:
            self.port.close()

    def _opening(self) -> bool:
        """Serve one program from its opening to its leaving; whether the procedure was played whole."""
        self.say("a program opened the port")
        self._pause(SETTLE_S)           # the program is still setting the line
        self._write(self.rig.greeting)
        with ThreadPoolExecutor(max_workers=1) as ahead:
            return self._tell(_Telling(self.rig, self.once, self.speed, self.clock, ahead))

    def _tell(self, telling: _Telling) -> bool:
        asked = b""
        while not self._stopping.is_set():
            heard = self.port.read(BATCH_S)
            if heard is None:
                self.say("the program left")
                return telling.passed
            *questions, asked = (asked + heard).replace(b"\r", b"\n").split(b"\n")
            asked = asked[-_LONGEST_QUESTION:]
            for question in questions:
                self._write(self.rig.reply(question))
            fault = telling.due_fault()
            if fault is not None and fault.kind == "stall":
                self.say(f"fault: stall at {fault.at_s:g} s")
                self._pause(STALL_S)
                telling.go_on_at(fault.at_s)
            elif fault is not None and fault.kind == "unplug":
                self.say(f"fault: unplug at {fault.at_s:g} s")
                if not self._unplugged():
                    return telling.passed
                telling.go_on_at(fault.at_s + GONE_S)
                asked = b""
            else:
                batch = telling.batch()
                if telling.splits():
                    self._write_in_pieces(batch)
                else:
                    self._write(batch)
        return telling.passed

    def _unplugged(self) -> bool:
        """Take the port away and bring it back; whether a program opened it again."""
        self.port.unplug()
        self._pause(GONE_S)
        if self._stopping.is_set():
            return False
        self.port.plug_in()
        while not self.port.opened(0.1):
            if self._stopping.is_set():
                return False
        self._pause(SETTLE_S)
        self._write(self.rig.greeting)
        self.say("the port was opened again")
        return True

    def _write(self, data: bytes) -> None:
        until = self.clock() + SLOW_READER_S
        while data and not self._stopping.is_set():
            went = self.port.write(data, 0.1)
            if went < 0:
                return
            data = data[went:]
            if went:
                until = self.clock() + SLOW_READER_S
            elif self.clock() > until:
                self.say(f"the program does not read: {len(data)} bytes were dropped")
                return

    def _write_in_pieces(self, data: bytes) -> None:
        at = 0
        for number in range(200):
            size = 1 + (number * 5) % 7
            self._write(data[at:at + size])
            at += size
            if at >= len(data):
                return
            time.sleep(0.0005)
        self._write(data[at:])

    def _pause(self, seconds: float) -> None:
        self._stopping.wait(seconds)


class _Telling:
    """One opening: which lines are due by the host's clock, and which faults."""

    def __init__(
        self, rig: VirtualRig, once: bool, speed: float, clock: Callable[[], float], ahead: Executor,
    ) -> None:
        blocks = rig.blocks(once=once)
        self.blocks, self.ahead = blocks, ahead
        self.clock, self.speed = clock, speed
        self.block = next(blocks)
        self.coming = self.work_ahead()     # the next pass is worked out while this one is told
        faults = rig.faults
        self.at = 0
        self.passed = False
        self.waiting = sorted((f for f in faults if f.kind in ("stall", "unplug")), key=lambda f: f.at_s)
        self.split = [f.at_s for f in faults if f.kind == "split"]
        self.began = clock()

    def work_ahead(self) -> Future[Block]:
        """Have the next block made in the background."""
        return self.ahead.submit(self.blocks.__next__)

    def now_s(self) -> float:
        """Rig time [s]."""
        return (self.clock() - self.began) * self.speed

    def go_on_at(self, rig_s: float) -> None:
        """Set the rig's time after it stood still; lines of a time before are never told."""
        self.began = self.clock() - rig_s / self.speed
        while self._next_s() < rig_s:
            self._take_until(rig_s)

    def due_fault(self) -> Fault | None:
        """The next stall or unplug, when all lines before it were told."""
        if not self.waiting or self._next_s() < self.waiting[0].at_s:
            return None
        return self.waiting.pop(0)

    def splits(self) -> bool:
        """Whether lines come in pieces now."""
        now = self._next_s()
        return any(at <= now <= at + SPLIT_S for at in self.split)

    def batch(self) -> bytes:
        """All lines that are due, up to the next fault."""
        until = self.now_s()
        if self.waiting:
            until = min(until, self.waiting[0].at_s)
        return b"".join(self._take_until(until))

    def _next_s(self) -> float:
        return float(self.block.time_s[self.at])

    def _take_until(self, rig_s: float) -> list[bytes]:
        """Lines of a time before ``rig_s``."""
        taken: list[bytes] = []
        while True:
            end = int(np.searchsorted(self.block.time_s, rig_s))
            taken += self.block.lines[self.at:end]
            self.at = max(self.at, end)
            if self.at < len(self.block.lines):
                return taken
            self.passed = self.passed or self.block.ends_pass
            waiting = self.clock()
            self.block, self.at = self.coming.result(), 0
            self.began += self.clock() - waiting       # the rig's time stood still
            self.coming = self.work_ahead()
            return taken
