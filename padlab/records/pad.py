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

    @property
    def area_mm2(self) -> float:
        """Area of the face [mm2]."""
        return annulus_area_mm2(outer_mm=self.outer_diameter_mm, inner_mm=self.inner_diameter_mm)

    def to_json(self) -> dict[str, Any]:
        """As stored in a run's descriptor."""
        return asdict(self)

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> Pad:
        """Back from a run's descriptor; unknown keys are ignored (a newer padlab may add some)."""
        known = {k: stored[k] for k in cls.__dataclass_fields__ if k in stored}
        return cls(**known)
