"""Laws of the loss of thickness over strokes (or over days): what a pad loses for good.

* steady        w = c N
* running in    w = a (1 - e^(-N/N0)) + c N
* power         w = a (N / 100,000)^b
* saturating    w = a (1 - e^(-(N/N0)^b))          never loses more than a
* logarithmic   w = a log10(1 + N/N0)

All start at 0 and never turn back. Which one when: the readings decide (:mod:`padlab.fitting.wear`).

>>> round(float(running_in().value(np.array([1e6]), np.array([0.020, 5e4, 1.4e-8]))[0]), 6)
0.034
"""

from __future__ import annotations

import numpy as np

from padlab.fitting.laws.law import Array, Law, Parameter, Separable, clamp

REFERENCE_STROKES = 1e5
"""The power law's loss is quoted here."""
RUN_IN_BY = 5.0
"""Steady wear is quoted only where the readings go on for five times the running in (design choice)."""

_LOSS = Parameter("a", "mm", "size of the loss", 1e-9, 1e3)
_EACH = Parameter("c", "mm/stroke", "what each later stroke takes", 1e-15, 1e3)
_EXPONENT = Parameter("b", "1", "exponent of the strokes", 0.02, 3.0)


def wearing_laws(longest: float) -> list[Law]:
    """All laws of loss, for readings that end at ``longest`` strokes."""
    return [steady(), running_in(within=longest / RUN_IN_BY), power(), saturating(), logarithmic()]


def steady() -> Law:
    """Loss w = c N. Source: Archard, J. Appl. Phys. 24 (1953) 981 (from memory)."""
    return Law("steady", "loss_mm over strokes", "w = c N", "Archard 1953 (from memory)", (_EACH,),
               lambda n, p: p[0] * n, lambda n, p: n[:, None],
               lambda n, w: clamp([float(n @ w) / max(float(n @ n), 1e-300)], (_EACH,)),
               Separable((), lambda n, q: n[:, None], lambda n, q: np.zeros((n.size, 1, 0)),
                         lambda c, q: np.asarray(c)))


def running_in(*, within: float = 1e9) -> Law:
    """Loss w = a (1 - exp(-N/N0)) + c N, run in by ``within`` strokes at the latest.

    Source: running in over the steady wear of Archard, J. Appl. Phys. 24 (1953) 981 (from memory).
    """
    parameters = (_LOSS, Parameter("N0", "strokes", "how long running in takes", 1e-3, within), _EACH)

    def basis(n: Array, q: Array) -> Array:
        return np.column_stack([-np.expm1(-n / q[0]), n])

    def slope(n: Array, q: Array) -> Array:
        return np.stack([-n / q[0] ** 2 * np.exp(-n / q[0]), 0 * n], axis=1)[:, :, None]

    def guess(n: Array, w: Array) -> Array:
        best, rss = [np.nan] * 3, np.inf
        for scale in np.geomspace(max(float(n[n > 0].min()), 1.0), float(n.max()), 12):
            c, *_ = np.linalg.lstsq(basis(n, np.array([scale])), w, rcond=None)
            left = float(np.sum((w - basis(n, np.array([scale])) @ c) ** 2))
            if c.min() > 0 and left < rss:
                best, rss = [float(c[0]), float(scale), float(c[1])], left
        return clamp(best, parameters)

    return Law("running in", "loss_mm over strokes", "w = a (1 - exp(-N/N0)) + c N",
               "Archard 1953 (from memory)", parameters,
               lambda n, p: -p[0] * np.expm1(-n / p[1]) + p[2] * n,
               lambda n, p: np.column_stack(
                   [-np.expm1(-n / p[1]), -p[0] * n / p[1] ** 2 * np.exp(-n / p[1]), n]),
               guess, Separable((1,), basis, slope, lambda c, q: np.array([c[0], q[0], c[1]])))


