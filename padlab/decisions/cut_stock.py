"""One stock at one stop: how thick to cut it, what gauge and check will read, how far it drifts.

tested pads at the stop -> the middle pad of the sheet's lot -> cut -> from what sheet, with what shims
-> the next pad's scatter, the rig's share, the reading's doubt -> intervals
"""

from __future__ import annotations

import itertools
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, replace

from padlab.decisions.at_stop import AtStop, at_stop, home_estimate, mean_behaviour, shape_doubt
from padlab.decisions.cut_rows import Candidate, Check, Sensitivity, SheetPlan
from padlab.decisions.judged import Setting, judge
from padlab.decisions.stocks import by_lot, mean_of_lots, stock_loss, stock_marks
from padlab.decisions.total import ServiceLoss, total_of
from padlab.drift.cutting import (
    CUTTING_STEP_THOU,
    Behaviour,
    cut_mm,
    expected_error_mm,
    loaded_mm,
    net_force_n,
    rounded_thou,
)
from padlab.drift.life import StockLife
from padlab.drift.touch import RESTING_FINGER_N
from padlab.errors import InputError
from padlab.marks import Mark, Weight, mark
from padlab.records.instrument import Instrument, Stop
from padlab.records.pad import F0_N, RUBBER_LIKE
from padlab.records.shop import Sheet, Shop
from padlab.statistics.estimate import average
from padlab.statistics.lots import NextPad, next_pad
from padlab.statistics.quantity import Quantity, half_width95
from padlab.units import MM_PER_THOU

CUT_HALF_RANGE_MM = CUTTING_STEP_THOU * MM_PER_THOU
"""A cut lies within half a thou of what was asked (common practice, no source)."""
GLUE_HALF_RANGE_MM = MM_PER_THOU
MOST_SHIMS = 3
PUNCH_MM = 0.05
EXPANSION_PER_K = 2e-4
"""Linear expansion of rubber (quoted from memory)."""
HARDER = 1.25
NEAR_K = 5.0


@dataclass(frozen=True)
class Wear:
    """Thinning of a stock up to the renewal, and when that is [years]."""

    life: StockLife
    loss: ServiceLoss
    years: float
    low_years: float | None
    high_years: float | None


@dataclass(frozen=True)
class Asked:
    """What a stop asks of a stock; ``at`` holds touch, face and force."""

    valve: str
    stop: Stop
    instrument: Instrument
    shop: Shop
    at: Setting
    wanted_mm: float
    wanted_u_mm: float
    fitted_loaded_mm: float
    wear: Wear | None


@dataclass(frozen=True)
class _Middle:
    """The pad that is expected: the middle of the sheet's lot if that was tested, else of all lots."""

    pads: list[AtStop]
    weights: list[float]
    layers: int

    def usual(self) -> Behaviour:
        return _layered(mean_behaviour(self.pads, self.weights), self.layers)

    def slow(self) -> Behaviour:
        return _layered(mean_behaviour(self.pads, self.weights, slow=True), self.layers)


