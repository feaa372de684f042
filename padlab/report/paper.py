"""One of padlab's own pages -> a PDF: the same words, tables and drawings on A4, for those who file paper.

The page is the only source: what a template prints reaches the paper too, with nothing to keep in step. Only
what padlab's templates use is understood (headings, paragraphs, lists, tables, figures); style sheets are not
read. The typeface is the one that comes with the drawing library, so that the bytes are the same everywhere;
a letter that it lacks, or that runs from right to left, is printed as its code point (:mod:`.paper_sheet`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from html.parser import HTMLParser

from padlab.report.axes import INK, MUTED, RUST, SLATE, TEAL
from padlab.report.paper_drawing import draw_svg, rgb, svg_size
from padlab.report.paper_sheet import BODY, FIXED, SMALL, Line, Look, Sheet, Words, can_print, height
from padlab.words import plain

HEADINGS = {"h1": 15.0, "h2": 11.5, "h3": 9.2}
LOOKS = {"within": TEAL, "beyond": RUST, "undecided": SLATE, "care": "#7a4a00", "out": MUTED}
SIGNS = {"within": "●", "beyond": "□", "undecided": "◇", "care": "▲"}
"""Before the words of a look, so that grey print loses nothing."""
HEAD_MM = 46.0
"""Width of the heads of a list of facts."""
LEAST_COLUMN_MM = 9.0
VOID = {"br", "meta", "link", "img", "hr", "input", "wbr"}
UNSEEN = {"head", "style", "script"}


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
    sheet = Sheet(foot=foot)
    title = next((_text(n) for n in root.all("title")), "padlab")
    sheet.pdf.set_title(plain(title))
    sheet.pdf.set_subject(subject)
    body = next(root.all("body"))
    _flow(sheet, body, sheet.left, sheet.width)
    if sheet.replaced:
        sheet.gap(2)
        said = ("Letters that this typeface lacks, or that run from right to left, stand as their code "
                "points, such as [U+4E2D]; in drawings as □.")
        sheet.put(sheet.broken([Words(said, Look(SMALL, "", MUTED))], sheet.width), sheet.left)
    for name, data in (attached or {}).items():
        sheet.pdf.embed_file(bytes=data, basename=name, modification_date=FIXED, creation_date=FIXED,
                             compress=False, checksum=False, mime_type="text/plain")
    return sheet.finished()


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


def _flow(sheet: Sheet, node: Node, x: float, width: float) -> None:
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


def _heading(sheet: Sheet, node: Node, x: float, width: float) -> None:
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


def _facts(sheet: Sheet, node: Node, x: float, width: float) -> None:
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


def _list(sheet: Sheet, node: Node, x: float, width: float) -> None:
    sheet.gap(0.8)
    for n in node.elements():
        lines = sheet.broken(list(_words(n, _inner(n, Look()))), width - 4)
        sheet.need(height(lines[:2]))
        sheet.print_line([("•", Look(BODY, "", MUTED), 3.0)], x, sheet.y)
        sheet.put(lines, x + 4)
        sheet.y += 0.5
    sheet.gap(0.8)


def _table(sheet: Sheet, node: Node, x: float, width: float) -> None:
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


def _column_widths(sheet: Sheet, rows: Sequence[Sequence[Sequence[Words]]], columns: int, width: float,
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


def _figures(sheet: Sheet, figures: Sequence[Node], x: float, width: float) -> None:
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
                 words=lambda text: sheet.printable(text, instead="□"))
        sheet.y = top + above + drawn + 1
        sheet.put(foot, left)
        left += own + gap
    sheet.y = top + above + drawn + below + 2


def _sign(sheet: Sheet, node: Node, x: float, width: float) -> None:
    places = [_text(n) for n in node.elements()]
    own = width / len(places)
    sheet.need(30)
    sheet.y += 16
    sheet.pdf.set_draw_color(*rgb(INK))
    sheet.pdf.set_line_width(0.25)
    for n, words in enumerate(places):
        left = x + n * own
        sheet.pdf.line(left, sheet.y, left + own - 6, sheet.y)
        sheet.print_line([(sheet.printable(words), Look(SMALL, "", MUTED), 0.0)], left, sheet.y + 1)
    sheet.y += 8
