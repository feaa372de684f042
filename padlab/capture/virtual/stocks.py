"""The virtual stocks: six invented materials, their lots and their pads.

Numbers are invented and scaled so that common practice holds (common practice, no source): a soft
neoprene pad gives 25-30 thou from F0 to a light press of 3 N, a dense polymer pad 1-5 thou from F0
to a very hard press of 12.5 N. At 10,000 strokes a day, 6 days a week, ordinary felt and soft neoprene lose 3
thou in 2 to 12 weeks; dense polymer loses 1-5 thou in 5 to 10 years at 2,000 a day.

>>> make_pad("wool felt", lot=2, pad=3).label
'wool felt 2-3'
>>> list(MATERIALS)
['wool felt', 'synthetic felt', 'sheet cork', 'rubber cork', 'soft neoprene', 'dense polymer']
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from padlab.capture.virtual.physics import Substance, VirtualPad
from padlab.errors import InputError
from padlab.records.pad import F0_N

LOT_SCATTER = 0.06
"""Standard deviation of the logarithm of stiffness between lots."""
PAD_SCATTER = 0.03
"""The same between pads of one lot."""
THICKNESS_SCATTER = 0.01
"""Standard deviation of the logarithm of thickness, between pads."""
WEAR_LOT_SCATTER, WEAR_PAD_SCATTER = 0.12, 0.12
"""Standard deviations of the logarithm of wear and fatigue, between lots and between pads of one lot."""
OUTER_MM, INNER_MM = 19.0, 8.0


@dataclass(frozen=True)
class Stock:
    """One invented stock: its class and the constants of its middle pad."""

    material_class: str
    middle: Substance


MATERIALS: dict[str, Stock] = {
    "wool felt": Stock("felt", Substance(
        free_height_mm=1.78, crowd_stiffness_n_per_mm=21.0, first_contacts=0.06, gap_strain=0.16,
        gap_spread=0.7, solid_strain=0.75, crowding=2.0, rubbing=0.25, stuck_share=0.3,
        slip_length=0.09, flow_width=0.0085, lost_contacts=0.08, early_set=0.020, tiring=0.04,
        rubs_mm_per_mj=8.0e-8, fatigue_strain=0.040, fatigue_strokes=2.0e5, fatigue_spread=1.5)),
    "synthetic felt": Stock("felt", Substance(
        free_height_mm=1.62, crowd_stiffness_n_per_mm=43.0, first_contacts=0.06, gap_strain=0.13,
        gap_spread=0.7, solid_strain=0.75, crowding=2.0, rubbing=0.19, stuck_share=0.35,
        slip_length=0.08, flow_width=0.0070, lost_contacts=0.06, early_set=0.012, tiring=0.03,
        rubs_mm_per_mj=1.0e-7, fatigue_strain=0.035, fatigue_strokes=2.5e5, fatigue_spread=1.5)),
    "sheet cork": Stock("cork", Substance(
        free_height_mm=1.60, crowd_stiffness_n_per_mm=112.0, first_contacts=0.10, gap_strain=0.060,
        gap_spread=0.9, solid_strain=0.60, crowding=1.6, rubbing=0.12, stuck_share=0.3,
        slip_length=0.10, flow_width=0.0060, lost_contacts=0.05, early_set=0.006, tiring=0.02,
        rubs_mm_per_mj=6.0e-8, fatigue_strain=0.030, fatigue_strokes=4.0e5, fatigue_spread=1.3)),
    "rubber cork": Stock("cork", Substance(
        free_height_mm=1.56, crowd_stiffness_n_per_mm=190.0, first_contacts=0.12, gap_strain=0.030,
        gap_spread=0.9, solid_strain=0.60, crowding=1.5, rubbing=0.09, stuck_share=0.4,
        slip_length=0.10, flow_width=0.0050, lost_contacts=0.04, early_set=0.003, tiring=0.015,
        rubs_mm_per_mj=5.0e-8, fatigue_strain=0.020, fatigue_strokes=6.0e5, fatigue_spread=1.3)),
    "soft neoprene": Stock("neoprene", Substance(
        free_height_mm=1.80, crowd_stiffness_n_per_mm=1.52, first_contacts=0.95, gap_strain=0.20,
        gap_spread=0.5, solid_strain=0.65, crowding=1.6, rubbing=0.08, stuck_share=0.2,
        slip_length=0.10, flow_width=0.0100, lost_contacts=0.07, early_set=0.010, tiring=0.03,
        rubs_mm_per_mj=5.0e-8, fatigue_strain=0.030, fatigue_strokes=3.0e5, fatigue_spread=1.2)),
    "dense polymer": Stock("polymer", Substance(
        free_height_mm=1.46, crowd_stiffness_n_per_mm=400.0, first_contacts=0.08, gap_strain=0.020,
        gap_spread=0.9, solid_strain=0.60, crowding=1.5, rubbing=0.04, stuck_share=0.4,
        slip_length=0.08, flow_width=0.0035, lost_contacts=0.02, early_set=0.001, tiring=0.008,
        rubs_mm_per_mj=4.0e-8, fatigue_strain=0.015, fatigue_strokes=1.0e6, fatigue_spread=1.5)),
}


def make_pad(
    material: str, *, lot: int = 1, pad: int = 1, seed: int = 0, lot_softness: float = 1.0,
) -> VirtualPad:
    """Cut one fresh pad. The same arguments give the same pad, on every machine.

    Parameters
    ----------
    material : str
        One of ``MATERIALS``.
    lot, pad : int
        Numbers from 0; a lot's pads share its scatter.
    seed : int
        Another seed is another delivery of everything.
    lot_softness : float
        A bad lot: its contacts are that many times softer (1.5 = gives far more).

    Raises
    ------
    InputError
        An unknown material, a negative number, or a softness outside 0.2-5.
    """
    if material not in MATERIALS:
        raise InputError(f"no virtual material {material!r}", expected="one of " + ", ".join(MATERIALS),
                         seen=repr(material))
    if min(lot, pad, seed) < 0 or not 0.2 <= lot_softness <= 5.0:
        raise InputError("a virtual pad cannot be made so", seen=f"lot {lot}, pad {pad}, seed {seed}, "
                         f"softness {lot_softness}", expected="numbers from 0, a softness from 0.2 to 5")
    stock = MATERIALS[material]
    key = [seed, *material.encode("ascii"), lot]
    of_lot = np.random.default_rng(np.random.SeedSequence([*key, 1])).standard_normal(4).tolist()
    of_pad = np.random.default_rng(np.random.SeedSequence([*key, 2, pad])).standard_normal(5).tolist()

    lot_wears = float(np.random.default_rng(np.random.SeedSequence([*key, 3])).standard_normal())
    pad_wears = float(np.random.default_rng(np.random.SeedSequence([*key, 4, pad])).standard_normal())
    wears = math.exp(WEAR_LOT_SCATTER * lot_wears + WEAR_PAD_SCATTER * pad_wears)

    def scattered(index: int, share: float = 1.0) -> float:
        return math.exp(share * (LOT_SCATTER * of_lot[index] + PAD_SCATTER * of_pad[index]))

    middle = stock.middle
    substance = replace(
        middle,
        free_height_mm=middle.free_height_mm * math.exp(THICKNESS_SCATTER * of_pad[4]),
        crowd_stiffness_n_per_mm=middle.crowd_stiffness_n_per_mm * scattered(0) / lot_softness,
        rubbing=middle.rubbing * scattered(1, 0.7),
        flow_width=middle.flow_width * scattered(2),
        early_set=middle.early_set * scattered(3, 2.0),
        rubs_mm_per_mj=middle.rubs_mm_per_mj * wears,
        fatigue_strokes=middle.fatigue_strokes / wears,
    )
    return pad_of(substance, material=material, material_class=stock.material_class, lot=lot, pad=pad)


def pad_of(
    substance: Substance, *, material: str, material_class: str, lot: int = 1, pad: int = 1,
) -> VirtualPad:
    """A fresh pad of that substance; its thickness is found by a light touch of F0 on a twin."""
    made = VirtualPad(
        substance, label=f"{material} {lot}-{pad}", material=material, material_class=material_class,
        outer_mm=OUTER_MM, inner_mm=INNER_MM, thickness_mm=substance.free_height_mm, lot=lot, pad=pad)
    twin = VirtualPad(
        substance, label="twin", material=material, material_class=material_class,
        outer_mm=OUTER_MM, inner_mm=INNER_MM, thickness_mm=substance.free_height_mm)
    step = twin.travel_to_mm(F0_N) / 200
    travel = before = force = 0.0
    while force < F0_N:
        before, travel = force, travel + step
        force = twin.move_to(travel, 0.005)
    travel -= step * (force - F0_N) / (force - before)
    made.thickness_mm = substance.free_height_mm - travel
    return made
