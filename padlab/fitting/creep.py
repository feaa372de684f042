r"""Sinking under a held note, with the ramp as the hand made it.

A hand needs seconds to reach the force of a hold, and the pad sinks meanwhile: when the hold
begins, its clock already runs. How far ahead depends on the pad. If each bit of position sinks by
its own clock (superposition), the ramp alone sets the pad's clock forward; if the pad's flow
forgets how it was loaded (thermally activated flow does, nearly), what looks like a clock set
forward is the pad's own slow start, ramp or no ramp. Both show the same curve,

    x(t) = a + b log10(t + t0),      t from the moment the force was reached,

and differ in what a quick press would show between 1 s and 10 s: b in the first case,
b log10((10 + t0)/(1 + t0)) in the second. The middle is quoted and the two are its bounds. t0 is
found from the data, between 0 and the length of the ramp, and its own doubt is averaged over.
The measured force also wanders in the hold. Its rises are taken off with the pad's own stiffness;
what its going to and fro shakes in beyond that (a rubbing pad gives way a little each time) lies
between nothing and twice the wander over the stiffness (virtual pads show up to that; less, in
proportion, where the gap between the limbs says that little rubs) and is no more than all that the
pad sank: half of it is taken off, half is doubt.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.fitting.fit import UNDETERMINED_SHARE, Fit, effective_share, fit
from padlab.fitting.laws import Law, creep_laws
from padlab.fitting.prepared import Prepared, Stroke
from padlab.fitting.results import Creep, Verdict
from padlab.fitting.rounding import rounding_mm
from padlab.fitting.stepped import Steps, on_steps, sunk_in
from padlab.records.pad import F0_N
from padlab.signals.contact import crossing
from padlab.statistics.quantity import Quantity, half_width95, spread95, t95, with_doubt

Array = NDArray[np.float64]

POINTS = 36
FIRST_S = 0.2
SMOOTH_S = 0.3
WATCHED = Callable[[Fit, Array, Array, Array | None, float], None]
"""Who is told of each fit: the fit, its x, y and sigma, and n_eff / n by which its covariance was widened."""
SHAKEN = 2.0
"""The most that a wandering force shakes in, in units of its wander over the stiffness."""
RUBS = 6.0
"""Half gaps of a sixth of the position and more are those of a pad that rubs fully."""
QUICK_S = 0.8
"""A ramp shorter than this is a weight let down, no hand's; design choice [s]."""
LAW_SHARE = 0.002
"""As far as a smooth curve in the logarithm of time may be off, as a share of the position: with this the
many readings of the last seconds do not rule it; design choice."""
MOST_GIVE = 1.5
"""The most that a pad gives to a force below the greatest, in units of the loading limb's compliance."""
STEPPED = 0.01
"""Share of its step by which an indicator's mean may be off; from there on readings are bounds."""
READ_FROM_S, READ_TO_S = 0.5, 30.0
"""What is read from 1 s to 10 s is smoothed with its neighbourhood, half a decade on either side."""
BENDS = 0.12
"""Bend of a sinking curve over log time (half the change of its slope in a decade), as a share of the
slope, and its standard deviation; virtual pads show 0.05 to 0.2 (design choice)."""
OPEN_STEPS = 24
"""Over how many values a law's own time is tried where the hold leaves it open."""
REACHED = 0.985
"""Share of the held force at which the hold's clock starts."""
DEFAULT_TIMES_S = (1.0, 10.0, 60.0, 600.0)


@dataclass(frozen=True)
class Hold:
    """A hold gathered evenly in log time: (n,) arrays, and the ramp before it."""

    time_s: Array                # since the force was reached
    position_mm: Array           # from F0 of its own loading limb, at the level force
    lasted_s: float
    ramp_s: Array                # (m,) rising to 0
    ramp_share: Array            # (m,) share of the position gained, rising to 1
    shaken_mm: float             # the most that the force's wander can have shaken in
    sigma: Array | None = None   # relative standard deviations of the positions; None: all alike
    history: float = 0.0         # relative standard doubt of the fraction from how the pad had rested
    rounding_mm: float = 0.0     # standard uncertainty of one place from the indicator's step
    steps: Steps | None = None   # the readings as bounds, where the indicator's steps do not average out


