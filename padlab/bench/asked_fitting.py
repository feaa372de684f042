"""What was cut and fitted, as it was filled in on the page -> the dated file beside the instrument's.

The choice is the one that was made, as the cut list has it; :func:`padlab.decisions.instrument.fitted_of` and
:func:`padlab.records.fitted.write_fitted` do what ``padlab fitted`` does.
"""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

from padlab.bench.filled_in import Form
from padlab.bench.work import Work
from padlab.decisions.cut_rows import Choice, StopChoice
from padlab.decisions.instrument import Done, Key, check_verdict, fitted_of
from padlab.drift.touch import TouchProfile
from padlab.errors import InputError
from padlab.records.fitted import Fitted, write_fitted
from padlab.records.instruments_kept import FOLDER, keep_instrument
from padlab.units import MM_PER_THOU, both_lengths
from padlab.words import one_line

EARLIEST = 1900
"""What was fitted in an earlier year is mistyped."""


def chosen_by(work: Work) -> tuple[Choice, TouchProfile]:
    """The choice that a piece of work made.

    Raises
    ------
    InputError
        It made none.
    """
    if work.made is None or work.what != "choose":
        raise InputError("no pads were chosen by this work", expected="a cut list that is done",
                         seen=work.state)
    choice, touch = work.made.whole
    return choice, touch


def rows_of(choice: Choice) -> list[dict[str, Any]]:
    """One row a stop that has a cut, for the page."""
    return [{"name": f"stop.{n}", "valve": one_line(stop.valve), "side": stop.side, "stocks": _stocks(stop),
             "best": None if stop.best is None else stop.best.material,
             "cut": "" if stop.best is None else f"{stop.best.cut_thou:g}thou",
             "lot": "" if stop.best is None or stop.best.sheet is None else one_line(stop.best.sheet.lot),
             "check": "" if stop.best is None else _check(stop)}
            for n, stop in enumerate(choice.stops) if _stocks(stop)]


def _stocks(stop: StopChoice) -> list[str]:
    return [c.material for c in ([] if stop.best is None else [stop.best]) + list(stop.others)]


def _check(stop: StopChoice) -> str:
    assert stop.best is not None
    check = stop.best.checks[0]
    q = check.expected_mm
    between = "" if q.low is None or q.high is None else \
        f", {q.low / MM_PER_THOU:+z.1f} to {q.high / MM_PER_THOU:+z.1f} (95 %),"
    return f"a right pad reads {q.value / MM_PER_THOU:+z.1f} thou{between} at {check.at_n:.3g} N"


def keep_fitting(sent: dict[str, Any], work: Work, shelf: Path) -> dict[str, Any]:
    """Write the fitting beside the instrument's file, which is kept too where it is not on the shelf yet.

    Returns
    -------
    The name of the new file, and of each stop what the check says.

    Raises
    ------
    InputError
        ``where["mistakes"]`` lists every field that cannot be read; a stock that was not offered there,
        nothing fitted at all, a folder that cannot be written.
    """
    choice, touch = chosen_by(work)
    form = Form(sent)
    done = _done(form, choice)
    on = _day(form)
    note = form.text("note") or None
    form.refuse()
    kept = fitted_of(choice, touch, done, on=on, shelf=str(shelf), note=note)
    name = work.options["kept"] or keep_instrument(shelf, work.options["text"], choice.instrument.label)
    path = write_fitted(kept, shelf / FOLDER / name)
    return {"file": f"{FOLDER}/{path.name}", "stops": told(kept)}


def _done(form: Form, choice: Choice) -> Done:
    stock: dict[Key, str] = {}
    cut: dict[Key, float] = {}
    lot: dict[Key, str] = {}
    check: dict[Key, float] = {}
    skipped: set[Key] = set()
    for row in rows_of(choice):
        stop = choice.stops[int(row["name"].removeprefix("stop."))]
        key, name = (stop.valve, stop.side), row["name"]
        if form.sent.get(f"{name}.fitted") is not True:
            skipped.add(key)
            continue
        if typed := form.text(f"{name}.stock"):
            stock[key] = typed
        if typed := form.text(f"{name}.lot"):
            lot[key] = typed
        if (length := form.quantity(f"{name}.cut", "length", 0.05, 20)) is not None:
            cut[key] = length
        if (length := form.quantity(f"{name}.check", "length", -5, 5)) is not None:
            check[key] = length
    # A stop for which no stock has a cut was not fitted by this list.
    offered = {(s.valve, s.side) for s in choice.stops if _stocks(s)}
    skipped |= {(s.valve, s.side) for s in choice.stops} - offered
    return Done(stock, cut, lot, check, frozenset(skipped), form.sent.get("seated") is True)


def _day(form: Form) -> date:
    typed, today = form.text("on"), datetime.now(UTC).date()
    if not typed:
        return today
    try:
        found = date.fromisoformat(typed) if re.fullmatch(r"\d{4}-\d\d-\d\d", typed, re.ASCII) else None
    except ValueError:
        found = None
    if found is None or found.year < EARLIEST:
        form.mistakes.append(f"on: a date such as 2026-11-29, seen {typed[:40]}")
    elif found > today + timedelta(days=1):                # it may be tomorrow already where somebody is
        form.mistakes.append(f"on: that day has not come yet, seen {typed[:40]}")
    return found or today


def told(kept: Fitted) -> list[dict[str, str]]:
    """Each stop in a line, with what the check says and what to do."""
    lines = []
    for s in kept.stops:
        verdict, what = check_verdict(s)
        found = "" if s.check_found_mm is None else f", read {s.check_found_mm / MM_PER_THOU:+z.1f} thou"
        lines.append({
            "words": one_line(f"valve {s.valve}, {s.side} stop: {s.material}, {both_lengths(s.cut_mm)}"
                              f"{found}: {verdict}" + ("" if verdict == "right" else f"; {what}")),
            "look": "good" if verdict == "right" else "poor" if verdict == "outside" else ""})
    return lines
