"""The stored pages are what padlab makes today; a wanted change is ``python tests/truth/pages/renew.py``.

The words, tables, style and titles must be the same bytes everywhere. The drawings are compared to
the byte only under the matplotlib that drew the stored ones (another version may lay out text
differently), and by their words otherwise.
"""

from __future__ import annotations

import re
import runpy
from pathlib import Path

import matplotlib
import pytest

HERE = Path(__file__).parent
DRAWING = re.compile(r"<svg.*?</svg>", re.S)


@pytest.fixture(scope="module")
def renew():
    return runpy.run_path(str(HERE / "renew.py"))


@pytest.fixture(scope="module")
def today(renew):
    return renew["pages"]()


@pytest.mark.parametrize("name", ["full.html", "least.html", "nothing.html"])
def test_the_page_is_the_stored_one(today, name):
    stored = (HERE / name).read_bytes().decode("utf-8")
    made = today[name]
    remedy = "if the change is wanted: python tests/truth/pages/renew.py, and read the difference"
    assert DRAWING.sub("[drawing]", made).splitlines() == DRAWING.sub("[drawing]", stored).splitlines(), (
        remedy
    )
    drawn, kept = DRAWING.findall(made), DRAWING.findall(stored)
    words = re.compile(r"<(?:text|title|desc)[^>]*>([^<]*)<")
    assert [words.findall(d) for d in drawn] == [words.findall(d) for d in kept], remedy
    if matplotlib.__version__ == (HERE / "matplotlib.txt").read_text(encoding="utf-8").strip():
        assert drawn == kept, remedy


def test_every_page_is_stored(today):
    assert sorted(today) == sorted(p.name for p in HERE.glob("*.html"))
