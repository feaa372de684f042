"""One published law a file; which class of material proposes which laws.

A new law is one new file and one line here.
"""

from __future__ import annotations

from padlab.fitting.laws import exponential, fibre, linear, power, rubber, sinking
from padlab.fitting.laws.law import Array, Law
from padlab.records.pad import RUBBER_LIKE, Pad

__all__ = ["Law", "compression_laws", "creep_laws"]


def compression_laws(pad: Pad, thickness_mm: float | None) -> list[Law]:
    """The laws that the pad's class proposes; the data decide among them."""
    laws = [linear.law(), power.law(), exponential.law()]
    if thickness_mm is not None and pad.material_class in ("felt", "other"):
        laws.append(fibre.law(thickness_mm=thickness_mm))
    if thickness_mm is not None and pad.material_class in RUBBER_LIKE:
        laws.append(rubber.law(area_mm2=pad.area_mm2, thickness_mm=thickness_mm))
    return laws


def creep_laws(*, clock_s: float, ramp_s: Array, ramp_share: Array) -> list[Law]:
    """The laws of sinking in a hold; the first is the one whose constant is quoted."""
    return [sinking.logarithmic(clock_s=clock_s), sinking.findley(clock_s=clock_s),
            sinking.approach_from(ramp_s, ramp_share)]
