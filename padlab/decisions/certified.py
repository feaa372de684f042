"""A stock's records and a plan -> the verdict on one lot, the lots before it and every raw file behind it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from padlab.decisions.batch import BatchResult, CharacteristicResult, judge_lot, p_words
from padlab.decisions.batch_plan import BatchPlan
from padlab.decisions.batch_readings import LotReadings, Unfitted, lot_readings
from padlab.decisions.batch_wear import wear_readings
from padlab.decisions.check_standard import CheckStandard, check_standard
from padlab.decisions.lots_over_time import Chart, day_of, lots_chart
from padlab.drift.touch import NetStrokes
from padlab.fitting.results import RunFit
from padlab.marks import Mark, mark
from padlab.records.gauge import GaugeReading
from padlab.records.run import GaugeBatch, Run
from padlab.records.spec import Characteristic
from padlab.records.traces import RawFile, content_hash, raw_files
from padlab.statistics.quantity import Quantity, to_json
from padlab.units import both_lengths, thou

WORDS = {"accept": "accepted", "refuse": "refused", "test_more": "test more"}


@dataclass(frozen=True)
class Stock:
    """What is on file of one stock, and of the check standards.

    ``runs``: every run behind ``fits``, ``unfitted`` (with its lot), ``gauges`` and ``wear``, for their raw
    files.
    """

    fits: tuple[RunFit, ...]
    unfitted: tuple[tuple[str, Unfitted], ...]
    gauges: tuple[tuple[Run, tuple[GaugeReading, ...]], ...]
    checks: tuple[Run, ...]
    runs: tuple[Run, ...]
    wear: tuple[Run, ...] = ()


@dataclass(frozen=True)
class OverTime:
    """The lots' chart of one characteristic, and that of what checks the rig (or the gauge)."""

    characteristic: Characteristic
    lots: Chart
    days: tuple[str, ...]  # when each lot was first measured
    standard: CheckStandard | None
    no_standard: str  # what it means that there is none


@dataclass(frozen=True)
class Provenance:
    """One run behind the verdict."""

    run: str
    kind: str
    pad: str
    start_utc: str
    rig: str
    calibrations: tuple[str, ...]
    files: tuple[RawFile, ...]


@dataclass(frozen=True)
class Certified:
    """A verdict with everything that a certificate prints."""

    result: BatchResult
    over_time: tuple[OverTime, ...]
    provenance: tuple[Provenance, ...]
    marks: tuple[Mark, ...]

    @property
    def files(self) -> tuple[RawFile, ...]:
        """Every raw file behind the verdict."""
        return tuple(f for p in self.provenance for f in p.files)

    @property
    def content_sha256(self) -> str:
        """One hash over all raw files."""
        return content_hash(self.files)

    def to_json(self) -> dict[str, Any]:
        """The object of ``padlab qualify``."""
        result = self.result
        first = result.characteristics[0]
        return {
            "lot": result.lot,
            "material": result.plan.spec.material,
            "verdict": str(result.verdict),
            "characteristics": [_characteristic_json(r) for r in result.characteristics],
            "operating_curve": [[share, least] for share, least, _ in first.plan.operating_curve],
            "content_sha256": self.content_sha256,
            "runs": [p.run for p in self.provenance],
            "marks": [m.to_json() for m in self.marks],
        }

    def words(self) -> list[str]:
        """The verdict as a technician reads it in the terminal."""
        result = self.result
        lines = [f"{result.plan.spec.material}, lot {result.lot}: {WORDS[result.verdict].upper()}"]
        for r in result.characteristics:
            mean = "not determined" if r.mean is None else _mean_words(r.mean, r.characteristic)
            c = r.characteristic
            about = c.words + (f" ({c.condition_words})" if c.condition_words else "")
            lines.append(f"  {about}: {WORDS[r.verdict]}; {r.n} pads, mean {mean}")
            lines += [f"    {reason}" for reason in r.reasons]
            if r.equivalence is not None:
                lines.append(f"    {equivalence_words(r)}")
        lines += [f"  {m.weight}: {m.about}: {m.message}" for m in self.marks if m.weight != "note"]
        return lines


