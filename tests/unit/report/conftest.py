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
VOID = {"meta", "br", "link", "img", "input", "hr"}


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