def sinking(prepared: Prepared, *, near_n: float, loading_stiffness: Callable[[float], float],
            gap_share: Callable[[float], float], times_s: tuple[float, ...] = DEFAULT_TIMES_S,
            rig_u_mm: Callable[[float], float], step_mm: float = 0.0,
            on_fit: WATCHED | None = None) -> Creep | None:
    """Fit the hold whose force is nearest to ``near_n`` (the first of several); None without a hold.

    ``loading_stiffness`` gives dF/dx [N/mm] of the loading limb at a net force [N], ``gap_share``
    half the gap between the limbs there over the position, ``rig_u_mm`` the standard uncertainty of a
    position that the rig makes, ``step_mm`` the step of the indicator; ``on_fit`` is told of the fit of
    each law.
    """
    holds = prepared.role("hold")
    if not holds:
        return None
    hold = min(holds, key=lambda s: (round(abs(math.log(_level(prepared, s) / near_n)), 2), s.press.number))
    level = _level(prepared, hold)
    seen = _history(prepared, hold, level, loading_stiffness, gap_share, step_mm)
    if seen is None:
        return Creep("logarithmic", level, None, None, (), (), Verdict.TOO_FEW_POINTS, 0.0)
    return sinking_in(seen, level_n=level, times_s=times_s, rig_u_mm=rig_u_mm(level),
                      crossing_u_mm=max(prepared.position_noise_mm, seen.rounding_mm, 5e-4), on_fit=on_fit)


def sinking_in(seen: Hold, *, level_n: float, times_s: tuple[float, ...], rig_u_mm: float,
               crossing_u_mm: float, on_fit: WATCHED | None = None) -> Creep:
    """Fit one hold that was gathered; ``crossing_u_mm`` is the doubt of the place of F0 before it."""
    t, x, level = seen.time_s, seen.position_mm, level_n
    clock, shaken, fraction, u, bounds = _fraction(seen)
    laws = creep_laws(clock_s=clock, ramp_s=seen.ramp_s, ramp_share=seen.ramp_share)
    fits = {law.name: fit(law, t, x, sigma=seen.sigma) for law in laws}
    # n_eff / n from the residuals of the closest law; one for all laws.
    share = effective_share(x - min(fits.values(), key=_badness).predict(t))
    fits = {name: _widen(f, share) for name, f in fits.items()}
    open_ = {name: found for name, f in fits.items()
             if (found := open_law(f, t, x, seen.sigma, share)) is not None}
    if on_fit is not None:
        for f in fits.values():
            on_fit(f, t, x, seen.sigma, share)
    log = fits["logarithmic"]
    quantity = None
    if fraction is not None and u is not None:
        # Not on the log scale: what is known by bounds lies as far below as above.
        quantity = with_doubt(fraction, u, degrees_of_freedom=max(t.size * share - 3, 2), rectangles=bounds)
        u = math.hypot(u, *(b / math.sqrt(3) for b in bounds))
        if seen.steps is not None:
            quantity, u = _fraction_in_steps(seen, seen.steps)
            fraction = quantity.value
    # What all positions of the hold share beside the wandering force: the rig, and one crossing of F0.
    carried = Carried(fits, math.hypot(rig_u_mm, crossing_u_mm), seen.shaken_mm, shaken, clock, seen.lasted_s,
                      open_)
    predicted = carried.predicted("logarithmic", times_s)
    alternatives = tuple({"law": name, "predicted": carried.predicted(name, times_s, alone=True)}
                         for name in fits if name != "logarithmic")
    verdict = log.verdict
    if verdict is Verdict.GOOD and (fraction is None or u is None or u > UNDETERMINED_SHARE * abs(fraction)):
        verdict = Verdict.UNDETERMINED
    shown = np.geomspace(max(float(t[0]), 0.3), 10 * seen.lasted_s, 80)
    low, high = carried.ends("logarithmic", shown)
    drawn = {name: carried.value(name, shown) for name in fits}
    return Creep("logarithmic", level, quantity, u, predicted, alternatives, verdict, seen.lasted_s,
                 curve_t_s=t, curve_measured_mm=x, curve_law_t_s=shown, curve_law_mm=drawn.pop("logarithmic"),
                 curve_low_mm=low, curve_high_mm=high, ramp_s=-float(seen.ramp_s[0]), curve_others_mm=drawn)


