"""Every failure padlab can report, in one tree.

    PadlabError
    ├── InputError (ValueError)        what a person typed or wrote is at fault
    │   ├── UnitError                  a quantity without its unit, or with the wrong one
    │   ├── TableError                 a table recorded elsewhere is ambiguous or broken
    │   └── FileFormatError            a TOML file has mistakes (all are listed at once)
    ├── RunError (ValueError)          a run or a shelf is missing, broken or of the wrong kind
    ├── FitError (ValueError)          the measurement does not support the question asked of it
    └── RigError (OSError)             the rig, its port or its description is at fault
        ├── RigSilent (TimeoutError)   the rig answers nothing, or stopped answering
        └── RigLost                    the port went away (unplugged)

A message has three parts: what was expected, what was seen, what to try next.
They are also attributes, so that ``--json`` can print them apart.
"""

from __future__ import annotations

from typing import Any


class PadlabError(Exception):
    """The root of the tree.

    Parameters
    ----------
    message : str
        One sentence that names what is wrong.
    expected, seen, remedy : str, optional
        What should have been there, what was there (value and unit), what to try next.
    where : dict, optional
        The place: run id, file, row, column, key.
    """

    code = "error"

    def __init__(
        self,
        message: str,
        *,
        expected: str | None = None,
        seen: str | None = None,
        remedy: str | None = None,
        where: dict[str, Any] | None = None,
    ) -> None:
        super().__init__(message)
        self.message = message
        self.expected = expected
        self.seen = seen
        self.remedy = remedy
        self.where = dict(where or {})

    def __str__(self) -> str:
        parts = [self.message]
        if self.expected:
            parts.append(f"expected: {self.expected}")
        if self.seen:
            parts.append(f"seen: {self.seen}")
        if self.remedy:
            parts.append(f"try: {self.remedy}")
        return "\n  ".join(parts)

    def to_json(self) -> dict[str, Any]:
        """The error as the ``error`` object of ``--json``."""
        return {
            "code": self.code,
            "message": self.message,
            "expected": self.expected,
            "seen": self.seen,
            "remedy": self.remedy,
            "where": self.where,
        }


class InputError(PadlabError, ValueError):
    """What a person typed or wrote is at fault."""

    code = "input"


class UnitError(InputError):
    """A quantity came without its unit, or with one that does not fit."""

    code = "unit"


class TableError(InputError):
    """A table recorded elsewhere is ambiguous or broken; it is refused whole."""

    code = "table"


class FileFormatError(InputError):
    """A file that a person wrote has mistakes; ``where["mistakes"]`` lists all of them."""

    code = "file"


class RunError(PadlabError, ValueError):
    """A run or a shelf is missing, broken, or of a kind that cannot serve here."""

    code = "run"


class FitError(PadlabError, ValueError):
    """The measurement does not support the question asked of it."""

    code = "fit"


class RigError(PadlabError, OSError):
    """The rig, its port or its description is at fault."""

    code = "rig"


class RigSilent(RigError, TimeoutError):
    """The rig answers nothing, or stopped answering."""

    code = "rig_silent"


class RigLost(RigError):
    """The port went away: the cable was pulled or the rig lost power."""

    code = "rig_lost"
