"""What was fitted to an instrument, what the check says of it, when it is due, and how to cut it again.

    choice, and what was done otherwise --fitted_of--> Fitted (a dated file)
    Fitted --due--> dates, with their interval
           --cut_again--> what every stop asks for, corrected by the check; then choose as ever

The check is a second reading of the port, through a pad that was cut by what the first one said. Each is off
by its own doubt: the reading by u(e), the pad by its scatter and its cutting. What the check finds beyond
what it expects is shared out by these variances: a weighted mean of two readings.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from pathlib import Path
from typing import Any, Literal

from padlab import __version__
from padlab.decisions.choice import Wanted
from padlab.decisions.cut_rows import Candidate, Choice, StopChoice
from padlab.drift.life import DAYS_A_YEAR
from padlab.drift.touch import TouchProfile
from padlab.errors import InputError
from padlab.marks import Mark, mark
from padlab.records.fitted import Ends, Fitted, FittedStop, FittedTouch, ends_of, instrument_name
from padlab.records.instrument import Instrument, Side, Stop, Valve
from padlab.statistics.quantity import t95
from padlab.units import MM_PER_THOU, both_lengths

CHECK_DOUBT_MM = MM_PER_THOU
"""Standard uncertainty of the reading at the check: a thou, as of any port reading (design choice)."""
UNLIKELY_MM = 20 * MM_PER_THOU
"""A pad that is cut to a thou does not stand so far off: mm were more likely typed for thou."""
Key = tuple[str, Side]
CheckVerdict = Literal["right", "outside", "not read", "not determined"]


@dataclass(frozen=True)
class Done:
    """What the technician did otherwise than recommended, stop by stop; by (valve, side)."""

    stock: Mapping[Key, str]
    cut_mm: Mapping[Key, float]
    lot: Mapping[Key, str]
    check_mm: Mapping[Key, float]
    skipped: frozenset[Key] = frozenset()
    is_seated: bool = True


def fitted_of(choice: Choice, touch: TouchProfile, done: Done, *, on: date, shelf: str,
              note: str | None = None) -> Fitted:
    """The fitting of an instrument.

    Raises
    ------
    InputError
        A stop that has no cut, a stock that was not offered there, nothing fitted at all.
    """
    stops = {(s.valve, s.side): s for s in choice.stops}
    named = [*done.stock, *done.cut_mm, *done.lot, *done.check_mm, *done.skipped]
    for valve, side in named:
        if (valve, side) not in stops:
            raise InputError(f"valve {valve[:40]}, {side} stop has no cut, so nothing was fitted by it",
                             expected=", ".join(f"{v}.{s}" for v, s in stops) or "a stop with a cut",
                             seen=f"{valve[:40]}.{side}")
    rows = [_row(stop, done) for key, stop in stops.items() if key not in done.skipped]
    if not rows:
        raise InputError("nothing was fitted", expected="at least one stop", seen="none")
    one = choice.instrument
    return Fitted(
        format="padlab fitted 1", label=one.label, fitted_on=on, shelf=shelf[:2000], padlab=__version__,
        touch=FittedTouch(
            name=touch.name, median_n=touch.median_n, gsd=touch.gsd, hold_median_s=touch.hold_median_s,
            hold_gsd=touch.hold_gsd, holding_n=touch.holding_n,
            recorded_n=None if touch.recorded_n is None else list(touch.recorded_n),
            recorded_s=None if touch.recorded_s is None else list(touch.recorded_s)),
        strokes_per_day=one.strokes_per_day, days_per_week=one.days_per_week, service_years=one.service_years,
        renew_limit_mm=one.renew_limit_mm, temperature_c=one.temperature_c, wear_share=one.wear_share,
        stops=rows, note=note)


def _row(stop: StopChoice, done: Done) -> FittedStop:
    key: Key = (stop.valve, stop.side)
    pad = _chosen(stop, done.stock.get(key))
    cut = done.cut_mm.get(key, pad.cut_thou * MM_PER_THOU)
    # Cut otherwise than listed: what is left under the finger moves by the same share.
    moved = (cut - pad.cut_thou * MM_PER_THOU) * pad.sensitivity.cut_one_thou_mm / MM_PER_THOU
    sign = -1 if stop.side == "down" else 1
    check = pad.checks[0]

    def shifted(ends: Ends | None, by: float) -> Ends:
        assert ends is not None
        low, high = (None if end is None else end + by for end in (ends.low, ends.high))
        return Ends(value=ends.value + by, low=low, high=high)

    sheet, asked = pad.sheet, stop.stop
    lot = done.lot.get(key, None if sheet is None else sheet.lot)
    return FittedStop(
        valve=stop.valve, side=stop.side, wanted_mm=stop.wanted_mm, wanted_u_mm=stop.wanted_u_mm,
        holding_n=asked.holding_n, read_at_n=asked.read_at_n, outer_mm=asked.outer_mm,
        inner_mm=asked.inner_mm,
        loaded_outer_mm=asked.loaded_outer_mm, loaded_inner_mm=asked.loaded_inner_mm,
        metal_clearance_mm=asked.metal_clearance_mm, fitted_loaded_mm=stop.fitted_loaded_mm,
        material=pad.material, material_class=pad.material_class, lot=lot, cut_mm=cut,
        shims_mm=[] if sheet is None else list(sheet.shims_mm), layers=1 if sheet is None else sheet.layers,
        loaded_mm=shifted(ends_of(pad.loaded_mm), moved), check_at_n=check.at_n,
        check_expected_mm=shifted(ends_of(check.expected_mm), sign * moved),
        check_fresh_mm=check.fresh_mm + sign * moved, check_found_mm=done.check_mm.get(key),
        check_seated=done.is_seated, thinning_mm=ends_of(pad.thinning_mm),
        renew_years=ends_of(pad.renew_years))


def _chosen(stop: StopChoice, name: str | None) -> Candidate:
    offered = [*([] if stop.best is None else [stop.best]), *stop.others]
    if name is None and stop.best is not None:
        return stop.best
    for one in offered:
        if one.material == name:
            return one
    reason = next((r.reason for r in stop.refused if r.material == name), None)
    raise InputError(
        f"valve {stop.valve[:40]}, {stop.side} stop: "
        + ("no stock is recommended there, so name the one that was fitted" if name is None
           else f"{name[:60]!r} is refused there: {reason}" if reason
           else f"no stock {name[:60]!r} on this shelf"),
        expected=", ".join(c.material for c in offered) or "a stock with a cut", seen=repr(name)[:80])


def check_verdict(stop: FittedStop) -> tuple[CheckVerdict, str]:
    """What the check reading says of the pad, and what to do."""
    found = stop.check_found_mm
    if found is None:
        return "not read", "read the port again at the force of the check"
    expected = stop.check_expected_mm
    seat = 0.0 if stop.check_seated else stop.check_fresh_mm - expected.value
    if expected.low is None or expected.high is None:
        return "not determined", "no interval: one lot only is on file"
    read = math.hypot((expected.high - expected.low) / 2, t95(math.inf) * CHECK_DOUBT_MM)
    away = found - expected.value - seat
    if abs(away) <= read:
        return "right", "leave it"
    way = "too far down" if away > 0 else "too high"
    unit = "Look at the unit of the reading first. " if abs(away) > UNLIKELY_MM else ""
    return "outside", (f"it stands {both_lengths(abs(away))} {way} for a right pad. {unit}Do not thin it: "
                       "press it hard three times, wait a minute, read again; then look for lint, a loose "
                       "stem or the wrong pad; then run padlab choose again with the new reading")


def corrected(stop: FittedStop) -> Wanted:
    """The loaded thickness that the stop asks for, after all that was read; and its standard uncertainty."""
    about = mark("from_fitting", f"valve {stop.valve} {stop.side}")
    half = None if stop.check_expected_mm.low is None or stop.check_expected_mm.high is None else (
        stop.check_expected_mm.high - stop.check_expected_mm.low) / 2
    known = stop.wanted_mm, stop.wanted_u_mm
    if stop.check_found_mm is not None and half is not None:
        first = stop.wanted_u_mm**2
        pad = max((half / t95(math.inf)) ** 2 - first, 0.0)
        gain = first / (first + pad + CHECK_DOUBT_MM**2)
        seat = 0.0 if stop.check_seated else stop.check_fresh_mm - stop.check_expected_mm.value
        away = stop.check_found_mm - stop.check_expected_mm.value - seat
        known = (stop.wanted_mm + (gain if stop.side == "down" else -gain) * away,
                 stop.wanted_u_mm * math.sqrt(1 - gain))
    doubtful = check_verdict(stop)[0] == "outside"
    return Wanted(known[0], known[1], stop.fitted_loaded_mm,
                  (about, mark("check_outside", about.about)) if doubtful else (about,))


def cut_again(fitted: Fitted) -> tuple[Instrument, TouchProfile, dict[Key, Wanted]]:
    """What :func:`padlab.decisions.choice.choose` needs for a replacement, without the instrument."""
    valves: dict[str, list[Stop]] = {}
    for s in fitted.stops:
        valves.setdefault(s.valve, []).append(Stop(
            s.side, 0.0, s.read_at_n, s.holding_n, s.material, None, s.fitted_loaded_mm, s.outer_mm,
            s.inner_mm, s.loaded_outer_mm, s.loaded_inner_mm, metal_clearance_mm=s.metal_clearance_mm))
    t = fitted.touch
    touch = TouchProfile(
        t.name, t.median_n, t.gsd, t.hold_median_s, t.hold_gsd, t.holding_n,
        None if t.recorded_n is None else tuple(t.recorded_n),
        None if t.recorded_s is None else tuple(t.recorded_s))
    instrument = Instrument(
        fitted.label, tuple(Valve(name, tuple(stops), ()) for name, stops in valves.items()), t.name,
        fitted.strokes_per_day, fitted.days_per_week, fitted.service_years, fitted.renew_limit_mm,
        fitted.temperature_c, fitted.wear_share)
    return instrument, touch, {(s.valve, s.side): corrected(s) for s in fitted.stops}


@dataclass(frozen=True)
class Due:
    """When the pad of a stop is to be renewed; dates are None where nothing is known of it."""

    label: str
    file: str
    fitted_on: date
    valve: str
    side: Side
    material: str
    on: date | None
    low: date | None
    high: date | None
    marks: tuple[Mark, ...]

    def to_json(self) -> dict[str, Any]:
        """An entry of ``due --json``."""
        def iso(day: date | None) -> str | None:
            return None if day is None else day.isoformat()

        return {"label": self.label, "file": self.file, "fitted_on": self.fitted_on.isoformat(),
                "valve": self.valve, "stop": self.side, "material": self.material,
                "due_on": None if self.on is None else {"value": iso(self.on), "low": iso(self.low),
                                                        "high": iso(self.high)},
                "marks": [m.to_json() for m in self.marks]}


def due(fittings: Sequence[tuple[Path, Fitted]]) -> list[Due]:
    """Every stop once, by its last fitting, the soonest first; those without a date at the end."""
    last: dict[tuple[str, str, str, str], tuple[Path, Fitted, FittedStop]] = {}
    for path, fitted in fittings:                      # in the order of their days
        for stop in fitted.stops:
            last[str(path.parent), instrument_name(path), stop.valve, stop.side] = (path, fitted, stop)
    rows = [_due(*one) for one in last.values()]
    return sorted(rows, key=lambda d: (d.on is None, d.on or d.fitted_on, d.label, d.valve, d.side))


def _due(path: Path, fitted: Fitted, stop: FittedStop) -> Due:
    marks = []
    years = stop.renew_years
    if years is None:
        marks.append(mark("no_wear_data", stop.material))
    elif years.low is None:
        marks.append(mark("only_service", stop.material))
    verdict, _ = check_verdict(stop)
    if verdict == "outside":
        marks.append(mark("check_outside", f"valve {stop.valve} {stop.side}"))
    elif verdict == "not read":
        marks.append(mark("check_not_read", f"valve {stop.valve} {stop.side}"))

    def after(years_on: float | None) -> date | None:
        if years_on is None:
            return None
        try:
            return fitted.fitted_on + timedelta(days=DAYS_A_YEAR * years_on)
        except OverflowError:
            return date.max

    return Due(fitted.label, str(path), fitted.fitted_on, stop.valve, stop.side, stop.material,
               None if years is None else after(years.value), None if years is None else after(years.low),
               None if years is None else after(years.high), tuple(marks))
