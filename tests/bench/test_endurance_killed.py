"""kill -9 at thirty random moments of an endurance run: each stroke of the machine is counted once.

The truth is the machine's: a served press that counts its strokes, goes on while nobody listens, and presses
every stroke with a force of its own, so that a row which got a neighbour's number is found out.
"""

from __future__ import annotations

import contextlib
import json
import os
import random
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
from frictionless import validate

from padlab.capture.rig import read_rig
from padlab.capture.virtual.cam_press import CamBench, CamPress, Spring
from padlab.capture.virtual.ports import TcpPort
from padlab.errors import RunError
from padlab.records.shelf import open_run
from padlab.records.stroke_log import read_strokes
from padlab.records.stroke_rows import COLUMNS, is_kept

pytestmark = [pytest.mark.real_time,
              pytest.mark.skipif(not hasattr(os, "fork"), reason="forks, so that thirty starts cost little")]

KILLS = 30
SPEED = 60.0

ZYGOTE = r"""
import json, os, signal, sys
from pathlib import Path
from padlab.capture.endurance import record_endurance, resume_endurance
from padlab.capture.procedure import procedure_from_table
from padlab.capture.rig import read_rig
from padlab.records.pad import Pad
from padlab.records.shelf import Shelf, open_run
import pyarrow.parquet, pandas

class Quiet:
    def say(self, said): print("#", said.text, file=sys.stderr)
    def progress(self, text): pass

def child(order):
    stop = []
    signal.signal(signal.SIGTERM, lambda *a: stop.append(1))
    rig = read_rig("endurance-press").with_urls([order["url"]])
    if order["run"]:
        run = open_run(order["run"])
        return resume_endurance(rig, run, screen=Quiet(), should_stop=lambda: bool(stop))
    plan = procedure_from_table({"name": "killed", "kind": "wear", "step": [
        {"do": "stroke", "to_n": 8.0, "count": 100000}]}, source="test")
    pad = Pad(id="A", material="felt", material_class="felt", lot="1", outer_diameter_mm=19.0,
              inner_diameter_mm=8.0, thickness_mm=1.6)
    return record_endurance(rig, plan, Shelf(order["shelf"]), screen=Quiet(), pad=pad,
                            should_stop=lambda: bool(stop))

print("ready", flush=True)
for line in sys.stdin:
    pid = os.fork()
    if not pid:
        sys.stdin.close()
        try:
            child(json.loads(line))
        except BaseException as fault:
            print("#", repr(fault), file=sys.stderr, flush=True)
            os._exit(1)
        os._exit(0)
    print(pid, flush=True)
    print(os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), flush=True)
"""


class Recorders:
    """Starts recordings in processes of their own, quickly."""

    def __init__(self, log: Path) -> None:
        self.log, self.pid = log.open("w"), 0
        self.zygote = subprocess.Popen([sys.executable, "-c", ZYGOTE], stdin=subprocess.PIPE,
                                       stdout=subprocess.PIPE, stderr=self.log, text=True)
        assert self.zygote.stdout is not None
        assert self.zygote.stdout.readline() == "ready\n"

    def start(self, **order: str | None) -> int:
        assert self.zygote.stdin is not None
        assert self.zygote.stdout is not None
        self.zygote.stdin.write(json.dumps(order) + "\n")
        self.zygote.stdin.flush()
        self.pid = int(self.zygote.stdout.readline())
        return self.pid

    def ended(self) -> int:
        assert self.zygote.stdout is not None
        self.pid = 0
        return int(self.zygote.stdout.readline())

    def close(self) -> None:
        assert self.zygote.stdin is not None
        with contextlib.suppress(ProcessLookupError):
            if self.pid:
                os.kill(self.pid, signal.SIGKILL)
        self.zygote.stdin.close()
        self.zygote.wait(20)
        assert self.zygote.stdout is not None
        self.zygote.stdout.close()
        self.log.close()


def coded_n(stroke: int) -> float:
    """What the machine presses its stroke number ``stroke`` with: neighbours differ by 0.6 N or more."""
    return 5.0 + 0.6 * (stroke * 5 % 16)


def until(seen, *, within_s: float = 30.0) -> None:
    end = time.monotonic() + within_s
    while not seen():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.01)


