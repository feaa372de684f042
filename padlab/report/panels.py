"""One small drawing a stock, side by side on equal scales: position against force, sinking against time.

Takes the curves of a ranked stock, gives ``<svg>`` text for a page. Small drawings instead of one
crowd of lines: each can be read on a telephone and in grey print.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from padlab.decisions.rows import CreepCurve, PositionCurve, StockRow
from padlab.report.axes import (
    MUTED,
    PALE,
    SHADE,
    UM_PER_MM,
    empty_figure,
    length_scale_y,
    own_look,
    time_scale_x,
    write,
)
from padlab.report.figures import look_of
from padlab.report.numbers import length
from padlab.report.svg import inline_svg

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

Array = NDArray[np.float64]

_MOST_BEHIND = 12
"""Beyond so many other stocks the pale curves behind a panel say nothing any more."""


@dataclass(frozen=True)
class PanelScale:
    """The scale that all panels of one kind share, so that they can be compared by eye."""

    across: tuple[float, float]  # N or s
    height_mm: float


def position_scale(rows: Sequence[StockRow]) -> PanelScale | None:
    """The common scale of the position panels, from no force to the hardest press that was tested."""
    curves = [c for r in rows if (c := _measured(r.position)) is not None]
    if not curves:
        return None
    deepest = max(float(np.nanmax([c.position_mm, _or(c.high_mm, c.position_mm)])) for c in curves)
    return PanelScale((0.0, max(float(c.finger_force_n[-1]) for c in curves) * 1.02), deepest * 1.06)


def position_panel(
    row: StockRow, rows: Sequence[StockRow], *, scale: PanelScale, set_force_n: float | None, key: str
) -> str:
    """One stock's position against finger force with its band; the other stocks pale behind it.

    Nothing is drawn beyond the tested range; where another stock was tested harder, that range is
    hatched and says so. ``set_force_n`` is the finger force of the usual press (dotted).
    """
    own = _measured(row.position)
    colour = look_of(row)[0]
    with own_look():
        figure, axes = _panel()
        axes.set_xlim(*scale.across)
        axes.set_ylim(scale.height_mm * UM_PER_MM, 0)  # downwards, as the valve goes
        length_scale_y(axes, log=False)
        axes.set_xlabel("finger force [N]", labelpad=2)
        behind = [c for r in rows if r is not row and (c := _measured(r.position)) is not None]
        for curve in behind if len(behind) <= _MOST_BEHIND else []:
            axes.plot(curve.finger_force_n, curve.position_mm * UM_PER_MM, color=PALE, lw=0.8, zorder=1)
        if set_force_n is not None:
            axes.axvline(set_force_n, color=MUTED, lw=0.8, ls=(0, (1, 2)), zorder=1)
        words = "not measured"
        if own is not None:
            _band(axes, own.finger_force_n, own.low_mm, own.high_mm, colour, alpha=0.28)
            axes.plot(own.finger_force_n, own.position_mm * UM_PER_MM, color=colour, lw=1.7, zorder=3)
            first, last = float(own.finger_force_n[0]), float(own.finger_force_n[-1])
            if own.position_mm[-1] >= own.position_mm[0]:
                _not_tested(axes, last, scale.across[1])
            else:  # up stop: the lighter the resting finger, the harder the pad is squeezed
                _not_tested(axes, 0.0, first)
            words = (
                f"tested from {first:.1f} N to {last:.1f} N finger force; "
                f"pressed in by {length(float(np.max(own.position_mm)))} at most"
            )
        return inline_svg(
            figure,
            key=key,
            title=f"Position of {row.material} against finger force",
            description=f"{row.material}: {words}.",
        )


def sinking_scale(rows: Sequence[StockRow]) -> PanelScale | None:
    """The common scale of the sinking panels: equal height in micrometres, each from where it starts."""
    curves = [c for r in rows if (c := _usable(r.creep)) is not None]
    if not curves:
        return None
    tallest = max(
        float(np.nanmax(_or(c.high_mm, c.position_mm)) - np.nanmin(_or(c.low_mm, c.position_mm)))
        for c in curves
    )
    return PanelScale(
        (min(float(c.time_s[0]) for c in curves), max(float(c.time_s[-1]) for c in curves)),
        max(tallest * 1.15, 1e-3),
    )


def sinking_panel(row: StockRow, *, scale: PanelScale, key: str) -> str:
    """One stock's sinking under a held note on log time; what is extrapolated is dashed, on grey."""
    curve = _usable(row.creep)
    colour = look_of(row)[0]
    with own_look():
        figure, axes = _panel()
        time_scale_x(axes, from_s=scale.across[0], to_s=scale.across[1])
        axes.set_xlabel("time held", labelpad=2)
        words = "no hold was recorded"
        if curve is None:
            axes.set_yticks([])
            write(axes, 0.5, 0.5, words, across=axes.transAxes, ha="center", color=MUTED)
        else:
            lows, highs = _or(curve.low_mm, curve.position_mm), _or(curve.high_mm, curve.position_mm)
            top = max(0.0, (float(np.nanmax(highs)) + float(np.nanmin(lows)) - scale.height_mm) / 2)
            axes.set_ylim((top + scale.height_mm) * UM_PER_MM, top * UM_PER_MM)
            length_scale_y(axes, log=False)
            measured = ~curve.extrapolated
            # The line must not break where the hold ends: the dashed part starts on the last measured point.
            beyond = curve.extrapolated.copy()
            beyond[:-1] |= curve.extrapolated[1:] & measured[:-1]
            looks: tuple[tuple[Any, float, dict[str, Any]], ...] = (
                (measured, 0.28, {"lw": 1.7}),
                (beyond, 0.12, {"lw": 1.4, "ls": (0, (3, 2))}),
            )
            for part, alpha, look in looks:
                _band(axes, curve.time_s[part], curve.low_mm[part], curve.high_mm[part], colour, alpha=alpha)
                axes.plot(
                    curve.time_s[part], curve.position_mm[part] * UM_PER_MM, color=colour, zorder=3, **look
                )
            words = f"sinks by {length(row.hold_mm)} from 1 s to 10 s"
            if curve.extrapolated.any():
                start = float(curve.time_s[beyond][0])
                axes.axvspan(start, scale.across[1], color=SHADE, lw=0, zorder=0)
                upper_half = float(curve.position_mm[-1]) - top < scale.height_mm / 2
                write(
                    axes,
                    0.985,
                    0.05 if upper_half else 0.95,
                    "extrapolated",
                    across=axes.transAxes,
                    ha="right",
                    color=MUTED,
                    fontsize=7.5,
                )
                words += f"; extrapolated after {start:.0f} s"
        return inline_svg(
            figure,
            key=key,
            title=f"Sinking of {row.material} under a held note",
            description=f"{row.material}: {words}.",
        )