def certify(plan: BatchPlan, stock: Stock, *, lot: str, strokes: NetStrokes | None = None) -> Certified:
    """Judge a lot.

    Raises
    ------
    RunError
        A raw file behind the verdict is not what was recorded; it is named.
    """
    lots = sorted(
        {f.pad.lot for f in stock.fits}
        | {n for n, _ in stock.unfitted}
        | {r.gauge.lot for r, _ in stock.gauges if r.gauge}
        | {r.pad.lot for r in stock.wear if r.pad}
    )
    read = {name: [_readings(c, stock, name, strokes) for c in _asked(plan)] for name in lots}
    spec = plan.spec
    reference = None if spec.reference_lot is None else read[spec.reference_lot]
    result = judge_lot(plan, read[lot], reference=reference)
    until = max((day_of(r.first_utc) for r in read[lot] if r.first_utc is not None), default="")
    drawn = [_over_time(c, [read[name][number] for name in lots], stock, lot, until)
             for number, c in enumerate(_asked(plan))]
    over_time = tuple(o for o in drawn if o is not None)
    marks = set(result.marks)
    marks |= {mark("limits_provisional", o.characteristic.words) for o in over_time if o.lots.is_provisional}
    marks |= {
        mark("standard_moved", "rig" if o.standard.unit == "N/mm" else "gauge",
             f"{o.standard.about}: {o.standard.moved.words}")
        for o in over_time
        if o.standard is not None and o.standard.moved is not None
    }
    behind = [r.readings for r in result.characteristics] + list(reference or ())
    used = {run for r in behind for p in r.pads for run in p.runs} | {run for r in behind for run in r.beside}
    provenance = tuple(_provenance(run) for run in sorted(stock.runs, key=lambda r: r.id) if run.id in used)
    marks |= _copies(provenance)
    return Certified(result, over_time, provenance, tuple(sorted(marks)))


def _copies(provenance: Sequence[Provenance]) -> set[Mark]:
    """Runs of different pads that hold the same bytes: one of them is a copy, and counts for nothing."""
    pads: dict[str, list[tuple[str, str]]] = {}
    for p in provenance:
        for f in p.files:
            pads.setdefault(f.sha256, []).append((p.pad, p.run))
    return {
        mark("same_readings", "pads", "the raw files of different pads are the same to the last byte: "
             + ", ".join(f"pad {pad} (run {run})" for pad, run in same[:6]) + " ..." * (len(same) > 6))
        for same in pads.values()
        if len({pad for pad, _ in same if pad}) > 1
    }


def _asked(plan: BatchPlan) -> list[Characteristic]:
    return [p.characteristic for p in plan.characteristics]


def _readings(c: Characteristic, stock: Stock, lot: str, strokes: NetStrokes | None) -> LotReadings:
    if c.name == "wear":
        return wear_readings(c, lot=lot, runs=stock.wear)
    gauges: list[tuple[str, str, GaugeBatch, Sequence[GaugeReading]]] = [
        (run.id, run.start_utc, run.gauge, readings)
        for run, readings in stock.gauges
        if run.gauge is not None and run.gauge.lot == lot
    ]
    return lot_readings(
        c,
        lot=lot,
        fits=[f for f in stock.fits if f.pad.lot == lot],
        gauges=gauges,
        unfitted=[u for name, u in stock.unfitted if name == lot],
        strokes=strokes,
    )


def _provenance(run: Run) -> Provenance:
    by_hand = {"gauge": "gauge", "wear": "readings over a service"}
    rig = by_hand.get(run.kind) or ("recorded elsewhere" if run.rig is None else run.rig.name)
    return Provenance(
        run.id,
        run.kind,
        "" if run.pad is None else run.pad.id,
        run.start_utc,
        rig,
        run.calibrations,
        raw_files(run),
    )


