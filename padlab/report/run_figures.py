"""The drawings of one run, as ``<svg>`` text for the page of single runs.

One drawing a question: does the law follow the strokes, how stiff is the pad, has it worked in, how
does it sink, what does the law leave, how fast is what sinks. Solid = measured or deciding, broken = a
law, pale = single strokes, grey = extrapolated or not known: no drawing needs a colour to be understood.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from padlab.fitting.results import Verdict
from padlab.report.axes import (
    CARD,
    INK,
    MUTED,
    PALE,
    RULE,
    RUST,
    SHADE,
    SLATE,
    TEAL,
    UM_PER_MM,
    empty_figure,
    length_scale_y,
    own_look,
    time_scale_x,
    write,
    written_out,
)
from padlab.report.numbers import length
from padlab.report.svg import inline_svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from padlab.fitting.drawing import Drawing
    from padlab.fitting.results import Creep, RunFit

Array = NDArray[np.float64]

_LAW: dict[str, Any] = {"color": RUST, "lw": 1.8, "ls": (0, (3, 4)), "zorder": 4}
_OTHERS: tuple[Any, ...] = ((0, (1, 1.5)), (0, (5, 1.5, 1, 1.5)), (0, (1, 3)))
_OTHER_NAMES = ("dotted", "dash and dot", "thinly dotted")
_MOST_MARKED = 60
"""Beyond so many presses a line says more than their marks."""


@dataclass(frozen=True)
class Drawn:
    """One drawing with its heading and the words below it."""

    heading: str
    svg: str
    caption: str


def run_figures(fit: RunFit, *, key: str) -> tuple[Drawn, ...]:
    """All that can be drawn of a run, in the order of reading.

    Parameters
    ----------
    fit : RunFit
        With its ``drawing``; without one nothing is drawn.
    key : str
        A word of its own on the page; it starts all ids.
    """
    d = fit.drawing
    if d is None:
        return ()
    about = f"pad {fit.pad.id} of {fit.pad.material}"
    with own_look():
        drawn = [_loops(fit, d, about, f"{key}-loops"), _stiffness(fit, d, about, f"{key}-stiff"),
                 _worked_in(fit, d, about, f"{key}-work"), _sinking(fit.creep, about, f"{key}-sink"),
                 _left(d, fit, about, f"{key}-left"), _spectrum(d, about, f"{key}-spec")]
    return tuple(one for one in drawn if one is not None)


def _panel(*, right: float = 0.7) -> tuple[Figure, Axes]:
    figure = empty_figure(260.0, 185.0)
    return figure, figure.add_axes((0.15, 0.165, right, 0.8))


def _loops(fit: RunFit, d: Drawing, about: str, key: str) -> Drawn | None:
    if fit.curves is None:
        return None
    force, law = fit.curves.force_n, fit.compression
    figure, axes = _panel()
    deepest = float(max(d.unloading_mm.max(), d.loading_mm.max(), *(s.position_mm.max() for s in d.loops), 0))
    if law is not None and law.curve_mm is not None and np.all(np.isfinite(law.curve_mm)):
        deepest = min(max(deepest, float(law.curve_mm.max())), 1.25 * deepest)
    axes.set_xlim(0, float(force[-1]) * 1.05)
    axes.set_ylim(deepest * UM_PER_MM * 1.06, min(0.0, *(float(s.position_mm.min()) for s in d.loops), 0.0)
                  * UM_PER_MM - deepest * UM_PER_MM * 0.02)
    length_scale_y(axes, log=False)
    axes.set_xlabel("net force [N]", labelpad=2)
    for s in d.loops:
        axes.plot(s.force_n, s.position_mm * UM_PER_MM, color=PALE, lw=3.2, zorder=1)
    if not d.loops and d.left is not None:
        at = np.interp(np.log(d.left.force_n), np.log(force), d.loading_mm)
        axes.plot(d.left.force_n, at * UM_PER_MM, "o", ms=3, mfc=CARD, mec=MUTED, mew=0.8, zorder=2)
    axes.plot(force, d.loading_mm * UM_PER_MM, color=TEAL, lw=1.2, zorder=3)
    axes.plot(force, d.unloading_mm * UM_PER_MM, color=TEAL, lw=1.2, zorder=3)
    words = [f"{len(d.loops)} recorded strokes" if d.loops else "No stroke: weights were let down",
             f"the curve that decides goes in by {length(float(d.loading_mm[-1]))} at {force[-1]:.1f} N net"]
    caption = "Wide and pale: the recorded strokes, each moved by a constant. " if d.loops else (
        "Circles: the weights. ")
    caption += "Solid: the curve that decides, pressing and letting go (the deeper one)."
    if law is not None and law.curve_mm is not None:
        axes.plot(force, law.curve_mm * UM_PER_MM, **_LAW)
        most = float(np.max(np.abs(law.curve_mm - (d.loading_mm - d.loading_mm[0]))))
        words.append(f"the law ({law.law}) is off it by {length(most)} at most")
        caption += f" Dashed: the best-fitting law ({law.law}), off by {length(most)} at most."
    return Drawn("Loops, and the law", inline_svg(
        figure, key=key, title=f"Position against force: {about}", description="; ".join(words) + "."),
        caption)


def _stiffness(fit: RunFit, d: Drawing, about: str, key: str) -> Drawn:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    force, (value, low, high) = d.stiffness_force_n, d.stiffness.T
    figure, axes = _panel(right=0.81)
    known = np.isfinite(low) & np.isfinite(high)
    # Where an end is wide open, or the curve for a moment flat, the drawing is not flattened by it.
    top = min(float(np.max(np.where(known, high, value))), 2.5 * float(np.quantile(value, 0.9)))
    axes.set_xlim(0, float(force[-1]) * 1.05)
    axes.set_ylim(0, top * 1.06)
    axes.yaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    axes.xaxis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
    axes.set_ylabel("N/mm", labelpad=2)
    axes.set_xlabel("net force [N]", labelpad=2)
    axes.grid(True, axis="y", color=RULE, lw=0.6)
    axes.set_axisbelow(True)
    if known.any():
        axes.fill_between(force[known], low[known], high[known], color=TEAL, alpha=0.28, lw=0, zorder=2)
    axes.plot(force, value, color=TEAL, lw=1.7, zorder=3)
    band = "Band: its 95 % interval." if known.any() else "Its interval is not determined: too few strokes."
    return Drawn("Stiffness against force", inline_svg(
        figure, key=key, title=f"Stiffness against force: {about}",
        description=f"From {value[0]:.3g} N/mm at {force[0]:g} N to {value[-1]:.3g} N/mm at "
                    f"{force[-1]:.1f} N net. {band}"),
        f"Of the pressing limb after working-in (tangent stiffness), up to the {force[-1]:.1f} N that was "
        f"tested. {band}")


def _worked_in(fit: RunFit, d: Drawing, about: str, key: str) -> Drawn | None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    w = d.worked_in
    if w is None or len(w.role) < 2:
        return None
    number = np.arange(1, len(w.role) + 1)
    new = np.array([role == "working-in" for role in w.role])
    figure = empty_figure(260.0, 185.0)
    upper = figure.add_axes((0.15, 0.59, 0.7, 0.38))
    lower = figure.add_axes((0.15, 0.165, 0.7, 0.36), sharex=upper)
    steady = None if fit.hysteresis is None else fit.hysteresis.steady_from_cycle
    few = len(w.role) <= _MOST_MARKED
    for axes, values in ((upper, w.peak_mm * UM_PER_MM), (lower, w.lost_mj)):
        axes.plot(number, values, color=TEAL, lw=0.8 if few else 1.2, zorder=2)
        if few:
            axes.plot(number[~new], values[~new], "o", ms=3.2, color=TEAL, zorder=3)
        axes.plot(number[new], values[new], "o", ms=3.6, mfc=CARD, mec=RUST, mew=1.0, zorder=3)
        axes.set_xlim(0.4, len(w.role) + 0.6)
        low, high = float(values.min()), float(values.max())
        spare = max(0.12 * (high - low), 0.02 * abs(high), 1e-9)
        axes.set_ylim(low - spare, high + spare)
        if new.any():
            axes.axvspan(0.4, float(number[new][-1]) + 0.5, facecolor=SHADE, lw=0, zorder=0)
        if steady is not None and steady <= len(w.role):
            axes.axvline(steady, color=INK, lw=0.9, ls=(0, (4, 3)), zorder=1)
        axes.yaxis.set_major_locator(MaxNLocator(3, steps=[1, 2, 5, 10]))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    length_scale_y(upper, log=False)
    upper.tick_params(labelbottom=False)
    upper.xaxis.set_major_locator(MaxNLocator(6, integer=True))
    lower.set_ylabel("mJ lost", labelpad=2)
    lower.set_xlabel("full press, in order", labelpad=2)
    told = "not steady in this run" if steady is None else f"steady from press {steady} (broken line)"
    return Drawn("Working in", inline_svg(
        figure, key=key, title=f"Working in, press by press: {about}",
        description=f"{len(w.role)} full presses, {int(new.sum())} of them to work in. Way to the peak from "
                    f"{length(float(w.peak_mm[0]))} to {length(float(w.peak_mm[-1]))}; work lost from "
                    f"{w.lost_mj[0]:.3g} mJ to {w.lost_mj[-1]:.3g} mJ; {told}."),
        "Above: the way to the peak; below: the work that one press loses, its turn included. Open, on grey: "
        f"working in. {told[:1].upper()}{told[1:]}; steady: three changes in a row under half a per cent, "
        "of both.")


def _sinking(creep: Creep | None, about: str, key: str) -> Drawn | None:
    if creep is None or creep.curve_t_s is None or creep.curve_law_t_s is None:
        return None
    t, x, law_t, law = creep.curve_t_s, creep.curve_measured_mm, creep.curve_law_t_s, creep.curve_law_mm
    if x is None or law is None or not np.all(np.isfinite(law)):
        return None
    none = np.full(law_t.size, np.nan)
    low = none if creep.curve_low_mm is None else creep.curve_low_mm
    high = none if creep.curve_high_mm is None else creep.curve_high_mm
    ends = [v[np.isfinite(v)] for v in (x, law, low, high)]
    way = max(float(law.max() - law.min()), float(np.ptp(x)), 1e-4)
    bottom = min(max(float(v.max()) for v in ends if v.size), float(law.max()) + 1.5 * way)
    top = max(min(float(v.min()) for v in ends if v.size), float(law.min()) - 1.5 * way)
    figure, axes = _panel()
    time_scale_x(axes, from_s=min(float(t[0]), float(law_t[0])), to_s=float(law_t[-1]))
    axes.set_ylim((bottom + 0.05 * way) * UM_PER_MM, (top - 0.05 * way) * UM_PER_MM)
    length_scale_y(axes, log=False)
    axes.set_xlabel("time held", labelpad=2)
    past = law_t > creep.measured_to_s
    last = int(np.argmax(past)) if past.any() else law_t.size
    for part, alpha, look in ((slice(0, last + 1), 0.28, {"lw": 1.7}),
                              (slice(max(last, 0), None), 0.12, {"lw": 1.4, "ls": (0, (3, 2))})):
        known = np.isfinite(low[part]) & np.isfinite(high[part])
        axes.fill_between(law_t[part][known], low[part][known] * UM_PER_MM, high[part][known] * UM_PER_MM,
                          color=TEAL, alpha=alpha, lw=0, zorder=2)
        axes.plot(law_t[part], law[part] * UM_PER_MM, color=TEAL, zorder=4, **look)
    if past.any():
        axes.axvspan(creep.measured_to_s, float(law_t[-1]), color=SHADE, lw=0, zorder=0)
        write(axes, 0.985, 0.95, "extrapolated", across=axes.transAxes, ha="right", color=MUTED, fontsize=7.5)
    axes.plot(t, x * UM_PER_MM, "o", ms=2.6, mfc=CARD, mec=MUTED, mew=0.7, zorder=3)
    others = []
    for (name, curve), dashes, look_name in zip(creep.curve_others_mm.items(), _OTHERS, _OTHER_NAMES,
                                                strict=False):
        if np.all(np.isfinite(curve)):
            axes.plot(law_t[last:], curve[last:] * UM_PER_MM, color=SLATE, lw=1.2, ls=dashes, zorder=3)
            others.append((name, look_name, float(curve[-1])))
    end = f"{law_t[-1]:.0f} s"
    drawn_others = "".join(f" {look[:1].upper()}{look[1:]}: {name}." for name, look, _ in others)
    spread = "".join(f"; {name} {length(at)}" for name, _, at in others)
    return Drawn("Sinking under a held note", inline_svg(
        figure, key=key, title=f"Sinking under a held note: {about}",
        description=f"Held at {creep.hold_force_n:.1f} N for {creep.measured_to_s:.0f} s. From "
                    f"{length(float(x[0]))} at {t[0]:.1f} s to {length(float(x[-1]))} at {t[-1]:.0f} s. "
                    f"Extrapolated to {end}: {creep.law} {length(float(law[-1]))}{spread}."),
        f"Held at {creep.hold_force_n:.1f} N; circles: measured; solid: the {creep.law} law, less half of "
        f"what a wandering force may have shaken in; band: its 95 % interval. On grey: extrapolated, later "
        f"than the hold; the band there holds all laws."
        f"{drawn_others} At {end}: {length(float(law[-1]))}{spread}.")


def _left(d: Drawing, fit: RunFit, about: str, key: str) -> Drawn | None:
    left, law = d.left, fit.compression
    if left is None or law is None:
        return None
    figure, axes = _panel()
    most = float(max(np.abs(left.residual_mm).max(), np.abs(left.smooth_mm).max(initial=0.0),
                     2.0 * left.gate_mm.min()))
    # The gate widens with the force; it is drawn as far as the points need.
    tall = most * 1.2 * UM_PER_MM
    axes.set_xscale("log")
    axes.set_xlim(float(left.force_n[0]) / 1.1, float(left.force_n[-1]) * 1.1)
    written_out(axes.xaxis, *axes.get_xlim())
    axes.set_ylim(tall, -tall)
    length_scale_y(axes, log=False)
    axes.set_xlabel("net force [N]", labelpad=2)
    gate = left.gate_mm * UM_PER_MM
    axes.fill_between(left.force_n, -gate, gate, color=SHADE, lw=0, zorder=0)
    for side in (-gate, gate):
        axes.plot(left.force_n, side, color=MUTED, lw=0.8, ls=(0, (4, 3)), zorder=1)
    axes.axhline(0, color=PALE, lw=0.8, zorder=1)
    axes.plot(left.force_n, left.residual_mm * UM_PER_MM, "o", ms=2.4, mfc=CARD, mec=SLATE, mew=0.7, zorder=2)
    axes.plot(left.smooth_force_n, left.smooth_mm * UM_PER_MM, color=RUST, lw=1.5, zorder=3)
    through = law.verdict is Verdict.RESIDUAL_PATTERN
    told = ("It goes through: the law is not this pad's law, and only the measured curve is used" if through
            else "It stays inside" if left.smooth_mm.size else "Too few points to tell")
    worst = float(np.abs(left.smooth_mm if left.smooth_mm.size else left.residual_mm).max())
    return Drawn("What the best law leaves", inline_svg(
        figure, key=key, title=f"What the best-fitting law leaves: {about}",
        description=f"Measured minus the law ({left.law}), along the force, smoothed: {length(worst)} at "
                    f"most. {told}."),
        f"Measured minus the law ({left.law}): circles; smoothed: line; the gate that the line may not "
        f"go through: broken lines. {told}.")


def _spectrum(d: Drawing, about: str, key: str) -> Drawn | None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    found, known = d.spectrum, d.spectrum_known_s
    if found is None or known is None or not found.is_within_noise:
        return None
    inside = (found.tau_s >= known[0]) & (found.tau_s <= known[1])
    um = found.part_mm * UM_PER_MM
    if not inside.any() or um.max() <= 0:
        return None
    figure, axes = _panel(right=0.81)
    time_scale_x(axes, from_s=float(found.tau_s[0]) / 1.1, to_s=float(found.tau_s[-1]) * 1.1)
    # What is not known may be large: it runs out of the drawing.
    axes.set_ylim(0, float(um[inside].max() or um.max()) * 1.5)
    axes.yaxis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    axes.set_ylabel("µm", labelpad=2)
    axes.set_xlabel("time it takes", labelpad=2)
    first, last = axes.get_xlim()
    for a, b in ((first, known[0]), (known[1], last)):
        axes.axvspan(a, b, facecolor=SHADE, edgecolor=PALE, hatch="////", lw=0, zorder=0)
    axes.vlines(found.tau_s[~inside], 0, um[~inside], color=PALE, lw=2.0, zorder=2)
    axes.vlines(found.tau_s[inside], 0, um[inside], color=TEAL, lw=3.0, zorder=3)
    part = float(found.part_mm[inside].sum())
    return Drawn("How fast is what sinks", inline_svg(
        figure, key=key, title=f"Spectrum of what sinks: {about}",
        description=f"Between {known[0]:.1f} s and {known[1]:.1f} s parts of {length(part)} together."),
        f"How much takes how long (retardation spectrum, the smoothest within the scatter of the hold). "
        f"Known from {known[0]:.1f} s to {known[1]:.1f} s only, {length(part)} together; hatched: not known.")
