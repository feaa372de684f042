"""Recorded sessions of a finger -> one HTML file that stands alone."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from padlab import __version__
from padlab.drift.sessions import Summary
from padlab.drift.touch import PRESETS
from padlab.report.axes import INK, MUTED, PALE, TEAL, empty_figure, own_look
from padlab.report.pages import environment, write_page
from padlab.report.svg import inline_svg


def touch_page(summary: Summary, *, made_on: str) -> str:
    """The page of a touch: the answer, quantiles, how hard and how long, session by session.

    Parameters
    ----------
    made_on : str
        The date to print; the only thing on the page that is not of the recordings.
    """
    from markupsafe import Markup

    return environment().get_template("touch.html.j2").render(
        made_on=made_on, version=__version__, summary=summary, sessions=summary.sessions,
        forces=Markup(shares_figure(summary)), strokes=Markup(strokes_figure(summary)),
        by_session=Markup(sessions_figure(summary)) if len(summary.sessions) > 1 else None)


def write_touch(summary: Summary, out: Path, *, made_on: str) -> None:
    """Write the page; what stood there before stays whole until the new page is."""
    write_page(out, "--out", lambda: touch_page(summary, made_on=made_on))


def shares_figure(summary: Summary) -> str:
    """How many strokes are no harder than a force, stroke by stroke and by time held; presets beside."""
    force, time = (np.concatenate([getattr(s.strokes, name) for s in summary.sessions])
                   for name in ("plateau_n", "duration_s"))
    order = np.argsort(force, kind="stable")
    force, time = force[order], time[order]
    with own_look():
        figure = empty_figure(360.0, 200.0)
        axes = figure.add_axes((0.13, 0.2, 0.82, 0.74))
        axes.set_xscale("log")
        low, high = min(2.0, float(force[0])) * 0.95, max(20.0, float(force[-1])) * 1.05
        axes.set_xlim(low, high)
        axes.set_ylim(0, 100)
        ticks = [t for t in (1, 2, 3, 5, 10, 20, 30, 50, 100) if low <= t <= high]
        axes.set_xticks(ticks, [str(t) for t in ticks])
        axes.minorticks_off()
        for name, touch in PRESETS.items():
            axes.axvline(touch.median_n, color=PALE, lw=1.0, zorder=1)
            axes.text(touch.median_n, 101, name, ha="center", va="bottom", fontsize=6.5, color=MUTED)
        share = 100 * np.arange(1, force.size + 1) / force.size
        axes.step(force, share, where="post", color=TEAL, lw=1.4, label="stroke by stroke", zorder=3)
        axes.step(force, 100 * np.cumsum(time) / time.sum(), where="post", color=INK, lw=1.0,
                  ls=(0, (4, 2)), label="by time held", zorder=3)
        axes.axhline(50, color=PALE, lw=0.8, zorder=1)
        axes.legend(loc="lower right", frameon=False, fontsize=7)
        axes.set_xlabel("finger force [N]", labelpad=1)
        axes.set_ylabel("no harder than this [%]", labelpad=2)
        q = summary.plateau_n
        return inline_svg(figure, key="shares", title="How hard the finger presses", description=(
            f"Half of the strokes press no harder than {q['q50']:.3g} N, one of 20 over {q['q95']:.3g} N."))


def strokes_figure(summary: Summary) -> str:
    """Every stroke: how long against how hard."""
    with own_look():
        figure = empty_figure(360.0, 200.0)
        axes = figure.add_axes((0.13, 0.2, 0.82, 0.74))
        axes.set_yscale("log")
        for k, s in enumerate(summary.sessions):
            axes.plot(s.strokes.plateau_n, s.strokes.duration_s, ls="", marker="os^Dv"[k % 5], ms=2.6,
                      mfc="none" if k % 2 else TEAL, mec=TEAL, mew=0.6, alpha=0.6)
        axes.set_xlim(0, None)
        axes.set_yticks([t for t in (0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 30)
                         if axes.get_ylim()[0] <= t <= axes.get_ylim()[1]])
        axes.yaxis.set_major_formatter(lambda v, _: f"{v:g}")
        axes.minorticks_off()
        axes.set_xlabel("finger force [N]", labelpad=1)
        axes.set_ylabel("lasts [s]", labelpad=2)
        d = summary.duration_s
        words = f"{summary.strokes} strokes; half of them last {d['q25']:.2g} to {d['q75']:.2g} s."
        return inline_svg(figure, key="strokes", title="How long and how hard", description=words)


def sessions_figure(summary: Summary) -> str:
    """Medians of the sessions with their 95 % intervals."""
    count = len(summary.sessions)
    height = 46.0 + 24.0 * count
    with own_look():
        figure = empty_figure(360.0, height)
        axes = figure.add_axes((0.13, 30 / height, 0.82, 1 - 40 / height))
        axes.set_ylim(count - 0.5, -0.5)
        axes.set_yticks(range(count), [str(k + 1) for k in range(count)])
        for k, s in enumerate(summary.sessions):
            q = s.median_n
            if q.low is not None and q.high is not None:
                axes.plot([q.low, q.high], [k, k], color=TEAL, lw=2.2, solid_capstyle="butt")
            axes.plot([q.value], [k], "o", color=TEAL, ms=5)
        axes.axvline(summary.median_n.value, color=MUTED, lw=0.9, ls=(0, (4, 3)))
        axes.set_xlabel("median finger force [N]", labelpad=1)
        return inline_svg(figure, key="sessions", title="Session by session", description="; ".join(
            f"{k + 1}: {s.median_n.value:.3g} N" for k, s in enumerate(summary.sessions)))
