"""What the fitting room hands on: one RunFit a run, every number with its doubt and its verdict."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from padlab.calibration.budget import Budget, smallest_difference, verdict
from padlab.marks import Mark
from padlab.records.pad import F0_N, Pad
from padlab.statistics.quantity import Quantity

if TYPE_CHECKING:
    from padlab.fitting.checked import LawCheck
    from padlab.fitting.drawing import Drawing
    from padlab.fitting.response import ResponseModel

Array = NDArray[np.float64]


class Verdict(StrEnum):
    """padlab's own verdict on a fit; a library's success flag is only an input to it."""

    GOOD = "good"
    """The values and their intervals can be used."""
    AT_BOUND = "at_bound"
    """A parameter stands at its bound: the law asks for what it may not have; take another law."""
    UNDETERMINED = "undetermined"
    """A parameter is wider open than a stated share of its value: press harder or hold longer."""
    NOT_MOVED = "not_moved"
    """A parameter stayed where it started: the data say nothing about it; check the columns."""
    RESIDUAL_PATTERN = "residual_pattern"
    """What is left over has a shape larger than the gate: the law is not this pad's law."""
    STOPPED_EARLY = "stopped_early"
    """The search ended before it converged: report the run, it should not happen."""
    TOO_FEW_POINTS = "too_few_points"
    """Fewer points than the law needs: record more strokes or a longer hold."""

    @property
    def words(self) -> str:
        """The verdict as a technician reads it.

        >>> Verdict("residual_pattern").words
        'what it leaves has a pattern'
        """
        return {
            Verdict.GOOD: "good", Verdict.AT_BOUND: "stands at its bound",
            Verdict.UNDETERMINED: "undetermined",
            Verdict.NOT_MOVED: "the readings say nothing of it",
            Verdict.RESIDUAL_PATTERN: "what it leaves has a pattern",
            Verdict.STOPPED_EARLY: "the search ended too early", Verdict.TOO_FEW_POINTS: "too few readings",
        }[self]


@dataclass(frozen=True)
class LimbCurves:
    """The model-free curve of the steady recorded strokes, on the tested pad itself.

    All curves stand on one grid of NET force (m,), ascending, from F0 to ``good_to_n``; positions
    are in mm from F0 (+ = pad thinner), mean of the limbs unless said. To evaluate between grid
    points interpolate linearly in log(force + F0).

    * ``position_mm`` (m,): mean of loading and unloading limb, 0 at F0.
    * ``half_gap_mm`` (m,): half the distance between the limbs, >= 0.
    * ``loading_stiffness_n_per_mm`` (m,): dF/dx on the loading limb.
    * ``replicate_mm`` (r, m): the same mean curve with one stroke left out in turn; the jackknife
      variance of any number g made from it is (r-1)/r * sum((g_i - mean g)^2), with r-1 degrees
      of freedom. Where one stroke is all there is, r = 0 and ``within_mm`` alone speaks.
    * ``within_mm`` (m,): standard uncertainty of ``position_mm`` from noise within the strokes.
    * ``rig_shift_mm``: for each systematic source of the rig a curve (m,): what one standard
      deviation of that source adds to ``position_mm``, all along the curve at once. Sources are
      independent of each other; a source common to two pads (same rig and calibrations) cancels
      in their difference.
    * ``own_shift_mm``: the same for sources that are this run's own (the force zero that was found
      in it, the place on the dial where it stood): they do not cancel.
    """

    force_n: Array
    position_mm: Array
    half_gap_mm: Array
    loading_stiffness_n_per_mm: Array
    replicate_mm: Array
    within_mm: Array
    rig_shift_mm: dict[str, Array] = field(default_factory=dict)
    own_shift_mm: dict[str, Array] = field(default_factory=dict)
    preload_n: float = F0_N

    @property
    def good_to_n(self) -> float:
        """Largest net force up to which the curve was measured [N]."""
        return float(self.force_n[-1])


