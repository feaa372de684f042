"""Several blank runs -> the give of the bare frame, with what it changes by from run to run.

u_b^2 = u_fit^2 + s_between^2 (1 + 1/n): the next run's frame will differ from the mean of these as
they differ from each other.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from padlab.calibration.frame import (
    BlankCurves,
    blank_curves,
    channel_calibrations,
    in_scale,
    spread_mm,
)
from padlab.errors import RunError
from padlab.marks import Mark, mark
from padlab.records.calibration import Calibration, FrameTable
from padlab.records.described import RUN_ID
from padlab.records.pad import F0_N
from padlab.records.run import Run
from padlab.statistics.quantity import with_doubt

Array = NDArray[np.float64]

ENOUGH_RUNS = 5
AT_N = (0.5, 1.0, 2.0, 3.5, 5.0, 8.0, 12.5, 15.0, 20.0)


@dataclass(frozen=True)
class Compliance:
    """The frame of a rig from its blank runs."""

    table: FrameTable
    residual_sd_mm: float                # of one stroke about the mean of its run
    runs: tuple[str, ...]
    marks: tuple[Mark, ...]


def compliance(blanks: Sequence[Run]) -> Compliance:
    """Mean give of the frame over net force, from F0 up, over blank runs of one rig.

    Raises
    ------
    RunError
        Fewer than two runs, runs of several rigs, or a run that cannot serve.
    """
    if len(blanks) < 2:
        raise RunError("too few blank runs", expected=f"{ENOUGH_RUNS} blank runs, 2 at least",
                       seen=str(len(blanks)), remedy="padlab capture RIG blank --out SHELF records one")
    rigs = sorted({run.rig.name if run.rig else "recorded elsewhere" for run in blanks})
    if len(rigs) != 1:
        raise RunError("the blank runs are of several rigs", expected="runs of one rig", seen=", ".join(rigs))
    scales = {tuple(sorted(channel_calibrations(run))) for run in blanks}
    if len(scales) != 1:
        raise RunError("the blank runs are read through different calibrations",
                       expected="the same ones of force and displacement for all",
                       seen="; ".join(sorted(", ".join(s) or "none" for s in scales))[:200],
                       remedy="padlab remake RUN... --calibration ID gives them the same")
    curves = [blank_curves(run) for run in blanks]
    top = min(c.top_n for c in curves)
    grid = np.concatenate([[0.0], np.linspace(F0_N, top, 40)])
    means = np.array([c.on(grid).mean(axis=0) for c in curves])
    n = len(curves)
    even = all(c.amounts is not None for c in curves)
    between = spread_mm(means, even=even)
    within = np.array([_standard_error(c, grid) for c in curves])
    fitted = np.sqrt(np.sum(within**2, axis=0)) / n
    doubt = np.sqrt(fitted**2 + between**2 * (1 + 1 / n))
    mean = means.mean(axis=0)
    if not even:
        mean = np.asarray(optimize.isotonic_regression(mean).x)
    left = np.concatenate([(c.on(grid) - m)[:, 2:].ravel() for c, m in zip(curves, means, strict=True)])
    free = sum(len(c.strokes) - 1 for c in curves) * (grid.size - 2)
    table = FrameTable(tuple(grid.tolist()), tuple(mean.tolist()), tuple(doubt.tolist()), n - 1)
    few = mark("few_blanks", "frame", f"{n} blank runs: {ENOUGH_RUNS} are wanted")
    marks = (few,) if n < ENOUGH_RUNS else ()
    return Compliance(table, float(math.sqrt(left @ left / free)), tuple(run.id for run in blanks), marks)


def made_from(blanks: Sequence[Run]) -> dict[str, Any]:
    """What a compliance calibration remembers of its runs, to read them again in another scale."""
    return {"runs": {r.id: r.raw_sha256 for r in blanks},
            "channel_calibrations": sorted(channel_calibrations(blanks[0]))}


def table_in_scale(given: Calibration, shelf: Path, wanted: tuple[str, ...]) -> FrameTable | None:
    """A frame's table read through the calibrations of the run that it serves.

    Its give is taken off that run's positions: both must come from the same scale. Where the blank runs
    were read through others, they are read again. None where they are not on the shelf as they were:
    then nobody knows what the table would be in that scale.
    """
    if given.made_from.get("channel_calibrations") == sorted(wanted):
        return given.frame
    runs = given.made_from.get("runs")
    folder = shelf / "runs"
    if not isinstance(runs, dict) or not runs or not all(
            RUN_ID.fullmatch(name) and (folder / name).is_dir() for name in runs):
        return None
    return _read_again(shelf, tuple(runs), json.dumps(runs, sort_keys=True), wanted)


@lru_cache(maxsize=64)
def _read_again(shelf: Path, names: tuple[str, ...], as_made: str, wanted: tuple[str, ...],
                ) -> FrameTable | None:
    """Raw readings and calibrations are never rewritten, so that this need be done once only."""
    from padlab.records.shelf import Shelf

    blanks = [Shelf(shelf).open(name) for name in names]
    if json.dumps({r.id: r.raw_sha256 for r in blanks}, sort_keys=True) != as_made:
        return None
    return compliance([in_scale(blank, wanted) for blank in blanks]).table


def compliance_answer(found: Compliance) -> dict[str, Any]:
    """What ``padlab calibrate compliance --json`` prints, but for the id."""
    force, give = np.array(found.table.force_n), np.array(found.table.deflection_mm)
    doubt = np.array(found.table.standard_uncertainty_mm)
    at = [f for f in AT_N if f <= force[-1]]
    return {
        "at": [{"force_n": f, "deflection_mm": with_doubt(
            float(np.interp(f, force, give)), float(np.interp(f, force, doubt)),
            degrees_of_freedom=found.table.degrees_of_freedom).to_json()} for f in at],
        "residual_sd_mm": found.residual_sd_mm,
        "to_n": float(force[-1]),
        "runs": list(found.runs),
        "marks": [m.to_json() for m in found.marks],
    }


def _standard_error(curves: BlankCurves, grid: Array) -> Array:
    """Of the mean of a run's strokes (m,)."""
    stack = curves.on(grid)
    return spread_mm(stack, even=curves.amounts is not None) / math.sqrt(len(stack))
