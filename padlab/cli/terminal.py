"""Lines as wide as the terminal that shows them; whole lines where a file or another program reads them.

>>> wrapped("  19 notes of 20 within 29.4 um (1.2 thou)", 30)
['  19 notes of 20 within 29.4', '      um (1.2 thou)']
>>> wrapped("a line that goes to a file stays whole", None)
['a line that goes to a file stays whole']
"""

from __future__ import annotations

import shutil
import sys
import textwrap
from collections.abc import Sequence

import click

from padlab.words import plain

HANGING = 4
"""What is carried over to a further line stands in by so much."""

Row = tuple[Sequence[str], Sequence[str]]
"""The cells of a row, and what stands below it."""


def say(words: str) -> None:
    """Print lines, wrapped between words where a terminal is too narrow for them."""
    width = terminal_width()
    for line in plain(words).split("\n"):
        for part in wrapped(line, width):
            click.echo(part)


def terminal_width() -> int | None:
    """Columns of the terminal that stdout goes to; None where it goes elsewhere."""
    return max(shutil.get_terminal_size().columns, 20) if sys.stdout.isatty() else None


def wrapped(line: str, width: int | None) -> list[str]:
    """A line in parts no wider than ``width``, the further ones set in; no name is broken."""
    if width is None or len(line) <= width:
        return [line]
    inset = " " * min(len(line) - len(line.lstrip()) + HANGING, width // 2)
    return textwrap.wrap(line, width, subsequent_indent=inset, break_long_words=False,
                         break_on_hyphens=False) or [line]


def in_columns(heads: Sequence[str], rows: Sequence[Row], width: int | None) -> list[str]:
    """A table; where it does not fit, each row on lines of its own, no cell broken that fits on one.

    >>> rows = [(["1", "grey wool felt", "142 um"], ["one lot only"])]
    >>> in_columns(["", "stock", "within"], rows, None)
    ['   stock           within', '1  grey wool felt  142 um', '     ! one lot only']
    >>> in_columns(["", "stock", "within"], rows, 20)
    ['stock  within', '1  grey wool felt', '    142 um', '     ! one lot only']
    """
    widths = [max(map(len, column)) for column in zip(heads, *(cells for cells, _ in rows), strict=True)]
    fits = width is None or sum(widths) + 2 * (len(widths) - 1) <= width
    lines: list[str] = []
    for cells, below in [(heads, ()), *rows]:
        if fits:
            lines.append("  ".join(c.ljust(w) for c, w in zip(cells, widths, strict=True)).rstrip())
        else:
            lines += _filled([cell for cell in cells if cell], width or 0)
        for words in below:
            lines += wrapped(f"{'':{min(widths[0], 2)}}    ! {words}", width)
    return lines


def _filled(cells: Sequence[str], width: int) -> list[str]:
    lines = [""]
    for cell in cells:
        if lines[-1].strip() and len(lines[-1]) + 2 + len(cell) > width:
            lines.append(" " * HANGING + cell)
        else:
            lines[-1] += ("  " if lines[-1].strip() else "") + cell
    return [part for line in lines for part in wrapped(line, width)]
