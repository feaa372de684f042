"""Dead weights and the other procedures from end to end: a served virtual rig, the commands, the shelf."""

from __future__ import annotations

import json
import math
import os
import signal
import subprocess
import sys
import threading
import time
from importlib import resources
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from padlab.capture.rig import read_rig
from padlab.capture.virtual.simulate import simulate
from padlab.cli.main import cli
from padlab.fitting.run_fit import fit_run
from padlab.records.shelf import open_run

pytestmark = [pytest.mark.real_time,
              pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")]

COMMAND = [sys.executable, "-m", "padlab.cli"]
SOON_S = 120.0
PAD = """
id = "A1"
material = "wool felt"
material_class = "felt"
lot = "1"
outer_diameter = "19mm"
inner_diameter = "8mm"
thickness = "1.77mm"
"""
CLOCK = """[instrument.clock]
column = "clock"
tick = "1ms"
modulus = 4294967296

[[instrument.channel]]"""


@pytest.fixture
def bench(tmp_path):
    """A folder with a pad file and a dial that sends its clock, so that its time may run fast."""
    (tmp_path / "A1.toml").write_text(PAD)
    dial = next(p for p in (Path(__file__).parents[2] / "rigs").glob("dial-only.toml")).read_text("utf-8")
    dial = dial.replace("'(?P<reading>", r"'(?P<clock>\d+) (?P<reading>")
    (tmp_path / "dial.toml").write_text(dial.replace("[[instrument.channel]]", CLOCK, 1))
    assert read_rig(str(tmp_path / "dial.toml")).instrument[0].to_record().clock == "clock"
    return tmp_path


@pytest.fixture
def served(bench):
    """Start ``padlab virtual-rig`` in a process of its own; gives its port."""
    running = []

    def start(*arguments):
        process = subprocess.Popen(
            [*COMMAND, "virtual-rig", *arguments, "--once"], stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL, text=True, cwd=bench)
        running.append(process)
        assert process.stdout is not None
        return process.stdout.readline().strip()

    yield start
    for process in running:
        process.terminate()
        process.communicate(timeout=SOON_S)


def captured(bench, *arguments):
    """What ``padlab capture --json`` says, and the run."""
    done = subprocess.run(
        [*COMMAND, "capture", *arguments, "--pad", "A1.toml", "--out", str(bench / "shelf"), "--json"],
        cwd=bench, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=SOON_S)
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    return told, open_run(told["folder"]), done.stderr


def half(q):
    return (q["high"] - q["low"]) / 2


def test_a_session_through_a_port_gives_the_load_cells_stiffness(bench, served):
    url = served("--rig", "dial.toml", "--material", "wool felt", "--seed", "31", "--speed", "250")
    told, run, said = captured(bench, "dial.toml", "dead-weight", "--url", url, "--latitude", "50",
                               "--height", "10", "--yes-after", "0.6s")
    assert told["state"] == "complete", said
    assert run.environment["latitude_deg"] == 50.0
    assert run.environment["height_m"] == 10.0
    assert "force_n" not in run.samples.columns
    assert all(s["good"] for s in run.steps), [s["reason"] for s in run.steps if s["reason"]]
    answer = CliRunner().invoke(cli, ["fit", str(run.folder), "--json"])
    [fit] = json.loads(answer.stdout)["runs"]
    cell = fit_run(simulate("wool felt", seed=31).run).json
    for a, b in zip(*(f["compression"]["tangent_stiffness_n_per_mm"] for f in (fit, cell)), strict=True):
        allowed = math.hypot(half(a), half(b))
        assert abs(a["value"] - b["value"]) < allowed <= 0.1 * b["value"]
    assert fit["hysteresis"] is None
    assert {"by_weights"} <= {m["code"] for m in fit["marks"]}
    words = CliRunner().invoke(cli, ["fit", str(run.folder)]).stdout
    assert "springback loss" not in words
    assert "pressed by dead weights" in words


SHORT = """
name = "short"
kind = "pad"
[[step]]
times = 2
steps = [
    {do = "weight", label = "from below", mass_kg = 0.0255, seconds = 1},
    {do = "weight", label = "hardest", mass_kg = 0.5, seconds = 1},
]
"""


class Dial:
    """Lines of an indicator whose place the test sets; its time goes as fast as it is sent."""

    def __init__(self, rig):
        self.rig, self.now, self.at = rig, 0, -0.3
        self.noise = np.random.default_rng(4)

    def stay(self, seconds, to=None):
        steps = round(seconds * 10)
        path = np.linspace(self.at, self.at if to is None else to, steps + 1)[1:]
        self.at = float(path[-1])
        for at in path + 0.0006 * self.noise.standard_normal(steps):
            self.now += 100
            self.rig.send(b"%d %+.3f\n" % (self.now, at))


class Capture:
    """A capture in a process of its own; what it says is kept by a thread."""

    def __init__(self, arguments, **more):
        self.process = subprocess.Popen([*COMMAND, "capture", *arguments], stdout=subprocess.PIPE,
                                        stderr=subprocess.PIPE, text=True, **more)
        self.said, self.news, self.at = [], threading.Condition(), 0
        threading.Thread(target=self._listen, daemon=True).start()

    def _listen(self):
        for line in self.process.stderr:
            with self.news:
                self.said.append(line)
                self.news.notify_all()

    def has_said(self, words, within_s=SOON_S):
        """Whether it says so, after all that was waited for before."""
        def found():
            return next((k for k in range(self.at, len(self.said)) if words in self.said[k]), None)

        with self.news:
            self.news.wait_for(lambda: found() is not None, within_s)
            if (k := found()) is not None:
                self.at = k + 1
            return k is not None

    def enter(self):
        self.process.stdin.write("\n")
        self.process.stdin.flush()

    def told(self):
        out = self.process.stdout.read()
        self.process.wait(SOON_S)
        return json.loads(out)


@pytest.fixture
def asked(bench, make_rig):
    """A capture with a keyboard and an indicator that the test plays."""
    (bench / "short.toml").write_text(SHORT)
    rig = make_rig(name=b"")
    running = []

    def start(stdin):
        running.append(Capture(["dial.toml", "short.toml", "--pad", "A1.toml", "--out", str(bench / "shelf"),
                                "--json", "--url", rig.url], cwd=bench, stdin=stdin))
        return running[-1], Dial(rig)

    yield start
    for one in running:
        if one.process.poll() is None:
            one.process.kill()
        one.process.wait(SOON_S)
        for stream in (one.process.stdin, one.process.stdout, one.process.stderr):
            if stream is not None:
                stream.close()


def kept(shelf, dial):
    """Wait until padlab has taken all that the dial has said."""
    until = time.monotonic() + SOON_S
    while not any(f"{dial.now}," in p.read_text() for p in shelf.glob("runs/*/raw/dial.csv")):
        assert time.monotonic() < until
        time.sleep(0.05)


def test_the_operator_says_enter_for_each_weight(asked, bench):
    capture, dial = asked(subprocess.PIPE)
    assert capture.has_said("no --latitude: standard gravity")
    for mass, at in ((25.5, 0.1), (500, 0.3), (25.5, 0.12), (500, 0.3)):
        assert capture.has_said(f"{mass:g} g in all (pan and spindle too)")
        dial.stay(2)
        dial.stay(0.4, to=at)
        dial.stay(2)
        kept(bench / "shelf", dial)
        capture.enter()
        for _ in range(100):               # the word is placed on readings: they must go on coming
            dial.stay(0.3)
            if capture.has_said(f"{mass:g} g is on", within_s=0.3):
                break
        dial.stay(8)
    told = capture.told()
    assert told["state"] == "complete"
    run = open_run(told["folder"])
    assert [(s["mass_kg"], s["good"]) for s in run.steps] == [(0.0255, True), (0.5, True)] * 2
    assert "latitude_deg" not in run.environment


def test_a_keyboard_that_ends_is_said_and_the_run_is_kept(asked):
    capture, dial = asked(subprocess.DEVNULL)
    assert capture.has_said("no Enter can come any more")
    dial.stay(3)
    capture.process.send_signal(signal.SIGINT)
    assert capture.told()["state"] == "interrupted"
    assert capture.process.returncode == 0


@pytest.mark.parametrize(("arguments", "words"), [
    (["dial-only", "dead-weight", "--height", "10"], "--height goes with --latitude"),
    (["bench", "standard", "--yes-after", "1s"], "for dead weights only"),
    (["dial-only", "dead-weight", "--yes-after", "61s"], "up to 60 s"),
    (["dial-only", "dead-weight", "--latitude", "91"], "91"),
])
def test_what_makes_no_sense_is_a_usage_error(bench, arguments, words):
    answer = CliRunner().invoke(cli, ["capture", *arguments, "--pad", str(bench / "A1.toml"),
                                      "--out", str(bench / "none")])
    assert answer.exit_code == 2
    assert words in answer.output


def test_a_load_cells_procedure_is_refused_by_an_indicator_alone(bench):
    answer = CliRunner().invoke(cli, ["capture", "dial-only", "standard", "--pad", str(bench / "A1.toml"),
                                      "--out", str(bench / "none")])
    assert "measures no force" in str(answer.exception or answer.output)
    assert not (bench / "none").exists()


# -- the other procedures -----------------------------------------------------------------------------------


def fitted(run):
    answer = CliRunner().invoke(cli, ["fit", str(run.folder), "--json"])
    return json.loads(answer.stdout)["runs"][0]


def codes(told):
    return {m["code"] for m in told["marks"]}


POOR = {"overshot", "hold_unsteady", "speed_uneven", "temperature_moved", "zero_drifted", "interrupted",
        "fewer_strokes_than_planned", "indicator_moved"}


def by_bench(bench, served, procedure, *more):
    url = served("--procedure", procedure, "--seed", "5", "--speed", "500", *more)
    told, run, said = captured(bench, "bench", procedure, "--url", url)
    assert told["state"] == "complete", said
    assert not codes(told) & POOR, told["marks"]
    return run


def test_a_passage_is_kept_and_the_slow_strokes_are_read(bench, served):
    run = by_bench(bench, served, "passage")
    fit = fitted(run)
    assert "partly_read" in codes(fit)
    assert fit["compression"]["give_mm"]["value"] > 0.1
    assert 6 <= sum(1 for s in fit["strokes"] if s["used"]) <= 8
    assert sum(1 for s in fit["strokes"] if s["reason"].startswith("played")) > 8
    assert fit["creep"] is None, "a long note of a passage is no hold"


def test_a_locked_press_tells_how_the_force_falls(bench, served):
    run = by_bench(bench, served, "relaxation")
    lost = fitted(run)["relaxation"]
    assert 0.02 < lost["force_lost_1_to_10_s"]["value"] < lost["force_lost_to_end"]["value"] < 0.6
    assert abs(lost["lock_moved_mm"]) < 0.001
    assert fitted(run)["creep"] is None
    assert "force lost, locked" in CliRunner().invoke(cli, ["fit", str(run.folder)]).stdout


def test_a_held_note_under_a_weight_gives_the_sinking(bench, served):
    creep = fitted(by_bench(bench, served, "held-note"))["creep"]
    assert half(creep["fraction_per_decade"]) < 0.1 * creep["fraction_per_decade"]["value"]


def test_a_spring_is_recorded_and_fit_says_what_it_is_for(bench, served):
    run = by_bench(bench, served, "check", "--pad-kind", "spring")
    answer = CliRunner().invoke(cli, ["fit", str(run.folder)])
    assert answer.exit_code != 0
    assert "calibrate skew" in str(answer.exception)


SHORT_SET = """
name = "short-set"
kind = "pad"
peak_net_n = 12.5
step = [
    {do = "stroke", label = "working-in", to_n = "peak", count = 3},
    {do = "stroke", label = "recorded", to_n = "peak", count = 3},
    {do = "away", label = "recovery", seconds = 60},
    {do = "rest", label = "before", seconds = 15},
    {do = "keep", label = "under load", to_n = 6.0, seconds = 120},
    {do = "away", label = "recovery", seconds = 20},
    {do = "rest", label = "after 30 s", seconds = 15},
]
"""


def test_a_time_under_load_gives_its_set(bench, served):
    (bench / "set.toml").write_text(SHORT_SET)
    fit = fitted(by_bench(bench, served, "set.toml"))
    found = fit["compression_set"]
    assert found["verdict"] == "good"
    assert 30 < found["after_s"] < 45
    assert found["set_mm"]["low"] < found["set_mm"]["value"] < found["set_mm"]["high"]
    assert abs(found["set_mm"]["value"]) < 0.05
    assert len(found["readings"]) == 1


@pytest.mark.long
def test_half_an_hour_under_load_and_endurance_as_they_are(bench, served):
    fit = fitted(by_bench(bench, served, "compression-set"))
    assert [round(r["after_s"], -1) for r in fit["compression_set"]["readings"]] == [40, 1810]
    fit = fitted(by_bench(bench, served, "endurance"))
    assert "partly_read" in codes(fit)
    assert sum(1 for s in fit["strokes"] if s["used"] and s["reason"] == "recorded") <= 5
    assert len(fit["strokes"]) == 318


def test_help_tells_every_procedure():
    words = CliRunner().invoke(cli, ["capture", "--help"]).output
    for name in (p.name[:-5] for p in (resources.files("padlab") / "procedures").iterdir()
                 if p.name.endswith(".toml")):
        assert f"  {name} " in words, name
    form = CliRunner().invoke(cli, ["new", "procedure"]).output
    for do in ("stroke", "hold", "rest", "free", "bare", "keep", "away", "weight"):
        assert f'"{do}"' in form
