"""What a law is: a pure function, its parameter table, a first guess, and its source."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Parameter:
    """One parameter: positive ones are fitted in their logarithm."""

    name: str
    unit: str
    meaning: str
    lower: float
    upper: float

    @property
    def is_positive(self) -> bool:
        """Whether the parameter is positive by nature."""
        return self.lower > 0


@dataclass(frozen=True)
class Separable:
    """How a law is linear in some of its parameters: y = basis(x, q) @ c, with theta = join(c, q).

    ``nonlinear`` are the places of q in theta; ``basis`` gives (n, l), ``slope`` its derivative by q
    (n, l, m), ``join`` theta (k,) from c (l,) and q (m,).
    """

    nonlinear: tuple[int, ...]
    basis: Callable[[Array, Array], Array]
    slope: Callable[[Array, Array], Array]
    join: Callable[[Array, Array], Array]


@dataclass(frozen=True)
class Law:
    """A published law y(x; theta).

    ``value(x, theta)`` gives (n,), ``jacobian(x, theta)`` gives dy/dtheta (n, k),
    ``guess(x, y)`` gives a first theta (k,). ``x`` and ``y`` are what ``of`` says.
    """

    name: str
    of: str                                   # such as "displacement_mm over force_n"
    equation: str
    source: str
    parameters: tuple[Parameter, ...]
    value: Callable[[Array, Array], Array]
    jacobian: Callable[[Array, Array], Array]
    guess: Callable[[Array, Array], Array]
    separable: Separable | None = None
    needs_gain: float = 0.0                   # in AICc over the best other law, before it is believed

    def from_zero(self, zero: float) -> Law:
        """The same law with y counted from its value at ``x = zero``."""
        at = np.array([zero])

        def value(x: Array, theta: Array) -> Array:
            return self.value(x, theta) - self.value(at, theta)

        def jacobian(x: Array, theta: Array) -> Array:
            return self.jacobian(x, theta) - self.jacobian(at, theta)

        own = self.separable
        parts = None if own is None else replace(
            own, basis=lambda x, q: own.basis(x, q) - own.basis(at, q),
            slope=lambda x, q: own.slope(x, q) - own.slope(at, q))
        return replace(self, value=value, jacobian=jacobian, separable=parts)


def clamp(theta: list[float], parameters: tuple[Parameter, ...]) -> Array:
    """Bring a first guess inside the plausible range of each parameter."""
    inside = []
    for t, p in zip(theta, parameters, strict=True):
        if not math.isfinite(t):
            t = math.sqrt(p.lower * p.upper) if p.is_positive else (p.lower + p.upper) / 2
        inside.append(min(max(t, p.lower * 1.001 if p.is_positive else p.lower), p.upper * 0.999))
    return np.array(inside, dtype=np.float64)