def candidate(name: str, pads: Sequence[AtStop], asked: Asked) -> Candidate:
    """One stock at one stop.

    Raises
    ------
    InputError
        No thickness of this stock serves there.
    """
    stop, shop, wear = asked.stop, asked.shop, asked.wear
    net = asked.at.strokes.set_net_n
    added = 0.0 if wear is None else asked.instrument.wear_share * wear.loss.at_end.value
    tested = {p.judged.fit.pad.lot for p in pads}
    plan = _plan(name, pads, asked, added, tested)
    shims = 0.0 if plan is None else sum(plan.shims_mm)
    if shims:
        # What shims fill the pad need not: it is thinner, so it gives less.
        asked = replace(asked, at=replace(asked.at, loaded_mm=asked.wanted_mm - shims))
        pads = [at_stop(judge(p.judged.fit, asked.at), asked.at) for p in pads]
    lot = plan.lot if plan is not None and plan.lot in tested else None
    middle = _middle(pads, lot, 1 if plan is None else plan.layers)
    usual, slow = middle.usual(), middle.slow()
    warm, climate_marks = _warmth(name, pads, asked)
    wanted = asked.wanted_mm - shims - warm
    computed = cut_mm(wanted, usual, net_n=net, added_mm=added)
    cut_thou = rounded_thou(computed)
    cut = cut_thou * MM_PER_THOU
    doubt = _Doubt.of(pads, lot, middle, asked, cut)
    stands = loaded_mm(cut, usual, net_n=net) + shims + warm
    per_cut = (loaded_mm(cut + 0.01, usual, net_n=net) - loaded_mm(cut - 0.01, usual, net_n=net)) / 0.02
    target = asked.wanted_mm - stands if stop.side == "down" else stands - asked.wanted_mm

    def around(value: float, share: float = 1.0) -> Quantity:
        half = doubt.half_mm(per_cut, share)
        return Quantity(value) if half is None else Quantity(value, value - half, value + half)

    half_cut = doubt.half_mm(0.0, 1.0)
    seat = usual.seat_mm(cut)
    members = [p.judged for p in pads]
    gauges, gauge_marks = _gauge(pads, lot, middle, asked, cut)
    travel, travel_marks = _travel(asked, slow, cut, shims + warm, doubt, per_cut, pads)
    without = None if wear is None else mean_of_lots(by_lot(
        members, lambda j: total_of(j, asked.at, wear.loss, None, share=0.0)))
    share = asked.instrument.wear_share
    drift = None if wear is None else mean_of_lots(by_lot(
        members, lambda j: total_of(j, asked.at, wear.loss, None, share=share)))
    go = None if gauges[1] is None else rounded_thou(gauges[1].value)
    punch = any(max(abs(o - stop.outer_mm), abs(i - stop.inner_mm)) <= PUNCH_MM for o, i in shop.punches_mm)
    marks = [*_kept(name, pads), *gauge_marks, *travel_marks, *climate_marks,
             *_plan_marks(plan, tested, punch, shop, name, doubt),
             *(() if wear is None else wear.loss.marks)]
    if wear is None:
        marks.append(mark("no_wear_data", name))
    return Candidate(
        material=name, material_class=members[0].fit.pad.material_class, lots=tuple(sorted(tested)),
        pads=len({(j.fit.pad.lot, j.pad_key) for j in members}), method=members[0].method,
        cut_mm=Quantity(computed) if half_cut is None else Quantity(
            computed, computed - half_cut / per_cut, computed + half_cut / per_cut),
        cut_thou=cut_thou,
        seated_mm=Quantity(cut - seat, cut - seat - CUT_HALF_RANGE_MM, cut - seat + CUT_HALF_RANGE_MM),
        gauge_mm=gauges[0], gauge_seated_mm=gauges[1],
        go_thou=None if go is None else go + CUTTING_STEP_THOU,
        no_go_thou=None if go is None else go - CUTTING_STEP_THOU,
        sheet=plan, has_punch=punch, net_n=net, loaded_mm=around(stands), target_error_mm=target,
        checks=_checks(asked, slow, cut, shims + warm, doubt, per_cut),
        play_band_mm=mean_of_lots(by_lot(members, lambda j: j.numbers.band)),
        drift_play_mm=mean_of_lots(by_lot(members, lambda j: j.numbers.drift)),
        drift_mm=drift, drift_without_share_mm=without,
        loss_fraction=mean_of_lots(by_lot(members, stock_loss)),
        thinning_mm=None if wear is None else wear.loss.at_end, added_mm=added,
        renew_years=None if wear is None else Quantity(wear.years, wear.low_years, wear.high_years),
        travel_to_metal_mm=travel, hardest_n=shop.hardest_press_n,
        sensitivity=Sensitivity(
            per_cut * MM_PER_THOU,
            EXPANSION_PER_K * 10 * cut if members[0].fit.pad.material_class in RUBBER_LIKE else None,
            slow.squeeze_mm(cut, net) - slow.squeeze_mm(cut, HARDER * net)),
        marks=tuple(sorted(set(marks))))


@dataclass(frozen=True)
class _Doubt:
    """What a loaded thickness is off by: the next pad, the rig's share, the reading, shape and glue."""

    pad: NextPad
    shared_mm: float
    wanted_u_mm: float
    shape_mm: float                      # half range
    limb_mm: float                       # half range
    layers: int

    @classmethod
    def of(cls, pads: Sequence[AtStop], lot: str | None, middle: _Middle, asked: Asked, cut: float) -> _Doubt:
        each = [(p, _layered(p.usual(), middle.layers)) for p in pads]
        lots: dict[str, dict[str, list[float]]] = defaultdict(lambda: defaultdict(list))
        for p, behaviour in each:
            fit = p.judged.fit
            lots[fit.pad.lot][fit.pad.id].append(loaded_mm(cut, behaviour, net_n=asked.at.strokes.set_net_n))
        averaged = {name: [sum(v) / len(v) for v in members.values()] for name, members in lots.items()}
        shared = average([home_estimate(p, b.squeeze_mm(cut, 0.0)) for p, b in each], log=False)
        squeeze = middle.usual().squeeze_mm(cut, 0.0)
        return cls(next_pad(averaged, lot=lot), float(shared.shared_uncertainty), asked.wanted_u_mm,
                   squeeze * max(shape_doubt(p, cut / middle.layers) for p in pads),
                   max(p.limb_mm * b.squeeze_mm(cut, 0.0) / max(p.home_mm, 1e-6) for p, b in each),
                   middle.layers)

    def half_mm(self, per_cut: float, share: float) -> float | None:
        """Half of the 95 % interval of a loaded thickness; ``share`` scales what hangs on the compression."""
        if self.pad.u is None or not self.pad.knows_lots:
            return None
        parts = [(self.pad.u * share, self.pad.degrees_of_freedom), (self.shared_mm * share, math.inf),
                 (self.wanted_u_mm, math.inf)]
        bounds = [CUT_HALF_RANGE_MM * per_cut, self.shape_mm * share, self.limb_mm,
                  *[GLUE_HALF_RANGE_MM] * (self.layers - 1)]
        return half_width95(parts, bounds)


