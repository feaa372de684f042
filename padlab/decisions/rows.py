"""What a comparison hands on: the ranking, the pairs, the runs behind it, what was left out and why."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.decisions.told_apart import RigRow
from padlab.marks import Mark
from padlab.statistics.quantity import Quantity, to_json

Array = NDArray[np.float64]

METHOD = "formula"
"""Position = mean of the limbs, half their gap joins the doubt of drift; where no pad can be replayed."""


@dataclass(frozen=True)
class TouchSummary:
    """The touch that was asked for, and how many of its strokes count.

    ``set_net_n`` is the net pad force of the usual press: the home position stands there.
    Shares are of all strokes (``not_bottomed``, ``cut_off``) or of the counted ones
    (``beyond_tested``: the worst pad of the comparison; None where nothing is ranked).
    """

    name: str
    stop: str                                # down | up
    median_n: float                          # finger force
    gsd: float | None                        # None: recorded, or the up stop's resting finger
    hold_median_s: float
    hold_gsd: float | None
    holding_n: float
    set_net_n: float
    not_bottomed_share: float
    beyond_tested_share: float | None
    cut_off_share: float
    weighting: str = "by stroke"


@dataclass(frozen=True)
class CarriedTo:
    """The one face and the one loaded thickness at which all stocks are compared."""

    outer_mm: float
    inner_mm: float
    loaded_thickness_mm: float | None        # None: no thickness was known, pads stand as tested
    face_chosen_by: str = "asked for"        # asked for | commonest face tested
    thickness_chosen_by: str = "asked for"   # asked for | middle of the tested pads | not known


@dataclass(frozen=True)
class PositionCurve:
    """Position of a stock's pads from F0 against finger force, on the compared face and thickness.

    All arrays (g,); ``low`` and ``high`` are a pointwise 95 % band, NaN where not determined.
    """

    finger_force_n: Array
    position_mm: Array
    low_mm: Array
    high_mm: Array


@dataclass(frozen=True)
class CreepCurve:
    """Position from F0 during a held note at the usual press; arrays (g,), bands may be NaN.

    ``extrapolated`` (g,) bool: later than the shortest hold that was recorded.
    """

    time_s: Array
    position_mm: Array
    low_mm: Array
    high_mm: Array
    extrapolated: NDArray[np.bool_]


@dataclass(frozen=True)
class PlayStrip:
    """Ten seconds of playing, the same for every stock: net force, and position from home (g,) of its pads.

    ``from_home_mm`` is NaN while the finger is off.
    """

    time_s: Array
    net_n: Array
    from_home_mm: Array


@dataclass(frozen=True)
class ByFormula:
    """What the formula says of a stock that was replayed."""

    drift_play_p95_mm: Quantity | None
    give_mm: Quantity | None
    hold_mm: Quantity | None
    play_band_mm: Quantity | None

    def to_json(self) -> dict[str, Any]:
        """Its entry beside the replay's numbers."""
        return {"drift_play_p95_mm": to_json(self.drift_play_p95_mm), "give_mm": to_json(self.give_mm),
                "hold_mm": to_json(self.hold_mm), "play_band_mm": to_json(self.play_band_mm)}


@dataclass(frozen=True)
class LotRow:
    """One lot of a stock: the mean of its pads on the log scale."""

    lot: str
    pads: int
    drift_play_p95_mm: float
    stands_apart: bool


