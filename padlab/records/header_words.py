"""What the name of a column says: which quantities it may be, in which unit. Words of seven languages.

    "Kraft [N]", "Weg/mm", "time (s)", "dial thou", "F_gf", "Dicke in mm" -> quantities, unit

A name that can mean two things gives both; the rest of the table may decide (:mod:`padlab.records.guessed`).

>>> read_name("Kraft/N")
Named(quantities=frozenset({'force'}), unit='N', is_other=False)
>>> sorted(read_name("d [mm]").quantities), read_name("load rate [N/s]").is_other
(['displacement', 'thickness'], True)
"""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

from padlab.units import FACTORS

WORDS: dict[str, str] = {
    "time": "time zeit temps tiempo tempo tijd tid elapsed seconds timestamp dauer",
    "force": "force load kraft last fuerza carga forza carico kracht belasting kraften belastning newton",
    "displacement": "displacement disp travel deflection position pos indicator dial weg hub auslenkung "
                    "deplacement course recorrido desplazamiento spostamento corsa verplaatsing vag "
                    "forskjutning extension compression indent messuhr comparateur gauge",
    "temperature": "temperature temp temperatur temperatura temperatuur",
    "strokes": "strokes cycles presses count hube zyklen lastwechsel ciclos cicli cycli slagen "
               "anschlage betatigungen",
    "date": "date datum fecha jour dag tag giorno",
    "thickness": "thickness thick dicke starke epaisseur espesor spessore dikte tjocklek gauge caliper",
    "rest": "rest rested resting ruhe repos reposo riposo rust vila",
    "mass": "mass masse masa massa gewicht poids peso",
    "humidity": "humidity feuchte luftfeuchte feuchtigkeit humidite humedad umidita vochtigheid fuktighet",
    "pad": "pad polster tampon zapatilla tampone no nr number id",
    "sheet": "sheet blatt bogen platte feuille hoja foglio vel ark",
    "place": "place platz stelle lugar posto plats position",
}
"""Folded to small letters without accents."""
SYMBOLS: dict[str, tuple[str, ...]] = {
    "F": ("force",), "t": ("time",), "x": ("displacement",), "X": ("displacement",), "h": ("thickness",),
    "T": ("temperature",), "RH": ("humidity",), "rH": ("humidity",), "rF": ("humidity",),
    "d": ("displacement", "thickness"), "s": ("time", "displacement"), "m": ("mass",), "n": ("strokes",),
}
"""Single letters, where the whole name is one; capitals count."""
OF_UNIT: dict[str, tuple[str, ...]] = {
    "time": ("time", "rest"), "force": ("force",), "length": ("displacement", "thickness"),
    "temperature": ("temperature",), "mass": ("mass",), "humidity": ("humidity",),
}
KIND_OF = {quantity: kind for kind, quantities in OF_UNIT.items() for quantity in quantities}
OTHER = frozenset("""rate speed velocity geschwindigkeit vitesse stiffness steifigkeit raideur modulus energy
    energie work arbeit std sd sigma error fehler target setpoint soll sollwert nominal limit power voltage
    current volt mv spannung""".split())
"""Words of what padlab takes no column for: a name with one of them is none of the quantities."""
RAW = frozenset(("raw", "adc", "counts", "ticks", "roh"))
"""Words of readings that are not in a unit yet: only a unit beside them makes them a quantity."""

SAID: dict[str, tuple[str, ...]] = {
    "sec": ("s",), "secs": ("s",), "second": ("s",), "seconds": ("s",), "sek": ("s",), "sekunden": ("s",),
    "secondes": ("s",), "segundos": ("s",), "msec": ("ms",), "millis": ("ms",), "milliseconds": ("ms",),
    "usec": ("us",), "minutes": ("min",), "minuten": ("min",), "hr": ("h",), "hrs": ("h",), "std": ("h",),
    "stunden": ("h",), "heures": ("h",), "horas": ("h",), "n": ("N",), "newton": ("N",), "newtons": ("N",),
    "g": ("gf", "g"), "gram": ("gf", "g"), "grams": ("gf", "g"), "grf": ("gf",), "gramm": ("gf", "g"),
    "kg": ("kgf", "kg"), "lb": ("lbf", "lb"), "lbs": ("lbf", "lb"), "pounds": ("lbf", "lb"),
    "oz": ("ozf",), "inch": ("in",), "inches": ("in",), "zoll": ("in",), "pouces": ("in",), '"': ("in",),
    "micron": ("um",), "microns": ("um",), "mikrometer": ("um",), "micrometres": ("um",),
    "millimeter": ("mm",), "millimetres": ("mm",), "thousandths": ("thou",), "thous": ("thou",),
    "°c": ("degC",), "c": ("degC",), "celsius": ("degC",), "grad": ("degC",), "percent": ("%",),
    "prozent": ("%",), "rh": ("%RH",), "%rf": ("%RH",), "% rh": ("%RH",), "% rf": ("%RH",),
}
"""What people write for a unit. ``mil`` is missing: it is a thousandth of an inch to some, a millimetre to
others. So is °F: padlab has no such unit."""

