"""A value with its 95 % interval; unknown stays unknown."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

MANY = 1000.0
"""A part of so many degrees of freedom counts as a bell: its t95 is 0.1 % over the normal's."""


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


def half_width95(doubt: float | Sequence[tuple[float, float]], rectangles: Sequence[float] = ()) -> float:
    """Half the width that holds 95 % of a sum of errors: bells, Student's t, what is known only by bounds.

    Parameters
    ----------
    doubt : float or sequence of (float, float)
        Standard uncertainty of the bell-shaped part; or the parts one by one, each with its degrees of
        freedom: a part of few follows Student's t.
    rectangles : sequence of float
        Half ranges of errors of which any size up to that is as likely. The two widest are taken as
        they are; the others join the bell by their standard deviation.

    Notes
    -----
    The distributions are propagated (JCGM 101:2008, 5.3; 6.4.9 for t). A t is a bell whose variance is
    drawn, so that the sum is a mixture of bells; with a bell, rectangles are integrated in closed form.
    The root sum of squares times 1.96 would say up to a fifth too much of rectangles (alone: 1.13 instead of
    0.95 of the half range), and the effective degrees of freedom of Welch and Satterthwaite up to a tenth
    too little where a scatter of four degrees stands beside half as much that is known well.

    >>> round(half_width95(0.0, [1.0]), 6), round(half_width95(1.0), 4), round(half_width95([(1.0, 4)]), 4)
    (0.95, 1.96, 2.7764)
    >>> round(half_width95([(2.0, 4), (1.0, math.inf)]), 3)      # with 6.25 effective degrees: 5.42
    5.85
    """
    parts = [(doubt, math.inf)] if isinstance(doubt, (int, float)) else list(doubt)
    bell, widest = _two_widest(math.hypot(*(u for u, nu in parts if not nu < MANY)), rectangles)
    few = _at_most_two([(abs(u), max(nu, 1.0)) for u, nu in parts if nu < MANY and u])
    usual = math.hypot(bell, *(u for u, _ in few))
    # A rectangle far narrower than the rest is lost in rounding; it counts as part of the bell.
    if len(widest) == 2 and widest[1] < 1e-3 * max(widest[0], usual):
        bell, widest = math.hypot(bell, widest[1] / math.sqrt(3)), widest[:1]
    if widest and widest[0] < 1e-2 * usual:
        bell, widest = math.hypot(bell, *(a / math.sqrt(3) for a in widest)), []
    if not widest and not few:
        return bell * t95(math.inf)
    if not widest and not bell and len(few) == 1:
        return few[0][0] * t95(few[0][1])
    return _held(bell, few, widest)


def _two_widest(bell: float, rectangles: Sequence[float]) -> tuple[float, list[float]]:
    """The two widest half ranges; all others join the bell by their standard deviation."""
    widest = sorted((abs(a) for a in rectangles if a), reverse=True)
    return math.hypot(bell, *(a / math.sqrt(3) for a in widest[2:])), widest[:2]


