"""Runs of one kind that a person named: of a shelf those that are; a run named by itself must be.

>>> [run.kind for run in runs_named([], kind="pad", by="fit")]
[]
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from padlab.errors import RunError
from padlab.records.run import Run
from padlab.records.shelf import find_runs

WHAT_FOR = {
    "touch": "a touch run goes behind --touch of padlab compare",
    "blank": "a blank run goes behind --blank of padlab capture or padlab remake; of five or more "
             "padlab calibrate compliance makes a calibration",
    "wear": "readings of a pad over its service go to padlab life",
    "check": "a check run tells whether the rig is right: it was judged when it was recorded; "
             "padlab calibrate skew reads the skew of two instruments from it",
}
"""What to do with a run of another kind than was asked for."""


def shelves(names: Sequence[str]) -> list[Path]:
    """Those of the names that are shelves."""
    return [Path(name) for name in names if "\0" not in name and (Path(name) / "runs").is_dir()]


def runs_named(names: Sequence[str], *, kind: str, by: str) -> list[Run]:
    """The runs of one kind among what was named, each once, by id; there may be none.

    Parameters
    ----------
    names : sequence of str
        Ids, run folders, shelves. A shelf may hold other kinds; a run named by itself may not be one.
    by : str
        What asks for them, for the message.

    Raises
    ------
    RunError
        A run named by itself is of another kind, or cannot be opened.
    InputError
        There is nothing of a name.
    """
    whole = shelves(names)
    found: dict[Path, Run] = {}
    for name in names:
        for run in find_runs([name], near=[Path.cwd(), *whole]):
            if run.kind == kind:
                found.setdefault(run.folder.resolve(), run)
            elif Path(name) not in whole:
                raise RunError(f"{by} cannot use run {run.id}", expected=f"a run of kind {kind}",
                               seen=f"kind {run.kind}", where={"run": run.id},
                               remedy=WHAT_FOR.get(run.kind))
    return sorted(found.values(), key=lambda run: run.id)


def pad_runs(names: Sequence[str], *, by: str) -> list[Run]:
    """The pad runs among what was named; at least one.

    Raises
    ------
    RunError
        As :func:`runs_named`, and where there is none.
    """
    found = runs_named(names, kind="pad", by=by)
    if not found:
        raise RunError(f"there is no pad run to {by}", expected="runs of kind pad", seen="none",
                       remedy="padlab shelf SHELF lists what is on file")
    return found
