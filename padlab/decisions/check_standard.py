"""What checks the rig (a steel spring) or the gauge (a steel ring): its readings over time, and has it moved?

A lot that reads softer on a rig that has moved is not a softer lot. The readings of the last day are held
against those before with a prediction interval at 99 % (Student's t); what is smaller than a rig commonly
knows of itself is left alone.

>>> read = [("05-01", 19.9), ("06-01", 20.0), ("07-01", 20.1), ("08-01", 20.0), ("09-01", 18.8)]
>>> seen = moved(read, unit="N/mm")
>>> seen.day, seen.checks, round(seen.share, 3)
('09-01', 4, -0.06)
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy import stats

from padlab.decisions.lots_over_time import Chart, chart_of, day_of, spring_rate_n_per_mm
from padlab.errors import RunError
from padlab.records.gauge import readings_of
from padlab.records.run import Run
from padlab.units import both_lengths
from padlab.words import one_line, shortened

LEVEL = 0.99
FEWEST_BEFORE = 3
SMALLEST = {"N/mm": 0.005, "mm": 0.001}
"""Smallest change that is told: a rate by a two-hundredth (the doubt that a rig file commonly states for its
two scales), a thickness by 1 um (design choices)."""


@dataclass(frozen=True)
class Moved:
    """The last day's readings against those before, where they differ by more than chance."""

    day: str
    value: float
    before: float
    checks: int
    unit: str

    @property
    def share(self) -> float:
        """Relative change."""
        return self.value / self.before - 1

    @property
    def words(self) -> str:
        """In a sentence."""
        way = "above" if self.value > self.before else "below"
        if self.unit == "mm":
            return (f"on {self.day} it reads {both_lengths(abs(self.value - self.before))} {way} the mean of "
                    f"its {self.checks} earlier readings, more than chance explains: the gauge has moved, or "
                    "the ring was changed")
        return (f"on {self.day} it reads {self.value:.2f} N/mm, {100 * abs(self.share):.1f} % {way} the mean "
                f"of its {self.checks} earlier checks, more than chance explains: the rig has moved, or the "
                "spring was changed")


@dataclass(frozen=True)
class CheckStandard:
    """The check standard up to the day of the judged lot."""

    about: str                     # what it is, in words
    unit: str
    chart: Chart                   # its points are labelled with their days
    moved: Moved | None

    @property
    def last_day(self) -> str:
        """Day of its last reading."""
        return self.chart.points[-1].label


def check_standard(checks: Iterable[Run], *, by_gauge: bool, rigs: Sequence[str], until: str,
                   ) -> CheckStandard | None:
    """The check standard that goes with the judged lot; None where none is on file.

    Parameters
    ----------
    checks : iterable of Run
        Check runs, and gauge readings of steel rings, of any rig.
    by_gauge : bool
        Whether a gauge measured the lot, or a rig.
    rigs : sequence of str
        The rig of each run that measured the lot: another rig's spring says nothing of it. The one that
        measured most counts.
    until : str
        The day of the lot; what came later is another certificate's.
    """
    dated = sorted(((day_of(r.start_utc), r) for r in checks), key=lambda d: (d[0], d[1].start_utc, d[1].id))
    in_time = [(day, run) for day, run in dated if day <= until]
    if by_gauge:
        rings: dict[tuple[str, str], list[tuple[str, float]]] = {}
        for day, run in in_time:
            if run.gauge is not None:
                mean = float(np.mean([r.thickness_mm for r in readings_of(run)]))
                rings.setdefault((run.gauge.material, run.gauge.lot), []).append((day, mean))
        if not rings:
            return None
        # Two rings are two charts; the one that was read last goes with this lot.
        (_, name), values = max(rings.items(), key=lambda item: (item[1][-1][0], len(item[1]), item[0]))
        about = f"steel ring under the gauge ({shortened(one_line(name), 40)})"
        return CheckStandard(about, "mm", chart_of(values), moved(values, unit="mm"))
    rig = max(sorted(Counter(rigs).items()), key=lambda item: item[1])[0] if rigs else None
    values = []
    for day, run in in_time:
        if run.kind == "check" and (rig is None or run.rig is None or run.rig.name == rig):
            try:
                values.append((day, spring_rate_n_per_mm(run)))
            except RunError:                        # a check of one instrument alone has no rate
                continue
    if not values:
        return None
    about = "rate of the steel spring" + ("" if rig is None else f" on rig {shortened(one_line(rig), 40)}")
    return CheckStandard(about, "N/mm", chart_of(values), moved(values, unit="N/mm"))


def moved(values: Sequence[tuple[str, float]], *, unit: str) -> Moved | None:
    """How the last day's readings differ from the earlier ones; None: not, or too few came before."""
    if not values:
        return None
    day = values[-1][0]
    now = np.array([v for label, v in values if label == day])
    before = np.array([v for label, v in values if label != day])
    if before.size < FEWEST_BEFORE:
        return None
    away = abs(float(now.mean() - before.mean()))
    chance = float(stats.t.ppf((1 + LEVEL) / 2, before.size - 1) * before.std(ddof=1)
                   * math.sqrt(1 / now.size + 1 / before.size))
    least = SMALLEST[unit] * (float(before.mean()) if unit == "N/mm" else 1.0)
    if away <= max(chance, least):
        return None
    return Moved(day, float(now.mean()), float(before.mean()), int(before.size), unit)
