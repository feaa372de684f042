"""A batch spec: what a delivered lot must keep to, and with which risks. A file that people write.

>>> spec = spec_from_table({
...     "material": "grey wool felt", "producer_risk_quality": 0.01, "producer_risk": 0.05,
...     "consumer_risk_quality": 0.08, "consumer_risk": 0.10,
...     "characteristic": [{"name": "thickness", "low": "61thou", "high": "65thou"}]}, source="spec.toml")
>>> spec.characteristics[0].low, spec.characteristics[0].unit
(1.5493999999999999, 'mm')
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from padlab.errors import FileFormatError, UnitError
from padlab.records.forms import (
    Form,
    Length,
    Text,
    parse_toml,
    quantity,
    read_form,
    read_toml,
    refuse,
    seen_words,
)
from padlab.records.pad import F0_N
from padlab.statistics.plans import Risks
from padlab.units import parse_quantity

KIND_OF: Mapping[str, str] = {
    "thickness": "length", "give": "length", "stiffness": "stiffness", "loss_fraction": "share",
    "creep": "share", "set": "length", "wear": "length",
}
"""What can be asked of a lot, and the kind of quantity that its limits are."""

UNIT_OF: Mapping[str, str] = {"length": "mm", "stiffness": "N/mm", "share": ""}

NAMES: Mapping[str, str] = {
    "thickness": "thickness", "give": "give", "stiffness": "stiffness", "loss_fraction": "springback loss",
    "creep": "sinking under a held note", "set": "lasting set", "wear": "wear",
}
"""What a technician calls them."""

LARGEST: Mapping[str, float] = {"length": 100.0, "stiffness": 1e6, "share": 1.0}


@dataclass(frozen=True)
class Characteristic:
    """One thing asked of a lot. Limits and margin in ``unit`` (mm, N/mm, or a share without a unit)."""

    name: str
    low: float | None
    high: float | None
    distribution: str = "normal"                 # normal | lognormal | any
    at_force_n: float | None = None              # stiffness, creep
    after_s: float | None = None                 # set
    by_gauge: bool = False                       # thickness: the limits are meant under the gauge's foot
    margin: float | None = None                  # equivalence to the reference lot
    after_strokes: float | None = None           # wear
    stop: Literal["up", "down"] | None = None    # wear: where the pads served

    @property
    def unit(self) -> str:
        """The unit of its limits and values inside padlab."""
        return UNIT_OF[KIND_OF[self.name]]

    @property
    def words(self) -> str:
        """What a technician calls it."""
        return NAMES[self.name]

    @property
    def condition_words(self) -> str:
        """Under which condition it is meant, as the spec has it; empty where it names none."""
        told = []
        if self.at_force_n is not None:
            told.append(f"at {self.at_force_n:g} N")
        if self.after_s is not None:
            told.append(f"after {self.after_s / 60:g} min")
        if self.after_strokes is not None:
            told.append(f"after {self.after_strokes:,.0f} strokes at the {self.stop or 'down'} stop")
        if self.by_gauge:
            told.append("under the gauge's foot")
        return ", ".join(told)

    @property
    def is_two_sided(self) -> bool:
        """Whether it has two limits."""
        return self.low is not None and self.high is not None


@dataclass(frozen=True)
class Spec:
    """A whole spec, checked. ``risks`` are those of the whole lot: alpha is still to be shared out."""

    material: str
    risks: Risks
    characteristics: tuple[Characteristic, ...]
    lot_size: int | None = None
    sheets: int | None = None
    double_plan: bool = False
    rig: str | None = None
    requested_by: str | None = None
    touch: str | None = None
    holding_n: float | None = None
    reference_lot: str | None = None


class _CharacteristicForm(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    name: Literal["thickness", "give", "stiffness", "loss_fraction", "creep", "set", "wear"]
    low: str | float | None = None
    high: str | float | None = None
    distribution: Literal["normal", "lognormal", "any"] = "normal"
    at_force: Annotated[float, quantity("force")] | None = None
    after: Annotated[float, quantity("time")] | None = None
    after_strokes: Annotated[int, Field(ge=1, le=10**10)] | None = None
    stop: Literal["up", "down"] | None = None
    at: Literal["touch", "gauge"] = "touch"
    margin: str | float | None = None


class _ReferenceForm(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    lot: Text
    margin: Length | None = None


Share = Annotated[float, Field(gt=0, lt=0.5)]


class _SpecForm(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    material: Text
    producer_risk_quality: Share
    producer_risk: Share
    consumer_risk_quality: Share
    consumer_risk: Share
    characteristic: Annotated[list[_CharacteristicForm], Field(min_length=1, max_length=12)]
    lot_size: Annotated[int, Field(ge=3, le=10_000_000)] | None = None
    sheets: Annotated[int, Field(ge=1, le=10_000)] | None = None
    double_plan: bool = False
    rig: Text | None = None
    requested_by: Annotated[str, Field(min_length=1, max_length=2000)] | None = None
    touch: Text | None = None
    holding: Annotated[float, quantity("force")] | None = None
    reference: _ReferenceForm | None = None


def read_spec(path: str | Path) -> Spec:
    """Read a spec file.

    Raises
    ------
    InputError
        No such file.
    FileFormatError
        The file has mistakes; ``where["mistakes"]`` lists all of them.
    """
    return spec_from_table(read_toml(path), source=str(path))


def spec_from_bytes(data: bytes, *, source: str) -> Spec:
    """The same from what a file holds."""
    return spec_from_table(parse_toml(data, source=source), source=source)


def spec_from_table(table: dict[str, Any], *, source: str) -> Spec:
    """Check a parsed spec whole and build it; every mistake is named with its key and what to write."""
    try:
        form = read_form(_SpecForm, table, source=source, example="spec")
    except FileFormatError as fault:
        refuse([*fault.where["mistakes"], *_limits_too(table)], source=source, example="spec")
        raise
    mistakes: list[str] = []
    if not form.producer_risk_quality < form.consumer_risk_quality:
        mistakes.append(f"consumer_risk_quality: more than producer_risk_quality "
                        f"({form.producer_risk_quality:g}), seen {form.consumer_risk_quality:g}")
    if form.holding is not None and not 0 <= form.holding <= 50:
        mistakes.append(f"holding: between 0 and 50 N, seen {form.holding:g} N")
    if form.sheets is not None and form.lot_size is not None and form.sheets > form.lot_size:
        mistakes.append(f"sheets: no more than lot_size ({form.lot_size}), seen {form.sheets}")
    if form.double_plan and form.lot_size is not None and form.lot_size < 200:
        mistakes.append("double_plan: only for lots of 200 or more, take lot_size out or write false")
    found: list[Characteristic] = []
    for number, one in enumerate(form.characteristic):
        found.append(_characteristic(one, f"characteristic.{number}", form.reference, mistakes))
    keys = [(c.name, c.at_force_n, c.after_s, c.after_strokes, c.stop) for c in found]
    for number, key in enumerate(keys):
        if key in keys[:number]:
            mistakes.append(f"characteristic.{number}.name: every one once, seen {key[0]} again")
    if form.double_plan and any(c.distribution == "any" for c in found):
        mistakes.append('double_plan: not with distribution = "any"; take one of the two out')
    refuse(mistakes, source=source, example="spec")
    return Spec(
        material=form.material, characteristics=tuple(found), lot_size=form.lot_size, sheets=form.sheets,
        risks=Risks(form.producer_risk_quality, form.producer_risk, form.consumer_risk_quality,
                    form.consumer_risk),
        double_plan=form.double_plan, rig=form.rig, requested_by=form.requested_by, touch=form.touch,
        holding_n=form.holding, reference_lot=None if form.reference is None else form.reference.lot)


def _limits_too(table: dict[str, Any]) -> list[str]:
    """Mistakes of limits in a file that has others besides, so that they are told together."""
    def read(model: type[Form], part: Any) -> Form | None:
        if not isinstance(part, dict):
            return None
        known = {k: v for k, v in part.items() if k in model.model_fields}
        for _ in range(2):                          # what is wrong by itself was told: without it
            try:
                return model.model_validate(known)
            except ValidationError as fault:
                wrong = {e["loc"][0] for e in fault.errors() if e["loc"]}
                known = {k: v for k, v in known.items() if k not in wrong}
        return None

    mistakes: list[str] = []
    told: list[str] = []
    parts = table.get("characteristic")
    for number, part in enumerate(parts if isinstance(parts, list) else ()):
        form = read(_CharacteristicForm, part)
        if form is not None and ("reference" not in table or read(_ReferenceForm, table["reference"])):
            here = f"characteristic.{number}"
            _characteristic(form, here, read(_ReferenceForm, table.get("reference")), mistakes)
            told += [f"{here}.{key}:" for key in part if key not in form.model_fields_set]
            if {"low", "high"} & (set(part) - form.model_fields_set):
                told.append(f"{here}: low")         # there is a limit, but not one that can be read
    return [one for one in mistakes if not one.startswith(tuple(told))]


def _characteristic(form: _CharacteristicForm, key: str, reference: _ReferenceForm | None,
                    mistakes: list[str]) -> Characteristic:
    kind = KIND_OF[form.name]

    def size(name: str, typed: str | float | None) -> float | None:
        if typed is None:
            return None
        try:
            value = _size(typed, kind)
        except UnitError as fault:
            mistakes.append(f"{key}.{name}: {fault.message}, {fault.remedy or fault.expected}")
            return None
        if not 0 <= value <= LARGEST[kind]:
            mistakes.append(f"{key}.{name}: between 0 and {LARGEST[kind]:g} {UNIT_OF[kind]}".rstrip()
                            + f", seen {seen_words(typed)}")
            return None
        return value

    low, high, margin = size("low", form.low), size("high", form.high), size("margin", form.margin)
    if form.low is None and form.high is None:
        mistakes.append(f"{key}: low, high or both, seen neither")
    if low is not None and high is not None and not low < high:
        mistakes.append(f"{key}.high: more than low, seen {seen_words(form.high)}")
    if form.distribution == "lognormal" and low == 0:
        mistakes.append(f"{key}.low: more than 0 for a lognormal characteristic, or take the line out")
    if form.name == "wear" and form.after_strokes is None:
        mistakes.append(f"{key}.after_strokes: the number of strokes after which the wear is asked, write "
                        "after_strokes = 100000")
    for name, typed, where in (("at_force", form.at_force, ("stiffness", "creep")),
                               ("after", form.after, ("set",)),
                               ("after_strokes", form.after_strokes, ("wear",)),
                               ("stop", form.stop, ("wear",)),
                               ("at", None if form.at == "touch" else form.at, ("thickness",))):
        if typed is not None and form.name not in where:
            mistakes.append(f"{key}.{name}: only for {' and '.join(where)}, take the line out")
    if form.name == "stiffness" and form.at_force is not None and not 2 * F0_N < form.at_force <= 100:
        mistakes.append(f"{key}.at_force: between 0.5 and 100 N, seen {form.at_force:g} N")
    if reference is None and margin is not None:
        mistakes.append(f"{key}.margin: only with a [reference] lot, take the line out")
    if margin == 0 or (reference is not None and reference.margin is not None and reference.margin <= 0):
        mistakes.append(f"{key}.margin: more than 0")
    if reference is not None and margin is None:
        margin = reference.margin if kind == "length" else None
        if margin is None:
            mistakes.append(f"{key}.margin: fixed here, beforehand, because there is a [reference] lot, "
                            "write margin = ...")
    return Characteristic(form.name, low, high, form.distribution, form.at_force, form.after,
                          form.at == "gauge", margin, form.after_strokes,
                          (form.stop or "down") if form.name == "wear" else None)


def _size(typed: str | float, kind: str) -> float:
    """A limit: a quantity with its unit; a share as 0.25 or "25%"."""
    if kind != "share":
        return parse_quantity(typed if isinstance(typed, str) else f"{typed:g}", kind)
    if not isinstance(typed, str):
        return float(typed)
    text = typed.strip()
    try:
        return float(text.removesuffix("%")) / (100 if text.endswith("%") else 1)
    except ValueError as fault:
        raise UnitError(f"{text[:40]!r} is not a share", expected='a share', seen=text[:40],
                        remedy='write it as 0.25 or "25%"') from fault
