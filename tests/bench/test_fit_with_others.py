"""``--workers``, ``--scheduler``, Ctrl-C with real processes: the same bytes, a clean end, clear errors."""

from __future__ import annotations

import json
import os
import re
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[2] / "sample_runs" / "runs"
PADLAB = [sys.executable, "-m", "padlab.cli"]


@pytest.fixture(scope="module")
def runs():
    """Four standard runs and a warm-up of the samples."""
    every = sorted(f for f in SAMPLES.iterdir() if json.loads(
        (f / "datapackage.json").read_text(encoding="utf-8"))["padlab"]["kind"] == "pad")
    return [str(f) for f in every[:5]]


def told(*words, **how):
    """Exit code, stdout and stderr of the command in a process of its own."""
    done = subprocess.run([*PADLAB, *map(str, words)], capture_output=True, check=False, timeout=150, **how)
    return done.returncode, done.stdout, done.stderr.decode()


def undated(page: Path) -> str:
    return re.sub(r"Made on \d{4}-\d\d-\d\d", "", page.read_text(encoding="utf-8"))


@pytest.mark.timeout(300)
def test_two_workers_say_the_same_to_the_byte(runs, tmp_path):
    pages = [tmp_path / "1" / "page.html", tmp_path / "2" / "page.html"]
    for page in pages:
        page.parent.mkdir()
    # By names relative to a folder that a worker need not be in.
    near = [os.path.relpath(r, tmp_path) for r in runs]
    fits = [told("fit", *near, "--report", page, "--check-with-lmfit", "--json", *more, cwd=tmp_path)
            for page, more in zip(pages, ([], ["--workers", 2]), strict=True)]
    assert [code for code, _, _ in fits] == [0, 0]
    assert fits[0][1] == fits[1][1]
    assert undated(pages[0]) == undated(pages[1])
    ranked = [told("compare", *runs, "--out", page, "--json", "--workers", n)
              for page, n in zip(pages, (1, 2), strict=True)]
    assert [code for code, _, _ in ranked] == [0, 0]
    assert ranked[0][1] == ranked[1][1]
    assert undated(pages[0]) == undated(pages[1])


@pytest.mark.timeout(120)
@pytest.mark.parametrize("command", ["fit", "compare"])
def test_a_scheduler_that_is_not_there_is_a_clear_error(runs, command):
    pytest.importorskip("distributed")
    code, out, err = told(command, runs[0], "--scheduler", "tcp://127.0.0.1:9", "--json")
    assert code == 1
    assert "no scheduler answers" in json.loads(out)["error"]["message"]
    assert "Traceback" not in err


def test_both_ways_at_once_and_odd_numbers_are_usage_errors(runs):
    code, _, err = told("fit", runs[0], "--scheduler", "tcp://127.0.0.1:9", "--workers", 2)
    assert code == 2
    assert "one of them" in err
    assert told("compare", runs[0], "--workers", 0)[0] == 2


@pytest.mark.timeout(180)
def test_a_real_scheduler_says_the_same_to_the_byte(runs, tmp_path):
    pytest.importorskip("distributed")
    said = tmp_path / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": tmp_path}
    module = [sys.executable, "-W", "ignore", "-m"]
    both = ["--scheduler-file", str(said), "--no-dashboard"]
    started = [subprocess.Popen([*module, "distributed.cli.dask_scheduler", *both, "--host", "127.0.0.1",
                                 "--port", "0", "--no-show"], **quiet)]
    try:
        until = time.monotonic() + 60
        while not said.exists() or not said.read_text().strip():
            assert time.monotonic() < until
            assert started[0].poll() is None
            time.sleep(0.05)
        address = json.loads(said.read_text())["address"]
        code, _, err = told("fit", *runs, "--scheduler", address)
        assert code == 1
        assert "has no worker" in err
        started.append(subprocess.Popen([*module, "distributed.cli.dask_worker", *both, "--no-nanny",
                                         "--nthreads", "1"], **quiet))
        from distributed import Client

        with Client(address, set_as_default=False) as client:
            client.wait_for_workers(1, timeout=60)
        code, out, err = told("fit", *runs, "--json", "--scheduler", address)
        assert (code, err) == (0, "")
        assert out == told("fit", *runs, "--json")[1]
    finally:
        for process in started[::-1]:
            process.kill()
            process.wait()


@pytest.mark.timeout(120)
@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals here")
@pytest.mark.parametrize("workers", ["1", "2"])
def test_a_terminal_sees_the_progress_and_ctrl_c_ends_all_of_it(workers):
    ours, theirs = os.openpty()
    process = subprocess.Popen([*PADLAB, "fit", str(SAMPLES.parent), "--workers", workers],
                               stdout=subprocess.DEVNULL, stderr=theirs, start_new_session=True,
                               env={**os.environ, "TERM": "xterm"})
    os.close(theirs)
    seen = b""
    try:
        while b"fitting" not in seen:
            seen += os.read(ours, 4096)
        os.killpg(process.pid, signal.SIGINT)               # a terminal sends it to all of the group
        while True:
            try:
                more = os.read(ours, 4096)
            except OSError:                                 # all ends are closed
                break
            if not more:
                break
            seen += more
        assert process.wait(60) == 1
        words = seen.decode(errors="replace")
        assert "stopped" in words
        assert "Traceback" not in words
        until = time.monotonic() + 20
        while True:
            try:
                os.killpg(process.pid, 0)
            except ProcessLookupError:
                break
            assert time.monotonic() < until, "processes were left behind"
            time.sleep(0.05)
    finally:
        os.close(ours)
        if process.poll() is None:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
