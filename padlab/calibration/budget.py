"""A budget of doubt: sources, each with its sensitivity and degrees of freedom -> one interval.

Source of the rule: JCGM 100:2008 (GUM), 5.1.2 (combination) and annex G (degrees of freedom).

>>> b = Budget((Source("indicator", 1.0, 50), Source("repeat", 2.5, 4, sensitivity=5**-0.5)))
>>> round(b.combined, 4), round(b.degrees_of_freedom, 1), round(b.expanded(), 3)
(1.5, 12.3, 3.259)
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Any

from padlab.statistics.quantity import effective_degrees_of_freedom
from padlab.units import both_lengths

GROUPS = ("indicator", "resolution", "contact zero", "force through stiffness", "compliance", "temperature",
          "repeatability")
"""What the doubt of a position change is sorted by, in the order in which it is shown."""

WORDS = {
    "indicator": "indicator", "resolution": "its smallest step", "contact zero": "contact zero",
    "force through stiffness": "force", "compliance": "give of the frame", "temperature": "temperature",
    "repeatability": "stroke to stroke",
}
"""What a technician calls the groups; a group that is not here is called by its own name."""

_GROUP_OF = {
    "indicator scale": "indicator", "indicator, place by place": "indicator", "indicator step": "resolution",
    "force zero": "contact zero", "force scale": "force through stiffness",
    "weights": "force through stiffness", "temperature": "temperature",
    "repeat strokes": "repeatability", "noise within strokes": "repeatability",
    "stroke to stroke, not seen": "repeatability",
}


def group_of(name: str) -> str:
    """The group that a source is shown in; a source that is in none stands by itself.

    >>> group_of("indicator step"), group_of("frame, blank 2026"), group_of("time under load")
    ('resolution', 'compliance', 'time under load')
    """
    if name.split(",")[0] == "frame":
        return "compliance"
    return _GROUP_OF.get(name, name)


@dataclass(frozen=True)
class Unknown:
    """A group of which nothing is known: said beside the budget, never counted as 0."""

    group: str
    reason: str


@dataclass(frozen=True)
class Source:
    """One source: its standard uncertainty in its own unit, and what one unit of it moves the result.

    ``systematic``: common to all pads measured on this rig with these calibrations; it does not
    average down, and it cancels in the difference between two of them.
    """

    name: str
    standard_uncertainty: float
    degrees_of_freedom: float = math.inf
    sensitivity: float = 1.0
    systematic: bool = False

    @property
    def contribution(self) -> float:
        """What it adds to the result's standard uncertainty, in the result's unit."""
        return abs(self.sensitivity) * self.standard_uncertainty

    @property
    def shift(self) -> float:
        """What one standard deviation of it adds to the result, with its sign."""
        return self.sensitivity * self.standard_uncertainty

    @property
    def group(self) -> str:
        """The group that it is shown in."""
        return group_of(self.name)


@dataclass(frozen=True)
class Budget:
    """Independent sources of one result; ``unknown``: what could not be put in it."""

    sources: tuple[Source, ...] = field(default=())
    unknown: tuple[Unknown, ...] = field(default=())

    @property
    def combined(self) -> float:
        """Combined standard uncertainty: root of the sum of squares."""
        return math.sqrt(sum(s.contribution**2 for s in self.sources))

    @property
    def degrees_of_freedom(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite)."""
        return effective_degrees_of_freedom(independent_parts(
            (s.name, s.contribution, s.degrees_of_freedom) for s in self.sources))

    def coverage_factor(self, level: float = 0.95, *, whole: bool = False) -> float:
        """Two-sided factor k of Student's t; ``whole`` cuts the degrees of freedom to the integer below.

        The GUM's own examples do that (G.4.1, note 1); padlab keeps the fraction.
        """
        from scipy import special

        nu = self.degrees_of_freedom
        if not nu < 1e9:
            return float(special.ndtri((1 + level) / 2))
        return float(special.stdtrit(max(math.floor(nu) if whole else nu, 1.0), (1 + level) / 2))

    def expanded(self, level: float = 0.95, *, whole: bool = False) -> float:
        """Half-width of the interval at that level: k times the combined uncertainty."""
        return self.coverage_factor(level, whole=whole) * self.combined

    def without_common(self) -> Budget:
        """What is left when two pads of one rig are compared."""
        return Budget(tuple(s for s in self.sources if not s.systematic), self.unknown)

    def groups(self) -> tuple[Source, ...]:
        """The sources group by group, in the order of :data:`GROUPS`, own and shared ones apart."""
        found: dict[tuple[str, bool], list[Source]] = {}
        for source in self.sources:
            found.setdefault((source.group, source.systematic), []).append(source)
        order = [*GROUPS, *sorted({group for group, _ in found} - set(GROUPS))]
        return tuple(together(found[key], key[0]) for group in order
                     for key in ((group, True), (group, False)) if key in found)

    def to_json(self) -> dict[str, Any]:
        """Sources, what is not determined, U95 and its degrees of freedom, in mm."""
        return {
            "sources": [{"name": s.name, "group": s.group, "standard_uncertainty_mm": s.contribution,
                         "degrees_of_freedom": _if_finite(s.degrees_of_freedom), "systematic": s.systematic}
                        for s in self.sources],
            "not_determined": [{"group": u.group, "reason": u.reason} for u in self.unknown],
            "u95_mm": self.expanded(),
            "effective_degrees_of_freedom": _if_finite(self.degrees_of_freedom),
        }

    def as_source(self, name: str, *, sensitivity: float = 1.0, systematic: bool = False) -> Source:
        """The whole budget as one source of another."""
        return Source(name, self.combined, self.degrees_of_freedom, sensitivity, systematic)


