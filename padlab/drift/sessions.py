"""What recorded sessions say of a player's touch, and whether they say enough.

    Session, Session, ... --summary_of()--> Summary

A session is the unit of replication, as a lot is for a stock: strokes of one piece resemble each other,
so that many strokes of one afternoon say little of another day. The median of this player is the mean of
the sessions' medians (log scale) with Student's t over sessions; with fewer than three it has no interval.

Within a session strokes are taken in stretches of ten (moving-block bootstrap; Kuensch, Annals of
Statistics 17, 1989), so that a loud passage is not counted as many independent strokes.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.calibration.channels import calibration_marks
from padlab.drift.touch import Strokes, find_strokes
from padlab.errors import InputError, RunError
from padlab.marks import Mark, mark
from padlab.records.calibration import calibrations_of
from padlab.records.run import Run
from padlab.statistics.quantity import Quantity, t95, to_json

Array = NDArray[np.float64]

SHARES = {"q05": 0.05, "q25": 0.25, "q50": 0.50, "q75": 0.75, "q95": 0.95}
ENOUGH_STROKES, ENOUGH_SESSIONS = 200, 3
"""So many strokes, from so many pieces or days, stand for a player (design choice)."""
BLOCK, DRAWS, SEED = 10, 2000, 20_261_128
LOGNORMAL_P = 0.05
"""A lognormal is offered where the strokes do not speak against it at this level."""
NOT_USED = (0.0, 0.0)
FEWEST = 20
"""Strokes that a session must have to be compared with another."""


@dataclass(frozen=True)
class Session:
    """One recording of a finger; ``label`` is its note, or its id."""

    run: str
    label: str
    strokes: Strokes
    median_n: Quantity                  # of this session's strokes, serial likeness kept
    marks: tuple[Mark, ...]

    def to_json(self) -> dict[str, Any]:
        """Its entry of ``by_session``."""
        return {"run": self.run, "label": self.label, "strokes": self.strokes.count,
                "median_n": to_json(self.median_n),
                "median_duration_s": float(np.median(self.strokes.duration_s))}


@dataclass(frozen=True)
class Ratio:
    """How many times as hard session ``a`` was as ``b`` (medians), with a joint 95 % over all pairs."""

    a: str
    b: str
    ratio: Quantity

    @property
    def told_apart(self) -> bool:
        """Whether the one was harder than the other, in these two recordings."""
        low, high = self.ratio.low, self.ratio.high
        return low is not None and high is not None and not low <= 1.0 <= high

    def to_json(self) -> dict[str, Any]:
        """Its entry of ``pairs``."""
        return {"a": self.a, "b": self.b, "ratio": to_json(self.ratio), "told_apart": self.told_apart}


@dataclass(frozen=True)
class Summary:
    """All strokes of all sessions; forces are finger forces [N]."""

    sessions: tuple[Session, ...]
    plateau_n: dict[str, float]
    plateau_time_weighted_n: dict[str, float]
    duration_s: dict[str, float]
    rate_n_per_s: dict[str, float] | None
    median_n: Quantity                  # of the player: over sessions
    session_gsd: float | None           # geometric standard deviation of the sessions' medians
    gsd: float | None                   # of the strokes, where a lognormal describes them
    pairs: tuple[Ratio, ...]
    marks: tuple[Mark, ...]

    @property
    def strokes(self) -> int:
        """How many, in all."""
        return sum(s.strokes.count for s in self.sessions)

    @property
    def enough(self) -> bool:
        """Whether it may stand for the player."""
        return self.strokes >= ENOUGH_STROKES and len(self.sessions) >= ENOUGH_SESSIONS

    def to_json(self) -> dict[str, Any]:
        """The answer of ``padlab touch --json``."""
        return {
            "strokes": self.strokes, "sessions": len(self.sessions), "plateau_n": self.plateau_n,
            "plateau_time_weighted_n": self.plateau_time_weighted_n, "duration_s": self.duration_s,
            "rate_n_per_s": self.rate_n_per_s, "median_n": to_json(self.median_n),
            "session_gsd": self.session_gsd, "gsd": self.gsd, "enough": self.enough,
            "by_session": [s.to_json() for s in self.sessions], "pairs": [p.to_json() for p in self.pairs],
            "marks": [m.to_json() for m in self.marks]}


def session_of(run: Run) -> Session:
    """The strokes of one touch run.

    Raises
    ------
    RunError
        Not a touch run, no force, or no stroke in it.
    """
    run.need(kinds=("touch",), columns=("time_s", "force_n"), by="touch")
    force = run.samples["force_n"].to_numpy(float)
    strokes = find_strokes(run.samples["time_s"].to_numpy(float), force)
    if strokes.count == 0:
        raise RunError(f"touch run {run.id} has no stroke", expected="presses over 1 N of at least 30 ms",
                       seen="none", remedy="record ordinary playing", where={"run": run.id})
    drawn = np.quantile(_log_medians(strokes.plateau_n, seed=SEED), (0.025, 0.975))
    median = Quantity(float(np.median(strokes.plateau_n)), *(float(v) for v in np.exp(drawn)))
    seen = (float(np.nanmin(force)), float(np.nanmax(force)))
    rig = calibration_marks(run, calibrations_of(run), force_n=seen, displacement_mm=NOT_USED)
    marks = (*run.marks, *rig)
    return Session(run.id, run.note or run.id, strokes, median, marks)


def summary_of_runs(runs: Sequence[Run]) -> Summary:
    """What touch runs say together, in the order in which they were recorded; those set aside are left out.

    Raises
    ------
    InputError
        There is none.
    RunError
        One that cannot be read as a touch.
    """
    used = [run for run in runs if not run.set_aside]
    if not used:
        raise InputError("no touch run is there", expected="a run of kind touch",
                         seen=", ".join(run.id for run in runs)[:200] or "none",
                         remedy="padlab capture touch-cap touch --out SHELF records one")
    return summary_of([session_of(run) for run in sorted(used, key=lambda r: r.start_utc)])


def summary_of(sessions: Sequence[Session]) -> Summary:
    """What the sessions say together; at least one.

    Every stroke counts once in ``plateau_n``; in ``plateau_time_weighted_n`` for as long as it lasted.
    """
    plateau, duration, rate = (np.concatenate([getattr(s.strokes, name) for s in sessions])
                               for name in ("plateau_n", "duration_s", "rate_n_per_s"))
    rate = rate[np.isfinite(rate)]
    median, session_gsd = player_median([s.median_n.value for s in sessions])
    marks = [m for s in sessions for m in s.marks]
    if plateau.size < ENOUGH_STROKES:
        marks.append(mark("few_touch_strokes", "touch", f"{plateau.size} strokes: {ENOUGH_STROKES} or more "
                          "stand for a player"))
    if len(sessions) < ENOUGH_SESSIONS:
        marks.append(mark("few_sessions", "touch"))
    return Summary(
        tuple(sessions), _quantiles(plateau), weighted_quantiles(plateau, duration), _quantiles(duration),
        _quantiles(rate) if rate.size else None, median, session_gsd, _gsd(plateau), ratios(sessions),
        tuple(dict.fromkeys(marks)))


def player_median(medians_n: Sequence[float]) -> tuple[Quantity, float | None]:
    """The player's usual press over sessions [N], and the geometric standard deviation between them."""
    logs = np.log(medians_n)
    centre = float(np.exp(np.mean(logs)))
    if logs.size < 2:
        return Quantity(centre), None
    spread = float(np.std(logs, ddof=1))
    if logs.size < ENOUGH_SESSIONS:
        return Quantity(centre), math.exp(spread)
    half = t95(logs.size - 1) * spread / math.sqrt(logs.size)
    return Quantity(centre, centre * math.exp(-half), centre * math.exp(half)), math.exp(spread)


