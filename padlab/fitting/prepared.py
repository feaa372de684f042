"""A run made ready for fitting: force from its zero, position without the frame's give, presses sorted."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.calibration.frame import Frame
from padlab.errors import FitError
from padlab.records.pad import F0_N
from padlab.records.run import Run
from padlab.signals.contact import ForceZero, crossing, force_zero
from padlab.signals.cycles import Press, common_peak, find_presses
from padlab.signals.reading_steps import reading_step
from padlab.signals.seen import TAKEN_BACK, seen

Array = NDArray[np.float64]

SPIKE_N, SPIKE_MM = 0.1, 0.02
STEPS = 1.5
"""A jump of so many of the reading's own steps is more than the next step."""
HOLE = 8.0
"""A step of time so many times the usual one is a hole in the readings."""
STILL_SHARE = 0.1
MISSING = "readings are missing in it"
SLIP_BESIDE = 4
"""Readings on either side of a jump that tell how the position moves anyway."""
FEWEST_SAMPLES = 12
"""Fewest readings on a limb of a stroke that is used."""
WORKING_IN = 3
FEWEST_CLEAN = 3
PEAK_SHARE = 0.08
"""A full stroke ends within 8 % of the common peak: a hand's scatter is 2-3 %. The curve is used up
to the lowest peak, so a peak's height touches only the top of the unloading limb."""
NOT_LET_GO_N = 0.08
"""A pad that was not let go before a stroke keeps part of its memory: that stroke runs stiffer.

On virtual wool felt a touch of 0-0.2 N left on makes the give 1-2 % too small.
"""
APART = {"keep": "kept", "free": "played"}
"""Steps in which the force is nobody's: a locked press, free playing."""
LEFT_OUT = "left out"
ENDURED = "endurance"
"""The label of strokes that only wear."""
SPEED_RATIO = 3.0
"""Hand-driven strokes are allowed within x/÷3 of the median speed (design choice)."""


@dataclass(frozen=True)
class Stroke:
    """A full stroke with what was decided about it."""

    press: Press
    role: str                      # working-in | recorded | small | hold | kept | played | endured | left out
    reason: str
    loading_s: float
    speed_mm_per_s: float


@dataclass(frozen=True)
class Prepared:
    """Arrays on one axis, (n,): time, net force, position with the frame's give taken off.

    ``spikes`` counts readings that stood alone far from their neighbours and were replaced by the
    median of five; ``holes`` the stretches in which readings are missing, on the run's axis [s];
    ``reading_steps`` the steps that the readings of force [N] and position [mm] stand on, None: none seen.
    """

    time_s: Array
    force_n: Array
    position_mm: Array
    zero: ForceZero
    position_noise_mm: float
    strokes: tuple[Stroke, ...]
    peak_n: float | None
    spikes: int = 0
    holes: tuple[tuple[float, float], ...] = ()
    reading_steps: tuple[float | None, float | None] = (None, None)

    def role(self, role: str) -> list[Stroke]:
        """The strokes of that role, in order."""
        return [s for s in self.strokes if s.role == role]

    def loaded_to(self, force_n: float, press: Press) -> float | None:
        """Position where the loading limb of a press reaches a force [mm]; None where it does not."""
        limb = slice(max(press.start - 12, 0), press.peak + 1)
        return crossing(self.position_mm[limb], self.force_n[limb], at_n=force_n)

    @cached_property
    def f0_places_mm(self) -> list[float]:
        """Where the recorded strokes reach F0, in the order of time; thickness, seating and set all ask."""
        recorded = sorted((s.press for s in self.role("recorded")), key=lambda p: p.number)
        found = (self.loaded_to(F0_N, press) for press in recorded)
        return [place for place in found if place is not None]


