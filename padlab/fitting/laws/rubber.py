"""Rubber-like pad: F = G A (lambda^-2 - lambda), lambda = 1 - x/h0, and what the faces do to it.

A ring that is gripped by its faces (bonded, or dry without slip) is stiffer than a free one:
E_a = E (1 + 2 kappa S^2 Fh). Dry metal faces lie between the two, so G is reported as an apparent
modulus together with both bounds.

>>> round(shape_factor(outer_mm=19, inner_mm=8, thickness_mm=1.6), 5)
1.71875
>>> round(hole_factor(outer_mm=19, inner_mm=8), 6)
0.674763
>>> round(gripped_modulus(2.2, outer_mm=19, inner_mm=8, thickness_mm=1.6, kappa=0.73), 6)
8.602543
"""

from __future__ import annotations

import math

import numpy as np

from padlab.fitting.laws.law import Array, Law, Parameter, clamp

PARAMETERS = (Parameter("G", "MPa", "apparent shear modulus", 1e-4, 1e4),)

KAPPA = 0.73
"""Factor of the S^2 term at 50 IRHD (Lindley, Engineering Design with Natural Rubber; from memory)."""


def shape_factor(*, outer_mm: float, inner_mm: float, thickness_mm: float) -> float:
    """Loaded area over force-free area of a ring, both walls free: (OD - ID) / (4 h)."""
    return (outer_mm - inner_mm) / (4 * thickness_mm)


def hole_factor(*, outer_mm: float, inner_mm: float) -> float:
    """How much of a disc's S^2 term a ring keeps; 1 without a hole, 2/3 for a thin ring.

    Source: Constantinou, Kartoum & Kelly, Eng. Struct. 14 (1992).
    """
    if inner_mm <= 0:
        return 1.0
    r = outer_mm / inner_mm
    return (r * r + 1) / (r - 1) ** 2 + (1 + r) / ((1 - r) * math.log(r))


def gripped_modulus(free_modulus: float, *, outer_mm: float, inner_mm: float, thickness_mm: float,
                    kappa: float = KAPPA) -> float:
    """Young's modulus of a ring whose faces cannot slip, in the unit of ``free_modulus``.

    Source: Gent & Lindley's E (1 + 2 kappa S^2), with the hole factor.
    """
    s = shape_factor(outer_mm=outer_mm, inner_mm=inner_mm, thickness_mm=thickness_mm)
    return free_modulus * (1 + 2 * kappa * s * s * hole_factor(outer_mm=outer_mm, inner_mm=inner_mm))


def stretch(force_over_ga: Array) -> Array:
    """Solve lambda^-2 - lambda = g for lambda in (0, 1], by Newton on lambda^3 + g lambda^2 - 1 = 0.

    The cubic is convex and rising on (0, 1], so Newton from 1 falls monotonically to the root.
    """
    lam = np.ones_like(force_over_ga)
    for _ in range(60):
        step = (lam**3 + force_over_ga * lam**2 - 1) / (3 * lam**2 + 2 * force_over_ga * lam)
        lam = lam - step
        if np.all(np.abs(step) < 1e-15):
            break
    return lam


def law(*, area_mm2: float, thickness_mm: float) -> Law:
    """The neo-Hookean law for one pad, displacement over net force."""

    def value(f: Array, p: Array) -> Array:
        return np.asarray(thickness_mm * (1 - stretch(f / (p[0] * area_mm2))))

    def jacobian(f: Array, p: Array) -> Array:
        g = f / (p[0] * area_mm2)
        lam = stretch(g)
        # dlambda/dg from lambda^-2 - lambda = g; dg/dG = -g/G.
        return np.asarray((-thickness_mm * (1 / (2 * lam**-3 + 1)) * g / p[0])[:, None])

    def guess(f: Array, x: Array) -> Array:
        lam = 1 - np.clip(x, 1e-9, 0.95 * thickness_mm) / thickness_mm
        return clamp([float(np.median(f / (area_mm2 * (lam**-2 - lam))))], PARAMETERS)

    return Law("neo-Hookean", "displacement_mm over force_n", "F = G A (lambda^-2 - lambda)",
               "Treloar, The Physics of Rubber Elasticity", PARAMETERS, value, jacobian, guess)
