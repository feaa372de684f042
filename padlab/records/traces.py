"""What a result was made from, down to the bytes: the SHA-256 of every raw file, checked against its run.

>>> content_hash([RawFile("r1", "raw/a.csv", "00"), RawFile("r0", "raw/b.csv", "11")])[:12]
'43b1699f3176'
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from padlab.errors import RunError
from padlab.records.raw_log import raw_hashes
from padlab.records.run import Run
from padlab.records.shelf import Shelf


@dataclass(frozen=True, order=True)
class RawFile:
    """One raw file of one run, as it stands now."""

    run: str
    file: str
    sha256: str


def raw_files(run: Run) -> tuple[RawFile, ...]:
    """The raw files of a run that has ended, by name.

    Raises
    ------
    RunError
        A file is not what was recorded, is gone, or was added since: it is named.
    """
    now = raw_hashes(run.folder)
    for name in sorted({*now, *run.raw_sha256}):
        kept, seen = run.raw_sha256.get(name), now.get(name)
        if kept != seen and run.raw_sha256:
            raise RunError(
                f"raw/{name} of run {run.id} is not what was recorded",
                expected="no such file" if kept is None else f"SHA-256 {kept}",
                seen="no such file" if seen is None else f"SHA-256 {seen}",
                remedy="bring the file back from a copy; a changed raw sample certifies nothing",
                where={"run": run.id, "file": f"raw/{name}"})
    return tuple(RawFile(run.id, f"raw/{name}", sha) for name, sha in sorted(now.items()))


def content_hash(files: Iterable[RawFile]) -> str:
    """One SHA-256 over the names and hashes of all files, in the order of their names."""
    lines = "".join(f"{f.run}/{f.file} {f.sha256}\n" for f in sorted(files))
    return hashlib.sha256(lines.encode("utf-8")).hexdigest()


def changed_files(then: Iterable[RawFile], now: Iterable[RawFile]) -> list[str]:
    """What differs between two lists of raw files, each named with its run.

    >>> changed_files([RawFile("r1", "raw/a.csv", "00")], [RawFile("r1", "raw/a.csv", "01")])
    ['raw/a.csv of run r1 was changed']
    """
    old, new = ({(f.run, f.file): f.sha256 for f in files} for files in (then, now))
    told = {True: "is gone", False: "was changed"}
    return [f"{file} of run {run} {told[(run, file) not in new]}" for (run, file), sha in sorted(old.items())
            if new.get((run, file)) != sha] + [
        f"{file} of run {run} is new" for run, file in sorted(set(new) - set(old))]


def raw_files_as_they_are(shelf: Path, runs: Iterable[str]) -> tuple[RawFile, ...]:
    """The raw files of named runs on a shelf, whatever their descriptors say; of a run that is gone, none."""
    opened = Shelf(shelf)
    folders = {f.name: f for f in opened.run_folders()}
    return tuple(RawFile(run, f"raw/{name}", sha) for run in sorted(set(runs)) if run in folders
                 for name, sha in sorted(raw_hashes(folders[run]).items()))
