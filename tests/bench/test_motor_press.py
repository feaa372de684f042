"""A motor press on two real pseudo-terminals, with its own clock, motion and watchdog; padlab drives it.

Whatever goes wrong, three things are looked at: the press ends safe (it truly stands, and knows it), the run
is kept, and the words say what happened and what to do next.
"""

from __future__ import annotations

import contextlib
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from padlab.capture.motor import Motor
from padlab.capture.motor_cautions import motor_cautions
from padlab.capture.procedure import procedure_from_table
from padlab.capture.recorder import record
from padlab.capture.rig import read_rig, rig_from_table, rigs_folder
from padlab.capture.virtual.motor_bench import MotorBench
from padlab.capture.virtual.motor_press import MotorPress, PressFaults, Spring
from padlab.capture.virtual.ports import PtyPort
from padlab.capture.virtual.stocks import make_pad
from padlab.errors import RigError, RigSilent
from padlab.records.pad import Pad
from padlab.records.shelf import Shelf, open_run

pytestmark = [pytest.mark.real_time,
              pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")]

PAD = Pad(id="A3", material="wool felt", material_class="felt", lot="2026-07", outer_diameter_mm=19,
          inner_diameter_mm=8, thickness_mm=1.6)
ONE = procedure_from_table({"name": "one", "kind": "check", "step": [
    {"do": "stroke", "label": "recorded", "to_n": 8.0}]}, source="test")
WITHIN_S = 1.0
"""The watchdog of these tests: time enough for a computer that has other work."""


def described(**watchdog):
    table = read_rig("motor-press").model_dump(mode="json", exclude_none=True, by_alias=True)
    table["motor"]["watchdog"] = {k: v for k, v in {
        **table["motor"]["watchdog"], "within": f"{WITHIN_S:g}s", **watchdog}.items() if v is not None}
    return rig_from_table(table, source="test")


class Served:
    """A press behind two pseudo-terminals, in a thread of its own."""

    def __init__(self, piece=None, *, rig=None, speed=3.0, flood=b"", **more):
        self.plain = rig or described()
        self.press = MotorPress(self.plain, piece or Spring(), rests_at_mm=0.05, **more)
        self.cell, self.motor = PtyPort(), PtyPort(keeps_name=True)
        self.urls = [f"main={self.cell.url}", f"motor={self.motor.url}"]
        self.rig = self.plain.with_urls(self.urls)
        self.bench = MotorBench(self.press, self.cell, self.motor, speed=speed, flood=flood)
        self.thread = threading.Thread(target=self.bench.run)

    def __enter__(self):
        self.thread.start()
        return self

    def __exit__(self, *ignored: object):
        self.bench.stop()
        self.thread.join(10)

    def wait_until(self, happened, limit_s=60.0):
        until = time.monotonic() + limit_s
        while not happened():
            assert time.monotonic() < until, (self.press.state, self.press.heard[-5:])
            time.sleep(0.005)

    def stands(self):
        """Whether it truly stands, now and half a second of its time later."""
        since = self.press.time_s
        self.wait_until(lambda: self.press.time_s > since + 0.3)         # it comes to rest
        place = self.press.screw_mm
        self.wait_until(lambda: self.press.time_s > since + 0.8)
        return self.press.speed_mm_per_s == 0.0 and self.press.screw_mm == place


class Said(list):
    """A screen."""

    def say(self, said):
        self.append(said.text)

    def progress(self, text):
        assert text

    @property
    def text(self):
        return "\n".join(self)


def drive(served, tmp_path, procedure=ONE, **more):
    screen = Said()
    with Motor(served.rig, procedure) as motor:
        run = record(served.rig, procedure, Shelf(tmp_path / "shelf"), screen=screen, motor=motor, **more)
    return run, screen


def told(served):
    return [line.decode() for _, line in served.press.heard]


def is_kept(run, least_s=1.0):
    again = open_run(run.folder)
    return again.state == run.state and again.samples["time_s"].iloc[-1] > least_s


def test_strokes_a_hold_and_a_touch_are_done_by_the_motor(tmp_path):
    plan = procedure_from_table({"name": "all", "kind": "pad", "step": [
        {"do": "stroke", "label": "recorded", "to_n": 8.0},
        {"do": "hold", "label": "hold", "to_n": 3.5, "seconds": 6},
        {"do": "rest", "label": "rest", "seconds": 4}]}, source="test")
    with Served(make_pad("wool felt")) as served:
        run, screen = drive(served, tmp_path, plan, pad=PAD)
        assert run.state == "complete", screen
        assert {m.code for m in run.marks} <= {"overshot"}       # where this computer was held up
        assert served.press.state == "safe"
        assert served.stands()
    assert told(served)[-2:] == ["halt", "off"]
    assert "the motor's watchdog was tried" in screen.text
    assert run.samples["force_n"].max() == pytest.approx(8.0, rel=0.08)
    assert max(abs(v) for _, _, v in served.press.force_seen) < 0.8
    assert run.rig.description["motor"]["watchdog"]["within"] == "1s"


@pytest.mark.parametrize(("faults", "code", "words"), [
    (PressFaults(jams_at_n=5.0), "interrupted", ("stalled", "with the motor switched off")),
    (PressFaults(cell_sticks_at_n=5.0), "over_range", ("over the motor's limit of 21 N", "start a new run")),
    (PressFaults(reports_at_n=5.0), "interrupted", ("reports 'fault: current'", "start a new run")),
    (PressFaults(backwards=True), "interrupted", ("runs the wrong way", "check sign")),
])
def test_what_goes_wrong_ends_safe_and_is_kept(tmp_path, faults, code, words):
    with Served(faults=faults) as served:
        run, screen = drive(served, tmp_path)
        assert run.state == "interrupted"
        assert code in {m.code for m in run.marks}
        assert all(word in screen.text for word in words), screen
        assert not served.press.is_on
        assert served.stands()
        assert max(f for _, f, _ in served.press.force_seen) < 9.0
    assert is_kept(run, 0.0)


def test_readings_that_stand_still_stop_it_though_lines_go_on(tmp_path):
    """A reader that is frozen, or a board that says the same line again and again, is no fresh reading."""
    with Served() as served:
        def freeze():
            served.wait_until(lambda: served.press.piece.force_n > 2.0)
            served.press.faults.clock_stuck = True

        freezing = threading.Thread(target=freeze)
        freezing.start()
        run, screen = drive(served, tmp_path)
        freezing.join(10)
        assert run.state == "interrupted"
        assert "fresh readings stayed away" in screen.text
        assert "stands still while lines come" in screen.text or "stand still while" in screen.text
        assert served.stands()
        assert max(f for _, f, _ in served.press.force_seen) < 9.0
    assert is_kept(run)


@pytest.mark.parametrize("which", ["cell", "motor"])
def test_an_unplugged_port_ends_it_and_nothing_starts_again(tmp_path, which):
    with Served() as served:
        def unplug():
            served.wait_until(lambda: served.press.piece.force_n > 2.0)
            served.bench.pull = which

        unplugging = threading.Thread(target=unplug)
        unplugging.start()
        run, screen = drive(served, tmp_path)
        unplugging.join(10)
        assert run.state == "interrupted"
        if which == "cell":
            assert "see to its power and its cable" in screen.text
            assert told(served)[-2:] == ["halt", "off"]
        else:
            assert "THE MOTOR CANNOT BE REACHED" in screen.text
            assert "before you reach in" in screen.text
            served.wait_until(lambda: served.press.state == "stopped by its watchdog")
        assert served.stands()
    assert is_kept(run)


@contextlib.contextmanager
def padlab(served, shelf: Path, *more: str):
    """The command itself, as a process."""
    rig = shelf.parent / "rig.toml"
    text = (Path(__file__).parents[2] / "rigs" / "motor-press.toml").read_text("utf-8")
    rig.write_text(text.replace('within = "500ms"', f'within = "{WITHIN_S:g}s"'), "utf-8")
    program = subprocess.Popen(
        [sys.executable, "-c", "from padlab.cli.main import main; main()", "capture", str(rig), "check",
         "--out", str(shelf), *(x for u in served.urls for x in ("--url", u)), *more],
        stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        yield program
    finally:
        program.kill()
        program.communicate(timeout=20)


@pytest.mark.parametrize("how", ["killed", pytest.param("stopped", marks=pytest.mark.long)])
def test_padlab_killed_or_frozen_while_the_motor_runs(tmp_path, how):
    """SIGKILL and SIGSTOP in the middle of a press: the press's own watchdog ends it."""
    shelf = tmp_path / "shelf"
    with Served(speed=2.0) as served, padlab(served, shelf, "--drive") as program:
        served.wait_until(lambda: served.press.piece.force_n > 2.0 and served.press.speed_mm_per_s > 0)
        program.send_signal(signal.SIGKILL if how == "killed" else signal.SIGSTOP)
        heard = len(served.press.heard)
        at_s, force = served.press.time_s, served.press.piece.force_n
        served.wait_until(lambda: served.press.state == "stopped by its watchdog")
        assert served.press.time_s - at_s < WITHIN_S + 0.3
        assert len(served.press.heard) - heard < 10              # what was on its way
        assert served.stands()
        assert served.press.piece.force_n < force + 0.25 * WITHIN_S * 20        # it ran on, but not for long
        assert served.press.piece.force_n < 25.0
        program.kill()
        program.wait(10)
    [folder] = (shelf / "runs").iterdir()
    run = open_run(folder)
    assert run.state == "interrupted"
    assert (folder / "raw" / "main.csv").stat().st_size > 1000


def test_ctrl_c_stops_the_motor_and_keeps_the_run(tmp_path):
    shelf = tmp_path / "shelf"
    with Served() as served, padlab(served, shelf, "--drive", "--json") as program:
        served.wait_until(lambda: served.press.piece.force_n > 2.0)
        began_s = time.monotonic()
        program.send_signal(signal.SIGINT)
        out, words = program.communicate(timeout=30)
        assert time.monotonic() - began_s < 10
        assert program.returncode == 0
        assert told(served)[-2:] == ["halt", "off"]
        assert served.stands()
    assert "stopped by hand" in words
    assert "made safe" in words
    assert '"state": "interrupted"' in out
    for caution in ("WILL MOVE BY ITSELF", "Fingers", "stop switch", "Local rules"):
        assert caution in words
    assert words.index("WILL MOVE") < words.index("watchdog was tried") < words.index("hands off")


def test_nothing_is_sent_to_a_motor_without_a_word(tmp_path):
    with Served() as served, padlab(served, tmp_path / "shelf") as program:
        _, words = program.communicate(timeout=30)
        assert program.returncode == 2
        assert "--drive" in words
        assert told(served) == []
    assert not (tmp_path / "shelf").exists()


def test_only_the_word_itself_is_consent(tmp_path):
    """At a terminal it asks; Enter, yes and the like do not move it."""
    for typed, moves in ((b"\n", False), (b"yes\n", False), (b"move\n", True)):
        master, far = os.openpty()
        with Served() as served, contextlib.ExitStack() as stack:
            stack.callback(os.close, master)
            program = subprocess.Popen(
                [sys.executable, "-c", "from padlab.cli.main import main; main()", "capture", "motor-press",
                 "check", "--out", str(tmp_path / "shelf"), *(x for u in served.urls for x in ("--url", u))],
                stdin=far, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
            stack.callback(lambda p=program: (p.kill(), p.communicate(timeout=20)))
            os.close(far)
            os.write(master, typed)
            if moves:
                served.wait_until(lambda: "on" in told(served))
                continue
            _, words = program.communicate(timeout=30)
            assert program.returncode == 1
            assert "nothing was recorded" in words
            assert told(served) == []                            # not even asked who it is


def test_a_setup_line_waits_for_consent_too(tmp_path):
    """A file's setup lines were sent when the port was opened, before anyone had agreed."""
    rig = tmp_path / "own.toml"
    rig.write_text((Path(str(rigs_folder())) / "motor-press.toml").read_text("utf-8").replace(
        'start = ["on"]', 'setup = ["hello"]\nstart = ["on"]'))
    for typed, sent in ((b"no\n", False), (b"move\n", True)):
        master, far = os.openpty()
        with Served() as served, contextlib.ExitStack() as stack:
            stack.callback(os.close, master)
            program = subprocess.Popen(
                [sys.executable, "-c", "from padlab.cli.main import main; main()", "capture", str(rig),
                 "check", "--out", str(tmp_path / "shelf"), *(x for u in served.urls for x in ("--url", u))],
                stdin=far, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True)
            stack.callback(lambda p=program: (p.kill(), p.communicate(timeout=20)))
            os.close(far)
            os.write(master, typed)
            if sent:
                served.wait_until(lambda: "hello" in told(served))
            else:
                program.communicate(timeout=30)
                assert told(served) == []


def test_the_question_is_true_of_a_watchdog_that_cannot_be_tried():
    said = "\n".join(motor_cautions(described(says=None), "Check", 12.5))
    assert "ITS WATCHDOG IS NOT TRIED" in said
    assert "First its watchdog is tried" not in said
    said = "\n".join(motor_cautions(described(), "Check", 12.5))
    assert "First its watchdog is tried" in said
    assert "who | on. It moves by: run {speed}. To end: halt | off" in said


@pytest.mark.parametrize(("faults", "words"), [
    (PressFaults(watchdog_dead=True), "does not bite"),
    (PressFaults(deaf=True), "nothing comes from"),
])
def test_a_motor_whose_watchdog_is_not_proved_is_not_driven(tmp_path, faults, words):
    with Served(faults=faults) as served:
        with pytest.raises(RigError, match=words):
            drive(served, tmp_path)
        assert served.press.speed_mm_per_s == 0.0
        served.wait_until(lambda: not served.press.is_on)
    assert not (tmp_path / "shelf" / "runs").exists()


def test_a_watchdog_that_bites_though_it_is_fed_is_noticed(tmp_path):
    with Served(rig=described(feed="hello")) as served:
        served.press.watchdog = described(feed="other").motor.watchdog
        with pytest.raises(RigError, match="although it was fed"):
            drive(served, tmp_path)
        assert served.stands()


@pytest.mark.long
def test_a_watchdog_that_cannot_be_proved_is_said_to_be_so(tmp_path):
    with Served(rig=described(says=None)) as served:
        run, screen = drive(served, tmp_path)
        assert run.state == "complete", screen
    assert "cannot be proved from here" in screen.text


def test_an_echo_is_no_proof_and_no_fault(tmp_path):
    with Served(faults=PressFaults(echoes=True)) as served:
        run, screen = drive(served, tmp_path)
        assert run.state == "complete", screen
    # a motor that does nothing but echo: its watchdog "says" what is fed to it
    echoing = described(says="alive")
    with Served(rig=echoing, faults=PressFaults(echoes=True, watchdog_dead=True)) as served, \
            pytest.raises(RigError, match="does not bite"):
        drive(served, tmp_path / "2")


def test_a_motor_that_floods_is_not_driven(tmp_path):
    flood = bytes(np.random.default_rng(1).integers(0, 256, 60_000, dtype=np.uint8))
    with Served(flood=flood) as served:
        with pytest.raises(RigError, match=r"without end|is not the one|does not bite|although it was fed"):
            drive(served, tmp_path)
        assert served.press.speed_mm_per_s == 0.0


def test_a_motor_that_begins_to_flood_is_stopped(tmp_path):
    with Served() as served:
        def flood():
            served.wait_until(lambda: served.press.piece.force_n > 2.0)
            served.bench.flood = b"\xff\x00 noise without a line end" * 3000

        flooding = threading.Thread(target=flood)
        flooding.start()
        run, screen = drive(served, tmp_path)
        flooding.join(10)
        assert run.state == "interrupted"
        assert "talks without end" in screen.text or "its own watchdog" in screen.text
        assert served.stands()
        assert max(f for _, f, _ in served.press.force_seen) < 9.0


def test_a_motor_that_does_not_stop_is_cried_out(tmp_path):
    with Served(faults=PressFaults(ignores_stop=True, reports_at_n=2.0), speed=1.0) as served:
        run, screen = drive(served, tmp_path)
        assert run.state == "interrupted"
        served.wait_until(lambda: served.press.state == "stopped by its watchdog")
    assert "IT STILL PRESSES" in screen.text
    assert "stop switch NOW" in screen.text


def test_a_second_ctrl_c_in_the_middle_of_stopping_does_not_leave_it_running(tmp_path, monkeypatch):
    with Served() as served:
        motor = Motor(served.rig, ONE)
        motor.open()
        motor._arm()
        motor._tell(0.05)
        served.wait_until(lambda: served.press.speed_mm_per_s > 0.04)

        def interrupted(text):
            monkeypatch.undo()
            raise KeyboardInterrupt

        monkeypatch.setattr(motor._port, "command", interrupted)
        with pytest.raises(KeyboardInterrupt):
            motor.make_safe()
        motor.close()
        served.wait_until(lambda: served.press.state == "safe")
        assert served.stands()


def test_nobody_is_told_to_press_beside_a_motor(tmp_path):
    with Served() as served:
        _, screen = drive(served, tmp_path)
    asked = [text for text in screen if "press slowly" in text]
    assert asked
    assert all(text.startswith("hands off, the motor does it: ") for text in asked)


def test_a_silent_motor_is_said_to_be_silent(tmp_path):
    port = PtyPort()
    rig = described().with_urls([f"main={port.url}", f"motor={port.url}x"])
    with pytest.raises(RigError, match="no port|not there|nothing is there|there is no"), Motor(rig, ONE):
        pass
    silent = described().with_urls([f"main=/dev/null-{os.getpid()}", f"motor={port.url}"])
    with pytest.raises(RigSilent, match="nothing comes from"), Motor(silent, ONE):
        pass
    port.close()


@pytest.mark.parametrize(("fault", "words", "state"), [
    ("jam@7", "the motor stalled", "safe"),
    ("saturation@7", "over the motor's limit", "safe"),
    ("motor:unplug@7", "THE MOTOR CANNOT BE REACHED", "stopped by its watchdog"),
])
def test_a_fault_on_demand_as_a_user_sees_it(tmp_path, fault, words, state):
    """Two programs, as in two terminals: the rig ends safe, the run is kept, exit 1."""
    pad = tmp_path / "pad.toml"
    pad.write_text('id="A"\nmaterial="felt"\nmaterial_class="felt"\nlot="1"\nouter_diameter="19mm"\n'
                   'inner_diameter="8mm"\n')
    padlab = [sys.executable, "-c", "from padlab.cli.main import main; main()"]
    press = subprocess.Popen([*padlab, "virtual-rig", "--rig", "motor-press", "--fault", fault, "--link",
                              str(tmp_path / "rig")],
                             stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert press.stdout is not None
        urls = [press.stdout.readline().strip() for _ in range(2)]
        done = subprocess.run(
            [*padlab, "capture", "motor-press", "standard", "--pad", str(pad), "--out",
             str(tmp_path / "shelf"), "--drive", *(part for url in urls for part in ("--url", url))],
            capture_output=True, text=True, timeout=90, check=False)
    finally:
        press.send_signal(signal.SIGINT)
        _, said = press.communicate(timeout=20)
    assert done.returncode == 1
    assert words in done.stderr
    assert "the run is ended and kept" in done.stderr
    assert f"the motor's state: {state}" in said
    assert len(list((tmp_path / "shelf" / "runs").iterdir())) == 1


def test_a_fault_that_this_press_cannot_have_is_refused(tmp_path):
    for fault in ("slip@3", "unplug@3", "main:jam@3"):
        done = subprocess.run(
            [sys.executable, "-c", "from padlab.cli.main import main; main()", "virtual-rig", "--rig",
             "motor-press", "--fault", fault, "--link", str(tmp_path / "rig")],
            capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 1
        assert "is not a fault" in done.stderr


def test_the_virtual_press_is_served_by_the_command(tmp_path):
    """Two names on stdout, as --url takes them; Ctrl-C ends it and leaves no link behind."""
    program = subprocess.Popen(
        [sys.executable, "-c", "from padlab.cli.main import main; main()", "virtual-rig", "--rig",
         "motor-press", "--pad-kind", "spring", "--link", str(tmp_path / "rig")],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    try:
        assert program.stdout is not None
        urls = [program.stdout.readline().strip() for _ in range(2)]
        assert urls == [f"main={tmp_path / 'rig-main'}", f"motor={tmp_path / 'rig-motor'}"]
        with Motor(read_rig("motor-press").with_urls(urls), ONE) as motor:
            assert motor.url == str(tmp_path / "rig-motor")
            assert any("was tried" in said.text for said in motor.prove())
        assert program.stderr is not None
        while "left the motor's port" not in program.stderr.readline():
            assert program.poll() is None
    finally:
        program.send_signal(signal.SIGINT)
        _, words = program.communicate(timeout=20)
    assert program.returncode == 0
    assert "the motor's state: safe" in words
    assert list(tmp_path.iterdir()) == []
