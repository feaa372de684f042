"""A form that was filled in: read field by field, every mistake kept with its field until all is read.

>>> form = Form({"limit": "3thou", "days_per_week": "9"})
>>> form.quantity("limit", "length", 0, 5), form.number("days_per_week", 7), form.mistakes
(0.07619999999999999, None, ['days_per_week: a number above 0, up to 7; seen 9'])
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from padlab.errors import InputError, UnitError
from padlab.units import parse_quantity

UNITS = {"length": "mm", "force": "N", "temperature": "degC"}


@dataclass
class Form:
    """What came from the page; mistakes are kept with the field's name until all is read."""

    sent: dict[str, Any]
    mistakes: list[str] = field(default_factory=list)

    def text(self, key: str) -> str:
        """What was typed, without spaces around it; empty where nothing was."""
        typed = self.sent.get(key)
        if typed is None:
            return ""
        if not isinstance(typed, str) or len(typed) > 200:
            self.mistakes.append(f"{key}: text of at most 200 characters")
            return ""
        return typed.strip()

    def one_of(self, key: str, known: tuple[str, ...], otherwise: str) -> str:
        """One of a few words."""
        typed = self.text(key) or otherwise
        if typed not in known:
            self.mistakes.append(f"{key}: one of {', '.join(known)}")
        return typed

    def quantity(self, key: str, kind: str, low: float, high: float, *, otherwise: str = "",
                 needed: bool = False) -> float | None:
        """A quantity with its unit between two sizes; None where nothing was typed."""
        typed = self.text(key) or otherwise
        if not typed:
            if needed:
                self.mistakes.append(f"{key}: a {kind} with its unit")
            return None
        try:
            found = parse_quantity(typed[:40], kind)
        except UnitError as fault:
            self.mistakes.append(f"{key}: {fault.message}, {fault.remedy or fault.expected}")
            return None
        if not low <= found <= high:
            self.mistakes.append(f"{key}: between {low:g} and {high:g} {UNITS[kind]}, seen {typed[:40]}")
            return None
        return found

    def number(self, key: str, high: float, *, needed: bool = False) -> float | None:
        """A plain number above 0; None where nothing was typed."""
        typed = self.text(key)
        if not typed:
            if needed:
                self.mistakes.append(f"{key}: a number")
            return None
        try:
            found = float(typed)
        except ValueError:
            found = float("nan")
        if not 0 < found <= high:
            self.mistakes.append(f"{key}: a number above 0, up to {high:g}; seen {typed[:40]}")
            return None
        return found

    def refuse(self) -> None:
        """Say all that is wrong, if anything is.

        Raises
        ------
        InputError
            ``where["mistakes"]`` lists every mistake with its field.
        """
        if self.mistakes:
            raise InputError("please look again at: " + "; ".join(self.mistakes),
                             where={"mistakes": list(self.mistakes)})
