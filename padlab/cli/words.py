"""Text from outside reaches the terminal as plain text: see :mod:`padlab.words`."""

from __future__ import annotations

import logging

import click

from padlab.words import plain

__all__ = ["plain", "say_notes"]


class _Notes(logging.Handler):
    def emit(self, record: logging.LogRecord) -> None:
        click.echo(f"padlab: {plain(record.getMessage())}", err=True)


def say_notes() -> None:
    """What a room notes in passing (a damaged run on a shelf) is said on stderr, as plain text."""
    rooms = logging.getLogger("padlab")
    if not any(isinstance(handler, _Notes) for handler in rooms.handlers):
        rooms.addHandler(_Notes(logging.WARNING))