def weighted_quantiles(values: Array, weights: Array) -> dict[str, float]:
    """The least value under which (with it) so much of the weight lies.

    >>> weighted_quantiles(np.array([6.0, 3.0, 14.0, 7.0, 5.0]), np.array([.47, .26, .375, .87, .32]))["q50"]
    7.0
    """
    order = np.argsort(values, kind="stable")
    share = np.cumsum(weights[order]) / np.sum(weights)
    at = {name: int(np.searchsorted(share, q - 1e-12)) for name, q in SHARES.items()}
    return {name: float(values[order[min(i, values.size - 1)]]) for name, i in at.items()}


def _quantiles(values: Array) -> dict[str, float]:
    return {name: float(np.quantile(values, q)) for name, q in SHARES.items()}


def _log_medians(plateau_n: Array, *, seed: int) -> Array:
    """Logarithms of medians of the session drawn anew (DRAWS,): stretches of strokes, end joined to begin."""
    rng = np.random.default_rng(seed)
    n, length = plateau_n.size, min(BLOCK, plateau_n.size)
    begins = rng.integers(0, n, size=(DRAWS, -(-n // length)))
    at = (begins[:, :, None] + np.arange(length)) % n
    return np.asarray(np.log(np.median(plateau_n[at.reshape(DRAWS, -1)[:, :n]], axis=1)))


def _gsd(plateau_n: Array) -> float | None:
    """Geometric standard deviation, where the distance of Kolmogorov and Smirnov allows a lognormal.

    Both parameters are estimated, so that the distance is held against drawn ones (scipy's
    ``goodness_of_fit``), not against the table for known parameters.
    """
    from scipy import stats

    logs = np.log(plateau_n)
    if logs.size < FEWEST or float(np.ptp(logs)) == 0.0:
        return None
    found = stats.goodness_of_fit(stats.norm, logs, statistic="ks", n_mc_samples=999,
                                  rng=np.random.default_rng(SEED))
    return float(np.exp(np.std(logs, ddof=1))) if found.pvalue >= LOGNORMAL_P else None


def ratios(sessions: Sequence[Session]) -> tuple[Ratio, ...]:
    """Every two sessions of at least 20 strokes."""
    from scipy import special

    able = [s for s in sessions if s.strokes.count >= FEWEST]
    drawn = [_log_medians(s.strokes.plateau_n, seed=SEED + k) for k, s in enumerate(able)]
    count = len(able) * (len(able) - 1) // 2
    found = []
    for i in range(len(able)):
        for j in range(i + 1, len(able)):
            value = able[i].median_n.value / able[j].median_n.value
            # Bonferroni: all pairs together at 95 %.
            half = -float(special.ndtri(0.025 / count)) * float(np.std(drawn[i] - drawn[j]))
            interval = Quantity(value, value * math.exp(-half), value * math.exp(half))
            found.append(Ratio(able[i].run, able[j].run, interval))
    return tuple(found)