def power() -> Law:
    """Loss w = a (N / 100,000)^b. Source: common practice of wear tests, no source."""
    parameters = (_LOSS, _EXPONENT)

    def basis(n: Array, q: Array) -> Array:
        return np.asarray(((n / REFERENCE_STROKES) ** q[0])[:, None])

    def by_exponent(n: Array, b: float) -> Array:
        ratio = n / REFERENCE_STROKES
        return np.asarray(ratio**b * np.log(np.maximum(ratio, 1e-300)))

    def guess(n: Array, w: Array) -> Array:
        ok = (n > 0) & (w > 0)
        if ok.sum() < 2:
            return clamp([float(np.abs(w).max()), 0.5], parameters)
        b, log_a = np.polyfit(np.log(n[ok] / REFERENCE_STROKES), np.log(w[ok]), 1)
        return clamp([float(np.exp(log_a)), float(b)], parameters)

    return Law("power", "loss_mm over strokes", "w = a (N/1e5)^b", "common practice, no source", parameters,
               lambda n, p: p[0] * (n / REFERENCE_STROKES) ** p[1],
               lambda n, p: np.column_stack([basis(n, p[1:])[:, 0], p[0] * by_exponent(n, p[1])]), guess,
               Separable((1,), basis, lambda n, q: by_exponent(n, q[0])[:, None, None], np.append))


def saturating() -> Law:
    """Loss w = a (1 - exp(-(N/N0)^b)). Source: stretched exponential (Kohlrausch), common practice."""
    parameters = (_LOSS, Parameter("N0", "strokes", "how long it takes", 1e-3, 1e12),
                  Parameter("b", "1", "exponent of the strokes", 0.1, 2.0))

    def parts(n: Array, scale: float, b: float) -> tuple[Array, Array, Array]:
        """1 - e^-u, u e^-u and ln(N/N0), with u = (N/N0)^b."""
        log_ratio = np.log(np.maximum(n, 1e-300) / scale)
        u = np.exp(np.minimum(b * log_ratio, 700.0))
        return -np.expm1(-u), u * np.exp(-u), log_ratio

    def slope(n: Array, q: Array) -> Array:
        _, steep, log_ratio = parts(n, q[0], q[1])
        return np.asarray(np.stack([-q[1] / q[0] * steep, steep * log_ratio], axis=1)[:, None, :])

    def guess(n: Array, w: Array) -> Array:
        best, rss = [np.nan] * 3, np.inf
        for b in (0.4, 0.7, 1.0):
            for scale in np.geomspace(max(float(n[n > 0].min()), 1.0), 3 * float(n.max()), 12):
                column = parts(n, float(scale), b)[0]
                a = float(column @ w) / max(float(column @ column), 1e-300)
                left = float(np.sum((w - a * column) ** 2))
                if a > 0 and left < rss:
                    best, rss = [a, float(scale), b], left
        return clamp(best, parameters)

    def jacobian(n: Array, p: Array) -> Array:
        return np.column_stack([parts(n, p[1], p[2])[0], p[0] * slope(n, p[1:])[:, 0, :]])

    return Law("saturating", "loss_mm over strokes", "w = a (1 - exp(-(N/N0)^b))",
               "stretched exponential (Kohlrausch), common practice", parameters,
               lambda n, p: p[0] * parts(n, p[1], p[2])[0], jacobian, guess,
               Separable((1, 2), lambda n, q: parts(n, q[0], q[1])[0][:, None], slope, np.append))


def logarithmic() -> Law:
    """Loss w = a log10(1 + N/N0). Source: common practice of set and wear tests, no source."""
    parameters = (_LOSS, Parameter("N0", "strokes", "where it starts to count by decades", 1e-3, 1e12))

    def basis(n: Array, q: Array) -> Array:
        return np.asarray((np.log1p(n / q[0]) / np.log(10))[:, None])

    def slope(n: Array, q: Array) -> Array:
        return np.asarray((-n / (q[0] * (q[0] + n)) / np.log(10))[:, None, None])

    def guess(n: Array, w: Array) -> Array:
        best, rss = [np.nan] * 2, np.inf
        for scale in np.geomspace(max(float(n[n > 0].min()) / 10, 1e-2), 10 * float(n.max()), 24):
            column = basis(n, np.array([scale]))[:, 0]
            a = float(column @ w) / max(float(column @ column), 1e-300)
            left = float(np.sum((w - a * column) ** 2))
            if a > 0 and left < rss:
                best, rss = [a, float(scale)], left
        return clamp(best, parameters)

    return Law("logarithmic", "loss_mm over strokes", "w = a log10(1 + N/N0)", "common practice, no source",
               parameters, lambda n, p: p[0] * basis(n, p[1:])[:, 0],
               lambda n, p: np.column_stack([basis(n, p[1:])[:, 0], p[0] * slope(n, p[1:])[:, 0, 0]]), guess,
               Separable((1,), basis, slope, np.append))