def _dither_mm(position: Array, step_mm: float, apart: int) -> float:
    """Noise of rounded readings before they were rounded, at least [mm].

    A pad that stands between two steps shows readings that jump by a whole step with hardly any noise:
    the most that rounding alone can make of their variance, step^2/4, is taken off. Noise that goes on
    from reading to reading dithers as well: readings further apart (``apart``) show it.
    """
    moves = (float(np.mean((position[k:] - position[:-k]) ** 2)) for k in (1, apart) if k < position.size)
    return math.sqrt(max(max(moves, default=0.0) / 2 - step_mm**2 / 4, 0.0))


def _level(prepared: Prepared, hold: Stroke) -> float:
    assert hold.press.hold is not None  # the role says so
    a, b = hold.press.hold
    return float(np.median(prepared.force_n[a:b]))


def _history(prepared: Prepared, hold: Stroke, level: float, loading_stiffness: Callable[[float], float],
             gap_share: Callable[[float], float], step_mm: float) -> Hold | None:
    """Gather a hold; None where it is too short or has no loading limb."""
    assert hold.press.hold is not None
    start, (first, last) = hold.press.start, hold.press.hold
    time, force, position = prepared.time_s, prepared.force_n, prepared.position_mm
    reached = first + int(np.argmax(force[first:last] >= REACHED * level))
    zero = crossing(position[max(start - 12, 0) : reached], force[max(start - 12, 0) : reached], at_n=F0_N)
    if zero is None:
        zero = float(position[start])
    ramp_t = time[start : reached + 1] - time[reached]
    ramp_x = np.maximum.accumulate(position[start : reached + 1] - zero)
    if ramp_x.size < 3 or ramp_x[-1] <= 0:
        return None
    nodes = np.unique(np.linspace(0, ramp_x.size - 1, 17).astype(int))
    share = np.clip(ramp_x[nodes] / ramp_x[-1], 0.0, 1.0)
    t, x, f = time[reached:last] - time[reached], position[reached:last] - zero, force[reached:last]
    ok = t >= FIRST_S
    if ok.sum() < 20 or t[-1] < 3.0:
        return None
    # Even in log time: otherwise the last ten seconds rule the fit.
    edges = np.geomspace(FIRST_S, float(t[-1]) * 1.0001, POINTS + 1)
    cell = np.searchsorted(edges, t[ok], side="right") - 1
    n = np.bincount(cell, minlength=POINTS)[:POINTS].astype(float)
    some = n > 0
    quick = -float(ramp_t[0]) < QUICK_S
    pressed, below, wander = _pressed(t[ok], x[ok], f[ok], level, loading_stiffness(level))
    level_x = _at_level(t[ok], pressed, below, MOST_GIVE / loading_stiffness(level))
    if quick:
        level_x = x[ok]                              # a weight does not wander: what moves is noise
    mean_t = np.exp(np.bincount(cell, np.log(t[ok]), POINTS)[:POINTS][some] / n[some])
    mean_x = np.bincount(cell, level_x, POINTS)[:POINTS][some] / n[some]
    apart = max(int(np.searchsorted(t[ok], t[ok][0] + SMOOTH_S)), 1)
    sigma = None
    if quick:                                        # read, not fitted: each cell weighs by its readings
        sigma = np.hypot(max(prepared.position_noise_mm, 1e-5) / np.sqrt(n[some]), LAW_SHARE * np.abs(mean_x))
    rounding = rounding_mm(step_mm, _dither_mm(x[ok], step_mm, apart))
    steps = None
    if rounding > STEPPED * step_mm and not quick and on_steps(position[reached:last], step_mm):
        steps = Steps(t[ok], pressed, below, MOST_GIVE / loading_stiffness(level), step_mm, -float(ramp_t[0]))
    return Hold(mean_t, mean_x, float(t[-1]), ramp_t[nodes], share,
                SHAKEN * wander * min(1.0, RUBS * gap_share(level)), sigma, rounding_mm=rounding, steps=steps)


