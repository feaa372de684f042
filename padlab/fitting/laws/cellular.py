"""Soft foam: a stiff start, a plateau where cell walls buckle, then the walls touch.

Only where a plateau was seen (stiffness fell under 0.3 of the first) do these laws mean anything;
under a finger's pressure cork and felt show none.

>>> stages(0.10)["modulus_share"], round(stages(0.10)["plateau_share"], 7), stages(0.10)["full_strain"]
(0.010000000000000002, 0.0005, 0.86)
"""

from __future__ import annotations

import numpy as np

from padlab.fitting.laws.inverse import turned
from padlab.fitting.laws.law import Array, Law, Parameter, clamp

PLATEAU = 0.3
"""Stiffness over first stiffness under which a plateau is said to be seen (design choice)."""
TWO_POWERS = (
    Parameter("P1", "MPa", "size of the early power", 1e-6, 1e4),
    Parameter("m", "1", "its exponent", 0.05, 1.0),
    Parameter("P2", "MPa", "size of the late power", 1e-6, 1e6),
    Parameter("n", "1", "its exponent", 1.0, 8.0),
)
BUCKLING = (
    Parameter("P1", "MPa", "plateau stress", 1e-6, 1e4),
    Parameter("E", "MPa", "modulus at the start", 1e-5, 1e5),
    Parameter("P2", "MPa", "size of what densifies", 1e-8, 1e4),
    Parameter("n", "1", "its exponent", 0.5, 12.0),
)


def stages(relative_density: float) -> dict[str, float]:
    """What an open cell's density says: modulus and plateau stress over the wall's modulus, full strain.

    Source: Gibson & Ashby, Cellular Solids, 2nd ed. 1997, ch. 5 (from memory).
    """
    return {"modulus_share": relative_density**2, "plateau_share": 0.05 * relative_density**2,
            "full_strain": 1 - 1.4 * relative_density}


def two_powers(*, area_mm2: float, thickness_mm: float) -> Law:
    """F = A (P1 e^m + P2 e^n), e = x/h0, m <= 1 <= n.

    Source: after Rusch, J. Appl. Polym. Sci. 13 (1969) 2297 (from memory).
    """
    a, h = area_mm2, thickness_mm

    def force(x: Array, p: Array) -> Array:
        e = np.maximum(x / h, 1e-12)
        return np.asarray(a * (p[0] * e ** p[1] + p[2] * e ** p[3]))

    def slope(x: Array, p: Array) -> Array:
        e = np.maximum(x / h, 1e-12)
        return np.asarray(a / h * (p[0] * p[1] * e ** (p[1] - 1) + p[2] * p[3] * e ** (p[3] - 1)))

    def by_theta(x: Array, p: Array) -> Array:
        e = np.maximum(x / h, 1e-12)
        early, late, log = e ** p[1], e ** p[3], np.log(e)
        return a * np.column_stack([early, p[0] * early * log, late, p[2] * late * log])

    def guess(f: Array, x: Array) -> Array:
        e = np.clip(x / h, 1e-6, 0.98)
        best, rss = [np.nan] * 4, np.inf
        for m in (0.3, 0.6, 0.9):
            for n in (2.0, 4.0, 6.0):
                c, left = _lines(a * np.column_stack([e**m, e**n]), f)
                if c.min() > 0 and left < rss:
                    best, rss = [float(c[0]), m, float(c[1]), n], left
        return clamp(best, TWO_POWERS)

    return turned("two powers", "F = A (P1 e^m + P2 e^n)", "after Rusch 1969 (from memory)", TWO_POWERS,
                  most_mm=h, force=force, slope=slope, by_theta=by_theta, guess=guess)


def buckling(*, area_mm2: float, thickness_mm: float) -> Law:
    """F = A [P1 (1 - exp(-(E/P1) e (1-e))) + P2 (e/(1-e))^n], e = x/h0.

    Source: Avalle, Belingardi & Ibba, Int. J. Impact Eng. 34 (2007) 3 (from memory), its s set to 1.
    """
    a, h = area_mm2, thickness_mm

    def parts(x: Array, p: Array) -> tuple[Array, Array, Array]:
        e = np.clip(x / h, 1e-12, 1 - 1e-9)
        return e, np.exp(-p[1] / p[0] * e * (1 - e)), e / (1 - e)

    def force(x: Array, p: Array) -> Array:
        _, gone, ratio = parts(x, p)
        return np.asarray(a * (p[0] * (1 - gone) + p[2] * ratio ** p[3]))

    def slope(x: Array, p: Array) -> Array:
        e, gone, ratio = parts(x, p)
        late = p[2] * p[3] * ratio ** (p[3] - 1) / (1 - e) ** 2
        return np.asarray(a / h * (p[1] * (1 - 2 * e) * gone + late))

    def by_theta(x: Array, p: Array) -> Array:
        e, gone, ratio = parts(x, p)
        s = e * (1 - e)
        return a * np.column_stack([1 - gone - p[1] / p[0] * s * gone, s * gone, ratio ** p[3],
                                    p[2] * ratio ** p[3] * np.log(ratio)])

    def guess(f: Array, x: Array) -> Array:
        e = np.clip(x / h, 1e-6, 0.95)
        modulus = max(float(np.median((f / a / e)[: max(f.size // 6, 2)])), 1e-5)
        best, rss = [np.nan] * 4, np.inf
        for share in (0.2, 0.4, 0.7):
            p1 = share * float(f[-1]) / a
            for n in (1.0, 2.0, 4.0):
                early = a * p1 * (1 - np.exp(-modulus / p1 * e * (1 - e)))
                c, left = _lines((a * (e / (1 - e)) ** n)[:, None], f - early)
                if c[0] > 0 and left < rss:
                    best, rss = [p1, modulus, float(c[0]), n], left
        return clamp(best, BUCKLING)

    return turned("buckling", "F = A [P1 (1 - exp(-(E/P1) e (1-e))) + P2 (e/(1-e))^n]",
                  "Avalle et al. 2007 (from memory), s = 1", BUCKLING,
                  most_mm=h, force=force, slope=slope, by_theta=by_theta, guess=guess)


def _lines(design: Array, y: Array) -> tuple[Array, float]:
    c, *_ = np.linalg.lstsq(design, y, rcond=None)
    return np.asarray(c, dtype=np.float64), float(np.sum((y - design @ c) ** 2))
