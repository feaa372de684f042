"""One of padlab's own pages -> a PDF: the same words, tables and drawings on A4, for those who file paper.

The page is the only source: what a template prints reaches the paper too, with nothing to keep in step. Only
what padlab's templates use is understood (headings, paragraphs, lists, tables, figures); style sheets are not
read. The typeface is the one that comes with the drawing library, so that the bytes are the same everywhere;
a letter that it lacks, or that runs from right to left, is printed as its code point.

>>> shown("felt " + chr(0x4E2D), has=lambda code: code < 0x250)
'felt [U+4E2D]'
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from functools import lru_cache
from html.parser import HTMLParser
from importlib.metadata import PackageNotFoundError, distribution
from pathlib import Path
from typing import TYPE_CHECKING, cast

from padlab.errors import InputError
from padlab.report.axes import INK, MUTED, RULE, RUST, SLATE, TEAL
from padlab.report.paper_drawing import draw_svg, rgb, svg_size
from padlab.words import plain

if TYPE_CHECKING:
    from fpdf import FPDF
    from fpdf.fonts import TTFFont

PAGE_MM, MARGIN_MM = (210.0, 297.0), (16.0, 15.0, 17.0)      # A4; left and right, top, bottom
MM_PER_POINT = 25.4 / 72
FACE = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf", "M": "DejaVuSansMono.ttf"}
BODY, SMALL, HEADINGS = 8.6, 7.4, {"h1": 15.0, "h2": 11.5, "h3": 9.2}
LOOKS = {"within": TEAL, "beyond": RUST, "undecided": SLATE, "care": "#7a4a00", "out": MUTED}
SIGNS = {"within": "●", "beyond": "□", "undecided": "◇", "care": "▲"}
"""Before the words of a look, so that grey print loses nothing."""
HEAD_MM = 46.0
"""Width of the heads of a list of facts."""
LEAST_COLUMN_MM = 9.0
VOID = {"br", "meta", "link", "img", "hr", "input", "wbr"}
UNSEEN = {"head", "style", "script"}


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


@dataclass
class Node:
    """An element of the page, with its children in order; text is a ``str``."""

    tag: str
    classes: tuple[str, ...] = ()
    inside: list[Node | str] = field(default_factory=list)
    svg: str = ""

    def elements(self) -> Iterator[Node]:
        """The elements directly inside."""
        return (n for n in self.inside if isinstance(n, Node))

    def all(self, tag: str) -> Iterator[Node]:
        """Every element of a kind, at any depth, in order."""
        for n in self.elements():
            if n.tag == tag:
                yield n
            yield from n.all(tag)


def can_print() -> None:
    """Say at once, before anything is computed, where PDF needs a package that is not there.

    Raises
    ------
    InputError
        It is not installed.
    """
    try:
        distribution("fpdf2")
    except PackageNotFoundError as fault:
        raise InputError(
            "PDF needs one more package", expected="fpdf2", seen="it is not installed",
            remedy="pip install 'padlab[pdf]', or write HTML (--out certificate.html) and print it",
        ) from fault


def on_paper(page: str, *, foot: str, subject: str = "", attached: dict[str, bytes] | None = None) -> bytes:
    """A page of padlab's own as a PDF.

    Parameters
    ----------
    page : str
        A whole HTML document from padlab's templates.
    foot : str
        Stands at the foot of every sheet, beside its number.
    subject : str
        Goes into the document's properties.
    attached : dict of bytes, optional
        Files to carry inside, by name; kept as they are, so that they can be read without a PDF reader.

    Notes
    -----
    Same page, same bytes: the document's dates are fixed (the day it was made stands on the page).
    """
    can_print()
    root = _tree(page)
    sheet = _Sheet(foot=foot)
    title = next((_text(n) for n in root.all("title")), "padlab")
    sheet.pdf.set_title(plain(title))
    sheet.pdf.set_subject(subject)
    body = next(root.all("body"))
    _flow(sheet, body, sheet.left, sheet.width)
    if sheet.replaced:
        sheet.gap(2)
        said = ("Letters that this typeface lacks, or that run from right to left, stand as their code "
                "points, such as [U+4E2D].")
        sheet.put(sheet.broken([Words(said, Look(SMALL, "", MUTED))], sheet.width), sheet.left)
    for name, data in (attached or {}).items():
        sheet.pdf.embed_file(bytes=data, basename=name, modification_date=_FIXED, creation_date=_FIXED,
                             compress=False, checksum=False, mime_type="text/plain")
    return sheet.finished()


_FIXED = datetime(2000, 1, 1, tzinfo=UTC)
_SVG = re.compile(r"<svg\b.*?</svg>", re.DOTALL)
_STANDS_FOR = re.compile(r"svg(\d+)")


class _Reader(HTMLParser):
    """padlab's own page as a tree; what it does not close is closed by its parent."""

    def __init__(self, drawings: Sequence[str]) -> None:
        super().__init__(convert_charrefs=True)
        self.root = Node("root")
        self._open = [self.root]
        self._drawings = drawings

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {k: v or "" for k, v in attrs}
        node = Node(tag, tuple(given.get("class", "").split()))
        stands = _STANDS_FOR.fullmatch(given.get("data-svg", ""))
        if tag == "img" and stands is not None:
            node = Node("svg", svg=self._drawings[int(stands.group(1))])
        self._open[-1].inside.append(node)
        if tag not in VOID:
            self._open.append(node)

    def handle_endtag(self, tag: str) -> None:
        for depth in range(len(self._open) - 1, 0, -1):
            if self._open[depth].tag == tag:
                del self._open[depth:]
                return

    def handle_data(self, data: str) -> None:
        self._open[-1].inside.append(data)


