"""Lots within stocks: means with their doubt, and which stocks are told apart.

Everything is on the log scale, where a stock that drifts twice as far is as much worse at 20 um as at 200.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from padlab.statistics.estimate import (
    Estimate,
    average,
    average_with_scatter,
    shared_difference,
    welch_satterthwaite,
)
from padlab.statistics.lots import pooled_within
from padlab.statistics.quantity import Quantity
from padlab.statistics.tukey import (
    compact_letters,
    probability_smallest,
    simultaneous_half_width,
    variances_differ,
)

Lots = Mapping[str, Sequence[Estimate]]
"""A stock's pads by lot; repeat runs of one pad are averaged before."""


@dataclass(frozen=True)
class Pair:
    """Two stocks; the difference is a minus b, its interval holds for all pairs at once."""

    a: str
    b: str
    difference: Quantity
    told_apart: bool


@dataclass(frozen=True)
class Standing:
    """How the stocks stand to each other.

    ``order`` is best first; ``replication`` is lot, pad or measurement; ``spread_rule`` is pooled
    (Tukey), separate (Games-Howell) or none; ``smallest_difference`` is from the best stock.
    """

    order: tuple[str, ...]
    letters: dict[str, str]
    probability_best: dict[str, float | None]
    pairs: tuple[Pair, ...]
    smallest_difference: float | None
    replication: str
    spread_rule: str


def stock_mean(lots: Lots, *, log: bool = True) -> Estimate:
    """Mean of a stock over its lots, its own doubt from the scatter of the lot means.

    One lot: the scatter of its pads speaks, and only for these pads. One pad: its own doubt.
    """
    means = lot_means(lots, log=log)
    if len(means) > 1:
        return average_with_scatter(list(means.values()), log=log)
    return average_with_scatter(next(iter(lots.values())), log=log)


def lot_means(lots: Lots, *, log: bool = True) -> dict[str, Estimate]:
    """Mean of each lot over its pads, sorted by the lot's name."""
    return {lot: average(lots[lot], log=log) for lot in sorted(lots)}


def standing(stocks: Mapping[str, Lots]) -> Standing:
    """Order the stocks and tell apart those that differ.

    Notes
    -----
    Unit of replication: the lot mean, if all lots together leave at least two degrees of freedom;
    else the pad (then this ranks these pads, not the stock); else each pad's own measurement.
    The scatter of the units is pooled over the stocks (Tukey-Kramer), unless Bartlett's test at
    5 % says that it differs: then each pair has its own (Games-Howell). Scatter never counts as
    less than the measurement's own doubt. What the rig adds to both stocks alike cancels; what is
    left of it widens the interval in quadrature.
    """
    means = {name: stock_mean(stocks[name]) for name in sorted(stocks)}
    order = sorted(means, key=lambda name: (float(means[name].value), name))
    units, replication = _units(stocks)
    spread = _Spread.of({name: units[name] for name in order}, replication)

    k = len(order)
    half = np.zeros((k, k))
    pairs = []
    for i, a in enumerate(order):
        for j in range(i + 1, k):
            b = order[j]
            half[i, j] = half[j, i] = _half_width(means[a], means[b], spread, a, b, k)
            pairs.append(_pair(a, b, means, float(half[i, j])))
    apart = np.zeros((k, k), dtype=bool)
    for pair in pairs:
        i, j = order.index(pair.a), order.index(pair.b)
        apart[i, j] = apart[j, i] = pair.told_apart
    letters = compact_letters([[bool(cell) for cell in row] for row in apart])
    chances: list[float | None] = [None]
    smallest = None
    if k > 1:
        chances = list(_chances(order, means, spread))
        smallest = float(means[order[0]].value) * math.expm1(float(half[0, 1:].min()))
    return Standing(
        order=tuple(order), letters=dict(zip(order, letters, strict=True)),
        probability_best=dict(zip(order, chances, strict=True)), pairs=tuple(pairs),
        smallest_difference=smallest, replication=replication, spread_rule=spread.rule if k > 1 else "none",
    )


