"""What belongs to the shop: its thickness gauge, its sheets, shims and punches (SHELF/shop.toml)."""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from padlab.records.forms import Length, Text, quantity, read_form, read_toml, refuse
from padlab.records.pad import SIZES_MM, annulus_area_mm2

NAME = "shop.toml"
HARDEST_PRESS_N = 20.0
"""The hardest a player presses, where the shop says nothing (common practice, no source)."""


@dataclass(frozen=True)
class GaugeFoot:
    """What a thickness gauge presses with: force, and diameter of its flat foot (None: the whole pad)."""

    force_n: float
    diameter_mm: float | None

    def pressed_mm2(self, *, outer_mm: float, inner_mm: float) -> float:
        """The part of a ring that the foot presses: foot in the middle of the ring's width [mm2].

        >>> round(GaugeFoot(0.5, 4).pressed_mm2(outer_mm=19, inner_mm=8), 3)     # wholly on the pad
        12.566
        >>> round(GaugeFoot(0.5, None).pressed_mm2(outer_mm=19, inner_mm=8), 3)
        233.263
        """
        whole = annulus_area_mm2(outer_mm=outer_mm, inner_mm=inner_mm)
        if self.diameter_mm is None:
            return whole
        r, middle = self.diameter_mm / 2, (outer_mm + inner_mm) / 4
        steps = 2000
        width = (outer_mm - inner_mm) / 2 / steps
        area = 0.0
        for k in range(steps):                          # rings of the pad, each with the arc under the foot
            radius = inner_mm / 2 + (k + 0.5) * width
            cosine = (radius**2 + middle**2 - r**2) / (2 * radius * middle)
            area += 2 * math.acos(min(max(cosine, -1.0), 1.0)) * radius * width
        return min(area, whole)


@dataclass(frozen=True)
class Sheet:
    """A sheet on hand."""

    material: str
    lot: str
    thickness_mm: float


@dataclass(frozen=True)
class Shop:
    """The shop's own things; ``foot`` is None where no gauge is described."""

    foot: GaugeFoot | None = None
    hardest_press_n: float = HARDEST_PRESS_N
    sheets: tuple[Sheet, ...] = ()
    shims_mm: tuple[float, ...] = ()
    punches_mm: tuple[tuple[float, float], ...] = ()



class _SheetForm(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    material: Text
    lot: Text
    thickness: Length


class _PunchForm(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    outer: Length
    inner: Length


class _ShopForm(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True, allow_inf_nan=False)

    gauge_foot_force: Annotated[float, quantity("force")] | None = None
    gauge_foot_diameter: Text | None = None
    hardest_press: Annotated[float, quantity("force")] = HARDEST_PRESS_N
    sheets: Annotated[list[_SheetForm], Field(max_length=1000)] = []
    shims: Annotated[list[Length], Field(max_length=100)] = []
    punches: Annotated[list[_PunchForm], Field(max_length=200)] = []


def read_shop(shelf: Path) -> Shop:
    """The shop of a shelf; where there is no shop.toml nothing is known of it.

    Raises
    ------
    FileFormatError
        The file has mistakes; all are listed.
    """
    path = shelf / NAME
    if not path.exists() and not path.is_symlink():
        return Shop()
    return shop_from_table(read_toml(path), source=str(path))


def shop_from_table(table: dict[str, Any], *, source: str) -> Shop:
    """Check a parsed shop.toml whole and build it."""
    form = read_form(_ShopForm, table, source=source, example="shop")
    mistakes: list[str] = []
    foot = None
    if (form.gauge_foot_force is None) != (form.gauge_foot_diameter is None):
        mistakes.append('gauge_foot_force: together with gauge_foot_diameter ("6mm", or "whole")')
    elif form.gauge_foot_force is not None and form.gauge_foot_diameter is not None:
        across = _across(form.gauge_foot_diameter, mistakes)
        if not 0 < form.gauge_foot_force <= 100:
            mistakes.append(f"gauge_foot_force: more than 0, at most 100 N, seen {form.gauge_foot_force:g} N")
        foot = GaugeFoot(form.gauge_foot_force, across)
    if not 1 <= form.hardest_press <= 100:
        mistakes.append(f"hardest_press: between 1 and 100 N, seen {form.hardest_press:g} N")
    low, high = SIZES_MM["thickness_mm"]
    for place, sheet in enumerate(form.sheets):
        if not low <= sheet.thickness <= high:
            mistakes.append(f"sheets.{place}.thickness: between {low:g} and {high:g} mm, seen "
                            f"{sheet.thickness:g} mm")
    mistakes += [f"shims.{place}: between 0.005 and 5 mm, seen {shim:g} mm"
                 for place, shim in enumerate(form.shims) if not 0.005 <= shim <= 5]
    mistakes += [f"punches.{place}.inner: smaller than outer ({p.outer:g} mm), seen {p.inner:g} mm"
                 for place, p in enumerate(form.punches) if not 0 <= p.inner < p.outer <= 100]
    refuse(mistakes, source=source, example="shop")
    return Shop(foot, form.hardest_press, tuple(Sheet(s.material, s.lot, s.thickness) for s in form.sheets),
                tuple(sorted(form.shims)), tuple((p.outer, p.inner) for p in form.punches))


def _across(text: str, mistakes: list[str]) -> float | None:
    from padlab.errors import UnitError
    from padlab.units import parse_quantity

    if text.strip() == "whole":
        return None
    try:
        across = parse_quantity(text, "length")
    except UnitError as fault:
        mistakes.append(f'gauge_foot_diameter: {fault.message}, {fault.remedy or "or whole"}')
        return None
    if not 0.5 <= across <= 100:
        mistakes.append(f"gauge_foot_diameter: between 0.5 and 100 mm, seen {across:g} mm")
    return across
