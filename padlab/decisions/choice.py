"""Which pad for this player, and how thick: for every stop of an instrument, stock by stock.

    instrument file, shop -> loaded thickness wanted (G) --.
    fits of the pads on file -> every stock at this stop --+--> cut, gauge reading, check reading, drift,
    wear on file -> thinning up to the renewal ------------'    renewal -> one stock, and why not the others

Up and down stop are separate: each has its own force, face and pad. The two are never averaged.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from padlab.decisions.at_stop import AtStop, at_stop
from padlab.decisions.cut_rows import Candidate, Choice, NoCut, Refused, StopChoice
from padlab.decisions.cut_stock import Asked, Wear, candidate
from padlab.decisions.groups import standing
from padlab.decisions.judged import (
    WARM_UP,
    Judged,
    Setting,
    judge,
    needed_on_test_pad,
    setting,
    why_not,
)
from padlab.decisions.renewal import renewals
from padlab.decisions.stack_of import stacks
from padlab.decisions.stocks import by_lot, one_method
from padlab.decisions.total import service_loss
from padlab.drift.carry import Face
from padlab.drift.cutting import cut_mm, loaded_mm, loaded_wanted_mm, net_force_n
from padlab.drift.life import Service, StockLife
from padlab.drift.touch import TouchProfile
from padlab.errors import FitError, InputError, PadlabError, RunError
from padlab.fitting.results import RunFit
from padlab.marks import Mark, Weight, has_stop, mark
from padlab.records.instrument import RING, SIDES, UNKNOWN, Instrument, Lack, Side, Stop
from padlab.records.run import Run
from padlab.records.shop import Shop
from padlab.statistics.estimate import Estimate
from padlab.units import both_lengths

FELT_MM = 0.2032
"""A misalignment of 8 thou is clearly felt (common practice, no source)."""
RING_DOUBT_MM = 0.0254 / 4
"""Standard uncertainty of a setting ring measured with a micrometer (design choice: a quarter thou)."""
AGED = 0.3
"""Relative standard uncertainty of what a pad that has served gives by curves of new pads (design choice)."""


@dataclass(frozen=True)
class OnFile:
    """What the shelf knows: fits of its pads, and its wear runs."""

    fits: Sequence[RunFit]
    worn: Sequence[Run] = ()
    not_fitted: Mapping[str, str] | None = None      # stock -> why none of its runs gave a fit


@dataclass(frozen=True)
class Wanted:
    """The loaded thickness that puts the port on zero, and its standard uncertainty [mm]."""

    loaded_mm: float
    u_mm: float
    fitted_loaded_mm: float
    marks: tuple[Mark, ...] = ()


def choose(instrument: Instrument, touch: TouchProfile, shop: Shop, on_file: OnFile, *,
           given: Mapping[tuple[str, Side], Wanted] | None = None) -> Choice:
    """Choose stock and cut thickness for every stop.

    Parameters
    ----------
    given : mapping, optional
        By (valve, side) the loaded thickness that is wanted, where it is known from an earlier fitting; then
        what the file says of port and fitted pad is not used.
    """
    lives = {side: _lives(instrument, side, on_file.worn) for side in ("down", "up")}
    stops: list[StopChoice] = []
    no_cut: list[NoCut] = []
    for valve in instrument.valves:
        none = [NoCut(valve.name, one.side, one.missing) for one in valve.lacking]
        for stop in valve.stops:
            known = (given or {}).get((valve.name, stop.side))
            try:
                stops.append(_stop(valve.name, stop, instrument, touch, shop, on_file, lives[stop.side],
                                   known))
            except _NoCutError as fault:
                none.append(NoCut(valve.name, stop.side, fault.missing))
        no_cut += sorted(none, key=lambda n: SIDES.index(n.side))
    return Choice(instrument, touch.name, shop, tuple(stops), tuple(no_cut), stacks(stops))


class _NoCutError(Exception):
    def __init__(self, *missing: Lack) -> None:
        super().__init__(missing)
        self.missing = missing


def _lives(instrument: Instrument, side: Side, worn: Sequence[Run],
           ) -> tuple[dict[str, StockLife], str | None]:
    """By stock when the larger share of its thinning uses up the renewal limit; and why none has a life."""
    strokes, days, limit = instrument.strokes_per_day, instrument.days_per_week, instrument.renew_limit_mm
    if strokes is None or days is None or limit is None or not worn:
        return {}, None
    w = instrument.wear_share
    try:
        found = renewals(worn, limit_mm=limit / max(w, 1 - w), service=Service(strokes, days), stop=side)
    except (FitError, RunError) as fault:
        return {}, fault.message
    return {life.material: life for life in found.stocks}, None


def _stop(valve: str, stop: Stop, instrument: Instrument, touch: TouchProfile, shop: Shop, on_file: OnFile,
          lives: tuple[Mapping[str, StockLife], str | None], known: Wanted | None) -> StopChoice:
    face = Face(stop.loaded_outer_mm, stop.loaded_inner_mm)
    try:
        at = setting(touch, stop=stop.side, holding_n=stop.holding_n, face=face, loaded_mm=None)
    except InputError as fault:
        raise _NoCutError(Lack(f"valve.{valve}.{stop.side}.holding_force", str(fault.message) + ": "
                               + (fault.remedy or ""))) from fault
    faults: dict[str, set[str]] = defaultdict(set)
    for name, why in (on_file.not_fitted or {}).items():
        faults[name].add(why)
    wanted = known or _wanted(valve, stop, shop, on_file.fits, at)
    on_life, why_none = lives
    stocks, faults_too = _stocks_at(on_file.fits, touch, stop, face, wanted.loaded_mm)
    for name, found_too in faults_too.items():
        faults[name] |= found_too
    found: list[Candidate] = []
    refused: list[Refused] = [Refused(name, "; ".join(sorted(whys))) for name, whys in sorted(faults.items())
                              if name not in stocks]
    for name, (pads, where) in sorted(stocks.items()):
        asked = Asked(valve, stop, instrument, shop, where, wanted.loaded_mm, wanted.u_mm,
                      wanted.fitted_loaded_mm, _wear(on_life.get(name), instrument))
        try:
            one = candidate(name, pads, asked)
        except PadlabError as fault:
            refused.append(Refused(name, fault.message))
            continue
        found.append(one)
        barrier = _refusal(one)
        if barrier is not None:
            refused.append(Refused(name, barrier))
    barred = {r.material for r in refused}
    order = _ranked(stocks, [c for c in found if c.material not in barred])
    names = [name for name, _ in order]
    ranked = sorted((c for c in found if c.material not in barred), key=lambda c: names.index(c.material))
    served = [c for c in ranked if c.sheet is not None]
    best = next(iter(served or ranked), None)
    tied = tuple(name for name, is_tied in order if is_tied and best is not None and name != best.material)
    return StopChoice(valve, stop, wanted.loaded_mm, wanted.u_mm, wanted.fitted_loaded_mm, touch.name, best,
                      tuple(c for c in ranked if c is not best),
                      tuple(sorted(refused, key=lambda r: r.material)), tied,
                      (*wanted.marks, *_stop_marks(stop, touch, why_none)), is_given=known is not None)


def _stocks_at(fits: Sequence[RunFit], touch: TouchProfile, stop: Stop, face: Face, loaded: float,
               ) -> tuple[dict[str, tuple[list[AtStop], Setting]], dict[str, set[str]]]:
    """The pads of every stock at one stop, and why runs could not serve."""
    usable = [f for f in fits if f.procedure != WARM_UP]
    at = setting(touch, stop=stop.side, holding_n=stop.holding_n, face=face, loaded_mm=loaded,
                 can_replay=any(f.response is not None for f in usable))
    faults: dict[str, set[str]] = defaultdict(set)
    judged: list[Judged] = []
    for fit in sorted(usable, key=lambda f: (f.pad.material, f.pad.lot, f.pad.id, f.run)):
        why = why_not(fit) or ("its thickness is not known" if fit.thickness_mm is None else None)
        if why is not None:
            faults[fit.pad.material].add(why)
            continue
        try:
            judged.append(judge(fit, at))
        except FitError as fault:
            faults[fit.pad.material].add(fault.message)
    stocks: dict[str, tuple[list[AtStop], Setting]] = {}
    light: dict[str, list[Judged]] = defaultdict(list)
    for one in one_method(judged):
        name = one.fit.pad.material
        if one.numbers.drift is None:
            light[name].append(one)
            continue
        try:
            stocks.setdefault(name, ([], at))[0].append(at_stop(one, at))
        except FitError as fault:
            faults[name].add(fault.message)
    for name, some in light.items():
        faults[name].add(_too_light(some, face))
    return stocks, faults


def _too_light(judged: Sequence[Judged], face: Face) -> str:
    """Pads that were not pressed as hard as the touch presses, and how hard they must be."""
    needed = needed_on_test_pad(judged, face)
    to = "harder" if needed is None else f"to {needed:.1f} N net"
    tested = max(one.fit.curves.good_to_n for one in judged if one.fit.curves is not None)
    return f"this touch presses harder than the pads were tested ({tested:.1f} N net): test them {to}"


def _wanted(valve: str, stop: Stop, shop: Shop, fits: Sequence[RunFit], at: Setting) -> Wanted:
    """G from the reading: what was fitted, as thick as it stood under the force of the reading."""
    u_fitted, marks = RING_DOUBT_MM, []
    if stop.fitted_loaded_thickness_mm is not None:
        fitted = stop.fitted_loaded_thickness_mm
    elif stop.fitted in (RING, UNKNOWN):
        assert stop.fitted_thickness_mm is not None
        fitted = stop.fitted_thickness_mm
    else:
        fitted, u_fitted = _served(valve, stop, shop, fits, at)
        marks.append(mark("fitted_aged", f"valve {valve} {stop.side}"))
    wanted = loaded_wanted_mm(stop.side, fitted_loaded_mm=fitted, port_error_mm=stop.port_error_mm)
    if wanted <= 0.05:
        raise _NoCutError(Lack(f"valve.{valve}.{stop.side}.port_error", "the port asks for a pad of "
                               f"{both_lengths(wanted)}: check the error, its sign and the fitted thickness"))
    return Wanted(wanted, math.hypot(u_fitted, stop.port_error_uncertainty_mm), fitted, tuple(marks))


def _served(valve: str, stop: Stop, shop: Shop, fits: Sequence[RunFit], at: Setting) -> tuple[float, float]:
    """The loaded thickness of a pad of a stock on file, from what the shop gauge read of it."""
    key, size = f"valve.{valve}.{stop.side}", stop.fitted_thickness_mm
    mine = [f for f in fits if f.pad.material == stop.fitted and f.procedure != WARM_UP
            and why_not(f) is None and f.thickness_mm is not None]
    if not mine:
        raise _NoCutError(Lack(f"{key}.fitted", f"no usable run of {stop.fitted!r} is on this shelf: put a "
                               'setting ring in, read the port again and write fitted = "ring"'))
    if shop.foot is None:
        raise _NoCutError(Lack(f"{key}.fitted", "the shop gauge is not described: write gauge_foot_force and "
                               "gauge_foot_diameter into shop.toml, or put a setting ring in"))
    assert size is not None
    pads = []
    for fit in mine:
        try:
            pads.append(at_stop(judge(fit, at), at))
        except FitError:
            continue
    if not pads:
        raise _NoCutError(Lack(f"{key}.fitted", f"no pad of {stop.fitted!r} was pressed hard enough to tell "
                               "how thick it stood: put a setting ring in"))
    foot_mm2 = shop.foot.pressed_mm2(outer_mm=stop.outer_mm, inner_mm=stop.inner_mm)
    net = net_force_n(stop.side, button_n=stop.read_at_n, holding_n=stop.holding_n)
    stood = []
    for pad in pads:
        fresh = cut_mm(size, pad.under_gauge(shop.foot.force_n, foot_mm2), net_n=0.0)
        stood.append(loaded_mm(fresh, pad.slow(), net_n=net))
    middle = sum(stood) / len(stood)
    scatter = max(stood) - min(stood)
    return middle, math.hypot(AGED * abs(middle - size), scatter / 2, RING_DOUBT_MM)


def _wear(life: StockLife | None, instrument: Instrument) -> Wear | None:
    """Thinning up to the renewal: the shorter of the service and the life; None where it is not known."""
    if life is None or instrument.strokes_per_day is None:
        return None
    service, median = instrument.service_years, life.median("years")
    ends = life.interval90("years")
    if median is None:
        least = None if life.longer_than is None else life.longer_than / life.per_year
        if service is None or least is None or least < service:
            return None
        years, low, high = service, None, None
    else:
        most = math.inf if service is None else service
        years = min(median.value, most)
        low, high = (None, None) if ends is None else (min(ends[0], most), min(ends[1], most))
    loss = service_loss(life, years=years, presses_a_day=instrument.strokes_per_day)
    return None if loss is None else Wear(life, loss, years, low, high)


def _refusal(one: Candidate) -> str | None:
    if has_stop(one.marks):
        return "; ".join(sorted({m.message for m in one.marks if m.weight is Weight.STOP}))
    travel = one.travel_to_metal_mm
    if travel is not None and travel.value <= 0:
        return (f"metal would meet metal: {both_lengths(-travel.value)} too little travel at the hardest "
                "press and the end of the service")
    if one.drift_play_mm is None:
        return "how far it drifts is not determined"
    return None


def _ranked(stocks: Mapping[str, tuple[list[AtStop], Setting]], usable: Sequence[Candidate],
            ) -> list[tuple[str, bool]]:
    """Stocks by drift in play, each with whether it is not told apart from the best."""
    if not usable:
        return []
    drifts = {c.material: by_lot([p.judged for p in stocks[c.material][0]], _drift) for c in usable}
    stand = standing(drifts)
    apart = {frozenset((p.a, p.b)) for p in stand.pairs if p.told_apart}
    best = stand.order[0]
    return [(name, name == best or frozenset((name, best)) not in apart) for name in stand.order]


def _drift(one: Judged) -> Estimate | None:
    return one.numbers.drift


def _stop_marks(stop: Stop, touch: TouchProfile, why_no_life: str | None) -> list[Mark]:
    found = []
    if why_no_life is not None:
        found.append(mark("no_wear_data", f"{stop.side} stop", f"no thinning is known here: {why_no_life}"))
    if not touch.is_recorded:
        found.append(mark("touch_preset", touch.name))
    if stop.port_spread_mm is not None and stop.port_spread_mm > FELT_MM:
        found.append(mark("port_spread", stop.side, f"the ports of this stop differ by "
                          f"{both_lengths(stop.port_spread_mm)}: no pad can cure that"))
    return found
