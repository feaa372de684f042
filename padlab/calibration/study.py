"""How much of the scatter is the gauge's and the people's: a repeatability study by ANOVA.

Crossed: each person measures each part several times. Nested: each part can be measured by one
person only (a pad that testing changes); what the parts add cannot then be told from what a
person makes of them, part by part.

Intervals of the variance components and of what is made of them: each mean square stands for its
expectation times a chi-square; drawing the chi-squares many times from the observed mean squares
gives the generalised confidence interval (Weerahandi 1995; Hamada & Weaver 2000, from memory).
The draws have one seed: same table, same digits.

>>> y = np.array([[[48, 50], [49, 52]], [[55, 54], [57, 56]], [[62, 64], [63, 65]],
...               [[41, 40], [42, 44]], [[70, 71], [73, 72]]], float)
>>> found = crossed_study(y)
>>> round(found.gauge_share_percent.value, 3), found.distinct_categories, found.pooled
(13.96, 10, True)
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.errors import FitError
from padlab.marks import Mark, mark
from padlab.statistics.quantity import Quantity

Array = NDArray[np.float64]

POOL_OVER = 0.25
"""An interaction less significant than this joins the repeats (common practice in such studies)."""
DRAWS = 100_000
SEED = 20260704
CATEGORY = 1.41
"""Distinct categories = 1.41 sd(part)/sd(gauge): the usual rounded root of 2."""


@dataclass(frozen=True)
class Study:
    """Mean squares, variance components with 95 % intervals, and what follows for the gauge.

    Components are in the reading's unit squared; ``gauge`` is repeat + operator (+ interaction).
    """

    mean_squares: dict[str, float]
    degrees_of_freedom: dict[str, int]
    variance_components: dict[str, Quantity]
    gauge_share_percent: Quantity | None
    distinct_categories: int | None
    pooled: bool
    interaction_p: float | None
    marks: tuple[Mark, ...]

    @property
    def gauge_sd(self) -> float:
        """Standard deviation of the gauge and the people together, in the reading's unit."""
        return math.sqrt(self.variance_components["gauge"].value)


def arrange(part: list[str], operator: list[str], reading: Array, *, nested: bool) -> Array:
    """Readings sorted into (parts, operators, repeats), nested: (operators, parts of each, repeats).

    Raises
    ------
    FitError
        The study is not balanced; the message names the first cell that differs.
    """
    operators = sorted(set(operator))
    cells: dict[tuple[str, str], list[float]] = {}
    for p, o, y in zip(part, operator, reading.tolist(), strict=True):
        cells.setdefault((p, o), []).append(y)
    if nested:
        own = {o: sorted({p for p, who in cells if who == o}) for o in operators}
        counts = {len(parts) for parts in own.values()}
        if len(counts) != 1:
            raise _unbalanced("equally many parts for each operator",
                              ", ".join(f"{o}: {len(p)}" for o, p in own.items()))
        keys = [[(p, o) for p in own[o]] for o in operators]
    else:
        keys = [[(p, o) for o in operators] for p in sorted(set(part))]
    repeats = max(len(c) for c in cells.values())
    for key in (k for row in keys for k in row):
        if len(cells.get(key, ())) != repeats:
            raise _unbalanced(f"{repeats} readings of every part by every operator",
                              f"{len(cells.get(key, ()))} of part {key[0]} by operator {key[1]}")
    table = np.array([[cells[key] for key in row] for row in keys])
    if table.shape[2] < 2 or table.shape[0] < 2 or (table.shape[1] < 2):
        first, second = ("operators", "parts of each") if nested else ("parts", "operators")
        raise FitError("too small a study", expected=f"2 {first}, 2 {second} and 2 readings at least",
                       seen=" x ".join(str(n) for n in table.shape))
    return table


