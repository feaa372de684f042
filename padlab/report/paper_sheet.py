"""Sheets of A4 that are filled from the top: words broken into lines, rows of cells, foot and number.

What a page becomes on them is :mod:`padlab.report.paper`'s. A letter that the typeface lacks, or that runs
from right to left, is printed as its code point: nothing is left out unseen.

>>> shown("felt " + chr(0x4E2D), has=lambda code: code < 0x250)
'felt [U+4E2D]'
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from typing import TYPE_CHECKING, cast

from padlab.errors import InputError
from padlab.report.axes import INK, MUTED, RULE
from padlab.report.paper_drawing import MM_PER_POINT, rgb
from padlab.words import plain

if TYPE_CHECKING:
    from fpdf import FPDF
    from fpdf.fonts import TTFFont

PAGE_MM, MARGIN_MM = (210.0, 297.0), (16.0, 15.0, 17.0)      # A4; left and right, top, bottom
FACE = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf", "M": "DejaVuSansMono.ttf"}
BODY, SMALL = 8.6, 7.4
FIXED = datetime(2000, 1, 1, tzinfo=UTC)
"""The date in every document's properties: the same page, the same bytes."""


@dataclass(frozen=True)
class Look:
    """How words are set."""

    points: float = BODY
    face: str = ""
    colour: str = INK


@dataclass(frozen=True)
class Words:
    """A stretch of text in one look; ``None`` as text is the end of a line."""

    text: str | None
    look: Look


def can_print() -> None:
    """Say at once, before anything is computed, where PDF needs a package that is not there.

    Raises
    ------
    InputError
        It is not installed.
    """
    if not is_installed():
        raise InputError(
            "PDF needs one more package", expected="fpdf2", seen="it is not installed",
            remedy="pip install 'padlab[pdf]', or write HTML (--out certificate.html) and print it",
        )


def is_installed() -> bool:
    """Whether the package that writes PDF is there."""
    try:
        distribution("fpdf2")
    except PackageNotFoundError:
        return False
    return True


def shown(text: str, *, has: Callable[[int], bool], instead: str | None = None) -> str:
    """Text as it can be printed: what the typeface lacks, or runs from right to left, as its code point.

    ``instead`` stands for it where there is no room for a code point.
    """
    if text.isascii():
        return plain(text)
    return "".join(
        c if c in "\n\t " or (has(ord(c)) and unicodedata.bidirectional(c) not in ("R", "AL"))
        else instead or f"[U+{ord(c):04X}]" for c in plain(text))


Line = list[tuple[str, Look, float]]                          # text, look, width in mm


