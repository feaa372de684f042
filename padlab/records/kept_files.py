"""The files of a run that hold what was measured: each with its size and the hash that was recorded of it.

>>> KeptFile("raw/main.csv", 120, None, None).verdict
'no hash was recorded of it'
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import Path

from padlab.errors import RunError
from padlab.records.inside import read_bytes, refuse_links
from padlab.records.raw_log import raw_names
from padlab.records.run import Run

CHECKED = 32 << 20
"""Bytes of a run that are read to see whether they are still what was recorded."""
_DERIVED = ("samples.csv", "samples.csv.gz", "readings.csv")


@dataclass(frozen=True)
class KeptFile:
    """One file by its place in the run's folder.

    ``sha256`` is what was recorded of it (None: nothing was), ``now`` what it is (None: not looked at).
    """

    name: str
    size: int
    sha256: str | None
    now: str | None

    @property
    def is_changed(self) -> bool:
        """Whether it is known not to be what was recorded."""
        return self.now is not None and self.sha256 is not None and self.now != self.sha256

    @property
    def verdict(self) -> str:
        """In a few words."""
        if self.is_changed:
            return "NOT what was recorded"
        if self.sha256 is None:
            return "no hash was recorded of it"
        return "as recorded" if self.now is not None else "not looked at: large"


def kept_files(run: Run) -> list[KeptFile]:
    """The raw files, the rows of an endurance run and the samples made of them, in that order.

    Raises
    ------
    RunError
        A link where a file should be, or a file that cannot be read.
    """
    recorded = {f"raw/{name}": run.raw_sha256.get(name) for name in raw_names(run.folder)}
    parts = (run.endurance or {}).get("parts") or {}
    recorded |= {f"strokes/{name}": sha for name, sha in sorted(parts.items())}
    recorded |= {name: run.samples_sha256.get(name) for name in _DERIVED}
    found: list[tuple[str, int, str | None]] = []
    for name, sha in recorded.items():
        path = path_of(run, name)
        if path.is_file():
            found.append((name, path.stat().st_size, sha))
    is_read = run.state != "recording" and sum(size for _, size, _ in found) <= CHECKED
    return [KeptFile(name, size, sha, _hash(run, name) if is_read and sha is not None else None)
            for name, size, sha in found]


def path_of(run: Run, name: str) -> Path:
    """The path of a file of a run; no part of it may be a link."""
    return refuse_links(run.folder, *name.split("/"))


def kept_file(run: Run, name: str) -> Path:
    """One of them by its name, which is looked up.

    Raises
    ------
    RunError
        There is none of that name.
    """
    known = [one.name for one in kept_files(run)]
    if name not in known:
        raise RunError(f"run {run.id} has no such file", expected=", ".join(known) or "none is kept",
                       seen=repr(name)[:60])
    return path_of(run, name)


def _hash(run: Run, name: str) -> str:
    return hashlib.sha256(read_bytes(run.folder, *name.split("/"))).hexdigest()
