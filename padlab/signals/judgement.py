"""Was it a good run? Looked at as soon as it is over, while the pad still lies on the rig.

samples + what was asked -> findings; each has a mark that travels with the run and a remedy for
whoever stands there. What is found here was chosen so that a careful hand hardly ever hears it:
thresholds stand well outside what the virtual hand does (tests/unit/signals/test_judgement.py).

>>> t = np.arange(0, 10, 0.02)
>>> [f.mark.code for f in judge({"time_s": t, "temperature_c": 20 + 0.3 * t}, None)]
['temperature_moved']
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from padlab.marks import Mark, mark
from padlab.records.pad import F0_N
from padlab.signals.contact import crossing, force_zero
from padlab.signals.cycles import Press, common_peak, find_presses
from padlab.signals.seen import TAKEN_BACK, seen

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

PEAK_SHARE = 0.08
"""Strokes within this share of the common peak are the run's full strokes, as in the fit."""
TIME_RATIO = 1.8
"""A full stroke pressed 1.8 times slower or faster than the middle one is uneven; a careful hand stays
within 1.3. A felt that sinks 4 % per decade of time moves by 1 % between the two; design choice."""
FASTEST_MM_PER_S = 0.4
"""Twice the upper end of the bench speed of 0.1-0.2 mm/s."""
OVERSHOOT_SHARE, OVERSHOOT_N = 0.08, 0.3
"""As far over the asked force as makes a stroke poor in the capture."""
HOLD_OVERSHOOT = 0.12
"""A hold that began this far over its own level; design choice."""
HOLD_CV = 0.05
"""Coefficient of variation of the force in a hold over which its sinking is not to be trusted."""
WARMER_K = 1.0
"""One kelvin moves a bench frame by about a micrometre and a rubber pad's stiffness by about 1 %."""
LATE_S = 0.05
"""So much later may one instrument speak than the other before their skew is known; design choice [s]."""
MOVED_MM = 0.005
"""Steel on steel comes back to the micrometre; five are a slip of indicator or anvil; design choice."""


@dataclass(frozen=True)
class Finding:
    """One thing that is wrong with a run: the mark that stays with it, and what to do about it now."""

    mark: Mark
    remedy: str


def judge(samples: Mapping[str, Any] | pd.DataFrame, procedure: Mapping[str, Any] | None,
          attempts: Iterable[Any] = ()) -> tuple[Finding, ...]:
    """Judge a finished run.

    Parameters
    ----------
    samples : mapping of array (n,)
        ``time_s`` and, where recorded, ``force_n``, ``displacement_mm``, ``temperature_c``; a table of
        samples serves as it is. Linear in n.
    procedure : mapping or None
        As stored in a run; by it is known what was asked. None: nothing was asked.
    attempts : iterable of mapping, optional
        The attempts at its steps, as stored in a run: what was played freely, or kept under a locked
        press, is judged neither as a stroke nor as a hold; a press that was taken back neither as to its
        speed nor as to how still it was held.

    Returns
    -------
    tuple of Finding
        None where the run is good.
    """
    steps = list((procedure or {}).get("steps", ()))
    attempts = list(attempts)
    back = tuple((s.from_s, s.to_s) for s in seen(attempts) if s.reason == TAKEN_BACK)
    return tuple(_findings(samples, steps, str((procedure or {}).get("kind", "")), _freely(attempts), back))


def _freely(attempts: Iterable[Any]) -> tuple[tuple[float, float], ...]:
    """When nothing was asked of the force: played freely, or kept under a locked press [s]."""
    return tuple((s.from_s, s.to_s) for s in seen(attempts) if s.do in ("free", "keep"))


def _findings(samples: Mapping[str, Any] | pd.DataFrame, steps: list[dict[str, Any]],
              kind: str, free_s: tuple[tuple[float, float], ...],
              back_s: tuple[tuple[float, float], ...]) -> Iterator[Finding]:
    time = np.asarray(samples["time_s"], dtype=np.float64)
    if "temperature_c" in samples:
        yield from _temperature(time, np.asarray(samples["temperature_c"], dtype=np.float64))
    if "force_n" not in samples or time.size < 50:
        return
    force = np.asarray(samples["force_n"], dtype=np.float64)
    position = None
    if "displacement_mm" in samples:
        position = np.asarray(samples["displacement_mm"], dtype=np.float64)
    some = np.isfinite(force) if position is None else np.isfinite(force) & np.isfinite(position)
    time, force = time[some], force[some]
    position = None if position is None else position[some]
    zero = force_zero(force, np.zeros_like(force) if position is None else position)
    if zero.drifted:
        yield Finding(mark("zero_drifted", "force"), "let the cell warm up for ten minutes, see that nothing "
                      "touches it and the cable hangs free; then record the run again")
    if kind == "touch":
        return                                       # a player is not asked for anything
    net = force - zero.value_n
    presses = [p for p in find_presses(time, net)
               if not any(a <= time[p.peak] <= b for a, b in free_s)]
    # What was taken back is judged by its force alone: that the pad remembers.
    counted = [p for p in presses if not any(a <= time[p.peak] <= b for a, b in back_s)]
    if free_s or not any(s.get("do") in ("keep", "free") for s in steps):     # else: which are they?
        yield from _overshoot(presses, net, steps)
        yield from _holds(counted, time, net)
    yield from _speed(counted, time, net, position, kind)
    if position is not None and kind in ("blank", "check"):
        yield from _returned(presses, time, net, position)


