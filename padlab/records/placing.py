"""A run that was recorded elsewhere gets its folder whole, or not at all."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable
from pathlib import Path
from typing import Any

from padlab.errors import RunError
from padlab.records.descriptor import read_package, run_from, write_package
from padlab.records.inside import sync_folder, write_whole, writing
from padlab.records.raw_log import ORIGINAL
from padlab.records.run import Run
from padlab.records.shelf import Shelf


def place_whole(shelf: Shelf, run_id: str, package: dict[str, Any], original: bytes | Iterable[bytes],
                write_derived: Callable[[Path], None]) -> Run:
    """Make the folder under a temporary name, and rename it when it is whole.

    Parameters
    ----------
    original : bytes, or pieces of bytes
        The table as it came; kept as ``raw/ORIGINAL``.
    write_derived : callable
        Writes what was read from it into the folder that it is given; may add to ``package``.

    Raises
    ------
    RunError
        The id is taken, or the shelf cannot be written.
    """
    runs = shelf.make_runs()
    package["name"] = run_id.lower()
    fresh, folder = runs / f".new-{run_id}", runs / run_id
    try:
        with writing(runs):
            (fresh / "raw").mkdir(parents=True)
        write_whole(fresh / "raw" / ORIGINAL, original)
        write_derived(fresh)
        write_package(fresh, package)
        if folder.exists():
            raise RunError(f"run {run_id} is on file already", where={"run": run_id})
        with writing(runs):
            fresh.rename(folder)
            sync_folder(runs)
    except BaseException:
        shutil.rmtree(fresh, ignore_errors=True)
        raise
    return run_from(folder, read_package(folder))
