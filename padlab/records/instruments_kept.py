"""Instruments that are kept on a shelf: SHELF/instruments/ holds their files and what was fitted.

    SHELF/instruments/band-cornet-3.toml                       what was found at its stops
    SHELF/instruments/band-cornet-3.fitted-2026-11-29.json     what padlab fitted kept

>>> instruments_kept(Path("no-such-shelf"))
[]
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from padlab.errors import InputError, RunError
from padlab.records.fitted import is_fitted_name
from padlab.records.inside import is_link, read_bytes, refuse_links

FOLDER = "instruments"
LIMIT = 4 << 20
MOST = 2000


@dataclass(frozen=True)
class Kept:
    """A file of an instrument, or of what was fitted to one."""

    name: str
    is_fitting: bool


def instruments_kept(shelf: Path) -> list[Kept]:
    """The files in a shelf's ``instruments/``: instruments by name, then fittings, the newest first.

    Links and folders in it are left alone.

    Raises
    ------
    RunError
        ``instruments/`` is a link or cannot be read.
    """
    folder = refuse_links(shelf, FOLDER)
    if not folder.is_dir():
        return []
    try:
        names = sorted(p.name for p in folder.iterdir() if not is_link(p) and p.is_file())
    except OSError as fault:
        raise RunError(f"{folder} cannot be read", expected="a folder of instruments", seen=fault.strerror,
                       where={"path": str(folder)}) from fault
    instruments = [Kept(n, False) for n in names if n.endswith(".toml")]
    fittings = [Kept(n, True) for n in reversed(names) if is_fitted_name(n)]
    return (instruments + fittings)[:MOST]


def kept_bytes(shelf: Path, name: str) -> bytes:
    """What one of them holds; a name is looked up, it never becomes a path of its own.

    Raises
    ------
    InputError
        There is none of that name.
    RunError
        It cannot be read.
    """
    if name not in [one.name for one in instruments_kept(shelf)]:
        raise InputError(f"there is no instrument {name[:80]!r} on this shelf", seen="none",
                         expected=f"a file in {FOLDER}/",
                         remedy="look at the page again: it may have been moved")
    return read_bytes(shelf, FOLDER, name, limit=LIMIT)
