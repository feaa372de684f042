"""Wear runs on file -> stock by stock, when a new pad will need renewing.

A control (an unloaded pad beside the others) serves the pads of its own lot, or of its stock where the lot
has none. A pad that was followed in two runs counts once: in the one that goes further.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, Literal

from padlab.drift.ageing import Ageing, Climate, climate, not_arrhenius
from padlab.drift.life import Service, StockLife, stock_life
from padlab.errors import FitError, InputError, PadlabError, RunError
from padlab.fitting.wear_run import PadLoss, loss_of
from padlab.marks import Mark, Weight, has_stop
from padlab.records.described import is_moment
from padlab.records.run import Run
from padlab.records.wear_table import SECONDS_A_DAY
from padlab.units import both_lengths


@dataclass(frozen=True)
class LeftOut:
    """A run that took no part, and why."""

    run: str
    material: str | None
    reason: str


@dataclass(frozen=True)
class Renewals:
    """The answer for every stock on file; ``ageing`` where a hot test was asked about."""

    limit_mm: float
    service: Service
    stop: Literal["up", "down"]
    stocks: tuple[StockLife, ...]
    left_out: tuple[LeftOut, ...]
    ageing: Ageing | None
    ageing_marks: dict[str, Mark]
    climate: dict[str, Climate] = field(default_factory=dict)    # by stock, from its unloaded pads

    def to_json(self) -> dict[str, Any]:
        """As ``padlab life --json`` prints it."""
        return {
            "limit_mm": self.limit_mm, "stop": self.stop,
            "strokes_per_day": self.service.strokes_per_day, "days_per_week": self.service.days_per_week,
            "materials": [{**s.to_json(), "climate": self.climate[s.material].to_json()
                           if s.material in self.climate else None} for s in self.stocks],
            "left_out": [vars(one) for one in self.left_out],
            "ageing": None if self.ageing is None else {
                **self.ageing.to_json(),
                "materials": [{"material": name, "marks": [m.to_json()]}
                              for name, m in sorted(self.ageing_marks.items())]},
        }


def renewals(runs: Sequence[Run], *, limit_mm: float, service: Service, stop: Literal["up", "down"] = "down",
             ageing: Ageing | None = None) -> Renewals:
    """When a new pad of each stock will have lost ``limit_mm``, sorted by name.

    Raises
    ------
    RunError
        None of the runs is a wear run that can serve.
    InputError
        The limit is no less than any pad is thick.
    """
    left_out: list[LeftOut] = []
    worn: dict[str, list[Run]] = {}
    controls: dict[str, list[Run]] = {}
    for run in sorted(runs, key=lambda r: r.id):
        reason = why_unfit(run, stop)
        if run.pad is None or reason is not None:
            left_out.append(LeftOut(run.id, None if run.pad is None else run.pad.material,
                                    reason or "names no pad"))
        else:
            (controls if run.is_control else worn).setdefault(run.pad.material, []).append(run)
    _check_limit(limit_mm, [run for some in worn.values() for run in some])
    stocks: list[StockLife] = []
    first_fault: PadlabError | None = None
    for material, some in sorted(worn.items()):
        losses: list[tuple[str, PadLoss]] = []
        for run in _once_a_pad(some, left_out):
            try:
                losses.append((run.id, loss_beside(run, controls.get(material, []))))
            except (FitError, RunError) as fault:
                first_fault = first_fault or fault
                left_out.append(LeftOut(run.id, material, fault.message))
        try:
            life = stock_life(losses, material=material, material_class=_pad_class(some), limit_mm=limit_mm,
                              service=service, stop=stop)
            stocks.append(_with_run_marks(life, some))
        except FitError as fault:
            first_fault = first_fault or fault
            left_out += [LeftOut(run, material, fault.message) for run, _ in losses]
    if not stocks:
        if first_fault is not None:
            raise first_fault
        other = "down" if stop == "up" else "up"
        is_other = any(one.reason == f"served at the {other} stop" for one in left_out)
        raise RunError("there is no wear run that can serve", expected=f"wear runs at the {stop} stop",
                       seen=_counted(left_out), remedy=f"ask for --stop {other}" if is_other else
                       "padlab import TABLE --kind wear takes in readings of a pad over its service")
    marks = {s.material: m for s in stocks if (m := not_arrhenius(s.material, s.material_class)) is not None}
    return Renewals(limit_mm, service, stop, tuple(stocks), tuple(sorted(left_out, key=lambda o: o.run)),
                    ageing, marks if ageing is not None else {}, {
                        name: found for name, some in sorted(controls.items())
                        if (found := climate([readings_of(run) for run in some])) is not None})


def _check_limit(limit_mm: float, worn: Sequence[Run]) -> None:
    """A loss of the whole pad is a mistyped unit: mm for thou."""
    thick = [float(run.samples["thickness_mm"].max()) for run in worn if "thickness_mm" in run.samples]
    if thick and limit_mm >= max(thick):
        raise InputError(f"a loss of {both_lengths(limit_mm)} is more than any of these pads is thick",
                         expected="a loss at which a pad is renewed, such as 3thou",
                         seen=f"pads of at most {both_lengths(max(thick))}",
                         remedy="look at its unit: 1 thou is 0.0254 mm")


def _counted(left_out: Sequence[LeftOut]) -> str:
    """Why runs took no part: each reason once, with the number of runs, or with the run where it is one."""
    runs: dict[str, list[str]] = {}
    for one in left_out:
        runs.setdefault(one.reason, []).append(one.run)
    said = [f"{len(some)} runs: {reason}" if len(some) > 1 else f"{some[0]}: {reason}"
            for reason, some in runs.items()]
    return "; ".join(said[:6]) + (f"; and {len(said) - 6} more reasons" if len(said) > 6 else "") or "none"


def why_unfit(run: Run, stop: str) -> str | None:
    """Why a run says nothing of the loss at this stop; None where it does."""
    if run.kind != "wear":
        return f"of kind {run.kind}"
    if run.state == "recording":
        return "still being recorded"
    if has_stop(run.marks):
        return next(m.message for m in run.marks if m.weight is Weight.STOP)
    if run.stop is not None and run.stop != stop and not run.is_control:
        return f"served at the {run.stop} stop"
    try:
        few = len(run.samples) < 2
    except RunError as fault:                  # killed and not gone on with: padlab remake makes its readings
        return f"{fault.message}; {fault.remedy}"
    return "too few readings so far" if few else None


def _pad_class(runs: Sequence[Run]) -> str:
    return next(run.pad.material_class for run in runs if run.pad is not None)


def _once_a_pad(runs: Sequence[Run], left_out: list[LeftOut]) -> list[Run]:
    """Of several runs of one pad over the same axis the one that goes furthest."""
    kept: dict[tuple[str, str, str], Run] = {}
    for run in runs:
        assert run.pad is not None
        axis = str(run.samples.columns[0])
        key = (run.pad.lot, run.pad.id, axis)
        other = kept.get(key)
        if other is None:
            kept[key] = run
            continue
        longer, shorter = sorted((run, other), key=lambda r: float(r.samples[axis].iloc[-1]), reverse=True)
        kept[key] = longer
        left_out.append(LeftOut(shorter.id, run.pad.material,
                                f"pad {run.pad.id} is followed further in run {longer.id}"))
    return sorted(kept.values(), key=lambda r: r.id)


def loss_beside(run: Run, controls: Sequence[Run], *, until: float = math.inf) -> PadLoss:
    """The loss of a run's pad beside the unloaded pads of its stock, read up to ``until`` strokes."""
    assert run.pad is not None
    table = {**readings_of(run), **_joined(run, run)}
    if until < math.inf:
        table = {name: values[table["strokes"] <= until] for name, values in table.items()}
    beside = [{**readings_of(one), **_joined(one, run)} for one in own_controls(run, controls)]
    return loss_of(table, pad=run.pad.id, lot=run.pad.lot, controls=beside)


