"""The drawings of a certificate: pads against their limits, acceptance against share, shape, lots over time.

Colour says only the verdict; shape and words say the rest, so that grey print and small screens lose nothing.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

import numpy as np

from padlab.decisions.batch import CharacteristicResult
from padlab.decisions.batch_plan import CharacteristicPlan
from padlab.decisions.certified import OverTime, size_words
from padlab.decisions.lots_over_time import Chart
from padlab.records.spec import Characteristic
from padlab.report.axes import (
    INK,
    MUTED,
    PALE,
    PAST_LIMIT,
    RUST,
    SLATE,
    TEAL,
    UM_PER_MM,
    empty_figure,
    length_scale_y,
    own_look,
    to_and_from_thou,
    write,
)
from padlab.report.svg import inline_svg
from padlab.statistics.shape import normal_scores
from padlab.words import one_line, shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes

COLOURS = {"accept": TEAL, "refuse": RUST, "test_more": SLATE}
_MOST_LETTERS = 72
"""Of all labels along a chart together: more would run into each other."""


def unit_scale(c: Characteristic) -> float:
    """What a value is multiplied by in a drawing: lengths in micrometres, shares in per cent."""
    return UM_PER_MM if c.unit == "mm" else 1.0 if c.unit else 100.0


def unit_words(c: Characteristic) -> str:
    """The unit of a drawing's axis."""
    return "µm" if c.unit == "mm" else c.unit or "%"


def pads_figure(result: CharacteristicResult, *, key: str) -> str:
    """Every pad's value between the limits; below them the interval that holds 95 % of the lot."""
    c, scale = result.characteristic, unit_scale(result.characteristic)
    values = np.array([p.value for p in result.readings.pads]) * scale
    t = result.tolerance
    ends = [*values, *(v * scale for v in (c.low, c.high, *((t.low, t.high) if t else ())) if v is not None)]
    low, high = min(ends), max(ends)
    edge = 0.07 * max(high - low, 1e-9)
    with own_look():
        figure = empty_figure(360.0, 150.0)
        axes = figure.add_axes((0.06, 0.24, 0.88, 0.56))
        axes.set_xlim(low - edge, high + edge)
        axes.set_ylim(0, 1)
        axes.set_yticks([])
        _value_scale_x(axes, c)
        for limit, drawn, side in ((c.low, result.low, -1), (c.high, result.high, 1)):
            if limit is None:
                continue
            axes.axvspan(
                limit * scale, limit * scale + side * 10 * (high - low + edge), color=PAST_LIMIT, zorder=0
            )
            axes.axvline(limit * scale, color=INK, lw=1.2, zorder=2)
            if drawn is not None and drawn != limit:
                axes.axvline(drawn * scale, color=INK, lw=0.9, ls=(0, (3, 2)), zorder=2)
        apart = set() if result.outlying is None else set(result.outlying.places)
        rows = 0.36 + 0.52 * ((np.arange(values.size) * 0.618034) % 1)  # spread evenly, the same every time
        for place, (x, y) in enumerate(zip(values, rows, strict=True)):
            axes.plot(
                [x],
                [y],
                marker="D" if place in apart else "o",
                ms=4.5 if place in apart else 3.6,
                mfc="none" if place in apart else COLOURS[result.verdict],
                mec=COLOURS[result.verdict],
                ls="none",
                zorder=3,
            )
        if t is not None:
            left, right = (
                (end if end is not None else fallback)
                for end, fallback in (
                    (None if t.low is None else t.low * scale, low - edge),
                    (None if t.high is None else t.high * scale, high + edge),
                )
            )
            axes.plot([left, right], [0.16, 0.16], color=MUTED, lw=2.2, solid_capstyle="butt", zorder=2)
            axes.plot(
                [e * scale for e in (t.low, t.high) if e is not None],
                [0.16] * sum(e is not None for e in (t.low, t.high)),
                marker="|",
                ms=9,
                color=MUTED,
                ls="none",
            )
        described = (
            f"{values.size} pads from {size_words(float(values.min()) / scale, c)} to "
            f"{size_words(float(values.max()) / scale, c)}; limits {limits_words(c)}."
        )
        return inline_svg(
            figure, key=key, title=f"{c.words}: every pad against the limits", description=described
        )