def _fraction(seen: Hold) -> tuple[float, float, float | None, float | None, tuple[float, ...]]:
    """The clock's lead t0 [s], the most that was shaken in within a decade [mm]; the fraction from 1 s to
    10 s, its standard uncertainty and its bounds.

    The bounds are half ranges of what the data do not say: whose clock runs, what was shaken in, and where
    within the indicator's step the pad stood.

    For each t0 on a grid a and b follow by linear least squares; t0 is averaged with the weight
    that the residuals give it (n_eff of serially correlated ones), so that a weak signal leaves it
    open and says so.
    """
    t, x = seen.time_s, seen.position_mm
    longest = max(-float(seen.ramp_s[0]), 0.1)
    leads = np.concatenate([[0.0], np.geomspace(0.02, longest, 24)])
    # Straight lines x = a + b log10(t + t0), one for each t0, all at once.
    w = np.ones(t.size) if seen.sigma is None else seen.sigma**-2 / np.mean(seen.sigma**-2)
    s = np.log10(t + leads[:, None])
    mid_s, mid_x = (s @ w)[:, None] / t.size, float(x @ w) / t.size
    about = s - mid_s
    inverse_of = 1 / (about**2 @ w)
    b_of = about @ (w * (x - mid_x)) * inverse_of
    a_of = mid_x - b_of * mid_s[:, 0]
    residuals = (x - a_of[:, None] - b_of[:, None] * s) * np.sqrt(w)
    rss = np.sum(residuals**2, axis=1)
    best = int(np.argmin(rss))
    share = effective_share(residuals[best])
    variance = max(float(rss[best]) / max(t.size - 3, 1), 1e-16)
    weight = np.exp(-(rss - rss[best]) / variance * share / 2)
    weight /= weight.sum()
    sunk, seen_share, spread, ratchet = [], [], [], []
    lines = np.column_stack([leads, a_of, b_of, inverse_of]).tolist()
    for lead, a, b, inverse in lines:
        at_one = a + b * math.log10(1.0 + lead)
        if at_one <= 0:
            return float(leads[best]), 0.0, None, None, ()
        sunk.append(b / at_one)
        seen_share.append((1 + _decade_from(lead)) / 2)
        ratchet.append(seen.shaken_mm / at_one)
        spread.append(math.sqrt(variance / share * inverse) / at_one)
    fraction, middle = np.array(sunk), np.array(seen_share)
    # No more can have been shaken in than the pad sank. It is no part of the pad's own sinking, whose clock
    # is the question: it is taken off first.
    shaken = min(float(weight @ np.array(ratchet)), max(float(weight @ fraction), 0.0))
    left = (fraction - shaken / 2) * middle
    mean = float(weight @ left)
    between = float(weight @ (left - mean) ** 2)
    clocks = float(weight @ (np.abs(fraction - shaken / 2) * (1 - middle)))
    noise = float(weight @ (np.array(spread) * middle))
    at_one = float(a_of[best]) + float(b_of[best]) * math.log10(1.0 + float(leads[best]))
    clock = float(leads[best])
    if longest < QUICK_S and t[0] <= 1.0 and t[-1] >= 10.0:
        return clock, shaken * at_one, *_fraction_read(seen, shaken)
    return (clock, shaken * at_one, mean, math.sqrt(between + noise**2),
            (clocks, shaken / 2 * float(weight @ middle), _rounded(seen, at_one)))


