"""A recording that no fit saw, held against a model: the stranger.

A run of the procedure ``passage`` has eight slow strokes and a played minute. The dial's zero is taken from
the steady strokes; the minute is then predicted from its force alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.errors import FitError
from padlab.fitting.prepared import WORKING_IN, Prepared
from padlab.fitting.response import ResponseModel
from padlab.records.pad import F0_N

Array = NDArray[np.float64]

ALLOWED_SHARE, ALLOWED_MM = 0.04, 0.003
"""A prediction may be off by 4 % of the way, or by 3 um (root mean square; design choice)."""


@dataclass(frozen=True)
class Stranger:
    """How the prediction did on readings in contact after the steady strokes; ``away_mm`` (n,) one by one.

    ``static_rms_mm``: what is left by the best curve of position over force, which may even be fitted to
    these very readings.
    """

    rms_mm: float
    range_mm: float
    static_rms_mm: float
    in_band_share: float
    band_mm: float
    outside_share: float
    away_mm: Array

    @property
    def is_predicted(self) -> bool:
        """Whether it is off by no more than it may."""
        return self.rms_mm <= allowed_mm(self.range_mm)


def allowed_mm(range_mm: float) -> float:
    """The most that a prediction may be off (rms), for readings that range so far [mm]."""
    return max(ALLOWED_SHARE * range_mm, ALLOWED_MM)


def stranger(model: ResponseModel, prepared: Prepared, *, played_from_s: float | None = None,
             condition: str = "worked in") -> Stranger:
    """Hold a model against a recording with steady strokes and what was played after them.

    Parameters
    ----------
    model : ResponseModel
        Of the same pad.
    prepared : Prepared
        The recording.
    played_from_s : float, optional
        When the playing began; by default with the first press that is no full stroke.
    condition : str
        As of :meth:`ResponseModel.start`.

    Raises
    ------
    FitError
        No steady strokes, or nothing after them.
    """
    time, touching = prepared.time_s, prepared.force_n >= F0_N
    if played_from_s is None:
        first = next((s for s in prepared.strokes if s.role in ("small", "hold", "played")), None)
        played_from_s = float(time[-1] if first is None else time[first.press.start])
    steady = np.zeros(touching.size, dtype=bool)
    slow = [s.press for s in prepared.strokes
            if s.press.complete and time[min(s.press.stop, time.size) - 1] <= played_from_s]
    for press in slow[WORKING_IN:]:
        steady[press.start:press.stop] = True
    played = touching & (time > played_from_s)
    if not (touching & steady).any() or played.sum() < 50:
        raise FitError("nothing to hold the model against", expected="steady strokes, then a played part",
                       seen=f"{len(slow)} strokes before the playing")
    replay = model.start(condition).replay(prepared.time_s, prepared.force_n)
    away = prepared.position_mm - replay.displacement_mm
    away = away[played] - away[touching & steady].mean()
    half = (replay.high_mm - replay.low_mm)[played] / 2
    u, x = np.log(prepared.force_n[played] + F0_N), prepared.position_mm[played]
    return Stranger(
        rms_mm=_rms(away), range_mm=float(np.ptp(x)), static_rms_mm=_rms(x - _best_curve(u, x)),
        in_band_share=float(np.mean(np.abs(away) <= half)), band_mm=float(2 * np.median(half)),
        outside_share=float(np.mean(replay.is_outside[played])), away_mm=away)


def _best_curve(u: Array, x: Array) -> Array:
    """A smooth curve of x over u by least squares: a spline of twelve pieces."""
    from scipy.interpolate import make_lsq_spline

    order = np.argsort(u, kind="stable")
    at, inverse = np.unique(u[order], return_inverse=True)
    mean = np.bincount(inverse, x[order]) / np.bincount(inverse)
    inner = np.quantile(at, np.linspace(0, 1, 13)[1:-1])
    knots = np.concatenate([[at[0]] * 4, inner, [at[-1]] * 4])
    curve = make_lsq_spline(at, mean, knots, 3, w=np.sqrt(np.bincount(inverse)))
    return np.asarray(curve(u))


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else math.nan
