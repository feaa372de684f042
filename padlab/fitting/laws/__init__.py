"""One published law a file; which class of material proposes which laws.

A new law is one new file and one line here.
"""

from __future__ import annotations

from padlab.fitting.laws import (
    cellular,
    exponential,
    fibre,
    linear,
    mooney_rivlin,
    power,
    rubber,
    sinking,
)
from padlab.fitting.laws.law import Array, Law
from padlab.records.pad import RUBBER_LIKE, Pad

__all__ = ["Law", "compression_laws", "creep_laws"]


def compression_laws(pad: Pad, thickness_mm: float | None, *, compression_mm: float,
                     has_plateau: bool) -> list[Law]:
    """The laws that the pad's class proposes; the data decide among them.

    ``compression_mm`` is the most it was pressed; ``has_plateau``: it softened and stiffened again.
    """
    laws = [linear.law(), power.law(), exponential.law()]
    if thickness_mm is not None and pad.material_class in ("felt", "other"):
        laws += [fibre.law(thickness_mm=thickness_mm), fibre.free_exponent_law(thickness_mm=thickness_mm)]
    if thickness_mm is not None and pad.material_class in RUBBER_LIKE:
        laws.append(rubber.law(area_mm2=pad.area_mm2, thickness_mm=thickness_mm))
        if compression_mm >= mooney_rivlin.LEAST_STRAIN * thickness_mm:
            laws.append(mooney_rivlin.law(area_mm2=pad.area_mm2, thickness_mm=thickness_mm))
    if thickness_mm is not None and has_plateau:
        laws += [cellular.two_powers(area_mm2=pad.area_mm2, thickness_mm=thickness_mm),
                 cellular.buckling(area_mm2=pad.area_mm2, thickness_mm=thickness_mm)]
    return laws


def creep_laws(*, clock_s: float, ramp_s: Array, ramp_share: Array) -> list[Law]:
    """The laws of sinking in a hold; the first is the one whose constant is quoted.

    ``clock_s`` is the lead that the logarithm fits best with. A power of time bends by itself, and with that
    lead would be bent twice: its clock starts in the middle of the ramp (Zapas & Phillips 1971, from memory).
    """
    return [sinking.logarithmic(clock_s=clock_s), sinking.findley(clock_s=-float(ramp_s[0]) / 2),
            sinking.approach_from(ramp_s, ramp_share)]
