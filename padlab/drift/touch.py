"""A player's touch: how hard and how long the finger presses, and what of it reaches the pad.

A :class:`TouchProfile` is one of the presets, a touch file, or a recorded run of kind ``touch``.
:func:`net_strokes` turns it into the strokes that a stop feels: net pad forces and times, all of
equal weight (by stroke), in the same order every time.

>>> touch = preset("medium")
>>> strokes = net_strokes(touch)
>>> strokes.set_net_n, round(strokes.not_bottomed_share, 4), round(strokes.cut_off_share, 4)
(3.5, 0.027, 0.0015)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.errors import FileFormatError, InputError, RunError, UnitError
from padlab.records.forms import read_toml
from padlab.records.pad import F0_N
from padlab.records.run import Run
from padlab.units import parse_quantity

Array = NDArray[np.float64]

CUT_OFF_NET_N = 17.5
"""A preset's lognormal tail ends here: harder is no touch of a player, and no pad is tested there."""

LIGHT_PRESS_N, HARD_PRESS_N = 3.0, 15.0
"""Finger forces of a light and a hard press, between which the give is counted."""

RESTING_FINGER_N = 1.0
"""The up stop is lightened by a resting finger, uniform between 0 and this (design choice)."""

REST_MEDIAN_S, REST_GSD = 1.0, 5.0
"""Time since the last stroke at the up stop, where none was recorded (design choice)."""

FORCES, HOLDS = 2000, 50
"""Size of the grid that decides; a coarser one serves for how numbers move with their doubts."""


@dataclass(frozen=True)
class TouchProfile:
    """How one player presses. ``gsd`` are geometric standard deviations; forces are finger forces.

    A recorded touch carries its strokes, force and hold of each together; then ``gsd`` and
    ``hold_gsd`` are None.
    """

    name: str
    median_n: float
    gsd: float | None
    hold_median_s: float
    hold_gsd: float | None
    holding_n: float = 2.5
    recorded_n: tuple[float, ...] | None = None
    recorded_s: tuple[float, ...] | None = None

    @property
    def is_recorded(self) -> bool:
        """Whether the strokes were recorded, not drawn from a preset."""
        return self.recorded_n is not None


PRESETS = {name: TouchProfile(name, median, 1.5, 0.4, 3.0)
           for name, median in (("light", 4.5), ("medium", 6.0), ("hard", 10.0))}


@dataclass(frozen=True)
class NetStrokes:
    """The strokes that a stop feels, each of equal weight.

    ``net_n`` (n,) are net forces; ``hold_s`` (n, h) the times that go with each, or (1, h) where
    all forces go with the same times.
    ``light_net_n`` and ``hard_net_n`` are the two presses of the give.
    """

    stop: str
    net_n: Array
    hold_s: Array
    set_net_n: float
    set_hold_s: float
    light_net_n: float
    hard_net_n: float
    not_bottomed_share: float
    cut_off_share: float


def preset(name: str) -> TouchProfile:
    """A preset by its name.

    Raises
    ------
    InputError
        No such preset.
    """
    if name not in PRESETS:
        raise InputError(f"no touch {name[:40]!r}", expected=", ".join(PRESETS) + ", a touch file or a run",
                         seen=repr(name[:40]), remedy="padlab new touch writes a commented touch file")
    return PRESETS[name]


_KEYS = {"median_force": "force", "holding_force": "force", "hold_median": "time"}
_ALLOWED = {"median_force": (0.5, 100.0), "holding_force": (0.0, 50.0), "hold_median": (0.01, 600.0),
            "force_spread": (1.0, 5.0), "hold_spread": (1.0, 30.0)}


def read_touch_file(path: Path) -> TouchProfile:
    """Read a touch file (TOML); what it leaves out is as in ``medium``.

    Raises
    ------
    FileFormatError
        The file has mistakes; all of them are listed at once.
    """
    try:
        table = read_toml(path)
    except FileFormatError as fault:
        raise FileFormatError(fault.message, seen=fault.seen, where=fault.where,
                              remedy="padlab new touch writes a commented touch file") from fault
    mistakes: list[str] = []
    medium = PRESETS["medium"]
    values = {"median_force": medium.median_n, "force_spread": 1.5, "hold_median": medium.hold_median_s,
              "hold_spread": 3.0, "holding_force": medium.holding_n}
    for key in sorted(set(table) - {"name"}):
        if key not in values:
            mistakes.append(f"{key[:40]}: not a key of a touch file")
            continue
        number, mistake = _read(key, table[key])
        if mistake is not None:
            mistakes.append(mistake)
        else:
            values[key] = number
    name = table.get("name", path.stem)
    if not isinstance(name, str) or not 0 < len(name) <= 200:
        mistakes.append("name: a word")
    if mistakes:
        raise FileFormatError(
            f"{path.name} has {len(mistakes)} mistake(s): " + "; ".join(mistakes),
            expected='median_force = "6N", force_spread = 1.5, hold_median = "0.4s", hold_spread = 3.0, '
                     'holding_force = "2.5N", name = "..."',
            remedy="padlab new touch writes a commented touch file", where={"mistakes": mistakes})
    return TouchProfile(name, values["median_force"], values["force_spread"], values["hold_median"],
                        values["hold_spread"], values["holding_force"])


