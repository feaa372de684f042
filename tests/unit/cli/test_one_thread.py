"""Linear algebra in one thread: by the command, and by what it starts."""

import os
import subprocess
import sys

import pytest

from padlab.one_thread import NAMES, one_thread_each

ASKS = """
import os, sys, click, padlab.cli.rigs
from padlab.cli.main import main
padlab.cli.rigs.command = click.Command(
    "rigs", callback=lambda: print(os.environ[sys.argv[1]], "numpy" in sys.modules))
main(["rigs"])
"""


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize(("before", "then"), [(None, "1"), ("2", "2")])
def test_a_command_says_so_before_numpy_is_there_and_leaves_what_the_user_set(name, before, then):
    env = {k: v for k, v in os.environ.items() if k != name} | ({name: before} if before else {})
    out = subprocess.run([sys.executable, "-c", ASKS, name], env=env, capture_output=True, text=True,
                         check=True)
    assert out.stdout.split() == [then, "False"]


def test_what_the_caller_had_is_put_back(monkeypatch):
    monkeypatch.delenv(NAMES[0], raising=False)
    monkeypatch.setenv(NAMES[1], "3")
    with one_thread_each():
        assert [os.environ[n] for n in NAMES[:2]] == ["1", "3"]
    assert NAMES[0] not in os.environ
    assert os.environ[NAMES[1]] == "3"
