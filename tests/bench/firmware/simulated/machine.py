"""The board's pins, as the firmware sees them."""

import world

CLOCK, DATA, A, B = 2, 3, 4, 5


class Pin:
    """One pin; its number says what hangs on it."""

    IN, OUT, PULL_UP = 0, 1, 1
    IRQ_FALLING, IRQ_RISING = 1, 2

    def __init__(self, number, mode, pull=None, value=None):
        if (mode == self.OUT) != (number == CLOCK) or number not in (CLOCK, DATA, A, B):
            raise ValueError("nothing of that kind hangs on pin", number)
        self._number = number

    def value(self, level=None):
        here, number = world.here, self._number
        here.spend(world.PIN_US)
        if number == DATA:
            return here.bridge.data()
        if number == A:
            return here.a()
        if number == B:
            return here.b()
        if level is not None:
            here.bridge.clock(level)
        return here.bridge.clock_level

    def irq(self, handler, trigger, hard=False):
        if trigger != self.IRQ_FALLING | self.IRQ_RISING:
            raise ValueError("both edges are needed")
        world.here.handlers[self._number - A] = handler


def disable_irq():
    """Interrupts wait from here on; gives what enable_irq takes."""
    before = world.here.masked
    world.here.masked = 1
    return before


def enable_irq(state):
    """What waited comes now."""
    world.here.masked = state
    world.here.serve()
