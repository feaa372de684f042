"""A :class:`~padlab.decisions.rows.Comparison` -> one HTML file that stands alone.

No script, no network, no other file: style and drawings are inside. The same comparison gives the
same bytes, but for the line that says when the page was made. Whatever comes from outside (names,
lots, notes) passes :func:`padlab.words.plain` and is escaped, in one place, for every value that a
template prints: a template cannot forget it.
"""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Callable, Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from padlab import __version__
from padlab.calibration.budget import WORDS
from padlab.cautions import CAUTIONS
from padlab.decisions.rows import Comparison, StockRow
from padlab.errors import InputError
from padlab.report import figures, numbers, panels, run_figures, run_story, story, strips
from padlab.report.budget_bars import budget_bars, shown_groups
from padlab.words import plain

if TYPE_CHECKING:
    from jinja2 import Environment

    from padlab.decisions.told_apart import Apart
    from padlab.fitting.results import RunFit


_MOST_DOUBTS = 12
"""Beyond so many stocks the doubt is shown in figures only."""


def comparison_page(comparison: Comparison, *, made_on: str) -> str:
    """The page of a comparison.

    Parameters
    ----------
    comparison : Comparison
        As :func:`padlab.decisions.comparison.compare` made it.
    made_on : str
        The date to print; the only thing on the page that is not of the comparison.

    Returns
    -------
    str
        A whole HTML document.
    """
    return (
        environment()
        .get_template("comparison.html.j2")
        .render(
            made_on=made_on,
            version=__version__,
            told=story.tell(comparison),
            c=comparison,
            cautions=CAUTIONS,
            **_drawings(comparison),
        )
    )


def runs_page(fits: Sequence[RunFit], *, pairs: Sequence[Apart], not_fitted: Sequence[tuple[str, str]],
              made_on: str) -> str:
    """The page of single runs: numbers, drawings, the doubt of the give source by source, marks.

    Parameters
    ----------
    fits : sequence of RunFit
        One or more.
    pairs : sequence of Apart
        The verdicts on pairs that are to stand on it.
    not_fitted : sequence of (run, reason)
        Runs that gave no fit.
    """
    from markupsafe import Markup

    told = [run_story.tell_run(fit) for fit in fits]
    drawn = [None if fit.budget is None else Markup(budget_bars(
        fit.budget.budget, about=f"pad {fit.pad.id} of {fit.pad.material}", key=f"doubt{n}"))
        for n, fit in enumerate(fits)]
    curves = [[(one, Markup(one.svg)) for one in run_figures.run_figures(fit, key=f"run{n}")]
              for n, fit in enumerate(fits)]
    return environment().get_template("runs.html.j2").render(
        made_on=made_on, version=__version__, runs=list(zip(fits, told, drawn, curves, strict=True)),
        pairs=[(pair, pair.verdict) for pair in pairs], not_fitted=list(not_fitted))


def write_runs(fits: Sequence[RunFit], out: Path, *, pairs: Sequence[Apart],
               not_fitted: Sequence[tuple[str, str]], made_on: str) -> None:
    """Write the page of single runs, as :func:`write_comparison` writes its own."""
    write_page(out, "--report", lambda: runs_page(fits, pairs=pairs, not_fitted=not_fitted, made_on=made_on))


def write_comparison(comparison: Comparison, out: Path, *, made_on: str) -> None:
    """Write the page of a comparison; what stood there before stays whole until the new page is.

    Raises
    ------
    InputError
        There is something that is no plain file.
    OSError
        The file cannot be written.
    """
    write_page(out, "--out", lambda: comparison_page(comparison, made_on=made_on))


def write_page(out: Path, option: str, make: Callable[[], str | bytes]) -> None:
    """Write a page whole or not at all; ``option`` named ``out``."""
    if out.exists() and not out.is_file():
        raise InputError(f"{out} is not a plain file", expected="a new name, or an old page to replace",
                         seen="a folder, a device or a pipe", remedy=f"give {option} another name")
    made = make()
    page = made.encode("utf-8") if isinstance(made, str) else made
    unfinished = out.with_name(f".padlab-{secrets.token_hex(4)}.tmp")
    try:
        unfinished.write_bytes(page)
        os.replace(unfinished, out)
    finally:
        with contextlib.suppress(FileNotFoundError):
            unfinished.unlink()