class Sheet:
    """Sheet after sheet, filled from the top; lengths in mm."""

    def __init__(self, *, foot: str) -> None:
        import matplotlib
        from fpdf import FPDF

        self.pdf: FPDF = FPDF(format="A4", unit="mm")
        self.pdf.set_auto_page_break(False)
        self.pdf.set_creation_date(FIXED)
        self.pdf.set_lang("en")
        self.pdf.set_producer("padlab")
        folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
        for face, file in FACE.items():
            self.pdf.add_font("m" if face == "M" else "s", "" if face == "M" else face, folder / file)
        self._letters = [cast("TTFFont", self.pdf.fonts[name]).cmap for name in ("s", "sB", "m")]
        self.left, self.width = MARGIN_MM[0], PAGE_MM[0] - 2 * MARGIN_MM[0]
        self.bottom = PAGE_MM[1] - MARGIN_MM[2]
        self.whole = self.bottom - MARGIN_MM[1]
        self.replaced = False
        self.foot = foot
        self.measured = lru_cache(maxsize=20_000)(self._measured)
        self.y = 0.0
        self.turn()

    def turn(self) -> None:
        """A new sheet."""
        self.pdf.add_page()
        self.y = MARGIN_MM[1]

    def gap(self, mm: float) -> None:
        """Some room, but none at the head of a sheet."""
        if self.y > MARGIN_MM[1]:
            self.y += mm

    def need(self, mm: float) -> None:
        """Turn the sheet unless so much room is left."""
        if self.y + mm > self.bottom and self.y > MARGIN_MM[1]:
            self.turn()

    def use(self, look: Look) -> None:
        """Set the typeface and the ink."""
        self.pdf.set_font("m" if look.face == "M" else "s", "B" if look.face == "B" else "", look.points)
        self.pdf.set_text_color(*rgb(look.colour))

    def printable(self, text: str, *, instead: str | None = None) -> str:
        """As :func:`shown` by all three faces; remembers that something was replaced."""
        told = shown(text, has=lambda code: all(code in known for known in self._letters), instead=instead)
        self.replaced |= told != plain(text)
        return told

    def _measured(self, text: str, look: Look) -> float:
        self.use(look)
        return float(self.pdf.get_string_width(text))

    def broken(self, words: Sequence[Words], width: float) -> list[Line]:
        """Lines no wider than ``width``; a word that is wider is broken anywhere."""
        lines: list[Line] = [[]]
        used, blank = 0.0, False

        def new_line() -> None:
            nonlocal used, blank
            lines.append([])
            used, blank = 0.0, False

        for one in words:
            if one.text is None:
                new_line()
                continue
            for piece in re.findall(r"\s+|[^\s]+", self.printable(one.text)):
                if piece.isspace():
                    blank = bool(lines[-1])
                    continue
                space = self.measured(" ", one.look) if blank else 0.0
                wide = self.measured(piece, one.look)
                if blank and used + space + wide > width:
                    new_line()
                    space = 0.0
                for part in self._fitting(piece, one.look, width - used - space, width):
                    if part is None:
                        new_line()
                        space = 0.0
                        continue
                    long = self.measured(part, one.look)
                    lines[-1].append((" " * bool(space) + part, one.look, space + long))
                    used, space, blank = used + space + long, 0.0, False
        return [line for line in lines if line] or [[]]

    def _fitting(self, piece: str, look: Look, first: float, width: float) -> Iterator[str | None]:
        """The parts of a word that fit, with None where a new line begins."""
        room = first
        while self.measured(piece, look) > room + 1e-6 and len(piece) > 1:
            low, high = 0, len(piece)
            while low < high - 1:
                middle = (low + high) // 2
                low, high = (middle, high) if self.measured(piece[:middle], look) <= room else (low, middle)
            cut = low if low or room < width - 1e-6 else 1
            if cut:
                yield piece[:cut]
            yield None
            piece, room = piece[cut:], width
        if self.measured(piece, look) > room + 1e-6 and room < width - 1e-6:
            yield None
        yield piece

    def put(self, lines: Sequence[Line], x: float) -> None:
        """Print lines one under the other, over as many sheets as they take."""
        for line in lines:
            high = height([line])
            self.need(high)
            self.print_line(line, x, self.y)
            self.y += high

    def print_line(self, line: Line, x: float, y: float) -> None:
        """One line with its top at ``y``."""
        base = y + max((look.points for _, look, _ in line), default=BODY) * MM_PER_POINT * 1.08
        for text, look, wide in line:
            self.use(look)
            self.pdf.text(x, base, text)
            x += wide

    def row(self, cells: Sequence[tuple[float, list[Line]]], *, pad: float = 1.0) -> None:
        """Print cells side by side at their own x; a row higher than a sheet runs over, cell by cell."""
        high = max((height(lines) for _, lines in cells), default=0.0) + 2 * pad
        if high <= self.whole:
            self.need(high)
            for x, lines in cells:
                y = self.y + pad
                for line in lines:
                    self.print_line(line, x, y)
                    y += height([line])
            self.y += high
            return
        for x, lines in cells:                                # too long for a sheet: one after the other
            self.put(lines, x)
        self.y += pad

    def rule(self, *, colour: str = RULE, wide: float = 0.2) -> None:
        """A line across the sheet."""
        self.pdf.set_draw_color(*rgb(colour))
        self.pdf.set_line_width(wide)
        self.pdf.line(self.left, self.y, self.left + self.width, self.y)

    def finished(self) -> bytes:
        """All sheets, each with its foot and number."""
        last = self.pdf.pages_count
        for number in range(1, last + 1):
            self.pdf.page = number
            look = Look(6.8, "", MUTED)
            count = f"sheet {number} of {last}"
            right = self.measured(count, look)
            foot = self.broken([Words(self.foot, look)], self.width - right - 4)[0]
            self.pdf.set_font("m", "", 5)      # a typeface that is set already would not be written again
            self.print_line(foot, self.left, self.bottom + 5)
            self.print_line([(count, look, right)], self.left + self.width - right, self.bottom + 5)
        return bytes(self.pdf.output())


def height(lines: Sequence[Line]) -> float:
    """Of lines one under the other [mm]."""
    points = (max((look.points for _, look, _ in line), default=BODY) for line in lines)
    return 1.42 * MM_PER_POINT * sum(points)
