"""The give of the frame: what the rig itself moves under force, taken off every position.

From the rig file's stated compliance, or better from a blank run (anvil on anvil).

>>> frame = Frame.from_compliance(0.05e-3, 0.03e-3)
>>> round(float(frame.deflection_mm(np.array([10.0]))[0]) * 1e3, 3)
0.5
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import optimize, special

from padlab.errors import RunError
from padlab.records.calibration import FrameTable, calibrations_of
from padlab.records.pad import F0_N
from padlab.records.rig_record import RigRecord
from padlab.records.run import Run
from padlab.signals.contact import force_zero
from padlab.signals.cycles import find_presses

Array = NDArray[np.float64]

ZERO_TO_N = 6.0
FEWEST_NEAR = 6
CLOSES_N = 1.0
"""Net force over F0 at which half of a contact of bare anvils has closed (design choice)."""
ODD = 0.01
"""How seldom a frame that closes and bends evenly is taken for one that does not."""


@dataclass(frozen=True)
class Frame:
    """Deflection and its standard uncertainty on a grid of net force, 0 at 0 N; linear between."""

    force_n: Array
    deflection: Array
    uncertainty: Array | None
    source: str                          # "rig file" | "blank RUN" | "calibration ID" | "none"
    bare_at_f0_mm: float | None = None   # indicator reading on the bare anvils at F0, from the blank
    bare_u_mm: float | None = None       # its standard uncertainty
    own: Array | None = None             # the part of the uncertainty that each run has anew
    measured_to_n: float | None = None   # blank runs know the frame up to here; None: as stated, anywhere
    degrees_of_freedom: float = math.inf         # of the uncertainty; few blank runs leave few
    scale_unsure: bool = False           # whether it may stand in another scale than the run's positions
    blank_aside: str | None = None       # why the blank run that the run names was set aside; None: it stands

    @property
    def is_measured(self) -> bool:
        """Whether blank runs measured it; else it is what a rig file says, or nothing."""
        return self.source not in ("rig file", "none")

    def deflection_mm(self, force_n: Array) -> Array:
        """Deflection at net force [mm]; held constant beyond the grid's ends."""
        return np.asarray(np.interp(force_n, self.force_n, self.deflection))

    def uncertainty_mm(self, force_n: Array) -> Array | None:
        """Its standard uncertainty [mm], or None where it is not known."""
        if self.uncertainty is None:
            return None
        return np.asarray(np.interp(force_n, self.force_n, self.uncertainty))

    def parts_mm(self, force_n: Array) -> tuple[Array, Array] | None:
        """Standard uncertainties [mm]: what runs of this frame share, what each has anew; None: unknown."""
        total = self.uncertainty_mm(force_n)
        if total is None:
            return None
        own = np.zeros_like(total) if self.own is None else np.interp(force_n, self.force_n, self.own)
        return np.sqrt(np.maximum(total**2 - own**2, 0.0)), np.asarray(own)

    @classmethod
    def from_compliance(cls, compliance_mm_per_n: float, uncertainty_mm_per_n: float | None) -> Frame:
        """A straight frame, as the rig file states it."""
        grid = np.array([0.0, 1000.0])
        doubt = None if uncertainty_mm_per_n is None else grid * uncertainty_mm_per_n
        return cls(grid, grid * compliance_mm_per_n, doubt, "rig file")

    @classmethod
    def unknown(cls) -> Frame:
        """No frame known: nothing is taken off, and its doubt is not known."""
        grid = np.array([0.0, 1000.0])
        return cls(grid, np.zeros(2), None, "none")


def stated_frame(rig: RigRecord | None) -> Frame:
    """The frame as the run's rig record states it."""
    if rig is None:
        return Frame.unknown()
    return Frame.from_compliance(rig.frame_compliance_mm_per_n, rig.frame_compliance_uncertainty_mm_per_n)


