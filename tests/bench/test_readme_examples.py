"""README's examples, run as they stand: the plain ones in order, the two terminals side by side."""

import os
import re
import shlex
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

HERE = Path(__file__).parents[2]
README = (HERE / "README.md").read_text("utf-8")
BLOCK = re.compile(r"(?:<!-- (?P<label>[^>]+) -->\n)?```sh\n(?P<body>.*?)```", re.S)
BLOCKS = [(m["label"], m["body"].strip().splitlines()) for m in BLOCK.finditer(README)]
PLAIN = [line for label, lines in BLOCKS if label is None for line in lines]
PAIRS = [(first[1][0], second[1]) for first, second in zip(BLOCKS[:-1], BLOCKS[1:], strict=True)
         if (first[0], second[0]) == ("first terminal", "second terminal")]


def words(line):
    parts = shlex.split(line)
    assert parts[0] == "padlab"
    return [sys.executable, "-m", "padlab.cli", *parts[1:]]


@pytest.fixture
def folder(tmp_path):
    os.symlink(HERE / "sample_runs", tmp_path / "sample_runs", target_is_directory=True)
    return tmp_path


def test_there_are_examples():
    assert len(PLAIN) >= 4
    assert len(PAIRS) == 2


@pytest.mark.parametrize("line", PLAIN)
def test_plain_example(line, folder):
    done = subprocess.run(words(line), cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert done.stdout.strip()


def test_one_after_the_other(folder):
    """Examples that need what the one before left."""
    lines = [line for label, block in BLOCKS if label == "in order" for line in block]
    assert len(lines) >= 4
    for line in lines:
        if line.startswith("cp -r "):
            shutil.copytree(*(folder / name for name in line.split()[2:]))
            continue
        done = subprocess.run(words(line), cwd=folder, capture_output=True, text=True, check=False)
        assert done.returncode == 0, (line, done.stderr)
        assert done.stdout.strip()


@pytest.mark.real_time
@pytest.mark.parametrize(("first", "second"), PAIRS, ids=["pseudo-terminal", "socket"])
def test_two_terminals(first, second, folder):
    if "--tcp" not in first and sys.platform == "win32":
        pytest.skip("no pseudo-terminals on Windows")
    with subprocess.Popen(words(first), cwd=folder, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL,
                          text=True) as rig:
        try:
            assert rig.stdout.readline().strip()          # the port is there
            for line in second:
                done = subprocess.run(words(line), cwd=folder, capture_output=True, text=True, check=False)
                assert done.returncode == 0, done.stderr
        finally:
            rig.terminate()
    assert done.stdout.strip()
    shutil.rmtree(folder / "shelf")
