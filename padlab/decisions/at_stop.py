"""One tested pad at one stop: how thick it would be under the finger there, for any thickness it is cut to.

A stop asks with its own net force, face and loaded thickness. What the pad does there comes from its run,
carried by pressure. Between two presses the pad is let go, so at the end of a press it stands on the LOADING
limb, sunk for as long as the press lasts; and the thickness of a fresh pad is read while it is being loaded.
So here everything counts from where the loading limb meets F0. (Drift is a difference of positions: there the
middle of the limbs, or a replay, serves.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from padlab.decisions.judged import Judged, Setting, creep_of
from padlab.drift.carry import scale_bounds, seating_mm_of
from padlab.drift.cutting import Behaviour
from padlab.drift.position import along, creep_factor, creep_from_tenth
from padlab.errors import FitError
from padlab.records.pad import F0_N
from padlab.statistics.estimate import Estimate

Array = NDArray[np.float64]

CHECK_HOLD_S = 5.0
"""How long a technician presses while a port is read (common practice, no source)."""
GAUGE_HOLD_S = 2.0
LIMB_SHARE = 0.5
"""In play a pad stands off the loading limb of hard strokes by up to this share of half the gap (chosen)."""


@dataclass
class AtStop:
    """A tested pad at one stop; forces are net, on the face that carries there.

    ``home_mm`` is the compression of the tested pad under the usual press, from F0 on that face.
    """

    judged: Judged
    at: Setting
    home_mm: float
    home_u_mm: dict[str, float]              # shared shifts of home, on the tested thickness
    limb_mm: float                           # how far play may stand off the loading limb, half range
    _kept: dict[float, float] = field(default_factory=dict)

    @property
    def fresh_mm(self) -> float:
        """Fresh thickness of the tested pad at the pressure of F0 on the stop's face: so a cut is quoted."""
        assert self.judged.fit.thickness_mm is not None
        return self.judged.fit.thickness_mm.value - _loading_mm(self, F0_N * self.per_area)

    @property
    def per_area(self) -> float:
        """Force on the tested pad over force on the stop's face, at equal pressure."""
        return self.judged.fit.pad.area_mm2 / self.at.face.area_mm2

    @property
    def settled_share(self) -> float:
        """What the first strokes take for good, as a share of the fresh thickness."""
        first = self.judged.fit.first_press
        settled = seating_mm_of(self.judged.fit) if first is None else max(first.settled_mm, 0.0)
        return settled / self.fresh_mm

    def scale(self, cut_mm: float) -> float:
        """Compression of a pad cut to ``cut_mm`` over that of the tested one, at equal pressure."""
        assert self.judged.fit.thickness_mm is not None
        free, gripped = scale_bounds(self.judged.fit, self.at.face, self.home_mm)
        at_tested_f0 = cut_mm * self.judged.fit.thickness_mm.value / self.fresh_mm
        return math.sqrt(free(at_tested_f0) * gripped(at_tested_f0))

    def usual(self) -> Behaviour:
        """Under the player's usual press, whatever force is named."""
        return Behaviour(lambda h, _: self.scale(h) * self.home_mm, lambda h: self.settled_share * h)

    def slow(self) -> Behaviour:
        """Under one slow press of any net force, held as long as a reading takes."""
        return Behaviour(lambda h, f: self.scale(h) * self.slow_mm(f), lambda h: self.settled_share * h)

    def slow_mm(self, net_n: float) -> float:
        """Compression of the tested pad under one slow press, from F0 on this face; 0 below F0."""
        if net_n < F0_N:
            return 0.0
        if net_n not in self._kept:
            self._kept[net_n] = self._slow_mm(net_n)
        return self._kept[net_n]

    def is_beyond(self, net_n: float) -> bool:
        """Whether the pad was never pressed so hard."""
        return net_n > self.judged.carried.curves.good_to_n * (1 + 1e-9)

    def _slow_mm(self, net_n: float) -> float:
        return _held_mm(self, net_n * self.per_area, CHECK_HOLD_S)

    def under_gauge(self, foot_n: float, foot_mm2: float) -> Behaviour:
        """Worked in, under a gauge's foot."""
        under = self.gauge_mm(foot_n, foot_mm2, first=False) or 0.0
        return Behaviour(lambda h, _: self.scale(h) * under, lambda h: self.settled_share * h)

    def gauge_mm(self, foot_n: float, foot_mm2: float, *, first: bool) -> float | None:
        """Compression under a gauge's foot, of the tested thickness, from F0 on the pad; None: not known.

        ``first``: of the fresh pad at its first press, else worked in.
        """
        fit = self.judged.fit
        tested = foot_n * fit.pad.area_mm2 / foot_mm2
        if first:
            press = fit.first_press
            if press is None or tested > press.force_n[-1]:
                return None
            return _from_start(self, press.force_n, press.position_mm, tested)
        return _held_mm(self, tested, GAUGE_HOLD_S)