def crossed_study(table: Array, *, pool: bool = True) -> Study:
    """Every operator measured every part.

    Parameters
    ----------
    table : array (parts, operators, repeats)
    pool : bool
        Let an interaction that is not significant (p > 0.25) join the repeats.
    """
    from scipy import special

    p, o, r = table.shape
    table = table - table.mean()                       # digits are not spent on a common offset
    cell, by_part, by_operator = table.mean(2), table.mean((1, 2)), table.mean((0, 2))
    left = cell - by_part[:, None] - by_operator[None, :]
    df = {"part": p - 1, "operator": o - 1, "interaction": (p - 1) * (o - 1), "repeat": p * o * (r - 1)}
    squares = {
        "part": o * r * float(by_part @ by_part), "operator": p * r * float(by_operator @ by_operator),
        "interaction": r * float(np.sum(left**2)), "repeat": float(np.sum((table - cell[:, :, None]) ** 2)),
    }
    ms = {name: squares[name] / df[name] for name in df}
    if ms["repeat"] > 0:
        chance = float(special.fdtrc(df["interaction"], df["repeat"], ms["interaction"] / ms["repeat"]))
    else:
        chance = 1.0 if ms["interaction"] == 0 else 0.0
    marks = []
    if o < 3:
        marks.append(mark("few_operators", "operator"))
    pooled = pool and chance > POOL_OVER
    if pooled:
        marks.append(mark("interaction_pooled", "interaction",
                          f"no sign that people and parts interact (p = {chance:.2f}): with the repeats"))
        both = df["interaction"] + df["repeat"]
        ms["repeat_pooled"] = (squares["interaction"] + squares["repeat"]) / both
        drawn = _draws({"part": (ms["part"], df["part"]), "operator": (ms["operator"], df["operator"]),
                        "repeat": (ms["repeat_pooled"], both)})
        parts = {
            "repeat": drawn["repeat"],
            "operator": _positive(drawn["operator"] - drawn["repeat"], p * r),
            "part": _positive(drawn["part"] - drawn["repeat"], o * r),
        }
        gauge = parts["repeat"] + parts["operator"]
    else:
        drawn = _draws({name: (ms[name], df[name]) for name in df})
        parts = {
            "repeat": drawn["repeat"],
            "interaction": _positive(drawn["interaction"] - drawn["repeat"], r),
            "operator": _positive(drawn["operator"] - drawn["interaction"], p * r),
            "part": _positive(drawn["part"] - drawn["interaction"], o * r),
        }
        gauge = parts["repeat"] + parts["interaction"] + parts["operator"]
    return _study(ms, df, parts, gauge, pooled, chance, marks)


def nested_study(table: Array) -> Study:
    """Each operator measured parts of their own.

    Parameters
    ----------
    table : array (operators, parts of each, repeats)
    """
    o, p, r = table.shape
    table = table - table.mean()
    cell, by_operator = table.mean(2), table.mean((1, 2))
    df = {"operator": o - 1, "part": o * (p - 1), "repeat": o * p * (r - 1)}
    squares = {
        "operator": p * r * float(by_operator @ by_operator),
        "part": r * float(np.sum((cell - by_operator[:, None]) ** 2)),
        "repeat": float(np.sum((table - cell[:, :, None]) ** 2)),
    }
    ms = {name: squares[name] / df[name] for name in df}
    drawn = _draws({name: (ms[name], df[name]) for name in df})
    parts = {
        "repeat": drawn["repeat"],
        "part": _positive(drawn["part"] - drawn["repeat"], r),
        "operator": _positive(drawn["operator"] - drawn["part"], p * r),
    }
    marks = [mark("few_operators", "operator")] if o < 3 else []
    return _study(ms, df, parts, parts["repeat"] + parts["operator"], False, None, marks)


def _draws(mean_squares: dict[str, tuple[float, int]]) -> dict[str, Array]:
    """For each mean square first its observed value, then draws of its expectation (DRAWS + 1,)."""
    rng = np.random.default_rng(SEED)
    return {name: np.append(ms, ms * df / rng.chisquare(df, DRAWS))
            for name, (ms, df) in mean_squares.items()}


def _positive(difference: Array, count: int) -> Array:
    return np.asarray(np.maximum(difference, 0.0) / count)


def _study(ms: dict[str, float], df: dict[str, int], parts: dict[str, Array], gauge: Array, pooled: bool,
           chance: float | None, marks: list[Mark]) -> Study:
    parts = {**parts, "gauge": gauge}
    total = gauge + parts["part"]
    share = None
    if np.all(total > 0):
        share = _interval(100 * np.sqrt(gauge / total))
    gauge_sd = math.sqrt(gauge[0])
    categories = None if gauge_sd == 0 else math.floor(CATEGORY * math.sqrt(parts["part"][0]) / gauge_sd)
    return Study(ms, df, {name: _interval(v) for name, v in parts.items()}, share, categories, pooled, chance,
                 tuple(marks))


def _interval(values: Array) -> Quantity:
    low, high = np.quantile(values[1:], (0.025, 0.975))
    return Quantity(float(values[0]), float(low), float(high))


def _unbalanced(expected: str, seen: str) -> FitError:
    return FitError("the study is not balanced", expected=expected, seen=seen,
                    remedy="measure what is missing, or take the part out")