def prepare(run: Run, frame: Frame) -> Prepared:
    """Zero, frame and presses of a run of kind ``pad``, ``blank`` or ``check``."""
    table = run.samples
    time = table["time_s"].to_numpy(dtype=np.float64)
    force = table["force_n"].to_numpy(dtype=np.float64)
    position = table["displacement_mm"].to_numpy(dtype=np.float64)
    for name, values in (("time_s", time), ("force_n", force), ("displacement_mm", position)):
        if not np.all(np.isfinite(values)):
            row = int(np.flatnonzero(~np.isfinite(values))[0])
            raise FitError(f"run {run.id} has a reading that is not a number", expected="finite numbers",
                           seen=f"{name} in row {row + 1}",
                           where={"run": run.id, "column": name, "row": row + 1})
    # A reading that goes to the next step and comes back is no spike, nor a slip.
    reading_steps = reading_step(force), reading_step(position)
    force_step, position_step = (STEPS * (step or 0.0) for step in reading_steps)
    force, force_spikes = without_spikes(force, least=max(SPIKE_N, force_step))
    position, position_spikes = without_spikes(position, least=max(SPIKE_MM, position_step))
    zero = force_zero(force, position)
    net = force - zero.value_n
    if net.size and float(np.quantile(net, 0.99)) < F0_N < -float(np.quantile(net, 0.01)):
        raise FitError(f"the force of run {run.id} falls where the pad is pressed",
                       expected="force + in compression", seen=f"down to {float(net.min()):.1f} N",
                       where={"run": run.id},
                       remedy="import it again with the unit -N, or turn the sign in the rig file")
    position = position - frame.deflection_mm(net)
    presses = find_presses(time, net)
    holes = _holes(time)
    slips = slips_at(time, position, least=max(SPIKE_MM, position_step))
    strokes, peak = sort_presses(presses, time, net, position, holes, set_apart(run.steps), slips,
                                 (force_step / STEPS, max(position_step / STEPS, 2 * _noise_mm(position))))
    return Prepared(time, net, position, zero, _noise_mm(position), tuple(strokes), peak,
                    force_spikes + position_spikes, holes, reading_steps)


def need_strokes(prepared: Prepared) -> None:
    """Refuse a run without a usable recorded stroke, and say why most were left out.

    Raises
    ------
    FitError
    """
    if prepared.role("recorded"):
        return
    reasons = Counter(s.reason for s in prepared.strokes if s.role == "left out")
    most = "".join(f"; {n} of them: {reason}" for reason, n in reasons.most_common(1))
    raise FitError("no usable full stroke",
                   expected="at least one full stroke from under F0 to a common peak",
                   seen=f"{len(prepared.strokes)} presses, none of them usable{most}",
                   remedy="record it again: press slowly to the same force, let go fully each time")


def set_apart(attempts: Iterable[Any]) -> list[tuple[float, float, str]]:
    """When the presses of a run are no strokes of its curve: from, to [s], and what they are instead.

    Of an endurance test the strokes after the last hundreds make the curve; all from the working-in on
    up to there are the way to it.
    """
    found = seen(attempts)
    apart = [(s.from_s, s.to_s, LEFT_OUT if s.reason == TAKEN_BACK else APART[s.do]) for s in found
             if s.reason == TAKEN_BACK or s.do in APART]
    if endured := [s.to_s for s in found if s.good and s.label == ENDURED]:
        worked_in = [s.to_s for s in found if s.good and s.label == "working-in"]
        apart.append((max((t for t in worked_in if t < endured[-1]), default=0.0), endured[-1], "endured"))
    return apart


def without_spikes(values: Array, *, least: float) -> tuple[Array, int]:
    """Replace readings that stand alone; returns the cleaned readings and how many there were.

    A reading is a spike where it differs from the median of the five about it by more than twelve
    times the noise and more than ``least`` (Hampel's filter), and by more than four times what the
    readings beyond its neighbours move: a ramp, however steep, and the sharp turn of a quick press
    are no spikes.
    """
    if values.size < 5:
        return values, 0
    five = np.lib.stride_tricks.sliding_window_view(np.pad(values, 2, mode="edge"), 5)
    middle = np.median(five, axis=1)
    away = np.abs(values - middle)
    usual = 1.4826 * float(np.median(np.abs(np.diff(values, 3)))) / np.sqrt(20.0)
    beyond = np.maximum(np.abs(five[:, 1] - five[:, 0]), np.abs(five[:, 4] - five[:, 3]))
    spike = away > np.maximum(np.maximum(12 * usual, least), 4 * beyond)
    return np.where(spike, middle, values), int(spike.sum())


