"""A rig that sends without end: Ctrl-C still ends the run within two seconds, and what is kept is whole."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time

import numpy as np
import pytest

from padlab.records.raw_log import read_raw
from padlab.records.shelf import open_run

pytestmark = pytest.mark.real_time

SOON_S = 2.0
PIECE = 1 << 16
MANY = 1 << 20
FLOODS = {
    "readings": b"".join(b"%d,%d,%d,%d\n" % (i, i * 20, i % 7, 1000 + i % 3) for i in range(500_000)),
    "garbage": os.urandom(65536).replace(b"\n", b"x") + b"\n",
    "no line end": b"\xff" * 65536,
    "remarks": b"# says nothing that matters\n" * 2000,
}


class Flood:
    """A TCP rig that says who it is, then sends as fast as anybody reads; ``rest_s`` between two sends."""

    def __init__(self, what: bytes, rest_s: float = 0.0) -> None:
        self.what, self.rest_s = what, rest_s
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.url = f"socket://127.0.0.1:{self.listener.getsockname()[1]}"
        self.sent = 0
        self._left = threading.Event()
        self.thread = threading.Thread(target=self._run, daemon=True)
        self.thread.start()

    def _run(self) -> None:
        program, _ = self.listener.accept()
        with program:
            program.recv(100)
            program.sendall(b"# bench-a\n")
            try:
                while not self._left.wait(self.rest_s):
                    for at in range(0, len(self.what), PIECE):
                        program.sendall(self.what[at:at + PIECE])
                        self.sent += len(self.what[at:at + PIECE])
            except OSError:
                return

    def close(self) -> None:
        self._left.set()
        self.listener.close()
        self.thread.join(10)


def stopped(rig: Flood, shelf) -> tuple[float, float, dict]:
    """Seconds from Ctrl-C to the end of the recording, and to that of the command; what it told."""
    program = subprocess.Popen(
        [sys.executable, "-c", "from padlab.cli.main import main; main()", "capture", "bench", "touch",
         "--out", str(shelf), "--url", rig.url, "--json"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert program.stderr is not None
    while "hands off" not in program.stderr.readline():
        assert program.poll() is None
    time.sleep(1.0)                                       # a second of flood, longer on a busy machine
    until = time.monotonic() + 60.0
    while not rig.rest_s and rig.sent <= MANY:
        assert time.monotonic() < until
        time.sleep(0.05)
    asked = time.monotonic()
    program.send_signal(signal.SIGINT)
    while "is ended and kept" not in program.stderr.readline():
        assert program.poll() is None
    ended = time.monotonic() - asked
    out, words = program.communicate(timeout=60)
    gone = time.monotonic() - asked
    rig.close()
    assert program.returncode == 0, words
    return ended, gone, json.loads(out)


@pytest.fixture(scope="module")
def usual_s(tmp_path_factory) -> float:
    """What the same takes on this machine, at this hour, without a flood: libraries are loaded at the end."""
    rig = Flood(b"# quiet\n", rest_s=0.02)
    return stopped(rig, tmp_path_factory.mktemp("quiet") / "shelf")[1]


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGINT to send to one process")
@pytest.mark.parametrize("kind", FLOODS)
def test_ctrl_c_ends_a_flood_within_two_seconds(kind, tmp_path, usual_s):
    """The queue was bounded by pieces: a quarter of a gigabyte was worked off after the Ctrl-C."""
    flood = Flood(FLOODS[kind])
    ended, gone, told = stopped(flood, tmp_path / "shelf")
    assert told["state"] == "interrupted"
    assert ended < SOON_S
    assert gone < usual_s + 10.0          # samples are made of what came, on a machine that does other things
    assert flood.sent > MANY
    kept = read_raw(open_run(told["folder"]))["main"]
    counts = kept["counter"].to_numpy() % 500_000
    assert len(kept) > 1000 if kind == "readings" else len(kept) == 0
    assert (np.diff(counts) % 500_000 == 1).all()         # nothing is lost or torn
