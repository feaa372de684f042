r"""Text from outside reaches the terminal, the page and the figures as plain text.

>>> plain("a" + chr(27) + "[31mb" + chr(0x202e) + "c")
'a?[31mb?c'
>>> one_line("  grey\nwool ")
'grey wool'
>>> shortened("a very long name of a stock", 12)
'a very…stock'
"""

from __future__ import annotations

import unicodedata


def plain(text: str) -> str:
    """Replace control, format (right-to-left marks) and surrogate characters by ``?``; keep newlines."""
    return "".join(
        c if c == "\n" or unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp") else "?"
        for c in text
    )


def quoted(text: object, most: int = 200) -> str:
    r"""A name in quotes, as it was typed: a path keeps its backslashes single.

    >>> print(quoted("C:\\shelf\\runs"))
    'C:\shelf\runs'
    """
    return f"'{plain(str(text)[:most])}'"


def one_line(text: str) -> str:
    """Plain text without line breaks or runs of blanks."""
    return " ".join(plain(text).split())


def shortened(text: str, most: int) -> str:
    """At most ``most`` characters: the middle goes, because stocks often differ at the end of the name."""
    if len(text) <= most:
        return text
    tail = (most - 1) // 2
    head = most - 1 - tail
    return text[:head].rstrip() + "…" + text[len(text) - tail :].lstrip()