Blanks = dict[tuple[Path, str, str | None, tuple[str, ...]], Frame]
"""Frames of blank runs read already: by shelf, blank run, rig and calibrations of the run that is served."""


def frame_of(run: Run, blanks: Blanks | None = None) -> Frame:
    """The frame of a run: from its compliance calibration, from its blank run, else as stated.

    Both are looked for on the run's own shelf. Where a run names both, the calibration gives the
    deflection (it knows what changes from run to run) and the blank run the bare anvils' reading.
    ``blanks``: of runs that are fitted together many name one blank run; it is read once and put there.

    Raises
    ------
    RunError
        The run names a blank run or a calibration that is not on its shelf, or that cannot serve.
    """
    if run.blank is None:
        return _frame_of(run, None)
    known = {} if blanks is None else blanks
    key = (run.folder.parent.parent, run.blank, None if run.rig is None else run.rig.name, run.calibrations)
    if key not in known:
        bare = _blank_of(run)
        known[key] = replace(frame_from_blank(bare), blank_aside=bare.set_aside)
    return replace(_frame_of(run, known[key]), blank_aside=known[key].blank_aside)


def _frame_of(run: Run, blank: Frame | None) -> Frame:
    given = next((c for c in reversed(calibrations_of(run)) if c.frame is not None), None)
    if given is not None and given.frame is not None:
        from padlab.calibration.compliance import table_in_scale

        bare = (None, None) if blank is None else (blank.bare_at_f0_mm, blank.bare_u_mm)
        table = table_in_scale(given, run.folder.parent.parent, channel_calibrations(run))
        return replace(frame_from_table(table or given.frame, given.id, *bare), scale_unsure=table is None)
    return stated_frame(run.rig) if blank is None else blank


def _blank_of(run: Run) -> Run:
    """The blank run that a run names, from its own shelf."""
    from padlab.records.shelf import Shelf

    shelf = Shelf(run.folder.parent.parent)
    folder = shelf.folder / "runs" / str(run.blank)
    if not folder.is_dir():
        raise RunError(
            f"the blank run {run.blank} that belongs to run {run.id} is missing",
            expected=f"{folder}", seen="no such folder",
            remedy="copy the blank run's folder onto this shelf too, or name another blank run of this rig: "
                   f"padlab remake {run.id} --blank RUN",
            where={"run": run.id, "blank": run.blank})
    blank = shelf.open(str(run.blank))
    check_blank(blank, run.rig, run.id)
    return in_scale(blank, channel_calibrations(run))


def check_blank(blank: Run, rig: RigRecord | None, run_id: str) -> None:
    """Refuse a blank run of another rig.

    Raises
    ------
    RunError
        The two rigs have different names.
    """
    if blank.rig is not None and rig is not None and blank.rig.name != rig.name:
        raise RunError(f"blank run {blank.id} is of another rig than run {run_id}",
                       expected=f"rig {rig.name}", seen=f"rig {blank.rig.name}",
                       where={"run": run_id, "blank": blank.id},
                       remedy="record a blank run of this rig: padlab capture RIG blank --out SHELF")


def channel_calibrations(run: Run) -> tuple[str, ...]:
    """The calibrations that make a run's scale: those of its force and its displacement."""
    return tuple(c.id for c in calibrations_of(run) if c.kind in ("force", "displacement"))


def in_scale(blank: Run, wanted: tuple[str, ...]) -> Run:
    """The blank run read through the calibrations of the run that it serves.

    Its give is taken off that run's positions: both must come from the same scale.
    """
    from padlab.records.raw_log import read_raw
    from padlab.signals.merge import samples_from_raw

    if blank.rig is None or channel_calibrations(blank) == wanted:
        return blank
    kept = tuple(c.id for c in calibrations_of(blank) if c.kind not in ("force", "displacement"))
    again = replace(blank, calibrations=(*kept, *wanted))
    return replace(again, _samples=samples_from_raw(again, read_raw(again)))


