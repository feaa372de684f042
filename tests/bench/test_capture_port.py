"""Real ports: opened alone, known by the rig's answer, read in bulk, lost and found again."""

from __future__ import annotations

import os
import queue
import socket
import subprocess
import sys
import threading
import time

import pytest

from padlab.capture.port import Back, GivenUp, Lost, Piece, Port
from padlab.capture.rig import read_rig
from padlab.capture.wire import reader_for
from padlab.errors import RigError, RigSilent

pytestmark = [pytest.mark.real_time,
              pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")]

PATIENCE_S = 20.0


def bench(url: str, **changes):
    return read_rig("bench").with_urls([url]).instrument[0].model_copy(update=changes)


def collect(port: Port, until, *, limit_s: float = PATIENCE_S):
    """Events up to the first for which ``until(event, all pieces so far)``."""
    events, data, end = [], b"", time.monotonic() + limit_s
    while time.monotonic() < end:
        try:
            event = port.events.get(timeout=0.1)
        except queue.Empty:
            continue
        events.append(event)
        data += event.data if isinstance(event, Piece) else b""
        if until(event, data):
            return events, data
    raise AssertionError(f"not seen within {limit_s} s; events: {events[-5:]}")


def test_a_rig_is_known_by_its_answer(line_rig):
    with Port(bench(line_rig.url)) as port:
        port.start()
        line_rig.send(b"1,2,3,4\n")
        _, data = collect(port, lambda e, d: b"1,2,3,4\n" in d)
        assert data.endswith(b"1,2,3,4\n")
    assert line_rig.heard == b"?\n"


def test_what_comes_with_the_answer_is_not_lost(line_rig):
    line_rig.name = b"5,6,7,8\n# bench-a\n1,2,3,4\n2,3"
    with Port(bench(line_rig.url)) as port:
        port.start()
        _, data = collect(port, lambda e, d: d.count(b"\n") >= 2)
        assert data == b"1,2,3,4\n2,3\n"                       # before the answer it could be any rig


def test_another_rig_is_refused_with_what_it_said(make_rig):
    rig = make_rig(name=b"# bench-b 2")
    with pytest.raises(RigError, match="not the one") as caught:
        Port(bench(rig.url, identity=read_rig("bench").instrument[0].identity.model_copy(
            update={"wait": "0.5s"}))).open()
    assert caught.value.seen == "# bench-b 2"


@pytest.mark.parametrize(
    ("comes", "message", "seen"),
    [(b"\x80\xf8\x00\xe0\x1e" * 30, "cannot be read", "not text: is 115200 baud 8N1"),
     (b"12.5 N\n" * 30, "cannot be read", "text, but not the rig file's pattern"),
     (b"1,2,3,4\n" * 30, "not the one", "readings, but no such line")])
def test_what_comes_instead_of_an_answer_is_told_apart(make_rig, comes, message, seen):
    """What used to happen: noise at a wrong baud rate was "readings, but no such line"."""
    rig = make_rig(name=comes)
    identity = read_rig("bench").instrument[0].identity.model_copy(update={"wait": "500ms"})
    with pytest.raises(RigError, match=message) as caught:
        Port(bench(rig.url, identity=identity)).open()
    assert seen in (caught.value.seen or "")


def test_a_silent_rig_is_said_to_be_silent(make_rig):
    rig = make_rig(name=b"")
    identity = read_rig("bench").instrument[0].identity.model_copy(update={"wait": "300ms"})
    with pytest.raises(RigSilent, match="nothing comes"):
        Port(bench(rig.url, identity=identity)).open()


def test_no_port_no_right(tmp_path):
    with pytest.raises(RigError, match="nothing is there") as caught:
        Port(bench(str(tmp_path / "none"))).open()
    assert "port" in (caught.value.seen or "")                  # which there are, or that there is none
    (tmp_path / "link").symlink_to(tmp_path / "gone")
    with pytest.raises(RigError, match="link to .*gone, where nothing is"):
        Port(bench(str(tmp_path / "link"))).open()
    plain = tmp_path / "file"
    plain.write_text("x")
    for no_port, what in ((plain, "a file"), (tmp_path, "a folder")):
        with pytest.raises(RigError, match="it is no serial port") as caught:
            Port(bench(str(no_port))).open()
        assert what in (caught.value.seen or "")


def test_a_second_program_gets_one_clear_message(line_rig, tmp_path):
    with Port(bench(line_rig.url)) as port:
        with pytest.raises(RigError, match="held by another program"):
            Port(bench(line_rig.url)).open()
        pad = tmp_path / "pad.toml"
        pad.write_text('id="A"\nmaterial="felt"\nmaterial_class="felt"\nlot="1"\nouter_diameter="19mm"\n'
                       'inner_diameter="8mm"\n')
        done = subprocess.run(
            [sys.executable, "-c", "from padlab.cli.main import main; main()", "capture", "bench", "standard",
             "--pad", str(pad), "--out", str(tmp_path / "shelf"), "--url", line_rig.url],
            capture_output=True, text=True, timeout=60, check=False)
        assert done.returncode == 1
        assert done.stderr.count("held by another program") == 1
        assert "Traceback" not in done.stderr
        assert not (tmp_path / "shelf").exists()               # no run is begun without a rig
        port.start()                                           # and the first program did not notice
        line_rig.send(b"1,2,3,4\n")
        collect(port, lambda e, d: b"1,2,3,4\n" in d)


def test_a_hundred_thousand_fuzzed_lines_over_a_real_port(line_rig, fuzz):
    stream = fuzz.fuzzed(100_000, seed=2026)
    readings, bad, remarks = fuzz.slow_reader(stream)
    assert bad > 10_000
    with Port(bench(line_rig.url)) as port:
        wire = reader_for(port.instrument, whole_from_start=True)
        port.start()
        sender = threading.Thread(target=line_rig.send, args=(stream + b"# the end\n",))
        sender.start()
        rows, got = [], []
        while not any("the end" in text for text in got[-1:]):
            event = port.events.get(timeout=PATIENCE_S)
            assert isinstance(event, Piece)
            read = wire.feed(event.data)
            rows += read.text.split("\n") if len(read) else []
            got += read.remarks
        sender.join(5)
    assert rows == readings
    assert wire.counts.bad_lines == bad
    assert wire.counts.remarks == remarks + 1


def test_unplugged_and_back(line_rig):
    with Port(bench(line_rig.url)) as port:
        port.start()
        line_rig.send(b"1,2,3,4\n2,3")
        collect(port, lambda e, d: d.endswith(b"2,3"))
        line_rig.unplug()
        events, _ = collect(port, lambda e, d: isinstance(e, Lost))
        assert line_rig.url in events[-1].reason
        assert "it was unplugged or switched off" in events[-1].reason
        for words in ("readiness", "Errno", "error(", "read failed", "termios"):     # a library's own
            assert words not in events[-1].reason
        line_rig.plug_in()                                     # another terminal behind the same name
        events, _ = collect(port, lambda e, d: isinstance(e, Back))
        assert events[-1].known
        line_rig.send(b"9,9,9,9\n")
        collect(port, lambda e, d: d.endswith(b"9,9,9,9\n"))


def test_another_rig_in_its_place_is_not_taken_for_it(line_rig):
    identity = read_rig("bench").instrument[0].identity.model_copy(update={"wait": "200ms"})
    with Port(bench(line_rig.url, identity=identity), give_up_s=1.0) as port:
        port.start()
        line_rig.unplug()
        line_rig.name = b"# bench-b"
        line_rig.plug_in()
        events, _ = collect(port, lambda e, d: isinstance(e, GivenUp))
        assert not any(isinstance(e, Back) for e in events)
        assert "not the one" in events[-1].reason


def test_a_rig_that_comes_back_under_another_name_is_found(make_rig):
    """Ports change their names when a cable is pulled and put back; the rig keeps its serial number."""
    first, second = make_rig("first"), make_rig("second")
    key = (0x1209, 0x0001, "A1")
    there = {first.url: key}
    with Port(bench(first.url), usb=lambda: there) as port:
        port.start()
        first.unplug()
        there = {"/dev/other": (1, 2, "B"), second.url: key}
        events, _ = collect(port, lambda e, d: isinstance(e, Back))
        assert events[-1].url == second.url
        second.send(b"1,2,3,4\n")
        collect(port, lambda e, d: d.endswith(b"1,2,3,4\n"))


def test_a_rig_that_stays_away_is_given_up(line_rig):
    with Port(bench(line_rig.url), give_up_s=0.5) as port:
        port.start()
        line_rig.unplug()
        events, _ = collect(port, lambda e, d: isinstance(e, GivenUp))
        assert "did not come back" in events[-1].reason


def test_closing_does_not_wait_for_bytes(line_rig):
    port = Port(bench(line_rig.url))
    port.open()
    port.start()
    began = time.monotonic()
    port.close()
    assert time.monotonic() - began < 2.0
    with Port(bench(line_rig.url)):                            # and the port is free again
        pass
    assert not any(t.name.startswith("port-") for t in threading.enumerate())


class TcpRig:
    """The same over TCP: one program at a time."""

    def __init__(self) -> None:
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self.listener.getsockname()[1]}"
        self.program: socket.socket | None = None

    def accept(self) -> None:
        self.program, _ = self.listener.accept()
        assert self.program.recv(100) == b"?\n"
        self.program.sendall(b"# bench-a\n")

    def close(self) -> None:
        self.listener.close()
        if self.program is not None:
            self.program.close()


