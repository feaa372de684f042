"""Units at the edges, SI-like units inside.

Inside padlab a length is in millimetres, a force in newtons, a time in seconds, a temperature
in degrees Celsius, and the name of every field says so (``force_n``, ``displacement_mm``).
People think in thou and in grams; this is the only file that holds the factors.

>>> parse_quantity("8thou", "length")
0.2032
>>> round(parse_quantity("350gf", "force"), 6)
3.432327
>>> both_lengths(0.2032)
'203 um (8.0 thou)'
"""

from __future__ import annotations

import math
import re

from padlab.errors import UnitError

MM_PER_THOU = 0.0254
"""One thousandth of an inch; the inch is 25.4 mm exactly (international yard and pound, 1959)."""

N_PER_KGF = 9.80665
"""Standard gravity (3rd CGPM, 1901)."""

FACTORS: dict[str, dict[str, float]] = {
    "length": {"mm": 1.0, "um": 1e-3, "µm": 1e-3, "μm": 1e-3, "m": 1e3, "cm": 10.0, "in": 25.4,
               "thou": MM_PER_THOU},
    "force": {"N": 1.0, "mN": 1e-3, "kN": 1e3, "gf": N_PER_KGF * 1e-3, "kgf": N_PER_KGF,
              "lbf": 4.4482216152605, "ozf": 4.4482216152605 / 16},
    "time": {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "min": 60.0, "h": 3600.0,
             "hours": 3600.0, "days": 86400.0, "day": 86400.0, "weeks": 604800.0, "week": 604800.0,
             "years": 31557600.0, "year": 31557600.0},
    "mass": {"kg": 1.0, "g": 1e-3, "mg": 1e-6, "lb": 0.45359237},
    "temperature": {"degC": 1.0},
    "humidity": {"%": 1.0, "%RH": 1.0},
    "stiffness": {"N/mm": 1.0, "N/um": 1e3, "N/µm": 1e3, "kN/m": 1.0, "lbf/in": 4.4482216152605 / 25.4},
    "compliance": {"mm/N": 1.0, "um/N": 1e-3, "µm/N": 1e-3},
    "temperature difference": {"K": 1.0},
    "count": {"1": 1.0},
    "movement with temperature": {"mm/K": 1.0, "um/K": 1e-3, "µm/K": 1e-3},
}

_NEARLY = {"c": "degC", "°c": "degC", "celsius": "degC", "newton": "N", "inch": "in", '"': "in",
           "sec": "s", "g": "gf", "kg": "kgf", "lb": "lbf", "lbs": "lbf", "pounds": "lbf",
           "oz": "ozf", "ounces": "ozf", "newtons": "N", "inches": "in", "mil": "thou", "mils": "thou",
           "thous": "thou", "th": "thou", "micron": "um", "microns": "um", "grams": "gf", "kilos": "kgf",
           "seconds": "s", "minutes": "min", "hour": "h"}
"""What people write for a unit, and the one that they mean; it is offered, never taken."""

_TYPED = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?)\s*([^\d\s].*?)?\s*", re.ASCII)


def parse_quantity(text: str, kind: str) -> float:
    """Read a quantity typed by a person, with its unit, into padlab's own unit.

    Parameters
    ----------
    text : str
        Such as ``"3thou"``, ``"0.08 mm"``, ``"5lbf"``.
    kind : str
        ``length`` (mm), ``force`` (N), ``time`` (s), ``mass`` (kg), ``temperature`` (degC),
        ``humidity`` (%), ``compliance`` (mm/N), ``stiffness`` (N/mm).

    Raises
    ------
    UnitError
        A bare number, an unknown unit, or no finite number; the message lists the units on offer.

    >>> parse_quantity("8", "length")
    Traceback (most recent call last):
    ...
    padlab.errors.UnitError: '8' has no unit
      expected: a length with its unit: mm, um, m, cm, in, thou
      seen: '8'
      try: write it as 8thou or 8mm
    """
    factors = FACTORS[kind]
    offer = f"a {kind} with its unit: " + ", ".join(u for u in factors if u.isascii())
    shown = repr(str(text)[:40])
    match = _TYPED.fullmatch(str(text)) if len(str(text)) <= 64 else None
    pointed = str(text).strip().replace(",", ".", 1)
    if "," in str(text) and len(pointed) <= 64 and _TYPED.fullmatch(pointed):
        raise UnitError(f"{shown} has a comma in its number", expected=offer, seen=shown,
                        remedy=f"write it as {pointed}, with a point")
    if match is None:
        raise UnitError(f"{shown} is not a quantity", expected=offer, seen=shown, remedy=None)
    number, unit = float(match.group(1)), match.group(2)
    if unit is None:
        examples = {"length": ("thou", "mm"), "force": ("N", "gf")}.get(kind, tuple(factors)[:2])
        remedy = "write it as " + " or ".join(f"{match.group(1)}{u}" for u in examples)
        raise UnitError(f"{shown} has no unit", expected=offer, seen=shown, remedy=remedy)
    if unit not in factors:
        close = _NEARLY.get(unit.casefold(), unit.casefold())
        meant = next((u for u in factors if u.casefold() == close.casefold()), None)
        raise UnitError(f"{unit!r} is not a unit of {kind}", expected=offer, seen=shown,
                        remedy=meant and f"write it as {match.group(1)}{meant}")
    value = number * factors[unit]
    if not math.isfinite(value):
        raise UnitError(f"{shown} is not a finite quantity", expected=offer, seen=shown, remedy=None)
    return value


