"""Files that people write (TOML), checked whole: every mistake at once, each with its key and remedy.

>>> pad_from_table({"id": "A3", "material": "grey wool felt", "material_class": "wool",
...                 "lot": "2026-07", "outer_diameter": "19", "inner_diameter": "8mm"}, source="A3.toml")
Traceback (most recent call last):
...
padlab.errors.FileFormatError: A3.toml has 2 mistake(s): material_class: 'felt', 'cork', 'neoprene',
'polymer' or 'other', seen 'wool'; outer_diameter: '19' has no unit, write it as 19thou or 19mm
  try: padlab new pad writes a commented one
"""

from __future__ import annotations

import re
import tomllib
from datetime import date, datetime, time
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from padlab.errors import FileFormatError, UnitError
from padlab.records.inside import read_named
from padlab.records.pad import SIZES_MM, TEXT_LIMIT, Pad, pad_mistakes
from padlab.units import parse_quantity

LIMIT = 1 << 20
"""A file that a person wrote stays below 1 MiB."""

Form = TypeVar("Form", bound=BaseModel)


def quantity(kind: str) -> BeforeValidator:
    """A validator that reads ``"63thou"`` into padlab's own unit; see :mod:`padlab.units`.

    Use: ``Annotated[float, quantity("length")]``.
    """

    def read(typed: Any) -> float:
        if not isinstance(typed, str):
            raise PydanticCustomError(
                "quantity", "{said}", {"said": f"a {kind} in quotes with its unit, seen {seen_words(typed)}"}
            )
        try:
            return parse_quantity(typed, kind)
        except UnitError as fault:
            said = f"{fault.message}, {fault.remedy or fault.expected}"
            raise PydanticCustomError("quantity", "{said}", {"said": said}) from fault

    return BeforeValidator(read)


def _within(key: str) -> AfterValidator:
    """A validator of a pad's size; here, so that it is told together with every other mistake."""
    low, high = SIZES_MM[key]

    def check(size_mm: float) -> float:
        if not low <= size_mm <= high:
            said = f"between {low:g} and {high:g} mm, seen {size_mm:g} mm"
            raise PydanticCustomError("quantity", "{said}", {"said": said})
        return size_mm

    return AfterValidator(check)


def _some(text: str) -> str:
    if not text.strip():
        raise PydanticCustomError("string_too_short", "some text")
    return text


Length = Annotated[float, quantity("length")]
Text = Annotated[str, Field(min_length=1, max_length=TEXT_LIMIT), AfterValidator(_some)]


