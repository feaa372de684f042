"""Pads within places within sheets: how much each level adds, and what a mean over sheets is worth.

Pads of one sheet resemble each other. Ten pads of one sheet then say less of the lot than ten pads of
ten sheets, and the spread within a sheet is not the spread of the lot.

>>> s = sheet_spread({"1": [10.0, 11.0, 9.0], "2": [14.0, 15.0, 13.0], "3": [12.0, 13.0, 11.0]})
>>> round(s.between, 3), round(s.within, 3), round(s.mean_n, 2)
(3.667, 1.0, 3.5)
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from padlab.statistics.lots import variance_components


@dataclass(frozen=True)
class SheetSpread:
    """A lot's mean and spread from several sheets.

    ``sd`` is that of one pad of the lot; the mean's variance is sd^2/``mean_n``.
    """

    mean: float
    sd: float
    mean_n: float
    degrees_of_freedom: float
    between: float
    within: float


def sheet_spread(sheets: Mapping[str, Sequence[float]]) -> SheetSpread:
    """Nested variance over at least two sheets, one of them with two pads.

    Notes
    -----
    Analysis of variance, one way: within = MSW, between = max(0, (MSB - MSW)/n0). The lot's variance is
    their sum; its degrees of freedom by Satterthwaite, of MSB/n0 and MSW (1 - 1/n0). The mean is that of
    the sheets' means, its variance between/m + within * mean(1/n_i)/m. Where the sheets do not differ
    (between = 0) the pads are one sample. (Searle, Casella & McCulloch, Variance Components, 1992, 3.6.)
    """
    groups = [np.asarray(v, dtype=float) for _, v in sorted(sheets.items())]
    total, m = sum(g.size for g in groups), len(groups)
    between, within_or_none = variance_components([g.tolist() for g in groups])
    everything = np.concatenate(groups)
    if between <= 0 or within_or_none is None:
        sd = float(everything.std(ddof=1))
        return SheetSpread(float(everything.mean()), sd, total, total - 1, max(between, 0.0),
                           sd * sd if within_or_none is None else within_or_none)
    within = within_or_none
    n0 = (total - sum(g.size**2 for g in groups) / total) / (m - 1)
    msb = within + n0 * between
    parts = ((msb / n0, m - 1), (within * (1 - 1 / n0), total - m))
    variance = between + within
    df = variance**2 / sum(v * v / d for v, d in parts)
    mean_variance = (between + within * float(np.mean([1 / g.size for g in groups]))) / m
    return SheetSpread(float(np.mean([g.mean() for g in groups])), math.sqrt(variance),
                       variance / mean_variance, df, between, within)


def nested_components(values: Sequence[float], outer: Sequence[str], inner: Sequence[str],
                      ) -> tuple[float, float, float]:
    """Variances between outer groups, between inner ones within an outer, and within inner ones.

    Analysis of variance with two nested levels, unequal sizes allowed (Searle, Casella & McCulloch 1992,
    5.6); a variance that comes out below nothing is 0. ``inner`` names count within their outer one.
    """
    y = np.asarray(values, dtype=float)
    cells: dict[str, dict[str, list[float]]] = {}
    for value, one, part in zip(y, outer, inner, strict=True):
        cells.setdefault(one, {}).setdefault(part, []).append(float(value))
    n, a = y.size, len(cells)
    b = sum(len(c) for c in cells.values())
    grand = float(y.mean())
    outer_n = {k: sum(len(v) for v in c.values()) for k, c in cells.items()}
    outer_mean = {k: float(np.mean([x for v in c.values() for x in v])) for k, c in cells.items()}
    ss_outer = sum(outer_n[k] * (outer_mean[k] - grand) ** 2 for k in cells)
    ss_inner = sum(len(v) * (float(np.mean(v)) - outer_mean[k]) ** 2 for k, c in cells.items()
                   for v in c.values())
    ss_within = sum(float(np.sum((np.array(v) - np.mean(v)) ** 2)) for c in cells.values()
                    for v in c.values())
    squares = sum(len(v) ** 2 for c in cells.values() for v in c.values())
    per_outer = sum(sum(len(v) ** 2 for v in c.values()) / outer_n[k] for k, c in cells.items())
    within = ss_within / (n - b)
    inner_n0 = (n - per_outer) / (b - a)
    middle = max(0.0, (ss_inner / (b - a) - within) / inner_n0)
    c1 = (per_outer - squares / n) / (a - 1)
    c2 = (n - sum(v * v for v in outer_n.values()) / n) / (a - 1)
    top = max(0.0, (ss_outer / (a - 1) - within - c1 * middle) / c2)
    return top, middle, within
