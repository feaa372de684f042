"""From a run back to its samples and calibrations: what its page shows of where its numbers come from."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from padlab.errors import PadlabError, RunError
from padlab.records.calibration import Calibration, read_calibration
from padlab.records.kept_files import KeptFile, kept_files
from padlab.records.run import Run
from padlab.words import one_line

KIND_WORDS = {"force": "force", "displacement": "displacement", "compliance": "give of the bare frame",
              "skew": "skew between two instruments", "repeatability": "repeatability study"}
UNITS = {"c": "°C", "percent": "%", "deg": "°", "m": "m", "h": "h"}
LONGEST = 400


@dataclass(frozen=True)
class UsedCalibration:
    """A calibration that a run names; ``what`` is None where it is not on the shelf as it should be."""

    id: str
    what: str | None
    made: str | None
    expires: str | None
    had_expired: bool
    fault: str | None


@dataclass(frozen=True)
class Traced:
    """What stands behind the numbers of a run."""

    files: list[KeptFile]
    channels: list[dict[str, str]]
    calibrations: list[UsedCalibration]
    procedure: str
    environment: list[tuple[str, str]]
    amendments: list[str]
    padlab: str | None
    fault: str | None


def traced(run: Run, shelf: Path) -> Traced:
    """Everything that the run's page shows of its origin; what cannot be read is said, not left out."""
    fault, files = None, []
    try:
        files = kept_files(run)
    except (RunError, OSError) as found:
        fault = str(found)
    by_channel = [c["calibration"] for c in _channels(run) if c["calibration"]]
    names = tuple(dict.fromkeys((*run.calibrations, *by_channel)))
    procedure = run.procedure or {}
    steps = procedure.get("steps") or procedure.get("step") or ()
    said = procedure.get("title") or procedure.get("name") or "none: not recorded by a procedure"
    return Traced(
        files, _channels(run), [_used(name, run, shelf) for name in names],
        f"{said}{f' ({len(steps)} steps)' if steps else ''}",
        [_with_unit(key, value) for key, value in run.environment.items() if value is not None],
        [_amended(one) for one in run.amendments], _version(run), fault)


def _channels(run: Run) -> list[dict[str, str]]:
    """Each channel of the rig with what turns its readings into N or mm."""
    if run.rig is None:
        return []
    return [{"instrument": instrument.name, "protocol": instrument.protocol, "quantity": channel.quantity,
             "by": f"reading × {channel.sign * channel.scale:g} {'+' if channel.offset >= 0 else '−'} "
                   f"{abs(channel.offset):g} {channel.unit}",
             "calibration": channel.calibration or ""}
            for instrument in run.rig.instruments for channel in instrument.channels]


def _used(name: str, run: Run, shelf: Path) -> UsedCalibration:
    try:
        found = read_calibration(shelf, name)
    except (PadlabError, OSError) as fault:
        message = fault.message if isinstance(fault, PadlabError) else str(fault)
        return UsedCalibration(name, None, None, None, False, message)
    about = " ".join(part for part in (found.instrument, found.channel) if part)
    return UsedCalibration(
        name, KIND_WORDS[found.kind] + (f" of {about}" if about else ""), found.made[:10], found.expires[:10],
        found.is_expired(run.start_utc), None)


def _with_unit(key: str, value: Any) -> tuple[str, str]:
    """A stored value whose name ends in its unit, as it is written on paper."""
    name, _, unit = key.rpartition("_")
    if unit not in UNITS or not name:
        return key.replace("_", " "), _shown(value)
    return name.replace("_", " "), f"{_shown(value)} {UNITS[unit]}"


def _amended(one: dict[str, Any]) -> str:
    return "; ".join(f"{key.replace('_', ' ')}: {_shown(value)}" for key, value in one.items()
                     if value is not None)[:LONGEST]


def _version(run: Run) -> str | None:
    """The padlab that recorded it, as its descriptor says."""
    from padlab.records.descriptor import read_package

    try:
        said = read_package(run.folder)["padlab"].get("padlab")
    except (RunError, OSError):
        return None
    return said if isinstance(said, str) else None


def traced_calibration(found: Calibration) -> dict[str, Any]:
    """What the page of a calibration shows besides its head: answer and origin, as rows of text."""
    return {"kind": KIND_WORDS[found.kind], "answer": _rows(found.answer),
            "made_from": _rows(found.made_from)}


def _rows(stored: dict[str, Any]) -> list[tuple[str, str]]:
    return [(key.replace("_", " "), _shown(value)) for key, value in stored.items()]


def _shown(value: Any) -> str:
    """A stored value in a line."""
    if value is None:
        return "not determined"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return f"{value:.6g}"
    if isinstance(value, list):
        shown = ", ".join(_shown(v) for v in value[:40])
        return one_line(shown + (f", and {len(value) - 40} more" if len(value) > 40 else ""))[:2000]
    if isinstance(value, dict):
        return one_line("; ".join(f"{k.replace('_', ' ')} {_shown(v)}" for k, v in value.items()))[:2000]
    return one_line(str(value))[:LONGEST]
