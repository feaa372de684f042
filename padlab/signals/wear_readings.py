"""Strokes of an endurance run -> readings of the pad over its service, few, evenly spread over the decades.

What stroke k tells on its way up is the pad after k - 1 strokes. Ten readings a decade, each the mean of all
sound strokes in it; strokes 4 to 10 stand for the beginning, for three work the pad in, as everywhere.

Where the procedure has rests, readings are also what the pad was just before each rest and in the first
stroke after it, so that what comes back is told from what lasts, as a night tells it in readings that were
written down. Then the beginning is the first rest: rested is held to rested.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from padlab.errors import RunError
from padlab.records.stroke_log import read_strokes

if TYPE_CHECKING:
    import pandas as pd

    from padlab.records.run import Run

Array = NDArray[np.float64]

FROM, TO = 4, 10
"""Strokes that stand for the beginning."""
A_DECADE = 10
NEEDED = ("stroke", "time_s", "duration_s", "at_f0_mm", "rest_s", "readings", "longest_step_s")
FEWEST_READINGS = 6
LONGEST_HOLE = 0.25
"""A stroke with a step of time over this share of it has a hole; it is counted and not read."""
SHARE_OF_REST = 0.9
"""A pause of nine tenths of the asked rest is that rest, as in a capture by hand."""
LONG_REST_S = 20 * 3600.0
"""A pause of this length is told as it was: it is the night that readings are taken after."""
BEFORE_REST = 10
"""Strokes before a rest whose mean is what the rest began with."""
WORKED_IN = 20
"""A rest after no more strokes than these is the end of working in: strokes are counted from it."""
SECONDS_A_DAY = 86400.0


def wear_readings(run: Run) -> pd.DataFrame:
    """The readings of an endurance run, as any wear run has them.

    Returns
    -------
    pandas.DataFrame
        ``strokes``, ``days``, ``thickness_mm``; ``rest_s`` where the procedure has rests. Linear in the
        number of strokes, memory for one part of them.

    Raises
    ------
    RunError
        No endurance run, strokes that are damaged, or a pad without thickness.
    """
    if run.endurance is None or run.pad is None or run.pad.thickness_mm is None:
        raise RunError(f"run {run.id} has no strokes to read", expected="an endurance run of a pad whose "
                       "thickness is known", seen=f"kind {run.kind}", where={"run": run.id})
    parts = read_strokes(run.folder, run.endurance.get("parts", {}), NEEDED)
    return readings_of(parts, thickness_mm=run.pad.thickness_mm, rest_s=asked_rest_s(run.procedure))


def count_of(run: Run) -> int:
    """How many strokes an endurance run has counted."""
    last = 0.0
    for part in read_strokes(run.folder, (run.endurance or {}).get("parts", {}), ("stroke",)):
        last = float(part["stroke"][-1]) if part["stroke"].size else last
    return int(last)


def asked_rest_s(procedure: dict[str, Any] | None) -> float | None:
    """The shortest rest that a procedure asks for [s]; None where it asks for none."""
    steps = (procedure or {}).get("steps") or []
    rests = [float(s["seconds"]) for s in steps if s.get("do") == "away" and s.get("seconds")]
    return min(rests, default=None)


def readings_of(parts: Iterable[dict[str, Array]], *, thickness_mm: float, rest_s: float | None = None,
                ) -> pd.DataFrame:
    """Readings from strokes, part after part; see :func:`wear_readings`."""
    import pandas as pd

    sums: dict[int, Array] = {}                    # by place in the decades: count, strokes, time, place
    rested: list[tuple[float, float, float, float]] = []
    tired: deque[float] = deque(maxlen=BEFORE_REST)
    for part in parts:
        sound = (np.isfinite(part["at_f0_mm"]) & (part["readings"] >= FEWEST_READINGS)
                 & ~(part["longest_step_s"] > LONGEST_HOLE * part["duration_s"]) & (part["stroke"] >= FROM))
        stroke, time, place, rest = (part[c][sound] for c in ("stroke", "time_s", "at_f0_mm", "rest_s"))
        group = np.where(stroke <= TO, -1, np.floor(A_DECADE * np.log10(np.maximum(stroke, 1)) + 1e-9))
        _add(sums, group.astype(np.int64), np.column_stack([np.ones(stroke.size), stroke - 1, time, place]))
        if rest_s is not None:
            _rests(stroke, time, place, rest, rest_s, tired, rested)
    rows = []
    for key, (count, strokes, time, place) in sorted(sums.items()):
        rows.append((0.0 if key == -1 else strokes / count, time / count, place / count, 0.0))
    rows = sorted([*rows, *rested], key=lambda r: (r[0], r[3]))
    table = np.array(rows).reshape(len(rows), 4)
    start_mm = table[0, 2] if len(rows) else np.nan              # its own thickness was read at the beginning
    found = pd.DataFrame({"strokes": table[:, 0], "days": table[:, 1] / SECONDS_A_DAY,
                          "thickness_mm": thickness_mm - (table[:, 2] - start_mm)})
    if rest_s is not None and rested:
        found["rest_s"] = table[:, 3]
    return found


def _add(sums: dict[int, Array], group: NDArray[np.int64], values: Array) -> None:
    if not group.size:
        return
    keys, back = np.unique(group, return_inverse=True)
    for k, key in enumerate(keys.tolist()):
        sums[key] = sums.get(key, np.zeros(values.shape[1])) + values[back == k].sum(axis=0)


def _rests(stroke: Array, time: Array, place: Array, rest: Array, rest_s: float, tired: deque[float],
           rested: list[tuple[float, float, float, float]]) -> None:
    """What the pad was before each rest and after it."""
    after = np.flatnonzero(rest >= SHARE_OF_REST * rest_s)
    begin = 0
    for i in after.tolist():
        tired.extend(place[max(begin, i - BEFORE_REST):i].tolist())
        if tired:
            done = float(stroke[i] - 1) if stroke[i] > WORKED_IN + 1 else 0.0
            rested.append((done, float(time[i] - rest[i]), float(np.mean(tired)), 0.0))
            paused = float(rest[i]) if rest[i] >= LONG_REST_S else rest_s
            rested.append((done, float(time[i]), float(place[i]), paused))
        tired.clear()
        begin = i
    tired.extend(place[max(begin, stroke.size - BEFORE_REST):].tolist())
