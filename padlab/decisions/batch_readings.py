"""Fits and gauge readings of a lot -> one value a pad for each characteristic, and the rig's systematic part.

Random error of the rig scatters the pads' values: it is in the data already. What the rig does to all pads
alike (its scale, its frame, its calibrations) is not, and averages down over nothing; it is kept here by
source, with its sign, as the fits know it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from padlab.drift.position import along
from padlab.drift.touch import NetStrokes
from padlab.fitting.results import RunFit
from padlab.marks import Mark, Weight, mark
from padlab.records.gauge import GaugeReading
from padlab.records.pad import F0_N
from padlab.records.run import GaugeBatch
from padlab.records.spec import Characteristic
from padlab.statistics.estimate import Estimate, average
from padlab.statistics.quantity import half_width95

GIVE_N = (0.5, 12.5)
"""Net forces of the give where the spec names no touch."""
SECANT_FROM_N = 0.5
AT_FORCE_SHARE = 0.1
"""A note held within a tenth of the asked force counts as held at it (design choice)."""
AFTER_SHARE = 0.25
"""A set read within a quarter of the asked time counts as read then (design choice)."""
SCALES = ("force scale", "indicator scale")
"""Sources that leave a ratio of two positions, or of two areas under a limb, as it is."""


@dataclass(frozen=True)
class PadValue:
    """One pad's value, from one run or several, in the characteristic's unit."""

    pad: str
    value: float
    sheet: str | None
    place: str | None
    runs: tuple[str, ...]


@dataclass(frozen=True)
class LotReadings:
    """All pads of a lot in one characteristic.

    ``mean`` carries the systematic sources (``mean.shared``); ``systematic_known`` False: nothing is known
    of them, which is not the same as none. ``stopped``: pads without a usable value, each with its reason.
    """

    characteristic: Characteristic
    lot: str
    pads: tuple[PadValue, ...]
    mean: Estimate | None
    systematic_known: bool
    stopped: tuple[tuple[str, str], ...] = ()
    set_aside: tuple[tuple[str, str], ...] = ()
    marks: tuple[Mark, ...] = ()
    first_utc: str | None = None
    condition: str = ""                                       # between which forces, after how long
    beside: tuple[str, ...] = ()                              # runs of unloaded pads that were taken off
    kept_apart: tuple[tuple[str, float, int], ...] = ()       # wear: what, mean in mm, of how many pads

    @property
    def guard(self) -> float | None:
        """Half width of the guard band: 95 % of the systematic part; None: not known."""
        if self.mean is None or not self.systematic_known:
            return None
        return half_width95(float(self.mean.shared_uncertainty))


class NotMeasured(Exception):
    """A run says nothing of the characteristic; the reason in words."""


@dataclass(frozen=True)
class Unfitted:
    """A pad run without a fit: the pad was put on the rig, and nothing came of it."""

    run: str
    pad: str
    reason: str


def lot_readings(
    characteristic: Characteristic,
    *,
    lot: str,
    fits: Sequence[RunFit],
    gauges: Sequence[tuple[str, str, GaugeBatch, Sequence[GaugeReading]]],
    unfitted: Sequence[Unfitted] = (),
    strokes: NetStrokes | None = None,
) -> LotReadings:
    """The values of one lot.

    Parameters
    ----------
    fits : sequence of RunFit
        The pad runs of this lot.
    gauges : sequence of (run, start_utc, batch, readings)
        Its gauge readings.
    strokes : NetStrokes, optional
        The touch that names the two presses of the give.
    """
    if characteristic.name == "thickness" and (characteristic.by_gauge or not _has_thickness(fits)):
        return _by_gauge(characteristic, lot, gauges)
    read = _reader(characteristic, strokes)
    values: dict[str, list[tuple[RunFit, Estimate]]] = {}
    stopped: dict[str, list[str]] = {}
    aside: dict[str, list[str]] = {}
    silent: dict[str, str] = {}
    marks: set[Mark] = set()
    for fit in sorted(fits, key=lambda f: f.run):
        stops = [m for m in fit.marks if m.weight is Weight.STOP]
        if any(m.code == "set_aside" for m in stops):
            aside.setdefault(fit.pad.id, []).append(f"run {fit.run}: {_words(stops)}")
            continue
        if stops:
            stopped.setdefault(fit.pad.id, []).append(f"run {fit.run} is marked stop: {_words(stops)}")
            continue
        try:
            value = read(fit)
        except NotMeasured as why:
            silent.setdefault(fit.pad.id, f"run {fit.run}: {why}")
            continue
        values.setdefault(fit.pad.id, []).append((fit, value))
        # The measured curve decides: what is said of the describing law stays with the pad.
        marks |= {m for m in fit.marks if m.weight is Weight.CAUTION and m.about != "best-fitting law"}
    for one in unfitted:
        stopped.setdefault(one.pad, []).append(f"run {one.run} gave no fit: {one.reason}")
    means = {pad: average([v for _, v in found], log=False) for pad, found in sorted(values.items())}
    pads = tuple(
        PadValue(
            pad,
            float(means[pad].value),
            found[0][0].pad.sheet,
            found[0][0].pad.place,
            tuple(fit.run for fit, _ in found),
        )
        for pad, found in sorted(values.items())
    )
    used = [fit for found in values.values() for fit, _ in found]
    known = (
        bool(used)
        and characteristic.name != "thickness"
        and all(
            fit.rig is not None and not any(m.code == "rig_doubt_unknown" for m in fit.marks) for fit in used
        )
    )
    if used and characteristic.name == "thickness":
        marks.add(mark("thickness_doubt_unknown", characteristic.name))
    return LotReadings(
        characteristic,
        lot,
        pads,
        average(list(means.values()), log=False) if means else None,
        known,
        tuple((pad, "; ".join(why)) for pad, why in sorted(stopped.items()) if pad not in values),
        tuple((pad, "; ".join(why)) for pad, why in sorted(aside.items()) if pad not in values)
        + tuple((pad, why) for pad, why in sorted(silent.items()) if pad not in values),
        tuple(sorted(marks)),
        min((str(f.conditions.get("start_utc") or "") for f in used), default=None) or None,
        condition=_condition(characteristic, strokes),
    )


def _words(marks: Sequence[Mark]) -> str:
    return "; ".join(sorted({m.message for m in marks}))


def _has_thickness(fits: Sequence[RunFit]) -> bool:
    return any(fit.thickness_mm is not None for fit in fits)


def _by_gauge(
    characteristic: Characteristic,
    lot: str,
    gauges: Sequence[tuple[str, str, GaugeBatch, Sequence[GaugeReading]]],
) -> LotReadings:
    found: dict[str, list[tuple[str, GaugeReading]]] = {}
    marks: set[Mark] = set()
    feet = set()
    for run, _, batch, readings in sorted(gauges, key=lambda g: g[0]):
        feet.add((batch.foot_force_n, batch.foot_diameter_mm))
        for reading in readings:
            found.setdefault(reading.pad, []).append((run, reading))
    for force_n, across in sorted(feet, key=str):
        on = "the whole pad" if across is None else f"a foot of {across:g} mm"
        said = f"thickness under the gauge's {force_n:g} N on {on}, not under the light touch of {F0_N:g} N"
        if not characteristic.by_gauge:
            marks.add(mark("gauge_thickness", "thickness", said + "; are the limits meant for it?"))
    if gauges:
        marks.add(
            mark("rig_doubt_unknown", "thickness", "the doubt of the gauge is not known: no guard band")
        )
    if len(feet) > 1:
        marks.add(mark("gauge_feet_differ", "thickness"))
    pads = tuple(
        PadValue(
            pad,
            float(np.mean([r.thickness_mm for _, r in rows])),
            rows[0][1].sheet,
            rows[0][1].place,
            tuple(run for run, _ in rows),
        )
        for pad, rows in sorted(found.items())
    )
    mean = average([Estimate(p.value) for p in pads], log=False) if pads else None
    return LotReadings(
        characteristic,
        lot,
        pads,
        mean,
        False,
        marks=tuple(sorted(marks)),
        first_utc=min((start for _, start, _, _ in gauges), default=None),
        condition=characteristic.condition_words,
    )


def _reader(characteristic: Characteristic, strokes: NetStrokes | None) -> Callable[[RunFit], Estimate]:
    c = characteristic
    ends = GIVE_N if strokes is None else (strokes.light_net_n, strokes.hard_net_n)
    readers: dict[str, Callable[[RunFit], Estimate]] = {
        "thickness": _thickness,
        "give": lambda fit: _give(fit, *ends),
        "stiffness": lambda fit: _secant(fit, SECANT_FROM_N, c.at_force_n or GIVE_N[1]),
        "loss_fraction": _loss,
        "creep": lambda fit: _creep(fit, c.at_force_n),
        "set": lambda fit: _set(fit, c.after_s),
    }
    return readers[c.name]


def _condition(c: Characteristic, strokes: NetStrokes | None) -> str:
    """The forces that a value lies between, also where the spec leaves them to padlab."""
    if c.name == "give":
        low, high = GIVE_N if strokes is None else (strokes.light_net_n, strokes.hard_net_n)
        return f"from {max(low, F0_N):.3g} to {high:.3g} N on the pad"
    if c.name == "stiffness":
        return f"from {SECANT_FROM_N:g} to {c.at_force_n or GIVE_N[1]:g} N on the pad"
    return c.condition_words


def _rig(fit: RunFit) -> str:
    return " + ".join((fit.rig or "unknown rig", *sorted(fit.calibrations)))


def _thickness(fit: RunFit) -> Estimate:
    if fit.thickness_mm is None:
        raise NotMeasured("no thickness is written in the pad's file, and none was measured")
    return Estimate(fit.thickness_mm.value)


def _give(fit: RunFit, from_n: float, to_n: float) -> Estimate:
    c = fit.curves
    if c is None or not from_n < to_n <= c.good_to_n:
        reach = "no usable strokes" if c is None else f"pressed to {c.good_to_n:.1f} N net"
        raise NotMeasured(f"{reach}, the give is asked from {from_n:g} to {to_n:g} N")

    def change(curve: np.ndarray) -> float:
        low, high = along(c, curve, np.array([max(from_n, F0_N), to_n]))
        return float(high - low)

    shared = {f"{_rig(fit)}: {name}": change(shift) for name, shift in sorted(c.rig_shift_mm.items())}
    return Estimate(change(c.position_mm), shared=shared)


def _secant(fit: RunFit, from_n: float, to_n: float) -> Estimate:
    give = _give(fit, from_n, to_n)
    length = float(give.value)
    if length <= 0:
        raise NotMeasured("the give is not above nothing, so there is no stiffness")
    k = (to_n - from_n) / length
    return Estimate(k, shared={name: -k * float(shift) / length for name, shift in give.shared.items()})


def _loss(fit: RunFit) -> Estimate:
    """Share lost. A frame that gives more than is known takes its work from what was put in, no loss."""
    loss = None if fit.hysteresis is None else fit.hysteresis.loss_fraction
    if loss is None or fit.curves is None:
        raise NotMeasured("no springback loss was measured")
    c = fit.curves
    put_in = float(np.trapezoid(c.force_n, c.position_mm - c.half_gap_mm))
    if put_in <= 0:
        raise NotMeasured("no work was put in")
    shared = {
        f"{_rig(fit)}: {name}": -loss.value * float(np.trapezoid(c.force_n, shift)) / put_in
        for name, shift in sorted(c.rig_shift_mm.items())
        if name not in SCALES
    }
    return Estimate(loss.value, shared=shared)


def _creep(fit: RunFit, at_force_n: float | None) -> Estimate:
    creep = fit.creep
    if creep is None or creep.fraction_per_decade is None or fit.curves is None:
        raise NotMeasured("no held note was recorded")
    if at_force_n is not None and abs(creep.hold_force_n - at_force_n) > AT_FORCE_SHARE * at_force_n:
        raise NotMeasured(f"the note was held at {creep.hold_force_n:.2f} N, asked at {at_force_n:g} N")
    c, value = fit.curves, creep.fraction_per_decade.value
    at = np.array([min(creep.hold_force_n, c.good_to_n)])
    position = float(along(c, c.position_mm, at)[0])
    shared = {
        f"{_rig(fit)}: {name}": -value * float(along(c, shift, at)[0]) / position
        for name, shift in sorted(c.rig_shift_mm.items())
        if name not in SCALES and position > 0
    }
    return Estimate(value, shared=shared)


def _set(fit: RunFit, after_s: float | None) -> Estimate:
    found = fit.compression_set
    if found is None or found.set_mm is None:
        raise NotMeasured("no lasting set was measured")
    if after_s is not None and abs(math.log(found.after_s / after_s)) > math.log(1 + AFTER_SHARE):
        raise NotMeasured(f"the set was read after {found.after_s:.0f} s, asked after {after_s:g} s")
    c = fit.curves
    top = 0.0 if c is None else float(c.position_mm[-1])
    scale = (
        {}
        if c is None or top <= 0
        else {
            f"{_rig(fit)}: {name}": found.set_mm.value * float(shift[-1]) / top
            for name, shift in sorted(c.rig_shift_mm.items())
            if name == "indicator scale"
        }
    )
    return Estimate(found.set_mm.value, shared=scale)
