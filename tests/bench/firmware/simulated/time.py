"""The board's clock: it goes only when the firmware does something."""

import world

HALF = world.LAST_TICK >> 1


def ticks_us():
    world.here.spend(world.TICKS_US)
    return world.here.ticks()


def ticks_diff(end, start):
    difference = end - start
    if difference > HALF:
        return difference - world.LAST_TICK - 1
    if difference < -HALF:
        return difference + world.LAST_TICK + 1
    return difference


def sleep_us(us):
    world.here.spend(max(us, world.here.least_sleep_us))