def independent_parts(sources: Iterable[tuple[str, float, float]]) -> list[tuple[float, float]]:
    """(standard uncertainty, degrees of freedom) of ``(name, uncertainty, freedom)``, fit to be combined.

    The formula of Welch and Satterthwaite takes each part for estimated by itself. What the frame shares
    and what it does from run to run are estimated from one scatter, that of the same blank runs: one part.

    >>> independent_parts([("frame, blank A", 3.0, 4), ("frame, from run to run", 4.0, 4), ("x", 1.0, 9)])
    [(5.0, 4), (1.0, 9)]
    """
    frame: dict[float, list[float]] = {}
    others = []
    for name, u, freedom in sources:
        if group_of(name) == "compliance" and math.isfinite(freedom):
            frame.setdefault(freedom, []).append(u)
        else:
            others.append((u, freedom))
    return [*((math.hypot(*us), freedom) for freedom, us in frame.items()), *others]


def smallest_difference(budget: Budget, other: Budget | None = None) -> float | None:
    """Smallest difference of two pads that would be told apart (two-sided, 5 %), in the budget's unit.

    Two pads on one rig under the same calibrations: what is common to both cancels, what is not
    joins in quadrature. ``None`` where nothing but common sources is known: then nothing can be said.

    >>> round(smallest_difference(Budget((Source("repeat strokes", 1.0, 4),))), 3)
    3.261
    """
    return difference(budget, budget if other is None else other, one_rig=True)


def difference(one: Budget, two: Budget, *, one_rig: bool) -> float | None:
    """Half-width of the 95 % interval of the difference of two results.

    ``one_rig``: a common source of the same name is the same error in both, and what it moves both
    alike cancels; else nothing does. ``None`` where no scatter is known: then nothing can be said.
    """
    own = [s for b in (one, two) for s in b.sources if not (one_rig and s.systematic)]
    if not all(any(not s.systematic for s in b.sources) for b in (one, two)):
        return None
    left: list[Source] = []
    if one_rig:
        names = dict.fromkeys(s.name for b in (one, two) for s in b.sources if s.systematic)
        for name in names:
            found = [[s for s in b.sources if s.systematic and s.name == name] for b in (one, two)]
            by = sum(s.shift for s in found[0]) - sum(s.shift for s in found[1])
            freedom = min(s.degrees_of_freedom for both in found for s in both)
            left.append(Source(name, abs(by), freedom))
    return Budget((*own, *left)).expanded()


def typical(budgets: Sequence[Budget]) -> Budget:
    """What one more run like these would have: each source's root mean square over the runs.

    Degrees of freedom are those of one run (the middle one), not of all together.
    """
    keys = dict.fromkeys((s.name, s.systematic) for b in budgets for s in b.sources)
    sources = []
    for name, systematic in keys:
        found = [s for b in budgets for s in b.sources if (s.name, s.systematic) == (name, systematic)]
        mean_square = sum(s.contribution**2 for s in found) / len(budgets)
        freedom = median(s.degrees_of_freedom for s in found)
        sources.append(Source(name, math.sqrt(mean_square), freedom, systematic=systematic))
    unknown = dict.fromkeys(u for b in budgets for u in b.unknown)
    return Budget(tuple(sources), tuple(unknown))


def verdict(smallest_mm: float | None, difference_mm: float | None = None, *, rig: str = "this rig") -> str:
    """The budget in plain words.

    >>> verdict(0.004)
    'this rig can tell apart pads that differ by 4.0 um (0.2 thou) in give or more, at 95 %'
    >>> verdict(0.004, 0.003)
    'these two differ by 3.0 um (0.1 thou) in give; less than the 4.0 um (0.2 thou) that can be told apart'
    """
    if smallest_mm is None:
        return f"what {rig} can tell apart is not determined: nothing was repeated"
    least = both_lengths(smallest_mm)
    if difference_mm is None:
        return f"{rig} can tell apart pads that differ by {least} in give or more, at 95 %"
    seen = f"these two differ by {both_lengths(abs(difference_mm))} in give"
    if abs(difference_mm) < smallest_mm:
        return f"{seen}; less than the {least} that can be told apart"
    return f"{seen}: told apart, for {least} would be enough"


def together(sources: Iterable[Source], name: str) -> Source:
    """Several sources under one name, for a shorter table; systematic only if all of them are."""
    found = tuple(sources)
    return Budget(found).as_source(name, systematic=all(s.systematic for s in found))


def _if_finite(number: float) -> float | None:
    return number if math.isfinite(number) else None
