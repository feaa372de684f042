"""Force that falls at a kept position: a sum of exponentials over what stays.

    F = F_inf + sum_i F_i exp(-rate_i t)

At most one exponential a decade of time can be told from its neighbours.

>>> law(terms=1).value(np.array([2.0]), np.array([1.0, 3.0, 0.5])).round(6).tolist()
[2.103638]
>>> round(float(share_per_decade(np.array([1.0, 10.0, 100.0]), np.array([5.0, 4.8, 4.6]))), 6)
0.04
"""

from __future__ import annotations

import numpy as np

from padlab.fitting.laws.law import Array, Law, Parameter, Separable, clamp


def law(*, terms: int, rests: bool = True) -> Law:
    """Prony's sum, force over time; ``rests``: something stays in the end.

    Source: generalised Maxwell element (Ferry, Viscoelastic Properties of Polymers; from memory).
    """
    rest = (Parameter("F_inf", "N", "what stays", -1e6, 1e6),) if rests else ()
    parameters = rest + tuple(
        p for i in range(1, terms + 1)
        for p in (Parameter(f"F{i}", "N", f"part {i} that goes", 1e-9, 1e6),
                  Parameter(f"rate{i}", "1/s", f"how fast part {i} goes", 1e-9, 1e6)))
    start = len(rest)
    rates = tuple(range(start + 1, len(parameters), 2))
    sizes = tuple(range(start, len(parameters), 2))

    def basis(t: Array, q: Array) -> Array:
        return np.column_stack([*([np.ones_like(t)] if rests else []), *(np.exp(-r * t) for r in q)])

    def slope(t: Array, q: Array) -> Array:
        out = np.zeros((t.size, start + terms, terms))
        for i, r in enumerate(q):
            out[:, start + i, i] = -t * np.exp(-r * t)
        return out

    def join(c: Array, q: Array) -> Array:
        theta = np.empty(len(parameters))
        theta[:start] = c[:start]
        theta[list(sizes)], theta[list(rates)] = c[start:], q
        return theta

    def value(t: Array, p: Array) -> Array:
        flat = np.asarray(p)
        c = np.concatenate([flat[:start], flat[list(sizes)]])
        return np.asarray(basis(t, flat[list(rates)]) @ c)

    def jacobian(t: Array, p: Array) -> Array:
        flat = np.asarray(p)
        q, c = flat[list(rates)], flat[list(sizes)]
        out = np.empty((t.size, flat.size))
        columns = basis(t, q)
        out[:, :start] = columns[:, :start]
        out[:, list(sizes)] = columns[:, start:]
        out[:, list(rates)] = -t[:, None] * columns[:, start:] * c
        return out

    def guess(t: Array, y: Array) -> Array:
        last, first = float(t.max()), max(float(t[t > 0].min()), 1e-9)
        edges = np.geomspace(first, last, terms + 2)[1:-1]
        c, *_ = np.linalg.lstsq(basis(t, 1 / edges), y, rcond=None)
        c[start:] = np.maximum(c[start:], 1e-3 * max(float(np.abs(y).max()), 1e-6))
        return clamp(list(join(np.asarray(c, dtype=np.float64), 1 / edges)), parameters)

    return Law("relaxation" if terms == 1 else f"relaxation, {terms} terms", "force_n over time_s",
               "F = F_inf + sum F_i exp(-rate_i t)" if rests else "F = sum F_i exp(-rate_i t)",
               "generalised Maxwell element (Ferry; from memory)", parameters, value, jacobian, guess,
               Separable(rates, basis, slope, join))


def share_per_decade(time_s: Array, force_n: Array) -> float:
    """Share of the force at 1 s that goes in each decade of time, by least squares on log10 t."""
    slope, at_one = np.polyfit(np.log10(time_s), force_n, 1)
    return float(-slope / at_one)