def _read(key: str, written: Any) -> tuple[float, str | None]:
    low, high = _ALLOWED[key]
    if key in _KEYS:
        try:
            number = parse_quantity(written, _KEYS[key]) if isinstance(written, str) else math.nan
        except UnitError:
            number = math.nan
        wanted = f'text with its unit, such as "{"0.4s" if _KEYS[key] == "time" else "6N"}"'
    else:
        is_number = isinstance(written, (int, float)) and not isinstance(written, bool)
        number, wanted = (float(written) if is_number else math.nan), "a number (1 = always the same)"
    if not low <= number <= high:
        return math.nan, f"{key}: {wanted}, between {low:g} and {high:g}"
    return number, None


def recorded_touch(run: Run) -> TouchProfile:
    """The touch of a recorded run: force and duration of each stroke, together.

    Raises
    ------
    RunError
        Not a touch run, no force, or no stroke in it.
    """
    run.need(kinds=("touch",), columns=("time_s", "force_n"), by="a touch")
    samples = run.samples
    strokes = find_strokes(samples["time_s"].to_numpy(float), samples["force_n"].to_numpy(float))
    if strokes.count == 0:
        raise RunError(f"touch run {run.id} has no stroke", expected="presses over 1 N of at least 30 ms",
                       seen="none", remedy="record ordinary playing", where={"run": run.id})
    force, duration = strokes.plateau_n, strokes.duration_s
    return TouchProfile(run.id, float(np.median(force)), None, float(np.median(duration)), None,
                        recorded_n=tuple(force.tolist()), recorded_s=tuple(duration.tolist()))


def idle_level_n(force_n: Array) -> float:
    """What a finger's cell (n,) shows while nobody presses: median of the lowest tenth of its range [N]."""
    low = float(force_n.min())
    return float(np.median(force_n[force_n <= low + 0.1 * (float(force_n.max()) - low)]))


@dataclass(frozen=True)
class Strokes:
    """Strokes of a recorded finger, in the order of time; arrays (k,)."""

    begin_s: Array
    duration_s: Array
    plateau_n: Array
    peak_n: Array                  # 98th percentile of the stroke's readings: a spike is no peak
    rate_n_per_s: Array            # from 10 % to 90 % of the peak; nan where one reading spans both

    @property
    def count(self) -> int:
        """How many."""
        return int(self.plateau_n.size)


def find_strokes(time_s: Array, force_n: Array) -> Strokes:
    """Strokes of a recorded finger.

    Parameters
    ----------
    time_s, force_n : array (n,)
        Finger force over time; its idle level need not be 0.

    Notes
    -----
    A stroke begins at 1.0 N and ends under 0.5 N; gaps under 15 ms are closed, strokes under 30 ms
    dropped. The plateau is the median of the middle 60 % by samples, without the first 20 ms, which
    hold the impact. (padlab's own rule.)
    """
    finite = np.isfinite(time_s) & np.isfinite(force_n)
    t, f = time_s[finite], force_n[finite]
    if t.size < 2:
        return Strokes(*(np.empty(0) for _ in range(5)))
    f = f - idle_level_n(f)
    # A latch: +1 where it switches on, -1 where off; in between the last switch still holds.
    switch = np.where(f >= 1.0, 1, np.where(f < 0.5, -1, 0))
    last = np.maximum.accumulate(np.where(switch != 0, np.arange(f.size), -1))
    on = np.where(last >= 0, switch[np.maximum(last, 0)] > 0, False)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on, [False]]).astype(int)))
    starts, ends = edges[::2], np.minimum(edges[1::2], f.size - 1)
    spans: list[list[int]] = []
    for start, end in zip(starts.tolist(), ends.tolist(), strict=True):
        if spans and t[start] - t[spans[-1][1]] < 0.015:
            spans[-1][1] = end
        else:
            spans.append([start, end])
    strokes = [_stroke(t, f, start, end) for start, end in spans if t[end] - t[start] >= 0.030]
    return Strokes(*np.array(strokes, dtype=np.float64).reshape(-1, 5).T.copy())


