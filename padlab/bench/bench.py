"""One bench: its shelf, its rig, and what is being done. There is one, however many tabs look at it."""

from __future__ import annotations

from pathlib import Path


class Bench:
    """What all tabs see.

    Parameters
    ----------
    shelf : Path
        Where runs are kept.
    """

    def __init__(self, shelf: Path) -> None:
        self.shelf = shelf
