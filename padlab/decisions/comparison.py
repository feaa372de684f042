"""Stocks side by side: how far each lets the valve drift under the finger, and how sure that is.

Takes the fits of all runs and a player's touch; gives one :class:`Comparison`, which knows
everything a page or a script needs: the ranking, who is told apart from whom, the curves behind
it, what every number came from, and what was left out and why.

    fits -> which can be ranked -> one face, one thickness -> each pad under the touch
         -> pads within lots within stocks -> order, letters, pairs, verdicts

The lot is the unit of replication: three pads of one lot are one witness, not three.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence

import numpy as np

from padlab.decisions.groups import standing
from padlab.decisions.judged import (
    REPLAY,
    WARM_UP,
    Judged,
    Setting,
    commonest_face,
    from_quantity,
    judge,
    middle_thickness_mm,
    pad_row,
    setting,
    why_not,
)
from padlab.decisions.repeats import with_disagreements
from padlab.decisions.rows import (
    METHOD,
    CarriedTo,
    Comparison,
    CreepCurve,
    LotRow,
    PadRow,
    PairRow,
    PositionCurve,
    StockRow,
    TouchSummary,
    Unranked,
)
from padlab.decisions.stocks import WarmUps, by_lot, one_method, stock_row
from padlab.decisions.told_apart import rig_rows
from padlab.decisions.total import ServiceLoss
from padlab.drift.carry import Face
from padlab.drift.touch import RESTING_FINGER_N, TouchProfile, net_strokes
from padlab.errors import FitError, InputError
from padlab.fitting.results import RunFit
from padlab.marks import Mark, mark
from padlab.records.pad import Pad
from padlab.statistics.lots import lots_apart

__all__ = [
    "METHOD", "CarriedTo", "Comparison", "CreepCurve", "Face", "LotRow", "PadRow", "PairRow",
    "PositionCurve", "StockRow", "TouchSummary", "Unranked", "compare",
]

LIMIT_MM = 0.2032
"""A misalignment of 8 thou is clearly felt (common practice, no source)."""

NOT_BOTTOMED_CAUTION = 0.15
"""Over this share of strokes that do not reach the stop the comparison carries a caution."""


def compare(
    fits: Sequence[RunFit], touch: TouchProfile, *, limit_mm: float = LIMIT_MM,
    holding_n: float | None = None, face: Face | None = None, thickness_mm: float | None = None,
    stop: str = "down", service: Mapping[str, float] | None = None,
    not_fitted: Sequence[tuple[str, Pad, str]] = (), thinning: Mapping[str, ServiceLoss] | None = None,
) -> Comparison:
    """Rank stocks by drift in play.

    Parameters
    ----------
    fits : sequence of RunFit
        In any order; the answer does not depend on it.
    touch : TouchProfile
        The player.
    limit_mm : float
        Drift that is clearly felt.
    holding_n : float, optional
        Button force that keeps the piston about 1 mm off the stop; default as the touch says.
    face : Face, optional
        Loaded face at which all are compared; default the commonest tested.
    thickness_mm : float, optional
        Thickness under the usual press at which all are compared; default the median of the pads.
    stop : {"down", "up"}
        Which stop.
    service : mapping, optional
        ``years``, ``strokes_per_day``, ``days_per_week``: what the total drift is asked of.
    thinning : mapping, optional
        By stock what it loses over that service (:mod:`padlab.decisions.total`); without it, or without a
        warm-up, the total drift stays undetermined and the row says what is missing.
    not_fitted : sequence of (run, pad, reason)
        Runs that gave no fit; they are listed as left out.

    Raises
    ------
    InputError
        No run at all, two fits of one run, or a touch that does not reach the stop.
    """
    if not fits and not not_fitted:
        raise InputError("there is nothing to compare", expected="runs of kind pad", seen="none",
                         remedy="name a shelf with pad runs on it")
    fits = sorted(fits, key=lambda f: (f.pad.material, f.pad.lot, f.pad.id, f.run))
    twice = sorted(run for run, count in Counter(f.run for f in fits).items() if count > 1)
    if twice:
        raise InputError("a run came in twice", expected="each run once", seen=", ".join(twice))
    holding = touch.holding_n if holding_n is None else holding_n
    strokes = net_strokes(touch, stop=stop, holding_n=holding)

    faults = {f.run: why_not(f) for f in fits}
    usable = [f for f in fits if faults[f.run] is None]
    candidates = [f for f in usable if f.procedure != WARM_UP]
    basis = candidates or fits
    chosen = face or (commonest_face(basis) if basis else _face_of(not_fitted[0][1]))
    loaded = thickness_mm
    if loaded is None:
        loaded = middle_thickness_mm(candidates, face=chosen, strokes=strokes)
    at = setting(touch, stop=stop, holding_n=holding, face=chosen, loaded_mm=loaded,
                 can_replay=any(f.response is not None for f in candidates))

    judged: list[Judged] = []
    for fit in candidates:
        try:
            judged.append(judge(fit, at))
        except FitError as fault:
            faults[fit.run] = fault.message
    judged = with_disagreements(one_method(judged))
    warm_ups = _warm_ups(usable, judged, at)
    rows = _pad_rows(fits, judged, faults, warm_ups, not_fitted)

    by_stock: dict[str, list[Judged]] = defaultdict(list)
    for one in judged:
        by_stock[one.fit.pad.material].append(one)
    drifts = {name: lots for name, members in sorted(by_stock.items())
              if (lots := by_lot(members, lambda j: j.numbers.drift))}
    stand = standing(drifts) if drifts else None
    apart = lots_apart({name: {lot: [float(np.log(e.value)) for e in pads] for lot, pads in lots.items()}
                        for name, lots in drifts.items()})
    order = [*(stand.order if stand else ()), *(name for name in sorted(by_stock) if name not in drifts)]
    ranking = tuple(
        stock_row(name, by_stock[name], drifts=drifts.get(name), stand=stand, apart=apart,
                  warm_ups=warm_ups, at=at, limit_mm=limit_mm, has_service=bool(service), rank=rank,
                  thinning=(thinning or {}).get(name) if service else None)
        for rank, name in enumerate(order, start=1))
    beyond = [j.numbers.beyond_tested_share for j in judged]
    up = stop == "up"
    summary = TouchSummary(
        name=touch.name, stop=stop, median_n=RESTING_FINGER_N / 2 if up else touch.median_n,
        gsd=None if up else touch.gsd, hold_median_s=strokes.set_hold_s,
        hold_gsd=touch.hold_gsd, holding_n=holding, set_net_n=strokes.set_net_n,
        not_bottomed_share=strokes.not_bottomed_share,
        beyond_tested_share=max(beyond) if beyond else None, cut_off_share=strokes.cut_off_share)
    return Comparison(
        touch=summary,
        carried_to=CarriedTo(
            chosen.outer_mm, chosen.inner_mm, loaded,
            face_chosen_by="asked for" if face else "commonest face tested",
            thickness_chosen_by="asked for" if thickness_mm is not None
            else "not known" if loaded is None else "middle of the tested pads"),
        ranking=ranking, pads=rows,
        pairs=tuple(PairRow(p.a, p.b, p.difference, p.told_apart) for p in (stand.pairs if stand else ())),
        unranked=_unranked(rows, by_stock), limit_mm=limit_mm,
        smallest_difference_mm=stand.smallest_difference if stand else None,
        marks=_marks(summary, ranking), method=_method(ranking),
        replication=stand.replication if stand else "measurement",
        spread_rule=stand.spread_rule if stand else "none", service=dict(service) if service else None,
        rigs=rig_rows([j.fit for j in judged], order=order),
    )


def _face_of(pad: Pad) -> Face:
    return Face(pad.outer_diameter_mm, pad.inner_diameter_mm)


def _warm_ups(usable: Sequence[RunFit], judged: Sequence[Judged], at: Setting) -> WarmUps:
    """Warm-up by run, carried with the scale of the same pad's ranked run, or with its own."""
    scales = {(j.fit.pad.material, j.fit.pad.lot, j.fit.pad.id): j.carried.scale for j in judged}
    found: WarmUps = {}
    for fit in usable:
        if fit.warm_up_mm is None:
            continue
        scale = scales.get((fit.pad.material, fit.pad.lot, fit.pad.id))
        if scale is None:
            try:
                scale = judge(fit, at).carried.scale
            except FitError:
                scale = None        # no thickness for another face: its warm-up cannot be carried either
        if scale is not None:
            found[fit.run] = (fit.pad, from_quantity(fit.warm_up_mm, scale))
    return found