def slips_at(time: Array, position: Array, *, least: float) -> Array:
    """Where the position jumped from one reading to the next and stayed there: index of the reading after.

    A slip of the pad or of the indicator, as against a press: there the readings beside move alike. It is
    over ``least``, twelve times the noise, and four times the quickest of the readings beside.
    """
    move = np.diff(position)
    if move.size < 2 * SLIP_BESIDE + 1:
        return np.zeros(0, dtype=np.intp)
    wide = np.lib.stride_tricks.sliding_window_view(np.pad(move, SLIP_BESIDE), 2 * SLIP_BESIDE + 1)
    usual = 1.4826 * float(np.median(np.abs(np.diff(position, 3)))) / np.sqrt(20.0)
    far = np.flatnonzero(np.abs(move) > max(least, 12 * usual))
    beside = np.abs(np.delete(wide[far], SLIP_BESIDE, axis=1)).max(axis=1, initial=0.0)
    whole = np.diff(time)[far] <= HOLE / 2 * np.median(np.diff(time))
    return np.asarray(far[(np.abs(move[far]) > 4 * beside) & whole] + 1)


def _holes(time: Array) -> tuple[tuple[float, float], ...]:
    """Stretches without readings: steps of time over eight times the usual one."""
    step = np.diff(time)
    if step.size < 10:
        return ()
    at = np.flatnonzero(step > HOLE * np.median(step))
    return tuple((float(time[i]), float(time[i + 1])) for i in at)


def sort_presses(presses: list[Press], time: Array, net: Array, position: Array,
                 holes: tuple[tuple[float, float], ...],
                 apart: Sequence[tuple[float, float, str]] = (),
                 slips: Array | None = None,
                 steps: tuple[float, float] | None = None) -> tuple[list[Stroke], float | None]:
    """Which press is what: the common peak decides what a full stroke is, the order does the rest.

    ``apart`` are the times in which no stroke and no hold was asked for, with the role of what is there;
    ``slips`` where the position jumped; ``steps`` as of :func:`stood_still`.
    """
    roles = {p.number: role for p in presses for a, b, role in apart if a <= time[p.peak] <= b}
    whole = [p for p in presses if p.complete and not p.is_hold and p.number not in roles]
    peak = common_peak(np.array([p.peak_n for p in whole]), share=PEAK_SHARE)
    strokes: list[Stroke] = []
    for p in presses:
        loading = float(time[p.peak] - time[p.start])
        travel = float(position[p.peak] - position[p.start])
        speed = travel / loading if loading > 0 else np.inf
        role, reason = (roles[p.number], "") if p.number in roles else _role(p, peak)
        reason = TAKEN_BACK if role == LEFT_OUT and p.number in roles else reason
        last = min(p.stop, time.size) - 1
        if p.number not in roles and role != "left out" and any(
                a < time[last] and b > time[p.start] for a, b in holes):
            role, reason = "left out", MISSING
        elif p.number not in roles and role != "left out" and (
                jumped := _jumps_within(p.start, last, force=net, slips=slips)) is not None:
            jump = 1000 * float(position[jumped] - position[jumped - 1])
            role, reason = "left out", f"the position jumped by {jump:.0f} um at {net[jumped]:.1f} N"
        elif role == "full" and steps is not None and (still := stood_still(p, net, position, steps)):
            role, reason = "left out", still
        elif role == "full" and min(p.peak - p.start, p.stop - p.peak) < FEWEST_SAMPLES:
            role, reason = "left out", f"fewer than {FEWEST_SAMPLES} readings on a limb"
        strokes.append(Stroke(p, role, reason, loading, speed))
    # Full strokes of an alien speed are left out, but a whole run at one odd speed is not.
    full = [s for s in strokes if s.role == "full"]
    usual = float(np.median([s.loading_s for s in full])) if full else 0.0
    pressed = {s.press.number: _floor_before(s.press, strokes, net) for s in full}
    # Strokes begun under a resting finger are left out, but only where enough others remain.
    clean = sum(1 for s in full[WORKING_IN:] if pressed[s.press.number] <= NOT_LET_GO_N)
    strict = clean >= FEWEST_CLEAN
    out: list[Stroke] = []
    seen = 0
    for s in strokes:
        if s.role != "full":
            out.append(s)
            continue
        seen += 1
        role, reason = ("working-in" if seen <= WORKING_IN and len(full) > WORKING_IN else "recorded"), ""
        if role == "recorded" and not usual / SPEED_RATIO <= s.loading_s <= usual * SPEED_RATIO:
            role, reason = "left out", f"pressed in {s.loading_s:.1f} s, the others in {usual:.1f} s"
        elif role == "recorded" and strict and pressed[s.press.number] > NOT_LET_GO_N:
            role, reason = "left out", f"not let go before it: {pressed[s.press.number]:.2f} N were left on"
        out.append(replace(s, role=role, reason=reason))
    return out, peak


