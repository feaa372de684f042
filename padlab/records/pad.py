"""The thing that was tested: an annular pad, cut from one lot of one stock.

>>> pad = Pad(id="A3", material="grey wool felt", material_class="felt", lot="2026-07",
...           outer_diameter_mm=19.0, inner_diameter_mm=8.0, thickness_mm=1.6)
>>> round(pad.area_mm2, 3)
233.263
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Any

F0_N = 0.25
"""Preload that defines contact, zero compression and thickness, for every class of material [N].

About 1 kPa on a 19 x 8 mm ring. One definition, or stocks could not be compared (design choice).
"""

MATERIAL_CLASSES = ("felt", "cork", "neoprene", "polymer", "other")
RUBBER_LIKE = ("neoprene", "polymer")
"""Classes that hardly change volume: their stiffness depends on the shape factor."""

TEXT_LIMIT = 200
"""Characters of a name, a lot, a note: a label, not a book."""

SIZES_MM: dict[str, tuple[float, float]] = {
    "outer_diameter_mm": (1.0, 100.0), "inner_diameter_mm": (0.0, 99.0), "thickness_mm": (0.05, 20.0),
}
"""What a pad of a brass instrument's valve can measure, widely drawn (design choice)."""


def annulus_area_mm2(*, outer_mm: float, inner_mm: float) -> float:
    """Area of a ring [mm2].

    >>> round(annulus_area_mm2(outer_mm=19, inner_mm=8), 3)
    233.263
    """
    return math.pi / 4 * (outer_mm**2 - inner_mm**2)


@dataclass(frozen=True)
class Pad:
    """An annular pad. Thickness is at the preload F0 on the pad's own face, before first use."""

    id: str
    material: str
    material_class: str
    lot: str
    outer_diameter_mm: float
    inner_diameter_mm: float
    thickness_mm: float | None = None
    sheet: str | None = None
    place: str | None = None
    note: str | None = None
    example: bool = False          # the file says that its values are still those of the commented example

    @property
    def area_mm2(self) -> float:
        """Area of the face [mm2]."""
        return annulus_area_mm2(outer_mm=self.outer_diameter_mm, inner_mm=self.inner_diameter_mm)

    def to_json(self) -> dict[str, Any]:
        """As stored in a run's descriptor."""
        stored = asdict(self)
        if not self.example:
            del stored["example"]
        return stored

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> Pad:
        """Back from a run's descriptor; unknown keys are ignored (a newer padlab may add some)."""
        known = {k: stored[k] for k in cls.__dataclass_fields__ if k in stored}
        return cls(**known)


def pad_mistakes(pad: Pad) -> list[str]:
    """Everything about a pad that cannot be, each as ``key: what it should be, seen what``.

    >>> pad_mistakes(Pad("A3", "felt", "felt", "1", outer_diameter_mm=8, inner_diameter_mm=19))
    ['inner_diameter: smaller than outer_diameter (8 mm), seen 19 mm']
    """
    mistakes = []
    for key in ("id", "material", "lot"):
        if not getattr(pad, key).strip():
            mistakes.append(f"{key}: some text, seen none")
    for key in ("id", "material", "lot", "sheet", "place", "note"):
        text = getattr(pad, key) or ""
        if len(text) > TEXT_LIMIT:
            mistakes.append(f"{key}: at most {TEXT_LIMIT} characters, seen {len(text)}")
    if pad.material_class not in MATERIAL_CLASSES:
        mistakes.append(f"material_class: {', '.join(MATERIAL_CLASSES)}; seen {pad.material_class[:40]!r}")
    for key, (low, high) in SIZES_MM.items():
        size = getattr(pad, key)
        if size is not None and not low <= size <= high:
            mistakes.append(f"{key.removesuffix('_mm')}: between {low:g} and {high:g} mm, seen {size:g} mm")
    outer, inner = pad.outer_diameter_mm, pad.inner_diameter_mm
    if not mistakes and not inner < outer:
        mistakes.append(f"inner_diameter: smaller than outer_diameter ({outer:g} mm), seen {inner:g} mm")
    return mistakes
