"""The doubt of a rig as bars, source by source, as ``<svg>`` text for a page.

Filled bars are a run's own and stay in the difference of two pads; open, hatched bars are shared by
all pads of the rig and cancel there. What nobody knows has words in place of a bar, never a bar of 0.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from padlab.calibration.budget import GROUPS, WORDS, Budget, Source
from padlab.report.axes import (
    CARD,
    INK,
    MUTED,
    RULE,
    SLATE,
    UM_PER_MM,
    empty_figure,
    own_look,
    to_and_from_thou,
    write,
)
from padlab.report.numbers import length
from padlab.report.svg import inline_svg
from padlab.words import one_line, shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_OWN: dict[str, Any] = {"facecolor": SLATE, "edgecolor": SLATE, "linewidth": 0.8}
_SHARED: dict[str, Any] = {"facecolor": CARD, "edgecolor": SLATE, "linewidth": 0.8, "hatch": "/////"}


def budget_bars(budget: Budget, *, about: str, key: str) -> str:
    """One standard deviation of each source of a give.

    Parameters
    ----------
    budget : Budget
        In mm.
    about : str
        Whose doubt it is, for the title (a stock, or a pad).
    key : str
        As of :func:`padlab.report.svg.inline_svg`.
    """
    found = {name: tuple(s for s in budget.groups() if s.name == name) for name in shown_groups(budget)}
    reasons = {u.group: u.reason for u in budget.unknown}
    row, head, foot, width = 17.0, 24.0, 28.0, 260.0
    height = head + row * len(found) + foot
    largest = max((s.contribution * UM_PER_MM for s in budget.sources), default=0.0) or 1.0
    with own_look():
        figure = empty_figure(width, height)
        axes = figure.add_axes((88 / width, foot / height, (width - 96) / width, 1 - (head + foot) / height))
        axes.set_xlim(0, largest * 1.28)
        axes.set_ylim(len(found) - 0.5, -0.5)
        _scales(axes)
        for y, (name, sources) in enumerate(found.items()):
            write(axes, -0.03, y, shortened(one_line(WORDS.get(name, name)), 17), ha="right", fontsize=8.5,
                  across=axes.get_yaxis_transform())
            if not sources:
                write(axes, largest * 0.02, y, "not known" if name in reasons else "none", ha="left",
                      fontsize=8, color=MUTED, fontstyle="italic", across=axes.transData)
            _bars(axes, y, sources, largest)
        return inline_svg(figure, key=key, title=f"Doubt of the give, source by source: {about}",
                          description=_words(found, reasons, budget))


def shown_groups(budget: Budget) -> tuple[str, ...]:
    """The groups that a budget has a line for: all of the usual ones, then its own."""
    others = {s.group for s in budget.sources} | {u.group for u in budget.unknown}
    return (*GROUPS, *sorted(others - set(GROUPS)))


def _scales(axes: Axes) -> None:
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    second = axes.secondary_xaxis("top", functions=to_and_from_thou())
    for axis in (axes.xaxis, second.xaxis):
        axis.set_major_locator(MaxNLocator(4, steps=[1, 2, 5, 10]))
        axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    axes.set_xlabel("one standard deviation [µm]", labelpad=1)
    axes.annotate("[thou]", (-0.03, 1), (0, 8), xycoords="axes fraction", textcoords="offset points",
                  ha="right", va="center", color=MUTED, fontsize=8.5)
    axes.set_yticks([])
    axes.grid(True, axis="x", color=RULE, lw=0.6)
    axes.set_axisbelow(True)


def _bars(axes: Axes, y: int, sources: tuple[Source, ...], largest: float) -> None:
    """One bar, or a thin one above the other where a part is the run's own and a part shared."""
    thick = 0.62 / max(len(sources), 1)
    for place, source in enumerate(sources):
        at = y + (place - (len(sources) - 1) / 2) * thick
        um = source.contribution * UM_PER_MM
        axes.barh([at], [max(um, largest * 0.004)], height=thick * 0.9,
                  **(_SHARED if source.systematic else _OWN))
        write(axes, um + largest * 0.03, at, _short(um), ha="left",
              fontsize=8 if len(sources) == 1 else 6.5, color=INK, across=axes.transData)


def _short(um: float) -> str:
    """A number beside its bar, not rounded to nothing."""
    if um == 0 or um >= 0.995:
        return f"{um:.1f}" if um else "0"
    return f"{um:.2f}" if um >= 0.005 else "<0.01"


def _words(found: dict[str, tuple[Source, ...]], reasons: dict[str, str], budget: Budget) -> str:
    lines = []
    for name, sources in found.items():
        said = [f"{length(s.contribution)}{' (shared by the rig)' if s.systematic else ''}" for s in sources]
        if not said:
            said = ["not determined, " + reasons[name] if name in reasons else "none"]
        lines.append(f"{WORDS.get(name, name)}: {' and '.join(said)}.")
    return " ".join(lines) + f" Together {length(budget.expanded())} either way, at 95 %."
