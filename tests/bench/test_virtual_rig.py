"""The virtual rig behind a real pseudo-terminal and a real TCP port, as its own process."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import time

import pytest
import serial

from padlab.capture.rig import read_rig
from padlab.capture.virtual.session import VirtualRig
from padlab.capture.wire import reader_for

pytestmark = pytest.mark.real_time

HAS_PTY = hasattr(os, "openpty")
needs_pty = pytest.mark.skipif(not HAS_PTY, reason="there are no pseudo-terminals on this system")
PORTS = [pytest.param([], id="pty", marks=needs_pty), pytest.param(["--tcp", "0"], id="tcp")]
QUICKLY = ["--pad-kind", "blank", "--speed", "1000"]
PATIENCE_S = 30.0
COMMAND = [sys.executable, "-c", "from padlab.cli.main import main; main()", "virtual-rig"]


class Served:
    """A virtual rig in a process of its own, and the URL that it printed."""

    def __init__(self, *arguments):
        self.process = subprocess.Popen(
            [*COMMAND, *arguments],
            stdout=subprocess.PIPE, stderr=subprocess.PIPE)
        self.url = self.process.stdout.readline().decode().strip()
        if not self.url:
            raise AssertionError(self.process.communicate(timeout=PATIENCE_S)[1].decode())

    def wait_for(self, words):
        """Wait until it says so."""
        while words not in (line := self.process.stderr.readline().decode()):
            assert line, f"it ended and never said {words!r}"

    def end(self):
        """Ask it to end; what it said, and its exit code."""
        if self.process.poll() is None:
            self.process.terminate()
        _, words = self.process.communicate(timeout=PATIENCE_S)
        return words.decode(), self.process.returncode


@pytest.fixture
def served():
    running = []

    def start(*arguments):
        running.append(Served(*arguments))
        return running[-1]

    yield start
    for one in running:
        one.end()


def opened(url):
    return serial.serial_for_url(url, baudrate=115200, timeout=0.2)


def heard(port, enough, patience_s=PATIENCE_S):
    """Read until ``enough(bytes so far)``; fails at the deadline."""
    got, until = b"", time.monotonic() + patience_s
    while not enough(got):
        assert time.monotonic() < until, f"only {len(got)} bytes came"
        got += port.read(65536 if isinstance(port, serial.Serial) and port.in_waiting > 4000 else 512)
    return got


def lines(count):
    return lambda got: got.count(b"\n") >= count


def read(got):
    reader = reader_for(read_rig("bench").instrument[0], whole_from_start=True)
    return reader.feed(got), reader.counts


@pytest.mark.parametrize("where", PORTS)
def test_no_line_is_lost_at_a_thousand_times_the_speed_and_all_are_as_told(served, where):
    rig = served(*QUICKLY, *where)
    told = next(VirtualRig(read_rig("bench"), pad_kind="blank").blocks()).lines
    with opened(rig.url) as port:
        got = heard(port, lines(1500))
    readings, counts = read(got)
    assert got.startswith(b"# bench-a virtual, invented data\n")
    assert (counts.bad_lines, counts.lost_lines, counts.restarts) == (0, 0, 0)
    assert readings.text.split("\n")[:1400] == [line.decode().strip() for line in told[:1400]]


@pytest.mark.parametrize("where", PORTS)
def test_it_answers_who_it_is_and_begins_anew_at_every_opening(served, where):
    rig = served(*QUICKLY, *where)
    for _ in range(2):
        with opened(rig.url) as port:
            port.write(b"?\n")
            got = heard(port, lambda got: b"# bench-a\n" in got and got.count(b"\n") > 20)
        readings, _ = read(got)
        assert readings.values[0, 0] == 0
        assert readings.values[0, 1] == 0
        rig.wait_for("the program left")      # a terminal closed and opened at once looks never closed


@pytest.mark.parametrize("where", PORTS)
def test_a_slow_reader_loses_nothing(served, where):
    rig = served(*QUICKLY, *where)
    with opened(rig.url) as port:
        heard(port, lambda got: len(got) >= 40)
        time.sleep(1.0)                       # the reader's own slowness is what is tested
        _, counts = read(b"\n" + heard(port, lines(3000)).partition(b"\n")[2])
    assert counts.lost_lines == 0


@pytest.mark.parametrize("where", PORTS)
def test_it_sends_in_real_time_in_small_batches(served, where):
    rig = served("--hand", "still", *where)
    with opened(rig.url) as port:
        heard(port, lines(5))
        began, arrivals = time.monotonic(), []
        while time.monotonic() < began + 1.0:
            if port.read(1):
                arrivals.append(time.monotonic())
    moments = 1 + sum(b - a > 0.008 for a, b in zip(arrivals, arrivals[1:], strict=False))
    assert moments >= 20


def test_a_second_program_is_turned_away_and_the_first_goes_on(served):
    rig = served("--hand", "still", "--tcp", "0")
    number = int(rig.url.rpartition(":")[2])
    with opened(rig.url) as port:
        heard(port, lines(3))
        with socket.create_connection(("127.0.0.1", number), timeout=PATIENCE_S) as second:
            assert second.recv(100) == b"# busy: another program holds this rig\n"
            assert second.recv(100) == b""
        heard(port, lines(10))


def test_a_taken_tcp_port_is_one_clear_message():
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        done = subprocess.run([*COMMAND, *QUICKLY, "--tcp", str(taken.getsockname()[1])],
                              capture_output=True, timeout=PATIENCE_S)
    assert done.returncode == 1
    assert done.stdout == b""
    assert b"cannot be listened on" in done.stderr
    assert b"Traceback" not in done.stderr


@needs_pty
def test_a_link_is_a_stable_name_and_goes_at_the_end(served, tmp_path):
    link = tmp_path / "rig"
    rig = served(*QUICKLY, "--link", str(link))
    assert rig.url == str(link)
    assert link.is_symlink()
    with opened(rig.url) as port:
        heard(port, lines(3))
    words, code = rig.end()
    assert code == 0
    assert "ended" in words
    assert not link.is_symlink()


@needs_pty
def test_a_link_never_takes_the_place_of_something(tmp_path):
    (tmp_path / "rig").write_text("precious")
    done = subprocess.run([*COMMAND, *QUICKLY, "--link", str(tmp_path / "rig")],
                          capture_output=True, timeout=PATIENCE_S)
    assert done.returncode == 1
    assert b"is taken" in done.stderr
    assert (tmp_path / "rig").read_text() == "precious"


@pytest.mark.parametrize("where", PORTS)
@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGINT to send to one process")
def test_it_ends_cleanly_on_ctrl_c_while_a_program_reads(served, where):
    rig = served(*QUICKLY, *where)
    with opened(rig.url) as port:
        heard(port, lines(3))
        rig.process.send_signal(signal.SIGINT)
        words, code = rig.end()
    assert code == 0
    assert "Traceback" not in words


@pytest.mark.parametrize("where", PORTS)
def test_once_ends_when_it_was_played_and_the_program_left(served, where):
    rig = served(*QUICKLY, "--once", *where)
    with opened(rig.url) as port:
        heard(port, lines(3))                 # left before the end: it waits for the next program
    rig.wait_for("the program left")
    with opened(rig.url) as port:
        heard(port, lines(2500))
        assert rig.process.poll() is None
    assert rig.process.wait(PATIENCE_S) == 0


def until_it_is_gone(port):
    """All that comes until the port is lost."""
    got, until = b"", time.monotonic() + PATIENCE_S
    while time.monotonic() < until:
        try:
            got += port.read(512)
        except OSError:                       # pyserial's SerialException is one
            return got
    raise AssertionError("the port was never lost")


@pytest.mark.parametrize("where", PORTS)
def test_unplug_takes_the_port_away_and_the_hand_goes_on_behind_the_gap(served, where):
    rig = served("--pad-kind", "blank", "--speed", "100", "--fault", "unplug@10", *where)
    port = opened(rig.url)
    before = until_it_is_gone(port)
    port.close()
    until = time.monotonic() + PATIENCE_S
    while True:
        try:
            port = opened(rig.url)
            break
        except OSError:
            assert time.monotonic() < until
            time.sleep(0.05)
    with port:
        after = heard(port, lines(50))
    last = read(before)[0].values[-1]
    first = read(after)[0].values[0]
    assert last[1] / 1e6 == pytest.approx(10.0, abs=0.5)
    assert first[1] / 1e6 == pytest.approx(12.0, abs=0.5)
    assert first[0] - last[0] == pytest.approx((first[1] - last[1]) / 1e6 * 50, abs=1)


def test_stall_is_silence_and_nothing_is_lost(served):
    rig = served(*QUICKLY, "--tcp", "0", "--fault", "stall@5")
    with opened(rig.url) as port:
        got = heard(port, lines(251))
        began = time.monotonic()
        got += heard(port, lines(100))
        assert time.monotonic() - began > 2.0
    assert read(got)[1].lost_lines == 0


def test_split_lines_are_whole_lines_in_the_end(served):
    rig = served(*QUICKLY, "--tcp", "0", "--fault", "split@1")
    with opened(rig.url) as port:
        _, counts = read(heard(port, lines(400)))
    assert (counts.bad_lines, counts.lost_lines) == (0, 0)


@pytest.mark.parametrize(("arguments", "code", "words"), [
    (["--speed", "5000"], 2, "speed"),
    (["--fault", "melt@3"], 1, "not a fault"),
    (["--material", "oak"], 1, "no virtual material"),
    (["--rig", "no-such"], 1, "no rig"),
    (["--tcp", "0", "--link", "x"], 2, "--link"),
    (["--rig", "two-instruments", "--speed", "10"], 1, "stamped by the host"),
    (["--rig", "two-instruments", "--lag", "dial"], 1, "names no instrument"),
    (["--rig", "two-instruments", "--lag", "dial=23"], 1, "unit"),
    (["--rig", "two-instruments", "--ppm", "dial=nan"], 1, "no rate of a clock"),
    (["--rig", "two-instruments", "--lag", "scale=2ms"], 1, "no instrument 'scale'"),
    (["--rig", "two-instruments", "--fault", "scale:unplug@3"], 1, "no instrument 'scale'"),
])
def test_what_cannot_be_served_is_one_clear_message(arguments, code, words):
    done = subprocess.run([*COMMAND, *arguments], capture_output=True, timeout=PATIENCE_S)
    assert done.returncode == code
    assert words in done.stderr.decode()
    assert b"Traceback" not in done.stderr
    assert done.stdout == b""


@pytest.mark.parametrize("where", PORTS)
def test_two_instruments_are_served_on_two_ports_and_time_waits_for_both(where):
    process = subprocess.Popen([*COMMAND, "--rig", "two-instruments", "--hand", "still", *where],
                               stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        urls = dict(process.stdout.readline().decode().strip().split("=", 1) for _ in range(2))
        assert list(urls) == ["cell", "dial"]
        with opened(urls["cell"]) as cell:
            cell.write(b"?\n")
            got = heard(cell, lambda got: b"# cell\n" in got)
            assert got.count(b",") == 1   # of its greeting: no reading yet
            with opened(urls["dial"]) as dial:
                assert re.fullmatch(rb"[+-]\d{1,3}\.\d{3}\n", heard(dial, lines(1))[:7])
                first = heard(cell, lines(3)).split(b"\n")[0]
                assert first.startswith(b"0,0,")
    finally:
        process.terminate()
        _, words = process.communicate(timeout=PATIENCE_S)
    assert process.returncode == 0
    assert b"until a program opens dial too" in words
    assert b"ms late" in words


@needs_pty
def test_links_of_several_instruments_carry_their_names_and_go_at_the_end(tmp_path):
    process = subprocess.Popen([*COMMAND, "--rig", "polled-pair", "--hand", "still", "--link",
                                str(tmp_path / "rig")], stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    try:
        told = [process.stdout.readline().decode().strip() for _ in range(2)]
        assert told == [f"cell={tmp_path}/rig-cell", f"dial={tmp_path}/rig-dial"]
        assert all((tmp_path / f"rig-{name}").is_symlink() for name in ("cell", "dial"))
    finally:
        process.terminate()
        process.communicate(timeout=PATIENCE_S)
    assert list(tmp_path.iterdir()) == []