def _pad_rows(
    fits: Sequence[RunFit], judged: Sequence[Judged], faults: Mapping[str, str | None],
    warm_ups: WarmUps, not_fitted: Sequence[tuple[str, Pad, str]],
) -> tuple[PadRow, ...]:
    by_run = {j.fit.run: j for j in judged}
    rows = []
    for fit in fits:
        one, fault = by_run.get(fit.run), faults[fit.run]
        warm_up = warm_ups[fit.run][1] if fit.run in warm_ups else None
        if fault is not None:
            row = pad_row(fit, role="left out", reason=fault)
        elif one is None:
            row = pad_row(fit, role="warm-up", reason="gives the warm-up; not ranked",
                          warm_up=warm_up)
        elif one.numbers.drift is None:
            reason = next(m.message for m in one.marks if m.code == "not_tested_hard_enough")
            row = pad_row(fit, role="left out", reason=reason, judged=one, warm_up=warm_up)
        else:
            row = pad_row(fit, role="ranked", judged=one, warm_up=warm_up)
        rows.append(row)
    for run, pad, reason in sorted(not_fitted, key=lambda r: r[0]):
        rows.append(PadRow(
            run=run, pad=pad.id, material=pad.material, lot=pad.lot, drift_play_p95_mm=None, give_mm=None,
            hold_mm=None, used=False, marks=(mark("not_ranked", f"run {run}", reason),), role="left out",
            reason=reason, tested_outer_mm=pad.outer_diameter_mm, tested_inner_mm=pad.inner_diameter_mm))
    return tuple(sorted(rows, key=lambda row: (row.material, row.lot, row.pad, row.run)))


