"""A number, or a whole curve, with its doubt kept in parts, so that what two numbers share can cancel.

An :class:`Estimate` keeps apart the doubt of its own (scatter, noise: it averages down) and shifts
that it shares with others (the rig's scale: one curve of signed shifts a source, equal name =
same error). Averaging makes the own part smaller and leaves a shared part as it is; the
difference of two estimates loses what both share.

>>> a = Estimate(10.0, own=0.3, shared={"rig scale": 0.5})
>>> b = Estimate(11.0, own=0.4, shared={"rig scale": 0.5})
>>> round(float(shared_difference(a, b, log=False)), 6)
0.0
>>> both = average([a, b], log=False)
>>> round(float(both.own), 3), round(float(both.shared["rig scale"]), 3)
(0.25, 0.5)
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from padlab.statistics.quantity import Quantity, with_doubt

Array = NDArray[np.float64]
Numbers = float | Array


@dataclass(frozen=True)
class Estimate:
    """A value (or a curve of values) with a standard uncertainty of its own and named shared shifts.

    Parameters
    ----------
    value : float or array (g,)
    own : standard uncertainty from what belongs to this one measurement, like ``value``
    own_df : its degrees of freedom, like ``value``
    shared : for each source what one standard deviation of it adds to ``value``, with its sign
    """

    value: Numbers
    own: Numbers = 0.0
    own_df: Numbers = math.inf
    shared: Mapping[str, Numbers] = field(default_factory=dict)

    @property
    def shared_uncertainty(self) -> Numbers:
        """Root of the sum of squares of the shared shifts."""
        return _root_of_squares(self.shared.values(), self.value)

    @property
    def standard_uncertainty(self) -> Numbers:
        """Own and shared doubt together."""
        return _root_of_squares((self.own, self.shared_uncertainty), self.value)

    @property
    def degrees_of_freedom(self) -> Numbers:
        """Effective degrees of freedom; the shared part counts as known (infinite)."""
        return welch_satterthwaite([(self.own, self.own_df), (self.shared_uncertainty, math.inf)])

    def quantity(self, *, positive: bool = True) -> Quantity:
        """The value with its 95 % interval; on the log scale where the number is positive by nature."""
        value = float(self.value)
        return with_doubt(value, float(self.standard_uncertainty),
                          degrees_of_freedom=float(self.degrees_of_freedom),
                          positive=positive and value > 0)

    def band(self) -> tuple[Array, Array]:
        """Pointwise 95 % band of a curve that is positive by nature; without width where it is 0."""
        from scipy import special

        value = np.atleast_1d(np.asarray(self.value, dtype=np.float64))
        df = np.broadcast_to(np.maximum(np.asarray(self.degrees_of_freedom), 1.0), value.shape)
        t = np.where(df < 1e9, special.stdtrit(np.minimum(df, 1e9), 0.975), special.ndtri(0.975))
        u = np.broadcast_to(np.asarray(self.standard_uncertainty), value.shape)
        with np.errstate(divide="ignore", invalid="ignore"):
            spread = np.where(value > 0, np.minimum(t * u / value, 50.0), 0.0)
        return np.asarray(value * np.exp(-spread)), np.asarray(value * np.exp(spread))


def welch_satterthwaite(parts: Sequence[tuple[Numbers, Numbers]]) -> Numbers:
    """Effective degrees of freedom of ``(standard uncertainty, degrees of freedom)`` parts, elementwise.

    Source: JCGM 100:2008 (GUM), G.4.1, equation G.2b.
    """
    total = sum((np.square(u) for u, _ in parts), np.float64(0.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        below = sum((np.square(np.square(u)) / df for u, df in parts), np.float64(0.0))
        df = np.where(below > 0, np.square(total) / below, math.inf)
    return float(df) if df.ndim == 0 else np.asarray(df)


def average(estimates: Sequence[Estimate], *, log: bool) -> Estimate:
    """Mean of independent estimates, on the log scale or not; own doubt averages down, shared stays."""
    if len(estimates) == 1:
        return estimates[0]
    n = len(estimates)
    scales = [_scale(e, log) for e in estimates]
    centre = sum((_centre(e, log) for e in estimates), np.float64(0.0)) / n
    value = np.exp(centre) if log else centre
    back = value if log else 1.0
    parts = [(np.asarray(e.own / s / n), e.own_df) for e, s in zip(estimates, scales, strict=True)]
    own = _root_of_squares((u for u, _ in parts), value)
    names = sorted({name for e in estimates for name in e.shared})
    shared = {
        name: back * sum((np.asarray(e.shared.get(name, 0.0)) / s
                          for e, s in zip(estimates, scales, strict=True)), np.float64(0.0)) / n
        for name in names
    }
    return Estimate(value, own * back, welch_satterthwaite(parts), shared)


def average_with_scatter(estimates: Sequence[Estimate], *, log: bool) -> Estimate:
    """Mean whose own doubt is the scatter seen between the estimates: sd/sqrt(m), m - 1 degrees of freedom.

    Never less than what the estimates' own doubts make of it: two lots that happen to agree do
    not prove that lots are alike.
    """
    if len(estimates) == 1:
        return estimates[0]
    mean = average(estimates, log=log)
    m = len(estimates)
    centres = np.stack([np.asarray(_centre(e, log)) for e in estimates])
    scatter = centres.std(axis=0, ddof=1) / math.sqrt(m) * (mean.value if log else 1.0)
    larger = scatter >= np.asarray(mean.own)
    own = np.where(larger, scatter, mean.own)
    own_df = np.where(larger, m - 1.0, mean.own_df)
    return Estimate(mean.value, own, own_df, mean.shared)


def shared_difference(a: Estimate, b: Estimate, *, log: bool) -> Numbers:
    """Standard uncertainty that shared sources leave in ``a - b`` (or in ``ln a - ln b``)."""
    names = sorted(set(a.shared) | set(b.shared))
    left = [a.shared.get(n, 0.0) / _scale(a, log) - b.shared.get(n, 0.0) / _scale(b, log) for n in names]
    return _root_of_squares(left, a.value)


def _scale(e: Estimate, log: bool) -> Numbers:
    if not log:
        return 1.0
    value = np.asarray(e.value)
    return np.where(value > 0, value, 1.0)      # a curve starts at 0: no doubt there


def _centre(e: Estimate, log: bool) -> Numbers:
    if not log:
        return e.value
    return np.asarray(np.log(np.maximum(np.asarray(e.value, dtype=np.float64), 1e-12)))  # a curve starts at 0


def _root_of_squares(parts: Iterable[Numbers], like: Numbers) -> Numbers:
    total = np.zeros(np.shape(like))
    for part in parts:
        total = total + np.square(part)
    root = np.sqrt(total)
    return float(root) if np.ndim(root) == 0 else np.asarray(root)