def _fraction_read(seen: Hold, shaken: float) -> tuple[float | None, float | None, tuple[float, ...]]:
    """The fraction from 1 s to 10 s where a weight was let down: read there, not fitted; doubt and bounds.

    A parabola in the logarithm of time smooths the readings. Forgetting: what is read is what a quick
    press shows. Superposition: what the ramp brought has a mean age (the mean stands for all of it, as
    the ramp is short against a second), and a press without a ramp would show so much more.
    """
    near = (seen.time_s >= READ_FROM_S) & (seen.time_s <= READ_TO_S)
    t, x = seen.time_s[near], seen.position_mm[near]
    w = np.ones(t.size) if seen.sigma is None else 1 / seen.sigma[near]
    s = np.log10(t)
    design = np.column_stack([np.ones_like(s), s, s * s])
    rows = design * w[:, None]
    beta, *_ = np.linalg.lstsq(rows, x * w, rcond=None)
    left = (x - design @ beta) * w
    variance = max(float(left @ left) / max(t.size - 3, 1), 1e-16) / effective_share(left)
    straight, *_ = np.linalg.lstsq(rows[:, :2], x * w, rcond=None)
    # About how far it bends is known before: a pad starts slowly, and the slope grows with log time.
    bend, known = BENDS * float(straight[1]), np.zeros((3, 3))
    known[2, 2] = variance / max(bend**2, 1e-18)
    beta = np.linalg.solve(rows.T @ rows + known, rows.T @ (x * w) + known @ [0.0, 0.0, bend])
    covariance = variance * np.linalg.inv(rows.T @ rows + known)
    if beta[0] <= 0:
        return None, None, ()
    read = float(beta[1] + beta[2]) / float(beta[0])
    noise = math.sqrt(float(covariance[1:, 1:].sum())) / float(beta[0])
    more = read / _decade_from(float(np.trapezoid(-seen.ramp_s, seen.ramp_share))) - read
    u = math.hypot(noise, seen.history * read)
    return read + more / 2 - shaken / 2, u, (abs(more) / 2, shaken / 2, _rounded(seen, float(beta[0])))


def _fraction_in_steps(seen: Hold, steps: Steps) -> tuple[Quantity, float]:
    """The fraction from 1 s to 10 s and its standard uncertainty, from readings that are bounds.

    As from places: what was shaken in is taken off by half before the clock is asked, and both are known by
    bounds. The place of F0, from which the position counts, is read in steps as well.
    """
    found = sunk_in(steps)
    at_one = np.maximum(found.at_one_mm, steps.step_mm / 2)
    sunk = found.a_decade_mm / at_one
    middle = (1 + np.log10((10.0 + found.lead_s) / (1.0 + found.lead_s))) / 2
    shaken = min(seen.shaken_mm * float(np.mean(1 / at_one)), float(sunk.mean()))
    left = (sunk - shaken / 2) * middle
    bounds = (float(np.mean(np.abs(sunk - shaken / 2) * (1 - middle))), shaken / 2 * float(middle.mean()))
    mean = float(left.mean())
    zero = abs(mean) * seen.rounding_mm * float(np.mean(1 / at_one))
    low, high = spread95(left, np.full(left.size, 1 / left.size), zero, bounds)
    u = math.hypot(float(left.std()), zero, *(b / math.sqrt(3) for b in bounds))
    return Quantity(mean, low, high), u


def _rounded(seen: Hold, position_mm: float) -> float:
    """Half range of the fraction from the indicator's step: two places are read, each rounded by itself."""
    return math.sqrt(6) * seen.rounding_mm / position_mm


def _decade_from(lead_s: float) -> float:
    """What a clock that runs ahead shows from 1 s to 10 s, in decades."""
    return math.log10((10.0 + lead_s) / (1.0 + lead_s))


