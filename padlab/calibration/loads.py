"""What a mass presses with where the rig stands, also where nobody said where that is.

>>> load = load_of(latitude_deg=50.0, height_m=100.0)
>>> round(load.force_n(0.5), 6), load.relative_uncertainty
(4.904448, 0.0001)
"""

from __future__ import annotations

from dataclasses import dataclass

from padlab.calibration.gravity import AIR_KG_PER_M3, STEEL_KG_PER_M3, weight_force_n

STANDARD_GRAVITY = 9.80665
"""Conventional, m/s2 (3rd CGPM 1901)."""
PLACE_UNKNOWN = 0.0015
"""Relative standard uncertainty where the latitude is not known: from the equator (9.780 m/s2) to the
poles (9.832) the half range is 0.27 %, taken as rectangular."""
PLACE_KNOWN = 0.0001
"""Relative standard uncertainty of the formula and of the weights' density and the air, together."""
MASS = 0.0005
"""Relative standard uncertainty of shop weights that were never checked, and of pan and spindle as
weighed on a kitchen scale; design choice. A class-M1 weight is ten times better."""


@dataclass(frozen=True)
class Load:
    """Newtons of a kilogram of steel, with the relative standard uncertainty of that."""

    n_per_kg: float
    relative_uncertainty: float

    def force_n(self, mass_kg: float) -> float:
        """The force of a mass [N]."""
        return self.n_per_kg * mass_kg


def load_of(*, latitude_deg: float | None, height_m: float | None) -> Load:
    """Newtons per kilogram, buoyancy taken off; standard gravity and its doubt without a latitude.

    A height that is not known is taken as sea level: 100 m change the force by 0.003 %.
    """
    if latitude_deg is None:
        return Load(STANDARD_GRAVITY * (1 - AIR_KG_PER_M3 / STEEL_KG_PER_M3), PLACE_UNKNOWN)
    return Load(weight_force_n(1.0, latitude_deg=latitude_deg, height_m=height_m or 0.0), PLACE_KNOWN)
