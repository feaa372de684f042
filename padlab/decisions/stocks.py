"""One stock's row: its pads within lots, its curves, its verdict and its marks."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence

import numpy as np

from padlab.decisions.groups import Lots, Standing, lot_means, stock_mean
from padlab.decisions.judged import Judged, Setting, end_of, from_quantity, needed_on_test_pad
from padlab.decisions.rows import ByFormula, CreepCurve, LotRow, PlayStrip, PositionCurve, StockRow
from padlab.decisions.total import ServiceLoss, total_of
from padlab.drift.position import PadDrift
from padlab.drift.replay import STRIP_S
from padlab.marks import Mark, mark
from padlab.records.pad import F0_N, Pad
from padlab.statistics.estimate import Estimate, average
from padlab.statistics.quantity import Quantity

WarmUps = dict[str, tuple[Pad, Estimate]]
"""Warm-up by run, carried."""

POINTS = 61
"""Points of a curve on the page."""
STRIP_POINTS = 501


def by_lot(members: Sequence[Judged], number: Callable[[Judged], Estimate | None],
           ) -> dict[str, list[Estimate]]:
    """A number (or a curve) of each pad by lot; pads of which it is not known are left out."""
    return _averaged((one.fit.pad.lot, one.pad_key, estimate) for one in members
                     if (estimate := number(one)) is not None)


def _averaged(found: Iterable[tuple[str, str, Estimate]]) -> dict[str, list[Estimate]]:
    """Repeat runs of one pad averaged, on the log scale where the number is positive."""
    runs: dict[str, dict[str, list[Estimate]]] = defaultdict(lambda: defaultdict(list))
    for lot, pad, estimate in found:
        runs[lot][pad].append(estimate)
    log = all(_is_positive(e) for pads in runs.values() for group in pads.values() for e in group)
    return {lot: [average(pads[pad], log=log) for pad in sorted(pads)] for lot, pads in sorted(runs.items())}


def _is_positive(estimate: Estimate) -> bool:
    """A curve counts by its end: positions begin at 0."""
    return bool(np.asarray(estimate.value).flat[-1] > 0)


def mean_of_lots(lots: Lots) -> Quantity | None:
    """A stock's number with its interval; None where no pad has it."""
    if not lots:
        return None
    log = all(_is_positive(e) for pads in lots.values() for e in pads)
    return stock_mean(lots, log=log).quantity(positive=log)


def stock_row(
    name: str, members: Sequence[Judged], *, drifts: Lots | None, stand: Standing | None,
    apart: set[tuple[str, str]], warm_ups: WarmUps, at: Setting, limit_mm: float, has_service: bool,
    rank: int, thinning: ServiceLoss | None = None,
) -> StockRow:
    """One stock's row; ``drifts`` is None where no pad was pressed hard enough for this touch."""
    ranked = [j for j in members if j.numbers.drift is not None]
    shown = ranked or list(members)
    drift = mean_of_lots(drifts) if drifts else None
    pads = {(j.fit.pad.lot, j.pad_key) for j in shown}
    lots = sorted({lot for lot, _ in pads})
    warm_up = _warm_up_of(name, warm_ups)
    has_hold = all(j.numbers.has_hold for j in shown)
    missing = [] if has_hold else ["hold"]
    missing += [] if warm_up is not None else ["warm_up"]
    missing += [] if thinning is not None else ["thinning"]
    missing += [] if has_service else ["service"]
    placed = stand if drifts else None
    return StockRow(
        rank=rank if drifts else None, material=name, material_class=members[0].fit.pad.material_class,
        lots=len(lots), pads=len(pads), drift_play_p95_mm=drift,
        drift_total_p95_mm=None if thinning is None or warm_up is None or not drifts else mean_of_lots(
            by_lot(ranked, lambda j: total_of(j, at, thinning, warm_up))),
        includes=("give", "hold") if has_hold else ("give",), missing=tuple(missing),
        give_mm=mean_of_lots(by_lot(shown, lambda j: j.numbers.give)),
        hold_mm=mean_of_lots(by_lot(shown, lambda j: j.numbers.hold)),
        warm_up_mm=warm_up, thinning_mm=None if thinning is None else thinning.at_end,
        play_band_mm=mean_of_lots(by_lot(shown, lambda j: j.numbers.band)),
        loss_fraction=mean_of_lots(by_lot(shown, stock_loss)),
        letters=placed.letters[name] if placed else "",
        probability_best=placed.probability_best[name] if placed else None,
        verdict=verdict_of(drift, limit_mm),
        marks=(*stock_marks(name, shown, lots, apart, warm_up), *(thinning.marks if thinning else ())),
        lot_rows=tuple(
            LotRow(lot, len(drifts[lot]), float(mean.value), (name, lot) in apart)
            for lot, mean in lot_means(drifts).items()) if drifts else (),
        position=_position_curve(shown, at), creep=_creep_curve(shown, at),
        test_force_needed_n=None if drifts else needed_on_test_pad(members, at.face),
        method=shown[0].method, formula=_by_formula(shown),
        replayed_warm_up_mm=mean_of_lots(by_lot(shown, lambda j: j.replayed_warm_up)),
        strip=_strip(shown, at),
    )


