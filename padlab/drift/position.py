"""Where the valve stands under the finger: from a pad's curve and a touch to drift, give and hold.

The position of a stroke of net force F that is held for tau is

    q(F, tau) = x(F) * (1 + c log10(max(tau, 0.1 s) / 0.1 s))

with x the mean of the loading and the unloading limb, counted from F0, and c the creep fraction a
decade relative to 0.1 s. The home position is q at the player's usual force and hold.
**Drift in play** is the distance from the home position that 19 strokes of 20 keep within.

>>> import numpy as np
>>> from padlab.drift.touch import net_strokes, preset
>>> spring = lambda force_n: (force_n - 0.25) / 250          # 250 N/mm, zero at F0
>>> play = play_numbers(spring, 0.02, net_strokes(preset("medium")))
>>> round(play.drift_p95_mm * 1e3, 2), round(play.give_mm * 1e3, 2)
(23.03, 48.0)
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.drift.touch import NetStrokes
from padlab.fitting.results import LimbCurves
from padlab.records.pad import F0_N
from padlab.statistics.estimate import Estimate, welch_satterthwaite
from padlab.statistics.quantiles import quantiles

Array = NDArray[np.float64]
Position = Callable[[Array], Array]

BEYOND_TESTED_ALLOWED = 0.05
"""Up to this share of strokes may press harder than tested; they stand at the end of the curve."""

REFERENCE_S = 0.1
"""Creep is counted from here; a shorter press counts as this long."""


@dataclass(frozen=True)
class PlayNumbers:
    """Numbers of one pad under one touch [mm]."""

    drift_p95_mm: float
    band_from_mm: float
    band_to_mm: float
    give_mm: float
    hold_mm: float
    home_mm: float

    @property
    def band_mm(self) -> float:
        """Where 19 strokes of 20 stand, from the lightest to the hardest."""
        return self.band_to_mm - self.band_from_mm


@dataclass(frozen=True)
class PadDrift:
    """One pad under one touch, each number with its doubt; None is not determined.

    ``beyond_tested_share`` is of the counted strokes; ``test_force_needed_n`` the net force to
    which the compared face must be tested where the share is too large for a drift.
    """

    drift: Estimate | None
    band: Estimate | None
    give: Estimate | None
    hold: Estimate | None
    home: Estimate | None
    beyond_tested_share: float
    test_force_needed_n: float | None
    has_hold: bool


def creep_from_tenth(fraction_per_decade_1s: float) -> float:
    """Creep fraction a decade relative to 0.1 s, from the one relative to 1 s.

    x = x_1 (1 + c_1 log10 t) is x_1 (1 - c_1) at 0.1 s, so c_0.1 = c_1/(1 - c_1).

    >>> round(creep_from_tenth(0.04), 6)
    0.041667
    """
    return fraction_per_decade_1s / (1 - fraction_per_decade_1s)


def creep_factor(creep: float, time_s: Array | float) -> Array:
    """Position after ``time_s`` over position after 0.1 s."""
    return 1 + creep * np.log10(np.maximum(np.asarray(time_s, dtype=np.float64), REFERENCE_S) / REFERENCE_S)


def along(curves: LimbCurves, values: Array, force_n: Array | float) -> Array:
    """A curve's values at other forces: linear in log(force + preload), at its end beyond the end.

    Below the first point the first stretch is drawn on: the F0 of a larger face may lie there.
    """
    u = np.log(curves.force_n + curves.preload_n)
    wanted = np.log(np.asarray(force_n, dtype=np.float64) + curves.preload_n)
    inside = np.interp(wanted, u, values)
    slope = (values[1] - values[0]) / (u[1] - u[0]) if u.size > 1 else 0.0
    return np.asarray(np.where(wanted < u[0], values[0] + slope * (wanted - u[0]), inside))


def play_numbers(position: Position, creep: float, strokes: NetStrokes) -> PlayNumbers:
    """Drift, playing band, give and hold of a pad whose position is known as a function.

    Parameters
    ----------
    position : callable
        Net forces (n,) [N] to positions [mm].
    creep : float
        Fraction a decade relative to 0.1 s; 0 for force alone.
    strokes : NetStrokes
        What the stop feels.
    """
    marked = position(np.array([strokes.set_net_n, strokes.light_net_n, strokes.hard_net_n]))
    home = float(marked[0] * creep_factor(creep, strokes.set_hold_s))
    q = _stands(position, creep, strokes)
    [p95] = quantiles(np.abs(q - home), 0.95)
    low, high = quantiles(q, 0.025, 0.975)
    return PlayNumbers(p95, low, high, give_mm=float(marked[2] - marked[1]), hold_mm=float(marked[0] * creep),
                       home_mm=home)


def _stands(position: Position, creep: float, strokes: NetStrokes) -> Array:
    """Where every stroke stands, by force and hold (n, k) [mm]."""
    return position(strokes.net_n)[:, None] * creep_factor(creep, strokes.hold_s)


def hold_mm(position: Position, creep: float, force_n: float, *, from_s: float, to_s: float) -> float:
    """How far a held note sinks between two times.

    >>> round(hold_mm(lambda f: f / 250, 0.02, 3.5, from_s=0.1, to_s=10.0) * 1e3, 2)
    0.56
    """
    first, last = creep_factor(creep, np.array([from_s, to_s]))
    return float(position(np.array([force_n]))[0] * (last - first))


def drift_with_thinning_mm(
    position: Position, creep: float, strokes: NetStrokes, *, thinning_mm: float, share: float,
    steps: int = 41,
) -> float:
    """Drift in play and a steady loss of thickness over the service together.

    ``thinning_mm`` is lost evenly over the service, ``share`` of it was added to the cut
    beforehand. Thinning goes one way: it adds to the position, never in quadrature.
    """
    q = _stands(position, creep, strokes)
    home = position(np.array([strokes.set_net_n]))[0] * creep_factor(creep, strokes.set_hold_s)
    service = (np.arange(steps) + 0.5) / steps
    return quantiles(np.abs((q - home)[..., None] + thinning_mm * (service - share)), 0.95)[0]


def pad_drift(
    curves: LimbCurves, *, creep_1s: float | None, creep_uncertainty: float | None, strokes: NetStrokes,
    coarse: NetStrokes, rig: str, gap_name: str, scale_doubt: float = 0.0,
    shared_scale: dict[str, float] | None = None,
) -> tuple[PadDrift, PadDrift]:
    """Drift, band, give and hold of one pad with their doubts; the same again without that of its sinking.

    Parameters
    ----------
    curves : LimbCurves
        Of the pad, carried to the compared face and thickness.
    creep_1s, creep_uncertainty : float or None
        Fraction a decade relative to 1 s and its standard uncertainty; None: no hold is known.
    strokes, coarse : NetStrokes
        The touch on the grid that decides, and on a coarser one for how the numbers move.
    rig : str
        Names the rig and its calibrations: pads of one rig share the errors of its sources.
    gap_name : str
        Names whose limbs the half gap belongs to (the stock: its pads share that doubt).
    scale_doubt : float
        Relative standard uncertainty of the carrying that is this pad's own (its thickness).
    shared_scale : dict, optional
        The same, for what several pads share (the bounds of gripped and free faces).

    Notes
    -----
    Deterministic. The strokes' part is a jackknife, (r-1)/r sum (g_i - mean)^2 with r - 1 degrees
    of freedom; each source of the rig is moved by one standard deviation, all along the curve, and
    so is the creep fraction. Noise within the strokes is taken at the forces where the number
    stands. Half the gap between the limbs joins drift and band as a rectangular error (/sqrt 3), its
    root mean square over the strokes played: at any one force it would be a lottery, and at the end of
    the curve the limbs meet. Not the give, which is defined on the mean.
    """
    end_n = curves.good_to_n
    beyond = float(np.mean(strokes.net_n > end_n))
    c = 0.0 if creep_1s is None else creep_from_tenth(creep_1s)
    moved_c = c
    if creep_1s is not None and creep_uncertainty:
        moved_c = c + creep_uncertainty / (1 - creep_1s) ** 2

    def played(values: Array, creep: float = c, grid: NetStrokes = coarse) -> PlayNumbers:
        return play_numbers(lambda force: along(curves, values, force), creep, grid)

    def numbers(values: Array, creep: float = c) -> Array:
        return _row(played(values, creep))

    decided = played(curves.position_mm, grid=strokes)
    value = _row(decided)
    base = numbers(curves.position_mm)

    strokes_own: list[tuple[Array, float]] = [(np.abs(value) * scale_doubt, math.inf)]
    count = curves.replicate_mm.shape[0]
    if count > 1:
        left_out = np.stack([numbers(row) for row in curves.replicate_mm])
        spread = np.sqrt((count - 1) / count * np.sum((left_out - left_out.mean(axis=0)) ** 2, axis=0))
        strokes_own.append((spread, count - 1.0))
    strokes_own.append((_noise(curves, decided, strokes, c), math.inf))
    sinking_own = [(np.abs(numbers(curves.position_mm, moved_c) - base), math.inf)] if moved_c != c else []
    rig_own = [(np.abs(numbers(curves.position_mm + shift) - base), math.inf)
               for _, shift in sorted(curves.own_shift_mm.items())]

    shared = {f"{rig}: {source}": numbers(curves.position_mm + shift) - base
              for source, shift in sorted(curves.rig_shift_mm.items())}
    for name, doubt in sorted((shared_scale or {}).items()):
        shared[name] = value * doubt
    gap = np.zeros_like(value)
    gap[:2] = _usual_gap_mm(curves, strokes)
    shared[f"gap: {gap_name}"] = gap / math.sqrt(3)

    enough = beyond <= BEYOND_TESTED_ALLOWED and strokes.set_net_n <= end_n

    def told(own: list[tuple[Array, float]]) -> PadDrift:
        own_u = np.sqrt(sum((u * u for u, _ in own), np.zeros_like(value)))
        own_df = np.broadcast_to(welch_satterthwaite(own), value.shape)
        drift, band, give, hold, home = (
            Estimate(float(value[k]), float(own_u[k]), float(own_df[k]),
                     {name: float(shift[k]) for name, shift in shared.items()})
            for k in range(value.size)
        )
        return PadDrift(
            drift=drift if enough else None, band=band if enough else None,
            give=give if strokes.hard_net_n <= end_n else None,
            hold=hold if creep_1s is not None and strokes.set_net_n <= end_n else None,
            home=home if strokes.set_net_n <= end_n else None,
            beyond_tested_share=beyond,
            test_force_needed_n=None if enough else _force_needed(strokes), has_hold=creep_1s is not None,
        )

    return told([*strokes_own, *sinking_own, *rig_own]), told([*strokes_own, *rig_own])


def position_estimate(
    curves: LimbCurves, net_n: Array, *, rig: str, scale_doubt: float = 0.0,
    shared_scale: dict[str, float] | None = None,
) -> Estimate:
    """The pad's position along ``net_n`` with its doubt, as one curve (the gap is not in it)."""
    position = along(curves, curves.position_mm, net_n)
    own: list[tuple[Array, float]] = [(position * scale_doubt, math.inf),
                                      (along(curves, curves.within_mm, net_n), math.inf)]
    count = curves.replicate_mm.shape[0]
    if count > 1:
        rows = np.stack([along(curves, row, net_n) for row in curves.replicate_mm])
        spread = np.sqrt((count - 1) / count * np.sum((rows - rows.mean(axis=0)) ** 2, axis=0))
        own.append((spread, count - 1.0))
    own += [(np.abs(along(curves, shift, net_n)), math.inf)
            for _, shift in sorted(curves.own_shift_mm.items())]
    shared = {f"{rig}: {source}": along(curves, shift, net_n)
              for source, shift in sorted(curves.rig_shift_mm.items())}
    shared |= {name: position * doubt for name, doubt in sorted((shared_scale or {}).items())}
    own_u = np.sqrt(sum((u * u for u, _ in own), np.zeros_like(position)))
    return Estimate(position, own_u, welch_satterthwaite(own), dict(shared))


