"""What a weight presses with: gravity where it hangs, and the air it floats in.

>>> round(local_gravity(latitude_deg=50, height_m=100), 6)
9.810396
>>> round(weight_force_n(0.5, latitude_deg=50, height_m=100), 6)
4.904448
"""

from __future__ import annotations

import math
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

Mass = TypeVar("Mass", float, NDArray[np.float64])

AIR_KG_PER_M3 = 1.2
"""Room air; it moves by 5 % with weather and height, a force by 0.001 %."""
STEEL_KG_PER_M3 = 7850.0


def local_gravity(*, latitude_deg: float, height_m: float) -> float:
    """Gravity [m/s2] from latitude and height above the sea.

    g = 9.780327 (1 + 0.0053024 sin^2 - 0.0000058 sin^2 2phi) - 3.086e-6 h: the formula of the
    Geodetic Reference System 1967/80 in its short form with the free-air term, from memory. It is
    good to about 0.01 %; standard gravity would be wrong by 0.27 % at the equator.
    """
    once = math.sin(math.radians(latitude_deg))
    twice = math.sin(math.radians(2 * latitude_deg))
    return 9.780327 * (1 + 0.0053024 * once**2 - 0.0000058 * twice**2) - 3.086e-6 * height_m


def weight_force_n(mass_kg: Mass, *, latitude_deg: float, height_m: float,
                   density_kg_per_m3: float = STEEL_KG_PER_M3) -> Mass:
    """Force of a hanging weight [N], buoyancy taken off: F = m g (1 - air / weight density)."""
    g = local_gravity(latitude_deg=latitude_deg, height_m=height_m)
    return mass_kg * (g * (1 - AIR_KG_PER_M3 / density_kg_per_m3))
