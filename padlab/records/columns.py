"""Which column of a table recorded elsewhere is what, in which unit; what each kind of run needs.

>>> parse_column("force=Load = cell: raw:kgf")
Column(quantity='force', name='Load = cell: raw', unit='kgf')
>>> parse_column("strokes=presses: all")
Column(quantity='strokes', name='presses: all', unit='1')
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from padlab.errors import InputError
from padlab.units import factor

QUANTITIES: dict[str, tuple[str, str, float]] = {
    # quantity: (kind of unit, column of samples.csv, the largest size that any bench can mean)
    "time": ("time", "time_s", 1e12),
    "force": ("force", "force_n", 1e5),
    "displacement": ("length", "displacement_mm", 1e4),
    "temperature": ("temperature", "temperature_c", 1e3),
    "strokes": ("count", "strokes", 1e12),
    "date": ("date", "days", 1e6),
    "thickness": ("length", "thickness_mm", 100.0),
    "rest": ("time", "rest_s", 1e10),
    "mass": ("mass", "mass_kg", 1.0),
    "humidity": ("humidity", "humidity_percent", 100.0),
}
BARE = {"strokes": "1", "date": "date"}
"""Quantities that are counted or written as a date: their column is named without a unit."""
OWN_UNIT = {"time": "s", "force": "N", "displacement": "mm", "temperature": "degC", "thickness": "mm",
            "rest": "h", "mass": "mg", "humidity": "%"}

NEEDS: dict[str, tuple[str, ...]] = {
    "pad": ("time", "force", "displacement"),
    "touch": ("time", "force"),
    "blank": ("time", "force", "displacement"),
    "check": ("time",),
    "wear": ("thickness",),
    "strokes": ("time", "force", "displacement"),
}
"""The kinds that can be imported and the columns that each must have (check: one reading more; wear:
strokes or a date; strokes: the record of an endurance machine, which becomes a run of kind wear)."""
PRESSED = ("time", "force", "displacement", "temperature")
WORN = ("strokes", "date", "thickness", "rest", "mass", "temperature", "humidity")


@dataclass(frozen=True)
class Column:
    """Which column of the table is what, in which unit; ``-mm`` where it counts the other way."""

    quantity: str
    name: str
    unit: str


def parse_column(text: str) -> Column:
    """Read ``quantity=NAME:UNIT``, split at the first ``=`` and the last ``:``; a count or date has no unit.

    Raises
    ------
    InputError
        No ``=``, no unit, an unknown quantity or unit.
    """
    quantity, equals, rest = text.partition("=")
    shown = repr(text[:80])
    if not equals or quantity not in QUANTITIES:
        raise InputError(
            f"{shown} names no column",
            expected=f"one of {', '.join(QUANTITIES)}, =, name, :, unit",
            seen=shown,
            remedy="write it as force=Load:N",
        )
    if quantity in BARE and rest.strip():
        return Column(quantity, rest.strip(), BARE[quantity])
    name, colon, unit = rest.rpartition(":")
    if not colon or not name.strip() or not unit.strip():
        raise InputError(
            f"the column for {quantity} has no {'name' if quantity in BARE else 'unit'}",
            expected=f"{quantity}=NAME" + ("" if quantity in BARE else ":UNIT"),
            seen=shown,
            remedy=f"write it as {as_typed(quantity, rest[:40] or 'NAME')}",
        )
    factor(unit.strip(), QUANTITIES[quantity][0])
    return Column(quantity, name.strip(), unit.strip())


def as_typed(quantity: str, name: str = "NAME") -> str:
    """How a column of that quantity is named at the command line."""
    return f"{quantity}={name}" + ("" if quantity in BARE else f":{OWN_UNIT[quantity]}")


def check_columns(kind: str, columns: Sequence[Column]) -> None:
    """Refuse kinds that cannot be imported, missing columns, and one column named for two things."""
    if kind not in NEEDS:
        raise InputError(
            f"a table of kind {kind[:40]} cannot be imported",
            expected=", ".join(NEEDS),
            seen=kind[:40],
        )
    named = [c.quantity for c in columns]
    takes = WORN if kind == "wear" else NEEDS[kind] if kind == "strokes" else PRESSED
    strange = [q for q in named if q not in takes]
    if strange:
        raise InputError(
            f"a table of kind {kind} has no {strange[0]}",
            expected=", ".join(takes),
            seen=strange[0],
        )
    missing = [q for q in NEEDS[kind] if q not in named]
    if kind == "check" and not missing and len(named) < 2:
        missing = ["force or displacement"]
    if kind == "wear" and not missing and not {"strokes", "date"} & set(named):
        missing = ["strokes or date"]
    if missing:
        raise InputError(
            f"a table of kind {kind} lacks a column for {', '.join(missing)}",
            expected=", ".join(NEEDS[kind]),
            seen=", ".join(named) or "none",
            remedy=f"add --column {as_typed(missing[0].split()[0])}",
        )
    for what, values in (("quantity", named), ("column", [c.name for c in columns])):
        twice = sorted({v for v in values if values.count(v) > 1})
        if twice:
            raise InputError(
                f"{what} {twice[0][:60]!r} is named twice",
                expected="every one once",
                seen=", ".join(f"{c.quantity}={c.name[:40]}:{c.unit}" for c in columns),
            )