@dataclass(frozen=True)
class StockRow:
    """One stock in the ranking, best first.

    A stock whose pads were pressed too lightly for this touch has no drift and no rank: it stands
    at the end, with what is known of it and the force that its pads must be tested to.
    """

    rank: int | None
    material: str
    material_class: str
    lots: int
    pads: int
    drift_play_p95_mm: Quantity | None
    drift_total_p95_mm: Quantity | None
    includes: tuple[str, ...]                # give, hold: what the drift in play is made of
    missing: tuple[str, ...]                 # hold, warm_up, thinning, service: what it is not
    give_mm: Quantity | None
    hold_mm: Quantity | None
    warm_up_mm: Quantity | None
    thinning_mm: Quantity | None
    play_band_mm: Quantity | None
    loss_fraction: Quantity | None
    letters: str                             # stocks that share a letter are not told apart
    probability_best: float | None
    verdict: str                             # within | beyond | undecided
    marks: tuple[Mark, ...]
    lot_rows: tuple[LotRow, ...] = ()
    position: PositionCurve | None = None
    creep: CreepCurve | None = None
    test_force_needed_n: float | None = None  # where drift is None: net force to test its pads to
    method: str = METHOD
    formula: ByFormula | None = None         # beside a replay
    replayed_warm_up_mm: Quantity | None = None  # of the rested pad, as far as its model remembers
    strip: PlayStrip | None = None

    def to_json(self) -> dict[str, Any]:
        """The stock's entry of ``ranking``."""
        return {
            "rank": self.rank, "material": self.material, "material_class": self.material_class,
            "lots": self.lots, "pads": self.pads,
            "drift_play_p95_mm": to_json(self.drift_play_p95_mm),
            "drift_total_p95_mm": to_json(self.drift_total_p95_mm),
            "includes": list(self.includes), "missing": list(self.missing),
            "give_mm": to_json(self.give_mm), "hold_mm": to_json(self.hold_mm),
            "warm_up_mm": to_json(self.warm_up_mm), "thinning_mm": to_json(self.thinning_mm),
            "play_band_mm": to_json(self.play_band_mm), "loss_fraction": to_json(self.loss_fraction),
            "letters": self.letters, "probability_best": self.probability_best,
            "verdict": self.verdict, "method": self.method,
            "by_formula": None if self.formula is None else self.formula.to_json(),
            "replayed_warm_up_mm": to_json(self.replayed_warm_up_mm),
            "test_force_needed_n": self.test_force_needed_n,
            "lot_means": [{"lot": row.lot, "pads": row.pads, "drift_play_p95_mm": row.drift_play_p95_mm,
                           "stands_apart": row.stands_apart} for row in self.lot_rows],
            "marks": [m.to_json() for m in self.marks],
        }


@dataclass(frozen=True)
class PadRow:
    """One run of one pad: its own numbers (carried), and where they came from.

    ``role``: ranked | warm-up (gives only the warm-up) | left out. ``reason`` says why it is not ranked.
    """

    run: str
    pad: str
    material: str
    lot: str
    drift_play_p95_mm: Quantity | None
    give_mm: Quantity | None
    hold_mm: Quantity | None
    used: bool
    marks: tuple[Mark, ...]
    play_band_mm: Quantity | None = None
    warm_up_mm: Quantity | None = None
    loss_fraction: Quantity | None = None
    role: str = "ranked"
    reason: str = ""
    rig: str | None = None
    calibrations: tuple[str, ...] = ()
    procedure: str = ""
    temperature_c: float | None = None
    start_utc: str | None = None
    tested_outer_mm: float | None = None
    tested_inner_mm: float | None = None
    thickness_mm: Quantity | None = None     # fresh, at F0 on the tested face
    scale: float | None = None               # carried compression = scale x tested, at equal pressure
    tested_to_n: float | None = None         # net force, on the compared face
    method: str = METHOD
    held_back_rms_mm: float | None = None    # what its model was off by where it was judged, carried

    def to_json(self) -> dict[str, Any]:
        """The run's entry of ``pads``."""
        return {
            "run": self.run, "pad": self.pad, "material": self.material, "lot": self.lot,
            "drift_play_p95_mm": to_json(self.drift_play_p95_mm), "give_mm": to_json(self.give_mm),
            "hold_mm": to_json(self.hold_mm), "play_band_mm": to_json(self.play_band_mm),
            "warm_up_mm": to_json(self.warm_up_mm), "loss_fraction": to_json(self.loss_fraction),
            "method": self.method, "held_back_rms_mm": self.held_back_rms_mm,
            "used": self.used, "role": self.role, "reason": self.reason, "rig": self.rig,
            "calibrations": list(self.calibrations), "procedure": self.procedure,
            "temperature_c": self.temperature_c, "start_utc": self.start_utc,
            "tested_outer_mm": self.tested_outer_mm, "tested_inner_mm": self.tested_inner_mm,
            "thickness_mm": to_json(self.thickness_mm), "tested_to_n": self.tested_to_n,
            "marks": [m.to_json() for m in self.marks],
        }


