"""The attempts at a procedure's steps, as a run stores them: read with care, for a file may say anything.

>>> seen([{"do": "keep", "from_s": 1.0, "to_s": 9.5}, {"do": "keep", "from_s": "soon"}, 7])
(Seen(do='keep', label='', from_s=1.0, to_s=9.5, good=False, reason=None, mass_kg=None),)
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, TypeGuard

TAKEN_BACK = "taken back by whoever pressed, and asked for once more"
"""The reason of an attempt that the readings show to be good and that does not count all the same."""


@dataclass(frozen=True)
class Seen:
    """One attempt: when it was, on the run's axis [s], and whether it counts."""

    do: str
    label: str
    from_s: float
    to_s: float
    good: bool
    reason: str | None
    mass_kg: float | None


def seen(steps: Iterable[Any]) -> tuple[Seen, ...]:
    """The attempts that say what they are and when they were; what does not is passed over."""
    found = []
    for s in steps:
        if not (isinstance(s, Mapping) and _is_number(s.get("from_s")) and _is_number(s.get("to_s"))
                and isinstance(s.get("do"), str)):
            continue
        mass, reason = s.get("mass_kg"), s.get("reason")
        found.append(Seen(
            s["do"], str(s.get("label", "")), float(s["from_s"]), float(s["to_s"]), s.get("good") is True,
            None if reason is None else str(reason),
            float(mass) if _is_number(mass) and 0 < mass <= 1000 else None))
    return tuple(found)


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool) and math.isfinite(value)
