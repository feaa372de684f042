"""The give of the frame: what the rig itself moves under force, taken off every position.

From the rig file's stated compliance, or better from a blank run (anvil on anvil).

>>> frame = Frame.from_compliance(0.05e-3, 0.03e-3)
>>> round(float(frame.deflection_mm(np.array([10.0]))[0]) * 1e3, 3)
0.5
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.records.rig_record import RigRecord

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Frame:
    """Deflection and its standard uncertainty on a grid of net force, 0 at 0 N; linear between."""

    force_n: Array
    deflection: Array
    uncertainty: Array | None
    source: str                          # "rig file" | "blank RUN" | "none"
    bare_at_f0_mm: float | None = None   # indicator reading on the bare anvils at F0, from the blank

    def deflection_mm(self, force_n: Array) -> Array:
        """Deflection at net force [mm]; held constant beyond the grid's ends."""
        return np.asarray(np.interp(force_n, self.force_n, self.deflection))

    def uncertainty_mm(self, force_n: Array) -> Array | None:
        """Its standard uncertainty [mm], or None where it is not known."""
        if self.uncertainty is None:
            return None
        return np.asarray(np.interp(force_n, self.force_n, self.uncertainty))

    @classmethod
    def from_compliance(cls, compliance_mm_per_n: float, uncertainty_mm_per_n: float | None) -> Frame:
        """A straight frame, as the rig file states it."""
        grid = np.array([0.0, 1000.0])
        doubt = None if uncertainty_mm_per_n is None else grid * uncertainty_mm_per_n
        return cls(grid, grid * compliance_mm_per_n, doubt, "rig file")

    @classmethod
    def unknown(cls) -> Frame:
        """No frame known: nothing is taken off, and its doubt is not known."""
        grid = np.array([0.0, 1000.0])
        return cls(grid, np.zeros(2), None, "none")


def stated_frame(rig: RigRecord | None) -> Frame:
    """The frame as the run's rig record states it."""
    if rig is None:
        return Frame.unknown()
    return Frame.from_compliance(rig.frame_compliance_mm_per_n, rig.frame_compliance_uncertainty_mm_per_n)
