"""The player that a person named: a preset, a touch file, a recorded touch.

>>> player("medium").median_n
6.0
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from padlab.drift.touch import PRESETS, TouchProfile, preset, read_touch_file, recorded_touch
from padlab.errors import InputError
from padlab.records.named import shelves
from padlab.records.shelf import Shelf, find_runs


def player(touch: str, names: Sequence[str] = ()) -> TouchProfile:
    """As it is named on a command line: ``light``, a file's path, a run's id or folder.

    Parameters
    ----------
    touch : str
        The name.
    names : sequence of str
        What else was named: in the shelves among it an id is looked for.

    Raises
    ------
    InputError
        No such preset, no such file, none or several runs.
    """
    if touch in PRESETS:
        return preset(touch)
    if touch.endswith(".toml"):
        path = Path(touch)
        if "\0" in touch or not path.is_file():
            raise InputError(f"there is no touch file {touch[:200]!r}", expected="a file", seen="none",
                             remedy="padlab new touch writes a commented one")
        return read_touch_file(path)
    if not re.search(r"[\d/\\]", touch):
        return preset(touch)                    # a word, mistyped: say which words there are
    found = find_runs([touch], near=[Path.cwd(), *shelves(names)])
    if len(found) != 1:
        raise InputError(f"--touch {touch[:200]!r} names {len(found)} runs", expected="one touch run",
                         seen=f"{len(found)} runs")
    return recorded_touch(found[0])


def player_on(shelf: Path, touch: str) -> TouchProfile:
    """A preset, or a touch run of this shelf by its id; a name never becomes a path.

    Raises
    ------
    InputError
        Neither.
    RunError
        No such run, or one that is no touch.
    """
    if touch in PRESETS:
        return preset(touch)
    if touch.endswith(".toml") or not re.search(r"\d", touch):
        raise InputError(f"{touch[:80]!r} is no touch that is known here", seen=touch[:80],
                         expected=", ".join(PRESETS) + ", or a touch run of this shelf",
                         remedy="choose the touch beside the file; a touch file serves padlab compare and "
                                "padlab choose")
    return recorded_touch(Shelf(shelf).open(touch))