def one_method(judged: Sequence[Judged]) -> list[Judged]:
    """A stock is replayed where all its ranked pads can be; else all of it stands by the formula."""
    rows = []
    for one in judged:
        pads = [j for j in judged if j.fit.pad.material == one.fit.pad.material]
        left = sum(1 for j in pads if j.replay is None)
        rows.append(one if left == 0 or one.replay is None else one.by_formula(
            f"{left} of the stock's {len(pads)} runs cannot be replayed, so all of it stands by the formula"))
    return rows


def _by_formula(members: Sequence[Judged]) -> ByFormula | None:
    """The formula's numbers beside those of a replay."""
    beside = [(j, j.formula) for j in members if j.formula is not None]
    if not beside:
        return None

    def mean(of: Callable[[PadDrift], Estimate | None]) -> Quantity | None:
        return mean_of_lots(by_lot(members, lambda j: None if j.formula is None else of(j.formula)))

    return ByFormula(mean(lambda f: f.drift), mean(lambda f: f.give), mean(lambda f: f.hold),
                     mean(lambda f: f.band))


def _strip(members: Sequence[Judged], at: Setting) -> PlayStrip | None:
    """The same ten seconds of playing through the stock: the mean of its pads, each from its home."""
    history = at.history
    found = [j.replay for j in members if j.replay is not None]
    if history is None or not found:
        return None
    part = slice(*history.strip)
    time = history.time_s[part] - history.time_s[part][0]
    even = np.linspace(0.0, STRIP_S, STRIP_POINTS)
    net = np.interp(even, time, history.net_n[part])
    away = np.interp(even, time, np.mean([r.position_mm[part] - r.home_mm for r in found], axis=0))
    return PlayStrip(even, net, np.where(net >= F0_N, away, np.nan))


def stock_loss(one: Judged) -> Estimate | None:
    """Share of the work of a press that is not given back."""
    hysteresis = one.fit.hysteresis
    if hysteresis is None or hysteresis.loss_fraction is None:
        return None
    return from_quantity(hysteresis.loss_fraction)


def _warm_up_of(name: str, warm_ups: WarmUps) -> Quantity | None:
    mine = [both for _, both in sorted(warm_ups.items()) if both[0].material == name]
    return mean_of_lots(_averaged((pad.lot, pad.id, estimate) for pad, estimate in mine))


def verdict_of(drift: Quantity | None, limit_mm: float) -> str:
    """Within or beyond only if the whole interval is; two-sided 95 %."""
    if drift is None or drift.low is None or drift.high is None:
        return "undecided"
    return "within" if drift.high < limit_mm else "beyond" if drift.low > limit_mm else "undecided"


def stock_marks(name: str, members: Sequence[Judged], lots: Sequence[str], apart: set[tuple[str, str]],
                 warm_up: Quantity | None) -> tuple[Mark, ...]:
    """The stock's own marks, and one of each that its pads carry, with the pads named."""
    found = []
    if len(lots) == 1:
        found.append(mark("one_lot", name))
    elif len(lots) == 2:
        found.append(mark("few_lots", name))
    for lot in lots:
        if (name, lot) in apart:
            found.append(mark("lot_apart", f"lot {lot}",
                              f"lot {lot} stands apart from the stock's other lots"))
    if warm_up is None:
        found.append(mark("no_warm_up", name))
    carried: dict[tuple[str, str], set[str]] = defaultdict(set)
    for one in members:
        for m in one.marks:
            carried[m.code, m.message].add(f"{one.pad_key} of {one.fit.pad.lot}")
    pads = len({(j.fit.pad.lot, j.pad_key) for j in members})
    for (code, message), about in sorted(carried.items()):
        found.append(mark(code, "all pads" if len(about) == pads > 1 else "pads " + ", ".join(sorted(about)),
                          message))
    return tuple(found)


def _position_curve(members: Sequence[Judged], at: Setting) -> PositionCurve | None:
    end, holding_n = end_of(members), at.holding_n
    if at.strokes.stop == "up":
        end = min(end, holding_n)
    if end <= F0_N:
        return None
    net = np.geomspace(2 * F0_N, end + F0_N, POINTS) - F0_N
    net[0], net[-1] = F0_N, end
    lots = by_lot(members, lambda j: j.position(net))
    mean = stock_mean(lots, log=True)
    low, high = mean.band()
    finger = net + holding_n if at.strokes.stop == "down" else holding_n - net
    turn = slice(None, None, 1 if at.strokes.stop == "down" else -1)
    return PositionCurve(finger[turn], np.asarray(mean.value)[turn], low[turn], high[turn])


def _creep_curve(members: Sequence[Judged], at: Setting) -> CreepCurve | None:
    """From 1 s to a decade past the shortest hold that was recorded, and no farther."""
    holding = [j for j in members if j.sinking(at.strokes.set_net_n, np.ones(1)) is not None]
    if not holding:
        return None
    measured = min(j.fit.creep.measured_to_s for j in holding if j.fit.creep is not None)
    if not measured > 1:
        return None
    recorded = np.geomspace(1, measured, 31)
    time_s = np.concatenate([recorded, np.geomspace(recorded[-1], 10 * measured, 16)[1:]])
    lots = by_lot(holding, lambda j: j.sinking(at.strokes.set_net_n, time_s))
    mean = stock_mean(lots, log=True)
    low, high = mean.band()
    return CreepCurve(time_s, np.asarray(mean.value), low, high, np.arange(time_s.size) >= recorded.size)