def _jumps_within(first: int, last: int, *, force: Array, slips: Array | None) -> int | None:
    """The first slip of a press that was on the pad."""
    inside = [] if slips is None else [int(i) for i in slips if first < i <= last and force[i] > F0_N]
    return inside[0] if inside else None


def _stands_still(shown: Array, other: Array, step: float) -> bool:
    """Whether readings stay at their end, within a step, while the other quantity goes on.

    At the end of an indicator's travel, or over the end of a cell's scale: over a tenth of the other's way
    passes so, and a quarter of what the same way brought just before would be over two steps. (A coarse dial
    stands, too, and a pad stiffens.)
    """
    still = shown >= shown.max() - 1.01 * step
    last = still.size - int(np.argmax(still[::-1]))
    moved = np.flatnonzero(~still[:last])
    first = int(moved[-1]) + 1 if moved.size else 0
    passed = float(np.ptp(other[first:last]))
    if passed <= STILL_SHARE * float(np.ptp(other)):
        return False
    before = np.abs(other[:first] - other[first]) <= passed
    brought = float(shown[first] - shown[:first][before].min()) if before.any() else 0.0
    return brought / 4 > 2 * max(step, 1e-9)


def stood_still(press: Press, force: Array, position: Array, steps: tuple[float, float]) -> str:
    """What stood still in a press, in words; empty where nothing did.

    ``steps``: how far readings of force [N] and position [mm] move that stand still.
    """
    down, whole = slice(press.start, press.peak + 1), slice(press.start, press.stop)
    if press.peak - press.start < FEWEST_SAMPLES or press.is_hold:
        return ""
    if _stands_still(position[down], force[down], steps[1]):
        return "the indicator stood still while the force rose: at the end of its travel?"
    if _stands_still(force[whole], position[whole], steps[0]):
        return f"the force stood still at {press.peak_n:.2f} N while the pad was pressed on"
    return ""


def _floor_before(press: Press, strokes: list[Stroke], net: Array) -> float:
    """Lowest force between the peak before and this one's [N]."""
    before = [s.press.peak for s in strokes if s.press.number < press.number]
    return float(net[max(before) if before else 0 : press.peak + 1].min())


def _role(p: Press, peak: float | None) -> tuple[str, str]:
    if not p.complete:
        return "left out", f"does not begin and end under F0 = {F0_N} N"
    if p.is_hold:
        return "hold", ""
    if p.dips:
        return "left out", "pressed more than once without letting go"
    if peak is None:
        return "left out", "no common peak force"
    if abs(p.peak_n / peak - 1) <= PEAK_SHARE:
        return "full", ""
    if p.peak_n < peak * 0.8:
        return "small", ""
    return "left out", f"peak {p.peak_n:.2f} N, the others {peak:.2f} N"


def _noise_mm(position: Array) -> float:
    """Noise of one position reading from third differences [mm]."""
    if position.size < 8:
        return 0.0
    third = np.diff(position, 3)
    return float(1.4826 * np.median(np.abs(third)) / np.sqrt(20.0))