def _tree(page: str) -> Node:
    drawings: list[str] = []

    def aside(match: re.Match[str]) -> str:
        drawings.append(match.group())
        return f'<img data-svg="svg{len(drawings) - 1}">'

    reader = _Reader(drawings)
    reader.feed(_SVG.sub(aside, page))
    reader.close()
    return reader.root


def _text(node: Node) -> str:
    return " ".join("".join(n if isinstance(n, str) else _text(n) for n in node.inside).split())


def _words(node: Node, look: Look) -> Iterator[Words]:
    """The text inside an element, look by look."""
    for n in node.inside:
        if isinstance(n, str):
            yield Words(n, look)
        elif n.tag == "br":
            yield Words(None, look)
        elif n.tag not in UNSEEN:
            own = _inner(n, look)
            yield from _signed(n, own)
            yield from _words(n, own)


def _signed(node: Node, look: Look) -> Iterator[Words]:
    for name in node.classes:
        if name in SIGNS:
            yield Words(SIGNS[name] + " ", look)


def _inner(node: Node, look: Look) -> Look:
    if node.tag in ("small", "figcaption") or "small" in node.classes or "kind" in node.classes:
        look = replace(look, points=min(look.points, SMALL), colour=MUTED)
    if node.tag == "code":
        look = replace(look, face="M", points=look.points * 0.92)
    if "verdict" in node.classes:
        look = replace(look, face="B")
    for name in node.classes:
        look = replace(look, colour=LOOKS.get(name, look.colour))
    return look


def shown(text: str, *, has: Callable[[int], bool]) -> str:
    """Text as it can be printed: what the typeface lacks, or runs from right to left, as its code point."""
    if text.isascii():
        return plain(text)
    return "".join(
        c if c in "\n\t " or (has(ord(c)) and unicodedata.bidirectional(c) not in ("R", "AL"))
        else f"[U+{ord(c):04X}]" for c in plain(text))


Line = list[tuple[str, Look, float]]                          # text, look, width in mm


class _Sheet:
    """Sheet after sheet, filled from the top; lengths in mm."""

    def __init__(self, *, foot: str) -> None:
        import matplotlib
        from fpdf import FPDF

        self.pdf: FPDF = FPDF(format="A4", unit="mm")
        self.pdf.set_auto_page_break(False)
        self.pdf.set_creation_date(_FIXED)
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

    def printable(self, text: str) -> str:
        """As :func:`shown` by all three faces; remembers that something was replaced."""
        told = shown(text, has=lambda code: all(code in letters for letters in self._letters))
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
                if used + space + wide > width and (blank or wide > width) and lines[-1] and (
                        blank or wide <= width):
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
            self._print(line, x, self.y)
            self.y += high

    def _print(self, line: Line, x: float, y: float) -> None:
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
                    self._print(line, x, y)
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
            self._print(foot, self.left, self.bottom + 5)
            self._print([(count, look, right)], self.left + self.width - right, self.bottom + 5)
        return bytes(self.pdf.output())