def _at_most_two(parts: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """The parts of few degrees of freedom; all but the largest joined by Welch and Satterthwaite."""
    if len(parts) < 3:
        return parts
    parts = sorted(parts, reverse=True)
    return [parts[0], (math.hypot(*(u for u, _ in parts[1:])), effective_degrees_of_freedom(parts[1:]))]


def _held(bell: float, few: list[tuple[float, float]], widest: list[float]) -> float:
    """Half the width that holds 95 % of a bell, parts that follow t, and up to two rectangles."""
    import numpy as np

    square, weight = np.array([bell**2]), np.array([1.0])
    for u, nu in few:
        root, share = _drawn_spread(nu)
        square = (square[:, None] + (u / root) ** 2).ravel()
        weight = (weight[:, None] * share).ravel()
    spread, usual = np.sqrt(square), math.hypot(bell, *(u for u, _ in few))
    if widest:
        spread = np.maximum(spread, 1e-4 * widest[0])
    # The share below h bends downward all the way, so that Newton's steps come to 97.5 % from below.
    h = 0.9 * max([usual, *widest])
    for _ in range(100):
        below, density = _below_and_density(h, spread, widest)
        step = (0.975 - float(weight @ below)) / float(weight @ density)
        h += max(step, -h / 2)
        if abs(step) <= 1e-10 * h:
            break
    return h


def spread95(values: Any, weights: Any, bell: float, rectangles: Sequence[float]) -> tuple[float, float]:
    """Ends that leave 2.5 % on either side of weighed possibilities (m,), each with the same error added.

    ``bell``: standard uncertainty of that error; ``rectangles``: half ranges of what is known only by bounds,
    the two widest as they are and the others joined to the bell.

    >>> low, high = spread95([1.0, 3.0], [0.5, 0.5], 0.0, [1.0])
    >>> round(float(low), 4), round(float(high), 4)
    (0.1, 3.9)
    """
    import numpy as np

    at, weight = np.asarray(values, dtype=np.float64), np.asarray(weights, dtype=np.float64)
    bell, widest = _two_widest(bell, rectangles)
    reach = 6 * bell + sum(widest) + 1e-6 * float(np.ptp(at)) + 1e-12
    # An edge far narrower than the whole is lost in rounding.
    whole = float(np.ptp(at)) + reach
    widest = [a for a in widest if a > 1e-6 * whole]
    bell = max(bell, 1e-4 * max([whole * 1e-2, *widest]))
    ends = []
    for share in (0.025, 0.975):
        low, high = float(at.min()) - reach, float(at.max()) + reach
        for _ in range(50):
            h = (low + high) / 2
            low, high = (h, high) if float(weight @ _below(h - at, bell, widest)) < share else (low, h)
        ends.append((low + high) / 2)
    return ends[0], ends[1]


def _below(h: Any, spread: Any, widest: list[float]) -> Any:
    """Share of a bell and up to two rectangles that lies below h; arrays of like shape."""
    return _below_and_density(h, spread, widest)[0]


def _below_and_density(h: Any, spread: Any, widest: list[float]) -> tuple[Any, Any]:
    """The share below h, and its derivative by h."""
    below = density = 0.0
    for at, w in _corners(widest):
        integrals = _integrals((h + at) / spread)
        below, density = below + w * integrals[len(widest) + 1], density + w * integrals[len(widest)]
    return below * spread ** len(widest), density * spread ** (len(widest) - 1)


def _corners(widest: list[float]) -> list[tuple[float, float]]:
    """Where the ends of the rectangles fall together, and what each corner counts."""
    corners = [(0.0, 1.0)]
    for a in widest:
        corners = [(at + way * a, way * w / (2 * a)) for at, w in corners for way in (1.0, -1.0)]
    return corners


def _integrals(z: Any) -> tuple[Any, Any, Any, Any]:
    """The normal density, and what it is when integrated once, twice and thrice up to z."""
    import numpy as np
    from scipy import special

    density, below = np.exp(-z * z / 2) / math.sqrt(2 * math.pi), special.ndtr(z)
    return density, below, z * below + density, ((z * z + 1) * below + z * density) / 2


@lru_cache(maxsize=256)
def _drawn_spread(degrees_of_freedom: float) -> tuple[Any, Any]:
    """Values and weights of the square root of chi squared over its freedom, by Gauss and Legendre."""
    import numpy as np

    sd = 1 / math.sqrt(2 * degrees_of_freedom)
    low, high = max(0.0, 1 - 6 * sd), 1 + 8 * sd
    at, weight = np.polynomial.legendre.leggauss(24)
    root = (high - low) / 2 * at + (high + low) / 2
    log = (degrees_of_freedom - 1) * np.log(root) - degrees_of_freedom * root**2 / 2
    weight = weight * np.exp(log - log.max())
    return root, weight / weight.sum()


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
    value: float, standard_uncertainty: float | Sequence[tuple[float, float]] | None, *,
    degrees_of_freedom: float = math.inf, positive: bool = False, rectangles: Sequence[float] = (),
) -> Quantity:
    """A 95 % interval from a standard uncertainty; on the log scale for what is positive by nature.

    On the log scale the relative uncertainty u/value is taken as the standard deviation of the
    logarithm (first order), so the interval is ``value * exp(+-t u/value)`` and never reaches 0.
    ``standard_uncertainty`` may be parts, each with its degrees of freedom; ``rectangles``: half ranges of
    what is known only by bounds (see :func:`half_width95`).

    >>> q = with_doubt(10.0, 1.0, positive=True)
    >>> round(q.low, 3), round(q.high, 3)
    (8.22, 12.165)
    """
    if standard_uncertainty is None:
        return Quantity(value)
    parts = ([(standard_uncertainty, degrees_of_freedom)] if isinstance(standard_uncertainty, (int, float))
             else standard_uncertainty)
    if not all(math.isfinite(u) for u, _ in parts):
        return Quantity(value)
    half = half_width95(parts, rectangles)
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