def _layered(one: Behaviour, layers: int) -> Behaviour:
    """Layers of a pad on top of each other: each is squeezed by the same force."""
    if layers == 1:
        return one
    return Behaviour(lambda h, f: layers * one.squeeze_mm(h / layers, f),
                     lambda h: layers * one.seat_mm(h / layers))


def _middle(pads: Sequence[AtStop], lot: str | None, layers: int) -> _Middle:
    """Pads weigh alike within a lot, lots alike within the stock, runs alike within a pad."""
    chosen = [p for p in pads if lot is None or p.judged.fit.pad.lot == lot]
    runs: dict[str, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for p in chosen:
        runs[p.judged.fit.pad.lot][p.judged.fit.pad.id] += 1
    weights = [1 / len(runs) / len(runs[f.pad.lot]) / runs[f.pad.lot][f.pad.id]
               for f in (p.judged.fit for p in chosen)]
    return _Middle(list(chosen), weights, layers)


def _plan(name: str, pads: Sequence[AtStop], asked: Asked, added: float, tested: set[str],
          ) -> SheetPlan | None:
    """The first way that works: one sheet cut down, then with shims, then two layers; tested lots first."""
    sheets = sorted((s for s in asked.shop.sheets if s.material == name),
                    key=lambda s: (s.lot not in tested, s.thickness_mm, s.lot))
    net = asked.at.strokes.set_net_n

    def cut_for(sheet: Sheet, shims: float, layers: int) -> float | None:
        middle = _middle(pads, sheet.lot if sheet.lot in tested else None, layers)
        if not asked.wanted_mm - shims > 0.05:
            return None
        try:
            return rounded_thou(cut_mm(asked.wanted_mm - shims, middle.usual(), net_n=net, added_mm=added),
                                ) * MM_PER_THOU
        except InputError:
            return None

    def fits(sheet: Sheet, shims: tuple[float, ...], layers: int) -> bool:
        cut = cut_for(sheet, sum(shims), layers)
        return cut is not None and cut <= layers * sheet.thickness_mm + 1e-9

    piles = {s for n in range(1, MOST_SHIMS + 1) for s in itertools.combinations(asked.shop.shims_mm, n)}
    below = sorted(piles, key=lambda s: (len(s), sum(s)))
    ways = [(s, (), 1) for s in sheets] + [(s, shim, 1) for shim in below for s in sheets]
    ways += [(s, (), 2) for s in sheets]
    return next((SheetPlan(s.lot, s.thickness_mm, tuple(shim), layers) for s, shim, layers in ways
                 if fits(s, shim, layers)), None)


def _checks(asked: Asked, slow: Behaviour, cut: float, beside: float, doubt: _Doubt, per_cut: float,
            ) -> tuple[Check, ...]:
    """At the force of the reading, so that what the method is off by cancels; then at the usual press."""
    stop, strokes = asked.stop, asked.at.strokes
    usual_button = strokes.set_net_n + stop.holding_n if stop.side == "down" else RESTING_FINGER_N / 2
    home = slow.squeeze_mm(cut, strokes.set_net_n)
    told = []
    for button in dict.fromkeys((stop.read_at_n, round(usual_button, 6))):
        net = net_force_n(stop.side, button_n=button, holding_n=stop.holding_n)
        if net < F0_N:
            continue
        values = [expected_error_mm(stop.side, asked.wanted_mm - beside, cut, slow, button_n=button,
                                    holding_n=stop.holding_n, seated=s) for s in (True, False)]
        share = slow.squeeze_mm(cut, net) / home if home > 0 else 1.0
        half = doubt.half_mm(per_cut, share)
        q = Quantity(values[0]) if half is None else Quantity(values[0], values[0] - half, values[0] + half)
        told.append(Check(button, q, values[1]))
    return tuple(told)


def _warmth(name: str, pads: Sequence[AtStop], asked: Asked) -> tuple[float, list[Mark]]:
    """What a pad is thicker by where it is played, against where it was tested [mm]; rubber only."""
    played = asked.instrument.temperature_c
    tested = [t for p in pads if (t := p.judged.fit.temperature_c) is not None]
    if played is None or not tested:
        return 0.0, []
    warmer = played - sum(tested) / len(tested)
    if pads[0].judged.fit.pad.material_class in RUBBER_LIKE:
        return EXPANSION_PER_K * warmer * asked.wanted_mm, []
    return 0.0, [mark("climate_unknown", name)] if abs(warmer) > NEAR_K else []


def _gauge(pads: Sequence[AtStop], lot: str | None, middle: _Middle, asked: Asked, cut: float,
           ) -> tuple[tuple[Quantity | None, Quantity | None], list[Mark]]:
    """What the shop gauge will read of the pad as cut, and once it is seated."""
    foot, stop = asked.shop.foot, asked.stop
    if foot is None:
        return (None, None), [mark("no_gauge", "shop.toml")]
    area = foot.pressed_mm2(outer_mm=stop.outer_mm, inner_mm=stop.inner_mm)
    marks = []
    if foot.diameter_mm is not None and foot.diameter_mm < 2 * cut:
        marks.append(mark("small_foot", "gauge foot"))
    n = middle.layers

    def read(first: bool) -> Quantity | None:
        total = 0.0
        for weight, pad in zip(middle.weights, middle.pads, strict=True):
            under = pad.gauge_mm(foot.force_n, area, first=first)
            if under is None:
                return None
            seat = 0.0 if first else pad.settled_share * cut
            total += weight * (cut - seat - n * pad.scale(cut / n) * under)
        return Quantity(total, total - CUT_HALF_RANGE_MM, total + CUT_HALF_RANGE_MM)

    fresh, seated = read(True), read(False)
    if fresh is None:
        marks.append(mark("no_first_press", "gauge"))
    return (fresh, seated), marks


def _travel(asked: Asked, slow: Behaviour, cut: float, beside: float, doubt: _Doubt, per_cut: float,
            pads: Sequence[AtStop]) -> tuple[Quantity | None, list[Mark]]:
    """Travel left before metal meets metal: hardest press, end of the service."""
    stop, wear = asked.stop, asked.wear
    if stop.metal_clearance_mm is None:
        return None, [mark("metal_unknown", f"{stop.side} stop")]
    button = asked.shop.hardest_press_n if stop.side == "down" else 0.0
    net = net_force_n(stop.side, button_n=button, holding_n=stop.holding_n)
    thinned = 0.0 if wear is None else wear.loss.at_end.high or wear.loss.at_end.value
    thinnest = loaded_mm(cut, slow, net_n=net, thinned_mm=thinned) + beside
    left = stop.metal_clearance_mm + thinnest - asked.fitted_loaded_mm
    home = slow.squeeze_mm(cut, asked.at.strokes.set_net_n)
    half = doubt.half_mm(per_cut, slow.squeeze_mm(cut, net) / home if home > 0 else 1.0)
    marks = []
    if any(p.is_beyond(net) for p in pads):
        marks.append(mark("extrapolated", "hardest press",
                          f"the hardest press ({net:.1f} N net) is beyond what was "
                          "tested: carried on by a straight line over the logarithm of force"))
    if half is not None and left - half <= 0 < left:
        marks.append(mark("near_metal", f"{stop.side} stop"))
    return Quantity(left) if half is None else Quantity(left, left - half, left + half), marks


def _kept(name: str, pads: Sequence[AtStop]) -> list[Mark]:
    """The stock's marks that concern a cut: cautions and stops; notes stay with the pads."""
    members = [p.judged for p in pads]
    lots = sorted({j.fit.pad.lot for j in members})
    return [m for m in stock_marks(name, members, lots, set(), None)
            if m.weight is not Weight.NOTE or m.code in ("bounds_shape", "few_lots", "formula")]


def _plan_marks(plan: SheetPlan | None, tested: set[str], punch: bool, shop: Shop, name: str, doubt: _Doubt,
                ) -> list[Mark]:
    found = []
    if plan is None:
        found.append(mark("no_sheet", name))
    elif plan.lot not in tested:
        found.append(mark("lot_not_tested", f"lot {plan.lot}"))
    if plan is not None and plan.layers > 1:
        found.append(mark("glued", f"{plan.layers} layers"))
    if shop.punches_mm and not punch:
        found.append(mark("no_punch", name))
    if not doubt.pad.knows_lots:
        found.append(mark("one_lot", name, "one lot only: how far another lot would stand off is not known, "
                          "so no interval is given"))
    return found