def _drawings(comparison: Comparison) -> dict[str, Any]:
    from markupsafe import Markup

    rows = [r for r in comparison.ranking if r.drift_play_p95_mm is not None]
    touch = comparison.touch
    set_force = touch.set_net_n + touch.holding_n if touch.stop == "down" else None
    positions, sinkings = panels.position_scale(rows), panels.sinking_scale(rows)

    def beside(made: Sequence[str]) -> list[tuple[Any, Markup]]:
        # Markup: drawn by padlab itself a line above; every word in it was made plain and escaped there.
        return [(row, Markup(svg)) for row, svg in zip(rows, made, strict=True)]

    return {
        "doubts": [
            (rig, stock, Markup(budget_bars(stock.budget, about=stock.material, key=f"doubt{n}-{k}")))
            for n, rig in enumerate(comparison.rigs)
            for k, stock in enumerate(rig.stocks[:_MOST_DOUBTS])
        ],
        "ranks": {r.material: r.rank for r in comparison.ranking} | {
            s.material: None for rig in comparison.rigs for s in rig.stocks
            if s.material not in {r.material for r in comparison.ranking}},
        "bars_broken": bool(rows) and figures.drift_scale(rows, limit_mm=comparison.limit_mm).is_broken,
        "bars": Markup(figures.interval_plot(rows, limit_mm=comparison.limit_mm)) if rows else None,
        "map": Markup(figures.drift_map(rows, limit_mm=comparison.limit_mm))
        if any(r.loss_fraction is not None for r in rows)
        else None,
        "positions": beside(
            [
                panels.position_panel(r, rows, scale=positions, set_force_n=set_force, key=f"position{n}")
                for n, r in enumerate(rows)
            ]
        )
        if positions
        else [],
        "sinkings": beside(
            [panels.sinking_panel(r, scale=sinkings, key=f"sinking{n}") for n, r in enumerate(rows)]
        )
        if sinkings
        else [],
        **_strips(rows, comparison),
    }


def _strips(rows: Sequence[StockRow], comparison: Comparison) -> dict[str, Any]:
    """The same ten seconds of playing through every stock that can be replayed."""
    from markupsafe import Markup

    known = [(row, row.strip) for row in rows if row.strip is not None and row.strip.time_s.size > 1]
    if not known:
        return {"strips": [], "played": None}
    height = strips.strip_height_mm([s.from_home_mm[np.isfinite(s.from_home_mm)] for _, s in known],
                                    limit_mm=comparison.limit_mm)
    return {
        "played": Markup(strips.force_strip(known[0][1].time_s, known[0][1].net_n, key="played")),
        "strips": [(row, Markup(strips.position_strip(
            s.time_s, s.from_home_mm, height_mm=height, limit_mm=comparison.limit_mm, name=row.material,
            key=f"strip{n}"))) for n, (row, s) in enumerate(known)],
    }


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The templates, with every value made plain and escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("padlab", "report/templates"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=_plain_value,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters.update(
        um_thou=numbers.length,
        capital=lambda words: words[:1].upper() + words[1:],
        between=numbers.between,
        thickness=numbers.thickness,
        share=numbers.share,
        share_between=numbers.share_between,
        chance=numbers.chance,
        limit=numbers.limit,
        listed=numbers.listed,
        opening=story.opening,
        sure_between=story.sure_between,
        freedom=numbers.freedom,
        source_words=lambda name: WORDS.get(name, name),
        sources_of=lambda rig: tuple(dict.fromkeys(g for s in rig.stocks for g in shown_groups(s.budget))),
        unknown_of=lambda rig: tuple(dict.fromkeys(
            f"{WORDS.get(u.group, u.group)} ({u.reason})" for s in rig.stocks for u in s.budget.unknown)),
    )
    return environment


def _plain_value(value: Any) -> Any:
    from markupsafe import Markup

    if not isinstance(value, str) or isinstance(value, Markup):
        return value
    return numbers.in_micrometres(plain(value))
