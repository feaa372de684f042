"""derived/*.json: what was made from a run, each with what it was made from.

An answer whose inputs changed (readings, samples, pad, calibrations, blank run, setting aside,
padlab's version) is stale: it reads as ``None`` and is made again.
"""

from __future__ import annotations

import hashlib
import json
import re
from pathlib import Path
from typing import Any

from padlab import __version__
from padlab.errors import RunError
from padlab.records.inside import read_bytes, refuse_links, write_whole, writing
from padlab.records.raw_log import raw_hashes
from padlab.records.run import Run
from padlab.records.samples import NAMES

LIMIT = 64 << 20
_NAME = re.compile(r"[a-z][a-z0-9_-]{0,31}")


def made_from(run: Run) -> dict[str, Any]:
    """Everything that a derived object of this run depends on."""
    samples = next((n for n in NAMES if (run.folder / n).exists()), None)
    return {
        "raw_sha256": raw_hashes(run.folder),
        "samples_sha256": hashlib.sha256(read_bytes(run.folder, samples)).hexdigest() if samples else None,
        "pad": run.pad.to_json() if run.pad else None,
        "calibrations": list(run.calibrations),
        "blank": run.blank,
        "set_aside": run.set_aside,
        "padlab": __version__,
    }


def write_derived(run: Run, name: str, result: dict[str, Any]) -> Path:
    """Keep ``result`` as derived/NAME.json; NaN and Infinity are refused (ValueError).

    The same result from the same run gives the same bytes.
    """
    folder = refuse_links(run.folder, "derived")
    with writing(folder):
        folder.mkdir(exist_ok=True)
    path = refuse_links(run.folder, "derived", _file(name))
    stored = {"made_from": made_from(run), "result": result}
    write_whole(path, json.dumps(stored, ensure_ascii=False, allow_nan=False, indent=1).encode() + b"\n")
    return path


def read_derived(run: Run, name: str) -> dict[str, Any] | None:
    """What derived/NAME.json holds, or None where it is missing, damaged or older than its inputs."""
    path = refuse_links(run.folder, "derived", _file(name))
    if not path.is_file():
        return None
    try:
        stored = json.loads(read_bytes(run.folder, "derived", path.name, limit=LIMIT))
    except (ValueError, RecursionError):
        return None
    fresh = isinstance(stored, dict) and stored.get("made_from") == made_from(run)
    return stored["result"] if fresh and isinstance(stored.get("result"), dict) else None


def drop_derived(run: Run) -> list[str]:
    """Delete all of derived/*.json; gives the names. Nothing is lost: all of it can be made again."""
    folder = refuse_links(run.folder, "derived")
    names = sorted(p.name for p in folder.glob("*.json")) if folder.is_dir() else []
    with writing(folder):
        for name in names:
            (folder / name).unlink()  # of a link only the link goes
    return names


def _file(name: str) -> str:
    if _NAME.fullmatch(name) is None:
        raise RunError(f"{name[:60]!r} cannot name a derived file", expected="a-z 0-9 _ -", seen=name[:60])
    return f"{name}.json"
