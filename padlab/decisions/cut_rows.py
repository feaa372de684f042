"""What a choice of pads says: one stock at one stop, one stop, one instrument; and its JSON."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from padlab.marks import Mark
from padlab.records.instrument import Instrument, Lack, Side, Stop
from padlab.records.shop import Shop
from padlab.statistics.quantity import Quantity, to_json
from padlab.units import MM_PER_THOU


@dataclass(frozen=True)
class Check:
    """What a RIGHT pad reads at a check: port error at a button force, + = piston too far down [mm]."""

    at_n: float
    expected_mm: Quantity
    fresh_mm: float                      # before it has seated

    def to_json(self) -> dict[str, Any]:
        """In thou, as it is read."""
        low, high = (None if end is None else end / MM_PER_THOU
                     for end in (self.expected_mm.low, self.expected_mm.high))
        value = self.expected_mm.value / MM_PER_THOU
        return {"at_n": self.at_n, "expected_thou": {"value": value, "low": low, "high": high},
                "not_seated_thou": self.fresh_mm / MM_PER_THOU}


@dataclass(frozen=True)
class SheetPlan:
    """From what to cut: a sheet, how many layers of it, and hard shims beneath."""

    lot: str
    thickness_mm: float
    shims_mm: tuple[float, ...] = ()
    layers: int = 1

    def to_json(self) -> dict[str, Any]:
        """As ``choose --json`` prints it."""
        return {"lot": self.lot, "thickness_mm": self.thickness_mm, "shims_mm": list(self.shims_mm),
                "layers": self.layers}


@dataclass(frozen=True)
class Sensitivity:
    """What small changes do to the loaded thickness [mm]; None is not known."""

    cut_one_thou_mm: float
    warmer_10_k_mm: float | None
    quarter_harder_mm: float

    def to_json(self) -> dict[str, Any]:
        """As ``choose --json`` prints it."""
        return {"cut_1thou_mm": self.cut_one_thou_mm, "warmer_10k_mm": self.warmer_10_k_mm,
                "quarter_harder_mm": self.quarter_harder_mm}


@dataclass(frozen=True)
class Candidate:
    """One stock at one stop. ``cut_mm`` is as computed; what follows belongs to ``cut_thou``, rounded."""

    material: str
    material_class: str
    lots: tuple[str, ...]
    pads: int
    method: str
    cut_mm: Quantity
    cut_thou: float
    seated_mm: Quantity
    gauge_mm: Quantity | None
    gauge_seated_mm: Quantity | None
    go_thou: float | None
    no_go_thou: float | None
    sheet: SheetPlan | None
    has_punch: bool
    net_n: float
    loaded_mm: Quantity                  # under the usual press, once seated and before any wear
    target_error_mm: float               # port error there, by the sign of the file
    checks: tuple[Check, ...]
    play_band_mm: Quantity | None
    drift_play_mm: Quantity | None
    drift_mm: Quantity | None            # with the thinning, its share added to the cut
    drift_without_share_mm: Quantity | None
    loss_fraction: Quantity | None
    thinning_mm: Quantity | None
    added_mm: float
    renew_years: Quantity | None
    travel_to_metal_mm: Quantity | None
    hardest_n: float
    sensitivity: Sensitivity
    marks: tuple[Mark, ...]

    def to_json(self) -> dict[str, Any]:
        """The stock's part of a stop in ``choose --json``."""
        return {
            "material": self.material, "lots": list(self.lots), "pads": self.pads, "method": self.method,
            "cut_mm": to_json(self.cut_mm), "cut_thou": self.cut_thou, "seated_mm": to_json(self.seated_mm),
            "gauge_mm": to_json(self.gauge_mm), "gauge_seated_mm": to_json(self.gauge_seated_mm),
            "go_thou": self.go_thou, "no_go_thou": self.no_go_thou,
            "sheet": None if self.sheet is None else self.sheet.to_json(), "net_force_n": self.net_n,
            "loaded_thickness_mm": to_json(self.loaded_mm), "target_error_mm": self.target_error_mm,
            "check": self.checks[0].to_json(), "checks": [c.to_json() for c in self.checks],
            "play_band_mm": to_json(self.play_band_mm), "drift_play_p95_mm": to_json(self.drift_play_mm),
            "drift_p95_mm": to_json(self.drift_mm),
            "drift_p95_without_share_mm": to_json(self.drift_without_share_mm),
            "loss_fraction": to_json(self.loss_fraction), "thinning_mm": to_json(self.thinning_mm),
            "added_mm": self.added_mm, "renew_after_years": to_json(self.renew_years),
            "travel_to_metal_mm": to_json(self.travel_to_metal_mm), "sensitivity": self.sensitivity.to_json(),
        }


