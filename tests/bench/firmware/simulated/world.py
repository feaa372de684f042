"""The bench around the board: its time, the edges of its scale, its bridge converter. Whole numbers only.

Runs under MicroPython. Nothing in it takes memory once it has begun, so that the firmware can be run
with the heap locked. Time passes only when the firmware does something, each thing at its own cost.
"""

from array import array

PIN_US, TICKS_US, HANDLER_US, LINE_US = 2, 1, 8, 2500
"""What a look at a pin, at the clock, an interrupt and telling a line cost on a slow board."""
LAST_TICK = (1 << 30) - 1
"""After it the board's ticks begin at 0; it is also the last number that takes no memory."""
NEVER = LAST_TICK


def read_counts(path):
    """Whole numbers of four bytes, one a millisecond."""
    with open(path, "rb") as file:
        return array("i", file.read())


class World:
    """Everything that the pins see."""

    def __init__(self, force, place, faults, period_us, first_ticks, least_sleep_us):
        self.force, self.place = force, place              # counts of the converter and of the scale
        self.faults = tuple(tuple(f) for f in faults)      # (what, from_ms, to_ms)
        self.now = 0
        self.first_ticks, self.least_sleep_us = first_ticks, least_sleep_us
        self.end_us = 1000 * (len(place) - 1)
        self.bridge = Converter(self, period_us)
        self.position = place[0]
        self.handlers = [None, None]                       # of A and of B
        self.pending = [False, False]
        self.masked = 0
        self._ms, self._done, self._steps = -1, 0, 0
        self._next = self._find_next()

    def ticks(self):
        left = LAST_TICK - self.first_ticks
        return self.now - left - 1 if self.now > left else self.first_ticks + self.now

    def fault(self, what):
        if not self.faults:
            return False
        ms = self.now // 1000
        for name, from_ms, to_ms in self.faults:
            if name == what and from_ms <= ms < to_ms:
                return True
        return False

    def a(self):
        return self.position >> 1 & 1

    def b(self):
        return self.position + 1 >> 1 & 1

    def spend(self, us):
        """Let time pass; edges come when they come, and interrupts prolong what they interrupt."""
        until = self.now + us
        if self._next > until:                             # nearly always
            self.now = until
            return
        while self._next <= until:
            self.now = max(self.now, self._next)
            self._edge()
            until += self.serve()
        self.now = max(self.now, until)

    def serve(self):
        """Call the handlers that wait, unless interrupts are off; how long that took."""
        began = self.now
        while not self.masked and (self.pending[0] or self.pending[1]):
            which = 0 if self.pending[0] else 1
            self.pending[which] = False
            self.masked += 1
            self.spend(HANDLER_US)
            self.handlers[which](None)
            self.masked -= 1
        return self.now - began

    def _edge(self):
        before = self.a()
        self.position += 1 if self._steps > 0 else -1
        which = 0 if self.a() != before else 1
        if self.handlers[which] is not None:
            self.pending[which] = True
        self._done += 1
        self._next = self._find_next()

    def _find_next(self):
        """When the next edge comes: the steps of a millisecond are spread evenly over it."""
        place = self.place
        while self._done >= abs(self._steps):
            self._ms += 1
            if self._ms + 1 >= len(place):
                return NEVER
            self._steps, self._done = place[self._ms + 1] - place[self._ms], 0
        return 1000 * self._ms + 1000 * (self._done + 1) // (abs(self._steps) + 1)


class Converter:
    """A 24-bit bridge converter: the mean of the last 50 ms, a new one every period."""

    MEAN_MS = 50

    def __init__(self, world, period_us):
        self.world, self.period_us = world, period_us
        self.ready_at = period_us
        self.number = 0
        self.shown = 1                  # what the data pin shows while a number is clocked out
        self.pulses = 0
        self.clock_level, self.rose_at = 0, 0
        self._random = 1

    def data(self):
        world = self.world
        if world.fault("data high"):
            return 1
        if world.fault("data low"):
            return 0
        if self.pulses:
            return self.shown
        return 0 if world.now >= self.ready_at else 1

    def clock(self, level):
        world = self.world
        if level == self.clock_level:
            return
        self.clock_level = level
        if level:
            self.rose_at = world.now
            if self.pulses or world.now >= self.ready_at:
                self._shift()
        elif world.now - self.rose_at > 60:                # it was switched off, and begins anew
            self.pulses, self.ready_at = 0, world.now + 4 * self.period_us
        elif self.pulses == 25:
            self.pulses = 0
            behind = (world.now - self.ready_at) // self.period_us
            self.ready_at += (behind + 1) * self.period_us

    def _shift(self):
        if not self.pulses:
            self.number = self._convert() & 0xFFFFFF
        self.pulses += 1
        self.shown = self.number >> 24 - self.pulses & 1 if self.pulses <= 24 else 1

    def _convert(self):
        world = self.world
        if world.fault("saturated"):
            return 8388607
        if world.fault("frozen"):
            return self.number
        ms = min(self.ready_at // 1000, len(world.force) - 1)
        total, count, i = 0, 0, max(0, ms - self.MEAN_MS + 1)
        while i <= ms:
            total += world.force[i]
            count += 1
            i += 1
        self._random = self._random * 1103 + 12345 & 0xFFFF
        return total // count + (self._random >> 8) - 128


here = None
"""The world that the simulated modules share; ``play`` makes it."""
