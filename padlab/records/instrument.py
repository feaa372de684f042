"""An instrument file: what a technician found at every stop of one instrument. A file that people write.

    port error, fitted pad, forces, faces --read_instrument--> Instrument: stops that can be cut for,
                                                               and stops that lack a line, with what to do

Mistakes in the file are refused, all at once. A stop that lacks a needed line is no mistake: it gets no cut,
and says what is missing.

>>> found = {"port_error": "6thou", "read_at": "4N", "parts_tight": True, "stops_on_pad": True}
>>> one = instrument_from_table({"label": "band cornet 3", "valve": [{"name": "1", "down": found}]},
...                             source="c3.toml")
>>> [lack.key for lack in one.valves[0].lacking[0].missing][:3]
['valve.1.down.holding_force', 'valve.1.down.fitted', 'valve.1.down.outer_diameter']
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from padlab.errors import FileFormatError
from padlab.records.forms import Length, Text, parse_toml, quantity, read_form, read_toml, refuse
from padlab.records.pad import F0_N, SIZES_MM
from padlab.units import FACTORS, MM_PER_THOU, both_lengths

Side = Literal["up", "down"]
SIDES: tuple[Side, Side] = ("down", "up")
RING, UNKNOWN = "ring", "unknown"
"""What may be fitted while a port is read, beside a stock on file."""

USUAL_READING_DOUBT_MM = MM_PER_THOU
"""Standard uncertainty of a port reading where none is stated: a thou (design choice)."""
LARGEST_ERROR_MM = 5.0

Form = TypeVar("Form", bound=BaseModel)


@dataclass(frozen=True)
class Lack:
    """A line that is missing or says no, its key in the file and what to do at the bench."""

    key: str
    remedy: str

    def to_json(self) -> dict[str, str]:
        """As ``choose --json`` lists it."""
        return {"key": self.key, "remedy": self.remedy}


@dataclass(frozen=True)
class Stop:
    """One stop with everything that a cut needs. Forces are at the button; + error = piston too far down.

    ``fitted`` is "ring", "unknown" or a stock's name; ``fitted_thickness_mm`` as measured (a stock: at the
    shop gauge's foot, after the reading); ``fitted_loaded_thickness_mm``, where it is known, is used.
    """

    side: Side
    port_error_mm: float
    read_at_n: float
    holding_n: float
    fitted: str
    fitted_thickness_mm: float | None
    fitted_loaded_thickness_mm: float | None
    outer_mm: float
    inner_mm: float
    loaded_outer_mm: float
    loaded_inner_mm: float
    port_error_uncertainty_mm: float = USUAL_READING_DOUBT_MM
    port_spread_mm: float | None = None
    metal_clearance_mm: float | None = None
    method: str | None = None


@dataclass(frozen=True)
class Lacking:
    """A stop that gets no cut, and why."""

    side: Side
    missing: tuple[Lack, ...]


@dataclass(frozen=True)
class Valve:
    """One valve: its stops that can be cut for, and the others."""

    name: str
    stops: tuple[Stop, ...]
    lacking: tuple[Lacking, ...]


@dataclass(frozen=True)
class Instrument:
    """One instrument. ``strokes_per_day`` and what follows it are None where they are not known."""

    label: str
    valves: tuple[Valve, ...]
    touch: str = "medium"
    strokes_per_day: float | None = None
    days_per_week: float | None = None
    service_years: float | None = None
    renew_limit_mm: float | None = None
    temperature_c: float | None = None
    wear_share: float = 0.5



class _InstrumentForm(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    label: Text
    touch: Text = "medium"
    strokes_per_day: Annotated[float, Field(gt=0, le=1e6)] | None = None
    days_per_week: Annotated[float, Field(gt=0, le=7)] | None = None
    service: Annotated[float, quantity("time")] | None = None
    renew_limit: Length | None = None
    temperature: Annotated[float, quantity("temperature")] | None = None
    wear_share: Annotated[float, Field(ge=0, le=1)] = 0.5


class _StopForm(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    port_error: Length | None = None
    port_spread: Length | None = None
    port_error_uncertainty: Length | None = None
    read_at: Annotated[float, quantity("force")] | None = None
    method: Text | None = None
    parts_tight: bool | None = None
    stops_on_pad: bool | None = None
    metal_clearance: Length | None = None
    holding_force: Annotated[float, quantity("force")] | None = None
    fitted: Text | None = None
    fitted_thickness: Length | None = None
    fitted_loaded_thickness: Length | None = None
    outer_diameter: Length | None = None
    inner_diameter: Length | None = None
    loaded_outer_diameter: Length | None = None
    loaded_inner_diameter: Length | None = None


def read_instrument(path: str | Path) -> Instrument:
    """Read an instrument file.

    Raises
    ------
    InputError
        No such file.
    FileFormatError
        The file has mistakes; ``where["mistakes"]`` lists all of them, lacking lines too.
    """
    return instrument_from_table(read_toml(path), source=str(path))


def instrument_from_bytes(data: bytes, *, source: str) -> Instrument:
    """The same from what a file holds."""
    return instrument_from_table(parse_toml(data, source=source), source=source)


def instrument_from_table(table: dict[str, Any], *, source: str) -> Instrument:
    """Check a parsed instrument file whole and build it; every mistake is named with its key and a remedy."""
    mistakes: list[str] = []
    head = _part(_InstrumentForm, {k: v for k, v in table.items() if k != "valve"}, "", mistakes)
    listed = table.get("valve")
    valves: list[Valve] = []
    if not isinstance(listed, list) or not listed or len(listed) > 9:
        mistakes.append("valve: one to nine tables, each headed [[valve]]")
        listed = []
    for place, one in enumerate(listed):
        valve = _valve(one, place, mistakes)
        if valve is not None:
            if valve.name in [v.name for v in valves]:
                mistakes.append(f"valve.{place}.name: every valve once, seen {valve.name!r} again")
            valves.append(valve)
    if head is not None:
        mistakes += _head_mistakes(head)
    if mistakes:
        # What is missing is told with the mistakes, so that one look at the instrument is enough.
        mistakes += [f"{lack.key}: {lack.remedy}" for v in valves for s in v.lacking for lack in s.missing]
    refuse(mistakes, source=source, example="instrument")
    assert head is not None
    return Instrument(
        head.label, tuple(valves), head.touch, head.strokes_per_day, head.days_per_week,
        None if head.service is None else head.service / FACTORS["time"]["years"],
        head.renew_limit, head.temperature, head.wear_share)


def _part(model: type[Form], part: Any, key: str, mistakes: list[str]) -> Form | None:
    """One table of the file, or its mistakes under its key."""
    if not isinstance(part, dict):
        mistakes.append(f"{key or 'file'}: a table")
        return None
    try:
        return read_form(model, part, source="", example="instrument")
    except FileFormatError as fault:
        mistakes += [f"{key}.{said}" if key else said for said in fault.where["mistakes"]]
        return None


def _head_mistakes(head: _InstrumentForm) -> list[str]:
    found = []
    if (head.strokes_per_day is None) != (head.days_per_week is None):
        found.append("strokes_per_day: together with days_per_week, or neither")
    if head.service is not None and not 0.05 <= head.service / FACTORS["time"]["years"] <= 100:
        found.append("service: between a few weeks and 100 years")
    if head.renew_limit is not None and not 0.005 <= head.renew_limit <= 2:
        found.append("renew_limit: between 0.2 and 79 thou, such as 3thou")
    if head.temperature is not None and not -40 <= head.temperature <= 60:
        found.append("temperature: between -40 and 60 degC")
    return found


def _valve(part: Any, place: int, mistakes: list[str]) -> Valve | None:
    key = f"valve.{place}"
    if not isinstance(part, dict):
        mistakes.append(f"{key}: a table")
        return None
    name = part.get("name")
    if not isinstance(name, str) or not name.strip() or len(name) > 40:
        mistakes.append(f'{key}.name: text in quotes, such as "{place + 1}"')
        name = str(place + 1)
    mistakes += [f"{key}.{str(k)[:60]}: not a key of this file" for k in part if k not in ("name", *SIDES)]
    stops: list[Stop] = []
    lacking: list[Lacking] = []
    for side in SIDES:
        where = f"valve.{name}.{side}"
        if side not in part:
            lacking.append(Lacking(side, (Lack(where, f"read this stop and write a table [valve.{side}]"),)))
            continue
        form = _part(_StopForm, part[side], where, mistakes)
        if form is None:
            mistakes += [f"{where}.{k}: {remedy}" for k, remedy in _lacks_besides(part[side], side)]
            continue
        mistakes += [f"{where}.{said}" for said in _stop_mistakes(form, side)]
        lacks = tuple(Lack(f"{where}.{k}", remedy) for k, remedy in _lacks(form, side))
        if lacks:
            lacking.append(Lacking(side, lacks))
        else:
            stops.append(_stop(form, side))
    return Valve(name, tuple(stops), tuple(lacking))


def _lacks_besides(part: Any, side: Side) -> list[tuple[str, str]]:
    """What a stop lacks whose lines are not all right: told with them, so that one look is enough."""
    sound: dict[str, Any] = {}
    for key, value in part.items() if isinstance(part, dict) else ():
        try:
            _StopForm.model_validate({key: value})
        except ValidationError:
            continue                                    # told already
        sound[key] = value
    if not sound:
        return []
    return [(k, remedy) for k, remedy in _lacks(_StopForm.model_validate(sound), side)
            if k not in part or k in sound]


def _lacks(form: _StopForm, side: Side) -> list[tuple[str, str]]:
    """What a stop lacks, each with what to do at the bench."""
    if form.stops_on_pad is False:
        metal = [("stops_on_pad", "the piston stops on metal: no pad thickness moves it. Put a thicker pad "
                  "or a setting ring in until it stops sooner, find what it hit, then read the port again")]
    else:
        metal = []
    needed = [
        ("port_error", form.port_error, "read the port and write how far the piston stands off, + = too far "
         "down (away from the button)"),
        ("read_at", form.read_at, "write the button force while the port was read, 0N for finger off"),
        ("parts_tight", form.parts_tight, "tighten stem, button and caps, read the port again, write true"),
        ("stops_on_pad", form.stops_on_pad, "put a thicker pad in: the piston must stop sooner; then true"),
        ("holding_force", form.holding_force, "weigh what keeps the piston about 1 mm off this stop: mean of "
         "slowly down and slowly up"),
        ("fitted", form.fitted, 'write what is in now: "ring" for a hard setting ring (best), a stock\'s '
         'name or "unknown"'),
        ("outer_diameter", form.outer_diameter, "measure the pad to be fitted"),
        ("inner_diameter", form.inner_diameter, "measure the pad to be fitted"),
    ]
    found = [(key, remedy) for key, value, remedy in needed if value is None]
    if form.parts_tight is False:
        found.append(("parts_tight", "tighten stem, button and caps, read the port again, write true"))
    found += metal
    if form.fitted is not None and form.fitted_loaded_thickness is None:
        if form.fitted == UNKNOWN:
            found.append(("fitted_loaded_thickness", "how thick an unknown pad is under load nobody knows: "
                          "put a setting ring in, measure it with a micrometer and read the port again"))
        elif form.fitted_thickness is None:
            how = "measure the setting ring with a micrometer" if form.fitted == RING else \
                "measure the pad under the shop gauge's foot, after the reading"
            found.append(("fitted_thickness", how))
    return found


def _stop_mistakes(form: _StopForm, side: Side) -> list[str]:
    found = []
    low, high = SIZES_MM["thickness_mm"]
    for key in ("fitted_thickness", "fitted_loaded_thickness"):
        size = getattr(form, key)
        if size is not None and not low <= size <= high:
            found.append(f"{key}: between {low:g} and {high:g} mm, seen {size:g} mm")
    if form.port_error is not None and abs(form.port_error) > LARGEST_ERROR_MM:
        found.append(f"port_error: within {LARGEST_ERROR_MM:g} mm, seen {form.port_error:g} mm")
    for key, most in (("port_spread", LARGEST_ERROR_MM), ("port_error_uncertainty", 1.0),
                      ("metal_clearance", 50.0)):
        size = getattr(form, key)
        if size is not None and not 0 <= size <= most:
            found.append(f"{key}: between 0 and {most:g} mm, seen {size:g} mm")
    for key in ("read_at", "holding_force"):
        force = getattr(form, key)
        if force is not None and not 0 <= force <= 50:
            found.append(f"{key}: between 0 and 50 N, seen {force:g} N")
    found += _ring_mistakes(form)
    if form.read_at is not None and form.holding_force is not None and not found:
        on_it = form.read_at - form.holding_force if side == "down" else form.holding_force - form.read_at
        if on_it < F0_N:
            more = "more" if side == "down" else "less"
            found.append(f"read_at: {more} than the holding force ({form.holding_force:g} N), or the piston "
                         f"does not stand on this stop while the port is read; seen {form.read_at:g} N")
    return found


def _ring_mistakes(form: _StopForm) -> list[str]:
    outer, inner = form.outer_diameter, form.inner_diameter
    found = []
    for key in ("outer_diameter", "inner_diameter", "loaded_outer_diameter", "loaded_inner_diameter"):
        size = getattr(form, key)
        low, high = SIZES_MM[key.removeprefix("loaded_") + "_mm"]
        if size is not None and not low <= size <= high:
            found.append(f"{key}: between {low:g} and {high:g} mm, seen {size:g} mm")
    if found or outer is None or inner is None:
        return found
    loaded_outer = outer if form.loaded_outer_diameter is None else form.loaded_outer_diameter
    loaded_inner = inner if form.loaded_inner_diameter is None else form.loaded_inner_diameter
    if not inner < outer:
        found.append(f"inner_diameter: smaller than outer_diameter ({outer:g} mm), seen {inner:g} mm")
    elif not inner <= loaded_inner < loaded_outer <= outer:
        found.append(f"loaded_outer_diameter: the face that carries lies within the pad ({outer:g} x "
                     f"{inner:g} mm), seen {loaded_outer:g} x {loaded_inner:g} mm")
    return found


def _stop(form: _StopForm, side: Side) -> Stop:
    needed = (form.port_error, form.read_at, form.holding_force, form.outer_diameter, form.inner_diameter)
    error, read_at, holding, outer, inner = (float(n) for n in needed if n is not None)

    def given(value: float | None, otherwise: float) -> float:
        return otherwise if value is None else value

    return Stop(
        side, error, read_at, holding, str(form.fitted), form.fitted_thickness,
        form.fitted_loaded_thickness, outer, inner,
        given(form.loaded_outer_diameter, outer), given(form.loaded_inner_diameter, inner),
        given(form.port_error_uncertainty, USUAL_READING_DOUBT_MM), form.port_spread, form.metal_clearance,
        form.method)


def error_words(side: Side, port_error_mm: float) -> str:
    """A port error in words, so that nobody has to remember the sign.

    >>> error_words("down", 0.1524)
    'pressed, the piston stands 152 um (6.0 thou) too far down: a thicker pad lifts it'
    """
    when = "pressed" if side == "down" else "at rest"
    if port_error_mm == 0:
        return f"{when}, the piston stands on zero"
    way = "too far down" if port_error_mm > 0 else "too high"
    thicker = (port_error_mm > 0) == (side == "down")
    moves = {("down", True): "a thicker pad lifts it", ("down", False): "a thinner pad lets it down",
             ("up", True): "a thicker pad holds it down", ("up", False): "a thinner pad lets it up"}
    return f"{when}, the piston stands {both_lengths(abs(port_error_mm))} {way}: {moves[side, thicker]}"