@dataclass(frozen=True)
class Refused:
    """A stock that may not serve at a stop, and why."""

    material: str
    reason: str


@dataclass(frozen=True)
class StopChoice:
    """One stop: the stock that is recommended, the others in order, those refused.

    ``best`` is None where no stock may be recommended; ``tied`` names stocks not told apart from it.
    """

    valve: str
    stop: Stop
    wanted_mm: float
    wanted_u_mm: float
    fitted_loaded_mm: float              # what stood there, loaded, when the port was read
    touch: str
    best: Candidate | None
    others: tuple[Candidate, ...]
    refused: tuple[Refused, ...]
    tied: tuple[str, ...]
    marks: tuple[Mark, ...]
    is_given: bool = False               # wanted_mm comes from an earlier fitting, not from a reading

    @property
    def side(self) -> Side:
        """Up or down."""
        return self.stop.side

    def to_json(self, shop: Shop) -> dict[str, Any]:
        """One entry of ``stops`` in ``choose --json``."""
        best, stop = self.best, self.stop
        foot = shop.foot
        marks = [m.to_json() for m in (*self.marks, *(() if best is None else best.marks))]
        return {
            "valve": self.valve, "stop": self.side,
            **({"material": None} if best is None else best.to_json()),
            "gauge_foot_n": None if foot is None else foot.force_n,
            "gauge_foot_diameter_mm": None if foot is None else foot.diameter_mm,
            "punch": {"outer_mm": stop.outer_mm, "inner_mm": stop.inner_mm},
            "wanted_loaded_mm": self.wanted_mm, "wanted_u_mm": self.wanted_u_mm,
            "alternatives": [{**c.to_json(), "marks": [m.to_json() for m in c.marks]} for c in self.others],
            "refused": [vars(r) for r in self.refused], "not_told_apart": list(self.tied), "marks": marks,
        }


@dataclass(frozen=True)
class NoCut:
    """A stop that gets no cut: what is missing, each line with its remedy."""

    valve: str
    side: Side
    missing: tuple[Lack, ...]


@dataclass(frozen=True)
class StackTold:
    """What the parts between button and port may add up to at one kind of stop [mm]."""

    parts: tuple[tuple[str, float], ...]          # name, limit each way
    worst_mm: float
    root_sum_square_mm: float
    sd_mm: float                                  # declared shapes, built without measuring
    p95_mm: float                                 # 95 of 100 valves built so stay within, by drawing
    felt_share_built: float                       # share of valves over 8 thou, built without measuring
    felt_share_fitted: float | None               # the same, read and cut as here

    def to_json(self) -> dict[str, Any]:
        """One side of ``stack`` in ``choose --json``."""
        return {"parts": [{"name": n, "limit_mm": t} for n, t in self.parts], "worst_case_mm": self.worst_mm,
                "root_sum_square_mm": self.root_sum_square_mm, "sd_mm": self.sd_mm, "p95_mm": self.p95_mm,
                "share_over_8thou_built": self.felt_share_built,
                "share_over_8thou_cut": self.felt_share_fitted}


@dataclass(frozen=True)
class Choice:
    """A whole instrument."""

    instrument: Instrument
    touch: str
    shop: Shop
    stops: tuple[StopChoice, ...]
    no_cut: tuple[NoCut, ...]
    stack: dict[Side, StackTold]

    def to_json(self) -> dict[str, Any]:
        """As ``choose --json`` prints it."""
        return {
            "label": self.instrument.label, "touch": self.touch,
            "stops": [s.to_json(self.shop) for s in self.stops],
            "no_cut": [{"valve": n.valve, "stop": n.side, "missing": [m.to_json() for m in n.missing]}
                       for n in self.no_cut],
            "stack": {side: told.to_json() for side, told in self.stack.items()},
        }