def frame_from_table(table: FrameTable, name: str, bare_at_f0_mm: float | None = None,
                     bare_u_mm: float | None = None) -> Frame:
    """The frame of a compliance calibration."""
    doubt = np.array(table.standard_uncertainty_mm)
    # u^2 = u_fit^2 + s^2 (1 + 1/n): the 1 is the next run's own frame, and nearly all of it.
    runs = table.degrees_of_freedom + 1
    return Frame(np.array(table.force_n), np.array(table.deflection_mm), doubt, f"calibration {name}",
                 bare_at_f0_mm, bare_u_mm=bare_u_mm, own=doubt * math.sqrt(runs / (runs + 1)),
                 measured_to_n=float(table.force_n[-1]), degrees_of_freedom=table.degrees_of_freedom)


@dataclass(frozen=True)
class BlankCurves:
    """Loading limbs of one blank run: for each stroke net force and position from F0.

    Bare anvils move by a micrometre or so, hardly more than one reading scatters. Read place by place that
    scatter would be taken for what the frame does, and a stiffness, which is a slope, would be in doubt by
    how it happens to jump from one place to the next. So a contact that closes and what bends evenly are
    followed (``amounts`` of the two in each stroke), and only an odd frame is read place by place.
    """

    strokes: tuple[tuple[Array, Array], ...]
    amounts: tuple[Array, ...] | None    # None: an odd frame
    top_n: float                         # lowest peak
    bare_at_f0_mm: float
    bare_u_mm: float

    def on(self, grid: Array) -> Array:
        """Every stroke on a grid of net force (m,), shape (strokes, m); 0 up to F0."""
        if self.amounts is not None:
            return np.array([_even(grid) @ amounts for amounts in self.amounts])
        return np.array([np.where(grid < F0_N, 0.0, np.interp(grid, f, x)) for f, x in self.strokes])


def _even(force_n: Array) -> Array:
    """A contact that closes and what bends evenly, each 0 up to F0 (m, 2)."""
    over = np.maximum(force_n - F0_N, 0.0)
    return np.column_stack([over / (over + CLOSES_N), over])


def _odd(force_n: Array) -> Array:
    """Contacts that close sooner and later, and what bends more and more (m, 6): do these help?"""
    over = np.maximum(force_n - F0_N, 0.0)
    return np.column_stack([*(over / (over + half) for half in (0.3, 1.0, 3.0, 10.0)), over, over**2])


def _amounts(strokes: list[tuple[Array, Array]]) -> tuple[Array, ...] | None:
    """How much of each of the two ways of giving there is in each stroke; where F0 lies is left open.

    None where more ways leave so much less that an F test speaks against the two.
    """
    amounts: list[Array] = []
    left, free = [0.0, 0.0], [0, 0]
    for force, position in strokes:
        for k, ways in enumerate((_even(force), _odd(force))):
            design = np.column_stack([np.ones_like(force), ways])
            found, *_ = np.linalg.lstsq(design, position, rcond=None)
            left[k] += float(np.sum((position - design @ found) ** 2))
            free[k] += force.size - design.shape[1]
            if k == 0:
                amounts.append(np.asarray(found[1:]))
    more = free[0] - free[1]
    if free[1] < more or left[1] <= 0:
        return tuple(amounts)
    ratio = (left[0] - left[1]) / more / (left[1] / free[1])
    return None if special.fdtrc(more, free[1], ratio) < ODD else tuple(amounts)


def spread_mm(curves: Array, *, even: bool) -> Array:
    """Standard deviation of curves (n, m) that are 0 at first (m,); of even ones step by step, added up.

    A stiffness takes its doubt from the slope of this, a position from its height: so the slope is as
    uncertain as the curves' slopes differ, and the height at least as much as they do.
    """
    if not even:
        return np.asarray(curves.std(axis=0, ddof=1))
    return np.concatenate([[0.0], np.cumsum(np.diff(curves, axis=1).std(axis=0, ddof=1))])


