"""Text from outside reaches the terminal as plain text: see :mod:`padlab.words`."""

from __future__ import annotations

import logging
from datetime import datetime
from typing import Any

import click

from padlab.words import plain

__all__ = ["Day", "Number", "WholeNumber", "plain", "say_notes"]


class Number(click.FloatRange):
    """A number between two ends, in words that are no programmer's."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number; a comma may stand for thousands or for the point, so it is not guessed at."""
        _no_comma(self, value, param, ctx, "2000 or 2.5")
        return super().convert(value, param, ctx)


class WholeNumber(click.IntRange):
    """A whole number between two ends."""

    name = "whole number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The number, without commas."""
        _no_comma(self, value, param, ctx, "2000")
        return super().convert(value, param, ctx)


class Day(click.DateTime):
    """A date, or a date with a time of day."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """The date; how to write it where it is none."""
        try:
            return super().convert(value, param, ctx)
        except click.BadParameter:
            example = " or ".join(f"{datetime(2026, 11, 29, 14, 30):{form}}" for form in self.formats[::-1])
            self.fail(f"{plain(str(value))[:40]!r} is no date; write it as {example}", param, ctx)


def _no_comma(kind: Number | WholeNumber, value: Any, param: click.Parameter | None,
              ctx: click.Context | None, example: str) -> None:
    if isinstance(value, str) and "," in value:
        kind.fail(f"{plain(value)[:40]!r} has a comma in its number; write it without, such as {example}",
                  param, ctx)


class _Notes(logging.Handler):
    def emit(self, record: logging.LogRecord) -> None:
        click.echo(f"padlab: {plain(record.getMessage())}", err=True)


def say_notes() -> None:
    """What a room notes in passing (a damaged run on a shelf) is said on stderr, as plain text."""
    rooms = logging.getLogger("padlab")
    if not any(isinstance(handler, _Notes) for handler in rooms.handlers):
        rooms.addHandler(_Notes(logging.WARNING))
