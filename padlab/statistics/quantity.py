"""A value with its 95 % interval; unknown stays unknown."""

from __future__ import annotations

import math
from collections.abc import Sequence
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


def half_width95(standard_uncertainty: float, rectangles: Sequence[float] = (),
                 degrees_of_freedom: float = math.inf) -> float:
    """Half the width that holds 95 % of a bell-shaped error together with errors known only by bounds.

    Parameters
    ----------
    standard_uncertainty : float
        Of the bell-shaped part, with its ``degrees_of_freedom``.
    rectangles : sequence of float
        Half ranges of errors of which any size up to that is as likely. The two widest are taken as
        they are; the others join the bell by their standard deviation.

    Notes
    -----
    The distribution of the sum is integrated in closed form and inverted by halving; the root sum of
    squares times 1.96 would say up to a fifth too much (a rectangle alone: 1.13 instead of 0.95 of its
    half range). JCGM 101:2008, 5.3.

    >>> round(half_width95(0.0, [1.0]), 6), round(half_width95(1.0), 4)
    (0.95, 1.96)
    """
    widest = sorted((abs(a) for a in rectangles if a), reverse=True)
    spread = math.hypot(standard_uncertainty * t95(degrees_of_freedom) / t95(math.inf),
                        *(a / math.sqrt(3) for a in widest[2:]))
    widest = widest[:2]
    if not widest:
        return spread * t95(math.inf)
    # A rectangle far narrower than the rest is lost in rounding; it counts as part of the bell.
    if len(widest) == 2 and widest[1] < 1e-3 * max(widest[0], spread):
        spread, widest = math.hypot(spread, widest[1] / math.sqrt(3)), widest[:1]
    if widest[0] < 1e-2 * spread:
        return math.hypot(spread, *(a / math.sqrt(3) for a in widest)) * t95(math.inf)
    s = max(spread, 1e-4 * widest[0])
    integral = _once_integrated if len(widest) == 1 else _twice_integrated
    corners = [(widest[0], 1.0), (-widest[0], -1.0)]
    if len(widest) == 2:
        corners = [(a + b * widest[1], w * b) for a, w in corners for b in (1.0, -1.0)]
    area = math.prod(2 * a / s for a in widest)
    low, high = 0.0, sum(widest) + 4 * s
    for _ in range(45):
        h = (low + high) / 2
        below = sum(w * integral((h + a) / s) for a, w in corners) / area
        low, high = (h, high) if below < 0.975 else (low, h)
    return (low + high) / 2


def _once_integrated(z: float) -> float:
    """Integral of the normal distribution function up to z."""
    return z * _normal_below(z) + math.exp(-z * z / 2) / math.sqrt(2 * math.pi)


def _twice_integrated(z: float) -> float:
    """Integral of :func:`_once_integrated` up to z."""
    return ((z * z + 1) * _normal_below(z) + z * math.exp(-z * z / 2) / math.sqrt(2 * math.pi)) / 2


def _normal_below(z: float) -> float:
    return math.erfc(-z / math.sqrt(2)) / 2


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
    positive: bool = False, rectangles: Sequence[float] = (),
) -> Quantity:
    """A 95 % interval from a standard uncertainty; on the log scale for what is positive by nature.

    On the log scale the relative uncertainty u/value is taken as the standard deviation of the
    logarithm (first order), so the interval is ``value * exp(+-t u/value)`` and never reaches 0.
    ``rectangles``: half ranges of what is known only by bounds, beside the standard uncertainty.

    >>> q = with_doubt(10.0, 1.0, positive=True)
    >>> round(q.low, 3), round(q.high, 3)
    (8.22, 12.165)
    """
    if standard_uncertainty is None or not math.isfinite(standard_uncertainty):
        return Quantity(value)
    half = half_width95(standard_uncertainty, rectangles, degrees_of_freedom)
    if positive:
        if value <= 0:
            return Quantity(value)
        spread = min(half / value, 50.0)
        return Quantity(value, value * math.exp(-spread), value * math.exp(spread))
    return Quantity(value, value - half, value + half)


def to_json(quantity: Quantity | None) -> dict[str, float | None] | None:
    """The JSON of a quantity that may be unknown."""
    return None if quantity is None else quantity.to_json()


def _finite(number: float | None) -> float | None:
    return float(number) if number is not None and math.isfinite(number) else None
