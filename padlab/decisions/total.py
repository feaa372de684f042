"""Drift over a whole service: play, the first presses of a day, and the loss of thickness, all together.

Loss goes one way and adds to the position; it is never joined in quadrature. Any moment of the service is as
likely as any other, and so is any of the first fifty presses of a day, through which a rested pad works in.

>>> away = np.array([-0.05, 0.0, 0.05])
>>> round(together_mm(away, loss_mm=np.full(3, 0.1), warm_up_mm=0.0, presses_a_day=2000), 4)
0.15
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from padlab.decisions.judged import Judged, Setting, creep_of
from padlab.drift.life import StockLife
from padlab.drift.position import along, creep_factor, creep_from_tenth
from padlab.fitting.wear import FARTHEST
from padlab.marks import Mark, mark
from padlab.statistics.estimate import Estimate
from padlab.statistics.lifetimes import new_pad
from padlab.statistics.quantity import Quantity, t95

Array = NDArray[np.float64]

STEPS = 41
"""Moments of the service."""
QUANTILES = 400
"""Points that stand for the touch: its tail beyond the 95th percentile holds 20 of them."""
WARM_UP_PRESSES = 50
WARM_UP_STEPS = 5
SMALL = 0.02


@dataclass(frozen=True)
class ServiceLoss:
    """What the middle of a stock loses over a service: at evenly spread moments, and at its end."""

    loss_mm: Array                       # (STEPS,)
    at_end: Quantity
    presses_a_day: float
    marks: tuple[Mark, ...]


def service_loss(life: StockLife, *, years: float, presses_a_day: float) -> ServiceLoss | None:
    """The loss of a stock over so many years; None where it would be carried too far, or has no interval."""
    moving = [p for p in life.pads if p.verdict is not None]
    end = years * life.per_year
    last = min((p.reach.last_reading for p in moving), default=0.0)
    if end > FARTHEST * last:
        return None
    moments = end * (np.arange(STEPS) + 0.5) / STEPS
    by_lot: dict[str, list[Array]] = {}
    for p in moving:
        by_lot.setdefault(p.lot, []).append(np.log(np.maximum(p.path_mm(np.r_[moments, end]), 1e-9)))
    middle = np.exp(np.mean([np.mean(lot, axis=0) for lot in by_lot.values()], axis=0))
    doubt = new_pad({lot: [float(path[-1]) for path in some] for lot, some in by_lot.items()})
    if doubt.centre_low95 is None or doubt.centre_high95 is None:
        return None
    found = [mark("thinning_elsewhere", life.material)]
    if end > last:
        found.append(mark("extrapolated", "thinning",
                          f"thinning after {years:g} years lies beyond the readings"))
    return ServiceLoss(middle[:-1], Quantity(float(middle[-1]), math.exp(doubt.centre_low95),
                                             math.exp(doubt.centre_high95)), presses_a_day, tuple(found))


def service_losses(lives: Sequence[StockLife], service: Mapping[str, float]) -> dict[str, ServiceLoss]:
    """By stock, where it can be told."""
    years, presses = service["years"], service["strokes_per_day"]
    found = {life.material: service_loss(life, years=years, presses_a_day=presses) for life in lives}
    return {name: loss for name, loss in found.items() if loss is not None}


def together_mm(away_mm: Array, *, loss_mm: Array, warm_up_mm: float, presses_a_day: float) -> float:
    """95th percentile of the distance from home (the new, worked-in pad's) [mm].

    ``away_mm`` (n,): positions less home, each as likely; ``loss_mm`` (m,) likewise. A rested pad stands up
    to ``warm_up_mm`` higher at the first press of a day and comes down over fifty.
    """
    share = min(WARM_UP_PRESSES / presses_a_day, 1.0)
    fresh = -warm_up_mm * (1 - (np.arange(WARM_UP_STEPS) + 0.5) / WARM_UP_STEPS)
    offsets = np.r_[0.0, fresh]
    weights = np.r_[1 - share, np.full(WARM_UP_STEPS, share / WARM_UP_STEPS)]
    if warm_up_mm == 0.0:
        # The first presses of a day stand where all others do: a sixth as many places to sort.
        ordered = np.repeat(np.sort(np.abs(away_mm[:, None] + loss_mm), axis=None), weights.size)
        below = np.cumsum(np.tile(weights, away_mm.size * loss_mm.size))
    else:
        distance = np.abs(away_mm[:, None, None] + loss_mm[None, :, None] + offsets)
        order = np.argsort(distance, axis=None)
        ordered = distance.ravel()[order]
        below = np.cumsum(np.broadcast_to(weights, distance.shape).ravel()[order])
    at = int(np.searchsorted(below, 0.95 * below[-1]))
    return float(ordered[min(at, ordered.size - 1)])


def away_mm(one: Judged, at: Setting) -> Array:
    """Where a pad stands under the touch, from home: (QUANTILES,) values, each as likely."""
    if one.replay is not None and at.history is not None:
        away = one.replay.position_mm[at.history.ends] - one.replay.home_mm
    else:
        c, _ = creep_of(one.fit)
        creep = 0.0 if c is None else creep_from_tenth(c)
        curves, strokes = one.carried.curves, at.coarse
        position = along(curves, curves.position_mm, strokes.net_n)[:, None]
        home = along(curves, curves.position_mm, np.array([strokes.set_net_n]))[0]
        away = (position * creep_factor(creep, strokes.hold_s)
                - home * creep_factor(creep, strokes.set_hold_s))
    return np.asarray(np.quantile(away, (np.arange(QUANTILES) + 0.5) / QUANTILES))


def total_of(one: Judged, at: Setting, loss: ServiceLoss, warm_up: Quantity | None, *, share: float = 0.0,
             ) -> Estimate | None:
    """Total drift of one pad with its doubts; those of loss and warm-up are the stock's, shared.

    ``share`` of the loss at the end was added to the cut: the new pad stands so much off home. Without
    ``warm_up`` the first presses of a day are not in it.
    """
    drift, of_loss = one.numbers.drift, _relative(loss.at_end)
    of_warm_up = 0.0 if warm_up is None else _relative(warm_up)
    if drift is None or not float(drift.value) > 0 or of_loss is None or of_warm_up is None:
        return None
    away, added = away_mm(one, at), share * loss.at_end.value
    warms = 0.0 if warm_up is None else warm_up.value

    def total(play: float = 1.0, lost: float = 1.0, warm: float = 1.0) -> float:
        return together_mm(play * away, loss_mm=lost * loss.loss_mm - added, warm_up_mm=warm * warms,
                           presses_a_day=loss.presses_a_day)

    value = total()
    by_play = (total(play=1 + SMALL) - value) / (SMALL * float(drift.value))
    stock = one.fit.pad.material
    shared = {name: by_play * float(shift) for name, shift in drift.shared.items()}
    shared[f"thinning: {stock}"] = (total(lost=1 + SMALL) - value) / SMALL * of_loss
    shared[f"warm-up: {stock}"] = ((total(warm=1 + SMALL) - value) / SMALL * of_warm_up
                                   if warm_up is not None else 0.0)
    return replace(drift, value=value, own=abs(by_play) * float(drift.own), shared=shared)


def _relative(q: Quantity) -> float | None:
    """Relative standard uncertainty that a 95 % interval stands for; None where there is none."""
    if q.low is None or q.high is None or q.value == 0:
        return None
    wide = math.log(q.high / q.low) if q.low > 0 else (q.high - q.low) / abs(q.value)
    return wide / (2 * t95(math.inf))


