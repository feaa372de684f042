r"""Sinking under a held note, from the measured history of the force.

A hand needs seconds to reach the force of a hold, and the pad sinks meanwhile. Each bit of the
ramp has its own clock: with a pad that sinks by c log10(t) of every bit of position, the hold
shows x(t) = x1 [1 + c L(t)] with L(t) = sum_i w_i log10(t - s_i), where w_i is the share of the
position gained at time s_i of the ramp (superposition; Boltzmann). The measured force also wanders
in the hold; its small part is taken off by a fitted small-change compliance.

       x|        .....-----  L(t): log time, as the ramp leaves it
        |     .·'
        |   /
        |  / ramp            t counts from the middle of the ramp's gain
        | /
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.fitting.fit import Fit, fit
from padlab.fitting.laws import creep_laws
from padlab.fitting.prepared import Prepared, Stroke
from padlab.fitting.results import Creep, Verdict
from padlab.records.pad import F0_N
from padlab.signals.contact import crossing
from padlab.statistics.quantity import Quantity, t95, with_doubt

Array = NDArray[np.float64]

POINTS = 36
FIRST_S = 0.7
DEFAULT_TIMES_S = (1.0, 10.0, 60.0, 600.0)


def sinking(prepared: Prepared, *, near_n: float, times_s: tuple[float, ...] = DEFAULT_TIMES_S,
            travel_scale_u: float | None) -> Creep | None:
    """Fit the hold whose force is nearest to ``near_n`` (the first of several); None without a hold."""
    holds = prepared.role("hold")
    if not holds:
        return None
    hold = min(holds, key=lambda s: (round(abs(math.log(_level(prepared, s) / near_n)), 2), s.press.number))
    level = _level(prepared, hold)
    t, x, measured_to = _history(prepared, hold, level)
    if t.size < 12:
        return Creep("logarithmic", level, None, None, (), (), Verdict.TOO_FEW_POINTS, measured_to)
    fits = {law.name: fit(law, t, x) for law in creep_laws()}
    share = _effective_share(fits, t, x)
    fits = {name: _widen(f, share) for name, f in fits.items()}
    log = fits["logarithmic"]
    spread = _model_spread(fits, x1=float(log.values[0]))
    quantity, u = _fraction(log, spread)
    usual = [r for r in (_rise(f) for f in fits.values() if f.is_valid)]
    predicted = _predict(log, fits, times_s, measured_to, travel_scale_u)
    alternatives = tuple(
        {"law": name, "predicted": _predict(f, {}, times_s, measured_to, travel_scale_u)}
        for name, f in fits.items() if name != "logarithmic"
    )
    shown = np.geomspace(max(float(t[0]), 0.5), 10 * measured_to, 80)
    verdict = log.verdict if usual else Verdict.UNDETERMINED
    return Creep("logarithmic", level, quantity, u, predicted, alternatives, verdict, measured_to,
                 curve_t_s=t, curve_measured_mm=x, curve_law_mm=log.predict(shown))


def _level(prepared: Prepared, hold: Stroke) -> float:
    assert hold.press.hold is not None  # the role says so
    a, b = hold.press.hold
    return float(np.median(prepared.force_n[a:b]))


def _history(prepared: Prepared, hold: Stroke, level: float) -> tuple[Array, Array, float]:
    """Effective time, position from F0 at the hold's level, and how long the hold lasted."""
    assert hold.press.hold is not None
    a, b = hold.press.hold
    start = hold.press.start
    time, force, position = prepared.time_s, prepared.force_n, prepared.position_mm
    zero = crossing(position[max(start - 12, 0) : a], force[max(start - 12, 0) : a], at_n=F0_N)
    if zero is None:
        zero = float(position[start])
    ramp_t, ramp_x = time[start : a + 1], np.maximum.accumulate(position[start : a + 1])
    gain = np.diff(ramp_x)
    total = float(gain.sum())
    if total <= 0:
        return np.zeros(0), np.zeros(0), 0.0
    share, at = gain / total, (ramp_t[1:] + ramp_t[:-1]) / 2
    # Few ramp bits are enough: the history is smooth.
    if share.size > 40:
        edges = np.linspace(0, share.size, 41).astype(int)
        weight = np.add.reduceat(share, edges[:-1])
        at = np.add.reduceat(share * at, edges[:-1]) / np.maximum(weight, 1e-12)
        share = weight
        at, share = at[share > 0], share[share > 0]
    end = float(time[a])
    t_hold, x_hold, f_hold = time[a:b] - end, position[a:b] - zero, force[a:b]
    first = FIRST_S
    ok = t_hold >= first
    if ok.sum() < 12:
        return np.zeros(0), np.zeros(0), float(t_hold[-1])
    # Even in log time: otherwise the last ten seconds rule the fit.
    edges = np.geomspace(first, float(t_hold[-1]) * 1.0001, POINTS + 1)
    cell = np.searchsorted(edges, t_hold[ok], side="right") - 1
    n = np.bincount(cell, minlength=POINTS)[:POINTS].astype(float)
    some = n > 0
    mean_t = np.exp(np.bincount(cell, np.log(t_hold[ok]), POINTS)[:POINTS][some] / n[some])
    mean_x = np.bincount(cell, x_hold[ok], POINTS)[:POINTS][some] / n[some]
    mean_f = np.bincount(cell, f_hold[ok], POINTS)[:POINTS][some] / n[some]
    log_t = np.log10(mean_t[:, None] + end - at[None, :]) @ share
    compliance = _small_compliance(t_hold[ok], x_hold[ok], f_hold[ok])
    return np.asarray(10.0**log_t), np.asarray(mean_x - compliance * (mean_f - level)), float(t_hold[-1])


