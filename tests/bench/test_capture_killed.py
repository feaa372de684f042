"""kill -9 at any moment of a capture: the run is there, interrupted, and at most 1 s of it is missing."""

from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest

from padlab.records.shelf import open_run

pytestmark = [pytest.mark.real_time,
              pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")]

LOST_AT_MOST_S = 1.0
RATE = 200


class Streaming:
    """Sends 200 lines a second and remembers when each was sent, on the clock that all processes share."""

    def __init__(self, rig) -> None:
        self.rig, self.sent, self.stop = rig, [], threading.Event()
        self.thread = threading.Thread(target=self._run)

    def __enter__(self):
        self.thread.start()
        return self

    def __exit__(self, *ignored: object) -> None:
        self.stop.set()
        self.thread.join(10)

    def _run(self) -> None:
        began, count = time.monotonic(), 0
        while not self.stop.wait(0.005):
            while count < (time.monotonic() - began) * RATE:
                line = b"%d,%d,%d,%d" % (count, count * 5000, count % 11, count % 7)
                self.rig.send(line + b"\n")
                self.sent.append((time.monotonic(), line))
                count += 1


def kill_once(rig, shelf: Path, after_s: float) -> None:
    program = subprocess.Popen(
        [sys.executable, "-c", "from padlab.cli.main import main; main()", "capture", "bench", "touch",
         "--out", str(shelf), "--url", rig.url], stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
    assert program.stderr is not None
    try:
        while "hands off" not in program.stderr.readline():
            assert program.poll() is None
        with Streaming(rig) as stream:
            stream.stop.wait(after_s)
            killed_s = time.monotonic()
            program.kill()
            program.wait(10)
    finally:
        program.kill()
        program.wait(10)
        program.stderr.close()
    [folder] = (shelf / "runs").iterdir()
    run = open_run(folder)
    assert run.state == "interrupted"
    assert {m.code for m in run.marks} == {"interrupted"}
    raw = (folder / "raw" / "main.csv").read_bytes()
    assert raw.endswith(b"\n")                                       # a torn line was moved aside
    kept = [line.split(b",", 1)[1] for line in raw.splitlines()[1:]]
    sent = [line for _, line in stream.sent]
    assert kept == sent[:len(kept)]                                  # no line invented, none left out
    due = sum(when < killed_s - LOST_AT_MOST_S for when, _ in stream.sent)
    assert len(kept) >= due, f"{due - len(kept)} lines older than {LOST_AT_MOST_S} s are missing"
    torn = folder / "raw" / "main.torn"
    if torn.exists():
        assert sent[len(kept)].startswith(torn.read_bytes().split(b",", 1)[-1])


def study(rig, shelf: Path, kills: int, seed: int) -> None:
    rng = random.Random(seed)
    for number in range(kills):
        kill_once(rig, shelf / str(number), rng.uniform(0.05, 3.0))


def test_eight_random_kills(line_rig, tmp_path):
    study(line_rig, tmp_path / "shelf", 8, seed=8)


@pytest.mark.long
@pytest.mark.timeout(900)
def test_fifty_random_kills(line_rig, tmp_path):
    study(line_rig, tmp_path / "shelf", 50, seed=50)