def limits_words(c: Characteristic) -> str:
    """The limits as the spec has them."""
    if c.low is not None and c.high is not None:
        return f"{size_words(c.low, c)} to {size_words(c.high, c)}"
    return f"at least {size_words(c.low, c)}" if c.high is None else f"at most {size_words(c.high, c)}"


def _value_scale_x(axes: Axes, c: Characteristic) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    every = [axes.xaxis]
    if c.unit == "mm":
        second = axes.secondary_xaxis("top", functions=to_and_from_thou())
        second.set_xlabel("thou", labelpad=2)
        every.append(second.xaxis)
    axes.set_xlabel(unit_words(c), labelpad=2)
    for axis in every:
        axis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
        axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))


def acceptance_figure(plan: CharacteristicPlan, *, key: str) -> str:
    """How often a lot is accepted against its share outside the limits, with both agreed points."""
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    shares = [100 * s for s, _, _ in plan.operating_curve]
    least, most = ([100 * row[k] for row in plan.operating_curve] for k in (1, 2))
    risks = plan.risks
    with own_look():
        figure = empty_figure(360.0, 200.0)
        axes = figure.add_axes((0.12, 0.19, 0.83, 0.76))
        axes.set_xscale("log")
        axes.set_xlim(shares[0], shares[-1])
        axes.set_ylim(0, 102)
        axes.fill_between(shares, least, most, color=SLATE, alpha=0.25, lw=0, zorder=1)
        axes.plot(shares, most, color=SLATE, lw=1.7, zorder=2)
        for x, y, words, side in (
            (100 * risks.producer_quality, 100 * (1 - risks.producer_risk), "good lot", "left"),
            (100 * risks.consumer_quality, 100 * risks.consumer_risk, "bad lot", "left"),
        ):
            axes.plot([x], [y], marker="o", ms=5, mfc="white", mec=INK, ls="none", zorder=3)
            write(
                axes, x * 1.12, y + 3, words, across=axes.transData, ha=side, fontsize=8.5
            )
        axes.set_xlabel("pads outside the limits in the lot [%]", labelpad=2)
        axes.set_ylabel("accepted [%]", labelpad=2)
        ticks = [t for t in (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50) if shares[0] <= t <= shares[-1]]
        axes.xaxis.set_major_locator(FixedLocator(ticks))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
        return inline_svg(
            figure,
            key=key,
            title=f"{plan.characteristic.words}: how often a lot is accepted",
            description=f"From {most[0]:.0f} % at {shares[0]:.2g} % outside down to {least[-1]:.0f} % "
            f"at {shares[-1]:.2g} %.",
        )


def shape_figure(result: CharacteristicResult, *, key: str) -> str:
    """Ordered values against where normal ones are expected; on the line where the pads are normal."""
    c, scale = result.characteristic, unit_scale(result.characteristic)
    values = np.sort([p.value for p in result.readings.pads]) * scale
    log = c.distribution == "lognormal"
    seen = np.log(values) if log else values
    expected = normal_scores(values.size)
    line = seen.mean() + seen.std(ddof=1) * expected
    with own_look():
        figure = empty_figure(260.0, 200.0)
        axes = figure.add_axes((0.2, 0.19, 0.62 if c.unit == "mm" else 0.75, 0.76))
        axes.plot(expected, np.exp(line) if log else line, color=PALE, lw=1.2, zorder=1)
        axes.plot(expected, values, marker="o", ms=3.2, color=SLATE, ls="none", zorder=2)
        axes.set_xlabel("standard deviations expected", labelpad=2)
        if log:
            axes.set_yscale("log")
        if c.unit == "mm" and not log:
            length_scale_y(axes, log=False)
        else:
            axes.set_ylabel(unit_words(c), labelpad=2)
        return inline_svg(
            figure,
            key=key,
            title=f"{c.words}: are the pads normal?",
            description="Ordered values against expected normal ones; near a line where they are.",
        )