def _pressed(t: Array, x: Array, f: Array, level: float,
             loading_stiffness: float) -> tuple[Array, Array, float]:
    """Position without what a force over all before it pressed further (n,), the force less the greatest
    until then (n,), and the wander over the stiffness.

    A hand wanders. Where the force goes over all it has been, the pad is pressed further along its
    loading limb and stays there (a wandering hand ratchets it in).
    """
    width = max(int(np.searchsorted(t, t[0] + SMOOTH_S)), 1)
    # A running mean by sums: its cost does not grow with the width.
    sums = np.cumsum(np.pad(f - level, (width // 2 + 1, width - 1 - width // 2), mode="edge"))
    smooth = level + (sums[width:] - sums[:-width]) / width
    most = np.maximum.accumulate(smooth)
    low, high = np.quantile(smooth, (0.05, 0.95))
    return x - (most - level) / loading_stiffness, f - most, float(high - low) / loading_stiffness


def _at_level(t: Array, pressed: Array, below: Array, most_give: float) -> Array:
    """Position as it would be had the force stayed at its level (n,).

    Below all that the force has been, the pad answers by a smaller compliance, which is fitted beside a
    cubic in log time.
    """
    log_t = np.log10(t)
    design = np.column_stack([np.ones_like(t), log_t, log_t**2, log_t**3, below])
    beta, *_ = np.linalg.lstsq(design, pressed, rcond=None)
    return np.asarray(pressed - float(np.clip(beta[4], 0.0, most_give)) * below)


def _badness(f: Fit) -> float:
    return f.weighted_rss if math.isfinite(f.weighted_rss) else math.inf


def _widen(f: Fit, share: float) -> Fit:
    """Its covariance as of so many fewer points; None where that is no number any more."""
    if f.covariance is None:
        return f
    with np.errstate(over="ignore"):
        wider = f.covariance / share
    return replace(f, covariance=wider if np.isfinite(wider).all() else None)


@dataclass(frozen=True)
class OpenLaw:
    """A law whose own time a hold leaves open: its lines through the hold, one for each time within bounds.

    What comes later is then no straight function of the parameters, and a standard error carried by its
    derivatives has no end (1e90 mm was told of a pad that moved by less than a step of its indicator). For
    each time the rest follows by linear least squares, as do its errors; how well the line fits weighs it.
    """

    law: Law
    q: Array                     # (m,) the nonlinear parameter
    c: Array                     # (m, l) the linear ones
    covariance: Array            # (m, l, l)
    weight: Array                # (m,)

    def position_mm(self, t: Array) -> tuple[Array, Array]:
        """Position (n,), and its standard uncertainty from where the lines lie and from their own errors."""
        parts = self.law.separable
        assert parts is not None
        rows = np.stack([parts.basis(t, np.array([q])) for q in self.q])
        lines = np.einsum("mnl,ml->mn", rows, self.c)
        middle = self.weight @ lines
        errors = np.einsum("mni,mij,mnj->mn", rows, self.covariance, rows)
        return middle, np.sqrt(np.maximum(self.weight @ ((lines - middle) ** 2 + errors), 0.0))


def open_law(f: Fit, t: Array, x: Array, sigma: Array | None, share: float) -> OpenLaw | None:
    """The law of a fit that is not good, over all that its one nonlinear parameter may be; else None."""
    parts = f.law.separable
    if f.verdict is Verdict.GOOD or parts is None or len(parts.nonlinear) != 1:
        return None
    parameter = f.law.parameters[parts.nonlinear[0]]
    # A rate so slow, or so fast, that the hold shows a straight line, or a step, is known no further.
    low, high = parameter.lower, parameter.upper
    if parameter.unit == "1/s":
        low, high = max(low, 0.03 / float(t[-1])), min(high, 30.0 / float(t[0]))
    w = np.ones(t.size) if sigma is None else 1 / sigma
    grid, lines = np.geomspace(low, high, OPEN_STEPS), []
    for q in grid:
        rows = parts.basis(t, np.array([q])) * w[:, None]
        try:
            inverse = np.linalg.inv(rows.T @ rows)
        except np.linalg.LinAlgError:                # two columns alike: such a time tells nothing
            continue
        c = inverse @ (rows.T @ (x * w))
        lines.append((q, c, inverse, float(np.sum((x * w - rows @ c) ** 2))))
    if not lines:
        return None
    least = min(rss for *_, rss in lines)
    variance = max(least / max(t.size - 3, 1), 1e-16) / share
    weight = np.array([math.exp(-(rss - least) / variance / 2) for *_, rss in lines])
    return OpenLaw(f.law, np.array([q for q, *_ in lines]), np.array([c for _, c, *_ in lines]),
                   variance * np.array([inverse for _, _, inverse, _ in lines]), weight / weight.sum())


@dataclass(frozen=True)
class Carried:
    """Positions by the laws of sinking, in the hold and beyond it.

    Half of what the wander of the force can have shaken in is taken off, as much a decade as it was in the
    hold, and half is doubt; but no less than all that a wander shakes in at once, for where it stood when the
    hold began is not known. In the hold the logarithmic law speaks; beyond it all laws are inside, those as
    well that fit the hold worse: pads of other physics follow none of them, and end where such a law says.
    """

    fits: dict[str, Fit]
    common_u_mm: float
    wander_mm: float                # the most that the wander shakes in
    a_decade_mm: float              # and in a decade, no more than the pad sank
    clock_s: float
    measured_to_s: float
    open: dict[str, OpenLaw] = field(default_factory=dict)

    def _half_shaken(self, t: Array) -> Array:
        decades = np.log10((t + self.clock_s) / (1 + self.clock_s))
        return np.asarray(self.a_decade_mm / 2 * np.maximum(decades, 0.0))

    def value(self, name: str, t: Array) -> Array:
        """Position by one law (n,)."""
        at = self.open[name].position_mm(t)[0] if name in self.open else self.fits[name].predict(t)
        return np.asarray(at - self._half_shaken(t))

    def ends(self, name: str, t: Array, *, alone: bool = False) -> tuple[Array, Array]:
        """Ends of the 95 % interval (n,) of one law, beyond the hold of all; nan: not determined."""
        shaken, beyond = np.maximum(self._half_shaken(t), self.wander_mm), t > self.measured_to_s
        value, half = self.value(name, t), half_widths(self._bell(name, t), shaken)
        low, high = value - half, value + half
        for other in () if alone else self.fits:
            there, half = self.value(other, t), half_widths(self._bell(other, t), shaken)
            low = np.where(beyond, np.fmin(low, there - half), low)
            high = np.where(beyond, np.fmax(high, there + half), high)
        known = np.isfinite(self._bell(name, t))
        return np.where(known, low, np.nan), np.where(known, high, np.nan)

    def _bell(self, name: str, t: Array) -> Array:
        """Standard uncertainty of the position by one law (n,); nan where it could not be found."""
        f = self.fits[name]
        if name in self.open:
            error = self.open[name].position_mm(t)[1]
        else:
            found = f.predict_standard_error(t)
            error = np.full(t.size, np.nan) if found is None else found
        widened = t95(max(f.n_used - len(f.values), 1)) / t95(math.inf)
        return np.asarray(widened * np.hypot(error, self.common_u_mm))

    def predicted(self, name: str, times_s: tuple[float, ...], *,
                  alone: bool = False) -> tuple[dict[str, Any], ...]:
        """Position at the times, with its interval and whether it is carried beyond the hold."""
        t = np.array(times_s, dtype=np.float64)
        values, (low, high) = self.value(name, t), self.ends(name, t, alone=alone)
        known = np.isfinite(values) & np.isfinite(low) & np.isfinite(high)
        return tuple({"at_s": at, "extrapolated": at > self.measured_to_s,
                      "mm": Quantity(float(v), float(a), float(b)) if there else None}
                     for at, v, a, b, there in zip(times_s, values, low, high, known, strict=True))


def half_widths(standard_uncertainty: Array, half_range: Array) -> Array:
    """:func:`padlab.statistics.quantity.half_width95` of a bell and one rectangle, place by place (n,).

    From a table over the ratio of the two, to 1e-4.

    >>> [round(float(h), 3) for h in half_widths(np.array([1.0, 0.0]), np.array([0.0, 1.0]))]
    [1.96, 0.95]
    """
    log_ratio, factor = _half_width_table()
    ratio = np.log(np.maximum(half_range, 1e-12)) - np.log(np.maximum(standard_uncertainty, 1e-12))
    spread = np.hypot(standard_uncertainty, half_range / math.sqrt(3))
    return np.asarray(spread * np.interp(ratio, log_ratio, factor))


@lru_cache(maxsize=1)
def _half_width_table() -> tuple[Array, Array]:
    """Logarithms of rectangle over bell (m,), and the half-width over the root sum of squares (m,)."""
    ratio = np.geomspace(0.03, 1000.0, 120)
    factor = [half_width95(1.0, [a]) / math.hypot(1.0, a / math.sqrt(3)) for a in ratio.tolist()]
    return np.log(ratio), np.array(factor)
