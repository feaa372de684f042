r"""Where the force has its zero and where the pad begins.

Contact is DEFINED by a preload, F0 = 0.25 N, for every class of material: the first touch that
the eye would call contact depends on noise and speed, a force does not.

    force
      |            . '            zero compression = position where the force
      |         . '               first reaches F0 on the loading limb
    F0|- - - -+
      |      ':
      |______'_:_________ travel
       idle     (a straight line of x on F through a few samples, read at F0:
                 the speed of the hand cancels)
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.records.pad import F0_N

Array = NDArray[np.float64]

DRIFT_N = 0.05
"""Move of the force zero that spoils a run [N]: on a soft pad it is a few micrometres of position."""

MIN_IDLE = 25
"""Fewest idle samples from which a force zero is taken (0.5 s at 50 Hz)."""


@dataclass(frozen=True)
class ForceZero:
    """The force zero and its doubt.

    ``source`` says where it came from: ``idle`` (an unloaded stretch before the first press),
    ``lowest`` (no idle stretch: the lowest force between presses; a doubt of F0/2 goes with it),
    ``as recorded`` (a table that starts loaded and says so).
    """

    value_n: float
    noise_n: float                     # standard deviation of one reading
    standard_uncertainty_n: float
    source: str
    end_shift_n: float | None          # zero after the run minus zero before it
    drifted: bool


def force_zero(force_n: Array, position_mm: Array) -> ForceZero:
    """Find the force zero from the unloaded stretch at the start, and compare it with the end.

    Parameters
    ----------
    force_n, position_mm : array (n,)
        As recorded; force + in compression, position + towards the pad.

    Notes
    -----
    Robust: median and 1.4826 MAD (normal-consistent). Idle samples are correlated in time, so
    the doubt of the median uses n_eff from their lag-1 autocorrelation.
    """
    noise = _noise(force_n)
    start = _quiet_stretch(force_n, noise)
    if start is None:
        low = float(np.quantile(force_n, 0.002)) if force_n.size else 0.0
        return ForceZero(low, noise, F0_N / 2, "lowest", None, False)
    idle = force_n[start]
    zero = float(np.median(idle))
    spread = max(1.4826 * float(np.median(np.abs(idle - zero))), noise * 0.5, 1e-9)
    r1 = _lag1(idle)
    n_eff = max(idle.size * (1 - r1) / (1 + r1), 1.0)
    shift = _end_shift(force_n, position_mm, zero, noise, start)
    floor = _floor_shift(force_n - zero)
    drifted = (shift is not None and abs(shift) > max(6 * spread, DRIFT_N)) or (
        floor is not None and not -DRIFT_N < floor < 4 * DRIFT_N)
    doubt = float(np.hypot(1.2533 * spread / np.sqrt(n_eff), (abs(shift) if shift else 0.0) / np.sqrt(3)))
    return ForceZero(zero, spread, doubt, "idle", shift, drifted)


def crossing(position_mm: Array, force_n: Array, *, at_n: float = F0_N, width: int = 8) -> float | None:
    """Position at which a rising force reaches ``at_n``, below the sampling step [mm].

    A straight line of x on F through the samples within ``width`` of the crossing, read at
    ``at_n``; None where the force does not cross.

    >>> x = np.arange(0, 0.8, 0.001); f = 40 * np.clip(x - 0.5, 0, None) ** 1.5
    >>> abs(crossing(x, f, at_n=0.20) - 0.529240) < 2e-5
    True
    """
    above = force_n > at_n
    run_of = 5
    if above.size < run_of + 1:
        return None
    held = np.convolve(above, np.ones(run_of), "valid") == run_of
    hits = np.flatnonzero(held)
    if hits.size == 0:
        return None
    # The last up-crossing of the limb: an earlier touch that came loose again is not contact.
    i = int(hits[np.flatnonzero(np.diff(hits, prepend=-2) > 1)[-1]])
    if i == 0:
        return None
    lo, hi = max(0, i - width), min(force_n.size, i + width + 1)
    f, x = force_n[lo:hi], position_mm[lo:hi]
    near = np.abs(f - at_n) <= max(at_n * 0.8, 1e-9)
    if near.sum() >= 4 and np.ptp(f[near]) > 0.3 * at_n:
        f, x = f[near], x[near]
        # Readings on a few steps of the force make no parabola.
        order = 2 if near.sum() >= 7 and len(set(f.tolist())) > 3 else 1
        return float(np.polyfit(f - at_n, x, order)[-1])        # at 0: the last coefficient
    j = max(i, 1)
    f0, f1 = force_n[j - 1], force_n[j]
    if f1 <= f0:
        return float(position_mm[j])
    share = float(np.clip((at_n - f0) / (f1 - f0), 0, 1))
    return float(position_mm[j - 1] + share * (position_mm[j] - position_mm[j - 1]))


def _noise(force_n: Array) -> float:
    """Noise of one reading from third differences, which a slow press does not reach [N]."""
    if force_n.size < 8:
        return 0.0
    third = np.diff(force_n, 3)
    return float(1.4826 * np.median(np.abs(third)) / np.sqrt(20.0))


def _quiet_stretch(force_n: Array, noise: float) -> slice | None:
    """The first stretch, from the start on, in which the force stays where it began."""
    if force_n.size < MIN_IDLE:
        return None
    first = float(np.median(force_n[:MIN_IDLE]))
    band = max(6 * noise, 0.03)
    away = np.flatnonzero(np.abs(force_n - first) > band)
    away = away[away >= MIN_IDLE // 2] if away.size else away
    end = int(away[0]) if away.size else force_n.size
    # The last samples before the press already carry the first touch.
    end = max(end - 3, 0)
    return slice(0, end) if end >= MIN_IDLE else None


def _end_shift(force_n: Array, position_mm: Array, zero: float, noise: float, start: slice) -> float | None:
    """Zero after the run minus zero before it; None where the run does not end unloaded [N].

    A rest at F0 is as quiet as no load at all: the end counts as unloaded only where the indicator
    has gone back at least halfway from first contact to where it stood idle.
    """
    after = _quiet_stretch(force_n[::-1], noise)
    touched = np.flatnonzero(force_n - zero > F0_N)
    if after is None or touched.size == 0:
        return None
    idle = float(np.median(position_mm[start]))
    end = float(np.median(position_mm[::-1][after]))
    contact = float(position_mm[touched[0]])
    if abs(contact - idle) < 0.02 or (contact - end) / (contact - idle) < 0.5:
        return None
    return float(np.median(force_n[::-1][after])) - zero


def _floor_shift(force_n: Array) -> float | None:
    """How much the floor between presses moved from the first presses to the last [N].

    A hand lets go to anything between no load and F0, so one floor says little; the lowest of
    four does. It can hardly fall under the zero, so a fall weighs more than a rise.
    """
    loaded = force_n > 1.0
    edges = np.flatnonzero(np.diff(loaded.astype(np.int8)))
    floors = [float(force_n[a + 1 : b + 1].min())
              for a, b in zip(edges[1:-1:2], edges[2::2], strict=False) if b > a]
    if len(floors) < 8:
        return None
    return float(np.min(floors[-4:]) - np.min(floors[:4]))


def _lag1(values: Array) -> float:
    d = values - values.mean()
    below = float(d @ d)
    return float(np.clip((d[1:] @ d[:-1]) / below, 0.0, 0.95)) if below > 0 else 0.0
