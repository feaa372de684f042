"""padlab: measure, rank and choose the pads that stop the pistons of brass instruments.

Importing padlab is cheap; the names below load their rooms when first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from padlab.errors import PadlabError as PadlabError
    from padlab.records.pad import Pad as Pad

_HOMES = {
    "PadlabError": "padlab.errors",
    "Pad": "padlab.records.pad",
}

__all__ = sorted([*_HOMES, "__version__"])


def __getattr__(name: str) -> Any:
    """Load a public name from its room on first use."""
    if name in _HOMES:
        from importlib import import_module

        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'padlab' has no name {name!r}")
