"""Firmware of the bench that one can build: a bridge converter and a scale, told as lines over USB.

For any board with MicroPython, 3.3 V pins and USB; saved on it as ``main.py`` it starts by itself.
``README.md`` beside this file has the parts, the wiring and the cautions; ``built-bench.toml`` one
folder up tells padlab what the lines mean:

    # built-bench 1                          who it is: at the start, and when it is asked "?"
    17,212500,-48211,5023*7A0C               counter,clock,force,displacement*CRC-16
    !force: the converter says nothing       a trouble; no reading, and padlab counts it as a bad line

One line for each number of the converter. The counter goes from 65535 to 0 and the clock, in
microseconds, from 999999999 to 0. Force and displacement of a line belong to one moment.

Nothing that is done again and again takes memory, so the collector never stops the clock; a test runs
it with the heap locked. All numbers stay below 2**30, where MicroPython needs no memory for them.
"""

import select
import sys
import time

IDENTITY = b"# built-bench 1\n"

# -- what depends on how it is built: pins are the board's own numbers -------------------------------

BRIDGE_CLOCK_PIN = 2
BRIDGE_DATA_PIN = 3
SCALE_A_PIN, SCALE_B_PIN = 4, 5
FORCE_LATE_US = 25000           # how much later than the truth the converter's number is; README, Timing

# -- the rest seldom needs a change ------------------------------------------------------------------

COUNTER_END = 65536
CLOCK_END = 1000000000
PAUSE_US = 50                   # between two looks at the pins
SETTLING = 4                    # numbers after a start that the converter's filter has not settled for
SILENT_US = 300000              # a converter that says nothing for so long is in trouble
FROZEN = 80                     # the same number so often: a live bridge never shows that
SATURATED = (8388607, -8388608)  # ... but an overloaded one does; padlab's limit sees to that
AFTER_MISSED_US = 2000000       # no readings for so long after a missed edge: padlab leaves that press out
COMPLAIN_US = 250000            # at most so often

BRIDGE_SILENT = b"!force: the converter says nothing\n"
BRIDGE_LOW = b"!force: the data line stays low\n"
BRIDGE_FROZEN = b"!force: the same number again and again\n"
EDGE_MISSED = b"!displacement: an edge was missed, its zero has moved\n"


class Bridge:
    """A 24-bit bridge converter with two wires: it pulls data low, the board clocks the bits out.

    25 pulses a number: the last one chooses the first input with its highest gain. A clock that stays
    high for over 60 us switches the converter off, so that no interrupt may come in a pulse.
    """

    def __init__(self, machine, clock, data):
        self._machine, self._clock, self._data = machine, clock, data
        self._last = 0
        self.repeats = 0                # how often the last number came again
        self.restart()

    def restart(self):
        """Switch it off and on; its first numbers after that are not to be used."""
        self._clock.value(1)
        time.sleep_us(100)
        self._clock.value(0)
        self.unsettled = SETTLING

    def is_ready(self):
        """Whether a new number waits."""
        return not self._data.value()

    def is_stuck(self):
        """Asked just after a number: whether data stays low, as it does when it is torn off or shorted."""
        return not self._data.value()

    def read(self):
        """Clock the number out."""
        number = 0
        for _ in range(24):
            number = number << 1 | self._pulse()
        self._pulse()
        if number & 0x800000:
            number -= 0x1000000
        self.repeats = self.repeats + 1 if number == self._last else 0
        self._last = number
        return number

    def _pulse(self):
        state = self._machine.disable_irq()
        self._clock.value(1)
        bit = self._data.value()
        self._clock.value(0)
        self._machine.enable_irq(state)
        return bit


MISSED = 2
# From the last state of A and B (two bits) and the present one: a step back, none, one on, or a missed edge.
STEPS = (0, 1, -1, MISSED, -1, 0, MISSED, 1, 1, MISSED, 0, -1, MISSED, -1, 1, 0)


