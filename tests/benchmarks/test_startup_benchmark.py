"""Start-up: `padlab --help` against a bare interpreter; and where the time of a comparison goes."""

import os
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[2] / "sample_runs"


def seconds(command):
    # As for a user, whose byte code is kept: without it each start compiles anew.
    env = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    start = time.perf_counter()
    subprocess.run(command, capture_output=True, check=True, env=env)
    return time.perf_counter() - start


@pytest.mark.alone
def test_help_within_a_tenth_of_a_second_of_a_bare_interpreter():
    bare = [sys.executable, "-c", "pass"]
    helped = [sys.executable, "-m", "padlab.cli", "--help"]
    seconds(helped)                         # byte code is made once
    # The least of several: what the machine does beside this only ever adds.
    more = min(seconds(helped) for _ in range(11)) - min(seconds(bare) for _ in range(11))
    print(f"padlab --help costs {1e3 * more:.0f} ms over a bare interpreter")
    assert more <= 0.100


def test_compare_says_where_its_time_goes(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "padlab.cli", "compare", str(SAMPLES), "--out", str(tmp_path / "r.html")],
        capture_output=True, text=True, check=True)
    split = dict(re.findall(r"(read|fit|compare|page) ([\d.]+) s", done.stderr))
    assert set(split) == {"read", "fit", "compare", "page"}
    print(done.stderr.strip().splitlines()[-1])
