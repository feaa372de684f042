"""Text from outside reaches the terminal as plain text: see :mod:`padlab.words`."""

from __future__ import annotations

from padlab.words import plain

__all__ = ["plain"]
