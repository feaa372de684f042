"""What a pad does when it is squeezed, from the ways its inside moves.

Not one of these is a formula that padlab fits; a pad here is a state that is stepped through time:

* **Contacts that grow in number.** Fibres (or cell walls, or the high spots of two faces) meet one
  after another: the gaps between them are spread log-normally, and what has met is crowded as the
  pad gets thinner. The local stiffness is a count of contacts times the crowding; the force is its
  running integral, made numerically.
* **Slip under the present load.** Every contact rubs with a force that is a share ``rubbing`` of the
  load it carries now, so the loop widens with the load. One state, ``slip`` in [-1, 1], is dragged
  along the path: stuck at first, sliding fully at the end.
* **Flow by thermal activation** (Eyring: the rate is a sinh of the drive, with a back-stress that
  grows with the flow): sinking is about logarithmic over many decades, and goes back when the load
  does. It happens twice: at the contacts, where the pressure hardly depends on the load, so that the
  drive is relative and little is left soon after letting go; and in the body of the pad, where the
  drive is absolute: that part comes back over minutes and hours.
* **Contacts lost at first loading** (softening) and **permanent compaction** (early set): both run,
  stroke by stroke, toward what the largest squeeze so far asks for, and never come back.
* **Tiring**: some contacts loosen over tens of strokes and find each other again overnight (warm-up).
* **Wear**: a depth per unit of work of loading, far below a nanometre a stroke; more once it has served.
* **Fatigue**: every contact breaks down after a number of strokes of its own, spread log-normally; what
  has broken down leaves the pad thinner for good. Nothing in the first thousand strokes, most of it within
  a million. Only :meth:`VirtualPad.serve`, which goes through many strokes at once, knows of it.

The force is explicit in the compression: a caller moves the anvil and reads the force, as on a rig.

>>> spring = Spring()
>>> spring.move_to(0.1, 0.01)
2.0
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from math import atanh, tanh
from typing import Protocol

import numpy as np

_TABLE_POINTS = 4000
_TABLE_TO_N = 80.0
_TIRES_PER_STROKE = 0.04
_FINDS_AGAIN_S = 4 * 3600.0


class Squeezed(Protocol):
    """Anything that can lie between the anvils.

    Travel is in mm from where the faces of the fresh piece first touch; + = thinner.
    """

    travel_mm: float

    @property
    def force_n(self) -> float:
        """Force that the anvil feels now [N]."""

    @property
    def gap_mm(self) -> float:
        """Air left between the anvil and the face [mm]; 0 in contact."""

    @property
    def free_height_mm(self) -> float:
        """Height of the fresh piece where its faces first touch [mm]."""

    def move_to(self, travel_mm: float, dt_s: float) -> float:
        """Move the anvil there within ``dt_s`` and return the force [N]."""

    def stiffness_n_per_mm(self, direction: int) -> float:
        """Slope of force over travel for the next small move in that direction [N/mm]."""

    def travel_to_mm(self, force_n: float) -> float:
        """About how far the anvil travels in contact to reach that force [mm]."""


@dataclass(frozen=True)
class Substance:
    """The physical constants of one pad; lengths relative to its thickness are strains."""

    free_height_mm: float
    crowd_stiffness_n_per_mm: float    # all contacts made, nothing crowded yet
    first_contacts: float              # share of the contacts that are made at first touch
    gap_strain: float                  # middle of the spread of gaps
    gap_spread: float                  # its width, natural logarithm
    solid_strain: float                # where no room would be left
    crowding: float                    # how sharply stiffness grows toward it
    rubbing: float                     # friction share of the present contact load
    stuck_share: float                 # part of the friction range that is stuck, not sliding
    slip_length: float                 # path to slide fully, relative to the compression
    flow_width: float                  # sinking per e-fold of time, relative to the compression
    flow_span: float = 20.0            # drive of a fresh squeeze, in units of the thermal energy
    flow_time_s: float = 2.0e5         # time in which flow would come to its end
    body_time_s: float = 500.0         # the same of the flow in the body
    body_span: float = 8.0             # its drive at 3.5 N
    lost_contacts: float = 0.05        # share lost after hard working-in
    early_set: float = 0.01            # permanent compaction after hard working-in, strain
    tiring: float = 0.03               # share loosened over tens of strokes, found again overnight
    wear_mm_per_mj: float = 2.0e-8     # depth per work of loading, a fresh face
    rubs_mm_per_mj: float = 5.0e-8     # the same once it has served
    fatigue_strain: float = 0.0        # lost for good once all contacts have broken down
    fatigue_strokes: float = 1.0e6     # strokes to 8 N after which half of them have
    fatigue_spread: float = 1.4        # the spread of that, natural logarithm


class VirtualPad:
    """One pad, its constants and its present state.

    Parameters
    ----------
    substance : Substance
        Its physics.
    label, material, material_class : str
        What it is called.
    outer_mm, inner_mm, thickness_mm : float
        Its ring; the thickness is the true one, fresh, at F0 [mm].
    """

    # A pad is stepped some hundred thousand times a run: with slots its state is read a sixth faster.
    __slots__ = (
        "_back", "_body_back", "_body_keep", "_body_reach", "_cell", "_contact_keep", "_dt",
        "_elastic_n", "_force", "_last", "_least", "_per_cell", "_rubbing", "_scale", "_set_mm",
        "_slip_length", "_slope", "_steep", "_stuck", "_tiring", "_width", "body_mm",
        "compacted_mm", "flowed_mm", "force_n", "inner_mm", "label", "lot", "material",
        "material_class", "outer_mm", "pad", "served", "slip", "softened", "squeeze_mm",
        "substance", "thickness_mm", "tired", "travel_mm")

    def __init__(
        self, substance: Substance, *, label: str, material: str, material_class: str,
        outer_mm: float, inner_mm: float, thickness_mm: float, lot: int = 1, pad: int = 1,
    ) -> None:
        self.substance = substance
        self.label = label
        self.material = material
        self.material_class = material_class
        self.outer_mm = outer_mm
        self.inner_mm = inner_mm
        self.thickness_mm = thickness_mm
        self.lot = lot
        self.pad = pad
        self._force, self._slope, self._per_cell = contact_table(substance)
        self._cell = 1.0 / self._per_cell
        self._last = len(self._slope) - 1
        at_note = self._squeeze_at(3.5)
        self._scale = at_note
        self._least = 0.15 * at_note
        self._slip_length = substance.slip_length
        self._rubbing = substance.rubbing
        self._stuck = substance.stuck_share
        self._tiring = substance.tiring
        self._width = substance.flow_width
        self._back = substance.flow_width * substance.flow_span
        self._body_reach = 0.8 * substance.flow_width * at_note
        self._body_back = 0.8 * substance.flow_width * substance.body_span
        self._dt = self._contact_keep = self._body_keep = 0.0
        self._set_mm = substance.early_set * substance.free_height_mm
        self.travel_mm = -0.4
        self.squeeze_mm = 0.0          # what the contacts carry
        self.flowed_mm = 0.0           # what flowed at the contacts and can come back
        self.body_mm = 0.0             # what flowed in the body and comes back slowly
        self.compacted_mm = 0.0        # what never comes back
        self.softened = 0.0            # share of contacts lost for good
        self.tired = 0.0               # how far the tiring has gone, 0-1
        self.slip = 0.0
        self.served = 0.0              # strokes gone through by serve(), as strokes to 8 N
        self._elastic_n, self._steep = self._force[0], self._slope[0]
        self.force_n = 0.0             # force now

    @property
    def free_height_mm(self) -> float:
        """Height at first touch, fresh [mm]."""
        return self.substance.free_height_mm

    @property
    def gap_mm(self) -> float:
        """Air between the anvil and the face [mm]."""
        gap = self.compacted_mm + self.flowed_mm + self.body_mm - self.travel_mm
        return gap if gap > 0.0 else 0.0

    def move_to(self, travel_mm: float, dt_s: float) -> float:
        """Move the anvil there within ``dt_s``; returns the force [N].

        Both flows are stepped exactly for the load at the start of the step: with the drive
        ``y = (flowed - back * squeeze) / reach`` the law ``dy/dt = -sinh(y)/tau`` has the
        solution ``tanh(y/2) = tanh(y0/2) exp(-t/tau)``, so that any step, and a night's rest in one
        step, is stable.
        """
        squeeze, compacted = self.squeeze_mm, self.compacted_mm
        if dt_s != self._dt:
            self._dt = dt_s
            self._contact_keep = 0.999999999999999 * math.exp(-dt_s / self.substance.flow_time_s)
            self._body_keep = 0.999999999999999 * math.exp(-dt_s / self.substance.body_time_s)
        aim, reach = self._body_back * squeeze, self._body_reach
        self.body_mm = body = aim + reach * 2.0 * atanh(
            self._body_keep * tanh(0.5 * (self.body_mm - aim) / reach))
        aim, reach = self._back * squeeze, self._width * (squeeze + self._least)
        self.flowed_mm = flowed = aim + reach * 2.0 * atanh(
            self._contact_keep * tanh(0.5 * (self.flowed_mm - aim) / reach))
        self.travel_mm = travel_mm
        new = travel_mm - compacted - flowed - body
        if new <= 0.0:
            self.squeeze_mm = self.force_n = 0.0
            self._elastic_n, self._steep = self._force[0], self._slope[0]
            return 0.0
        step = new - squeeze
        self.squeeze_mm = new
        slip = self.slip + step * self._drag(self.slip, new, 1 if step > 0 else -1)
        self.slip = slip = 1.0 if slip > 1.0 else (-1.0 if slip < -1.0 else slip)
        cell = int(new * self._per_cell)
        if cell > self._last:
            cell = self._last
        self._steep = steep = self._slope[cell]
        self._elastic_n = elastic = self._force[cell] + (new - cell * self._cell) * steep
        if step > 0.0:
            self._age(new, step, elastic)
        kept = 1.0 - self.softened - self._tiring * self.tired
        self.force_n = force = elastic * kept * (1.0 + self._rubbing * slip)
        return force

    def stiffness_n_per_mm(self, direction: int) -> float:
        """Slope for the next small move [N/mm]; always positive."""
        slope = (self._steep * (1.0 + self._rubbing * self.slip)
                 + self._elastic_n * self._rubbing * self._drag(self.slip, self.squeeze_mm, direction))
        return slope * (1.0 - self.softened - self._tiring * self.tired)

    def travel_to_mm(self, force_n: float) -> float:
        """About how far the anvil travels in contact to that force [mm]."""
        flows = 0.3 * self._back + 0.7 * self._body_back
        return self._squeeze_at(force_n / (1.0 + self._rubbing)) * (1.0 + flows)

    def work_in(self, *, to_n: float = 18.0, strokes: int = 10) -> None:
        """Squeeze it ``strokes`` times, as a pad that has served; then let it go."""
        travel = self.travel_to_mm(to_n)
        step = travel / 500
        for _ in range(strokes):
            while self.force_n < to_n:
                self.move_to(self.travel_mm + step, 0.004)
            while self.force_n > 0.0:
                self.move_to(self.travel_mm - step, 0.004)
        self.rest(1.0)

    def serve(self, strokes: float, *, to_n: float = 8.0) -> None:
        """Go through many strokes at once: one is stepped, the others rub and break down by its work.

        A stroke to twice the force counts eight times for fatigue (a slope of 3, invented).
        """
        travel = self.travel_to_mm(to_n)
        step, work = travel / 500, 0.0
        while self.force_n < to_n:
            self.move_to(self.travel_mm + step, 0.0004)
            work += self.force_n * step
        while self.force_n > 0.0:
            self.move_to(self.travel_mm - step, 0.0004)
        before = self._broken_down()
        self.served += strokes * (to_n / 8.0) ** 3
        deep = self.substance.fatigue_strain * self.substance.free_height_mm
        self.compacted_mm += deep * (self._broken_down() - before)
        self.compacted_mm += self.substance.rubs_mm_per_mj * work * max(strokes - 1.0, 0.0)
        self.tired = 1.0

    def _broken_down(self) -> float:
        """Share of the contacts that have broken down by now."""
        if self.served <= 0.0:
            return 0.0
        z = math.log(self.served / self.substance.fatigue_strokes) / self.substance.fatigue_spread
        return 0.5 * math.erfc(-z / math.sqrt(2.0))

    def rest(self, seconds: float) -> None:
        """Leave it in air for a time, then stand 0.4 mm off the face."""
        self.move_to(-1.0, seconds)
        self.tired *= math.exp(-seconds / _FINDS_AGAIN_S)
        self.travel_mm = self.compacted_mm + self.flowed_mm + self.body_mm - 0.4

    def _drag(self, slip: float, squeeze: float, direction: int) -> float:
        """How fast the slip state is dragged along the path [1/mm]."""
        along = slip * direction
        length = self._slip_length * (squeeze + self._least)
        if along <= self._stuck:
            return 1.0 / length
        sliding = (along - self._stuck) / (1.0 - self._stuck)
        return (1.0 - sliding * sliding) / length

    def _age(self, squeeze: float, step: float, elastic: float) -> None:
        """Softening, compaction, tiring and wear during a step of loading.

        What the squeeze asks for grows and levels off; each stroke of that size goes most of the way.
        """
        hard = squeeze / (squeeze + self._scale)
        path = step / squeeze
        asked = 1.8 * self.substance.lost_contacts * hard - self.softened
        if asked > 0.0:
            self.softened += asked * min(1.0, 2.0 * path * hard)
        asked = 1.8 * self._set_mm * hard - self.compacted_mm
        if asked > 0.0:
            self.compacted_mm += asked * min(1.0, 2.0 * path * hard)
        self.tired += (1.0 - self.tired) * _TIRES_PER_STROKE * path * hard
        self.compacted_mm += self.substance.wear_mm_per_mj * elastic * step

    def _squeeze_at(self, force_n: float) -> float:
        return float(np.interp(force_n, self._force, np.arange(len(self._force)) * self._cell))


def contact_table(substance: Substance) -> tuple[list[float], list[float], float]:
    """Force at and slope within each cell of squeeze, and cells per mm, for the fresh contacts.

    Contacts met by a strain e: ``first + (1 - first) * Phi(ln(e / gap) / spread)``; crowding:
    ``(1 - e / solid) ** -crowding``. The force is the running integral of their product.
    """
    solid = substance.solid_strain * substance.free_height_mm
    coarse = _slopes(substance, np.linspace(0.0, 0.999 * solid, 20001))
    spacing = 0.999 * solid / 20000
    running = np.concatenate([[0.0], np.cumsum(0.5 * (coarse[1:] + coarse[:-1]) * spacing)])
    end = int(np.searchsorted(running, _TABLE_TO_N))
    to_mm = min(end, 20000) * spacing
    cell = to_mm / _TABLE_POINTS
    edges = np.linspace(0.0, to_mm, _TABLE_POINTS + 1)
    middle = _slopes(substance, 0.5 * (edges[1:] + edges[:-1]))
    force = np.concatenate([[0.0], np.cumsum(middle * cell)])
    return force.tolist(), middle.tolist(), 1.0 / cell


def _slopes(substance: Substance, squeeze: np.ndarray) -> np.ndarray:
    from scipy.special import ndtr

    strain = np.maximum(squeeze / substance.free_height_mm, 1e-9)
    met = substance.first_contacts + (1.0 - substance.first_contacts) * ndtr(
        np.log(strain / substance.gap_strain) / substance.gap_spread)
    room = 1.0 - strain / substance.solid_strain
    slope: np.ndarray = substance.crowd_stiffness_n_per_mm * met * room ** -substance.crowding
    return slope


class Spring:
    """A steel spring: straight, without loss. Good for checking a rig's two channels against each other.

    Parameters
    ----------
    rate_n_per_mm : float
        Its rate [N/mm]; bare anvils are a very stiff one.
    free_height_mm : float
        Its free height [mm].
    """

    def __init__(self, rate_n_per_mm: float = 20.0, free_height_mm: float = 3.0) -> None:
        self.rate_n_per_mm = rate_n_per_mm
        self.free_height_mm = free_height_mm
        self.travel_mm = -0.4

    @property
    def force_n(self) -> float:
        """Force now [N]."""
        return max(0.0, self.rate_n_per_mm * self.travel_mm)

    @property
    def gap_mm(self) -> float:
        """Air between the anvil and the spring [mm]."""
        return max(0.0, -self.travel_mm)

    def move_to(self, travel_mm: float, dt_s: float) -> float:
        """Move the anvil there; returns the force [N]."""
        self.travel_mm = travel_mm
        return self.force_n

    def stiffness_n_per_mm(self, direction: int) -> float:
        """The rate [N/mm]."""
        return self.rate_n_per_mm

    def travel_to_mm(self, force_n: float) -> float:
        """Travel to that force [mm]."""
        return force_n / self.rate_n_per_mm


def bare_anvils() -> Spring:
    """Anvil on anvil: no height, and next to no give but the frame's."""
    return Spring(rate_n_per_mm=4.0e5, free_height_mm=0.0)
