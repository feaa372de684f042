"""Capture against a bare loop that reads in bulk and splits lines, from the same pseudo-terminal.

Both sides run in this process after imports; the rig is another process, so that neither pays for
it. Run with ``-s`` to see the figures.
"""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from padlab.capture.procedure import procedure_from_table
from padlab.capture.prompts import Said
from padlab.capture.recorder import record
from padlab.capture.rig import read_rig
from padlab.records.shelf import Shelf

pytestmark = [pytest.mark.alone,
              pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")]

LINES = 600_000
SHARE = 0.10
CORE = 0.03

FAST = """
import os, sys, time
master, count, rate = (int(a) for a in sys.argv[1:])
lines = [b"%d,%d,%d,%d\\n" % (i, i * 20000 % 2**32, i % 13, 4000 + i % 900) for i in range(count)]
sys.stdout.write("ready\\n"); sys.stdout.flush()
while b"?" not in os.read(master, 100):
    pass
os.write(master, b"# bench-a\\n")
def send(data):
    view = memoryview(data)
    while view:
        view = view[os.write(master, view[:65536]):]
if rate == 0:
    send(b"".join(lines))
else:
    began, sent = time.monotonic(), 0
    while sent < count:
        time.sleep(0.0005)
        due = min(count, int((time.monotonic() - began) * rate))
        if due > sent:
            send(b"".join(lines[sent:due]))
            sent = due
os.read(master, 1)
"""


class Rig:
    """A process that streams lines into a pseudo-terminal, as fast as it can or at a rate."""

    def __init__(self, count: int, rate: int = 0) -> None:
        import tty

        self.master, self.far = os.openpty()
        tty.setraw(self.far)
        self.url = os.ttyname(self.far)
        self.process = subprocess.Popen(
            [sys.executable, "-c", FAST, str(self.master), str(count), str(rate)],
            pass_fds=[self.master], stdout=subprocess.PIPE, text=True)
        assert self.process.stdout is not None
        assert self.process.stdout.readline() == "ready\n"

    def __enter__(self) -> Rig:
        return self

    def __exit__(self, *ignored: object) -> None:
        self.process.kill()
        self.process.communicate()
        os.close(self.master)
        os.close(self.far)


class Dark:
    """A screen that nobody looks at."""

    def say(self, said: Said) -> None:
        pass

    def progress(self, text: str) -> None:
        pass


def bare_lines_per_s() -> float:
    """What the port gives: bulk reads and a split, nothing kept."""
    import serial

    with Rig(LINES) as rig:
        port = serial.serial_for_url(rig.url, timeout=1.0, exclusive=True)
        port.write(b"?\n")
        began, seen, tail = time.perf_counter(), 0, b""
        while seen < LINES + 1:
            lines = (tail + port.read(max(1, port.in_waiting))).split(b"\n")
            tail = lines.pop()
            seen += len(lines)
        spent = time.perf_counter() - began
        port.close()
    return LINES / spent


def capture(rig: Rig, count: int, shelf: Path) -> tuple[float, float, list[bytes]]:
    """Wall and processor seconds from the begin of a recording to its end, and what was stored."""
    import pandas as pd

    step = {"do": "free", "seconds": (count - 1000) * 0.02}         # of the rig's time, near the last line
    free = procedure_from_table({"name": "free", "kind": "touch", "step": [step]}, source="test")
    began: list[float] = []
    run = record(
        read_rig("bench").with_urls([rig.url]), free, Shelf(shelf), screen=Dark(),
        on_begin=lambda recording: began.extend((time.perf_counter(), time.process_time())),
        derive=lambda run: pd.DataFrame({"time_s": [0.0]}))
    spent, busy = time.perf_counter() - began[0], time.process_time() - began[1]
    assert run.state == "complete"
    assert run.marks == ()                                   # none bad, none lost
    rows = (run.folder / "raw" / "main.csv").read_bytes().splitlines()[1:]
    return spent, busy, rows


def test_capture_keeps_a_tenth_of_what_a_bare_loop_reads(tmp_path):
    import pandas  # noqa: F401  imports are not what is measured

    shares = []
    for attempt in range(3):                                 # a busy machine may spoil one comparison
        bare = bare_lines_per_s()
        with Rig(LINES) as rig:
            spent, _, rows = capture(rig, LINES, tmp_path / str(attempt))
        counts = [int(row.split(b",", 2)[1]) for row in rows]
        assert counts == list(range(len(rows)))              # none lost, none twice
        assert len(rows) > LINES - 1200
        shares.append(len(rows) / spent / bare)
        print(f"\nbare {bare:,.0f} lines/s, capture {len(rows) / spent:,.0f} lines/s: {shares[-1]:.0%}")
        if shares[-1] >= SHARE:
            break
    assert max(shares) >= SHARE


def test_a_thousand_lines_a_second_take_a_few_percent_of_a_core(tmp_path):
    import pandas  # noqa: F401

    shares = []
    for attempt in range(3):
        with Rig(11_000, rate=1000) as rig:
            spent, busy, rows = capture(rig, 11_000, tmp_path / str(attempt))
        assert len(rows) > 9_900
        shares.append(busy / spent)
        print(f"\n{len(rows) / spent:,.0f} lines/s with {shares[-1]:.1%} of a core")
        if shares[-1] <= CORE:
            break
    assert min(shares) <= CORE
