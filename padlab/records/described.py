"""What cannot be in a run's descriptor although its types are right: each mistake named by its key.

One reading for all: whoever uses a run afterwards finds numbers where a name ends in a unit, channels
that are columns, clocks that can run.

>>> unit_mistakes({"temperature_c": "warm"}, "environment")
["environment.temperature_c: a number or null, seen 'warm'"]
>>> unit_mistakes({"step": [{"do": "hold", "to_n": 3.5, "seconds": True}]}, "procedure")
['procedure.step.0.seconds: a number or null, seen True']
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

from padlab.errors import RunError
from padlab.records.pad import Pad, pad_mistakes
from padlab.records.raw_log import check_instruments
from padlab.records.rig_record import Channel, Instrument, RigRecord

RUN_ID = re.compile(r"[0-9]{8}T[0-9]{6}Z-[0-9abcdefghjkmnpqrstvwxyz]{6}")
"""A run id: UTC stamp and six characters of base32 (Crockford's alphabet: no i, l, o, u)."""

PART, SHA256 = re.compile(r"part-[0-9]{6}\.parquet"), re.compile("[0-9a-f]{64}")
"""Names and hashes of the parts of an endurance run: a name never becomes a path of its own."""

UNITS = ("s", "n", "mm", "um", "c", "k", "h", "kg", "g", "m", "deg", "percent", "hz")
NUMBERS = ("seconds", "count", "times")
SINGLE = ("to_n", "peak_n", "peak_net_n", "from_s", "to_s", "mass_kg", "monotonic_s", *NUMBERS)
"""Numbers that are never a list of several, as ``weights_kg`` may be."""
TEXTS = ("name", "kind", "title", "do", "label", "pace", "by", "reason", "conditioning", "wall")
"""Keys of the free parts (environment, procedure, steps, clock) whose type is known by their name."""

LARGEST = 2.0**64
"""No count, clock or size in a descriptor goes beyond a counter of 64 bits."""
RANGES: dict[str, tuple[float, float]] = {
    "temperature_c": (-90.0, 100.0), "humidity_percent": (0.0, 100.0), "needs_rest_h": (0.0, 1e5),
}
UNIT_OF = {"force": "N", "displacement": "mm", "temperature": "degC"}
MOST = {"scale_uncertainty": 1.0, "offset_uncertainty": 10.0, "resolution": 10.0, "local_uncertainty": 10.0,
        "limit": 1e6}
"""Of a channel; the first is relative (1 is "no idea"), the others are in N, mm or degC."""
LARGEST_SCALE = 1e6
"""Newtons, millimetres or degrees for one step of a reading: the cell of a test hall has less."""


def descriptor_mistakes(package: Mapping[str, Any], *, rig: RigRecord | None, pads: Mapping[str, Pad | None],
                        ) -> list[str]:
    """Everything in a descriptor of the right types that cannot be, each as ``key: what, seen what``.

    Parameters
    ----------
    package : mapping
        The whole descriptor.
    rig : RigRecord or None
        As read from it.
    pads : mapping
        The pad and its corrections, by their keys.
    """
    held = package["padlab"]
    found = [*_resources(package), *_too_large(held, "")]
    if not is_moment(held["start"]):
        found.append(f"start: a date and time in ISO 8601, seen {_shown(held['start'])}")
    for key in ("environment", "procedure", "steps", "clock"):
        found += unit_mistakes(held.get(key), key)
    if held.get("blank") is not None and RUN_ID.fullmatch(held["blank"]) is None:
        found.append(f"blank: a run id, seen {_shown(held['blank'])}")
    for number, name in enumerate(held.get("calibrations", ())):
        if RUN_ID.fullmatch(name.removeprefix("cal-")) is None:
            found.append(f"calibrations.{number}: the id of a calibration, seen {_shown(name)}")
    for number, seen in enumerate(held.get("steps", ())):
        missing = [k for k in ("do", "from_s", "to_s") if seen.get(k) is None]
        if missing:
            found.append(f"steps.{number}.{missing[0]}: needed, seen none")
    for number, gap in enumerate(held.get("gaps", ())):
        if not gap["from_s"] <= gap["to_s"]:
            found.append(f"gaps.{number}.to_s: no earlier than from_s ({gap['from_s']}), seen {gap['to_s']}")
    for name, sha256 in ((held.get("endurance") or {}).get("parts") or {}).items():
        if not (PART.fullmatch(name) and SHA256.fullmatch(sha256)):
            found.append(f"endurance.parts.{name[:40]}: part-000001.parquet and its SHA-256, "
                         f"seen {_shown(sha256)}")
    for key, doubt in held.get("column_doubt", {}).items():
        if not doubt >= 0:
            found.append(f"column_doubt.{key[:40]}: nothing below 0, seen {doubt}")
    if rig is not None:
        found += rig_mistakes(rig)
    for key, pad in pads.items():
        found += [f"{key}.{fault}" for fault in (pad_mistakes(pad) if pad else ())]
    return found


def unit_mistakes(value: Any, key: str) -> list[str]:
    """Where a name ends in a unit and what it holds is no number; where a name means text and is none."""
    return list(_unit_mistakes(value, key))


def _unit_mistakes(value: Any, key: str) -> Iterator[str]:
    if isinstance(value, list):
        for number, one in enumerate(value):
            yield from _unit_mistakes(one, f"{key}.{number}")
        return
    if not isinstance(value, dict):
        return
    for name, one in value.items():
        place = f"{key}.{name[:40]}"
        if name in NUMBERS or ("_" in name and name.rpartition("_")[2] in UNITS):
            alone = name in SINGLE or name in RANGES or not isinstance(one, list)
            several = [one] if alone else one
            if not all(v is None or _is_number(v) for v in several):
                yield f"{place}: a number or null, seen {_shown(one)}"
                continue
            low, high = RANGES.get(name, (-LARGEST, LARGEST))
            for v in several:
                if v is not None and not low <= v <= high:
                    yield f"{place}: between {low:g} and {high:g}, seen {_shown(v)}"
        elif name in TEXTS:
            if not (one is None or isinstance(one, str)):
                yield f"{place}: text or null, seen {_shown(one)}"
        else:
            if name in ("steps", "step") and isinstance(one, list):
                for number, inner in enumerate(one):
                    if not isinstance(inner, dict):
                        yield f"{place}.{number}: an object, seen {_shown(inner)}"
            elif name == "steps":
                yield f"{place}: a list, seen {_shown(one)}"
            yield from _unit_mistakes(one, place)


def rig_mistakes(rig: RigRecord) -> Iterator[str]:
    """What of a rig record could not have turned readings into newtons and millimetres."""
    try:
        check_instruments(rig)
    except RunError as fault:
        yield f"rig.instruments: {fault.message}"
    for key, value in (("frame_compliance_mm_per_n", rig.frame_compliance_mm_per_n),
                       ("frame_compliance_uncertainty_mm_per_n", rig.frame_compliance_uncertainty_mm_per_n)):
        if value is not None and not 0 <= value <= 10:
            yield f"rig.{key}: between 0 and 10, seen {value:g}"
    for key, most in (("movement_mm_per_k", 1.0), ("temperature_within_k", 100.0)):
        value = getattr(rig, key)
        if value is not None and not abs(value) <= most:
            yield f"rig.{key}: up to {most:g}, seen {value:g}"
    for number, instrument in enumerate(rig.instruments):
        place = f"rig.instruments.{number}"
        yield from (f"{place}.{fault}" for fault in _instrument_mistakes(instrument))
        for k, channel in enumerate(instrument.channels):
            if channel.name not in instrument.columns:
                columns = ", ".join(instrument.columns)
                yield f"{place}.channels.{k}.name: one of {columns}, seen {channel.name[:40]!r}"
            yield from (f"{place}.channels.{k}.{fault}" for fault in _channel_mistakes(channel))


def _instrument_mistakes(instrument: Instrument) -> Iterator[str]:
    for key in ("counter", "clock", "strokes"):
        name = getattr(instrument, key)
        if name is not None and name not in instrument.columns:
            yield f"{key}: one of {', '.join(instrument.columns)}, seen {name[:40]!r}"
        modulus = getattr(instrument, f"{key}_modulus")
        if modulus is not None and not 2 <= modulus <= LARGEST:
            yield f"{key}_modulus: between 2 and 2^64, seen {modulus}"
    tick = instrument.clock_s_per_tick
    if tick is not None and not 1e-12 <= tick <= 3600:
        yield f"clock_s_per_tick: between 1e-12 and 3600 s, seen {tick:g}"


def _channel_mistakes(channel: Channel) -> Iterator[str]:
    if channel.quantity not in UNIT_OF:
        yield f"quantity: {', '.join(UNIT_OF)}; seen {channel.quantity[:40]!r}"
    elif channel.unit != UNIT_OF[channel.quantity]:
        yield f"unit: {UNIT_OF[channel.quantity]} of a {channel.quantity}, seen {channel.unit[:40]!r}"
    if channel.sign not in (1, -1):
        yield f"sign: 1 or -1, seen {channel.sign}"
    if not 0 < abs(channel.scale) <= LARGEST_SCALE:
        yield f"scale: up to {LARGEST_SCALE:g} and not 0, seen {channel.scale:g}"
    if not abs(channel.offset) <= LARGEST_SCALE:
        yield f"offset: up to {LARGEST_SCALE:g}, seen {channel.offset:g}"
    for key in MOST:
        value = getattr(channel, key)
        most = MOST[key]
        if value is not None and not 0 <= value <= most:
            yield f"{key}: between 0 and {most:g}, seen {value:g}"


def is_moment(text: str) -> bool:
    """Whether a text is a date and time in ISO 8601."""
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _resources(package: Mapping[str, Any]) -> Iterator[str]:
    listed = package.get("resources", [])
    if not isinstance(listed, list):
        yield f"resources: a list, seen {_shown(listed)}"
        return
    for number, one in enumerate(listed):
        if not isinstance(one, dict) or not all(isinstance(one.get(k), str) for k in ("name", "path")):
            yield f"resources.{number}: an object with a name and a path, seen {_shown(one)}"


def _too_large(value: Any, key: str) -> Iterator[str]:
    if isinstance(value, dict):
        for name, one in value.items():
            yield from _too_large(one, f"{key}.{name[:40]}" if key else name[:40])
    elif isinstance(value, list):
        for number, one in enumerate(value):
            yield from _too_large(one, f"{key}.{number}")
    elif isinstance(value, (int, float)) and not -LARGEST <= value <= LARGEST:
        yield f"{key}: no number beyond 2^64, seen {_shown(value)}"


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _shown(value: Any) -> str:
    if isinstance(value, (dict, list)):
        return "an object" if isinstance(value, dict) else "a list"
    try:
        text = repr(value)
    except ValueError:                         # a number of over 4,300 digits
        text = "a huge number"
    return text if len(text) <= 60 else text[:57] + "..."
