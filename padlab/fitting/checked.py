"""Each law of a run fitted once more by lmfit, number beside number.

Standard errors are compared as both find them from independent points: what padlab reports is wider by
1 / sqrt(n_eff / n), for its points are serially correlated, which lmfit does not know.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.fitting.fit import Fit
from padlab.fitting.reference import fit_with_lmfit
from padlab.fitting.results import Verdict

Array = NDArray[np.float64]

AGREES = 1e-5
"""Relative difference up to which two searches are said to have found the same."""


@dataclass(frozen=True)
class ParameterCheck:
    """One parameter by padlab and by lmfit; a standard error is None where it was not found."""

    name: str
    unit: str
    value: float
    standard_error: float | None
    lmfit_value: float
    lmfit_standard_error: float | None

    @property
    def value_differs(self) -> float | None:
        """Relative difference of the values; None where it cannot be told."""
        return relative_difference(self.value, self.lmfit_value)

    @property
    def standard_error_differs(self) -> float | None:
        """Relative difference of the standard errors; None where one was not found."""
        return relative_difference(self.standard_error, self.lmfit_standard_error)

    def to_json(self) -> dict[str, Any]:
        """Its entry in ``fit --check-with-lmfit --json``."""
        return {
            "name": self.name, "unit": self.unit,
            "padlab": {"value": _finite(self.value), "standard_error": _finite(self.standard_error)},
            "lmfit": {"value": _finite(self.lmfit_value),
                      "standard_error": _finite(self.lmfit_standard_error)},
            "relative_difference": {"value": self.value_differs,
                                    "standard_error": self.standard_error_differs},
        }


@dataclass(frozen=True)
class LawCheck:
    """One law of a run, fitted by both. ``about`` says of what: compression or sinking."""

    about: str
    law: str
    verdict: Verdict
    parameters: tuple[ParameterCheck, ...]

    @property
    def agrees(self) -> bool | None:
        """Whether both found the same; None where the fit is not good: then it need not be so."""
        if self.verdict is not Verdict.GOOD:
            return None
        differ = [d for p in self.parameters for d in (p.value_differs, p.standard_error_differs)]
        return all(d is not None and d <= AGREES for d in differ)

    def to_json(self) -> dict[str, Any]:
        """Its entry in ``fit --check-with-lmfit --json``."""
        return {"about": self.about, "law": self.law, "verdict": str(self.verdict), "agrees": self.agrees,
                "parameters": [p.to_json() for p in self.parameters]}


def check_law(found: Fit, x: Array, y: Array, sigma: Array | None, effective_share: float, *,
              about: str) -> LawCheck:
    """Fit the law of ``found`` by lmfit on the same points.

    Parameters
    ----------
    x, y, sigma : array (n,)
        What ``found`` was fitted to; ``sigma`` as of :func:`padlab.fitting.fit.fit`.
    effective_share : float
        n_eff / n by which the covariance of ``found`` was widened.
    """
    law = found.law
    keep = np.isfinite(x) & np.isfinite(y)
    if sigma is not None:
        keep &= np.isfinite(sigma) & (sigma > 0)
        sigma = sigma[keep]
    own = [math.nan] * len(found.values)
    theirs, their_errors = np.array(own), None
    if found.verdict is not Verdict.TOO_FEW_POINTS:
        theirs, their_errors = fit_with_lmfit(law, x[keep], y[keep], sigma=sigma)
    errors = found.stderr
    return LawCheck(about, law.name, found.verdict, tuple(
        ParameterCheck(p.name, p.unit, float(found.values[i]),
                       None if errors is None else float(errors[i]) * math.sqrt(effective_share),
                       float(theirs[i]), None if their_errors is None else float(their_errors[i]))
        for i, p in enumerate(law.parameters)))


def relative_difference(one: float | None, other: float | None) -> float | None:
    """Difference over the larger of the two; None where one of them is no number.

    >>> relative_difference(2.0, 2.0), relative_difference(0.9, 1.0), relative_difference(1.0, None)
    (0.0, 0.09999999999999998, None)
    """
    if one is None or other is None or not (math.isfinite(one) and math.isfinite(other)):
        return None
    return 0.0 if one == other else abs(one - other) / max(abs(one), abs(other))


def _finite(number: float | None) -> float | None:
    return number if number is not None and math.isfinite(number) else None
