"""Compression set as the standards count it; padlab's own figure is in micrometres at F0.

>>> round(constant_force_set_percent(before_mm=1.60, after_mm=1.52), 3)
5.0
"""

from __future__ import annotations

import math

from padlab.statistics.quantity import Quantity, with_doubt


def constant_force_set_percent(*, before_mm: float, after_mm: float) -> float:
    """100 (t0 - ti) / t0, in the manner of ASTM D395 method A [%]."""
    return 100 * (before_mm - after_mm) / before_mm


def constant_deflection_set_percent(*, before_mm: float, after_mm: float, spacer_mm: float,
                                    reading_u_mm: float) -> Quantity:
    """100 (t0 - ti) / (t0 - tn), in the manner of ASTM D395 method B [%], with its doubt.

    ``reading_u_mm`` is the standard uncertainty of each of the three readings, taken as independent.
    """
    d = before_mm - spacer_mm
    value = 100 * (before_mm - after_mm) / d
    partials = (100 * (after_mm - spacer_mm) / d**2, 100 / d, 100 * (before_mm - after_mm) / d**2)
    return with_doubt(value, reading_u_mm * math.sqrt(sum(p * p for p in partials)))
