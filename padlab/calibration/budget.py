"""A budget of doubt: sources, each with its sensitivity and degrees of freedom -> one interval.

Source of the rule: JCGM 100:2008 (GUM), 5.1.2 (combination) and annex G (degrees of freedom).

>>> b = Budget((Source("indicator", 1.0, 50), Source("repeat", 2.5, 4, sensitivity=5**-0.5)))
>>> round(b.combined, 4), round(b.degrees_of_freedom, 1), round(b.expanded(), 3)
(1.5, 12.3, 3.259)
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, field

from padlab.statistics.quantity import effective_degrees_of_freedom
from padlab.units import both_lengths


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


@dataclass(frozen=True)
class Budget:
    """Independent sources of one result."""

    sources: tuple[Source, ...] = field(default=())

    @property
    def combined(self) -> float:
        """Combined standard uncertainty: root of the sum of squares."""
        return math.sqrt(sum(s.contribution**2 for s in self.sources))

    @property
    def degrees_of_freedom(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite)."""
        return effective_degrees_of_freedom([(s.contribution, s.degrees_of_freedom) for s in self.sources])

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
        return Budget(tuple(s for s in self.sources if not s.systematic))

    def as_source(self, name: str, *, sensitivity: float = 1.0, systematic: bool = False) -> Source:
        """The whole budget as one source of another."""
        return Source(name, self.combined, self.degrees_of_freedom, sensitivity, systematic)


def smallest_difference(budget: Budget, other: Budget | None = None) -> float | None:
    """Smallest difference of two pads that would be told apart (two-sided, 5 %), in the budget's unit.

    Two pads on one rig under the same calibrations: what is common to both cancels, what is not
    joins in quadrature. ``None`` where nothing but common sources is known: then nothing can be said.
    """
    one = budget.without_common()
    two = one if other is None else other.without_common()
    if not one.sources or not two.sources:
        return None
    return Budget((*one.sources, *two.sources)).expanded()


def verdict(smallest_mm: float | None, difference_mm: float | None = None) -> str:
    """The budget in plain words.

    >>> verdict(0.004)
    'this rig can tell apart pads that differ by 4.0 um (0.2 thou) or more'
    >>> verdict(0.004, 0.003)
    'these two differ by 3.0 um (0.1 thou), less than the 4.0 um (0.2 thou) that this rig can tell apart'
    """
    if smallest_mm is None:
        return "what this rig can tell apart is not determined: nothing was repeated"
    if difference_mm is None:
        return f"this rig can tell apart pads that differ by {both_lengths(smallest_mm)} or more"
    seen = both_lengths(abs(difference_mm))
    if abs(difference_mm) < smallest_mm:
        least = both_lengths(smallest_mm)
        return f"these two differ by {seen}, less than the {least} that this rig can tell apart"
    return f"these two differ by {seen}: told apart"


def together(sources: Iterable[Source], name: str) -> Source:
    """Several sources under one name, for a shorter table; systematic only if all of them are."""
    found = tuple(sources)
    return Budget(found).as_source(name, systematic=all(s.systematic for s in found))