def own_controls(run: Run, controls: Sequence[Run]) -> Sequence[Run]:
    """The unloaded pads that serve a run: those of its lot, or of its stock where the lot has none."""
    own = [c for c in controls if c.pad is not None and run.pad is not None and c.pad.lot == run.pad.lot]
    return own or controls


def readings_of(run: Run) -> dict[str, Any]:
    """The table of a wear run: its columns as arrays (n,)."""
    return {str(c): run.samples[c].to_numpy() for c in run.samples.columns}


def _joined(run: Run, since: Run) -> dict[str, Any]:
    """``joined_days``: the days of a run counted from the first reading of another, where both are dated."""
    first, other = _first_day(run), _first_day(since)
    if first is None or other is None or "days" not in run.samples.columns:
        return {}
    return {"joined_days": run.samples["days"].to_numpy() + (first - other).total_seconds() / SECONDS_A_DAY}


def _first_day(run: Run) -> datetime | None:
    """The moment from which the days of a run are counted; None: it is not known."""
    if run.endurance is not None and run.rig is not None:
        return datetime.fromisoformat(run.start_utc)
    said = (run.table or {}).get("first_utc")
    return datetime.fromisoformat(said) if isinstance(said, str) and is_moment(said) else None


def _with_run_marks(life: StockLife, runs: Sequence[Run]) -> StockLife:
    """Cautions of the runs themselves travel on (doubtful units, amended pads); notes stay with the runs."""
    seen = {m.code: m for run in runs for m in run.marks if m.weight is Weight.CAUTION}
    return replace(life, marks=(*life.marks, *(seen[code] for code in sorted(seen))))
