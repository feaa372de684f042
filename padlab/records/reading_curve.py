"""A reading fitted on its reference, and turned round: which force or length does a reading stand for?

    reading = sum c_i z^i,      z = (reference - centre) / half_range,      -1 <= z <= 1 was calibrated

Centred and scaled, so that neither counts in the millions nor forces in micronewtons cost digits.

>>> curve = ReadingCurve(centre=10.0, half_range=10.0, coefficients=(1000.0, 1000.0),
...                      covariance=((0.01, 0.0), (0.0, 0.02)), residual_sd=0.5, degrees_of_freedom=8)
>>> float(curve.value(np.array([1500.0]))[0])
15.0
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.statistics.quantity import Quantity, t95

Array = NDArray[np.float64]

FAR = 50.0
"""An interval that reaches so many half ranges out has no end."""
TABLE = 2049
"""Points of the first guess of the inverse; Newton's steps do the rest."""


@dataclass(frozen=True)
class ReadingCurve:
    """A fitted curve of readings over references, in newtons or millimetres.

    ``coefficients`` by rising power of z; ``covariance`` is theirs; ``residual_sd`` is in the
    reading's unit. ``reference_relative_u`` and ``reference_u`` are standard uncertainties of the
    references themselves (share of the value; in the reference's unit), None where not stated.
    ``local_sd`` (reading's unit) is what readings stray from the curve place by place: 0 where
    repeats showed that it is scatter only. ``backlash`` (the reference's unit) is how much more is read
    on the way down than on the way up, ``backlash_u`` its standard uncertainty; None: not determined.
    """

    centre: float
    half_range: float
    coefficients: tuple[float, ...]
    covariance: tuple[tuple[float, ...], ...]
    residual_sd: float
    degrees_of_freedom: int
    lowest_verified: float | None = None
    reference_relative_u: float | None = None
    reference_u: float | None = None
    local_sd: float = 0.0
    backlash: float | None = None
    backlash_u: float | None = None

    @property
    def low(self) -> float:
        """Lowest reference used."""
        return self.centre - self.half_range

    @property
    def high(self) -> float:
        """Highest reference used."""
        return self.centre + self.half_range

    @property
    def degree(self) -> int:
        """Degree of the polynomial."""
        return len(self.coefficients) - 1

    @property
    def rises(self) -> bool:
        """Whether the reading rises with the reference."""
        return sum(self.coefficients[1::2]) > 0

    @property
    def turns_back(self) -> bool:
        """Whether one reading would stand for two references inside the range."""
        slope = self._slope(np.linspace(-1.0, 1.0, 201))
        return not (np.all(slope > 0) or np.all(slope < 0))

    def reading(self, reference: Array) -> Array:
        """The reading to expect at a reference, shape as given."""
        return self._at((np.asarray(reference, dtype=np.float64) - self.centre) / self.half_range)

    def value(self, reading: Array) -> Array:
        """The force or length that readings stand for; straight on beyond the calibrated range.

        Parameters
        ----------
        reading : array (n,)
            NaN stays NaN.
        """
        r = np.asarray(reading, dtype=np.float64)
        c = np.array(self.coefficients)
        if self.degree == 1:
            return np.asarray(self.centre + self.half_range * (r - c[0]) / c[1])
        grid = np.linspace(-1.0, 1.0, TABLE)
        known = self._at(grid)
        order = slice(None) if self.rises else slice(None, None, -1)
        z = np.interp(r, known[order], grid[order])
        for _ in range(3):
            z = np.clip(z - (self._at(z) - r) / self._slope(z), -1.0, 1.0)
        left = r - self._at(z)                              # not 0 beyond the ends only
        z = np.where(np.abs(z) == 1.0, z + left / self._slope(z), z)
        return np.asarray(self.centre + self.half_range * z)

    def standard_uncertainty(self, value: Array) -> Array:
        """Of ONE new reading's value, first order: curve, scatter of a reading, and the references."""
        value = np.asarray(value, dtype=np.float64)
        z = (value - self.centre) / self.half_range
        own = np.sqrt(self._variance(z) + self.residual_sd**2) / np.abs(self._slope(np.clip(z, -1, 1)))
        return np.asarray(np.hypot(own * self.half_range, self._reference_u(value)))

    def interval(self, reading: float) -> Quantity:
        """The value of ONE new reading: all values whose 95 % prediction band holds it.

        Exact (the band is solved, not its slope), with the stated doubt of the references joined in
        quadrature. An end is None where the band never leaves the reading, or where a bent curve
        would have to be carried beyond its range.
        """
        value = float(self.value(np.array([reading]))[0])
        z = (value - self.centre) / self.half_range
        if self.degree > 1 and abs(z) > 1 + 1e-9:
            return Quantity(value)
        low, high = (self._edge(reading, z, side) for side in (-1.0, 1.0))
        if low is None or high is None:
            return Quantity(value)
        more = t95(math.inf) * float(self._reference_u(np.array(value)))
        return Quantity(value, value - math.hypot((z - low) * self.half_range, more),
                        value + math.hypot((high - z) * self.half_range, more))

    def scale_uncertainty(self) -> float:
        """Relative standard uncertainty of a span that begins at the low end.

        The largest over spans from a quarter of the range to all of it, the references' own doubt
        joined, widened by t95/1.96 so that 1.96 of it is the 95 % half-width for few readings too.
        """
        z = np.linspace(-0.5, 1.0, 7)
        powers = np.vander(np.append(-1.0, z), len(self.coefficients), increasing=True)
        covariance = np.array(self.covariance)
        slope = np.abs(self._slope(np.append(-1.0, z)))
        lever = powers[1:] / slope[1:, None] - powers[0] / slope[0]
        sd = np.sqrt(np.maximum(np.einsum("ij,jk,ik->i", lever, covariance, lever), 0.0))
        relative = float(np.max(sd / (z + 1.0)))
        relative *= t95(self.degrees_of_freedom) / t95(math.inf)
        spread = 0.0 if self.reference_u is None else self.reference_u / (2 * self.half_range)
        return math.hypot(relative, self.reference_relative_u or 0.0, spread)

    def local_uncertainty(self) -> float:
        """What readings stray from the curve place by place, in the reference's unit [sd]."""
        return self.local_sd * self.half_range / abs(float(self._slope(np.zeros(1))[0]))

    def by_power(self) -> tuple[list[float], list[float]]:
        """Coefficients by rising power of the reference itself, and their standard deviations."""
        turn = _from_scaled(self.degree, self.centre, self.half_range)
        covariance = turn @ np.array(self.covariance) @ turn.T
        values = turn @ np.array(self.coefficients)
        return values.tolist(), np.sqrt(np.maximum(np.diag(covariance), 0.0)).tolist()

    def _at(self, z: Array) -> Array:
        return np.asarray(np.polynomial.polynomial.polyval(z, np.array(self.coefficients)))

    def _slope(self, z: Array) -> Array:
        c = np.array(self.coefficients)
        return np.asarray(np.polynomial.polynomial.polyval(z, c[1:] * np.arange(1, c.size)))

    def _variance(self, z: Array) -> Array:
        """Of the fitted curve, in the reading's unit squared."""
        powers = np.asarray(z, dtype=np.float64)[..., None] ** np.arange(len(self.coefficients))
        return np.asarray(np.einsum("...i,ij,...j->...", powers, np.array(self.covariance), powers))

    def _reference_u(self, value: Array) -> Array:
        share, fixed = self.reference_relative_u or 0.0, self.reference_u or 0.0
        return np.asarray(np.hypot(share * np.abs(value), fixed))

    def _edge(self, reading: float, z0: float, side: float) -> float | None:
        """Where the prediction band leaves the reading, on one side of z0."""
        from scipy.optimize import brentq

        t = t95(self.degrees_of_freedom)

        def outside(z: float) -> float:
            at = np.array(z)
            band = math.sqrt(float(self._variance(at)) + self.residual_sd**2)
            return abs(reading - float(self._at(at))) - t * band

        if self.residual_sd == 0:
            return z0
        slope = abs(float(self._slope(np.array(z0))))
        step = t * self.residual_sd / slope / 4
        inner, outer = z0, z0 + side * step
        while outside(outer) < 0:
            step *= 1.5
            inner, outer = outer, outer + side * step
            if abs(outer - z0) > FAR:
                return None
        return float(brentq(outside, inner, outer, xtol=1e-15, rtol=1e-15))


def _from_scaled(degree: int, centre: float, half_range: float) -> Array:
    """Matrix (d+1, d+1) from coefficients in z to coefficients in the reference."""
    turn = np.zeros((degree + 1, degree + 1))
    for power in range(degree + 1):
        for i in range(power + 1):
            turn[i, power] = math.comb(power, i) * (-centre) ** (power - i) / half_range**power
    return turn