def _panel() -> tuple[Figure, Axes]:
    figure = empty_figure(260.0, 185.0)
    return figure, figure.add_axes((0.15, 0.165, 0.7, 0.8))


def _band(axes: Axes, across: Array, low: Array, high: Array, colour: str, *, alpha: float) -> None:
    known = np.isfinite(low) & np.isfinite(high)
    if known.any():
        axes.fill_between(
            across[known],
            low[known] * UM_PER_MM,
            high[known] * UM_PER_MM,
            color=colour,
            alpha=alpha,
            lw=0,
            zorder=2,
        )


def _not_tested(axes: Axes, from_n: float, to_n: float) -> None:
    if to_n - from_n < 0.04 * axes.get_xlim()[1]:
        return
    axes.axvspan(from_n, to_n, facecolor=SHADE, edgecolor=PALE, hatch="////", lw=0, zorder=0)
    if to_n - from_n > 0.1 * axes.get_xlim()[1]:
        write(
            axes,
            (from_n + to_n) / 2,
            0.5,
            "not tested",
            across=axes.get_xaxis_transform(),
            rotation=90,
            ha="center",
            color=MUTED,
            fontsize=8,
        )


def _measured(curve: PositionCurve | None) -> PositionCurve | None:
    if curve is None:
        return None
    known = np.isfinite(curve.position_mm)
    if known.sum() < 2:
        return None
    return PositionCurve(
        curve.finger_force_n[known], curve.position_mm[known], curve.low_mm[known], curve.high_mm[known]
    )


def _usable(curve: CreepCurve | None) -> CreepCurve | None:
    if curve is None:
        return None
    known = np.isfinite(curve.position_mm) & (curve.time_s > 0)
    if known.sum() < 2:
        return None
    return CreepCurve(
        curve.time_s[known],
        curve.position_mm[known],
        curve.low_mm[known],
        curve.high_mm[known],
        curve.extrapolated[known],
    )


def _or(band: Array, line: Array) -> Array:
    return np.where(np.isfinite(band), band, line)
