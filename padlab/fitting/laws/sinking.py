"""Laws of sinking under a held force: position over time in the hold.

* logarithmic   x = x1 [1 + c log10(t / 1 s)]
* Findley       x = x0 + m t^n
* approach      x = x0 + b (1 - e^(-t/tau))       (one Kelvin-Voigt element)

>>> round(float(logarithmic().value(np.array([10.0]), np.array([0.2, 0.04]))[0]), 6)
0.208
"""

from __future__ import annotations

import numpy as np

from padlab.fitting.laws.law import Array, Law, Parameter, clamp

_LOG = (Parameter("x1", "mm", "position 1 s into the hold", 1e-6, 1e3),
        Parameter("c", "1/decade", "fraction per decade of time", -1.0, 1.0))
_FINDLEY = (Parameter("x0", "mm", "position at once", -1e3, 1e3),
            Parameter("m", "mm/s^n", "size of the power of time", 1e-9, 1e3),
            Parameter("n", "1", "exponent of time", 0.01, 1.0))
_APPROACH = (Parameter("b", "mm", "what is still to come", 1e-9, 1e6),
             Parameter("rate", "1/s", "1 / retardation time", 1e-9, 1e6))


def logarithmic() -> Law:
    """Straight in log time. Source: rubber practice (ISO 8013 quotes creep per decade; from memory)."""
    return Law("logarithmic", "position_mm over time_s", "x = x1 (1 + c log10 t)", "creep per decade of time",
               _LOG,
               lambda t, p: p[0] * (1 + p[1] * np.log10(t)),
               lambda t, p: np.column_stack([1 + p[1] * np.log10(t), p[0] * np.log10(t)]),
               _guess_log)


def _guess_log(t: Array, x: Array) -> Array:
    slope, at_one = np.polyfit(np.log10(t), x, 1)
    return clamp([float(at_one), float(slope / at_one) if at_one else 0.0], _LOG)


def findley() -> Law:
    """Power of time over an instant part. Source: Findley, Lai & Onaran 1976 (from memory)."""
    def value(t: Array, p: Array) -> Array:
        return np.asarray(p[0] + p[1] * t ** p[2])

    def jacobian(t: Array, p: Array) -> Array:
        power = t ** p[2]
        return np.column_stack([np.ones_like(t), power, p[1] * power * np.log(t)])

    def guess(t: Array, x: Array) -> Array:
        best = (np.inf, 0.0, 1e-3, 0.1)
        for n in (0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5, 0.8):
            design = np.column_stack([np.ones_like(t), t**n])
            (x0, m), *_ = np.linalg.lstsq(design, x, rcond=None)
            rss = float(np.sum((x - design @ [x0, m]) ** 2))
            if m > 0 and rss < best[0]:
                best = (rss, float(x0), float(m), n)
        return clamp(list(best[1:]), _FINDLEY)

    return Law("Findley", "position_mm over time_s", "x = x0 + m t^n", "Findley (from memory)",
               _FINDLEY, value, jacobian, guess)


def approach() -> Law:
    """One exponential approach: y = b (1 - exp(-rate t)). Source: Kelvin-Voigt element (Ferry)."""
    def value(t: Array, p: Array) -> Array:
        return np.asarray(-p[0] * np.expm1(-p[1] * t))

    def jacobian(t: Array, p: Array) -> Array:
        e = np.exp(-p[1] * t)
        return np.column_stack([-np.expm1(-p[1] * t), p[0] * t * e])

    def guess(t: Array, y: Array) -> Array:
        half = float(y.max()) / 2
        at = float(np.interp(half, y, t)) if np.all(np.diff(y) > 0) else float(np.median(t))
        return clamp([float(y.max()) * 1.2, 0.7 / max(at, 1e-9)], _APPROACH)

    return Law("approach", "rise over time", "y = b (1 - exp(-rate t))", "Kelvin-Voigt element",
               _APPROACH, value, jacobian, guess)


def approach_from() -> Law:
    """The exponential approach over an instant part, for holds: x = x0 + b (1 - exp(-rate t))."""
    inner = approach()
    parameters = (Parameter("x0", "mm", "position at once", -1e3, 1e3), *_APPROACH)

    def guess(t: Array, x: Array) -> Array:
        b = max(float(x[-1] - x[0]), 1e-6)
        return clamp([float(x[0]), b, 3.0 / float(t[-1])], parameters)

    return Law("approach", "position_mm over time_s", "x = x0 + b (1 - exp(-rate t))", inner.source,
               parameters,
               lambda t, p: p[0] + inner.value(t, p[1:]),
               lambda t, p: np.column_stack([np.ones_like(t), inner.jacobian(t, p[1:])]),
               guess)