def _stroke(t: Array, f: Array, start: int, end: int) -> tuple[float, float, float, float, float]:
    """Begin, duration, plateau, peak and rate of one stroke."""
    inset = int(0.2 * (end - start))
    middle = slice(start + inset, max(end - inset, start + inset + 1))
    late = t[middle] >= t[start] + 0.020
    plateau = float(np.median(f[middle][late] if late.any() else f[middle]))
    peak = float(np.quantile(f[start:end + 1], 0.98))
    return float(t[start]), float(t[end] - t[start]), plateau, peak, _rate(t, f, start, end, peak)


def _rate(t: Array, f: Array, start: int, end: int, peak: float) -> float:
    """How fast the force rose from 10 % to 90 % of the peak [N/s]; each crossing between two readings."""
    high = start + int(np.argmax(f[start:end + 1] >= 0.9 * peak))
    below = np.flatnonzero(f[:high] < 0.1 * peak)
    if below.size == 0 or high == 0:
        return math.nan
    low = int(below[-1])
    from_s, to_s = (float(np.interp(share * peak, f[i:i + 2], t[i:i + 2]))
                    for share, i in ((0.1, low), (0.9, high - 1)))
    rise = to_s - from_s
    return 0.8 * peak / rise if low < high - 1 and rise > 0 else math.nan


def net_strokes(
    touch: TouchProfile, *, stop: str = "down", holding_n: float | None = None,
    forces: int = FORCES, holds: int = HOLDS, cut_off_net_n: float = CUT_OFF_NET_N,
    not_bottomed: str = "apart",
) -> NetStrokes:
    """What a stop feels of a touch.

    Parameters
    ----------
    stop : {"down", "up"}
        Down: net = finger force - holding force there. Up: net = holding force there - resting finger.
    holding_n : float, optional
        Button force that keeps the piston about 1 mm off that stop; default as the touch says.
    forces, holds : int
        Mid-quantiles of a preset's two lognormals. A recorded touch is used stroke by stroke.
    not_bottomed : {"apart", "at_zero"}
        Strokes of less than F0 net: left out and counted (the rule), or counted at zero position
        (only to check published tables of the formula; no command sets it).

    Raises
    ------
    InputError
        The usual press itself does not reach the stop: there is no home position.
    """
    holding = touch.holding_n if holding_n is None else holding_n
    if stop == "down":
        net, hold_s = _down(touch, holding, forces, holds)
        set_net, set_hold = touch.median_n - holding, touch.hold_median_s
        light, hard = LIGHT_PRESS_N - holding, HARD_PRESS_N - holding
    elif stop == "up":
        net = holding - RESTING_FINGER_N * _middles(forces)
        hold_s = _lognormal(REST_MEDIAN_S, REST_GSD, holds)[None, :]
        set_net, set_hold = holding - RESTING_FINGER_N / 2, REST_MEDIAN_S
        light, hard = holding - RESTING_FINGER_N, holding
    else:
        raise InputError(f"no stop {stop[:20]!r}", expected="down or up", seen=repr(stop[:20]))
    if set_net < F0_N:
        raise InputError(
            "the usual press does not reach the stop",
            expected=f"at least {F0_N:g} N net at the median press", seen=f"{set_net:.2f} N net",
            remedy=f"check the touch ({touch.median_n:g} N) and the holding force ({holding:g} N)")
    cut_at = math.inf if touch.is_recorded else cut_off_net_n
    cut, soft = net > cut_at, net < F0_N
    keep = ~cut if not_bottomed == "at_zero" else ~(cut | soft)
    kept = np.maximum(net[keep], 0.0)
    kept_s = hold_s if hold_s.shape[0] == 1 else hold_s[keep]
    return NetStrokes(stop, kept, kept_s, set_net, set_hold, max(light, F0_N), hard,
                      float(np.mean(soft)), float(np.mean(cut)))


def _down(touch: TouchProfile, holding: float, forces: int, holds: int) -> tuple[Array, Array]:
    if touch.recorded_n is not None and touch.recorded_s is not None:
        order = np.argsort(np.array(touch.recorded_n), kind="stable")
        return np.array(touch.recorded_n)[order] - holding, np.array(touch.recorded_s)[order][:, None]
    finger = _lognormal(touch.median_n, touch.gsd or 1.0, forces)
    times = _lognormal(touch.hold_median_s, touch.hold_gsd or 1.0, holds)
    return finger - holding, times[None, :]


def _middles(n: int) -> Array:
    return (np.arange(n) + 0.5) / n


def _lognormal(median: float, gsd: float, n: int) -> Array:
    from scipy import special

    return np.asarray(np.exp(math.log(median) + math.log(gsd) * special.ndtri(_middles(n))))