def over_time_figure(over: OverTime, *, lot: str, key: str) -> str:
    """The lots' chart, and beneath it the check standard's own, on its own scale and under the same days."""
    c, standard = over.characteristic, over.standard
    x = np.arange(len(over.lots.points), dtype=float)
    names = [shortened(one_line(p.label), 10) for p in over.lots.points]
    with own_look():
        figure = empty_figure(560.0, 310.0 if standard is not None else 190.0)
        top = figure.add_axes((0.1, 0.575, 0.8, 0.36) if standard is not None else (0.1, 0.22, 0.8, 0.66))
        _chart(top, over.lots, x, scale=unit_scale(c), now=lot)
        _marks_below(top, x, names)
        if c.unit == "mm":
            length_scale_y(top, log=False)
        else:
            top.set_ylabel(unit_words(c), labelpad=2)
        told = f"{len(over.lots.points)} lots; "
        if standard is not None:
            top.set_title("the lots", loc="left", fontsize=8.5, pad=3, color=INK)
            below = figure.add_axes((0.1, 0.085, 0.8, 0.27))
            metal = standard.unit == "mm"
            where = _between([p.label for p in standard.chart.points], over.days)
            _chart(below, standard.chart, where, scale=UM_PER_MM if metal else 1.0,
                   now=None if standard.moved is None else standard.moved.day)
            below.set_title(standard.about, loc="left", fontsize=8.5, pad=3, color=INK)
            below.set_xlim(*top.get_xlim())
            _marks_below(below, x, [day or "?" for day in over.days])
            if metal:
                length_scale_y(below, log=False)
            else:
                below.set_ylabel(standard.unit, labelpad=2)
            told += f"beneath: {standard.about}, {len(standard.chart.points)} readings; "
            told += "" if standard.moved is None else f"{standard.moved.words}; "
        beyond = [p.label for p in over.lots.points if p.beyond]
        told += f"outside their limits: {', '.join(one_line(b) for b in beyond) if beyond else 'none'}."
        return inline_svg(figure, key=key, title=f"{c.words}: lots over time", description=told)


def _between(days: Sequence[str], lots: Sequence[str]) -> np.ndarray:
    """Where readings of these days stand under lots that are drawn side by side, one step each."""
    known: dict[int, float] = {}
    for place, day in enumerate(lots):
        if day:
            known[date.fromisoformat(day).toordinal()] = float(place)     # of one day the last
    at = np.array([date.fromisoformat(day).toordinal() for day in days], dtype=float)
    found: np.ndarray = np.interp(at, list(known), list(known.values()))
    found[at < min(known)] -= 0.4
    found[at > max(known)] += 0.4
    return found


def _marks_below(axes: Axes, x: np.ndarray, words: Sequence[str]) -> None:
    """Names under a chart, no more of them than stand side by side; the last one always."""
    every = math.ceil(len(words) * max(max(len(w) for w in words), 4) / _MOST_LETTERS)
    shown = list(range(len(words) - 1, -1, -every))[::-1]
    axes.set_xticks(x[shown])
    axes.set_xticklabels([words[n] for n in shown])


def _chart(axes: Axes, chart: Chart, x: np.ndarray, *, scale: float, now: str | None) -> None:
    values = np.array([p.value for p in chart.points]) * scale
    smoothed = np.array([p.smoothed for p in chart.points]) * scale
    limits, inner = chart.limits, chart.smoothed_limits
    ends = [*values, *(v * scale for v in limits or ())]
    edge = 0.12 * max(max(ends) - min(ends), 1e-3 * abs(chart.centre * scale), 1e-9)
    axes.set_ylim(min(ends) - edge, max(ends) + edge)
    axes.set_xlim(-0.6, x.size - 0.4)
    axes.axhline(chart.centre * scale, color=PALE, lw=0.9, zorder=1)
    dash = (0, (3, 2)) if chart.is_provisional else "-"
    for pair, width in ((limits, 1.1), (inner, 0.6)):
        for end in pair or ():
            axes.axhline(end * scale, color=MUTED, lw=width, ls=dash, zorder=1)
    axes.plot(x, smoothed, color=SLATE, lw=1.6, zorder=2)
    for place, point in enumerate(chart.points):
        colour = RUST if point.beyond else INK
        axes.plot(
            [x[place]],
            [values[place]],
            marker="s" if point.beyond else "o",
            ms=6 if point.label == now else 4,
            mfc="white" if point.label != now else colour,
            mec=colour,
            ls="none",
            zorder=3,
        )
