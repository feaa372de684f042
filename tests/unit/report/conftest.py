"""The invented comparisons of the stored pages, and a reader of pages that trusts nothing."""

from __future__ import annotations

import runpy
from collections.abc import Callable
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from padlab.report.pages import comparison_page

RENEW = Path(__file__).parents[2] / "truth" / "pages" / "renew.py"
VOID = {"meta", "br", "col", "link", "img", "input", "hr"}


class Page(HTMLParser):
    """Every element with its attributes, and every piece of text with the elements around it."""

    def __init__(self, page: str) -> None:
        super().__init__(convert_charrefs=True)
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self.texts: list[tuple[tuple[str, ...], str]] = []
        self.open: list[str] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.open, f"</{tag}> closes nothing"
        assert self.open[-1] == tag, f"</{tag}> closes <{self.open[-1]}>"
        self.open.pop()

    def handle_data(self, data: str) -> None:
        self.texts.append((tuple(self.open), data))

    def words(self, *, drawings: bool = False) -> str:
        """What a reader reads, on one line."""
        read = [t for around, t in self.texts if "style" not in around and (drawings or "svg" not in around)]
        return " ".join(" ".join(read).split())


@pytest.fixture(scope="session")
def renew() -> dict[str, Any]:
    return runpy.run_path(str(RENEW))


@pytest.fixture(scope="session")
def comparisons(renew: dict[str, Any]) -> dict[str, Callable[[], Any]]:
    return renew["COMPARISONS"]


@pytest.fixture(scope="session")
def page_of() -> Callable[[str], Page]:
    return Page


@pytest.fixture(scope="session")
def full_page(comparisons: dict[str, Callable[[], Any]]) -> str:
    return comparison_page(comparisons["full"](), made_on="today")


def _cut_stop(side: str, error: str, **more: Any) -> dict[str, Any]:
    at, holding = ("4N", "2.6N") if side == "down" else ("0N", "1.9N")
    return {"port_error": error, "read_at": at, "holding_force": holding, "parts_tight": True,
            "stops_on_pad": True, "fitted": "ring", "fitted_thickness": "56thou", "outer_diameter": "19mm",
            "inner_diameter": "8mm", **more}


def cut_instrument(valves: int = 3, label: str = "band cornet 3", name: str = "{}") -> dict[str, Any]:
    """An invented instrument; every stop can be cut for but the last up stop."""
    found = []
    for n in range(valves):
        up: dict[str, Any] = _cut_stop("up", f"{3 - 2 * n}thou", metal_clearance="60thou")
        if n == valves - 1:
            up = {"port_error": "1thou", "stops_on_pad": False}
        found.append({"name": name.format(n + 1), "up": up,
                      "down": _cut_stop("down", f"{6 - 4 * n}thou", port_spread="9thou")})
    return {"label": label, "valve": found}


@pytest.fixture(scope="session")
def cut_fits() -> list[Any]:
    """Two stocks, two lots each, on the virtual rig."""
    from padlab.capture.virtual.simulate import simulate
    from padlab.fitting.run_fit import fit_run

    return [fit_run(simulate(stock, lot=lot, pad=1, seed=7_411).run, replayed=True)
            for stock in ("dense polymer", "wool felt") for lot in (1, 2)]


@pytest.fixture(scope="session")
def choose_for(cut_fits: list[Any]) -> Callable[..., Any]:
    """A choice by the real thing: ``choose_for(table, shop_table, touch, fits)``."""
    from padlab.decisions.choice import OnFile, choose
    from padlab.drift.touch import PRESETS
    from padlab.records.instrument import instrument_from_table
    from padlab.records.shop import shop_from_table

    shop = {"gauge_foot_force": "0.5N", "gauge_foot_diameter": "6mm", "hardest_press": "15N",
            "sheets": [{"material": "dense polymer", "lot": "1", "thickness": "59thou"},
                       {"material": "wool felt", "lot": "2", "thickness": "110thou"}],
            "shims": ["3thou", "5thou"], "punches": [{"outer": "17mm", "inner": "8mm"}]}

    def make(table: dict[str, Any] | None = None, shop_table: dict[str, Any] | None = None,
             touch: str = "medium", fits: list[Any] | None = None) -> Any:
        return choose(
            instrument_from_table(table or cut_instrument(), source="c.toml"), PRESETS[touch],
            shop_from_table(shop if shop_table is None else shop_table, source="shop.toml"),
            OnFile(cut_fits if fits is None else fits))

    return make


@pytest.fixture(scope="session")
def cut_choice(choose_for: Callable[..., Any]) -> Any:
    """Three valves, the last up stop without a cut."""
    return choose_for()


@pytest.fixture(scope="session")
def cut_table() -> Callable[..., dict[str, Any]]:
    return cut_instrument