@dataclass(frozen=True)
class Creep:
    """Sinking under a held note. ``fraction_per_decade`` is relative to the position 1 s into the hold."""

    law: str
    hold_force_n: float
    fraction_per_decade: Quantity | None
    fraction_standard_uncertainty: float | None
    predicted: tuple[dict[str, Any], ...]           # {"at_s", "extrapolated", "mm": Quantity | None}
    alternatives: tuple[dict[str, Any], ...]        # {"law", "predicted": same list}
    verdict: Verdict
    measured_to_s: float
    curve_t_s: Array | None = None                  # for figures: log-spaced times in the hold
    curve_measured_mm: Array | None = None
    curve_law_t_s: Array | None = None              # (80,) to ten times the hold
    curve_law_mm: Array | None = None
    curve_low_mm: Array | None = None               # (80,) ends of its 95 % interval; nan: not determined
    curve_high_mm: Array | None = None
    curve_others_mm: dict[str, Array] = field(default_factory=dict)     # the other laws, (80,) each
    ramp_s: float | None = None                     # how long the force took to come on


@dataclass(frozen=True)
class Hysteresis:
    """The loop of the steady strokes."""

    peak_n: float
    loss_fraction: Quantity | None
    loss_mj: Quantity | None
    steady_from_cycle: int | None
    verdict: Verdict


@dataclass(frozen=True)
class CompressionLaw:
    """The best-fitting law; it describes, the model-free curve decides."""

    law: str
    parameters: dict[str, Quantity]
    alternatives: tuple[dict[str, Any], ...]        # {"law", "aicc", "weight"}
    verdict: Verdict
    curve_mm: Array | None = None                   # the law on LimbCurves.force_n, from F0


@dataclass(frozen=True)
class CompressionSet:
    """What had not come back after the stated recovery."""

    set_mm: Quantity | None
    set_percent: Quantity | None
    after_s: float
    verdict: Verdict


@dataclass(frozen=True)
class FirstPress:
    """The fresh pad's first press, and how far it had settled once it was worked in.

    ``position_mm`` (k,) at net forces ``force_n`` (k,) on the loading limb, from F0 of that same press;
    ``settled_mm`` is how far F0 itself moved until the recorded strokes, ``settled_u_mm`` its standard
    uncertainty (+ = thinner).
    """

    force_n: Array
    position_mm: Array
    settled_mm: float
    settled_u_mm: float


@dataclass(frozen=True)
class StrokeRow:
    """One stroke, used or left out, with the reason."""

    cycle: int
    from_s: float
    to_s: float
    peak_n: float
    used: bool
    reason: str


@dataclass(frozen=True)
class RunBudget:
    """The doubt of one run's give (position change between two net forces, mean of the limbs)."""

    from_n: float
    to_n: float
    give_mm: float
    budget: Budget

    def to_json(self) -> dict[str, Any]:
        """The run's ``budget`` object."""
        smallest = smallest_difference(self.budget)
        return {"from_n": self.from_n, "to_n": self.to_n, **self.budget.to_json(),
                "smallest_difference_mm": smallest, "verdict": verdict(smallest)}


@dataclass(frozen=True)
class RunFit:
    """Everything padlab knows about one run of kind ``pad``."""

    run: str
    pad: Pad
    procedure: str
    rig: str | None
    calibrations: tuple[str, ...]
    temperature_c: float | None
    curves: LimbCurves | None
    thickness_mm: Quantity | None                   # fresh, at F0 on the tested face
    seating_mm: Quantity | None                     # early set: shift of F0 from stroke 1 to 3
    compression: CompressionLaw | None
    hysteresis: Hysteresis | None
    creep: Creep | None
    compression_set: CompressionSet | None
    warm_up_mm: Quantity | None                     # x_F(50) - x_F(1) where the run has 50 strokes
    strokes: tuple[StrokeRow, ...]
    conditions: dict[str, Any]                      # contracts: preload, cycles, rate, temperature ...
    marks: tuple[Mark, ...] = ()
    budget: RunBudget | None = None                 # None: the run does not reach both forces
    json: dict[str, Any] = field(default_factory=dict)   # the run's object in `fit --json`
    drawing: Drawing | None = None                  # where it was asked for
    checks: tuple[LawCheck, ...] = ()               # where they were asked for
    response: ResponseModel | None = None           # where it was asked for and the run supports it
    no_response: str | None = None                  # why the run does not support it
    first_press: FirstPress | None = None           # None: the pad's first press is not in the record