@pytest.fixture
def machine():
    press = CamPress(read_rig("endurance-press"), Spring(), strokes_hz=5.0, stands_s=40.0, asked_n=coded_n)
    bench = CamBench(press, TcpPort(0), speed=SPEED)
    thread = threading.Thread(target=bench.run)
    thread.start()
    yield press, bench
    bench.stop()
    thread.join(10)


@pytest.fixture
def recorders(tmp_path):
    found = Recorders(tmp_path / "said.txt")
    yield found
    found.close()


def test_thirty_kills_and_the_count_is_the_machines(tmp_path, machine, recorders):
    press, bench = machine
    rng, url = random.Random(5), bench.port.url
    pid = recorders.start(shelf=str(tmp_path / "shelf"), run=None, url=url)
    runs = tmp_path / "shelf" / "runs"

    def is_zeroed() -> bool:
        folders = [p.parent for p in runs.glob("*/datapackage.json")]
        return bool(folders) and open_run(folders[0]).endurance["zero_n"] is not None

    until(is_zeroed)
    until(lambda: press.strokes > 20)
    [folder] = runs.iterdir()
    recorded = 0
    for kill in range(KILLS):
        if kill % 3 == 1:                                  # one in three has seen a stroke, slow as it may be
            known = len(open_run(folder).gaps)
            until(lambda known=known: len(open_run(folder).gaps) > known)
        time.sleep(rng.uniform(0.0, 0.6))                  # anywhere, in its beginning too
        os.kill(pid, signal.SIGKILL)
        assert recorders.ended() == -signal.SIGKILL, (tmp_path / "said.txt").read_text()
        run = open_run(folder)
        assert run.state == "interrupted"
        rows = sum(p["stroke"].size for p in read_strokes(folder, run.endurance["parts"], ("stroke",)))
        assert rows >= recorded
        recorded = rows
        if kill % 10 == 5:
            assert not faults_of(folder)                   # as the dead left it
        pid = recorders.start(run=str(folder), url=url)
    press.stops_after = press.strokes + 150
    until(lambda: press.is_over)
    until(lambda: last_of(folder) == press.strokes)
    assert not faults_of(folder)                           # while it is being recorded
    os.kill(pid, signal.SIGTERM)
    assert recorders.ended() == 0
    run = open_run(folder)
    found = whole(run)
    number = found["stroke"]
    assert number[-1] == press.strokes == press.stops_after
    assert (np.diff(number) > 0).all()
    assert (number == found["machine"]).all()
    asked = np.array([coded_n(int(k)) for k in number])
    sound = found["longest_step_s"] < 0.05                  # readings may be lost in a socket's last moment
    assert sound.mean() > 0.98
    assert np.abs(found["peak_n"] - asked)[sound].max() < 0.25
    resumed = [g for g in run.gaps if g.reason.startswith("padlab was not")]
    assert len(resumed) >= KILLS / 3                      # so many were killed in the midst of strokes
    assert all("the machine counted them" in g.reason for g in resumed)
    assert "strokes_unknown" not in {m.code for m in run.marks}
    missed = press.strokes - number.size
    said = next(m.message for m in run.marks if m.code == "strokes_missed")
    assert f"{missed:,} of {press.strokes:,}" in said
    assert not faults_of(folder)
    lines = np.loadtxt(folder / "raw" / "main.csv", delimiter=",", skiprows=1)
    loops = set(lines[lines[:, 4] > 1000][:, 3])            # of what strokes lines under load were kept
    kept = set(number[is_kept(number)])
    assert kept <= loops
    assert len(loops - kept) <= KILLS                       # on file when the row of the stroke was not yet
    assert (np.diff(lines[:, 1]) > 0).all()                 # no line twice


def faults_of(folder: Path) -> list[list[str]]:
    """What the open standard's own check has against a run."""
    return validate(str(folder / "datapackage.json")).flatten(["type", "message"])


def last_of(folder: Path) -> float | None:
    """The last stroke on file; None where a part became Parquet between its listing and its reading."""
    run = open_run(folder)
    try:
        parts = list(read_strokes(folder, (run.endurance or {}).get("parts", {}), ("stroke",)))
    except RunError as fault:
        if isinstance(fault.__cause__, FileNotFoundError):
            return None
        raise
    return float(max((p["stroke"][-1] for p in parts if p["stroke"].size), default=0.0))


def whole(run):
    parts = list(read_strokes(run.folder, run.endurance["parts"]))
    return {c: np.concatenate([p[c] for p in parts]) for c in COLUMNS}