ANY_CAPITALS = frozenset("mm cm um thou in gf kgf lbf ozf ms us min degc %rh".split())
"""Units that are the same in capitals; N and mN are not."""

_PARTED = (
    re.compile(r"(?P<word>.*?)[\s_,:;.-]*[\[({<]\s*(?P<unit>[^\])}>]{1,12}?)\s*[\])}>]"),      # F [N]
    re.compile(r"(?P<word>[^/]+?)\s*/\s*(?P<unit>[^\s/]{1,12})"),                              # F/N
    re.compile(r"(?P<word>.+?)\s+(?:in|en)\s+(?P<unit>\S{1,12})"),                             # Kraft in N
)
_TAIL = re.compile(r"(?P<word>.+?)[\s_,:;.=-]+(?P<unit>\S{1,12})")                             # weg_mm
_HUMP = re.compile(r"(?<=[a-z]{3})(?=[A-Z])")                                                  # forceN


@dataclass(frozen=True)
class Named:
    """What a name says.

    ``quantities``: each that it may be; none if it says nothing. ``unit``: padlab's word for it, None where
    none was named or it is unknown. ``is_other``: it names something that padlab takes no column for.
    """

    quantities: frozenset[str]
    unit: str | None
    is_other: bool = False


def read_name(name: str) -> Named:
    """Read the name of a column."""
    text = " ".join(name.split())[:120]
    word, units, written = _part(text)
    if _is_compound(text) or _is_foreign(text, written, units):
        return Named(frozenset(), None, True)
    tokens = set(_tokens(word))
    if tokens & OTHER or (tokens & RAW and not units):
        return Named(frozenset(), None, True)
    meant = _quantities(word)
    if "rest" in meant:
        meant = meant - {"time"}               # "rest time"
    if not units:
        return Named(meant, None)
    by_unit = {q: unit for unit in units for kind in _kinds(unit) for q in OF_UNIT.get(kind, ())}
    fitting = frozenset(q for q in (meant or by_unit) if q in by_unit)
    if not fitting:                            # a force in mm: word and unit contradict each other
        return Named(frozenset(), None, True)
    found = {by_unit[q] for q in fitting}
    return Named(fitting, found.pop() if len(found) == 1 else None)


def _part(text: str) -> tuple[str, tuple[str, ...], str | None]:
    """Word, the units that may be meant, and what stands in the place of a unit, known or not."""
    for pattern in _PARTED:
        match = pattern.fullmatch(text)
        if match:
            return match["word"], _units(match["unit"]), match["unit"]
    whole = _units(text)
    if whole and (len(text) > 1 or text == "N"):
        return "", whole, text
    humped = _HUMP.sub(" ", text)
    match = _TAIL.fullmatch(humped)
    if match and (units := _units(match["unit"])):
        return match["word"], units, match["unit"]
    return humped, (), None


def _is_compound(text: str) -> bool:
    """Whether one unit by another is named: N/mm, [mm/s]."""
    inside = re.search(r"[\[({<]\s*([^\])}>]*)", text)
    left, stroke, right = (inside.group(1) if inside else text).partition("/")
    known = bool(_units(left.strip())) and (inside is not None or left.strip() not in SYMBOLS)
    return bool(stroke) and known and bool(right.strip())


def _is_foreign(text: str, written: str | None, units: tuple[str, ...]) -> bool:
    """Whether a unit is named that padlab does not read (dyn, °F): no other may be offered for it."""
    folded = text.casefold()
    if "°f" in folded or "fahrenheit" in folded:
        return True
    return written is not None and not units and written.strip().casefold() not in ("mil", "mils", "")


def _units(written: str) -> tuple[str, ...]:
    text = written.strip().rstrip(".")
    folded = text.casefold()
    if folded in ("mil", "mils"):
        return ()
    if text in ("kg", "g", "lb"):              # weights: of mass, and what people write for force
        return SAID[folded]
    if any(text in FACTORS[kind] for kind in OF_UNIT):
        return ("um",) if text in ("µm", "μm") else ("us",) if text == "µs" else (text,)
    if folded in ANY_CAPITALS:
        return tuple(u for kind in OF_UNIT for u in FACTORS[kind] if u.casefold() == folded)
    return SAID.get(folded, ())


def _kinds(unit: str) -> list[str]:
    return [kind for kind in OF_UNIT if unit in FACTORS[kind]]


def _quantities(word: str) -> frozenset[str]:
    plain = word.strip(" _,:;.-")
    if plain in SYMBOLS:
        return frozenset(SYMBOLS[plain])
    tokens = set(_tokens(plain))
    return frozenset(q for q, words in WORDS.items() if tokens & set(words.split()))


def _tokens(word: str) -> list[str]:
    """Words in small letters without accents and numbers."""
    folded = unicodedata.normalize("NFKD", word.casefold().replace("ß", "ss"))
    bare = "".join(c for c in folded if not unicodedata.combining(c))
    return [t for t in re.split(r"[^a-z]+", bare) if t]