def at_stop(judged: Judged, at: Setting) -> AtStop:
    """Put a judged pad at a stop.

    Raises
    ------
    FitError
        Its thickness is not known, or it was never pressed as hard as the usual press.
    """
    fit, home = judged.fit, judged.numbers.home
    one = AtStop(judged, at, 0.0, {}, 0.0)
    about = {"run": fit.run}
    if fit.thickness_mm is None or fit.curves is None:
        raise FitError(f"pad {fit.pad.id} has no thickness", expected="a thickness at F0",
                       seen="none", remedy="padlab amend it, or record a blank run", where=about)
    if home is None:
        raise FitError(f"pad {fit.pad.id} was never pressed as hard as the usual press here",
                       expected=f"tested to {at.strokes.set_net_n * one.per_area:.1f} N net",
                       seen=f"{fit.curves.good_to_n:.1f} N net", where=about)
    net, scale = at.strokes.set_net_n * one.per_area, judged.carried.scale
    one.home_mm = _held_mm(one, net, at.strokes.set_hold_s)
    one.limb_mm = LIMB_SHARE * float(along(fit.curves, fit.curves.half_gap_mm, net))
    # The rig adds to this as to any position; what limbs and model are off by is said by limb_mm.
    by_formula = (judged.formula or judged.numbers).home or home
    one.home_u_mm = {name: float(shift) / scale for name, shift in by_formula.shared.items()
                     if not name.startswith(("shape: ", "gap: ", "model: "))}
    return one


def shape_doubt(one: AtStop, cut_mm: float) -> float:
    """Half range of the scale between the bounds of free and gripped faces, relative (rubber-like pads)."""
    free, gripped = scale_bounds(one.judged.fit, one.at.face, one.home_mm)
    return abs(math.log(gripped(cut_mm) / free(cut_mm))) / 2


def mean_behaviour(pads: list[AtStop], weights: list[float], *, slow: bool = False) -> Behaviour:
    """The middle of several pads; ``weights`` add up to 1."""
    each = [(w, p.slow() if slow else p.usual()) for w, p in zip(weights, pads, strict=True)]
    return Behaviour(lambda h, f: sum(w * b.squeeze_mm(h, f) for w, b in each),
                     lambda h: sum(w * b.seat_mm(h) for w, b in each))


def home_estimate(one: AtStop, value_mm: float) -> Estimate:
    """A thickness with the shifts that all pads of the rig share, for a compression of ``value_mm``."""
    share = value_mm / one.home_mm if one.home_mm > 0 else 1.0
    return Estimate(value_mm, shared={name: shift * share for name, shift in one.home_u_mm.items()})


def _loading_mm(one: AtStop, tested_n: float) -> float:
    """The tested pad's loading limb, from where it meets F0; at its end beyond the end."""
    curves = one.judged.fit.curves
    assert curves is not None
    middle, gap = (float(along(curves, values, min(tested_n, curves.good_to_n)))
                   for values in (curves.position_mm, curves.half_gap_mm))
    return middle + float(curves.half_gap_mm[0]) - gap


def _held_mm(one: AtStop, tested_n: float, seconds: float) -> float:
    """Compression under a press held so long, from F0 on the stop's face [mm]."""
    c, _ = creep_of(one.judged.fit)
    creep = 0.0 if c is None else creep_from_tenth(c)
    held = _loading_mm(one, tested_n) * float(creep_factor(creep, seconds))
    return max(held - _loading_mm(one, F0_N * one.per_area), 0.0) + _past_the_end_mm(one, tested_n)


def _past_the_end_mm(one: AtStop, tested_n: float) -> float:
    """What a straight line in log force adds past the end of the curve."""
    curves = one.judged.fit.curves
    assert curves is not None
    if tested_n <= curves.good_to_n:
        return 0.0
    u = np.log(curves.force_n + curves.preload_n)
    back = int(np.searchsorted(u, u[-1] - 0.25))
    slope = (curves.position_mm[-1] - curves.position_mm[back]) / (u[-1] - u[back])
    return float(slope * (math.log(tested_n + curves.preload_n) - u[-1]))


def _from_start(one: AtStop, force_n: Array, position_mm: Array, tested_n: float) -> float:
    start, there = (float(np.interp(math.log(max(f, force_n[0])), np.log(force_n), position_mm))
                    for f in (F0_N * one.per_area, tested_n))
    return max(there - start, 0.0)