def _temperature(time: Array, temperature: Array) -> Iterator[Finding]:
    some = np.isfinite(temperature)
    time, temperature = time[some], temperature[some]
    if time.size < 10:
        return
    pieces = np.array_split(temperature, min(24, max(2, time.size // 5)))
    levels = [float(np.median(p)) for p in pieces]
    moved = max(levels) - min(levels)
    if moved > WARMER_K:
        yield Finding(
            mark("temperature_moved", "run", f"the temperature moved by {moved:.1f} K during the run"),
            "keep lamps, draughts and warm hands off the rig, wait until the reading stands, record again")


def _overshoot(presses: list[Press], net: Array, steps: list[dict[str, Any]]) -> Iterator[Finding]:
    """Presses over all that was asked; holds that began over their level."""
    asked = max((float(s["to_n"]) for s in steps if s.get("to_n")), default=None)
    whole = [p for p in presses if p.complete and not p.is_hold]
    usual = asked or common_peak(np.array([p.peak_n for p in whole]), share=PEAK_SHARE)
    if usual is not None:
        most = max((p.peak_n for p in presses), default=0.0)
        if most > usual + max(OVERSHOOT_SHARE * usual, OVERSHOOT_N):
            meant = f"{asked:g} N was asked" if asked else f"most went to {usual:.1f} N"
            yield Finding(
                mark("overshot", "run", f"a press went to {most:.1f} N, {meant}"),
                "slow down before the end; a pad remembers its hardest press, so take a fresh one")
    for p in presses:
        if p.hold is None:
            continue
        a, b = p.hold
        level, top = float(np.median(net[a:b])), float(np.quantile(net[p.start:b], 0.999))
        if top > (1 + HOLD_OVERSHOOT) * level:
            yield Finding(
                mark("overshot", f"press {p.number}", f"the hold at {level:.1f} N began at {top:.1f} N"),
                "come to the force of a hold from below; let the pad rest for a minute, hold again")


def _holds(presses: list[Press], time: Array, net: Array) -> Iterator[Finding]:
    for p in presses:
        inside = _level_stretch(p, time, net)
        if inside is None:
            continue
        held = net[inside]
        variation = float(held.std() / held.mean())
        if variation > HOLD_CV:
            yield Finding(
                mark("hold_unsteady", f"press {p.number}",
                     f"the force of the hold wandered by {100 * variation:.0f} % (one standard deviation)"),
                "rest the elbow, or let a weight on the lever keep the force (procedure held-note)")


def _level_stretch(press: Press, time: Array, net: Array) -> slice | None:
    """The inside of a press that was meant to be held, however badly: mostly near its own level."""
    body = slice(press.start, press.stop)
    f = net[body]
    if f.size < 50:
        return None
    level = float(np.median(f[f > 0.5 * press.peak_n]))
    near = np.flatnonzero(np.abs(f - level) < 0.4 * level)
    a, b = press.start + int(near[0]), press.start + int(near[-1])
    lasted, whole = float(time[b] - time[a]), float(time[min(press.stop, time.size) - 1] - time[press.start])
    if lasted < 8.0 or lasted < 0.6 * whole or near.size < 0.7 * (b - a):
        return None
    edge = float(time[a]) + 1.0, float(time[b]) - 1.0
    return slice(int(np.searchsorted(time, edge[0])), int(np.searchsorted(time, edge[1])))


def _speed(presses: list[Press], time: Array, net: Array, position: Array | None,
           kind: str) -> Iterator[Finding]:
    whole = [p for p in presses if p.complete and not p.is_hold and not p.dips]
    usual = common_peak(np.array([p.peak_n for p in whole]), share=PEAK_SHARE)
    full = [p for p in whole if usual is not None and abs(p.peak_n / usual - 1) <= PEAK_SHARE]
    if len(full) < 3:
        return
    spent, speeds = [], []
    for p in full:
        reached = p.start + int(np.argmax(net[p.start:p.stop] >= 0.8 * p.peak_n))
        seconds = max(float(time[reached] - time[p.start]), 1e-6)
        spent.append(seconds)
        if position is not None:
            speeds.append(float(position[reached] - position[p.start]) / seconds)
    middle = float(np.median(spent))
    odd = max(max(spent) / middle, middle / min(spent))
    advice = "press evenly: count two seconds for the way down, two for the way up; record again"
    if odd > TIME_RATIO:
        yield Finding(
            mark("speed_uneven", "run",
                 f"strokes took {min(spent):.1f} to {max(spent):.1f} s to press, "
                 f"the middle one {middle:.1f} s"),
            advice)
    elif speeds and kind == "pad" and (speed := float(np.median(speeds))) > FASTEST_MM_PER_S:
        yield Finding(
            mark("speed_uneven", "run", f"pressed at {speed:.2f} mm/s, not 0.1 to 0.2 mm/s"), advice)


def _returned(presses: list[Press], time: Array, net: Array, position: Array) -> Iterator[Finding]:
    """Steel does not sink: the point where the force reaches F0 must stay where it was."""
    places, speeds = [], []
    for p in presses:
        a = max(p.start - 12, 0)
        if p.complete and (at := crossing(position[a:p.peak + 1], net[a:p.peak + 1], at_n=F0_N)) is not None:
            places.append(at)
            seconds = max(float(time[p.start] - time[a]), 1e-3)
            speeds.append(float(position[p.start] - position[a]) / seconds)
    # Two instruments tell of different moments: a press that comes faster seems to touch elsewhere.
    allowed = MOVED_MM + LATE_S * abs(speeds[-1] - speeds[0]) if speeds else MOVED_MM
    if len(places) >= 3 and abs(moved := places[-1] - places[0]) > allowed:
        yield Finding(
            mark("indicator_moved", "displacement",
                 f"contact lay {1000 * moved:+.0f} um from where it was at the start"),
            "tighten indicator, anvils and column, wipe the faces, and record it again")