class Quadrature:
    """A scale with two square waves; counts every edge, and sees when two came at once: one was missed.

    Four at once look like none, but no hand gets that fast without a moment of two at once before. It
    cannot know that it is unplugged: that looks like a scale at rest.
    """

    def __init__(self, machine, a, b):
        self._a, self._b = a, b
        self.position = 0
        self.missed = 0
        self._state = a.value() << 1 | b.value()
        both = machine.Pin.IRQ_RISING | machine.Pin.IRQ_FALLING
        on_interrupt(a, self._edge, both)
        on_interrupt(b, self._edge, both)

    def _edge(self, pin):
        state = self._a.value() << 1 | self._b.value()
        step = STEPS[self._state << 2 | state]
        self._state = state
        if step == MISSED:
            self.missed += 1
        else:
            self.position += step


def on_interrupt(pin, handler, trigger):
    """Have a handler called at an edge: at once where the board can, else as soon as it may."""
    try:
        pin.irq(handler=handler, trigger=trigger, hard=True)
    except (TypeError, ValueError):
        pin.irq(handler=handler, trigger=trigger)


class Past:
    """Where the scale stood in the last hundredths of a second."""

    KEPT = 64                           # a power of two

    def __init__(self, late_us):
        self._every = max(1000, late_us // 48)
        self._ticks = [0] * self.KEPT
        self._positions = [0] * self.KEPT
        self._newest = -1               # of all that were kept, counted from 0

    def keep(self, now, position):
        """Keep a position, unless the last one is too fresh."""
        newest = self._newest
        if newest < 0 or time.ticks_diff(now, self._ticks[newest & 63]) >= self._every:
            newest = newest + 1 if newest < CLOCK_END else newest + 1 - self.KEPT
            self._ticks[newest & 63] = now
            self._positions[newest & 63] = position
            self._newest = newest

    def position_at(self, now, position, late):
        """Where it stood ``late`` microseconds ago, on the straight line between two kept ones."""
        after, after_age = position, 0
        oldest = max(self._newest - 63, 0)
        i = self._newest
        while i >= oldest:
            age = time.ticks_diff(now, self._ticks[i & 63])
            before = self._positions[i & 63]
            if age >= late:
                span = max(age - after_age, 1)
                return before + (2 * (after - before) * (age - late) + span) // (2 * span)
            after, after_age = before, age
            i -= 1
        return after


# CRC-16 with polynomial 0x1021 (ITU-T V.41) from 0xFFFF, four bits at a time.
CRC_STEPS = (0x0000, 0x1021, 0x2042, 0x3063, 0x4084, 0x50A5, 0x60C6, 0x70E7,
             0x8108, 0x9129, 0xA14A, 0xB16B, 0xC18C, 0xD1AD, 0xE1CE, 0xF1EF)
HEX = b"0123456789ABCDEF"


class Line:
    """One line, written into the same bytes again and again."""

    def __init__(self):
        self._text = bytearray(64)
        whole = memoryview(self._text)
        self._first = [whole[:n] for n in range(65)]     # made once: making one takes memory

    def of(self, counter, clock, force, displacement):
        """The bytes of a line with its checksum and end; good until the next call."""
        end = self._number(0, counter)
        end = self._number(self._comma(end), clock)
        end = self._number(self._comma(end), force)
        end = self._number(self._comma(end), displacement)
        return self._first[self._checksum(end)]

    def _comma(self, at):
        self._text[at] = 44
        return at + 1

    def _number(self, at, value):
        text = self._text
        if value < 0:
            text[at] = 45
            at += 1
            value = -value
        end, left = at + 1, value // 10
        while left:
            end += 1
            left //= 10
        i = end
        while i > at:
            i -= 1
            text[i] = 48 + value % 10
            value //= 10
        return end

    def _checksum(self, end):
        text, crc, i = self._text, 0xFFFF, 0
        while i < end:
            byte = text[i]
            crc = (crc << 4 & 0xFFFF) ^ CRC_STEPS[crc >> 12 ^ byte >> 4]
            crc = (crc << 4 & 0xFFFF) ^ CRC_STEPS[crc >> 12 ^ byte & 15]
            i += 1
        text[end] = 42
        text[end + 1] = HEX[crc >> 12]
        text[end + 2] = HEX[crc >> 8 & 15]
        text[end + 3] = HEX[crc >> 4 & 15]
        text[end + 4] = HEX[crc & 15]
        text[end + 5] = 10
        return end + 6


class Host:
    """Whoever listens over USB."""

    def __init__(self, asked, told):
        self._asked, self._told = asked, told
        self._poll = select.poll()
        self._poll.register(asked, select.POLLIN)

    def tell(self, text):
        """Send some bytes."""
        self._told.write(text)

    def serve(self):
        """Answer who this is, where it was asked."""
        for _ in self._poll.ipoll(0):
            if self._asked.read(1) == "?":
                self._told.write(IDENTITY)


class Bench:
    """The whole: looks at the pins turn by turn, and tells."""

    def __init__(self, bridge, scale, host):
        self._bridge, self._scale, self._host = bridge, scale, host
        self._line, self._past = Line(), Past(FORCE_LATE_US)
        self.counter = self.clock = 0
        self._ticks = time.ticks_us()
        self._missed = scale.missed
        # What is still to wait, counted down: a difference of ticks goes wrong after some minutes.
        self._silence_us = SILENT_US
        self._no_complaint_us = self._moved_us = 0

    def turn(self):
        """Look at everything once."""
        is_ready = self._bridge.is_ready()
        now = time.ticks_us()
        self._pass_time(time.ticks_diff(now, self._ticks))
        self._ticks = now
        self._past.keep(now, self._scale.position)
        if is_ready:
            self._silence_us = SILENT_US
            self._reading(now)
        elif not self._silence_us:
            self._silence_us = SILENT_US
            self._complain(BRIDGE_SILENT)
            self._bridge.restart()
        else:
            time.sleep_us(PAUSE_US)
        self._host.serve()

    def _pass_time(self, step):
        self.clock += step
        if self.clock >= CLOCK_END:
            self.clock -= CLOCK_END
        self._silence_us = max(0, self._silence_us - step)
        self._no_complaint_us = max(0, self._no_complaint_us - step)
        self._moved_us = max(0, self._moved_us - step)

    def _reading(self, now):
        displacement = self._past.position_at(now, self._scale.position, FORCE_LATE_US)
        force = self._bridge.read()
        if self._scale.missed != self._missed:
            self._missed, self._moved_us = self._scale.missed, AFTER_MISSED_US
        if self._bridge.is_stuck():
            self._bridge.unsettled = SETTLING
            self._complain(BRIDGE_LOW)
            time.sleep_us(10000)                          # the next number is further away than that
        elif self._bridge.unsettled:
            self._bridge.unsettled -= 1
        elif self._bridge.repeats >= FROZEN and force not in SATURATED:
            self._complain(BRIDGE_FROZEN)
        elif self._moved_us:
            self._complain(EDGE_MISSED)
        else:
            self._host.tell(self._line.of(self.counter, self.clock, force, displacement))
            self.counter = self.counter + 1 if self.counter + 1 < COUNTER_END else 0

    def _complain(self, text):
        if not self._no_complaint_us:
            self._no_complaint_us = COMPLAIN_US
            self._host.tell(text)


def bench(asked, told):
    """Put the parts together on their pins."""
    import machine

    def pin(number):
        return machine.Pin(number, machine.Pin.IN, machine.Pin.PULL_UP)

    bridge = Bridge(machine, machine.Pin(BRIDGE_CLOCK_PIN, machine.Pin.OUT, value=0), pin(BRIDGE_DATA_PIN))
    return Bench(bridge, Quadrature(machine, pin(SCALE_A_PIN), pin(SCALE_B_PIN)), Host(asked, told))


def main():
    """Run until the power goes, or somebody at a terminal presses Ctrl-C."""
    sys.stdout.buffer.write(IDENTITY)
    running = bench(sys.stdin, sys.stdout.buffer)
    while True:
        running.turn()


if __name__ == "__main__":
    main()
