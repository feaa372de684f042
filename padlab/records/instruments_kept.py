"""Instruments that are kept on a shelf: SHELF/instruments/ holds their files and what was fitted.

    SHELF/instruments/band-cornet-3.toml                       what was found at its stops
    SHELF/instruments/band-cornet-3.fitted-2026-11-29.json     what padlab fitted kept

>>> instruments_kept(Path("no-such-shelf"))
[]
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

from padlab.errors import InputError, RunError
from padlab.records.fitted import is_fitted_name
from padlab.records.inside import is_link, read_bytes, refuse_links, write_whole, writing

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


def keep_instrument(shelf: Path, text: str, label: str) -> str:
    """Keep an instrument's file under a name made of its label; gives the name.

    The same file again is not kept twice; another one of that name is never written over.

    Raises
    ------
    RunError
        ``instruments/`` is a link, or cannot be written.
    """
    data = text.encode("utf-8", "surrogateescape")
    stem = re.sub(r"[^a-z0-9]+", "-", label.lower()).strip("-")[:60].strip("-") or "instrument"
    folder = refuse_links(shelf, FOLDER)
    with writing(folder):
        folder.mkdir(parents=True, exist_ok=True)
    for number in range(1, 1000):
        name = f"{stem}.toml" if number == 1 else f"{stem}-{number}.toml"
        path = folder / name
        if is_link(path):
            continue
        if path.exists():
            if path.is_file() and read_bytes(shelf, FOLDER, name, limit=LIMIT) == data:
                return name
            continue
        write_whole(path, data)
        return name
    raise InputError("too many instruments of one name", expected="another label", seen=label[:60])


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
