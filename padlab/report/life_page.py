"""When pads need renewing -> one HTML file that stands alone."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from padlab import __version__
from padlab.cautions import CAUTIONS
from padlab.decisions.renewal import Renewals
from padlab.drift.life import StockLife
from padlab.marks import Weight
from padlab.report.life_figures import life_panel, paths_panel
from padlab.report.numbers import listed
from padlab.report.pages import environment, write_page
from padlab.units import span, spans


def life_page(found: Renewals, *, made_on: str) -> str:
    """The page: the answer, a table, two drawings a stock, how each pad fared, what was left out, cautions.

    ``made_on`` is the date to print; the only thing on the page that is not of the answer.
    """
    from markupsafe import Markup

    stocks = [{"stock": s, **_words(s), "climate": _climate(found, s), "key": f"stock{n}",
               "paths": Markup(paths_panel(s, key=f"paths{n}")),
               "lives": Markup(life_panel(s, key=f"lives{n}"))} for n, s in enumerate(found.stocks)]
    return environment().get_template("life.html.j2").render(
        made_on=made_on, version=__version__, cautions=CAUTIONS, found=found, stocks=stocks,
        answer=_answer(found), span=span, spans=spans)


def write_life(found: Renewals, out: Path, *, made_on: str) -> None:
    """Write the page; what stood there before stays whole until the new page is."""
    write_page(out, "--out", lambda: life_page(found, made_on=made_on))


def _climate(found: Renewals, stock: StockLife) -> list[str]:
    """What warmth and damp do to an unloaded pad, in words."""
    seen = found.climate.get(stock.material)
    if seen is None:
        return []
    parts = ((seen.per_kelvin_mm, "a kelvin warmer"), (seen.per_percent_mm, "one per cent of humidity more"))
    return [f"An unloaded pad of it grows by {1e3 * q.value:.2f} µm for {words} "
            f"({1e3 * q.low:.2f} to {1e3 * q.high:.2f} µm); the unloaded pad's change is taken off the others"
            for q, words in parts if q is not None and q.low is not None and q.high is not None]


def _words(stock: StockLife) -> dict[str, Any]:
    median, interval = stock.median("years"), stock.interval90("years")
    none = "not determined"
    return {
        "median": none if median is None else span(median.value),
        "median_between": none if median is None else spans(median.low, median.high),
        "between": none if interval is None else spans(*interval),
        "bound": span(stock.b10_lower95("years")),
        "least": None if stock.longer_than is None else span(stock.longer_than / stock.per_year),
        "cautions": [m for m in stock.marks if m.weight is not Weight.NOTE],
        "notes": [m for m in stock.marks if m.weight is Weight.NOTE],
        "tied": listed([one.law for one in stock.paths.tied]),
        "distributions": [(d, span(d.quantile(0.5) / stock.per_year), span(d.quantile(0.1) / stock.per_year))
                          for d in stock.distributions],
        "each": [(p, None if p.life is None else span(p.life / stock.per_year),
                  "has lost nothing yet" if p.verdict is None else p.verdict.words)
                 for p in stock.pads],
    }


def _answer(found: Renewals) -> str:
    """The page's first sentence: the stock that lasts longest, or that none can be told."""
    told = [s for s in found.stocks if s.median("years") is not None]
    if not told:
        return "No life can be told yet: the pads were not followed far enough"
    best = max(told, key=lambda s: s.median("years").value)      # type: ignore[union-attr]
    interval = best.interval90("years")
    assert interval is not None
    of = "a new lot" if best.about == "new lot" else "this lot only"
    name = f"{best.material[:1].upper()}{best.material[1:]}"
    return f"{name}: renew after {spans(*interval)} (9 pads of 10, {of})"