def _unranked(rows: Sequence[PadRow], by_stock: Mapping[str, Sequence[Judged]]) -> tuple[Unranked, ...]:
    """Stocks of which no run came through at all, with the reasons of their runs."""
    found = []
    for name in sorted({row.material for row in rows} - set(by_stock)):
        mine = [row for row in rows if row.material == name]
        reasons = sorted({row.reason for row in mine if row.role == "left out"})
        found.append(Unranked(name, "; ".join(reasons) or "only warm-up runs are on file",
                              tuple(row.run for row in mine)))
    return tuple(found)


def _method(ranking: Sequence[StockRow]) -> str:
    """A table is headed "replay" only if every row is."""
    return REPLAY if ranking and all(row.method == REPLAY for row in ranking) else METHOD


def _marks(touch: TouchSummary, ranking: Sequence[StockRow]) -> tuple[Mark, ...]:
    plain = [row.material for row in ranking if row.method != REPLAY]
    found = []
    if len(plain) == len(ranking):
        found.append(mark("formula", "method"))
    elif plain:
        found.append(mark("formula", ", ".join(plain)))
    if touch.not_bottomed_share > NOT_BOTTOMED_CAUTION:
        share = f"{touch.not_bottomed_share:.0%}"
        found.append(mark("not_bottomed", "touch", f"{share} of the strokes do not reach the stop; left out"))
    return tuple(found)
