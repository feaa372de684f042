"""Laws of sinking under a held force: position over time in the hold.

* logarithmic   x = x1 [1 + c log10(t / 1 s)]
* Findley       x = x0 + m t^n
* approach      x = x0 + b (1 - e^(-t/tau))       (one Kelvin-Voigt element, with the measured ramp)

>>> round(float(logarithmic().value(np.array([10.0]), np.array([0.2, 0.04]))[0]), 6)
0.208
"""

from __future__ import annotations

import numpy as np

from padlab.fitting.laws.law import Array, Law, Parameter, Separable, clamp

_LOG = (Parameter("x1", "mm", "position 1 s into the hold", 1e-6, 1e3),
        Parameter("c", "1/decade", "fraction per decade of time", -1.0, 1.0))
_FINDLEY = (Parameter("x0", "mm", "position at once", -1e3, 1e3),
            Parameter("m", "mm/s^n", "size of the power of time", 1e-9, 1e3),
            Parameter("n", "1", "exponent of time", 0.01, 1.0))
_APPROACH = (Parameter("b", "mm", "what is still to come", 1e-9, 1e6),
             Parameter("rate", "1/s", "1 / retardation time", 1e-9, 1e6))


def logarithmic(*, clock_s: float = 0.0) -> Law:
    """Straight in the log of a clock that runs ``clock_s`` ahead of t; x1 is the position at t = 1 s.

    Source: rubber practice (ISO 8013 quotes creep per decade; from memory).
    """
    def scaled(t: Array) -> Array:
        return np.asarray(np.log10((t + clock_s) / (1.0 + clock_s)))

    def guess(t: Array, x: Array) -> Array:
        slope, at_one = np.polyfit(scaled(t), x, 1)
        return clamp([float(at_one), float(slope / at_one) if at_one else 0.0], _LOG)

    return Law("logarithmic", "position_mm over time_s", "x = x1 (1 + c log10 t)", "creep per decade of time",
               _LOG,
               lambda t, p: p[0] * (1 + p[1] * scaled(t)),
               lambda t, p: np.column_stack([1 + p[1] * scaled(t), p[0] * scaled(t)]),
               guess,
               Separable((), lambda t, q: np.column_stack([np.ones_like(t), scaled(t)]),
                         lambda t, q: np.zeros((t.size, 2, 0)),
                         lambda c, q: np.array([c[0], c[1] / c[0]])))


def findley(*, clock_s: float = 0.0) -> Law:
    """Power of time over an instant part. Source: Findley, Lai & Onaran 1976 (from memory)."""
    def value(t: Array, p: Array) -> Array:
        # Where nothing sinks any power fits; carried far beyond the hold it is infinite, and said to be.
        with np.errstate(over="ignore"):
            return np.asarray(p[0] + p[1] * (t + clock_s) ** p[2])

    def jacobian(t: Array, p: Array) -> Array:
        t = t + clock_s
        power = t ** p[2]
        return np.column_stack([np.ones_like(t), power, p[1] * power * np.log(t)])

    def basis(t: Array, q: Array) -> Array:
        return np.column_stack([np.ones_like(t), (t + clock_s) ** q[0]])

    def slope(t: Array, q: Array) -> Array:
        t = t + clock_s
        return np.stack([np.zeros_like(t), t ** q[0] * np.log(t)], axis=1)[:, :, None]

    def guess(t: Array, x: Array) -> Array:
        best = (np.inf, 0.0, 1e-3, 0.1)
        t = t + clock_s
        for n in (0.02, 0.05, 0.1, 0.15, 0.2, 0.3, 0.5, 0.8):
            design = np.column_stack([np.ones_like(t), t**n])
            (x0, m), *_ = np.linalg.lstsq(design, x, rcond=None)
            rss = float(np.sum((x - design @ [x0, m]) ** 2))
            if m > 0 and rss < best[0]:
                best = (rss, float(x0), float(m), n)
        return clamp(list(best[1:]), _FINDLEY)

    return Law("Findley", "position_mm over time_s", "x = x0 + m t^n", "Findley (from memory)",
               _FINDLEY, value, jacobian, guess, Separable((2,), basis, slope, np.append))


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
               _APPROACH, value, jacobian, guess,
               Separable((1,), lambda t, q: -np.expm1(-q[0] * t)[:, None],
                         lambda t, q: (t * np.exp(-q[0] * t))[:, None, None], np.append))


