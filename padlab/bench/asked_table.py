"""How a table is to be taken in, as it was filled in on the page -> what takes it in; every mistake at once.

Each mistake names its field, so that the page can show it there. Nothing is taken from the guess: what is not
said and confirmed is a mistake.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from padlab.bench.asked import at_fields, pad_filled_in
from padlab.errors import InputError
from padlab.records.amendments import NOTE_LIMIT
from padlab.records.columns import BARE, NEEDS, PRESSED, QUANTITIES, WORN
from padlab.records.gauge import COLUMNS as GAUGED
from padlab.records.gauge import parse_foot
from padlab.records.pad import TEXT_LIMIT, Pad
from padlab.signals.taking_in import KINDS, OF_A_PAD, OF_A_STOP, columns_asked
from padlab.units import FACTORS

KEYS = ("id", "reading", "kind", "columns", "decimal", "pad", "date", "time", "note", "stop", "control",
        "material", "lot", "foot", "standard")
WITH_A_SIGN = ("force", "displacement")
"""What the page calls a key of a pad's file."""
MOST_COLUMNS = 32
"""Columns that have a quantity; there are not so many quantities."""


def quantities_of(kind: str) -> tuple[str, ...]:
    """The quantities that a table of that kind may hold.

    >>> quantities_of("gauge")
    ('pad', 'thickness', 'sheet', 'place')
    """
    return {"gauge": GAUGED, "wear": WORN, "strokes": NEEDS["strokes"]}.get(kind, PRESSED)


def units_of(quantity: str) -> tuple[str, ...]:
    """The units on offer for a quantity, each in one spelling; none where it is a count, a date or a name.

    >>> units_of("force")
    ('N', 'mN', 'kN', 'gf', 'kgf', 'lbf', 'ozf')
    """
    if quantity in BARE or quantity not in QUANTITIES:
        return ()
    return tuple(unit for unit in FACTORS[QUANTITIES[quantity][0]] if unit.isascii())


class _Mistakes:
    def __init__(self) -> None:
        self.words: list[str] = []
        self.fields: list[str] = []

    def add(self, field: str, words: str) -> None:
        self.fields.append(field)
        self.words.append(words)


def asked_table(form: dict[str, Any], readings: list[dict[str, Any]], shelf: Path, *,
                now: datetime) -> dict[str, Any]:
    """Check what came from the page whole; gives the options of the work that takes the table in.

    Parameters
    ----------
    readings : list of dict
        The ways to read the table, as :func:`padlab.bench.made_table.look_at` found them.

    Raises
    ------
    InputError
        ``where["mistakes"]`` lists every mistake in words, ``where["fields"]`` the field of each.
    """
    unknown = sorted(str(key)[:40] for key in form if key not in KEYS)
    number = form.get("reading")
    if unknown or type(number) is not int or not 0 <= number < len(readings):
        raise InputError("the page sent what is not asked for", expected=", ".join(KEYS),
                         seen=", ".join(unknown) or f"reading {str(number)[:20]}")
    reading, wrong = readings[number], _Mistakes()
    kind = form.get("kind")
    if kind not in KINDS:
        wrong.add("kind", "what the table holds: choose one")
        kind = None
    elif (kind == "strokes") != (reading["format"] == "parquet"):
        wrong.add("kind", "what the table holds: a record of a machine is a Parquet file, and only that")
    texts = _columns(form.get("columns"), kind, reading["header"], wrong)
    decimal = form.get("decimal")
    if reading["format"] == "text" and decimal not in ("point", "comma"):
        wrong.add("decimal", "the decimal mark: choose point or comma")
    pad = None
    if kind in OF_A_PAD:
        pad = _pad(form.get("pad"), kind, wrong)
    batch = _batch(form, wrong) if kind == "gauge" else None
    start = _start(form, now, wrong)
    note = _text(form, "note", NOTE_LIMIT, wrong)
    stop = form.get("stop") or None
    if stop not in (None, "up", "down"):
        wrong.add("stop", "the stop: up, down or not known")
    control = form.get("control", False) is True
    if wrong.words:
        many = "one thing" if len(wrong.words) == 1 else f"{len(wrong.words)} things"
        raise InputError(f"Please look again at {many}", where={
            "mistakes": wrong.words, "fields": wrong.fields})
    text = reading["format"] == "text"
    return {"shelf": str(shelf), "kind": kind, "columns": texts,
            "pad": None if pad is None else pad.to_json(), "batch": batch,
            "start_utc": None if start is None else start.isoformat(), "note": note,
            "stop": stop if kind in OF_A_STOP else None, "control": control and kind == "wear",
            "delimiter": reading["delimiter"] if text else None, "decimal": decimal if text else None,
            "sheet": reading["sheet"]}


