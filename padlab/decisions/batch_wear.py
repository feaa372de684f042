"""Wear runs of a lot -> one loss a pad after the asked strokes, read off the pad's own readings.

Straight between the two readings beside the asked strokes, no law behind it: a law is chosen for a whole
stock, and a later lot must not move an earlier certificate. Where the readings lie far apart, what a path
that bends may have lost besides is bounded and said. A pad that was not read so far is not tested.

>>> loss_at(np.array([0.0, 1e5, 2e5]), np.array([0.0, 0.010, 0.014]), 1.5e5)
LossAt(loss_mm=0.012, may_be_missing_mm=0.002, is_carried_on=False)
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.decisions.batch_readings import LotReadings, NotMeasured, PadValue
from padlab.decisions.renewal import loss_beside, own_controls, readings_of, why_unfit
from padlab.errors import FitError
from padlab.fitting.wear_run import PadLoss, after_rest
from padlab.marks import CODES, Mark, Weight, mark
from padlab.records.run import Run
from padlab.records.spec import Characteristic
from padlab.statistics.estimate import Estimate, average
from padlab.units import both_lengths

Array = NDArray[np.float64]

NEARLY = 1.05
"""Readings that end so little short of the asked strokes are carried on straight, with a mark (design choice:
a counter is read when the press stands, not at a round number)."""
BENDS = 0.1
"""Share of the loss that may be missing between two readings before it is said (design choice)."""
_MOST_NAMES = 6


@dataclass(frozen=True)
class LossAt:
    """A loss after so many strokes; ``may_be_missing_mm``: what a flattening path can have lost besides."""

    loss_mm: float
    may_be_missing_mm: float
    is_carried_on: bool


def loss_at(strokes: Array, loss_mm: Array, asked: float) -> LossAt:
    """The loss after ``asked`` strokes.

    Parameters
    ----------
    strokes, loss_mm : arrays (n,)
        Rising from 0, where the loss is 0.

    Raises
    ------
    NotMeasured
        The readings end more than a twentieth short of ``asked``.
    """
    last = float(strokes[-1])
    if asked > NEARLY * last:
        raise NotMeasured(f"read up to {last:,.0f} strokes, the wear is asked after {asked:,.0f}")
    if asked > last:
        slope = max(float(loss_mm[-1] - loss_mm[-2]) / float(strokes[-1] - strokes[-2]), 0.0)
        return LossAt(float(loss_mm[-1]) + slope * (asked - last), 0.0, True)
    value = float(np.interp(asked, strokes, loss_mm))
    after = int(np.searchsorted(strokes, asked))
    if strokes[after] == asked:
        return LossAt(value, 0.0, False)
    # A path that only flattens lies below its earlier chord carried on, and below its next reading.
    most = float(loss_mm[after])
    if after >= 2:
        (n0, n1), (w0, w1) = strokes[after - 2 : after], loss_mm[after - 2 : after]
        most = min(most, float(w1 + (w1 - w0) / (n1 - n0) * (asked - n1)))
    return LossAt(value, max(most - value, 0.0), False)


@dataclass(frozen=True)
class _Read:
    """What one run says of its pad."""

    run: Run
    at: LossAt
    loss: PadLoss
    reach: float


def wear_readings(characteristic: Characteristic, *, lot: str, runs: Sequence[Run]) -> LotReadings:
    """The losses of one lot.

    Parameters
    ----------
    characteristic : Characteristic
        With ``after_strokes`` and ``stop``.
    runs : sequence of Run
        The stock's wear runs, of all lots: an unloaded pad of another lot serves where this one has none.

    Notes
    -----
    Of several runs of one pad that reach the asked strokes the one that goes furthest counts; the others are
    named with what they say. What the gauge's scale and the unloaded pad's own readings add to all pads alike
    is not known: no guard band.
    """
    c, asked = characteristic, float(characteristic.after_strokes or 0.0)
    stop = c.stop or "down"
    found: dict[str, list[_Read]] = {}
    stopped: dict[str, list[str]] = {}
    silent: dict[str, list[str]] = {}
    controls = [r for r in runs if r.is_control and why_unfit(r, stop) is None]
    for run in sorted(runs, key=lambda r: r.id):
        if run.pad is None or run.pad.lot != lot or run.is_control:
            continue
        stops = [m for m in run.marks if m.weight is Weight.STOP]
        why = why_unfit(run, stop)
        if stops and not any(m.code == "set_aside" for m in stops):
            stopped.setdefault(run.pad.id, []).append(f"run {run.id} is marked stop: {why}")
            continue
        try:
            if why is not None:
                raise NotMeasured(why)
            one = _read(run, controls, asked)
        except (NotMeasured, FitError) as fault:
            said = fault.message if isinstance(fault, FitError) else str(fault)
            silent.setdefault(run.pad.id, []).append(f"run {run.id}: {said}")
        else:
            found.setdefault(run.pad.id, []).append(one)
    best: list[_Read] = []
    for pad, several in sorted(found.items()):
        several.sort(key=lambda r: (r.reach, r.run.id))
        best.append(several[-1])
        silent.setdefault(pad, [])
        silent[pad] += [f"run {r.run.id} says {both_lengths(r.at.loss_mm)}; the pad is followed further in "
                        f"run {several[-1].run.id}" for r in several[:-1]]
    pads = tuple(PadValue(r.run.pad.id, r.at.loss_mm, r.run.pad.sheet, r.run.pad.place, (r.run.id,))
                 for r in best if r.run.pad is not None)
    beside = {one.id for r in best for one in own_controls(r.run, controls)}
    return LotReadings(
        c, lot, pads, average([Estimate(p.value) for p in pads], log=False) if pads else None, False,
        tuple((pad, "; ".join(why)) for pad, why in sorted(stopped.items()) if pad not in found),
        tuple((pad, "; ".join(why)) for pad, why in sorted(silent.items()) if why and pad not in stopped),
        _marks(best, asked), min((r.run.start_utc for r in best), default=None),
        condition=c.condition_words, beside=tuple(sorted(beside)),
        kept_apart=_kept_apart([r.loss for r in best]))


def _read(run: Run, controls: Sequence[Run], asked: float) -> _Read:
    table = readings_of(run)
    if "strokes" not in table or not np.ptp(table["strokes"]) > 0:
        raise NotMeasured("read over days, the wear is asked over strokes")
    at = np.asarray(table["strokes"], dtype=float)
    far = at[after_rest(table) & (at >= asked)]
    # What was read later says nothing of the asked strokes, and must not move what is said of them.
    loss = loss_beside(run, controls, until=float(far.min()) if far.size else math.inf)
    if any(m.code == "start_unknown" for m in loss.marks):
        first = float(at[after_rest(table)].min())
        raise NotMeasured(f"first read after {first:,.0f} strokes: what was lost by then is not known")
    paths = loss.readings
    return _Read(run, loss_at(np.r_[0.0, paths.strokes], np.r_[0.0, paths.loss_mm], asked), loss,
                 float(at.max()))


def _marks(best: Sequence[_Read], asked: float) -> tuple[Mark, ...]:
    """One mark a code for the whole lot, with the pads that it concerns."""
    if not best:
        return ()
    pads: dict[str, list[str]] = {}
    for r in best:
        for code in {m.code for m in r.loss.marks}:
            pads.setdefault(code, []).append(r.loss.readings.pad)
    marks = {mark(code, "wear", f"{CODES[code][1]} ({named(names, len(best))})")
             for code, names in pads.items()}
    marks |= {m for r in best for m in r.run.marks
              if m.weight is Weight.CAUTION and m.code != "rig_doubt_unknown"}      # said below, once
    carried = [r.loss.readings.pad for r in best if r.at.is_carried_on]
    if carried:
        marks.add(mark("extrapolated", "wear", f"readings end just short of {asked:,.0f} strokes and are "
                       f"carried on straight ({named(carried, len(best))})"))
    bent = [r for r in best if r.at.may_be_missing_mm > BENDS * max(r.at.loss_mm, 0.0)]
    if bent:
        most = max(r.at.may_be_missing_mm for r in bent)
        marks.add(mark("between_readings", "wear", f"readings lie far apart around {asked:,.0f} strokes: "
                       f"up to {both_lengths(most)} may be missing in the loss "
                       f"({named([r.loss.readings.pad for r in bent], len(best))})"))
    marks.add(mark("rig_doubt_unknown", "wear", "the doubt of the gauge, and of an unloaded pad's readings, "
                   "is not known: no guard band"))
    return tuple(sorted(marks))


def named(pads: Sequence[str], of: int) -> str:
    """Which pads, in words: all of them, or by name.

    >>> named(["A1", "A2"], 2), named(["A1"], 2)
    ('all 2 pads', 'pad A1')
    """
    if len(pads) == of and of > 1:
        return f"all {of} pads"
    more = f" and {len(pads) - _MOST_NAMES} more" if len(pads) > _MOST_NAMES else ""
    return f"pad{'s' * (len(pads) > 1)} " + ", ".join(pads[:_MOST_NAMES]) + more


def _kept_apart(losses: Sequence[PadLoss]) -> tuple[tuple[str, float, int], ...]:
    """Means over the pads of what is no part of the value, or is within it: (what, mm, pads)."""
    parts: tuple[tuple[str, Iterable[float | None]], ...] = (
        ("comes back with rest, not counted", (one.recoverable_mm for one in losses)),
        ("rubbed off, by the mass; within the loss", (one.by_mass_mm for one in losses)),
        ("set; within the loss", (one.set_mm for one in losses)))
    told = []
    for name, sizes in parts:
        known = [size for size in sizes if size is not None]
        if known:
            told.append((name, float(np.mean(known)), len(known)))
    return tuple(told)
