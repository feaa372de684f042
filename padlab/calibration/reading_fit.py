"""Readings fitted on their references; how bent the curve must be is asked of the repeats.

The lowest degree is taken that the lack-of-fit F test does not refuse at 5 %: scatter about the
curve against scatter between repeats at one reference (Draper & Smith, Applied Regression
Analysis, from memory). With fewer than five degrees of freedom of repeats nothing can be tested: a
straight line, and a mark.

>>> f = np.repeat([0.0, 1.0, 2.0, 3.0, 4.0], 3)
>>> r = 100 + 50 * f + 2 * f**2 + np.tile([-0.1, 0.0, 0.1], 5)
>>> fit_readings(f, r).curve.degree
2
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.errors import FitError
from padlab.records.reading_curve import ReadingCurve

Array = NDArray[np.float64]

FEWEST_PURE = 5
"""Degrees of freedom of repeats below which the test says nothing worth hearing (design choice)."""
HIGHEST_DEGREE = 4
REFUSED_AT = 0.05
SAME = 1e-9
"""References that differ by less than this share of the range are one reference."""


@dataclass(frozen=True)
class LackOfFit:
    """One F test of one degree."""

    degree: int
    f: float
    critical: float
    accepted: bool


@dataclass(frozen=True)
class ReadingFit:
    """The curve, the tests that chose its degree (lowest first), and what is left over (n,)."""

    curve: ReadingCurve
    tests: tuple[LackOfFit, ...]
    residual: Array

    @property
    def lack_of_fit(self) -> LackOfFit | None:
        """The test of the degree that was taken, or None where repeats were too few to test."""
        return self.tests[-1] if self.tests else None


def fit_readings(reference: Array, reading: Array, *, lowest_verified: float | None = None, step: float = 0.0,
                 reference_relative_u: float | None = None, reference_u: float | None = None) -> ReadingFit:
    """Fit the reading on the reference.

    Parameters
    ----------
    reference, reading : array (n,)
        In any units: the fit is done on centred and scaled references.
    step : float
        What the reading moves by at least; scatter is never taken for less than its rounding.

    Raises
    ------
    FitError
        Too few readings or references, readings that do not follow the reference, or a curve that
        turns back.
    """
    low, high = float(reference.min()), float(reference.max())
    group = groups_of(reference)
    levels = int(group.max()) + 1
    if levels < 2 or reference.size < 3:
        raise FitError("too few references to calibrate with", expected="2 different ones and 3 readings",
                       seen=f"{levels} and {reference.size}", remedy="hang or set more of them, up and down")
    centre, half = (low + high) / 2, (high - low) / 2
    z = (reference - centre) / half
    pure_df = reference.size - levels
    pure_ss = float(sum(np.sum((reading[group == g] - reading[group == g].mean()) ** 2)
                        for g in range(levels)))
    degree, tests = 1, []
    if pure_df >= FEWEST_PURE and levels > 2:
        for degree in range(1, min(levels - 2, HIGHEST_DEGREE) + 1):
            tests.append(_test(degree, z, reading, levels, pure_ss, pure_df))
            if tests[-1].accepted:
                break
    if pure_df >= FEWEST_PURE and levels == 2:
        degree = 1                                       # two references: a line goes through both
    coefficients, covariance, sd, left = _least_squares(degree, z, reading)
    if sd < step / math.sqrt(12):
        # Readings that repeat to the last digit are known to their step, no better.
        covariance = covariance * (step * step / 12 / (sd * sd)) if sd > 0 else _least_squares(
            degree, z, reading, sd=step / math.sqrt(12))[1]
        sd = step / math.sqrt(12)
    # How far the levels' means lie off the curve: where the test accepts it, scatter alone may do that, and
    # local errors of that size as well; else the curve may be missed by all that is left over.
    local = sd
    if tests and tests[-1].accepted:
        means = np.array([left[group == g].mean() for g in range(levels)])
        local = float(np.sqrt(means @ means / max(levels - degree - 1, 1)))
    curve = ReadingCurve(centre, half, tuple(coefficients.tolist()),
                         tuple(tuple(row) for row in covariance.tolist()), sd, reference.size - degree - 1,
                         lowest_verified, reference_relative_u, reference_u, local)
    if not np.isfinite(coefficients).all() or not coefficients[1:].any():
        raise FitError("the readings do not follow the references", expected="readings that change",
                       seen=f"{float(np.ptp(reading)):g} between all of them")
    if curve.turns_back:
        raise FitError("the fitted curve turns back inside its range",
                       expected="a reading that only rises, or only falls, with the reference",
                       seen=f"degree {degree} over {low:g} to {high:g}",
                       remedy="check the table for swapped or mistyped rows")
    return ReadingFit(curve, tuple(tests), left)


def groups_of(reference: Array) -> NDArray[np.int64]:
    """Number of the level that each reference belongs to, by rising reference (n,)."""
    order = np.argsort(reference, kind="stable")
    steps = np.diff(reference[order], prepend=reference[order[0]]) > SAME * max(float(np.ptp(reference)), 0.0)
    group = np.empty(reference.size, dtype=np.int64)
    group[order] = np.cumsum(steps)
    return group


def _least_squares(degree: int, z: Array, reading: Array, *,
                   sd: float | None = None) -> tuple[Array, Array, float, Array]:
    """Coefficients in z, their covariance, residual sd, residuals; by QR, never by normal equations.

    ``sd`` stands for the residual sd in the covariance, where it is known from elsewhere.
    """
    powers = np.vander(z, degree + 1, increasing=True)
    # Readings are centred too, so that digits are not spent on a large common offset.
    middle = float(reading.mean())
    q, r = np.linalg.qr(powers)
    coefficients = np.linalg.solve(r, q.T @ (reading - middle))
    left = (reading - middle) - powers @ coefficients
    coefficients = coefficients + np.linalg.solve(r, q.T @ left)           # one step of refinement
    left = (reading - middle) - powers @ coefficients
    df = reading.size - degree - 1
    if sd is None:
        sd = float(np.sqrt(left @ left / df)) if df > 0 else float("nan")
    inverse = np.linalg.solve(r, np.eye(degree + 1))
    coefficients[0] += middle
    return coefficients, sd * sd * (inverse @ inverse.T), sd, left


def _test(degree: int, z: Array, reading: Array, levels: int, pure_ss: float, pure_df: int) -> LackOfFit:
    from scipy import special

    left = _least_squares(degree, z, reading)[3]
    lack_df = levels - degree - 1
    lack_ss = max(float(left @ left) - pure_ss, 0.0)
    critical = float(special.fdtri(lack_df, pure_df, 1 - REFUSED_AT))
    # Repeats that agree to the last digit test nothing but rounding.
    rounding = float(np.finfo(float).eps * np.max(np.abs(reading))) ** 2 * reading.size * 16
    if pure_ss <= rounding:
        return LackOfFit(degree, 0.0 if lack_ss <= rounding else 1e9, critical, lack_ss <= rounding)
    f = (lack_ss / lack_df) / (pure_ss / pure_df)
    return LackOfFit(degree, f, critical, f <= critical)
