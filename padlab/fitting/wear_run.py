"""The readings of one pad over its service -> its loss: what lasts, what comes back, what rubbed off.

A felt under load is thinner than it will be after a night: part of the loss comes back with rest. What
counts against a limit is what a rest of a day leaves. Where the pad was weighed, the mass says how much
rubbed off; the rest of what lasts is set. An unloaded pad beside it (a control) says what warmth and damp
did to both.

>>> table = {"strokes": np.array([0, 1e5, 1e5]), "thickness_mm": np.array([1.600, 1.580, 1.585]),
...          "rest_s": np.array([86400.0, 60.0, 86400.0])}
>>> loss = loss_of(table, pad="A1", lot="1")
>>> loss.readings.loss_mm.round(4).tolist(), round(loss.recoverable_mm, 4)
([0.015], 0.005)
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from padlab.errors import FitError
from padlab.fitting.wear import WearReadings
from padlab.marks import Mark, mark

Array = NDArray[np.float64]
Flags = NDArray[np.bool_]
Axis = Literal["strokes", "days"]

LONG_REST_S = 20 * 3600.0
"""A night and a morning: what has not come back by then is taken to last (set tests read at 24 h too; from
memory)."""


@dataclass(frozen=True)
class PadLoss:
    """The loss of one pad; ``None`` is what was not measured.

    ``readings`` holds what lasts over ``axis``. At the last position where it was read: ``recoverable_mm`` is
    what came back with rest, ``by_mass_mm`` what rubbed off by its mass, ``set_mm`` what lasts besides.
    """

    readings: WearReadings
    axis: Axis
    start_mm: float
    recoverable_mm: float | None
    by_mass_mm: float | None
    set_mm: float | None
    marks: tuple[Mark, ...]


def loss_of(table: Mapping[str, Any], *, pad: str, lot: str,
            controls: Sequence[Mapping[str, Any]] = ()) -> PadLoss:
    """Split the loss of one pad.

    Parameters
    ----------
    table : mapping of arrays (n,)
        ``thickness_mm`` at F0 and ``strokes`` or ``days``; where read ``rest_s`` before the reading,
        ``mass_kg``.
    controls : sequence of such tables
        Of unloaded pads, read at the same times; their mean change is taken off. One that made no strokes
        serves by ``joined_days``: of both tables, counted from one moment.

    Raises
    ------
    FitError
        Nothing but the first reading.
    """
    axis, at, thickness = _positions(table, pad)
    marks = []
    rest, lasting = _column(table, "rest_s"), after_rest(table)
    if rest is None:
        marks.append(mark("rest_short", f"pad {pad}", f"pad {pad}: rest before the readings is not on file; "
                          "the loss may hold what comes back"))
    elif not np.nanmax(rest) >= LONG_REST_S:
        marks.append(mark("rest_short", f"pad {pad}", f"pad {pad}: no reading after a day of rest; the "
                          "loss may hold what comes back"))
    where, left = _means(at[lasting], thickness[lasting])
    if where.size < 2:
        raise FitError(f"pad {pad} has one reading that counts", seen=str(where.size),
                       expected="a first one and others after strokes", where={"pad": pad})
    first = where[0]
    if first > 0:
        marks.append(mark("start_unknown", f"pad {pad}", f"pad {pad}: first read after {first:.3g} {axis}; "
                          "what it had lost by then is not in these numbers"))
    loss = left[0] - left[1:]
    if controls:
        days = _column(table, "joined_days")
        when = None if days is None else _means(at[lasting], days[lasting])[1]
        loss = loss - _drift_of(controls, axis, where, when)
        ends = min((float(np.nanmax(a)) for one in controls if (a := _column(one, axis)) is not None),
                   default=math.inf)
        if ends < where[-1]:
            marks.append(mark("no_control", f"pad {pad}", f"pad {pad}: the unloaded pad was read up to "
                              f"{ends:.3g} {axis} only; what warmth and damp did later is in the loss"))
    else:
        marks.append(mark("no_control", f"pad {pad}"))
    by_mass, by_mass_at = _rubbed_off(table, at, lasting, float(left[0]))
    lasts = None if by_mass_at is None else float(np.interp(by_mass_at, where, np.r_[0.0, loss]))
    return PadLoss(WearReadings(pad, lot, where[1:] - first, loss), axis, float(left[0]),
                   None if rest is None else _came_back(at, thickness, lasting), by_mass,
                   None if lasts is None or by_mass is None else lasts - by_mass, tuple(marks))


def after_rest(table: Mapping[str, Any]) -> Flags:
    """Which readings tell what lasts (n,): those after a day of rest, or after the longest that was taken.

    A pad that nobody has pressed yet has nothing that could come back: its reading counts without a rest. A
    stated rest of 0 s says that it has just been pressed (a machine's first strokes).
    """
    n = len(np.asarray(table["thickness_mm"]))
    rest, strokes = _column(table, "rest_s"), _column(table, "strokes")
    if rest is None:
        return np.ones(n, dtype=bool)
    rested = np.nan_to_num(rest, nan=-1.0) >= min(LONG_REST_S, float(np.nanmax(rest)))
    return rested if strokes is None else rested | ((strokes == 0) & (rest != 0))


def _positions(table: Mapping[str, Any], pad: str) -> tuple[Axis, Array, Array]:
    thickness = np.asarray(table["thickness_mm"], dtype=np.float64)
    axes: tuple[Axis, ...] = ("strokes", "days")
    for axis in axes:
        at = _column(table, axis)
        if at is not None and np.ptp(at) > 0:
            return axis, at, thickness
    raise FitError(f"pad {pad} was read at one time only", expected="readings over strokes or days",
                   seen="no change of either", where={"pad": pad})


def _column(table: Mapping[str, Any], name: str) -> Array | None:
    if name not in table:
        return None
    values = np.asarray(table[name], dtype=np.float64)
    return values if np.isfinite(values).any() else None


def _means(at: Array, values: Array) -> tuple[Array, Array]:
    """Readings at one position become their mean; positions rise."""
    known = np.isfinite(at) & np.isfinite(values)
    where, back = np.unique(at[known], return_inverse=True)
    return where, np.bincount(back, values[known]) / np.bincount(back)


def _came_back(at: Array, thickness: Array, lasting: Flags) -> float | None:
    """Thickness after a long rest less that after a short one, at the last position that has both."""
    long_at, rested = _means(at[lasting], thickness[lasting])
    short_at, tired = _means(at[~lasting], thickness[~lasting])
    both = np.intersect1d(long_at[long_at > 0], short_at)
    if not both.size:
        return None
    last = both[-1]
    return float(rested[long_at == last][0] - tired[short_at == last][0])


def _rubbed_off(table: Mapping[str, Any], at: Array, lasting: Flags, start_mm: float,
                ) -> tuple[float | None, float | None]:
    """Depth that the lost mass stands for, and where: h0 (m0 - m)/m0, the same density all through."""
    mass = _column(table, "mass_kg")
    if mass is None:
        return None, None
    where, masses = _means(at[lasting], mass[lasting])
    if where.size < 2 or not masses[0] > 0:
        return None, None
    return float(start_mm * (masses[0] - masses[-1]) / masses[0]), float(where[-1])


def _drift_of(controls: Sequence[Mapping[str, Any]], axis: Axis, where: Array, days: Array | None) -> Array:
    """Mean loss of the unloaded pads at ``where[1:]`` since ``where[0]``, straight between their readings.

    An unloaded pad makes no strokes: where its table has none it is held to the pad by the days.
    """
    changes = []
    for table in controls:
        at, place = _column(table, axis), where
        if at is None and days is not None and days.size == where.size:
            at, place = _column(table, "joined_days"), days
        if at is None:
            raise FitError("a control pad has no readings over the same axis", expected=axis, seen="none",
                           remedy=f"give the control's table a column for {axis}")
        there, left = _means(at, np.asarray(table["thickness_mm"], dtype=np.float64))
        curve = np.interp(place, there, left)
        changes.append(curve[0] - curve[1:])
    return np.asarray(np.mean(changes, axis=0))


def depth_of_mass_mm(mass_kg: float, *, density_mg_per_mm3: float, area_mm2: float) -> float:
    """Depth over a face that a lost mass stands for [mm].

    >>> round(depth_of_mass_mm(2e-6, density_mg_per_mm3=1.25, area_mm2=233.2632), 6)
    0.006859
    """
    return mass_kg * 1e6 / (density_mg_per_mm3 * area_mm2)
