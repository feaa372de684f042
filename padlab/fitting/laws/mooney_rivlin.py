"""Rubber-like pad with a second constant: F = 2 A (C1 + C2/lambda) (lambda^-2 - lambda), lambda = 1 - x/h0.

C1 and C2 of one load path hang together; the second is believed only where the pad was pressed by a
quarter of its thickness and the data gain by it (``compression_laws`` and ``describe`` see to that).

>>> round(float(law(area_mm2=233.0, thickness_mm=1.6).value(np.array([30.0]), np.array([0.35, 0.1]))[0]), 6)
0.072057
>>> stress_law().value(np.array([2.0]), np.array([0.2, 0.05])).round(6).tolist()
[0.7875]
"""

from __future__ import annotations

import numpy as np

from padlab.fitting.laws.inverse import turned
from padlab.fitting.laws.law import Array, Law, Parameter, Separable, clamp

PARAMETERS = (
    Parameter("C1", "MPa", "half the shear modulus, without the second constant", 1e-5, 1e4),
    Parameter("C2", "MPa", "what falls with stretch", -1e4, 1e4),
)
LEAST_STRAIN = 0.25
"""Pressed by less of its thickness, a pad does not tell C1 from C2 (design choice)."""
LEAST_GAIN = 4.0
"""In AICc over the one-constant law."""
_SOURCE = "Mooney, J. Appl. Phys. 11 (1940) 582; Rivlin, Phil. Trans. A 241 (1948) 379 (from memory)"


def law(*, area_mm2: float, thickness_mm: float) -> Law:
    """The law for one pad, displacement over net force."""
    h, a = thickness_mm, area_mm2

    def force(x: Array, p: Array) -> Array:
        lam = 1 - x / h
        return np.asarray(2 * a * (p[0] + p[1] / lam) * (lam**-2 - lam))

    def slope(x: Array, p: Array) -> Array:
        lam = 1 - x / h
        by_lam = -p[1] / lam**2 * (lam**-2 - lam) + (p[0] + p[1] / lam) * (-2 * lam**-3 - 1)
        return np.asarray(-2 * a / h * by_lam)

    def by_theta(x: Array, p: Array) -> Array:
        lam = 1 - x / h
        one = 2 * a * (lam**-2 - lam)
        return np.column_stack([one, one / lam])

    def guess(f: Array, x: Array) -> Array:
        design = by_theta(np.clip(x, 1e-9, 0.95 * h), np.zeros(2))
        c, *_ = np.linalg.lstsq(design, f, rcond=None)
        return clamp([float(c[0]) if c[0] > 0 else float(np.median(f / design[:, 0])),
                      float(c[1]) if c[0] > 0 else 0.0], PARAMETERS)

    return turned("Mooney-Rivlin", "F = 2 A (C1 + C2/lambda) (lambda^-2 - lambda)", _SOURCE, PARAMETERS,
                  most_mm=h, force=force, slope=slope, by_theta=by_theta, guess=guess,
                  needs_gain=LEAST_GAIN)


def stress_law(*, two_constants: bool = True) -> Law:
    """Nominal stress [MPa] over stretch in one direction, s = 2 (C1 + C2/lambda) (lambda - lambda^-2).

    With one constant it is the neo-Hookean law, G = 2 C1.
    """
    parameters = PARAMETERS if two_constants else PARAMETERS[:1]

    def basis(lam: Array, q: Array) -> Array:
        one = 2 * (lam - lam**-2)
        return np.column_stack([one, one / lam]) if two_constants else one[:, None]

    def guess(lam: Array, s: Array) -> Array:
        c, *_ = np.linalg.lstsq(basis(lam, lam[:0]), s, rcond=None)
        return clamp([float(v) for v in c], parameters)

    return Law("Mooney-Rivlin" if two_constants else "neo-Hookean", "stress_mpa over stretch",
               "s = 2 (C1 + C2/lambda) (lambda - lambda^-2)", _SOURCE, parameters,
               lambda lam, p: basis(lam, p) @ p, lambda lam, p: basis(lam, p), guess,
               Separable((), basis, lambda lam, q: np.zeros((lam.size, len(parameters), 0)), lambda c, q: c))
