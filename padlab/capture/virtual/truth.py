"""The answers without noise: the same pad, pressed by a machine that is even and exact.

The definitions are those of a run's numbers: position is the mean of the loading and the unloading
limb of the recorded strokes, from F0; bench speed; net force. Nothing here is a fit.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from padlab.capture.procedure import Procedure
from padlab.capture.virtual.hand import IDEAL, Event, Motion, play
from padlab.capture.virtual.physics import VirtualPad
from padlab.records.pad import F0_N

Array = NDArray[np.float64]
_RATE_HZ = 250.0


@dataclass(frozen=True)
class Limbs:
    """One stroke of the machine: force and travel, up and down, each by rising force."""

    up_force_n: Array
    up_mm: Array
    down_force_n: Array
    down_mm: Array

    def mean_mm(self, force_n: float | Array) -> Array:
        """Mean of the limbs at that force, on the anvil's own axis [mm]."""
        return 0.5 * (self.loading_mm(force_n) + self.unloading_mm(force_n))

    def loading_mm(self, force_n: float | Array) -> Array:
        """Loading limb [mm]."""
        return np.asarray(np.interp(force_n, self.up_force_n, self.up_mm), dtype=np.float64)

    def unloading_mm(self, force_n: float | Array) -> Array:
        """Unloading limb [mm]."""
        return np.asarray(np.interp(force_n, self.down_force_n, self.down_mm), dtype=np.float64)


@dataclass(frozen=True)
class Truth:
    """The noise-free answers of one pad for one procedure.

    ``recorded`` are the strokes that a run's curve is made of, ``strokes`` all large ones in order.
    """

    thickness_mm: float
    recorded: tuple[Limbs, ...]
    strokes: tuple[Limbs, ...]
    hold_force_n: float | None
    hold_s: Array = field(repr=False)          # time since the force was reached
    hold_mm: Array = field(repr=False)         # position from F0 during the first hold
    events: tuple[Event, ...] = ()

    def position_mm(self, force_n: float | Array) -> Array:
        """Position at a net force, from F0: mean of limbs, mean of the recorded strokes [mm]."""
        return np.asarray(np.mean([s.mean_mm(force_n) - s.mean_mm(F0_N) for s in self.recorded], axis=0))

    def half_gap_mm(self, force_n: float | Array) -> Array:
        """Half the distance between the limbs [mm]."""
        return np.asarray(np.mean([0.5 * (s.unloading_mm(force_n) - s.loading_mm(force_n))
                                   for s in self.recorded], axis=0))

    def give_mm(self, from_n: float = 0.5, to_n: float = 12.5) -> float:
        """Change of position between two net forces [mm]."""
        return float(self.position_mm(to_n) - self.position_mm(from_n))

    def stiffness_n_per_mm(self, force_n: float) -> float:
        """Tangent stiffness of the loading limb at a net force [N/mm]."""
        low, high = 0.98 * force_n, 1.02 * force_n
        rise = np.mean([s.loading_mm(high) - s.loading_mm(low) for s in self.recorded])
        return float((high - low) / rise)

    @property
    def loss_fraction(self) -> float:
        """Work lost in a stroke from F0 and back, as a share of the work of loading."""
        shares = []
        for stroke in self.recorded:
            loading = _work(stroke.up_force_n, stroke.up_mm)
            shares.append((loading - _work(stroke.down_force_n, stroke.down_mm)) / loading)
        return float(np.mean(shares))

    def held_mm(self, at_s: float | Array) -> Array:
        """Position from F0, so long after the hold's force was reached [mm]."""
        return np.asarray(np.interp(at_s, self.hold_s, self.hold_mm), dtype=np.float64)

    def creep_per_decade(self, from_s: float = 1.0, to_s: float = 10.0) -> float:
        """Sinking in the first hold per decade of time, relative to the position after 1 s."""
        sunk = float(self.held_mm(to_s) - self.held_mm(from_s))
        return sunk / float(self.held_mm(1.0)) / float(np.log10(to_s / from_s))

    def warm_up_mm(self, force_n: float | Array) -> Array:
        """How far the position at a force moved from the first stroke to the last [mm]."""
        return self.strokes[-1].mean_mm(force_n) - self.strokes[0].mean_mm(force_n)


def truth(pad: VirtualPad, procedure: Procedure) -> Truth:
    """Play the procedure, up to its first hold, with the ideal machine; the pad is changed by it."""
    first_hold = next((i for i, s in enumerate(procedure.steps) if s.do == "hold"), len(procedure.steps))
    asked = replace(procedure, steps=procedure.steps[:first_hold + 1])   # nothing later is asked for
    motion = play(pad, asked, hand=IDEAL, rate_hz=_RATE_HZ)
    large = [e for e in motion.events if e.do == "stroke" and e.label != "small"]
    strokes = tuple(_limbs(motion, e) for e in large)
    recorded = tuple(s for s, e in zip(strokes, large, strict=True) if e.label == "recorded")
    hold = next((e for e in motion.events if e.do == "hold"), None)
    hold_s, hold_mm = np.array([]), np.array([])
    if hold is not None:
        during = (motion.time_s >= hold.from_s) & (motion.time_s <= hold.to_s)
        before = int(np.argmax(motion.time_s >= hold.from_s))
        start = before - int(np.argmax(motion.force_n[before::-1] < F0_N))
        at_f0 = float(np.interp(F0_N, motion.force_n[start:start + 2], motion.travel_mm[start:start + 2]))
        hold_s, hold_mm = motion.time_s[during] - hold.from_s, motion.travel_mm[during] - at_f0
    return Truth(
        thickness_mm=pad.thickness_mm, recorded=recorded or strokes[-5:], strokes=strokes,
        hold_force_n=hold.to_n if hold else None, hold_s=hold_s, hold_mm=hold_mm, events=motion.events)


def _limbs(motion: Motion, event: Event) -> Limbs:
    during = (motion.time_s >= event.from_s - 1e-9) & (motion.time_s <= event.to_s + 1e-9)
    force, travel = motion.force_n[during], motion.travel_mm[during]
    top = int(np.argmax(force))
    first = top - int(np.argmax(force[top::-1] <= 0.0)) if np.any(force[:top] <= 0) else 0
    last = top + int(np.argmax(force[top:] <= 0.0)) if np.any(force[top:] <= 0) else len(force) - 1
    return Limbs(force[first:top + 1], travel[first:top + 1],
                 force[top:last + 1][::-1], travel[top:last + 1][::-1])


def _work(force_n: Array, travel_mm: Array) -> float:
    """Work between F0 and the peak along one limb [mJ]."""
    inside = force_n > F0_N
    at = float(np.interp(F0_N, force_n, travel_mm))
    force = np.concatenate([[F0_N], force_n[inside]])
    return float(0.5 * np.sum((force[1:] + force[:-1]) * np.diff(travel_mm[inside], prepend=at)))