def _columns(given: Any, kind: str | None, header: list[str], wrong: _Mistakes) -> list[str]:
    """Columns as the command line would have them typed."""
    if not (isinstance(given, list) and len(given) <= MOST_COLUMNS
            and all(isinstance(column, dict) for column in given)):
        wrong.add("columns", f"the columns: at most {MOST_COLUMNS} of them")
        return []
    texts, count = [], len(wrong.words)
    for column in given:
        at, quantity, unit = (column.get(key) for key in ("column", "quantity", "unit"))
        if type(at) is not int or not 0 <= at < len(header):
            wrong.add("columns", "a column that the table does not have")
            continue
        name = header[at]
        if kind is None:
            continue
        if quantity not in quantities_of(kind):
            wrong.add(f"c{at}.quantity", f"{name[:60]}: a table of kind {kind} has no such column")
            continue
        text = f"{quantity}={name}"
        if offered := units_of(quantity):
            if unit not in offered:
                wrong.add(f"c{at}.unit", f"{name[:60]}: choose its unit")
                unit = offered[0]
            sign = ""
            if quantity in WITH_A_SIGN:
                way = column.get("way")
                if way not in ("up", "down"):
                    wrong.add(f"c{at}.way", f"{name[:60]}: say which way it counts")
                sign = "-" if way == "down" else ""
            text += f":{sign}{unit}"
        if column.get("right") is not True:
            wrong.add(f"c{at}.right", f"{name[:60]}: look at it, then say that it is right")
        texts.append(text)
    if kind is not None and len(wrong.words) == count:
        try:
            columns_asked(kind, texts)
        except InputError as fault:
            wrong.add("columns", fault.message)
    return texts


def _pad(typed: Any, kind: str, wrong: _Mistakes) -> Pad | None:
    pad, mistakes = pad_filled_in(typed)
    for name, words in at_fields(mistakes).items():
        wrong.add(name, words)
    if pad is None:
        return None
    if kind == "strokes" and pad.thickness_mm is None:
        wrong.add("pad.thickness", "thickness: at a light touch, before the machine began")
    return pad


def _batch(form: dict[str, Any], wrong: _Mistakes) -> dict[str, Any]:
    found: dict[str, Any] = {"is_standard": form.get("standard") is True}
    for key, said in (("material", "the stock"), ("lot", "the lot")):
        found[key] = _text(form, key, TEXT_LIMIT, wrong)
        if found[key] is None:
            wrong.add(key, f"{said}: missing")
    try:
        found["foot_force_n"], found["foot_diameter_mm"] = parse_foot(str(form.get("foot") or "")[:60])
    except InputError as fault:
        wrong.add("foot", f"the gauge's foot: {fault.expected}, such as 0.5N,6mm or 0.5N,whole")
    return found


def _text(form: dict[str, Any], key: str, most: int, wrong: _Mistakes) -> str | None:
    typed = form.get(key)
    if typed is None or typed == "":
        return None
    if not isinstance(typed, str) or len(typed) > most:
        wrong.add(key, f"{key}: text of at most {most} characters")
        return None
    return typed.strip() or None


def _start(form: dict[str, Any], now: datetime, wrong: _Mistakes) -> datetime | None:
    day, clock = form.get("date") or "", form.get("time") or ""
    if not day and not clock:
        return None
    try:
        if not (isinstance(day, str) and re.fullmatch(r"\d{4}-\d\d-\d\d", day, re.ASCII)):
            raise ValueError(day)
        if not (isinstance(clock, str) and re.fullmatch(r"(\d\d:\d\d(:\d\d)?)?", clock, re.ASCII)):
            raise ValueError(clock)
        start = datetime.fromisoformat(f"{day}T{clock or '00:00'}").replace(tzinfo=UTC)
    except ValueError:
        wrong.add("date", "when it was recorded: a day such as 2026-07-04, a time such as 14:30")
        return None
    if start > now + timedelta(days=1):
        wrong.add("date", "when it was recorded: that day has not come yet")
        return None
    return start