@dataclass(frozen=True)
class _Spread:
    """Standard uncertainty of each stock's log mean from scatter, with degrees of freedom."""

    rule: str
    uncertainty: dict[str, float]
    df: dict[str, float]
    pooled_df: float | None

    @classmethod
    def of(cls, units: Mapping[str, Sequence[Estimate]], replication: str) -> _Spread:
        logs = {name: [math.log(float(u.value)) for u in group] for name, group in units.items()}
        own = {name: average(group, log=True) for name, group in units.items()}
        own_u = {name: float(e.own) / float(e.value) for name, e in own.items()}
        own_df = {name: float(e.own_df) for name, e in own.items()}
        if replication == "measurement":
            return cls("none", own_u, own_df, None)
        sd, pooled_df = pooled_within(list(logs.values()))
        rule = "separate" if variances_differ(list(logs.values())) else "pooled"
        uncertainty, df = {}, {}
        for name, group in logs.items():
            if rule == "separate" and len(group) > 1:
                scatter, scatter_df = float(np.std(group, ddof=1)), float(len(group) - 1)
            else:
                scatter, scatter_df = sd or 0.0, float(pooled_df)
            scatter /= math.sqrt(len(group))
            larger = scatter >= own_u[name]
            uncertainty[name] = scatter if larger else own_u[name]
            df[name] = scatter_df if larger else own_df[name]
        whole = rule == "pooled" and all(value == pooled_df for value in df.values())
        return cls(rule, uncertainty, df, float(pooled_df) if whole else None)


def _units(stocks: Mapping[str, Lots]) -> tuple[dict[str, list[Estimate]], str]:
    by_lot = {name: list(lot_means(lots).values()) for name, lots in stocks.items()}
    if sum(len(group) - 1 for group in by_lot.values()) >= 2:
        return by_lot, "lot"
    by_pad = {name: [pad for lot in sorted(lots) for pad in lots[lot]] for name, lots in stocks.items()}
    if sum(len(group) - 1 for group in by_pad.values()) >= 2:
        return by_pad, "pad"
    return by_pad, "measurement"


def _half_width(a: Estimate, b: Estimate, spread: _Spread, name_a: str, name_b: str, k: int) -> float:
    u_a, u_b = spread.uncertainty[name_a], spread.uncertainty[name_b]
    df = spread.pooled_df
    if df is None:
        df = float(welch_satterthwaite([(u_a, spread.df[name_a]), (u_b, spread.df[name_b])]))
    scatter = simultaneous_half_width(math.hypot(u_a, u_b), groups=k, degrees_of_freedom=df)
    rig = simultaneous_half_width(float(shared_difference(a, b, log=True)), groups=k,
                                  degrees_of_freedom=math.inf)
    return math.hypot(scatter, rig)


def _pair(a: str, b: str, means: Mapping[str, Estimate], half: float) -> Pair:
    """The difference in mm of a log difference d +- half: a - b = 2 sqrt(ab) sinh(d/2).

    The map keeps 0 at 0, so the interval in mm holds 0 exactly when the one of the ratio holds 1.
    """
    value_a, value_b = float(means[a].value), float(means[b].value)
    middle, d = math.sqrt(value_a * value_b), math.log(value_a / value_b)
    low, high = (2 * middle * math.sinh(max(min((d + s) / 2, 50.0), -50.0)) for s in (-half, half))
    return Pair(a, b, Quantity(value_a - value_b, low, high), abs(d) > half)


def _chances(order: Sequence[str], means: Mapping[str, Estimate], spread: _Spread) -> list[float]:
    """How likely each stock is the best; an error that shifts all stocks alike moves nobody's rank."""
    names = sorted({source for name in order for source in means[name].shared})
    shifts = np.array([[float(means[name].shared.get(source, 0.0)) / float(means[name].value)
                        for source in names] for name in order]).reshape(len(order), len(names))
    rest = np.sqrt(np.sum((shifts - shifts.mean(axis=0)) ** 2, axis=1))
    u = [math.hypot(spread.uncertainty[name], float(r)) for name, r in zip(order, rest, strict=True)]
    df = [float(welch_satterthwaite([(spread.uncertainty[name], spread.df[name]), (float(r), math.inf)]))
          for name, r in zip(order, rest, strict=True)]
    return probability_smallest([math.log(float(means[name].value)) for name in order], u, df)