def blank_curves(blank: Run) -> BlankCurves:
    """The loading limbs of a blank run.

    Raises
    ------
    RunError
        No blank run, or fewer than three whole strokes in it.
    """
    blank.need(kinds=("blank",), columns=("time_s", "force_n", "displacement_mm"), by="frame")
    force = blank.samples["force_n"].to_numpy(dtype=np.float64)
    position = blank.samples["displacement_mm"].to_numpy(dtype=np.float64)
    net = force - force_zero(force, position).value_n
    presses = [p for p in find_presses(blank.samples["time_s"].to_numpy(dtype=np.float64), net)
               if p.complete and not p.is_hold]
    strokes, bare, peaks = [], [], []
    for p in presses:
        a = max(p.start - 12, 0)
        x, f = position[a : p.peak + 1], net[a : p.peak + 1]
        zero = _at_f0(x, f)
        if zero is None:
            continue
        order = np.argsort(f, kind="stable")
        width = max(f.size // 40, 1)
        ends = np.arange(0, f.size, width)
        mean_f = np.add.reduceat(f[order], ends) / np.diff(np.append(ends, f.size))
        mean_x = np.add.reduceat(x[order], ends) / np.diff(np.append(ends, f.size))
        loaded = mean_f > F0_N
        strokes.append((np.append(F0_N, mean_f[loaded]), np.append(0.0, mean_x[loaded] - zero)))
        bare.append(zero)
        peaks.append(p.peak_n)
    if len(strokes) < 3:
        raise RunError(f"blank run {blank.id} has too few strokes", expected="at least 3 whole strokes",
                       seen=str(len(strokes)), remedy="record a blank run again", where={"run": blank.id})
    amounts = _amounts([(f[1:], x[1:]) for f, x in strokes])
    return BlankCurves(tuple(strokes), amounts, min(peaks), float(np.mean(bare)), float(np.std(bare, ddof=1)))


def _at_f0(position_mm: Array, force_n: Array) -> float | None:
    """Position at F0 of a limb on bare anvils [mm]; None where too little was seen near it.

    Metal on metal is so stiff that one sample lies in the air and the next at a newton: between
    them the anvil travels micrometres, and nothing can be read there. So the loaded samples up to
    6 N are followed down: a straight frame and a contact that closes (Hertz: force to the 2/3).
    """
    near = (force_n > F0_N) & (force_n <= ZERO_TO_N)
    if near.sum() < FEWEST_NEAR:
        return None
    f = force_n[near]
    basis = np.column_stack([np.ones(f.size), f - F0_N, f ** (2 / 3) - F0_N ** (2 / 3)])
    found, *_ = np.linalg.lstsq(basis, position_mm[near], rcond=None)
    return float(found[0])


def frame_from_blank(blank: Run) -> Frame:
    """Deflection of the bare anvils, from the loading limbs of one blank run.

    Position over force, from F0, averaged over the strokes on a common grid. Its doubt is the
    stroke-to-stroke standard deviation (:func:`spread_mm`) with (1 + 1/n) under the root: the next stroke
    will differ from the mean as these do. Below F0 the deflection is taken as 0. What changes from run to
    run one run cannot know: ``padlab calibrate compliance`` asks several.
    """
    curves = blank_curves(blank)
    grid = np.concatenate([[0.0], np.linspace(F0_N, curves.top_n, 40)])
    stack = curves.on(grid)
    n = len(stack)
    mean = stack.mean(axis=0)
    if curves.amounts is None:
        mean = np.asarray(optimize.isotonic_regression(mean).x)
    own = spread_mm(stack, even=curves.amounts is not None)
    return Frame(grid, mean, own * np.sqrt(1 + 1 / n), f"blank {blank.id}", curves.bare_at_f0_mm,
                 bare_u_mm=curves.bare_u_mm, own=own, measured_to_n=curves.top_n, degrees_of_freedom=n - 1)
