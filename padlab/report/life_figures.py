"""Two drawings a stock: the path of every pad towards the limit, and the lives that follow from them.

Solid is what was read, dashed is carried on by the law; it is carried no further than three times the last
reading. Lots have a mark of their own, so that no colour is needed to tell them apart.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from padlab.drift.life import PadLife, StockLife
from padlab.fitting.wear import FARTHEST
from padlab.report.axes import (
    INK,
    MUTED,
    PAST_LIMIT,
    RULE,
    RUST,
    SLATE,
    TEAL,
    UM_PER_MM,
    empty_figure,
    length_scale_y,
    log_span,
    own_look,
    write,
    written_out,
)
from padlab.report.numbers import limit
from padlab.report.svg import inline_svg
from padlab.statistics.lifetimes import plotting_positions
from padlab.units import span, spans
from padlab.words import one_line, shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Array = NDArray[np.float64]

_LOT_LOOKS = (("o", TEAL), ("s", RUST), ("D", SLATE), ("^", INK), ("v", TEAL), ("P", RUST), ("X", SLATE))
_MOST_LOTS_NAMED = 4
_LIMIT_LINE: dict[str, Any] = {"color": INK, "lw": 1.0, "ls": (0, (4, 3))}


def look_of_lot(stock: StockLife, lot: str) -> tuple[str, str]:
    """Marker and colour of a lot; they come round again after seven."""
    return _LOT_LOOKS[stock.lots.index(lot) % len(_LOT_LOOKS)]


def paths_panel(stock: StockLife, *, key: str) -> str:
    """Loss of every pad against years of service, downwards, with the limit."""
    end = max(_end_of(p) for p in stock.pads) / stock.per_year
    with own_look():
        figure = empty_figure(340.0, 240.0)
        axes = figure.add_axes((0.125, 0.155, 0.755, 0.70))
        axes.set_xlim(0, end * 1.03)
        deepest = stock.limit_mm * 1.18
        for p in stock.pads:
            deepest = max(deepest, float(p.loss.readings.loss_mm.max()) * 1.05)
        axes.set_ylim(deepest * UM_PER_MM, min(0.0, _highest(stock)) * UM_PER_MM)
        length_scale_y(axes, log=False)
        axes.set_xlabel("years of service", labelpad=2)
        _strokes_above(axes, stock)
        axes.axhspan(stock.limit_mm * UM_PER_MM, deepest * UM_PER_MM, color=PAST_LIMIT, lw=0, zorder=0)
        axes.axhline(stock.limit_mm * UM_PER_MM, zorder=1, **_LIMIT_LINE)
        axes.annotate(f"limit {limit(stock.limit_mm)}", (0, stock.limit_mm * UM_PER_MM), (4, 7),
                      xycoords=("axes fraction", "data"), textcoords="offset points", ha="left", va="center",
                      fontsize=8, color=INK, parse_math=False)
        for p in stock.pads:
            _one_path(axes, stock, p)
        _lots_named(axes, stock)
        return inline_svg(figure, key=key, title=f"Loss of {stock.material} over its service",
                          description=_paths_in_words(stock))


def life_panel(stock: StockLife, *, key: str) -> str:
    """Share of pads to be renewed against years; the distributions, and where a new pad will lie."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    lives = np.array([p.life or FARTHEST * p.reach.last_reading for p in stock.pads]) / stock.per_year
    reached = np.array([p.life is not None for p in stock.pads])
    interval = stock.interval90("years")
    ends = [*lives, *(interval or ())]
    bound = stock.b10_lower95("years")
    with own_look():
        figure = empty_figure(340.0, 240.0)
        axes = figure.add_axes((0.125, 0.155, 0.755, 0.70))
        low, high = log_span([*ends, *([] if bound is None else [bound])])
        axes.set_xscale("log")
        axes.set_xlim(low, high)
        axes.set_ylim(-0.22, 1.0)
        written_out(axes.xaxis, low, high)
        axes.set_xlabel("years of service", labelpad=2)
        axes.set_ylabel("to be renewed [%]", labelpad=2)
        axes.yaxis.set_major_locator(MultipleLocator(0.25))
        axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{100 * v:.0f}" if v >= 0 else ""))
        axes.axhline(0, color=RULE, lw=0.8, zorder=0)
        across = np.geomspace(low, high, 200)
        for d, style in zip(stock.distributions, ("-", (0, (4, 2))), strict=False):
            shares = [d.share_before(float(t) * stock.per_year) for t in across]
            axes.plot(across, shares, color=MUTED, lw=1.2, ls=style, zorder=2)
        for at, share, p in _placed(stock, lives, reached):
            marker, colour = look_of_lot(stock, p.lot)
            axes.plot([at], [share], marker=marker, color=colour, ms=6, ls="none", zorder=4)
        if not reached.all():
            axes.plot(lives[~reached], np.full(int((~reached).sum()), 0.03), marker=">", color=MUTED, ms=6,
                      ls="none", zorder=4)
        if interval is not None:
            axes.plot(interval, [-0.11, -0.11], color=INK, lw=3.0, solid_capstyle="butt", zorder=3)
            median = stock.median("years")
            if median is not None:
                axes.plot([median.value], [-0.11], marker="|", color=INK, ms=10, mew=1.6, zorder=4)
        if bound is not None:
            axes.plot([bound], [-0.11], marker="<", color=RUST, ms=6, ls="none", zorder=4)
        if not stock.distributions:
            write(axes, 0.5, 0.55, "no life is told: too few paths come near the limit",
                  across=axes.transAxes, ha="center", color=MUTED)
        return inline_svg(figure, key=key, title=f"Lives of {stock.material}",
                          description=_lives_in_words(stock))


