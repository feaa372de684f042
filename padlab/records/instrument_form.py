"""A filled-in form -> an instrument file (TOML), which every command reads as if a person had written it.

>>> table, mistakes = table_of_form({
...     "label": "band cornet 3", "strokes_per_day": "3000", "valve.1.down.read_at": "4N",
...     "valve.1.down.parts_tight": True, "valve.1.up.read_at": ""})
>>> print(instrument_toml(table))
label = "band cornet 3"
strokes_per_day = 3000.0
<BLANKLINE>
[[valve]]
name = "1"
<BLANKLINE>
[valve.down]
read_at = "4N"
parts_tight = true
<BLANKLINE>
"""

from __future__ import annotations

import re
from typing import Any

HEAD = ("label", "touch", "strokes_per_day", "days_per_week", "service", "renew_limit", "temperature",
        "wear_share")
NUMBERS = ("strokes_per_day", "days_per_week", "wear_share")
TICKS = ("parts_tight", "stops_on_pad")
STOP = ("port_error", "port_spread", "port_error_uncertainty", "read_at", "method", *TICKS, "metal_clearance",
        "holding_force", "fitted", "fitted_thickness", "fitted_loaded_thickness", "outer_diameter",
        "inner_diameter", "loaded_outer_diameter", "loaded_inner_diameter")
_FIELD = re.compile(r"valve\.([1-9])\.(down|up)\.([a-z_]{1,40})")


def table_of_form(fields: dict[str, Any]) -> tuple[dict[str, Any], list[str]]:
    """The table of an instrument file from fields named ``label`` or ``valve.1.down.port_error``.

    What is empty is left out. A tick says yes; where it is missing at a stop of which something was read,
    the file has no line, and the stop says what it lacks.

    Returns
    -------
    The table of what can be read, and the mistakes of the rest, each with its field.
    """
    mistakes: list[str] = []
    head: dict[str, Any] = {}
    stops: dict[tuple[str, str], dict[str, Any]] = {}
    for name, typed in fields.items():
        place = _FIELD.fullmatch(name)
        key = name if place is None else place.group(3)
        if key not in (HEAD if place is None else STOP):
            mistakes.append(f"{name[:60]}: not a field of this form")
            continue
        value = _value(name, key, typed, mistakes)
        if value is None:
            continue
        if place is None:
            head[key] = value
        else:
            stops.setdefault((place.group(1), place.group(2)), {})[key] = value
    valves = [{"name": name, **{side: {k: stops[name, side][k] for k in STOP if k in stops[name, side]}
                                for side in ("down", "up") if (name, side) in stops}}
              for name in sorted({name for name, _ in stops})]
    return {**{k: head[k] for k in HEAD if k in head}, "valve": valves}, mistakes


def _value(name: str, key: str, typed: Any, mistakes: list[str]) -> str | float | bool | None:
    if key in TICKS:
        if not isinstance(typed, bool):
            mistakes.append(f"{name}: a tick or none")
        return True if typed is True else None
    if not isinstance(typed, str) or len(typed) > 200:
        mistakes.append(f"{name}: text of at most 200 characters")
        return None
    text = typed.strip()
    if not text:
        return None
    if key not in NUMBERS:
        return text
    try:
        number = float(text)
    except ValueError:
        number = float("inf")
    if not abs(number) < 1e9:
        mistakes.append(f"{name}: a number, seen {text[:40]}")
        return None
    return number


def instrument_toml(table: dict[str, Any]) -> str:
    """The text of an instrument file; read as TOML it is the same table again."""
    lines = [f"{key} = {_written(value)}" for key, value in table.items() if key != "valve"]
    for valve in table["valve"]:
        lines += ["", "[[valve]]", f"name = {_written(valve['name'])}"]
        for side in ("down", "up"):
            if side in valve:
                lines += ["", f"[valve.{side}]", *(f"{k} = {_written(v)}" for k, v in valve[side].items())]
    return "\n".join(lines) + "\n"


def _written(value: str | float | bool) -> str:
    """A value as TOML has it (version 1.0, basic strings: controls, quotes and backslashes are escaped)."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, float):
        return repr(value)
    return '"' + "".join(c if c.isprintable() and c not in '"\\' else _escaped(c) for c in value) + '"'


def _escaped(c: str) -> str:
    if c in '"\\':
        return "\\" + c
    code = ord(c) if not 0xD800 <= ord(c) < 0xE000 else 0xFFFD      # half a character is none
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"