def approach_from(ramp_s: Array, ramp_share: Array) -> Law:
    """The exponential approach over an instant part, with the measured ramp before the hold.

    x = x0 + b y(t), where y is what a Kelvin-Voigt element of unit size shows at t after a ramp
    whose share of the final position was ``ramp_share`` (rising to 1) at ``ramp_s`` (rising to 0).
    """
    parameters = (Parameter("x0", "mm", "position at once", -1e3, 1e3), *_APPROACH)

    def at_end(rate: float) -> tuple[float, float]:
        """What the element shows at the end of the ramp, and its derivative by the rate.

        The response is the convolution of exp(-rate s) with the rise; each straight piece of the
        ramp gives its slope times an integral that is known.
        """
        a, b = ramp_s[:-1], ramp_s[1:]                    # before the end, so both are <= 0
        rise = np.diff(ramp_share) / (b - a)
        late, early = np.exp(rate * b), np.exp(rate * a)
        # share(0) - integral of exp(rate s) rise ds, and what the first step (at a[0]) has left.
        piece = late * -np.expm1(-rate * (b - a)) / rate
        lag = float(rise @ piece) + float(ramp_share[0] * early[0])
        # The integral of s exp(rate s); of a short piece by its middle, where the differences cancel.
        by_rate = np.where(rate * (b - a) < 1e-4, (b - a) * (a + b) / 2 * np.exp(rate * (a + b) / 2),
                           (b * late - a * early - piece) / rate)
        slope = float(rise @ by_rate) + float(ramp_share[0] * a[0] * early[0])
        return float(ramp_share[-1]) - lag, -slope

    def element(t: Array, rate: float) -> Array:
        rate = _within(rate)
        return np.asarray(1 - (1 - at_end(rate)[0]) * np.exp(-rate * t))

    def by_rate(t: Array, rate: float) -> Array:
        """The derivative of ``element`` by the rate."""
        rate = _within(rate)
        end, slope = at_end(rate)
        return np.asarray((slope + (1 - end) * t) * np.exp(-rate * t))

    def value(t: Array, p: Array) -> Array:
        return np.asarray(p[0] + p[1] * element(t, float(p[2])))

    def jacobian(t: Array, p: Array) -> Array:
        rate = float(p[2])
        return np.column_stack([np.ones_like(t), element(t, rate), p[1] * by_rate(t, rate)])

    def guess(t: Array, x: Array) -> Array:
        b = max(float(x[-1] - x[0]), 1e-6)
        return clamp([float(x[0]), b, 3.0 / float(t[-1])], parameters)

    return Law("approach", "position_mm over time_s", "x = x0 + b (1 - exp(-rate t)), ramp as measured",
               "Kelvin-Voigt element", parameters, value, jacobian, guess,
               Separable((2,), lambda t, q: np.column_stack([np.ones_like(t), element(t, float(q[0]))]),
                         lambda t, q: np.stack([0 * t, by_rate(t, float(q[0]))], axis=1)[:, :, None],
                         np.append))


def _within(rate: float) -> float:
    """A rate that a search may have strayed to, back where numbers are."""
    return min(max(rate, 1e-12), 1e12)


def ramp_factor(ramp_s: float, tau_s: float) -> float:
    """What a ramp of length ``ramp_s`` does to the amplitude of exp(-t/tau), t from the ramp's start.

    (e^u - 1)/u with u = ramp/tau.

    >>> round(ramp_factor(0.5, 2.0), 8)
    1.13610167
    """
    u = ramp_s / tau_s
    return float(np.expm1(u) / u)


def kelvin_voigt(time_s: Array, force: Array, *, compliance: float, tau_s: float) -> Array:
    """Response (n,) of one Kelvin-Voigt element to a force that is linear between the samples; exact.

    y[n+1] = y[n] e + J [F[n] (1-e) + s (dt - tau (1-e))], e = exp(-dt/tau), s = dF/dt.
    Source: Taylor, Pister & Goudreau, Int. J. Num. Meth. Eng. 2 (1970) 45 (from memory).

    >>> t = np.arange(0, 3.0001, 0.05)
    >>> round(float(kelvin_voigt(t, 5 * np.minimum(t / 0.5, 1), compliance=0.02, tau_s=2.0)[-1]), 8)
    0.07465015
    """
    dt = np.diff(time_s)
    e = np.exp(-dt / tau_s)
    slope = np.diff(force) / dt
    gain = compliance * (force[:-1] * (1 - e) + slope * (dt - tau_s * (1 - e)))
    y = np.zeros_like(force)
    for n in range(dt.size):
        y[n + 1] = y[n] * e[n] + gain[n]
    return y
