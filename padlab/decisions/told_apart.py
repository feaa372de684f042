"""Can this rig tell two pads apart? The budgets of their runs answer, in plain words.

Takes fits; gives a verdict on two pads (:func:`told_apart`), and what each rig is worth with pads of
each stock (:func:`rig_rows`). What two pads of one rig have in common cancels: its scales are wrong for
both alike. What is each run's own does not: its scatter, its force zero, its place on the dial.

Which one when: these are about PADS and their give, from one run each. Stocks in drift, with the
scatter of their lots, are told apart by :mod:`padlab.decisions.groups`.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

from padlab.calibration.budget import Budget, Unknown, difference, smallest_difference, typical, verdict
from padlab.fitting.results import RunFit
from padlab.statistics.quantity import Quantity

MOST_PAIRED = 12
"""Up to so many runs every pair has its verdict."""


@dataclass(frozen=True)
class Apart:
    """Two runs: ``difference_mm`` is give of a minus give of b, at 95 % for this pair alone."""

    a: str
    b: str
    difference_mm: Quantity
    smallest_difference_mm: float | None     # None: nothing was repeated, so nothing can be said
    told_apart: bool
    one_rig: bool
    not_known: tuple[Unknown, ...] = ()      # what is in neither budget, or missing in one

    @property
    def verdict(self) -> str:
        """In plain words, with what they leave out."""
        told = verdict(self.smallest_difference_mm, self.difference_mm.value)
        left_out = dict.fromkeys(u.group for u in self.not_known)
        return f"{told}; not known, and not in this: {', '.join(left_out)}" if left_out else told

    def to_json(self) -> dict[str, Any]:
        """The pair's entry of ``pairs`` in ``fit --json``."""
        return {"a": self.a, "b": self.b, "difference_mm": self.difference_mm.to_json(),
                "smallest_difference_mm": self.smallest_difference_mm, "told_apart": self.told_apart,
                "one_rig": self.one_rig, "verdict": self.verdict,
                "not_determined": [{"group": u.group, "reason": u.reason} for u in self.not_known]}


def rig_key(fit: RunFit) -> tuple[str, tuple[str, ...]] | None:
    """What two runs must have in common to share the rig's errors; None: recorded elsewhere."""
    return None if fit.rig is None else (fit.rig, tuple(sorted(fit.calibrations)))


def pairs_of(fits: Sequence[RunFit]) -> list[Apart]:
    """Every pair of which something can be said; none where there are too many to be read."""
    if len(fits) > MOST_PAIRED:
        return []
    return [found for a, b in combinations(fits, 2) if (found := told_apart(a, b)) is not None]


def told_apart(a: RunFit, b: RunFit) -> Apart | None:
    """Whether two runs' pads differ in give; None where a run does not reach both forces.

    Nobody knows whether two runs recorded elsewhere shared a rig: for them nothing cancels.
    """
    one, two = a.budget, b.budget
    if one is None or two is None or (one.from_n, one.to_n) != (two.from_n, two.to_n):
        return None
    one_rig = rig_key(a) is not None and rig_key(a) == rig_key(b)
    apart = one.give_mm - two.give_mm
    half = difference(one.budget, two.budget, one_rig=one_rig)
    seen = Quantity(apart) if half is None else Quantity(apart, apart - half, apart + half)
    not_known = tuple(dict.fromkeys([*one.budget.unknown, *two.budget.unknown]))
    return Apart(a.run, b.run, seen, half, half is not None and abs(apart) >= half, one_rig, not_known)


@dataclass(frozen=True)
class StockBudget:
    """One more pad of a stock on a rig: its budget, as its runs so far make it likely."""

    material: str
    runs: int
    give_mm: float
    budget: Budget
    smallest_difference_mm: float | None

    def to_json(self) -> dict[str, Any]:
        """The stock's entry of a rig in ``compare --json``."""
        return {"material": self.material, "runs": self.runs, "give_mm": self.give_mm,
                **self.budget.to_json(), "smallest_difference_mm": self.smallest_difference_mm}


@dataclass(frozen=True)
class RigRow:
    """What one rig under one set of calibrations can tell apart, stock by stock."""

    rig: str
    calibrations: tuple[str, ...]
    from_n: float
    to_n: float
    stocks: tuple[StockBudget, ...]

    @property
    def smallest_difference_mm(self) -> tuple[float, float] | None:
        """Smallest difference with the best and with the worst stock [mm]; None: nothing was repeated."""
        found = [s.smallest_difference_mm for s in self.stocks if s.smallest_difference_mm is not None]
        return (min(found), max(found)) if found else None

    @property
    def verdict(self) -> str:
        """In plain words, for the stock where it tells best."""
        ends = self.smallest_difference_mm
        return verdict(None if ends is None else ends[0], rig=self.rig)

    def to_json(self) -> dict[str, Any]:
        """The rig's entry of ``rigs`` in ``compare --json``."""
        ends = self.smallest_difference_mm or (None, None)
        return {"rig": self.rig, "calibrations": list(self.calibrations), "from_n": self.from_n,
                "to_n": self.to_n, "smallest_difference_mm": {"best": ends[0], "worst": ends[1]},
                "verdict": self.verdict, "stocks": [s.to_json() for s in self.stocks]}


def rig_rows(fits: Sequence[RunFit], *, order: Sequence[str] = ()) -> tuple[RigRow, ...]:
    """What each rig can tell apart; runs recorded elsewhere, or too light, say nothing of a rig.

    ``order``: stocks in the order in which they are to stand; those not in it come last, by name.
    """
    places = {name: place for place, name in enumerate(order)}
    found: dict[tuple[str, tuple[str, ...], float, float], dict[str, list[RunFit]]]
    found = defaultdict(lambda: defaultdict(list))
    for fit in fits:
        key = rig_key(fit)
        if key is not None and fit.budget is not None:
            found[*key, fit.budget.from_n, fit.budget.to_n][fit.pad.material].append(fit)
    return tuple(RigRow(rig, calibrations, from_n, to_n,
                        tuple(_stock(name, stocks[name]) 
                              for name in sorted(stocks, key=lambda n: (places.get(n, len(places)), n))))
                 for (rig, calibrations, from_n, to_n), stocks in sorted(found.items()))


def _stock(material: str, fits: Sequence[RunFit]) -> StockBudget:
    budgets = [f.budget for f in fits if f.budget is not None]
    gives = [b.give_mm for b in budgets]
    least = [s for b in budgets if (s := smallest_difference(b.budget)) is not None]
    return StockBudget(
        material, len(budgets), sum(gives) / len(gives), typical([b.budget for b in budgets]),
        math.sqrt(sum(s * s for s in least) / len(least)) if least else None)