def _small_compliance(t: Array, x: Array, f: Array) -> float:
    """dx/dF for small quick changes [mm/N]: regression of x on F beside a cubic in log time."""
    log_t = np.log10(t)
    design = np.column_stack([np.ones_like(t), log_t, log_t**2, log_t**3, f - f.mean()])
    beta, *_ = np.linalg.lstsq(design, x, rcond=None)
    return float(np.clip(beta[4], 0.0, 1.0))


def _effective_share(fits: dict[str, Fit], t: Array, x: Array) -> float:
    """n_eff / n from the residuals of the closest law; one for all."""
    best = min((f for f in fits.values() if math.isfinite(f.weighted_rss)), key=lambda f: f.weighted_rss)
    r = x - best.predict(t)
    below = float(r @ r)
    r1 = float(np.clip(r[1:] @ r[:-1] / below, 0.0, 0.9)) if below > 0 else 0.0
    return (1 - r1) / (1 + r1)


def _widen(f: Fit, share: float) -> Fit:
    from dataclasses import replace

    return f if f.covariance is None else replace(f, covariance=f.covariance / share)


def _rise(f: Fit) -> float:
    one, ten = f.predict(np.array([1.0, 10.0]))
    return float((ten - one) / one) if one else math.nan


def _model_spread(fits: dict[str, Fit], *, x1: float) -> float:
    """Standard uncertainty of the fraction from the choice of law: rectangular over the laws that hold."""
    rises = [_rise(f) for name, f in fits.items() if name != "approach" and f.covariance is not None]
    rises = [r for r in rises if math.isfinite(r)]
    return (max(rises) - min(rises)) / math.sqrt(12) if len(rises) > 1 else 0.0


def _fraction(log: Fit, spread: float) -> tuple[Quantity | None, float | None]:
    value = float(log.values[1])
    if log.stderr is None or not math.isfinite(value):
        return None, None
    u = math.hypot(float(log.stderr[1]), spread)
    return with_doubt(value, u, degrees_of_freedom=max(log.n_used - 2, 1), positive=value > 3 * u), u


def _predict(f: Fit, others: dict[str, Fit], times_s: tuple[float, ...], measured_to: float,
             travel_scale_u: float | None) -> tuple[dict[str, Any], ...]:
    """Total position at the times, with the spread of the laws where it is carried beyond the data."""
    rows = []
    for at in times_s:
        t = np.array([at])
        value = float(f.predict(t)[0])
        error = f.predict_standard_error(t)
        beyond = at > measured_to
        quantity: Quantity | None = None
        if error is not None and math.isfinite(value):
            u = math.hypot(float(error[0]), (travel_scale_u or 0.0) * value)
            half = t95(max(f.n_used - len(f.values), 1)) * u
            low, high = value - half, value + half
            if beyond:
                values = [float(o.predict(t)[0]) for o in others.values() if o.covariance is not None]
                low, high = min([low, *[v - half for v in values]]), max([high, *[v + half for v in values]])
            quantity = Quantity(value, low, high)
        rows.append({"at_s": at, "extrapolated": beyond, "mm": quantity})
    return tuple(rows)
