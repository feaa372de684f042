"""The mutation check itself: it finds a behaviour that no test holds, and leaves the checkout alone."""

from __future__ import annotations

import importlib.util
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

FILE = Path(__file__).parent / "mutate.py"
AREA = '''"""Doors."""

LEAST = 2


def is_wide(a, b):
    """Whether a door is wide."""
    if a < 0 or b < 0:
        raise ValueError(f"{a + b} is too small")
    return a * b >= LEAST


def unused(a):
    """Nobody calls this, and nothing longer than this line of words would make the file count as code."""
    return -a
'''
TEST = """from area import is_wide
import pytest

@pytest.fixture(scope="module")
def wide():
    return is_wide(2, 3)

def test_a_wide_one(wide):
    assert wide

def test_a_narrow_one():
    assert not is_wide(1, 1)

def test_below_nothing():
    with pytest.raises(ValueError):
        is_wide(-1, 5)
"""


@pytest.fixture(scope="module")
def mutate():
    spec = importlib.util.spec_from_file_location("mutate", FILE)
    module = importlib.util.module_from_spec(spec)
    sys.modules["mutate"] = module
    spec.loader.exec_module(module)
    return module


def test_each_mutant_is_one_change_that_compiles(mutate):
    for path in [FILE.parents[2] / "padlab" / "signals" / "cycles.py"]:
        source = path.read_text("utf-8")
        plain = mutate.ast.unparse(mutate.ast.parse(source)) + "\n"
        for one in mutate.mutants(source, path.name):
            compile(one.source(), path.name, "exec")
            assert one.source() != plain, (one.line, one.kind, one.before)
            assert one.before != one.after


def test_a_statement_is_known_by_its_lines(mutate):
    found = {(m.kind, m.before): (m.line, m.first, m.last) for m in mutate.mutants(AREA, "area.py")}
    assert found[("constant", "2")] == (3, None, None)                       # run at import
    assert found[("boundary", "a * b >= LEAST")] == (10, 10, 10)
    assert found[("boolean", "a < 0 or b < 0")] == (8, 8, 8)                 # the head, not what it guards
    assert not any(before == "a + b" for _, before in found)                 # the text of an error


@pytest.mark.skipif(not hasattr(os, "fork"), reason="the check forks; this system cannot")
def test_a_behaviour_that_no_test_holds_survives(tmp_path):
    """Sizes of exactly two, of nothing, and below nothing on the other side are tried by no test here."""
    (tmp_path / "area.py").write_text(AREA)
    (tmp_path / "test_area.py").write_text(TEST)
    # The project's own options may be those of a plugin that the check leaves out.
    options = '[tool.pytest.ini_options]\naddopts = "--no-loadscope-reorder"\n'
    (tmp_path / "pyproject.toml").write_text(options)
    out = tmp_path / "out.json"
    done = subprocess.run(
        [sys.executable, str(FILE), "area.py", "--root", str(tmp_path), "--tests", "test_area.py",
         "--each", "0", "--warm", "pytest", "coverage", "hypothesis.strategies", "_pytest.doctest", "xdist",
         "pytest_benchmark.plugin", "pytest_timeout", "--out", str(out)],
        capture_output=True, text=True, timeout=200)
    assert done.returncode == 0, done.stdout + done.stderr
    result = {(row["kind"], row["before"]): row["result"] for row in json.loads(out.read_text())}
    assert result[("compare", "a * b >= LEAST")] == "killed"
    assert result[("boolean", "a < 0 or b < 0")] == "killed"
    assert result[("removed", "raise ValueError(f'{a + b} is too small')")] == "killed"
    assert result[("boundary", "a * b >= LEAST")] == "survived"
    assert result[("boundary", "a < 0")] == "survived"
    assert result[("sign", "-a")] == "uncovered"
    assert (tmp_path / "area.py").read_text() == AREA
