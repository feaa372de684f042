"""The drawings of a report, as ``<svg>`` text for a page.

A stock is known by its place in the ranking: the same number stands in the table, on the bars, on
the map and over the panels, so no drawing needs a colour to be understood. Colour and shape say
one thing together, the verdict against the limit: round and filled = within, square and open =
beyond, diamond = undecided.

Which one when: :func:`interval_plot` for the ranking, :func:`drift_map` to weigh drift against
feel; :mod:`padlab.report.panels` for the curves of each stock, side by side on equal scales.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from padlab.decisions.rows import StockRow
from padlab.report.axes import (
    CARD,
    INK,
    MUTED,
    PAST_LIMIT,
    RULE,
    RUST,
    SLATE,
    TEAL,
    UM_PER_MM,
    empty_figure,
    length_scale_x,
    length_scale_y,
    log_span,
    own_look,
    write,
)
from padlab.report.numbers import between, length, limit, share
from padlab.report.svg import inline_svg
from padlab.statistics.quantity import Quantity
from padlab.words import one_line, shortened

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_LOOK = {"within": (TEAL, "o", True), "beyond": (RUST, "s", False), "undecided": (SLATE, "D", False)}
_FAR, _BEYOND = 5.0, 3.0
_LIMIT_LINE: dict[str, Any] = {"color": INK, "lw": 1.0, "ls": (0, (4, 3))}


@dataclass(frozen=True)
class DriftScale:
    """A logarithmic scale of drift [µm] that one stock far off cannot flatten for the others.

    From ``low`` to ``high`` lengths are true. What lies beyond ``high`` stands in a strip of its own behind
    a broken line, up to ``end``; interval ends outside go as far as the scale does, with an arrow.
    """

    low: float
    high: float
    end: float

    @property
    def is_broken(self) -> bool:
        """Whether something lies beyond the scale."""
        return self.end > self.high

    @property
    def strip(self) -> float:
        """Where what lies beyond is drawn."""
        return math.sqrt(self.high * self.end) if self.is_broken else self.high

    def is_off(self, drift: Quantity | None) -> bool:
        """Whether a drift lies beyond the scale."""
        return drift is not None and drift.value * UM_PER_MM > self.high

    def place(self, um: float) -> float:
        """Where a drift is drawn."""
        return self.strip if um > self.high else um


def drift_scale(rows: Sequence[StockRow], *, limit_mm: float) -> DriftScale:
    """The scale of the ranked stocks.

    A stock over five times beyond the one before it (or beyond the limit) is off the scale. An interval
    is drawn to at most three times beyond the outermost value.
    """
    known = [r.drift_play_p95_mm.value * UM_PER_MM for r in rows if r.drift_play_p95_mm is not None]
    values = sorted([*known, limit_mm * UM_PER_MM])
    while len(values) > 2 and values[-1] > _FAR * values[-2]:
        values.pop()
    inside = [e for e in _ends([r.drift_play_p95_mm for r in rows])
              if values[0] / _BEYOND <= e <= values[-1] * _BEYOND]
    low, high = log_span([*inside, *values])
    broken = any(v > high for v in known)
    return DriftScale(low, high, high * (high / low) ** 0.16 if broken else high)


def interval_plot(rows: Sequence[StockRow], *, limit_mm: float, key: str = "bars") -> str:
    """Drift of each stock with its 95 % interval and its lots, the limit, and ties as bars at the right.

    Parameters
    ----------
    rows : sequence of StockRow
        In the order of the ranking; rows without a drift are left out.
    """
    rows = [r for r in rows if r.drift_play_p95_mm is not None]
    ties = tied_groups([r.letters for r in rows])
    width, row_height, head, foot = 340.0, 36.0, 34.0, 30.0
    right = 12.0 + 10.0 * len(ties)
    height = head + row_height * max(len(rows), 1) + foot
    with own_look():
        figure = empty_figure(width, height)
        axes = figure.add_axes(
            (10 / width, foot / height, (width - 10 - right) / width, 1 - (head + foot) / height)
        )
        scale = drift_scale(rows, limit_mm=limit_mm)
        low, high = scale.low, scale.high
        axes.set_xscale("log")
        axes.set_xlim(low, scale.end)
        axes.set_ylim(max(len(rows), 1) - 0.5, -0.5)
        axes.set_yticks([])
        length_scale_x(axes, below="19 notes of 20 stay within [µm]", above="[thou]", ends=(low, high))
        for y, row in enumerate(rows):
            # The limit stands beside the bars only, clear of the names.
            axes.fill_between(
                [limit_mm * UM_PER_MM, scale.end], y - 0.08, y + 0.5, color=PAST_LIMIT, lw=0, zorder=0
            )
            axes.plot([limit_mm * UM_PER_MM] * 2, [y - 0.08, y + 0.5], zorder=1, **_LIMIT_LINE)
            if scale.is_broken:
                axes.plot([high] * 2, [y - 0.08, y + 0.5], color=CARD, lw=5, zorder=1)
                for side in (0.985, 1.015):
                    axes.plot([high * (scale.end / low) ** (side - 1)] * 2, [y - 0.08, y + 0.5],
                              color=MUTED, lw=0.8, ls=(0, (2, 1.5)), zorder=2)
            _one_bar(axes, y, row, scale)
        right_half = limit_mm * UM_PER_MM > math.sqrt(low * high)
        axes.annotate(
            f"limit {limit(limit_mm)}",
            (limit_mm * UM_PER_MM, -0.08),
            (-3 if right_half else 3, -7),
            textcoords="offset points",
            va="center",
            fontsize=7.5,
            color=INK,
            parse_math=False,
            ha="right" if right_half else "left",
        )
        for place, members in enumerate(ties):
            x, across = 1 + (8 + 10 * place) / (width - 10 - right), axes.get_yaxis_transform()
            axes.plot([x, x], [members[0], members[-1]], transform=across, color=MUTED, lw=2.0, clip_on=False)
            axes.plot(
                [x] * len(members),
                members,
                transform=across,
                color=MUTED,
                marker="o",
                ms=5,
                clip_on=False,
                ls="none",
            )
        return inline_svg(
            figure,
            key=key,
            title="How far 19 notes of 20 stay within, stock by stock",
            description=" ".join(
                f"{r.rank} {r.material}: {length(r.drift_play_p95_mm)}, 95 % interval "
                f"{between(r.drift_play_p95_mm)}, {r.verdict}"
                + (", off the scale." if scale.is_off(r.drift_play_p95_mm) else ".")
                for r in rows
            )
            + f" The limit is {limit(limit_mm)}.",
        )


def drift_map(rows: Sequence[StockRow], *, limit_mm: float, key: str = "map") -> str:
    """Drift (log scale) against the share of the work that springback does not return."""
    points = [
        (r, r.drift_play_p95_mm, r.loss_fraction)
        for r in rows
        if r.drift_play_p95_mm is not None and r.loss_fraction is not None
    ]
    with own_look():
        figure = empty_figure(340.0, 265.0)
        axes = figure.add_axes((0.125, 0.14, 0.755, 0.83))
        scale = drift_scale([row for row, _, _ in points], limit_mm=limit_mm)
        low, high = scale.low, scale.end
        axes.set_yscale("log")
        axes.set_ylim(low, high)
        axes.set_xlim(0, 1.15 * max([10.0, *(100 * v for _, _, loss in points for v in _known(loss))]))
        length_scale_y(axes, log=True, ends=(scale.low, scale.high))
        if scale.is_broken:
            axes.axhline(scale.high, color=MUTED, lw=0.8, ls=(0, (2, 1.5)))
            axes.annotate("off the scale", (1, scale.strip), (-5, 0), xycoords=("axes fraction", "data"),
                          textcoords="offset points", ha="right", va="center", fontsize=8, color=MUTED)
        axes.set_xlabel("springback loss at bench speed [% of the work put in]")
        axes.grid(True, color=RULE, lw=0.6)
        axes.axhspan(limit_mm * UM_PER_MM, high, color=PAST_LIMIT, lw=0, zorder=0)
        axes.axhline(limit_mm * UM_PER_MM, **_LIMIT_LINE)
        # The words stand at the end of the line where no stock is near it.
        near = [100 * loss.value for _, drift, loss in points if 0.78 < drift.value / limit_mm < 1.28]
        left = bool(near) and min(near) > axes.get_xlim()[1] / 2
        at_top = limit_mm * UM_PER_MM > low * (high / low) ** 0.88
        axes.annotate(
            f"limit {limit(limit_mm)}",
            (0 if left else 1, limit_mm * UM_PER_MM),
            (5 if left else -5, -7 if at_top else 7),
            va="center",
            ha="left" if left else "right",
            xycoords=("axes fraction", "data"),
            textcoords="offset points",
            fontsize=8,
            color=INK,
            parse_math=False,
        )
        for right, up, words in (
            (0, 0, "steady and lively"),
            (1, 0, "steady and dull"),
            (0, 1, "drifting and lively"),
            (1, 1, "drifting and dull"),
        ):
            if up and (at_top or scale.is_broken):
                continue  # there is no room beyond the limit
            axes.annotate(
                words,
                (right, up),
                (-5 if right else 5, -8 if up else 8),
                xycoords="axes fraction",
                textcoords="offset points",
                ha="right" if right else "left",
                va="center",
                fontsize=8,
                color=MUTED,
                fontstyle="italic",
            )
        for row, drift, loss in points:
            _one_point(axes, row, drift, loss, scale)
        return inline_svg(
            figure,
            key=key,
            title="Drift against springback loss",
            description=" ".join(
                f"{row.rank} {row.material}: drift {length(drift)}, springback loss {share(loss)}."
                for row, drift, loss in points
            ),
        )


def tied_groups(letters: Sequence[str]) -> list[list[int]]:
    """Rows that share a letter, one list a letter; a letter that stands alone makes no group.

    >>> tied_groups(["a", "ab", "b", "c"])
    [[0, 1], [1, 2]]
    """
    groups = [
        [row for row, own in enumerate(letters) if letter in own]
        for letter in sorted({c for own in letters for c in own})
    ]
    return [g for g in groups if len(g) > 1]


def _one_bar(axes: Axes, y: int, row: StockRow, scale: DriftScale) -> None:
    drift = row.drift_play_p95_mm
    assert drift is not None
    colour, marker, filled = look_of(row)
    across = axes.get_yaxis_transform()
    if y:
        axes.axhline(y - 0.5, color=RULE, lw=0.8, zorder=0)
    if not scale.is_off(drift) and (ends := _interval(drift)) is not None:
        shown = [min(max(e * UM_PER_MM, scale.low), scale.high) for e in ends]
        axes.plot(shown, [y + 0.17] * 2, color=colour, lw=3.0, solid_capstyle="butt", zorder=2)
        for end, drawn, arrow in zip(ends, shown, ("<", ">"), strict=True):
            if not math.isclose(end * UM_PER_MM, drawn):  # it goes on
                axes.plot([drawn], [y + 0.17], marker=arrow, ms=7, color=colour, ls="none", clip_on=False,
                          zorder=3)
    axes.plot(
        [scale.place(drift.value * UM_PER_MM)],
        [y + 0.17],
        marker=marker,
        ms=8,
        mew=1.8,
        mec=colour,
        mfc=colour if filled else CARD,
        ls="none",
        zorder=3,
    )
    for lot in row.lot_rows:
        look: dict[str, Any] = (
            {"marker": "x", "mec": INK, "mew": 1.4}
            if lot.stands_apart
            else {"marker": "|", "mec": MUTED, "mew": 1.0}
        )
        if not scale.low <= lot.drift_play_p95_mm * UM_PER_MM <= scale.high:
            continue
        axes.plot([lot.drift_play_p95_mm * UM_PER_MM], [y + 0.38], ls="none", ms=5, zorder=3, **look)
    write(
        axes,
        0.012,
        y - 0.27,
        f"{row.rank}  {shortened(one_line(row.material), 26)}",
        across=across,
        fontsize=9.5,
        fontweight="bold",
        ha="left",
    )
    # On a white ground, so that a name of wide letters cannot hide the number.
    write(
        axes,
        0.988,
        y - 0.27,
        length(drift),
        across=across,
        fontsize=9,
        ha="right",
        bbox={"facecolor": CARD, "edgecolor": "none", "pad": 1.0},
    )


def _one_point(axes: Axes, row: StockRow, drift: Quantity, loss: Quantity, scale: DriftScale) -> None:
    colour, marker, filled = look_of(row)
    x, y = 100 * loss.value, scale.place(drift.value * UM_PER_MM)
    if y < scale.strip and (ends := _interval(drift)) is not None:
        axes.plot([x, x], [min(e * UM_PER_MM, scale.high) for e in ends], color=colour, lw=1.4, zorder=2)
    if (ends := _interval(loss)) is not None:
        axes.plot([100 * e for e in ends], [y, y], color=colour, lw=1.4, zorder=2)
    axes.plot(
        [x],
        [y],
        marker=marker,
        ms=11 if marker == "D" else 13,
        mew=1.6,
        mec=colour,
        mfc=colour if filled else CARD,
        ls="none",
        zorder=3,
    )
    axes.annotate(
        str(row.rank),
        (x, y),
        (0, -0.3),
        textcoords="offset points",
        ha="center",
        va="center_baseline",
        fontsize=8,
        fontweight="bold",
        zorder=4,
        color=CARD if filled else colour,
    )


def look_of(row: StockRow) -> tuple[str, str, bool]:
    """Colour, marker and whether it is filled: what the verdict against the limit looks like."""
    return _LOOK.get(row.verdict, _LOOK["undecided"])


def _known(quantity: Quantity | None) -> list[float]:
    if quantity is None:
        return []
    return [v for v in (quantity.value, quantity.low, quantity.high) if v is not None and math.isfinite(v)]


def _interval(quantity: Quantity) -> tuple[float, float] | None:
    low, high = quantity.low, quantity.high
    if low is None or high is None or not (math.isfinite(low) and math.isfinite(high)):
        return None
    return low, high


def _ends(quantities: Sequence[Quantity | None]) -> list[float]:
    return [v * UM_PER_MM for q in quantities for v in _known(q) if v > 0]
