"""An endurance test of a virtual pad, as a workshop would write it down: strokes, thickness at F0, rest.

Loss is the physics' own (wear and fatigue of contacts), none of the laws that padlab fits to it.

>>> table = endurance_readings(make_pad("wool felt"), at_strokes=[0, 1e5, 3e5])
>>> table["strokes"].tolist(), bool(np.all(np.diff(table["thickness_mm"]) < 0))
([0.0, 100000.0, 300000.0], True)
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from padlab.capture.virtual.physics import VirtualPad
from padlab.capture.virtual.stocks import make_pad
from padlab.records.pad import F0_N

__all__ = ["endurance_readings", "gauge_mm", "make_pad"]

Array = NDArray[np.float64]

NIGHT_S = 24 * 3600.0


def gauge_mm(piece: VirtualPad) -> float:
    """Thickness at F0 now [mm]; the pad is touched once, lightly, and let go."""
    step = piece.travel_to_mm(F0_N) / 400
    travel = before = piece.travel_mm
    force_before = force = 0.0
    while force < F0_N:
        before, force_before = travel, force
        travel += step
        force = piece.move_to(travel, 0.005)
    at = before + (travel - before) * (F0_N - force_before) / (force - force_before)
    while force > 0.0:
        travel -= step
        force = piece.move_to(travel, 0.005)
    return piece.free_height_mm - at


def endurance_readings(piece: VirtualPad, *, at_strokes: Sequence[float], to_n: float = 8.0,
                       rest_s: float = NIGHT_S, noise_mm: float = 0.0,
                       rng: np.random.Generator | None = None) -> dict[str, Array]:
    """Read a pad after so many strokes, each time after a rest.

    Parameters
    ----------
    piece : VirtualPad
        Fresh; it is seated first, so that the loss counts from the seated pad.
    at_strokes : sequence
        Rising, from 0.
    noise_mm, rng : optional
        Standard deviation of one reading, and what draws it.

    Returns
    -------
    dict
        ``strokes``, ``thickness_mm``, ``rest_s`` (n,), as :func:`padlab.fitting.wear_run.loss_of` reads them.
    """
    piece.work_in()
    thickness, done = [], 0.0
    for count in at_strokes:
        if count > done:
            piece.serve(count - done, to_n=to_n)
            done = count
        piece.rest(rest_s)
        thickness.append(gauge_mm(piece))
    noise = np.zeros(len(thickness)) if rng is None else rng.normal(0, noise_mm, len(thickness))
    return {"strokes": np.asarray(at_strokes, dtype=np.float64), "thickness_mm": np.array(thickness) + noise,
            "rest_s": np.full(len(thickness), rest_s)}
