"""Fibre assembly: F = C [(h0/(h0-x))^3 - 1], so x = h0 [1 - (1 + F/C)^(-1/3)].

The pad form of P = K E m^3/rho^3 (1/v^3 - 1/v0^3). Thickness h0 is the measured one: a free h0
turns into a shape parameter. Holds on the steady cycle; low pressures do not obey it.

>>> round(float(law(thickness_mm=1.6).value(np.array([0.5]), np.array([1.2]))[0]), 7)
0.1753853

The exponent 3 is disputed; ``free_exponent_law`` lets it lie between 2 and 5.

>>> round(float(free_exponent_law(thickness_mm=1.6).value(np.array([0.5]), np.array([1.2, 3.0]))[0]), 7)
0.1753853
"""

from __future__ import annotations

import numpy as np

from padlab.fitting.laws.law import Array, Law, Parameter, clamp

PARAMETERS = (Parameter("C", "N", "force scale", 1e-3, 1e6),)


def law(*, thickness_mm: float) -> Law:
    """The law for one pad, displacement over net force.

    Source: van Wyk, J. Text. Inst. 37 (1946) T285 (quoted from memory).
    """

    def value(f: Array, p: Array) -> Array:
        return np.asarray(thickness_mm * (1 - (1 + f / p[0]) ** (-1 / 3)))

    def jacobian(f: Array, p: Array) -> Array:
        return np.asarray((-thickness_mm / 3 * (1 + f / p[0]) ** (-4 / 3) * f / p[0] ** 2)[:, None])

    def guess(f: Array, x: Array) -> Array:
        top = min(float(x[-1]), 0.95 * thickness_mm)
        below = (thickness_mm / (thickness_mm - top)) ** 3 - 1 if top > 0 else np.nan
        return clamp([float(f[-1] / below) if below and np.isfinite(below) else np.nan], PARAMETERS)

    return Law("fibre", "displacement_mm over force_n", "F = C ((h0/(h0-x))^3 - 1)",
               "van Wyk, J. Text. Inst. 1946 (from memory)", PARAMETERS, value, jacobian, guess)


FREE = (*PARAMETERS, Parameter("q", "1", "exponent of the thickness", 2.0, 5.0))


def free_exponent_law(*, thickness_mm: float) -> Law:
    """F = C [(h0/(h0-x))^q - 1], q from 2 to 5.

    Source: van Wyk's law with the exponent left open, as its critics ask (from memory).
    """

    def value(f: Array, p: Array) -> Array:
        return np.asarray(thickness_mm * (1 - (1 + f / p[0]) ** (-1 / p[1])))

    def jacobian(f: Array, p: Array) -> Array:
        g = 1 + f / p[0]
        left = thickness_mm * g ** (-1 / p[1])
        return np.column_stack([-left / (p[1] * g) * f / p[0] ** 2, -left * np.log(g) / p[1] ** 2])

    def guess(f: Array, x: Array) -> Array:
        own = law(thickness_mm=thickness_mm).guess(f, x)
        return clamp([float(own[0]), 3.0], FREE)

    return Law("fibre, exponent free", "displacement_mm over force_n", "F = C ((h0/(h0-x))^q - 1)",
               "after van Wyk, J. Text. Inst. 1946 (from memory)", FREE, value, jacobian, guess)