def _usual_gap_mm(curves: LimbCurves, strokes: NetStrokes) -> float:
    """Root mean square of half the gap over the strokes that reach the stop inside the tested range [mm]."""
    inside = strokes.net_n[(strokes.net_n >= curves.force_n[0]) & (strokes.net_n <= curves.good_to_n)]
    at = inside if inside.size else np.array([min(strokes.set_net_n, curves.good_to_n)])
    return float(np.sqrt(np.mean(along(curves, curves.half_gap_mm, at) ** 2)))


def _row(found: PlayNumbers) -> Array:
    return np.array([found.drift_p95_mm, found.band_mm, found.give_mm, found.hold_mm, found.home_mm])


def _noise(curves: LimbCurves, decided: PlayNumbers, strokes: NetStrokes, creep: float) -> Array:
    """Noise within the strokes, at the two ends that each number is a difference of."""
    q = _stands(lambda force: along(curves, curves.position_mm, force), creep, strokes)
    at = np.array([_force_at(strokes, np.abs(q - decided.home_mm), decided.drift_p95_mm),
                   _force_at(strokes, q, decided.band_from_mm), _force_at(strokes, q, decided.band_to_mm),
                   strokes.set_net_n, strokes.light_net_n, strokes.hard_net_n])
    w = np.maximum(along(curves, curves.within_mm, np.maximum(at, F0_N)), 0.0)
    return np.array([math.hypot(w[0], w[3]), math.hypot(w[1], w[2]), math.hypot(w[4], w[5]),
                     w[3] * abs(creep), w[3]])


def _force_at(strokes: NetStrokes, values: Array, level: float) -> float:
    """Net force of the stroke whose value lies nearest to ``level``."""
    nearest = int(np.argmin(np.abs(values - level)))
    return float(strokes.net_n[nearest // values.shape[1]])


def _force_needed(strokes: NetStrokes) -> float:
    """Net force up to which a pad must be tested, so that no more than 1 stroke of 20 goes beyond."""
    needed = float(np.quantile(strokes.net_n, 1 - BEYOND_TESTED_ALLOWED, method="higher"))
    return max(needed, strokes.set_net_n)
