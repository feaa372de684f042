"""padlab's own drawings (:mod:`padlab.report.svg`) as lines and words of a PDF, so that they stay sharp.

Only what those drawings hold is understood: groups, paths of straight lines and Bezier curves, marks that are
used again, words, and rectangles that they are clipped to.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, nullcontext
from typing import TYPE_CHECKING
from xml.etree import ElementTree

if TYPE_CHECKING:
    from fpdf import FPDF

_SVG = "{http://www.w3.org/2000/svg}"
_HREF = "{http://www.w3.org/1999/xlink}href"
_BOX = re.compile(r'viewBox="0 0 ([\d.]+) ([\d.]+)"')
_STEP = re.compile(r"([MLCQzZ])|(-?\d+(?:\.\d+)?(?:e[+-]?\d+)?)")
_TURNED = re.compile(r"rotate\((-?[\d.]+)")
_TAKES = {"M": 2, "L": 2, "Q": 4, "C": 6, "Z": 0}
MM_PER_POINT = 25.4 / 72


def rgb(colour: str) -> tuple[int, int, int]:
    """A colour of six digits as three numbers.

    >>> rgb("#0a6a6a")
    (10, 106, 106)
    """
    whole = {"white": "#ffffff", "black": "#000000"}.get(colour, colour)
    return int(whole[1:3], 16), int(whole[3:5], 16), int(whole[5:7], 16)


def svg_size(svg: str) -> tuple[float, float]:
    """Width and height of a drawing in its own units."""
    box = _BOX.search(svg)
    if box is None:
        raise ValueError("a drawing of padlab has a viewBox")
    return float(box.group(1)), float(box.group(2))


def draw_svg(pdf: FPDF, svg: str, *, x_mm: float, y_mm: float, width_mm: float,
             words: Callable[[str], str]) -> None:
    """Draw at a place of the present sheet, so wide; ``words`` makes text printable."""
    root = ElementTree.fromstring(svg)                     # padlab's own, made in this process
    scale = width_mm / svg_size(svg)[0]
    known = {e.attrib["id"]: e for e in root.iter() if "id" in e.attrib}
    _Drawing(pdf, x_mm, y_mm, scale, known, words).inside(root)


class _Drawing:
    def __init__(self, pdf: FPDF, x_mm: float, y_mm: float, scale: float,
                 known: dict[str, ElementTree.Element], words: Callable[[str], str]) -> None:
        self.pdf, self.x_mm, self.y_mm, self.scale = pdf, x_mm, y_mm, scale
        self.known, self.words = known, words

    def inside(self, parent: ElementTree.Element) -> None:
        for e in parent:
            if e.tag in (f"{_SVG}defs", f"{_SVG}clipPath", f"{_SVG}title", f"{_SVG}desc"):
                continue
            with self._clip(e):
                if e.tag == f"{_SVG}path":
                    self._path(e.attrib["d"], _style(e), 0.0, 0.0)
                elif e.tag == f"{_SVG}use":
                    mark = self.known[e.attrib[_HREF][1:]]
                    self._path(mark.attrib["d"], {**_style(mark), **_style(e)},
                               float(e.get("x", "0")), float(e.get("y", "0")))
                elif e.tag == f"{_SVG}text":
                    self._words(e)
                else:
                    self.inside(e)

    def _clip(self, e: ElementTree.Element) -> AbstractContextManager[None]:
        name = e.get("clip-path", "")
        if not name:
            return nullcontext()
        box = self.known[name.removeprefix("url(#").removesuffix(")")].find(f"{_SVG}rect")
        if box is None:
            return nullcontext()
        x, y, w, h = (float(box.attrib[k]) for k in ("x", "y", "width", "height"))
        return self.pdf.rect_clip(self._x(x), self._y(y), w * self.scale, h * self.scale)

    def _x(self, x: float) -> float:
        return self.x_mm + x * self.scale

    def _y(self, y: float) -> float:
        return self.y_mm + y * self.scale

    def _path(self, steps: str, style: dict[str, str], dx: float, dy: float) -> None:
        fill, stroke = style.get("fill", "#000000"), style.get("stroke", "none")
        if (fill, stroke) == ("none", "none"):
            return
        with self.pdf.new_path() as path:
            path.style.auto_close = False
            path.style.fill_color = None if fill == "none" else fill
            path.style.stroke_color = None if stroke == "none" else stroke
            path.style.stroke_width = float(style.get("stroke-width", "1")) * self.scale
            path.style.stroke_cap_style = style.get("stroke-linecap", "butt")
            path.style.stroke_join_style = style.get("stroke-linejoin", "round")
            path.style.fill_opacity = float(style.get("fill-opacity", style.get("opacity", "1")))
            path.style.stroke_opacity = float(style.get("stroke-opacity", style.get("opacity", "1")))
            if style.get("stroke-dasharray", "none") != "none":
                path.style.stroke_dash_pattern = [
                    float(n) * self.scale for n in style["stroke-dasharray"].split(",")]
            for kind, numbers in path_steps(steps):
                at = [self._x(v + dx) if n % 2 == 0 else self._y(v + dy) for n, v in enumerate(numbers)]
                if kind == "M":
                    path.move_to(*at)
                elif kind == "L":
                    path.line_to(*at)
                elif kind == "C":
                    path.curve_to(*at)
                elif kind == "Q":
                    path.quadratic_curve_to(*at)
                else:
                    path.close()

    def _words(self, e: ElementTree.Element) -> None:
        style = _style(e)
        text = self.words("".join(e.itertext()))
        points = float(style.get("font-size", "8px").removesuffix("px")) * self.scale / MM_PER_POINT
        bold = style.get("font-weight", "400") in ("bold", "600", "650", "700")
        self.pdf.set_font("s", "B" if bold else "", points)
        self.pdf.set_text_color(*rgb(style.get("fill", "#000000")))
        x, y = self._x(float(e.get("x", "0"))), self._y(float(e.get("y", "0")))
        wide = self.pdf.get_string_width(text)
        start = x - {"middle": 0.5, "end": 1.0}.get(style.get("text-anchor", "start"), 0.0) * wide
        turned = _TURNED.match(e.get("transform", ""))
        angle = 0.0 if turned is None else -float(turned.group(1))
        with self.pdf.rotation(angle, x, y) if angle else nullcontext():
            self.pdf.text(start, y, text)


def _style(e: ElementTree.Element) -> dict[str, str]:
    parts = (p.split(":", 1) for p in e.get("style", "").split(";") if ":" in p)
    return {k.strip(): v.strip() for k, v in parts}


def path_steps(steps: str) -> Iterator[tuple[str, list[float]]]:
    """The steps of a path; a letter stands until the next.

    >>> list(path_steps("M 0 1  L 2 -3  4 5 z"))
    [('M', [0.0, 1.0]), ('L', [2.0, -3.0]), ('L', [4.0, 5.0]), ('Z', [])]
    """
    kind = ""
    numbers: list[float] = []
    for letter, number in _STEP.findall(steps):
        if letter:
            kind, numbers = letter.upper(), []
            if kind == "Z":
                yield kind, []
            continue
        numbers.append(float(number))
        if len(numbers) == _TAKES[kind]:
            if not all(math.isfinite(n) for n in numbers):
                raise ValueError("a drawing of padlab holds finite numbers")
            yield kind, numbers
            numbers = []
