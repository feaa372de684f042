"""Runs on a steel spring -> how much later the displacement is seen than the force.

The lag of one run is found by :mod:`padlab.signals.skew`, on the very times that
:mod:`padlab.signals.merge` will use when it takes the skew off again.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.errors import RunError
from padlab.marks import Mark, mark
from padlab.records.calibration import Skew
from padlab.records.raw_log import read_raw
from padlab.records.run import Run
from padlab.signals.merge import TARGET_S, instrument_times, reading_to_value
from padlab.signals.skew import SkewEstimate, spring_skew
from padlab.statistics.quantity import Quantity, with_doubt

Array = NDArray[np.float64]


@dataclass(frozen=True)
class SkewFound:
    """The displacement's instrument lags the force's by so much [s]; names are None for a table."""

    late: str | None
    early: str | None
    skew_s: float
    standard_uncertainty_s: float | None
    degrees_of_freedom: int
    runs: tuple[tuple[str, float], ...]          # (run, its own lag [s])
    marks: tuple[Mark, ...]

    @property
    def quantity(self) -> Quantity:
        """With its 95 % interval."""
        return with_doubt(self.skew_s, self.standard_uncertainty_s,
                          degrees_of_freedom=max(self.degrees_of_freedom, 1))

    def stored(self) -> Skew:
        """As a calibration keeps it.

        Raises
        ------
        RunError
            Of a table nobody knows whose clock it was; without stretches there is no doubt to keep.
        """
        if self.late is None or self.early is None or self.standard_uncertainty_s is None:
            raise RunError("this skew cannot be kept",
                           expected="a recording of two instruments with several presses",
                           seen="a table recorded elsewhere" if self.late is None else "too few presses",
                           remedy="press the spring for a minute; or give no --out")
        return Skew(self.late, self.early, self.skew_s, self.standard_uncertainty_s, self.degrees_of_freedom)


def skew_of(runs: Sequence[Run]) -> SkewFound:
    """The skew of one rig from one or more runs on a spring.

    Of several runs the mean is taken; its doubt is their scatter or what they say of themselves,
    whichever is larger.

    Raises
    ------
    RunError
        No run on a spring, runs of several rigs, one instrument for both.
    FitError
        Nothing moves, or no lag fits.
    """
    if not runs:
        raise RunError("no run on a spring", expected="runs of kind check", seen="none")
    rigs = sorted({r.rig.name if r.rig else "recorded elsewhere" for r in runs})
    if len(rigs) != 1:
        raise RunError("the runs are of several rigs", expected="runs of one rig", seen=", ".join(rigs))
    both = [_series(run) for run in runs]
    names = {(early, late) for early, late, *_ in both}
    if len(names) != 1:
        raise RunError("the runs are of several rigs", expected="the same two instruments",
                       seen=", ".join(sorted(f"{a} and {b}" for a, b in names)))
    estimates = [spring_skew(*arrays) for _, _, *arrays in both]
    value, u, nu = _mean(estimates)
    marks = []
    if u is None or u > TARGET_S:
        marks.append(mark("skew_uncertain", "skew",
                          "too few presses to judge it by" if u is None
                          else f"the skew is known to {1e3 * u:.1f} ms; {1e3 * TARGET_S:g} ms are wanted"))
    early, late = both[0][:2]
    return SkewFound(late, early, value, u, nu,
                     tuple((r.id, e.skew_s) for r, e in zip(runs, estimates, strict=True)), tuple(marks))


def skew_answer(found: SkewFound) -> dict[str, Any]:
    """What ``padlab calibrate skew --json`` prints, but for the id."""
    return {"instrument": found.late, "against": found.early, "skew_s": found.quantity.to_json(),
            "runs": [{"run": run, "skew_s": lag} for run, lag in found.runs],
            "marks": [m.to_json() for m in found.marks]}


def _mean(estimates: Sequence[SkewEstimate]) -> tuple[float, float | None, int]:
    """Mean, its standard uncertainty and degrees of freedom."""
    lags = np.array([e.skew_s for e in estimates])
    n = len(lags)
    said = [e.standard_uncertainty_s for e in estimates if e.standard_uncertainty_s is not None]
    own = None if len(said) < n else math.sqrt(sum(u * u for u in said)) / n
    value = float(lags.mean())
    if n == 1:
        return value, own, estimates[0].degrees_of_freedom
    scatter = float(lags.std(ddof=1)) / math.sqrt(n)
    if own is not None and own >= scatter:
        return value, own, sum(e.degrees_of_freedom for e in estimates)
    return value, scatter, n - 1


def _series(run: Run) -> tuple[str | None, str | None, Array, Array, Array, Array]:
    """Names of the instruments of force and displacement; time and value of each."""
    run.need(kinds=("check",), columns=(), by="calibrate skew")
    if run.rig is None:
        run.need(kinds=("check",), columns=("force_n", "displacement_mm"), by="calibrate skew")
        time, force, place = (run.samples[c].to_numpy(dtype=np.float64)
                              for c in ("time_s", "force_n", "displacement_mm"))
        return None, None, time, force, time, place
    raw = read_raw(run)
    times = instrument_times(run, raw)
    found: dict[str, tuple[str, Array, Array]] = {}
    for instrument in run.rig.instruments:
        for channel in instrument.channels:
            if channel.quantity in ("force", "displacement") and instrument.name in times:
                time, value = times[instrument.name], reading_to_value(channel, raw[instrument.name])
                before = np.concatenate([[-np.inf], np.maximum.accumulate(time)[:-1]])
                rising = time > before
                found.setdefault(channel.quantity, (instrument.name, time[rising], value[rising]))
    missing = [q for q in ("force", "displacement") if q not in found]
    if missing:
        raise RunError(f"run {run.id} has no {missing[0]}", expected="force and displacement",
                       seen=", ".join(found) or "neither", where={"run": run.id})
    (early, t_force, force), (late, t_place, place) = found["force"], found["displacement"]
    if early == late:
        raise RunError(f"run {run.id} has one instrument for both", expected="two instruments",
                       seen=early, remedy="there is no skew to find", where={"run": run.id})
    return early, late, t_force, force, t_place, place
