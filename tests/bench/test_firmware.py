"""The firmware of the bench to build, run by a real MicroPython with simulated pins.

``firmware/run.mjs`` holds the board: MicroPython's own WebAssembly build under node, with the modules
in ``firmware/simulated`` for the pins, the clock and what hangs on them. The firmware is the very file
that is loaded on a board. All of it runs with the heap locked: taking memory in a turn ends it (and the
test). Only the first test runs a piece of the firmware under this Python.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import runpy
import shutil
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from padlab.capture.checksum import add_sum
from padlab.capture.port import Piece, Port
from padlab.capture.procedure import read_procedure
from padlab.capture.rig import read_rig, rigs_folder
from padlab.capture.timeline import Timeline
from padlab.capture.virtual.session import VirtualRig
from padlab.capture.wire import reader_for
from padlab.records.raw_log import read_raw
from padlab.records.shelf import Shelf
from padlab.signals.skew import estimate_skew

pytestmark = pytest.mark.real_time

HERE = Path(__file__).parent / "firmware"
FIRMWARE = Path(str(rigs_folder())) / "firmware" / "main.py"
PATIENCE_S = 120.0
LAST_TICK = 2**30 - 1
RIG = read_rig("built-bench")
FORCE, DISPLACEMENT = RIG.to_record().instruments[0].channels


def why_not() -> str | None:
    """Why there is no MicroPython here; None where there is."""
    if shutil.which("node") is None:
        return "node is not there, which runs MicroPython's WebAssembly build"
    locked = json.loads((HERE / "package-lock.json").read_text())["packages"]
    for place, wanted in locked.items():
        found = HERE / place / "package.json"
        if place and not found.is_file():
            return f"{place.rpartition('node_modules/')[2]} is not there: npm ci in tests/bench/firmware"
        if place and json.loads(found.read_text())["version"] != wanted["version"]:
            return f"{place} is another version than the locked one: npm ci in tests/bench/firmware"
    return None


needs_micropython = pytest.mark.skipif(why_not() is not None, reason=why_not() or "")
needs_terminal = pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals on this system")


class Board:
    """A board and its story: what the converter and the scale go through, one count a millisecond."""

    def __init__(self, folder, force, place, **options):
        self.force, self.place = np.asarray(force, dtype="<i4"), np.asarray(place, dtype="<i4")
        self.force.tofile(folder / "force")
        self.place.tofile(folder / "place")
        self.command = ["node", str(HERE / "run.mjs"), str(FIRMWARE), str(folder / "force"),
                        str(folder / "place"), json.dumps(options)]

    def said(self):
        """All that it says from its power-up to the end of the story."""
        done = subprocess.run(self.command, capture_output=True, timeout=PATIENCE_S, check=False)
        assert (done.returncode, done.stderr) == (0, b"the story is over\n")
        return done.stdout


@pytest.fixture
def board(tmp_path):
    def make(force, place=None, **options):
        return Board(tmp_path, force, np.zeros_like(force) if place is None else place, **options)
    return make


@pytest.fixture
def plugged_in(tmp_path):
    """Boards behind a terminal: makes one and gives its URL."""
    with contextlib.ExitStack() as stack:

        def plug_in(force, place, **options):
            import tty

            near, far = os.openpty()
            stack.callback(os.close, near)
            stack.callback(os.close, far)
            tty.setraw(far)
            os.set_blocking(near, False)
            one = Board(tmp_path, force, place, fd=near, **options)
            process = stack.enter_context(
                subprocess.Popen(one.command, pass_fds=[near], stderr=subprocess.DEVNULL))
            stack.callback(process.kill)
            return os.ttyname(far)

        yield plug_in


def read(said):
    """Readings as numbers, the lines that are none, and the counts of padlab's own reader."""
    wire = reader_for(RIG.instrument[0], whole_from_start=True)
    got = wire.feed(said)
    strange = [line for line in said.split(b"\n")[:-1] if line[:1] in b"#!"]
    return got.values, strange, wire.counts


def still(seconds, force=0):
    return np.full(round(1000 * seconds) + 1, force)


def ms(seconds):
    return np.arange(round(1000 * seconds) + 1)


# -- under this Python -------------------------------------------------------------------------------