def factor(unit: str, kind: str) -> float:
    """How much of padlab's own unit one ``unit`` is; a leading ``-`` turns the sign.

    >>> factor("-mm", "length"), factor("kgf", "force")
    (-1.0, 9.80665)
    """
    sign, name = (-1.0, unit[1:]) if unit.startswith("-") else (1.0, unit)
    if name not in FACTORS[kind]:
        raise UnitError(
            f"{unit!r} is not a unit of {kind}",
            expected=f"one of {', '.join(u for u in FACTORS[kind] if u.isascii())}",
            seen=repr(unit),
            remedy="put - before the unit where the reading counts the other way",
        )
    return sign * FACTORS[kind][name]


def thou(length_mm: float) -> float:
    """Millimetres in thousandths of an inch.

    >>> thou(0.0254)
    1.0
    """
    return length_mm / MM_PER_THOU


def both_lengths(length_mm: float | None) -> str:
    """A small length as a technician reads it: micrometres and thou, both, neither rounded to nothing.

    >>> both_lengths(0.0007)
    '0.7 um (0.03 thou)'

    >>> both_lengths(0.00007)
    '0.1 um (0.003 thou)'

    >>> both_lengths(-0.00002), both_lengths(None)
    ('0.0 um (0.00 thou)', 'not determined')
    """
    if length_mm is None or not math.isfinite(length_mm):
        return "not determined"
    um, in_thou = length_mm * 1e3, thou(length_mm)
    decimals = 1 if abs(in_thou) >= 0.095 else 3 if 0.05 <= abs(um) < 5 * MM_PER_THOU else 2
    # z: what is rounded to nothing has no sign.
    return f"{um:z.{0 if abs(um) >= 99.5 else 1}f} um ({in_thou:z.{decimals}f} thou)"


def three_digits(*numbers: float) -> tuple[str, ...]:
    """Numbers that belong together (a value and its ends), all to the last of three digits of the first.

    >>> three_digits(42.0, 41.3, 42.7), three_digits(4.32, 2.44, 6.2), three_digits(1321.4, 1270.0)
    (('42.0', '41.3', '42.7'), ('4.32', '2.44', '6.20'), ('1321', '1270'))
    >>> three_digits(-1.3e-14, 0.0), three_digits(0.0123)
    (('0.0', '0.0'), ('0.012',))
    """
    size = abs(numbers[0])
    decimals = 1 if size < 5e-4 else min(max(2 - math.floor(math.log10(size)), 0), 3)
    return tuple(f"{number:z.{decimals}f}" for number in numbers)


def span(years: float | None) -> str:
    """A time as a technician says it, two digits: days, weeks, months or years.

    >>> span(0.01), span(0.2), span(1.5), span(10.593), span(None)
    ('3.7 days', '10 weeks', '18 months', '11 years', 'not determined')
    """
    if years is None or not math.isfinite(years):
        return "not determined"
    unit, size = _span_unit(years)
    return f"{_two_digits(years / size)} {unit}"


def spans(low_years: float | None, high_years: float | None) -> str:
    """From one time to another, in the unit of their middle.

    >>> spans(7.202, 15.581), spans(0.04, 0.23)
    ('7.2 to 16 years', '2.1 to 12 weeks')
    """
    if low_years is None or high_years is None or not math.isfinite(low_years + high_years):
        return "not determined"
    unit, size = _span_unit(math.sqrt(max(low_years, 1e-9) * max(high_years, 1e-9)))
    return f"{_two_digits(low_years / size)} to {_two_digits(high_years / size)} {unit}"


def _span_unit(years: float) -> tuple[str, float]:
    week = 7 / 365.25
    for unit, size, least in (("years", 1.0, 2.0), ("months", 1 / 12, 5 / 12), ("weeks", week, 1.5 * week)):
        if years >= least:
            return unit, size
    return "days", 1 / 365.25


def _two_digits(value: float) -> str:
    return f"{value:.0f}" if value >= 9.95 else f"{value:.2g}"
