"""Run the firmware in a simulated world, from power-up to the end of the story."""

import json
import sys

import micropython
import world
from host import heard, passed


class Asked:
    """The board's standard input."""

    SIGNS = tuple(chr(n) for n in range(128))

    def read(self, count):
        return self.SIGNS[heard() & 127]


class Told:
    """The board's standard output; telling takes the board some time."""

    def write(self, text):
        sys.stdout.buffer.write(text)
        passed(world.here.now // 1000)
        world.here.spend(world.LINE_US)


def play(options):
    """Options as JSON: see ``World``; ``set`` overrides names of the firmware, ``start`` of the bench."""
    chosen = json.loads(options)
    world.here = world.World(
        world.read_counts("/story/force"), world.read_counts("/story/place"), chosen.get("faults", ()),
        chosen.get("period_us", 12500), chosen.get("first_ticks", 0), chosen.get("least_sleep_us", 500))
    import main

    for name, value in chosen.get("set", {}).items():
        setattr(main, name, value)
    told = Told()
    told.write(main.IDENTITY)
    running = main.bench(Asked(), told)
    for name, value in chosen.get("start", {}).items():
        setattr(running, name, value)
    here = world.here
    micropython.heap_lock()
    try:
        while here.now < here.end_us:
            running.turn()
    finally:
        micropython.heap_unlock()
