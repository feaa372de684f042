"""The look and the scales of padlab's drawings: a look of its own, micrometres and thou on every length.

Imports matplotlib only inside its functions, and is used only by :mod:`padlab.report.figures`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from padlab.units import MM_PER_THOU
from padlab.words import one_line

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK, MUTED, PALE, RULE, CARD = "#1f2630", "#59626f", "#c3c9d1", "#e4e7eb", "#ffffff"
TEAL, RUST, SLATE = "#0a6a6a", "#a8450c", "#5a5f86"
SHADE, PAST_LIMIT = "#f1f2f4", "#f7f0ea"
UM_PER_MM = 1e3
_UM_PER_THOU = MM_PER_THOU * UM_PER_MM


@contextmanager
def own_look() -> Iterator[None]:
    """A look of padlab's own whatever the user's matplotlibrc says, and the same bytes from the same data."""
    import matplotlib

    with matplotlib.rc_context():
        matplotlib.rcdefaults()
        matplotlib.rcParams.update(
            {
                "svg.fonttype": "none",
                "svg.hashsalt": "padlab",
                "text.parse_math": False,
                "text.usetex": False,
                "font.family": "sans-serif",
                "font.sans-serif": ["DejaVu Sans"],
                "font.size": 8.5,
                "axes.edgecolor": PALE,
                "axes.linewidth": 0.8,
                "axes.labelcolor": MUTED,
                "axes.labelsize": 8.5,
                "xtick.color": MUTED,
                "ytick.color": MUTED,
                "xtick.labelsize": 8.5,
                "ytick.labelsize": 8.5,
                "xtick.major.size": 3,
                "ytick.major.size": 3,
                "text.color": INK,
                "hatch.linewidth": 0.5,
            }
        )
        yield


def empty_figure(width: float, height: float) -> Figure:
    """A transparent figure, ``width`` by ``height`` points; the page puts the card behind it."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width / 72, height / 72), facecolor="none")
    FigureCanvasSVG(figure)
    return figure


def write(axes: Axes, x: float, y: float, words: str, *, across: Any, **how: Any) -> None:
    """Put words into the drawing as they stand: no mathtext, no control characters."""
    how.setdefault("va", "center")
    axes.text(x, y, one_line(words), transform=across, parse_math=False, zorder=5, **how)


def length_scale_x(axes: Axes, *, below: str, above: str, ends: tuple[float, float]) -> None:
    """A logarithmic length scale: micrometres below, thou above; ticks between ``ends`` [µm]."""
    axes.set_xlabel(below, labelpad=2)
    written_out(axes.xaxis, *ends)
    second = axes.secondary_xaxis("top", functions=to_and_from_thou())
    second.set_xlabel(above, labelpad=3)
    written_out(second.xaxis, *(end / _UM_PER_THOU for end in ends))


def length_scale_y(axes: Axes, *, log: bool, ends: tuple[float, float] | None = None) -> None:
    """A length scale: micrometres at the left, thou at the right; logarithmic between ``ends`` [µm]."""
    from matplotlib.ticker import FuncFormatter, MaxNLocator

    second = axes.secondary_yaxis("right", functions=to_and_from_thou())
    for axis, unit in ((axes.yaxis, 1.0), (second.yaxis, _UM_PER_THOU)):
        if log:
            assert ends is not None
            written_out(axis, *(end / unit for end in ends))
        else:
            axis.set_major_locator(MaxNLocator(5, steps=[1, 2, 5, 10]))
            axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    axes.set_ylabel("µm", labelpad=2)
    second.set_ylabel("thou", labelpad=2)


def written_out(axis: Any, low: float, high: float) -> None:
    """Ticks at 1, 2, 5 of each decade between the ends, written out: no powers of ten on the page.

    Where the scale spans many decades only 1 of each stands.
    """
    from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

    decades = range(math.floor(math.log10(low)), math.ceil(math.log10(high)) + 1)
    subs = (1, 2, 5) if len(decades) <= 6 else (1,)
    ticks = [s * 10.0**d for d in decades for s in subs if low <= s * 10.0**d <= high]
    axis.set_major_locator(FixedLocator(ticks))
    axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
    axis.set_minor_locator(NullLocator())


def time_scale_x(axes: Axes, *, from_s: float, to_s: float) -> None:
    """A logarithmic time scale with the times that a technician would say."""
    from matplotlib.ticker import FixedFormatter, FixedLocator, NullLocator

    named = {0.1: "0.1 s", 1: "1 s", 10: "10 s", 60: "1 min", 600: "10 min", 3600: "1 h", 36000: "10 h"}
    axes.set_xscale("log")
    axes.set_xlim(from_s, to_s)
    shown = {t: words for t, words in named.items() if from_s * 0.999 <= t <= to_s * 1.001}
    axes.xaxis.set_major_locator(FixedLocator(list(shown)))
    axes.xaxis.set_major_formatter(FixedFormatter(list(shown.values())))
    axes.xaxis.set_minor_locator(NullLocator())


def log_span(values: Sequence[float]) -> tuple[float, float]:
    """Ends of a logarithmic axis that holds all values and at least one decade.

    >>> low, high = log_span([20.0, 30.0])
    >>> low < 20 < 30 < high, round(high / low, 6)
    (True, 10.0)
    """
    low, high = min(values) / 1.35, max(values) * 1.35
    widen = max(1.0, math.sqrt(10 * low / high))
    return low / widen, high * widen


def to_and_from_thou() -> tuple[Callable[[Any], Any], Callable[[Any], Any]]:
    """Micrometres to thou and back, for a second scale."""
    return (lambda um: um / _UM_PER_THOU), (lambda thou: thou * _UM_PER_THOU)
