"""Parts on top of each other: how far the sum may be off.

Worst case, root-sum-square and Monte Carlo with declared shapes. The root-sum-square takes the parts as
independent and every limit as the same number of standard deviations.

Source: JCGM 101:2008 (propagation of distributions by Monte Carlo), quoted from memory.

>>> valve = [Part("button", 3), Part("pad", 15), Part("cap", 3), Part("pad", 15), Part("stem", 3),
...          Part("barrel", 3)]
>>> worst_case(valve), round(root_sum_square(valve), 3)
(42.0, 22.045)
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Shape = Literal["uniform", "normal"]

SIGMAS = 3.0
"""A normal part keeps within its limit at three standard deviations (design choice)."""


@dataclass(frozen=True)
class Part:
    """One part: its limit each way (any unit, the same for all), the shape of its scatter, where it lies."""

    name: str
    limit: float
    shape: Shape = "uniform"
    centre: float = 0.0

    @property
    def standard_deviation(self) -> float:
        """Of its scatter."""
        return self.limit / (math.sqrt(3.0) if self.shape == "uniform" else SIGMAS)


def worst_case(parts: Sequence[Part]) -> float:
    """All limits at once."""
    return float(sum(p.limit for p in parts))


def root_sum_square(parts: Sequence[Part]) -> float:
    """Square root of the sum of squared limits."""
    return math.sqrt(sum(p.limit**2 for p in parts))


def standard_deviation(parts: Sequence[Part]) -> float:
    """Of the sum of independent parts, by their shapes."""
    return math.sqrt(sum(p.standard_deviation**2 for p in parts))


def drawn(parts: Sequence[Part], *, count: int = 400_000, seed: int = 10,
          alike: Sequence[tuple[int, int, float]] = ()) -> Array:
    """Sums of drawn parts (count,).

    Parameters
    ----------
    alike : sequence of (i, j, share)
        Two parts that came from one sheet: share of their scatter (as a correlation from 0 to 1) that is the
        same. Both must have one shape.
    """
    rng = np.random.default_rng(seed)
    scatter = np.stack([_unit(p.shape, rng, count) for p in parts])
    for i, j, share in alike:
        if parts[i].shape != parts[j].shape or not 0 <= share <= 1:
            raise ValueError("parts of one sheet have one shape, and a share from 0 to 1")
        same = rng.uniform(size=count) < share             # a mixture: the shape stays as declared
        scatter[j] = np.where(same, scatter[i], scatter[j])
    centre = sum(p.centre for p in parts)
    return np.asarray(centre + np.array([p.standard_deviation for p in parts]) @ scatter)


def _unit(shape: Shape, rng: np.random.Generator, count: int) -> Array:
    """Scatter of standard deviation 1."""
    if shape == "uniform":
        return np.asarray(rng.uniform(-math.sqrt(3.0), math.sqrt(3.0), count))
    return np.asarray(rng.standard_normal(count))