@dataclass(frozen=True)
class PairRow:
    """Two stocks: ``difference_mm`` is drift of a minus drift of b.

    The interval is a simultaneous one (it holds for all pairs at once), and an error of the rig
    that both stocks share is not in it.
    """

    a: str
    b: str
    difference_mm: Quantity
    told_apart: bool

    @property
    def smallest_difference_mm(self) -> float | None:
        """What these two would have to differ by to be told apart [mm]."""
        return self.difference_mm.half_width

    def to_json(self) -> dict[str, Any]:
        """The pair's entry of ``pairs``."""
        return {"a": self.a, "b": self.b, "difference_mm": self.difference_mm.to_json(),
                "told_apart": self.told_apart, "smallest_difference_mm": self.smallest_difference_mm}


@dataclass(frozen=True)
class Unranked:
    """A stock of which nothing could be ranked, and why."""

    material: str
    reason: str
    runs: tuple[str, ...] = ()

    def to_json(self) -> dict[str, Any]:
        """The stock's entry of ``unranked``."""
        return {"material": self.material, "reason": self.reason, "runs": list(self.runs)}


@dataclass(frozen=True)
class Comparison:
    """Stocks ranked by drift in play: 95th percentile of the distance from the home position."""

    touch: TouchSummary
    carried_to: CarriedTo
    ranking: tuple[StockRow, ...]            # best first
    pads: tuple[PadRow, ...]                 # every run that came in, used or not
    pairs: tuple[PairRow, ...]
    unranked: tuple[Unranked, ...]
    limit_mm: float
    smallest_difference_mm: float | None     # from the best stock, that would just be told apart
    marks: tuple[Mark, ...]
    replication: str = "lot"                 # lot | pad | measurement: what the intervals rest on
    spread_rule: str = "pooled"              # pooled (Tukey HSD) | separate (Games-Howell) | none
    service: dict[str, float] | None = None  # years, strokes_per_day, days_per_week, where asked for
    method: str = METHOD
    versions: dict[str, str] = field(default_factory=dict)
    rigs: tuple[RigRow, ...] = ()            # what each rig can tell apart, pad by pad, in give

    @property
    def left_out(self) -> tuple[PadRow, ...]:
        """The runs that were not used, each with its reason."""
        return tuple(row for row in self.pads if row.role == "left out")

    def to_json(self) -> dict[str, Any]:
        """The object of ``compare --json``."""
        touch = self.touch
        return {
            "touch": {
                "name": touch.name, "stop": touch.stop, "median_n": touch.median_n, "gsd": touch.gsd,
                "hold_median_s": touch.hold_median_s, "hold_gsd": touch.hold_gsd,
                "holding_n": touch.holding_n, "set_net_n": touch.set_net_n,
                "not_bottomed_share": touch.not_bottomed_share,
                "beyond_tested_share": touch.beyond_tested_share,
                "cut_off_share": touch.cut_off_share, "weighting": touch.weighting,
            },
            "carried_to": {"outer_mm": self.carried_to.outer_mm, "inner_mm": self.carried_to.inner_mm,
                           "loaded_thickness_mm": self.carried_to.loaded_thickness_mm},
            "unranked": [*(_too_light(row).to_json() for row in self.ranking if row.rank is None),
                         *(u.to_json() for u in self.unranked)],
            "limit_mm": self.limit_mm, "method": self.method,
            "replication": self.replication, "spread_rule": self.spread_rule,
            "ranking": [row.to_json() for row in self.ranking],
            "pads": [row.to_json() for row in self.pads],
            "pairs": [pair.to_json() for pair in self.pairs],
            "smallest_difference_mm": self.smallest_difference_mm,
            "rigs": [rig.to_json() for rig in self.rigs],
            "marks": [m.to_json() for m in self.marks],
        }


def _too_light(row: StockRow) -> Unranked:
    needed = row.test_force_needed_n
    to = "harder" if needed is None else f"to {needed:.1f} N net"
    return Unranked(row.material, f"its pads must be tested {to} for this touch")
