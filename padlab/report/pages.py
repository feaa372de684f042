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
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from padlab import __version__
from padlab.cautions import CAUTIONS
from padlab.decisions.rows import Comparison
from padlab.errors import InputError
from padlab.report import figures, numbers, panels, story
from padlab.words import plain

if TYPE_CHECKING:
    from jinja2 import Environment


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
        _environment()
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


def write_comparison(comparison: Comparison, out: Path, *, made_on: str) -> None:
    """Write the page of a comparison; what stood there before stays whole until the new page is.

    Raises
    ------
    OSError
        The file cannot be written.
    """
    if out.exists() and not out.is_file():
        raise InputError(f"{out} is not a plain file", expected="a new name, or an old page to replace",
                         seen="a folder, a device or a pipe", remedy="give --out another name")
    page = comparison_page(comparison, made_on=made_on).encode("utf-8")
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
    }


@lru_cache(maxsize=1)
def _environment() -> Environment:
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
        between=numbers.between,
        thickness=numbers.thickness,
        share=numbers.share,
        share_between=numbers.share_between,
        chance=numbers.chance,
        limit=numbers.limit,
        listed=numbers.listed,
        opening=story.opening,
    )
    return environment


def _plain_value(value: Any) -> Any:
    from markupsafe import Markup

    return plain(value) if isinstance(value, str) and not isinstance(value, Markup) else value
