"""Position against time under one touch: a strip a pad (or a stock), all on equal scales.

Takes a force history and positions from home, gives ``<svg>`` text. The dashed lines are the limit on either
side of home; on grey the touch is harder than anything that was fitted.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from padlab.report.axes import (
    INK,
    MUTED,
    PALE,
    SHADE,
    TEAL,
    UM_PER_MM,
    empty_figure,
    length_scale_y,
    own_look,
)
from padlab.report.numbers import length, limit
from padlab.report.svg import inline_svg

Array = NDArray[np.float64]

_MOST_POINTS = 900
"""A strip has no more points across: of each stretch its lowest and highest place are drawn."""


def strip_height_mm(positions_mm: Sequence[Array], *, limit_mm: float) -> tuple[float, float]:
    """The common scale of strips: from the highest to the lowest place, with the limit where it is near."""
    low = min((float(np.min(p)) for p in positions_mm), default=0.0)
    high = max((float(np.max(p)) for p in positions_mm), default=0.0)
    for end in (-limit_mm, limit_mm):
        if 1.6 * low < end < 1.6 * high:
            low, high = min(low, 1.05 * end), max(high, 1.05 * end)
    edge = 0.06 * max(high - low, 1e-3)
    return low - edge, high + edge


def position_strip(time_s: Array, from_home_mm: Array, *, height_mm: tuple[float, float], limit_mm: float,
                   name: str, key: str, half_band_mm: float = 0.0,
                   is_outside: NDArray[np.bool_] | None = None) -> str:
    """One pad's (or stock's) position from home against time, downwards; what is nan is not drawn."""
    t, low, high = _envelope(time_s, from_home_mm)
    with own_look():
        figure = empty_figure(360.0, 130.0)
        axes = figure.add_axes((0.11, 0.24, 0.78, 0.72))
        axes.set_xlim(float(time_s[0]), float(time_s[-1]))
        axes.set_ylim(height_mm[1] * UM_PER_MM, height_mm[0] * UM_PER_MM)
        length_scale_y(axes, log=False)
        axes.set_xlabel("time [s]", labelpad=1)
        if is_outside is not None and is_outside.any():
            edges = np.flatnonzero(np.diff(np.concatenate([[0], is_outside.view(np.int8), [0]])))
            for a, b in zip(edges[::2], edges[1::2], strict=True):
                axes.axvspan(float(time_s[a]), float(time_s[min(b, time_s.size - 1)]), color=SHADE, zorder=0)
        axes.axhline(0.0, color=PALE, lw=0.8, zorder=1)
        for end in (-limit_mm, limit_mm):
            if height_mm[0] < end < height_mm[1]:
                axes.axhline(end * UM_PER_MM, color=INK, lw=0.9, ls=(0, (4, 3)), zorder=2)
        if half_band_mm > 0:
            axes.fill_between(t, (low - half_band_mm) * UM_PER_MM, (high + half_band_mm) * UM_PER_MM,
                              color=TEAL, alpha=0.22, lw=0, zorder=2)
        line = np.stack([low, high], axis=1).ravel()
        axes.plot(np.repeat(t, 2), line * UM_PER_MM, color=TEAL, lw=1.0, zorder=3)
        words = (f"between {length(float(np.nanmin(low)))} and {length(float(np.nanmax(high)))} from home; "
                 f"the limit is {limit(limit_mm)} either way")
        return inline_svg(figure, key=key, title=f"Position of {name} under the touch",
                          description=f"{name}: {words}.")


def force_strip(time_s: Array, net_n: Array, *, key: str) -> str:
    """The touch itself: net force on the pad against time."""
    t, low, high = _envelope(time_s, net_n)
    with own_look():
        figure = empty_figure(360.0, 100.0)
        axes = figure.add_axes((0.11, 0.3, 0.78, 0.64))
        axes.set_xlim(float(time_s[0]), float(time_s[-1]))
        axes.set_ylim(0, max(float(high.max()) * 1.08, 1.0))
        axes.set_ylabel("net force [N]", labelpad=2)
        axes.set_xlabel("time [s]", labelpad=1)
        axes.plot(np.repeat(t, 2), np.stack([low, high], axis=1).ravel(), color=MUTED, lw=1.0)
        return inline_svg(figure, key=key, title="The touch", description=(
            f"Net force on the pad over {time_s[-1] - time_s[0]:.0f} s, up to {float(high.max()):.1f} N."))


def _envelope(time_s: Array, values: Array) -> tuple[Array, Array, Array]:
    """Middle time, lowest and highest value of at most so many stretches."""
    if time_s.size <= _MOST_POINTS:
        return time_s, values, values
    at = np.linspace(0, time_s.size, _MOST_POINTS + 1).astype(np.intp)[:-1]
    return time_s[at], np.fmin.reduceat(values, at), np.fmax.reduceat(values, at)