def _end_of(p: PadLife) -> float:
    """How far a path is drawn: to the limit, or as far as it may be carried."""
    farthest = FARTHEST * p.reach.last_reading
    return min(p.life, farthest) if p.life is not None else farthest


def _highest(stock: StockLife) -> float:
    return float(min(p.loss.readings.loss_mm.min() for p in stock.pads)) * 1.1


def _one_path(axes: Axes, stock: StockLife, p: PadLife) -> None:
    marker, colour = look_of_lot(stock, p.lot)
    readings = p.loss.readings
    axes.plot(readings.strokes / stock.per_year, readings.loss_mm * UM_PER_MM, marker=marker, ms=3, ls="none",
              color=colour, zorder=3)
    last, end = p.reach.last_reading, max(_end_of(p), p.reach.last_reading)
    read = np.linspace(0, last, 120)[1:]
    axes.plot(read / stock.per_year, p.path_mm(read) * UM_PER_MM, color=colour, lw=1.1, zorder=2)
    if end > last:
        on = np.linspace(last, end, 80)
        axes.plot(on / stock.per_year, p.path_mm(on) * UM_PER_MM, color=colour, lw=1.0, ls=(0, (3, 2)),
                  zorder=2)
    if p.life is not None:
        axes.plot([p.life / stock.per_year], [stock.limit_mm * UM_PER_MM], marker=marker, ms=5, color=colour,
                  mfc="white", mew=1.2, zorder=4)


def _strokes_above(axes: Axes, stock: StockLife) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    if stock.axis != "strokes":
        return
    million = stock.per_year / 1e6

    def strokes(years: Any) -> Any:
        return years * million

    def years(strokes: Any) -> Any:
        return strokes / million

    second = axes.secondary_xaxis("top", functions=(strokes, years))
    second.set_xlabel("million strokes", labelpad=3)
    second.xaxis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
    second.xaxis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))


def _lots_named(axes: Axes, stock: StockLife) -> None:
    for place, lot in enumerate(stock.lots[:_MOST_LOTS_NAMED]):
        marker, colour = look_of_lot(stock, lot)
        y = 0.94 - 0.075 * place
        axes.plot([0.97], [y], marker=marker, ms=5, color=colour, ls="none", transform=axes.transAxes,
                  zorder=5)
        write(axes, 0.94, y, "lot " + shortened(one_line(lot), 18), across=axes.transAxes, fontsize=8,
              ha="right")


def _placed(stock: StockLife, lives: Array, reached: Array) -> list[tuple[float, float, PadLife]]:
    order = np.argsort(lives, kind="stable")
    shares = plotting_positions(lives[order].tolist(), reached[order].tolist())
    return [(float(lives[i]), share, stock.pads[i])
            for i, share in zip(order, shares, strict=True) if share is not None]


def _paths_in_words(stock: StockLife) -> str:
    told = ", ".join(
        f"pad {p.pad} " + ("not within three times its readings" if p.life is None
                           else f"after {span(p.life / stock.per_year)}") for p in stock.pads)
    return f"{stock.material}: the limit of {limit(stock.limit_mm)} is met by {told}."


def _lives_in_words(stock: StockLife) -> str:
    median, interval = stock.median("years"), stock.interval90("years")
    if median is None or interval is None or not math.isfinite(median.value):
        return f"{stock.material}: life not determined."
    return (f"{stock.material}: median {span(median.value)}; nine new pads of ten between "
            f"{spans(*interval)}; nine of ten outlive {span(stock.b10_lower95('years'))}, lower bound.")