def height(lines: Sequence[Line]) -> float:
    """Of lines one under the other [mm]."""
    points = (max((look.points for _, look, _ in line), default=BODY) for line in lines)
    return 1.42 * MM_PER_POINT * sum(points)


def _flow(sheet: _Sheet, node: Node, x: float, width: float) -> None:
    """Print what is inside an element, block by block."""
    for n in node.elements():
        if n.tag in UNSEEN:
            continue
        if n.tag in HEADINGS:
            _heading(sheet, n, x, width)
        elif n.tag == "p":
            sheet.gap(0.9)
            look = _inner(n, Look())
            sheet.put(sheet.broken([*_signed(n, look), *_words(n, look)], width), x)
            sheet.gap(0.9)
        elif n.tag == "dl":
            _facts(sheet, n, x, width)
        elif n.tag in ("ul", "ol"):
            _list(sheet, n, x, width)
        elif n.tag == "table":
            _table(sheet, n, x, width)
        elif n.tag == "figure":
            _figures(sheet, [n], x, width if "wholefig" in n.classes else 0.76 * width)
        elif "mapped" in n.classes:
            _figures(sheet, [f for f in n.elements() if f.tag == "figure"], x, width)
        elif "sign" in n.classes:
            _sign(sheet, n, x, width)
        else:
            _flow(sheet, n, x, width)


def _heading(sheet: _Sheet, node: Node, x: float, width: float) -> None:
    points = HEADINGS[node.tag]
    look = Look(points, "B")
    lines = sheet.broken(list(_words(node, look)), width)
    sheet.gap({"h1": 1.0, "h2": 5.0, "h3": 2.0}[node.tag])
    sheet.need(height(lines) + (26.0 if node.tag == "h2" else 12.0))
    if node.tag == "h2":
        sheet.rule()
        sheet.y += 1.6
        sheet.pdf.set_y(sheet.y)
        sheet.pdf.start_section(sheet.printable(_text(node)), strict=False)
    sheet.put(lines, x)
    sheet.gap(1.0)


def _facts(sheet: _Sheet, node: Node, x: float, width: float) -> None:
    sheet.gap(1.4)
    head: list[Line] = []
    parts = [n for one in node.elements() for n in (one.elements() if one.tag == "div" else (one,))]
    for n in parts:
        if n.tag == "dt":
            head = sheet.broken(list(_words(n, Look(BODY, "", MUTED))), HEAD_MM - 3)
        elif n.tag == "dd":
            body = sheet.broken(list(_words(n, Look())), width - HEAD_MM)
            sheet.row([(x, head), (x + HEAD_MM, body)], pad=0.35)
            head = []
    sheet.gap(1.4)


def _list(sheet: _Sheet, node: Node, x: float, width: float) -> None:
    sheet.gap(0.8)
    for n in node.elements():
        lines = sheet.broken(list(_words(n, _inner(n, Look()))), width - 4)
        sheet.need(height(lines[:2]))
        sheet._print([("•", Look(BODY, "", MUTED), 3.0)], x, sheet.y)
        sheet.put(lines, x + 4)
        sheet.y += 0.5
    sheet.gap(0.8)


def _table(sheet: _Sheet, node: Node, x: float, width: float) -> None:
    heads = [[c for c in row.elements()] for part in node.all("thead") for row in part.all("tr")]
    rows = [[c for c in row.elements()] for part in node.all("tbody") for row in part.all("tr")]
    if not rows:
        return
    columns = max(len(r) for r in (*heads, *rows))
    points = SMALL if "dense" in node.classes or columns > 6 else BODY - 0.4
    points = max(4.8, points - 0.35 * max(columns - 8, 0))

    def words(cell: Node, *, head: bool) -> list[Words]:
        if head:
            return list(_words(cell, Look(min(points, SMALL), "B", MUTED)))
        return list(_words(cell, Look(points, "B" if cell.tag == "th" else "")))

    wide = _column_widths(sheet, [[words(c, head=n < len(heads)) for c in r]
                                  for n, r in enumerate((*heads, *rows))], columns, width)
    at = [x + sum(wide[:n]) for n in range(columns)]

    def cells(row: Sequence[Node], *, head: bool) -> list[tuple[float, list[Line]]]:
        return [(at[n], sheet.broken(words(c, head=head), wide[n] - 1.6)) for n, c in enumerate(row)]

    def print_heads() -> None:
        for row in heads:
            sheet.row(cells(row, head=True), pad=0.6)
        sheet.rule(colour=INK, wide=0.35)

    sheet.gap(1.5)
    first = max(height(lines) for _, lines in cells(rows[0], head=False)) + 12
    sheet.need(min(first, 60.0))
    print_heads()
    pad = 0.5 if "dense" in node.classes else 0.9
    for row in rows:
        made = cells(row, head=False)
        high = max(height(lines) for _, lines in made) + 2 * pad
        if sheet.y + high > sheet.bottom and high <= sheet.whole - 20:             # its heads go with it
            sheet.turn()
            print_heads()
        sheet.row(made, pad=pad)
        sheet.rule()
    sheet.gap(1.5)


