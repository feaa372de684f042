"""A value with its 95 % interval; unknown stays unknown."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache


@lru_cache(maxsize=4096)
def t95(degrees_of_freedom: float) -> float:
    """Two-sided 95 % point of Student's t; the normal's where the degrees of freedom are infinite.

    >>> round(t95(4), 3), round(t95(math.inf), 3)
    (2.776, 1.96)
    """
    from scipy import special

    if not degrees_of_freedom < 1e9:
        return float(special.ndtri(0.975))
    return float(special.stdtrit(max(degrees_of_freedom, 1.0), 0.975))


def effective_degrees_of_freedom(parts: list[tuple[float, float]]) -> float:
    """Welch-Satterthwaite over ``(standard uncertainty, degrees of freedom)`` parts.

    Source: JCGM 100:2008 (GUM), G.4.1, equation G.2b.
    """
    total = sum(u * u for u, _ in parts)
    below = sum(u**4 / nu for u, nu in parts if math.isfinite(nu) and nu > 0)
    return math.inf if below == 0 else total * total / below


@dataclass(frozen=True)
class Quantity:
    """A value and its two-sided 95 % interval, in the unit that the owner's name states.

    ``low`` and ``high`` are ``None`` where the interval could not be found. A quantity that is
    not known at all is ``None`` in its owner, never a Quantity and never 0.
    """

    value: float
    low: float | None = None
    high: float | None = None

    def to_json(self) -> dict[str, float | None]:
        """``{"value", "low", "high"}``; what is not finite is null."""
        return {"value": _finite(self.value), "low": _finite(self.low), "high": _finite(self.high)}

    @property
    def half_width(self) -> float | None:
        """Half the width of the interval, or None."""
        return None if self.low is None or self.high is None else (self.high - self.low) / 2


def with_doubt(
    value: float, standard_uncertainty: float | None, *, degrees_of_freedom: float = math.inf,
    positive: bool = False,
) -> Quantity:
    """A 95 % interval from a standard uncertainty; on the log scale for what is positive by nature.

    On the log scale the relative uncertainty u/value is taken as the standard deviation of the
    logarithm (first order), so the interval is ``value * exp(+-t u/value)`` and never reaches 0.

    >>> q = with_doubt(10.0, 1.0, positive=True)
    >>> round(q.low, 3), round(q.high, 3)
    (8.22, 12.165)
    """
    if standard_uncertainty is None or not math.isfinite(standard_uncertainty):
        return Quantity(value)
    k = t95(degrees_of_freedom)
    if positive:
        if value <= 0:
            return Quantity(value)
        spread = min(k * standard_uncertainty / value, 50.0)
        return Quantity(value, value * math.exp(-spread), value * math.exp(spread))
    return Quantity(value, value - k * standard_uncertainty, value + k * standard_uncertainty)


def to_json(quantity: Quantity | None) -> dict[str, float | None] | None:
    """The JSON of a quantity that may be unknown."""
    return None if quantity is None else quantity.to_json()


def _finite(number: float | None) -> float | None:
    return float(number) if number is not None and math.isfinite(number) else None
