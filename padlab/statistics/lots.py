"""Pads within lots within stocks: how much lots differ, and whether one stands apart.

Values here are on whatever scale the caller works on; for drift that is the logarithm.

>>> between, within = variance_components([[46, 50, 48, 52], [55, 53, 57, 51], [49, 47, 45, 51]])
>>> round(between, 3), round(within, 3)
(8.667, 6.667)
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from padlab.statistics.quantity import t95

APART_AT_LEAST = math.log(1.15)
"""A lot stands apart only if it differs by more than 15 % as well: less does not matter at the bench."""


def variance_components(lots: Sequence[Sequence[float]]) -> tuple[float, float | None]:
    """Variance between lots and between pads of one lot, by the one-way analysis of variance.

    Parameters
    ----------
    lots : sequence of sequences
        The values of each lot's pads; at least two lots.

    Returns
    -------
    between, within : float, float or None
        ``within`` is None where no lot has two pads; then ``between`` holds both.

    Notes
    -----
    s2_within = MSW, s2_between = max(0, (MSL - MSW)/n0), n0 = (N - sum n_i^2/N)/(m - 1): the usual
    estimator for unbalanced groups; n0 = n where all lots have n pads.
    """
    sizes = np.array([len(lot) for lot in lots], dtype=float)
    means = np.array([np.mean(lot) for lot in lots])
    total, m = sizes.sum(), len(lots)
    grand = float(np.sum(sizes * means) / total)
    n0 = float((total - np.sum(sizes**2) / total) / (m - 1))
    mean_square_lots = float(np.sum(sizes * (means - grand) ** 2) / (m - 1))
    if total == m:
        return mean_square_lots, None
    within = sum(float(np.sum((np.asarray(lot) - np.mean(lot)) ** 2)) for lot in lots) / float(total - m)
    return max(0.0, (mean_square_lots - within) / n0), within


def pooled_within(groups: Sequence[Sequence[float]]) -> tuple[float | None, int]:
    """Pooled standard deviation within groups and its degrees of freedom; None with none."""
    df = sum(len(g) - 1 for g in groups)
    if df < 1:
        return None, 0
    squares = sum(float(np.sum((np.asarray(g, dtype=float) - np.mean(g)) ** 2)) for g in groups)
    return math.sqrt(squares / df), df


def lots_apart(stocks: Mapping[str, Mapping[str, Sequence[float]]]) -> set[tuple[str, str]]:
    """The lots that stand apart from their stock's other lots, as ``(stock, lot)``.

    Parameters
    ----------
    stocks : mapping of mappings
        For each stock and lot the log values of its pads.

    Notes
    -----
    A lot stands apart when its mean differs from the mean of the pads of the other lots by more
    than t(.975; df) s sqrt(1/n1 + 1/n2), s = pooled pad-within-lot sd of all stocks, and by more
    than 15 %. One bad lot pulls the mean that the good ones are held against, so the farthest lot
    is taken out first and the rest are judged without it. Of two lots nobody can say which is the
    odd one: both are named. (padlab's own rule.)
    """
    s, df = pooled_within([pads for lots in stocks.values() for pads in lots.values()])
    if s is None:
        return set()
    found: set[tuple[str, str]] = set()
    for stock, lots in stocks.items():
        left = {lot: np.asarray(pads, dtype=float) for lot, pads in sorted(lots.items())}
        while len(left) > 1:
            excess = {lot: _excess(lot, left, s, df) for lot in left}
            farthest = max(excess, key=lambda lot: excess[lot])
            if excess[farthest] <= 0:
                break
            if len(left) == 2:
                found |= {(stock, lot) for lot in left}
                break
            found.add((stock, farthest))
            del left[farthest]
    return found


def _excess(lot: str, lots: Mapping[str, np.ndarray], s: float, df: int) -> float:
    """How far the lot's distance from the others goes over its allowance."""
    own = lots[lot]
    others = np.concatenate([pads for name, pads in lots.items() if name != lot])
    allowance = t95(df) * s * math.sqrt(1 / own.size + 1 / others.size)
    return abs(float(own.mean() - others.mean())) - max(allowance, APART_AT_LEAST)


@dataclass(frozen=True)
class NextPad:
    """What the next pad will be: middle, standard uncertainty of one new pad, its degrees of freedom.

    ``u`` is None where nothing says how pads scatter. ``knows_lots`` says whether the scatter between lots
    is in it: not where one lot is all there is.
    """

    value: float
    u: float | None
    degrees_of_freedom: float
    knows_lots: bool


def next_pad(lots: Mapping[str, Sequence[float]], *, lot: str | None = None) -> NextPad:
    """A pad that nobody has tested, of a lot that was (``lot``) or of a new one.

    Notes
    -----
    Of a tested lot: the lot's own mean and s sqrt(1 + 1/n), s = standard deviation within lots, pooled over
    the stock's lots. Of a new lot: mean of the m lot means, variance S2 (1 + 1/m) + s2 (1 - mean of 1/n),
    S2 = variance of the lot means, which holds lots and 1/n of the pads; Satterthwaite's degrees of freedom.
    Both are unbiased for balanced lots, and nothing is cut off at 0.

    >>> known = next_pad({"a": [1.0, 1.2], "b": [2.0, 2.2]}, lot="b")
    >>> round(known.value, 3), round(known.u, 4), known.degrees_of_freedom
    (2.1, 0.1732, 2)
    >>> new = next_pad({"a": [1.0, 1.2], "b": [2.0, 2.2]})
    >>> round(new.value, 3), round(new.u, 4), round(new.degrees_of_freedom, 3)
    (1.6, 0.8718, 1.027)
    """
    groups = {name: np.asarray(pads, dtype=float) for name, pads in sorted(lots.items()) if len(pads)}
    s, df = pooled_within([pads.tolist() for pads in groups.values()])
    if lot is not None and lot in groups and s is not None:
        own = groups[lot]
        return NextPad(float(own.mean()), s * math.sqrt(1 + 1 / own.size), df, True)
    means = np.array([pads.mean() for pads in groups.values()])
    m = means.size
    if m == 1:
        only = next(iter(groups.values()))
        return NextPad(float(means[0]), None if s is None else s * math.sqrt(1 + 1 / only.size), df, False)
    between = float(means.var(ddof=1)) * (1 + 1 / m)
    within = 0.0 if s is None else s * s * float(np.mean([1 - 1 / pads.size for pads in groups.values()]))
    total = between + within
    below = between**2 / (m - 1) + (within**2 / df if df else 0.0)
    value = float(groups[lot].mean()) if lot is not None and lot in groups else float(means.mean())
    return NextPad(value, math.sqrt(total), total**2 / below if below > 0 else math.inf, True)