def _column_widths(sheet: _Sheet, rows: Sequence[Sequence[Sequence[Words]]], columns: int, width: float,
                   ) -> list[float]:
    """As wide as the longest text where there is room for all; else each its longest word and a share."""
    least, most = [LEAST_COLUMN_MM] * columns, [LEAST_COLUMN_MM] * columns
    for row in rows:
        for n, cell in enumerate(row):
            whole = 0.0
            for one in cell:
                if one.text is None:
                    most[n], whole = max(most[n], whole + 1.8), 0.0
                    continue
                text = " ".join(sheet.printable(one.text).split())
                whole += sheet.measured(text[:400], one.look) + sheet.measured(" ", one.look)
                longest = max((sheet.measured(w[:60], one.look) for w in text.split()), default=0.0)
                least[n] = max(least[n], min(longest + 2.2, width / 3))
            most[n] = max(most[n], whole + 1.8, least[n])
    if sum(most) <= width:
        return [m * width / sum(most) for m in most]
    if sum(least) >= width:
        return [one * width / sum(least) for one in least]
    share = (width - sum(least)) / (sum(most) - sum(least))
    return [a + share * (b - a) for a, b in zip(least, most, strict=True)]


def _figures(sheet: _Sheet, figures: Sequence[Node], x: float, width: float) -> None:
    """Drawings side by side, each with its heading above and its words beneath; kept together on a sheet."""
    gap = 5.0
    sizes = [svg_size(next(f.all("svg")).svg) for f in figures]
    room = width - gap * (len(figures) - 1)
    wide = [room * w / sum(w for w, _ in sizes) for w, _ in sizes]
    parts = []
    for f, own in zip(figures, wide, strict=True):
        head = [line for h in f.all("h3") for line in sheet.broken(list(_words(h, Look(BODY, "B"))), own)]
        foot = [line for c in f.all("figcaption")
                for line in sheet.broken(list(_words(c, _inner(c, Look()))), own)]
        parts.append((head, foot))
    above = max(height(head) for head, _ in parts)
    drawn = max(own * h / w for own, (w, h) in zip(wide, sizes, strict=True))
    below = max(height(foot) for _, foot in parts)
    sheet.gap(2)
    sheet.need(min(above + drawn + below + 2, sheet.whole))
    top, left = sheet.y, x
    for f, own, (head, foot) in zip(figures, wide, parts, strict=True):
        sheet.y = top
        sheet.put(head, left)
        draw_svg(sheet.pdf, next(f.all("svg")).svg, x_mm=left, y_mm=top + above, width_mm=own,
                 words=sheet.printable)
        sheet.y = top + above + drawn + 1
        sheet.put(foot, left)
        left += own + gap
    sheet.y = top + above + drawn + below + 2


def _sign(sheet: _Sheet, node: Node, x: float, width: float) -> None:
    places = [_text(n) for n in node.elements()]
    own = width / len(places)
    sheet.need(30)
    sheet.y += 16
    sheet.pdf.set_draw_color(*rgb(INK))
    sheet.pdf.set_line_width(0.25)
    for n, words in enumerate(places):
        left = x + n * own
        sheet.pdf.line(left, sheet.y, left + own - 6, sheet.y)
        sheet._print([(sheet.printable(words), Look(SMALL, "", MUTED), 0.0)], left, sheet.y + 1)
    sheet.y += 8
