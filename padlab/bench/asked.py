"""What a person filled in on the page -> what the recorder is called with; every mistake at once.

>>> from padlab.capture.rig import read_rig
>>> asked_run({"procedure": "blank", "cautions": True}, read_rig("bench")).procedure.name
'blank'
"""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field
from typing import Any

from padlab.capture.motor import check_drives
from padlab.capture.procedure import Procedure, procedure_names, read_procedure
from padlab.capture.recorder import check_fits
from padlab.capture.rig import RigFile
from padlab.errors import FileFormatError, InputError, UnitError
from padlab.records.forms import pad_from_table
from padlab.records.pad import TEXT_LIMIT, Pad
from padlab.units import parse_quantity

PAD_KEYS = ("id", "material", "material_class", "lot", "outer_diameter", "inner_diameter", "thickness")
LABELS = {"id": "pad", "material": "stock", "material_class": "class"}
"""What stands at a field of the form, where it is not the key itself."""
EVERY_DAY = ("standard", "blank", "check")
"""Procedures that are offered first."""
KEYS = ("procedure", "pad", "temperature", "humidity", "conditioning", "note", "latitude", "cautions", "move")


@dataclass(frozen=True)
class AskedRun:
    """One run as it was asked for."""

    procedure: Procedure
    pad: Pad | None
    environment: dict[str, Any] = field(default_factory=dict)
    note: str | None = None


def asked_run(form: dict[str, Any], rig: RigFile) -> AskedRun:
    """Check what came from the page whole.

    Raises
    ------
    InputError
        A rig that cannot do this; else ``where["mistakes"]`` lists every mistake with its key, cautions that
        were not read and a motor that was not let to move among them.
    """
    unknown = sorted(str(key)[:40] for key in form if key not in KEYS)
    if unknown:
        raise InputError("the page sent what is not asked for", expected=", ".join(KEYS),
                         seen=", ".join(unknown))
    name = form.get("procedure")
    if name not in procedure_names():                      # a name, never a path
        raise InputError("no such procedure", expected="one of " + ", ".join(procedure_names()),
                         seen=repr(name)[:60])
    procedure = read_procedure(str(name))
    if procedure.is_endurance:
        raise InputError("an endurance run goes on for weeks: it is not made from the page",
                         expected="a procedure that somebody stands beside", seen=procedure.name,
                         remedy="padlab capture RIG endurance-machine --pad PAD.toml --out SHELF")
    mistakes: list[str] = []
    environment = _environment(form, mistakes)
    note = _text(form, "note", mistakes)
    pad = None
    if procedure.kind == "pad":
        pad, wrong = pad_filled_in(form.get("pad"))
        mistakes += wrong
    check_fits(rig.to_record(), procedure)
    if rig.motor is not None:
        check_drives(rig, procedure)
        if form.get("move") is not True:
            mistakes.append("move: the motor was not let to move, and nothing was sent to it: stand beside "
                            "it, then tick this")
    if form.get("cautions") is not True:
        mistakes.append("cautions: read them first, then tick this")
    if mistakes:
        raise FileFormatError("please look again at: " + "; ".join(mistakes), where={"mistakes": mistakes})
    return AskedRun(procedure, pad, environment, note)


def procedures_for(rig: RigFile) -> list[Procedure]:
    """What this rig can do while somebody stands beside it, what is done every day first.

    >>> from padlab.capture.rig import read_rig
    >>> [one.name for one in procedures_for(read_rig("touch-cap"))]
    ['touch']
    """
    found = []
    names = sorted(procedure_names(), key=lambda name: (name not in EVERY_DAY, name))
    for one in map(read_procedure, [*EVERY_DAY, *names[len(EVERY_DAY):]]):
        if one.is_endurance:
            continue
        with contextlib.suppress(InputError):              # it cannot: it is not offered
            check_fits(rig.to_record(), one)
            if rig.motor is not None:
                check_drives(rig, one)
            found.append(one)
    return found


def _text(form: dict[str, Any], key: str, mistakes: list[str]) -> str | None:
    typed = form.get(key)
    if typed is None:
        return None
    if not isinstance(typed, str) or len(typed) > TEXT_LIMIT:
        mistakes.append(f"{key}: text of at most {TEXT_LIMIT} characters")
        return None
    return typed.strip() or None


def _environment(form: dict[str, Any], mistakes: list[str]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, kind, kept in (("temperature", "temperature", "temperature_c"),
                            ("humidity", "humidity", "humidity_percent")):
        typed = _text(form, key, mistakes)
        if typed is None:
            continue
        try:
            found[kept] = parse_quantity(typed, kind)
        except UnitError as fault:
            mistakes.append(f"{key}: {fault.message}, {fault.remedy or fault.expected}")
    if (typed := _text(form, "conditioning", mistakes)) is not None:
        found["conditioning"] = typed
    if (typed := _text(form, "latitude", mistakes)) is not None:
        try:
            latitude = float(typed)
        except ValueError:
            latitude = float("nan")
        if -90 <= latitude <= 90:
            found |= {"latitude_deg": latitude, "height_m": 0.0}
        else:
            mistakes.append("latitude: degrees, -90 to 90, such as 54")
    return found


def pad_filled_in(typed: Any) -> tuple[Pad | None, list[str]]:
    """The pad of a form, or what is wrong with it, each mistake behind its key.

    >>> pad_filled_in({"id": "A3", "colour": "red"})[1][0][:12]
    'pad: id, mat'
    """
    if not isinstance(typed, dict) or any(key not in PAD_KEYS for key in typed):
        return None, ["pad: " + ", ".join(PAD_KEYS)]
    table = {k: v.strip() if isinstance(v, str) else v for k, v in typed.items()}
    try:
        return pad_from_table({k: v for k, v in table.items() if v != ""}, source="the pad"), []
    except FileFormatError as fault:
        return None, list(fault.where["mistakes"])


def at_fields(mistakes: list[str]) -> dict[str, str]:
    """Mistakes of a pad by the field of the form that they stand at, under the name that is printed there.

    >>> at_fields(["material: text", "pad: id, material"])
    {'pad.material': 'stock: text', 'pad.id': 'the pad: id, material'}
    """
    found = {}
    for words in mistakes:
        key, _, rest = words.partition(":")
        if key == "pad":
            found["pad.id"] = f"the pad:{rest}"
        else:
            found[f"pad.{key}"] = f"{LABELS.get(key, key.replace('_', ' '))}:{rest}"
    return found


def pad_as_typed(pad: Pad) -> dict[str, str]:
    """A pad as a person would fill it in again.

    >>> pad_as_typed(Pad("A3", "wool", "felt", "1", 19.0, 8.0))["outer_diameter"]
    '19mm'
    """
    sizes = {key: getattr(pad, f"{key}_mm") for key in ("outer_diameter", "inner_diameter", "thickness")}
    return {"id": pad.id, "material": pad.material, "material_class": pad.material_class, "lot": pad.lot,
            **{key: "" if mm is None else f"{mm:.6g}mm" for key, mm in sizes.items()}}
