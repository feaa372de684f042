"""Where is the force at rest? Stretches without movement, found as the samples come.

The zero of the force is taken from such a stretch with nothing on the press.

>>> quiet = Quiet()
>>> t = np.arange(60) * 0.02
>>> stretch, used = quiet.feed(t, np.full(60, 0.031))
>>> stretch.level_n, used
(0.031, 50)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.records.pad import F0_N

Array = NDArray[np.float64]

SAMPLES = 50
"""Least samples of a stretch (science of contact: baseline from 50 samples at least)."""
SECONDS = 0.8
"""Least length of a stretch: a hand is never still for so long while it presses; design choice."""
NOISE_N = F0_N / 6
"""Most noise of a stretch, as a robust standard deviation: F0 must stand out six times over it."""
SLOPE_N = 0.05
"""Most difference between its two halves [N]; design choice."""


@dataclass(frozen=True)
class Stretch:
    """A stretch at rest."""

    level_n: float
    noise_n: float
    to_s: float


class Quiet:
    """Looks for stretches at rest in consecutive samples."""

    def __init__(self) -> None:
        self.noise_n: float | None = None          # of the last stretch looked at, quiet or not
        self.reset()

    def reset(self) -> None:
        """Begin anew: what comes next does not join what came before."""
        self._pieces: list[tuple[Array, Array]] = []
        self._count = 0

    def feed(self, time: Array, force: Array) -> tuple[Stretch, int] | None:
        """Take samples up to the end of the first stretch at rest.

        Returns
        -------
        (Stretch, int) or None
            The stretch and how many of these samples were used to complete it; feed the others
            again. None where there is no such stretch yet; all samples were taken.
        """
        held = self._count
        self._pieces.append((time, force))
        self._count += time.size
        first = self._pieces[0][0]
        if self._count < SAMPLES or not time.size or time[-1] - first[0] < SECONDS:
            return None
        t, f = (np.concatenate(column) for column in zip(*self._pieces, strict=True))
        start = 0
        while True:
            stop = max(start + SAMPLES, int(np.searchsorted(t, t[start] + SECONDS)) + 1)
            if stop > t.size:
                self._pieces, self._count = [(t[start:], f[start:])], t.size - start
                return None
            stretch = self._look(t[start:stop], f[start:stop])
            if stretch is not None:
                self.reset()
                return stretch, max(0, stop - held)
            start += (stop - start) // 2

    def _look(self, time: Array, force: Array) -> Stretch | None:
        level = float(np.median(force))
        self.noise_n = 1.4826 * float(np.median(np.abs(force - level)))
        half = force.size // 2
        slope = abs(float(np.median(force[half:])) - float(np.median(force[:half])))
        if self.noise_n > NOISE_N or slope > SLOPE_N:
            return None
        return Stretch(level, self.noise_n, float(time[-1]))