def _over_time(
    c: Characteristic, lots: Sequence[LotReadings], stock: Stock, lot: str, until: str
) -> OverTime | None:
    """Lots and check standard up to the day of the judged lot: what came later is another certificate's."""
    seen = [one for one in lots if one.first_utc is not None and day_of(one.first_utc) <= until]
    chart = lots_chart(seen)
    if chart is None:
        return None
    gauges = {run.id for run, _ in stock.gauges} | {run.id for run in stock.wear}
    judged = next((one for one in seen if one.lot == lot), None)
    used = {run for one in ([judged] if judged is not None and judged.pads else seen) for p in one.pads
            for run in p.runs}
    by_gauge = any(run in gauges for run in used)
    rigs = [f.rig for f in stock.fits if f.run in used and f.rig is not None]
    standard = check_standard(stock.checks, by_gauge=by_gauge, rigs=rigs, until=until)
    days = {one.lot: day_of(one.first_utc) for one in seen if one.first_utc is not None}
    what = "gauge" if by_gauge else "rig"
    none = f"no check standard is on file: a drift of the {what} would look like one of the pads"
    return OverTime(c, chart, tuple(days[p.label] for p in chart.points), standard, none)


def _mean_words(mean: Quantity, c: Characteristic) -> str:
    """A mean with its 95 % interval, where it has one."""
    if mean.low is None or mean.high is None:
        return size_words(mean.value, c)
    value, low, high = (size_words(size, c) for size in (mean.value, mean.low, mean.high))
    return f"{value} (95 % between {low} and {high})"


def size_words(value: float | None, c: Characteristic) -> str:
    """A value of a characteristic as a technician reads it; of a length both units, a thickness in mm."""
    if value is None:
        return "not determined"
    if c.name == "thickness" and abs(value) >= 0.2:
        return f"{value:.3f} mm ({thou(value):.1f} thou)"
    if c.unit == "mm":
        return both_lengths(value)
    return f"{value:.3g} {c.unit}" if c.unit else f"{100 * value:.1f} %"


def equivalence_words(result: CharacteristicResult) -> str:
    """Whether the lot is shown to be the same as the reference lot, within the margin fixed beforehand."""
    e, c = result.equivalence, result.characteristic
    if e is None:
        return "not determined"
    shown = "shown to be the same as" if e.is_shown else "not shown to be the same as"
    return (
        f"{shown} the reference lot within {size_words(c.margin, c)}: difference "
        f"{size_words(e.difference, c)} (90 % between {size_words(e.low, c)} and {size_words(e.high, c)}, "
        f"p {p_words(e.p)})"
    )


def _characteristic_json(r: CharacteristicResult) -> dict[str, Any]:
    e, t = r.equivalence, r.tolerance
    return {
        "name": r.characteristic.name,
        "condition": r.readings.condition or None,
        "unit": r.characteristic.unit or None,
        "n": r.n,
        "needed": r.needed,
        "rule": r.rule,
        "mean": to_json(r.mean),
        "sd": r.sd,
        "k": r.k if r.k is not None and math.isfinite(r.k) else None,
        "acceptance_constant": r.acceptance_constant,
        "share_outside": r.share_outside,
        "outside": r.counted_outside,
        "low": r.low,
        "high": r.high,
        "guard": r.guard,
        "tolerance_interval": None
        if t is None
        else {"low": t.low, "high": t.high, "share": t.share, "confidence": t.confidence, "factor": t.factor},
        "capability": to_json(r.capability),
        "equivalence": None
        if e is None
        else {
            "difference": {"value": e.difference, "low": e.low, "high": e.high},
            "level": 0.90,
            "margin": r.characteristic.margin,
            "margin_used": e.margin,
            "p": e.p,
            "shown": e.is_shown,
        },
        "normality": None
        if r.normality is None
        else {"w": r.normality.w, "p": r.normality.p, "refused": r.normality.is_refused},
        "apart": [] if r.outlying is None else [r.readings.pads[i].pad for i in r.outlying.places],
        "sheets": None
        if r.sheets is None
        else {
            "between_variance": r.sheets.between,
            "within_variance": r.sheets.within,
            "mean_n": r.sheets.mean_n,
        },
        "kept_apart": [{"what": what, "mean_mm": mean, "pads": n} for what, mean, n in r.readings.kept_apart],
        "not_used": [{"pad": pad, "reason": why} for pad, why in r.readings.set_aside],
        "bad_lot_accepted": r.bad_lot_accepted,
        "good_lot_refused": r.good_lot_refused,
        "verdict": str(r.verdict),
        "reasons": list(r.reasons),
        "pads": [{"pad": p.pad, "value": p.value, "runs": list(p.runs)} for p in r.readings.pads],
        "marks": [m.to_json() for m in r.marks],
    }