@pytest.fixture
def tcp_rig():
    rig = TcpRig()
    yield rig
    rig.close()


def test_tcp_is_read_in_bulk_and_found_again(tcp_rig):
    answering = threading.Thread(target=tcp_rig.accept)
    answering.start()
    with Port(bench(tcp_rig.url)) as port:
        answering.join(5)
        port.start()
        stream = b"".join(b"%d,0,0,0\n" % i for i in range(200_000))
        began = time.monotonic()
        sender = threading.Thread(target=tcp_rig.program.sendall, args=(stream,))
        sender.start()
        events, data = collect(port, lambda e, d: len(d) >= len(stream), limit_s=60)
        assert data == stream
        assert len(events) < 20_000                            # in bulk: many lines a piece
        assert time.monotonic() - began < 30
        sender.join(5)
        tcp_rig.program.close()
        events, _ = collect(port, lambda e, d: isinstance(e, Lost))
        assert "the other end hung up" in events[-1].reason
        assert "socket disconnected" not in events[-1].reason          # a library's own words
        tcp_rig.accept()
        collect(port, lambda e, d: isinstance(e, Back))
        tcp_rig.program.sendall(b"7,0,0,0\n")
        collect(port, lambda e, d: d.endswith(b"7,0,0,0\n"))


def test_a_tcp_rig_that_is_not_there():
    with pytest.raises(RigError, match="cannot be opened") as caught:
        Port(bench("socket://127.0.0.1:1")).open()
    assert caught.value.seen == "nobody answers"


def test_a_tcp_rig_that_hangs_up_says_why(tcp_rig):
    def busy() -> None:
        program, _ = tcp_rig.listener.accept()
        program.recv(100)
        program.sendall(b"# busy: another program holds this rig\n")
        program.close()

    answering = threading.Thread(target=busy)
    answering.start()
    with pytest.raises(RigError) as caught:
        Port(bench(tcp_rig.url)).open()
    assert "busy" in (caught.value.seen or "")
    assert "no other program" in (caught.value.remedy or "")
    answering.join(5)
