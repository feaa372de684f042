"""Drawings behind the cut list: stocks at one stop, and what parts add up to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from padlab.decisions.cut_rows import Candidate, StackTold
from padlab.records.instrument import SIDES, Side
from padlab.report.axes import (
    CARD,
    INK,
    MUTED,
    PALE,
    RUST,
    TEAL,
    UM_PER_MM,
    empty_figure,
    length_scale_x,
    log_span,
    own_look,
    to_and_from_thou,
)
from padlab.report.numbers import length, share
from padlab.report.svg import inline_svg
from padlab.statistics.quantity import Quantity
from padlab.units import MM_PER_THOU

FELT_UM = 8 * MM_PER_THOU * UM_PER_MM
"""A misalignment of 8 thou is clearly felt (common practice, no source)."""


def trade_figure(stocks: Sequence[Candidate], *, key: str) -> str | None:
    """Stable and firm against soft, lively against dull; numbered as in the table, the first one filled.

    None where no stock has both numbers.
    """
    known = [(n, c, c.drift_play_mm, c.loss_fraction) for n, c in enumerate(stocks, start=1)
             if c.drift_play_mm is not None and c.drift_play_mm.value > 0 and c.loss_fraction is not None]
    if not known:
        return None
    widths = [v * UM_PER_MM for _, _, d, _ in known for v in _of(d) if v > 0]
    with own_look():
        figure = empty_figure(330.0, 190.0)
        axes = figure.add_axes((0.115, 0.185, 0.86, 0.65))
        axes.set_xscale("log")
        ends = log_span(widths)
        axes.set_xlim(*ends)
        top = 100 * max(v for _, _, _, q in known for v in _of(q))
        axes.set_ylim(0, max(1.15 * top, 5))
        length_scale_x(axes, below="stable, firm \N{LEFTWARDS ARROW}  19 notes of 20 within [µm]  "
                       "\N{RIGHTWARDS ARROW} soft", above="thou", ends=ends)
        # Upright text is turned: its arrow points down the page, to little loss.
        axes.set_ylabel("lively \N{LEFTWARDS ARROW}  springback loss [%]", labelpad=3)
        for n, _, drift, loss in known:
            x, y = drift.value * UM_PER_MM, 100 * loss.value
            is_best = n == 1
            line: dict[str, Any] = {"color": MUTED, "lw": 1.1, "zorder": 2}
            if drift.low is not None and drift.high is not None:
                axes.plot([max(e * UM_PER_MM, ends[0]) for e in (drift.low, drift.high)], [y, y], **line)
            if loss.low is not None and loss.high is not None:
                axes.plot([x, x], [100 * loss.low, 100 * loss.high], **line)
            axes.plot([x], [y], "o", ms=13, mew=1.4, mec=TEAL if is_best else MUTED,
                      mfc=TEAL if is_best else CARD, zorder=3)
            axes.annotate(str(n), (x, y), (0, -0.3), textcoords="offset points", ha="center",
                          va="center_baseline", fontsize=8, fontweight="bold", zorder=4,
                          color=CARD if is_best else INK)
        words = " ".join(f"{n} {c.material}: drift in play {length(d)}, springback loss {share(q)}."
                         for n, c, d, q in known)
        return inline_svg(figure, key=key, title="Stable and firm against soft and lively", description=words)


def stack_figure(stack: Mapping[Side, StackTold], cut_mm: Mapping[Side, float | None], *, key: str) -> str:
    """How far 95 of 100 valves stand off: built without measuring, and read and cut.

    ``cut_mm`` is half of the 95 % interval of the widest stop of a side; None: not known.
    """
    sides = [s for s in SIDES if s in stack]
    bars = [(side, words, reach, colour) for side in sides for words, reach, colour in (
        ("built without measuring", stack[side].p95_mm, RUST), ("read and cut", cut_mm.get(side), TEAL))]
    widest = max([FELT_UM, *[reach * UM_PER_MM for _, _, reach, _ in bars if reach is not None]]) * 1.1
    with own_look():
        figure = empty_figure(360.0, 40.0 + 26.0 * len(bars))
        height = 40.0 + 26.0 * len(bars)
        axes = figure.add_axes((0.42, 30 / height, 0.56, 1 - 58 / height))
        axes.set_xlim(-widest, widest)
        axes.set_ylim(len(bars) - 0.4, -0.6)
        axes.set_yticks(range(len(bars)), [f"{side} stop, {words}" for side, words, _, _ in bars])
        axes.tick_params(axis="y", length=0)
        _even(axes)
        axes.axvline(0, color=PALE, lw=0.8, zorder=1)
        for end in (-FELT_UM, FELT_UM):
            axes.axvline(end, color=INK, lw=0.9, ls=(0, (4, 3)), zorder=1)
        for place, (_, _, reach, colour) in enumerate(bars):
            if reach is None:
                axes.text(0, place, "not determined", ha="center", va="center", fontsize=8, color=MUTED,
                          bbox={"facecolor": CARD, "edgecolor": "none", "pad": 1.0})
            else:
                axes.barh([place], [2 * reach * UM_PER_MM], left=-reach * UM_PER_MM, height=0.5, color=colour,
                          hatch="////" if colour == RUST else None, edgecolor=CARD, zorder=2)
        said = "; ".join(f"{side} stop, {words}: {'' if reach is None else 'within '}{length(reach)}"
                         for side, words, reach, _ in bars)
        return inline_svg(figure, key=key, title="What 95 of 100 valves stay within",
                          description=f"{said}. The dashed lines stand at 8 thou.")


def _even(axes: object) -> None:
    """Micrometres below, thou above, on even steps."""
    from matplotlib.axes import Axes
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    assert isinstance(axes, Axes)
    second = axes.secondary_xaxis("top", functions=to_and_from_thou())
    for axis, words in ((axes.xaxis, "off zero [µm]"), (second.xaxis, "thou")):
        axis.set_major_locator(MaxNLocator(6, steps=[1, 2, 5, 10]))
        axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}".replace("-", "\N{MINUS SIGN}")))
        axis.set_label_text(words)


def _of(q: Quantity) -> list[float]:
    return [v for v in (q.value, q.low, q.high) if v is not None]
