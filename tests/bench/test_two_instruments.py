"""Two instruments on two ports: one axis, their skew found and taken off, one that goes away alone."""

from __future__ import annotations

import importlib.util
import json
import math
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from padlab.capture.procedure import procedure_from_table
from padlab.capture.recorder import record
from padlab.capture.rig import read_rig
from padlab.records.raw_log import read_raw
from padlab.records.shelf import Shelf, open_run
from padlab.signals.skew import spring_skew

_spec = importlib.util.spec_from_file_location("heard", Path(__file__).parent / "heard.py")
_heard = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_heard)
Heard = _heard.Heard

pytestmark = [pytest.mark.real_time,
              pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs pseudo-terminals")]

SKEW_S = 0.023
CHECK = """
name = "short-check"
kind = "check"
[[step]]
do = "stroke"
label = "recorded"
to_n = 6.0
count = 3
[[step]]
do = "stroke"
label = "quick"
to_n = 6.0
count = 5
pace = "quick"
"""
PATIENCE_S = 120.0
ENVIRONMENT = {**os.environ, "NO_COLOR": "1"}


def command(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen([sys.executable, "-c", "from padlab.cli.main import main; main()", *arguments],
                            stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=ENVIRONMENT)


def answer(*arguments: str) -> tuple[dict, str]:
    """What a command that succeeds answers as JSON, and its words."""
    out, words = (program := command(*arguments, "--json")).communicate(timeout=PATIENCE_S)
    assert program.returncode == 0, words
    return json.loads(out), words


class Rig:
    """``padlab virtual-rig`` of the two instruments, in a process of its own."""

    def __init__(self, *arguments: str) -> None:
        self.process = command("virtual-rig", "--rig", "two-instruments", "--pad-kind", "spring", *arguments)
        assert self.process.stdout is not None
        told = [self.process.stdout.readline().strip() for _ in range(2)]
        self.urls = [word for line in told for word in ("--url", line)]
        # Nobody may wait for a full pipe.
        self._drain = threading.Thread(target=lambda: list(self.process.stderr or ()), daemon=True)
        self._drain.start()

    def __enter__(self) -> Rig:
        return self

    def __exit__(self, *ignored: object) -> None:
        self.process.terminate()
        self.process.wait(PATIENCE_S)
        self._drain.join(10)
        for pipe in (self.process.stdout, self.process.stderr):
            assert pipe is not None
            pipe.close()


def lag_left(samples) -> float:
    """By how much the displacement still lags the force in merged samples [s]."""
    time_s, force, place = (samples[c].to_numpy() for c in ("time_s", "force_n", "displacement_mm"))
    return spring_skew(time_s, force, time_s, place).skew_s


def test_the_skew_of_two_clocks_is_found_taken_off_and_carried(tmp_path):
    """50 Hz and 10 Hz, 23 ms apart, clocks that differ by 200 ppm, through the commands alone."""
    plan, shelf = tmp_path / "short-check.toml", str(tmp_path / "shelf")
    plan.write_text(CHECK)
    with Rig("--procedure", str(plan), "--lag", "dial=23ms", "--ppm", "cell=100", "--ppm", "dial=-100",
             "--once") as rig:
        first, words = answer("capture", "two-instruments", str(plan), "--out", shelf, *rig.urls)
    assert first["state"] == "complete", words
    run = open_run(first["folder"])
    raw = read_raw(run)
    rates = {name: len(table) / np.ptp(table["host_s"]) for name, table in raw.items()}
    assert rates == {"cell": pytest.approx(50, rel=0.03), "dial": pytest.approx(10, rel=0.05)}
    samples = run.samples
    assert list(samples.columns) == ["time_s", "force_n", "displacement_mm"]
    assert lag_left(samples) == pytest.approx(SKEW_S, abs=0.004)                   # not known, not taken off

    found, words = answer("calibrate", "skew", first["folder"], "--out", shelf)
    assert found["instrument"] == "dial"
    assert found["marks"] == []
    assert found["skew_s"]["value"] == pytest.approx(SKEW_S, abs=0.002)
    half = (found["skew_s"]["high"] - found["skew_s"]["low"]) / 2
    assert 0 < half < 0.004
    assert abs(found["skew_s"]["value"] - SKEW_S) < half + 0.001

    answer("remake", first["folder"], "--calibration", found["id"])
    again = open_run(first["folder"])
    assert again.calibrations == (found["id"],)
    assert abs(lag_left(again.samples)) < 0.002
    assert abs(lag_left(again.samples)) < abs(lag_left(samples)) / 5

    single = tmp_path / "one.toml"
    single.write_text(CHECK.partition("count")[0].replace("short-check", "one"))
    with Rig("--procedure", str(single), "--lag", "dial=23ms", "--once") as rig:
        second, words = answer("capture", "two-instruments", str(single), "--out", shelf, *rig.urls)
    assert f"the skew of the instruments is taken from calibration {found['id']}" in words
    assert open_run(second["folder"]).calibrations == (found["id"],)


class Press:
    """A press that the test drives in real time: a cell at 50 Hz with its clock, a dial at 10 Hz without."""

    def __init__(self, cell, dial) -> None:
        self.cell, self.dial = cell, dial
        self.dial_is_on = True
        self.presses: list[float] = []                   # when each began, on the host's clock
        self._end = threading.Event()
        self._thread = threading.Thread(target=self._run)

    def __enter__(self) -> Press:
        self._thread.start()
        return self

    def __exit__(self, *ignored: object) -> None:
        self._end.set()
        self._thread.join(10)

    def press(self) -> None:
        """Up to 6 N in a second, and back; takes as long as a press takes."""
        self.presses.append(time.monotonic())
        self._end.wait(2.2)

    def pause(self) -> None:
        """What a hand needs to read a sentence."""
        self._end.wait(0.7)

    def force_n(self, now: float) -> float:
        return max((float(np.interp(now - at, [0, 1.0, 1.6], [0, 6, 0])) for at in self.presses), default=0.0)

    def _run(self) -> None:
        began, n = time.monotonic(), 0
        while not self._end.wait(max(0.0, began + n / 50 - time.monotonic())):
            force = self.force_n(time.monotonic()) + 0.004 * math.sin(2.3 * n)
            self.cell.send(b"%d,%d,%d\n" % (n % 65536, n * 20, round(1000 * force)))
            if n % 5 == 0 and self.dial_is_on:
                self.dial.send(b"%+.3f\r\n" % (5 + force / 20))
            n += 1


TWO = procedure_from_table({"name": "two", "kind": "check", "step": [
    {"do": "stroke", "label": "recorded", "to_n": 6.0, "count": 2}]}, source="test")


class Recording(threading.Thread):
    """A run of the two instruments, recorded in a thread."""

    def __init__(self, cell, dial, folder: Path, **more) -> None:
        super().__init__()
        self.screen, self.folder, self.more = Heard(), folder, more
        self.rig = read_rig("two-instruments").with_urls([f"cell={cell.url}", f"dial={dial.url}"])
        self.start()

    def run(self) -> None:
        self.done = record(self.rig, TWO, Shelf(self.folder / "shelf"), screen=self.screen, **self.more)

    def finish(self):
        self.join(60)
        assert not self.is_alive()
        return self.done


def test_an_indicator_that_is_unplugged_while_the_cell_goes_on(make_rig, tmp_path):
    """What is pressed while it is away does not count; it comes back and the run is completed."""
    cell, dial = make_rig("cell", name=b"# cell"), make_rig("dial", name=b"")
    recording = Recording(cell, dial, tmp_path)
    with Press(cell, dial) as press:
        recording.screen.wait_for("press slowly")
        press.press()
        recording.screen.wait_for("recorded 1 of 2")
        press.dial_is_on = False
        dial.unplug()
        recording.screen.wait_for("dial: the port")                      # which one, and what to do
        recording.screen.wait_for("plug it in again")
        press.press()                                                    # the cell sees it, the dial does not
        recording.screen.wait_for("does not count")
        dial.plug_in()
        press.dial_is_on = True
        recording.screen.wait_for("is back")
        press.pause()
        press.press()
        recording.screen.wait_for("recorded 2 of 2")
        run = recording.finish()
    assert run.state == "complete"
    assert {m.code for m in run.marks} == {"gap"}
    [gap] = [g for g in run.gaps if g.reason.startswith("dial")]
    steps = json.loads((run.folder / "datapackage.json").read_text("utf-8"))["padlab"]["steps"]
    assert [s["good"] for s in steps] == [True, False, True]
    assert "readings are missing" in steps[1]["reason"]
    assert gap.from_s < steps[1]["from_s"] < gap.to_s + 1
    time_s = run.samples["time_s"].to_numpy()
    assert not ((time_s > gap.from_s + 0.3) & (time_s < gap.to_s - 0.3)).any()    # nothing is invented there
    host = read_raw(run)["cell"]["host_s"].to_numpy()
    assert np.diff(host).max() < 0.5                                     # the cell was recorded all the time


def test_an_indicator_that_stays_away_ends_the_run_which_is_kept(make_rig, tmp_path):
    cell, dial = make_rig("cell", name=b"# cell"), make_rig("dial", name=b"")
    recording = Recording(cell, dial, tmp_path, give_up_s=1.5)
    with Press(cell, dial) as press:
        recording.screen.wait_for("press slowly")
        press.press()
        recording.screen.wait_for("recorded 1 of 2")
        press.dial_is_on = False
        dial.unplug()
        run = recording.finish()
    assert run.state == "interrupted"
    assert {m.code for m in run.marks} == {"gap", "interrupted"}
    last = recording.screen.said[-1].text
    assert "dial: " in last
    assert "did not come back" in last
    assert "start a new run" in last                                     # what next
    assert run.samples["force_n"].max() == pytest.approx(6.0, abs=0.1)
    assert len(read_raw(run)["cell"]) > 150


def test_an_indicator_that_only_falls_silent_is_said_to_be_silent(make_rig, tmp_path):
    """The port stays open: a dial whose battery is empty, or that went to sleep."""
    cell, dial = make_rig("cell", name=b"# cell"), make_rig("dial", name=b"")
    recording = Recording(cell, dial, tmp_path, give_up_s=8.0)
    with Press(cell, dial) as press:
        recording.screen.wait_for("press slowly")
        press.dial_is_on = False
        recording.screen.wait_for("nothing comes from dial: is it switched on?")
        press.press()
        recording.screen.wait_for("does not count")
        press.dial_is_on = True
        recording.screen.wait_for("readings come from dial again")
        press.pause()
        press.press()
        recording.screen.wait_for("recorded 1 of 2")
        press.press()
        run = recording.finish()
    assert run.state == "complete"
    assert {m.code for m in run.marks} == {"gap"}
    assert [g.reason for g in run.gaps] == ["dial: the rig fell silent"]
