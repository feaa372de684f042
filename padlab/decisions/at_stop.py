"""One tested pad at one stop: how thick it would be under the finger there, for any thickness it is cut to.

A stop asks with its own net force, face and loaded thickness. What the pad does there comes from its run,
carried by pressure: under the usual press by replaying the player's notes where the run has a model, else by
the middle of the limbs; under one slow press (a check, the hardest, a gauge's foot) by the same.
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

CHECK_RAMP_S, CHECK_HOLD_S = 1.0, 5.0
"""How a technician presses while a port is read (design choice; common practice, no source)."""
GAUGE_HOLD_S = 2.0
BEYOND = 1.0
"""Doubt of a compression past the end of the curve: as large as what is added there (design choice)."""


@dataclass
class AtStop:
    """A tested pad at one stop; forces are net, on the face that carries there.

    ``home_mm`` is the compression of the tested pad under the usual press, from F0 on that face.
    """

    judged: Judged
    at: Setting
    home_mm: float
    home_u_mm: dict[str, float]              # shared shifts of home, on the tested thickness
    _kept: dict[float, float] = field(default_factory=dict)

    @property
    def fresh_mm(self) -> float:
        """Fresh thickness of the tested pad."""
        assert self.judged.fit.thickness_mm is not None
        return self.judged.fit.thickness_mm.value

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
        free, gripped = scale_bounds(self.judged.fit, self.at.face, self.home_mm)
        return math.sqrt(free(cut_mm) * gripped(cut_mm))

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
        fit, curves = self.judged.fit, self.judged.fit.curves
        assert curves is not None
        tested, start = net_n * self.per_area, _curve_mm(self, F0_N)
        inside = min(tested, curves.good_to_n)
        if self.judged.replay is not None and fit.response is not None:
            t, f = _slow_press(self.at.strokes.set_net_n * self.per_area, self.at.strokes.set_hold_s, inside)
            reached = float(fit.response.position(t, f).displacement_mm[-1])
        else:
            c, _ = creep_of(fit)
            creep = 0.0 if c is None else creep_from_tenth(c)
            held = float(creep_factor(creep, CHECK_HOLD_S))
            reached = float(along(curves, curves.position_mm, inside)) * held
        return max(reached - start, 0.0) + _past_the_end_mm(self, tested)

    def under_gauge(self, foot_n: float, foot_mm2: float) -> Behaviour:
        """Worked in, under a gauge's foot."""
        under = self.gauge_mm(foot_n, foot_mm2, first=False) or 0.0
        return Behaviour(lambda h, _: self.scale(h) * under, lambda h: self.settled_share * h)

    def gauge_mm(self, foot_n: float, foot_mm2: float, *, first: bool) -> float | None:
        """Compression under a gauge's foot, of the tested thickness, from F0 on the pad; None: not known.

        ``first``: of the fresh pad at its first press, else worked in.
        """
        fit, curves = self.judged.fit, self.judged.fit.curves
        tested = foot_n * fit.pad.area_mm2 / foot_mm2
        if first:
            press = fit.first_press
            if press is None or tested > press.force_n[-1]:
                return None
            return _from_start(self, press.force_n, press.position_mm, tested)
        assert curves is not None
        c, _ = creep_of(fit)
        creep = 0.0 if c is None else creep_from_tenth(c)
        inside = float(along(curves, curves.position_mm, min(tested, curves.good_to_n)))
        held = inside * float(creep_factor(creep, GAUGE_HOLD_S))
        return max(held - _curve_mm(self, F0_N), 0.0) + _past_the_end_mm(self, tested)


def at_stop(judged: Judged, at: Setting) -> AtStop:
    """Put a judged pad at a stop.

    Raises
    ------
    FitError
        Its thickness is not known, or it was never pressed as hard as the usual press.
    """
    fit, home = judged.fit, judged.numbers.home
    one = AtStop(judged, at, 0.0, {})
    about = {"run": fit.run}
    if fit.thickness_mm is None or fit.curves is None:
        raise FitError(f"pad {fit.pad.id} has no thickness", expected="a thickness at F0",
                       seen="none", remedy="padlab amend it, or record a blank run", where=about)
    if home is None:
        raise FitError(f"pad {fit.pad.id} was never pressed as hard as the usual press here",
                       expected=f"tested to {at.strokes.set_net_n * one.per_area:.1f} N net",
                       seen=f"{fit.curves.good_to_n:.1f} N net", where=about)
    scale = judged.carried.scale
    # A replayed home counts from F0 on the tested face, a carried curve from F0 on this one.
    start = _curve_mm(one, F0_N) if judged.replay is not None else 0.0
    one.home_mm = max(float(home.value) / scale - start, 0.0)
    one.home_u_mm = {name: float(shift) / scale for name, shift in home.shared.items()
                     if not name.startswith("shape: ")}
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


def _curve_mm(one: AtStop, net_n: float) -> float:
    """The tested pad's own curve at the pressure of a net force on the stop's face."""
    curves = one.judged.fit.curves
    assert curves is not None
    return float(along(curves, curves.position_mm, net_n * one.per_area))


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


def _slow_press(usual_n: float, usual_s: float, net_n: float) -> tuple[Array, Array]:
    """Three usual presses, a rest, then one slow press that is held."""
    time, force = [0.0], [0.0]

    def go(to_n: float, seconds: float, steps: int) -> None:
        from_n, from_s = force[-1], time[-1]
        for k in range(1, steps + 1):
            time.append(from_s + seconds * k / steps)
            force.append(from_n + (to_n - from_n) * k / steps)

    for _ in range(3):
        go(usual_n, 0.2, 8)
        go(usual_n, min(usual_s, 5.0), 4)
        go(0.0, 0.2, 8)
        go(0.0, 1.0, 4)
    go(0.0, 20.0, 6)
    go(net_n, CHECK_RAMP_S, 12)
    go(net_n, CHECK_HOLD_S, 6)
    return np.array(time), np.array(force)