def test_a_line_is_the_one_that_padlab_reads():
    firmware = runpy.run_path(str(FIRMWARE))                # takes nothing from a board until it runs
    line, rng = firmware["Line"](), np.random.default_rng(20261104)
    numbers = [(65535, 999999999, -8388608, -999999999), (0, 0, 0, 0), (9, 10, 99, -100)]
    numbers += [(int(rng.integers(65536)), int(rng.integers(10**9)), int(rng.integers(-2**23, 2**23)),
                 int(rng.integers(-10**6, 10**6))) for _ in range(500)]
    for four in numbers:
        assert bytes(line.of(*four)) == add_sum(b"%d,%d,%d,%d" % four, "crc16") + b"\n"
    assert firmware["COUNTER_END"] == RIG.instrument[0].counter.modulus
    assert firmware["CLOCK_END"] == RIG.instrument[0].clock.modulus


# -- under MicroPython -------------------------------------------------------------------------------


@needs_micropython
def test_it_tells_every_number_of_the_converter_and_where_the_scale_stood(board):
    place = np.where(ms(4) < 2000, 0, -((ms(4) - 2000) // 5))       # at rest, then -0.2 mm a second
    said = board(still(4, -123456), place).said()
    values, strange, counts = read(said)
    assert strange == [b"# built-bench 1"]
    assert (counts.bad_lines, counts.lost_lines, counts.failed_sums) == (0, 0, 0)
    assert len(values) == pytest.approx(4 * 80 - 8, abs=1)          # all but those of the start
    assert values[:, 0].tolist() == list(range(len(values)))
    assert np.abs(values[:, 2] + 123456).max() <= 128               # the simulated converter's noise
    steps = np.diff(values[:, 1])
    assert steps.mean() == pytest.approx(12500, abs=5)
    assert np.abs(steps - 12500).max() < 1000                       # it sees a number within a turn
    expected = np.interp(values[:, 1] / 1000 - 25.0, ms(4), place)
    assert np.abs(values[:, 3] - expected).max() <= 1.5


@needs_micropython
@pytest.mark.parametrize(("late_us", "apart_ms"), [(25000, 0.0), (0, 25.0), (60000, -35.0)])
def test_force_and_displacement_of_a_line_belong_to_one_moment(board, late_us, apart_ms):
    """The simulated converter tells the mean of 50 ms, 25 ms late; both rise by 4 counts a millisecond."""
    rise = np.maximum(ms(3) - 500, 0)
    values, _, _ = read(board(400 * rise, 4 * rise, set={"FORCE_LATE_US": late_us}).said())
    rising = values[values[:, 1] > 700_000]
    apart = rising[:, 3] / 4 - rising[:, 2] / 400
    assert apart.mean() == pytest.approx(apart_ms, abs=0.6)
    assert np.abs(apart - apart.mean()).max() < 1.0


@needs_micropython
@pytest.mark.parametrize("late_us", [0, 25000])
def test_what_is_left_to_add_to_the_lateness_is_found_on_a_spring(board, late_us):
    """As the README beside the firmware says."""
    s = ms(9) / 1000
    place = 400 * (1 - np.cos(2 * np.pi * 0.5 * s)) + 40 * np.sin(2 * np.pi * 1.3 * s)
    values, _, _ = read(board(800 * place.round(), place.round(), set={"FORCE_LATE_US": late_us}).said())
    t = (values[:, 1] - values[0, 1]) / 1e6
    found = estimate_skew(t, values[:, 3] * 0.001, t, values[:, 2] * FORCE.scale)
    assert late_us / 1e6 + found.skew_s == pytest.approx(0.025, abs=0.002)


@needs_micropython
def test_counter_and_clock_and_ticks_go_over_their_ends(board):
    values, _, counts = read(board(
        still(3), first_ticks=LAST_TICK - 1_500_000, start={"counter": 65500, "clock": 999_000_000}).said())
    assert (counts.bad_lines, counts.lost_lines, counts.restarts) == (0, 0, 0)
    assert (values[0, 0], values[-1, 0]) == (65500, 65500 + len(values) - 1 - 65536)
    assert values[:, 1].max() > 999_900_000
    assert values[-1, 1] < 2_100_000
    clock = RIG.instrument[0].clock
    line = Timeline(s_per_tick=1e-6, modulus=clock.modulus)
    times = line.add(host_s=np.zeros(len(values)), ticks=values[:, 1])
    assert line.restarts == []
    assert np.diff(times) == pytest.approx(0.0125, abs=0.001)


@needs_micropython
@pytest.mark.parametrize(("fault", "words"), [
    ("data high", b"!force: the converter says nothing"),
    ("data low", b"!force: the data line stays low"),
    ("frozen", b"!force: the same number again and again")])
def test_a_stuck_converter_is_said_and_no_reading_is_made_up(board, fault, words):
    force = np.where(ms(7) < 2000, 5000, 90000)
    values, strange, counts = read(board(force, faults=[[fault, 2000, 5000]]).said())
    assert strange[0] == b"# built-bench 1"
    assert set(strange[1:]) == {words}
    assert counts.bad_lines == len(strange) - 1 == pytest.approx(10, abs=3)
    assert counts.lost_lines == 0
    pause_us = np.diff(values[:, 1])
    assert pause_us.max() == pytest.approx(2e6 if fault == "frozen" else 3e6, abs=0.2e6)
    after = values[np.argmax(pause_us) + 1:, 2]
    assert len(after) > 150                                         # it goes on by itself
    assert np.abs(after - 90000).max() <= 128                       # and with settled numbers only


@needs_micropython
def test_an_overloaded_cell_is_told_as_it_is_and_stops_a_capture(board):
    values, strange, _ = read(board(still(4), faults=[["saturated", 1000, 4000]]).said())
    assert strange == [b"# built-bench 1"]
    assert (values[-200:, 2] == 8388607).all()                      # longer than any other number may stay
    assert 8388607 * FORCE.scale > FORCE.limit


@needs_micropython
@pytest.mark.parametrize(("edges_a_ms", "is_missed"), [(10, False), (120, True)])
def test_a_scale_moved_too_fast_is_said_and_the_press_is_left_out(board, edges_a_ms, is_missed):
    """10 mm/s is followed; 120 mm/s cannot be, with interrupts of a slow board."""
    place = np.cumsum(np.where((ms(5) > 1000) & (ms(5) <= 1050), edges_a_ms, 0))
    values, strange, counts = read(board(still(5), place).said())
    pause_s = np.diff(values[:, 1]).max() / 1e6
    if is_missed:
        assert set(strange[1:]) == {b"!displacement: an edge was missed, its zero has moved"}
        assert counts.bad_lines > 5
        assert 2.0 < pause_s < 2.2
        assert values[-1, 3] != place[-1]
    else:
        assert strange == [b"# built-bench 1"]
        assert pause_s < 0.02
        assert values[-1, 3] == place[-1]


@needs_micropython
def test_a_converter_with_a_slow_clock_of_its_own_is_followed(board):
    values, strange, _ = read(board(still(3), period_us=13100).said())
    assert strange == [b"# built-bench 1"]
    assert np.diff(values[:, 1]).mean() == pytest.approx(13100, abs=5)


# -- and padlab at the other end of the cable --------------------------------------------------------


def padlab(*words):
    """What a command told as JSON, and what it said."""
    done = subprocess.run([sys.executable, "-m", "padlab.cli", *words, "--json"],
                          capture_output=True, text=True, timeout=PATIENCE_S, check=False)
    assert done.returncode == 0, done.stderr
    return json.loads(done.stdout), done.stderr


def story(procedure="check"):
    """A hand that presses a steel spring: by default five times slowly and five times quickly."""
    rig = VirtualRig(RIG, pad_kind="spring", seed=4, procedure=read_procedure(procedure))
    rig.errors = replace(rig.errors, force_noise_n=0.0, displacement_noise_mm=0.0)
    block = next(rig.blocks())
    counts = np.array([line.split(b"*")[0].split(b",") for line in block.lines], dtype=float)
    fine = ms(block.time_s[-1] + 3.0)
    force, place = (np.interp(fine / 1000, block.time_s, counts[:, k]).round() for k in (2, 3))
    return fine / 1000, force, place - place[0]


@needs_micropython
@needs_terminal
def test_a_minute_is_captured_and_no_line_is_lost(plugged_in, tmp_path):
    time_s, force, place = story()
    assert time_s[-1] > 60
    url = plugged_in(force, place, least_sleep_us=1000)
    told, words = padlab("capture", "built-bench", "check", "--out", str(tmp_path / "shelf"), "--url", url)
    assert told["state"] == "complete", words
    assert not {m["code"] for m in told["marks"]} & {"bad_lines", "lost_lines", "gap"}
    run = Shelf(tmp_path / "shelf").open(told["run"])
    raw = read_raw(run)["board"]
    assert (np.diff(raw["counter"]) == 1).all()
    assert raw["clock"].iloc[-1] - raw["clock"].iloc[0] > 60e6
    # every reading is what was there 25 ms before it: within its noise, and within an edge of the scale
    then = raw["clock"].to_numpy() / 1e6 - 0.025
    assert np.abs(raw["displacement"] - np.interp(then, time_s, place)).max() <= 4
    assert np.std(raw["force"] - np.interp(then, time_s, force)) * FORCE.scale < 0.02
    samples = run.samples
    assert len(samples) == len(raw)
    assert samples["force_n"].max() == pytest.approx(12.5, rel=0.15)     # what the procedure asks for


SHORT = """
name = "short"
kind = "check"
title = "A few presses of a spring"
peak_net_n = 10.0
[[step]]
do = "stroke"
label = "recorded"
to_n = "peak"
count = COUNT
"""


@needs_micropython
@needs_terminal
def test_a_press_in_which_an_edge_was_missed_does_not_count(plugged_in, tmp_path):
    procedure, played = tmp_path / "short.toml", tmp_path / "played.toml"
    procedure.write_text(SHORT.replace("COUNT", "3"))
    played.write_text(SHORT.replace("COUNT", "4"))              # one more, for the one that does not count
    time_s, force, place = story(str(played))
    pressed = np.flatnonzero(force * FORCE.scale > 8.0)
    second = pressed[np.flatnonzero(np.diff(pressed) > 1000)[0] + 1]
    place = place + np.clip(np.arange(len(place)) - second, 0, 20) * 100        # 100 mm/s for 20 ms
    told, words = padlab("capture", "built-bench", str(procedure), "--out", str(tmp_path / "shelf"),
                         "--url", plugged_in(force, place, least_sleep_us=1000))
    assert told["state"] == "complete", words
    assert "does not count: readings are missing while it was pressed" in words
    assert {"gap", "bad_lines"} <= {m["code"] for m in told["marks"]}
    assert "lost_lines" not in {m["code"] for m in told["marks"]}


@needs_micropython
@needs_terminal
def test_a_line_damaged_on_the_way_is_caught_by_its_checksum(plugged_in):
    """One bit of one digit: without its checksum the line would read well, and be wrong by 10 N."""
    url = plugged_in(still(3, 200000), still(3), flip=[100, -14, 4])
    port = Port(RIG.with_urls([url]).instrument[0])
    with port:
        wire = reader_for(port.instrument, whole_from_start=True)
        port.start()
        end = time.monotonic() + PATIENCE_S
        while wire.counts.readings < 200:
            assert time.monotonic() < end
            with contextlib.suppress(queue.Empty):
                event = port.events.get(timeout=0.1)
                assert isinstance(event, Piece)
                wire.feed(event.data)
    assert (wire.counts.bad_lines, wire.counts.failed_sums, wire.counts.lost_lines) == (1, 1, 0)
    text = wire.last_bad.rpartition("*")[0]
    assert wire.pattern.compiled.fullmatch(text.encode()), text


@needs_micropython
@needs_terminal
def test_listening_shows_it(plugged_in):
    url = plugged_in(still(60, 429500), still(60), speed=1)
    told, _ = padlab("rigs", "built-bench", "--listen", "--seconds", "2", "--url", url)
    look, = told["instruments"]
    assert 20 < look["lines_per_s"] < 400           # 80, but for a busy machine that has to catch up
    assert (look["bad_lines"], look["lost_lines"]) == (0, 0)
    assert look["channels"][0]["value"] == pytest.approx(10.0, abs=0.01)