class _PadForm(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    id: Text
    material: Text
    material_class: Literal["felt", "cork", "neoprene", "polymer", "other"]
    lot: Text
    outer_diameter: Annotated[Length, _within("outer_diameter_mm")]
    inner_diameter: Annotated[Length, _within("inner_diameter_mm")]
    thickness: Annotated[Length, _within("thickness_mm")] | None = None
    sheet: Text | None = None
    place: Text | None = None
    note: Text | None = None
    example: bool = False


def read_pad(path: str | Path) -> Pad:
    """Read a pad file.

    Raises
    ------
    InputError
        No such file.
    FileFormatError
        The file has mistakes; ``where["mistakes"]`` lists all of them.
    """
    return pad_from_table(read_toml(path), source=str(path))


def pad_from_table(table: dict[str, Any], *, source: str) -> Pad:
    """Check a parsed pad file whole and build the pad."""
    form = read_form(_PadForm, table, source=source, example="pad")
    pad = Pad(
        id=form.id,
        material=form.material,
        material_class=form.material_class,
        lot=form.lot,
        outer_diameter_mm=form.outer_diameter,
        inner_diameter_mm=form.inner_diameter,
        thickness_mm=form.thickness,
        sheet=form.sheet,
        place=form.place,
        note=form.note,
        example=form.example,
    )
    refuse(pad_mistakes(pad), source=source, example="pad")
    return pad


def read_toml(path: str | Path) -> dict[str, Any]:
    """Parse a TOML file that a person named.

    Raises
    ------
    InputError
        No such file, no plain file, or a file too large.
    FileFormatError
        Not UTF-8, not TOML, or nested without end.
    """
    return parse_toml(read_named(path, limit=LIMIT), source=str(path))


def parse_toml(data: bytes, *, source: str) -> dict[str, Any]:
    """Parse what a TOML file holds; ``source`` names it.

    Raises
    ------
    FileFormatError
        Not UTF-8, not TOML, or nested without end.
    """
    shown = source[:200]
    where = {"path": shown}
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except RecursionError as fault:
        raise FileFormatError(
            f"{shown} is nested too deeply", expected="a few plain lines", where=where
        ) from fault
    except ValueError as fault:  # not TOML, not UTF-8, a number of 5,000 digits
        line, remedy = _line_of(data, fault)
        raise FileFormatError(
            f"{shown} is not TOML" + (f": line {line}" if line else ""),
            expected='lines such as id = "A3", in UTF-8',
            seen=str(fault)[:200],
            remedy=remedy,
            where={**where, "line": line} if line else where,
        ) from fault


def _line_of(data: bytes, fault: ValueError) -> tuple[int | None, str | None]:
    """The number of the line that is no TOML, and how it would be, where only the quotes are missing."""
    place = re.search(r"\(at line (\d{1,7}), column \d+\)", str(fault))
    if place is None:
        return None, None
    number = int(place.group(1))
    if "overwrite" in str(fault):
        return number, "this name stands in the file before: take one of the two lines out"
    lines = data.decode("utf-8-sig", "replace").splitlines()
    text = lines[number - 1] if number <= len(lines) else ""
    bare = re.fullmatch(r"""\s*([A-Za-z0-9_-]{1,60})\s*=\s*([^\s"'#\[{][^"'#]{0,100}?)\s*(#.*)?""", text)
    if bare is None:
        return number, None
    return number, f'put text in quotes: {bare.group(1)} = "{bare.group(2)}"'


def read_form(model: type[Form], table: dict[str, Any], *, source: str, example: str) -> Form:
    """Check a parsed file against a model and list every mistake.

    Parameters
    ----------
    example : str
        ``padlab new EXAMPLE`` writes a right one.

    Raises
    ------
    FileFormatError
        ``where["mistakes"]`` lists every mistake with its key.
    """
    try:
        return model.model_validate(table)
    except ValidationError as fault:
        mistakes = [_mistake(error) for error in fault.errors(include_url=False)]
        refuse(mistakes, source=source, example=example)
        raise


def refuse(mistakes: list[str], *, source: str, example: str) -> None:
    """Raise the one error that lists all mistakes, if there are any."""
    if mistakes:
        raise FileFormatError(
            f"{source[:200]} has {len(mistakes)} mistake(s): " + "; ".join(mistakes),
            remedy=f"padlab new {example} writes a commented one",
            where={"mistakes": mistakes},
        )


def _mistake(error: ErrorDetails) -> str:
    key = ".".join(str(part)[:60] for part in error["loc"]) or "file"
    given = error.get("input")
    match error["type"]:
        case "missing":
            return f"{key}: missing"
        case "extra_forbidden":
            return f"{key}: not a key of this file"
        case "string_type":
            quoted = "" if isinstance(given, (bool, dict, list)) else f', write {key} = "{given}"'[:160]
            return f"{key}: text in quotes, seen {seen_words(given)}{quoted}"
        case "string_too_short":
            return f"{key}: some text, seen none"
        case "literal_error":
            return f"{key}: {error['ctx']['expected']}, seen {seen_words(given)}"
        case "quantity":
            return f"{key}: {error['msg']}"
        case _:
            wanted = wanted_words(error["type"], error.get("ctx", {}))
            return f"{key}: {wanted or error['msg'][0].lower() + error['msg'][1:]}, seen {seen_words(given)}"


def wanted_words(kind: str, limits: dict[str, Any]) -> str | None:
    """What a value should be, by the kind of a checker's complaint, in words of the file; None: no such kind.

    >>> wanted_words("float_type", {}), wanted_words("less_than_equal", {"le": 500.0})
    ('a number without quotes', 'at most 500')
    """
    words = {
        "string_type": "text in quotes", "bool_type": "true or false", "finite_number": "a finite number",
        "float_type": "a number without quotes", "int_type": "a whole number without quotes",
        "int_from_float": "a whole number", "tuple_type": "a list", "list_type": "a list",
        "model_type": "a table", "dict_type": "a table", "model_attributes_type": "a table",
    }
    for name, sign, key in (("greater_than", "more than", "gt"), ("greater_than_equal", "at least", "ge"),
                            ("less_than", "less than", "lt"), ("less_than_equal", "at most", "le")):
        if key in limits:
            words[name] = f"{sign} {limits[key]:.16g}"
    return words.get(kind)


def seen_words(given: Any) -> str:
    """A value of a TOML file as a person wrote it, or what it is, in a few words.

    >>> from datetime import date
    >>> seen_words("12"), seen_words(True), seen_words(date(2026, 7, 1)), seen_words({"a": 1})
    ("'12'", 'true', 'the date 2026-07-01', 'a table')
    """
    if isinstance(given, datetime | date | time):
        kind = "time" if isinstance(given, time) else "date"
        return f"the {kind} {given}"
    if isinstance(given, bool):
        return str(given).lower()
    if not isinstance(given, str | int | float):
        return "a list" if isinstance(given, list) else "a table"
    shown = repr(given)
    return shown if len(shown) <= 60 else shown[:57] + "..."
