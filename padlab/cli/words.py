"""Text from outside reaches the terminal as plain text.

>>> plain("a" + chr(27) + "[31mb" + chr(0x202e) + "c")
'a?[31mb?c'
"""

from __future__ import annotations

import unicodedata


def plain(text: str) -> str:
    """Replace control, format (right-to-left marks) and surrogate characters by ``?``; keep newlines."""
    return "".join(
        c if c == "\n" or unicodedata.category(c) not in ("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp") else "?"
        for c in text
    )
