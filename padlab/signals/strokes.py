r"""Samples of an endurance run -> one row for each stroke, as they come, in bounded memory.

    force  ON 1.0 N - - - - - /:::\ - - - - -      a stroke begins over ON and ends under OFF (a Schmitt
           OFF 0.5 N- - - - -/     \- - - - -      trigger); its loop goes from F0 before the one to F0
           F0 0.25 N _._._._/       \_._._._       after the other
           floor    ________         ________      the force zero of this stroke, where the machine lifts off

Whatever way the samples are cut into chunks, the rows are the same: every rule counts samples, none looks at
a chunk. A cell's zero moves over weeks, and 0.05 N of it is tens of micrometres of a felt; so each stroke is
read from its own floor, wherever the anvil was seen to leave the pad (:data:`LIFT_MM`).

>>> t = np.arange(0, 3, 0.001); x = 0.5 * np.sin(2 * np.pi * t) - 0.1
>>> rows = summarise(t, 20 * np.clip(x, 0, None), x)
>>> rows["peak_n"].round(3).tolist(), rows["at_f0_mm"].round(4).tolist()
([8.0, 8.0, 8.0], [0.0125, 0.0125, 0.0125])
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

from padlab.records.pad import F0_N
from padlab.records.stroke_rows import COLUMNS

Array = NDArray[np.float64]
Ints = NDArray[np.int64]
Rows = dict[str, Array]

ON_N, OFF_N = 1.0, 0.5
"""As presses are found elsewhere (:mod:`padlab.signals.cycles`)."""
VALLEY = 4096
"""Readings before a stroke, and after one, that are looked at: a machine may rest for days."""
LONGEST = 1 << 18
"""Readings of one stroke; a machine that stays down for longer is stuck, and that stroke has no loop."""
BAND_N = F0_N / 4
"""Readings this near the lowest of a valley are its floor; design choice."""
LIFT_MM = 0.15
"""The anvil moves by this much while the force stays on its floor: then it is in the air; design choice."""
TOUCH_N = F0_N / 5
"""A reading this far over the floor is in contact; five times the noise of a usual cell; design choice."""
NEAR = 8
"""The place at F0 is read from the readings that lie so near, on either side, by a straight line."""


class StrokeSummariser:
    """Strokes of a stream of samples.

    Parameters
    ----------
    zero_n : float
        The force zero when the run began [N]; it serves strokes before which the anvil was not seen to lift.

    Attributes
    ----------
    dropped : int
        Samples that are no numbers, and samples that go back in time; they are left out.
    """

    def __init__(self, *, zero_n: float = 0.0) -> None:
        self.zero_n = zero_n
        self.dropped = 0
        self.seen = 0                                # samples of the stream so far
        self._held = np.zeros((5, 0))                # time, net force, displacement, machine's count, number
        self._last_s = -np.inf
        self._end_s = np.nan                         # when the stroke before ended
        self._is_down = True                         # samples are passed over until the force is under OFF

    def feed(self, time_s: Array, force_n: Array, displacement_mm: Array,
             machine: Array | None = None) -> Rows:
        """Take the next samples; gives the strokes that they end.

        Parameters
        ----------
        time_s, force_n, displacement_mm : array (n,)
            As on the run's axis; force + in compression, displacement + where the pad gets thinner.
        machine : array (n,), optional
            The machine's own count of strokes in each sample.

        Returns
        -------
        dict of arrays (m,)
            The columns of :data:`padlab.records.stroke_rows.COLUMNS` but ``stroke``, and ``stop``: the number
            (from 0, over the whole stream) of the first sample after the stroke.
        """
        count = np.full(time_s.size, np.nan) if machine is None else machine
        number = np.arange(self.seen, self.seen + time_s.size)
        self.seen += time_s.size
        new = np.array([time_s, force_n - self.zero_n, displacement_mm, count, number], dtype=np.float64)
        good = np.isfinite(new[:3]).all(axis=0)
        earlier = np.maximum.accumulate(np.concatenate([[self._last_s], np.where(good, new[0], -np.inf)]))
        good &= new[0] > earlier[:-1]
        if not good.all():
            self.dropped += int(good.size - good.sum())
            new = new[:, good]
        if new.shape[1]:
            self._last_s = float(new[0, -1])
        held = np.concatenate([self._held, new], axis=1) if self._held.size else new
        if self._is_down:
            up = np.flatnonzero(held[1] < OFF_N)
            start = int(up[0]) if up.size else held.shape[1]
            held, self._is_down = held[:, start:], not up.size
        self._held = held
        return self._take(is_over=False)

    def finish(self) -> Rows:
        """The stream is over: a last stroke that was let go counts, with what there is of it."""
        return self._take(is_over=True)

    # -- one buffer ----------------------------------------------------------------------------------

    def _take(self, *, is_over: bool) -> Rows:
        time, force, place, machine, number = self._held
        size = force.size
        on, off = _presses(force)
        if on.size > off.size and size - on[-1] > LONGEST:
            off, self._is_down = np.append(off, size), True                 # stuck: nothing more is kept
        ended = off.size
        until = np.minimum(np.append(on[1:ended], on[ended] if on.size > ended else size), off + VALLEY)
        before = np.concatenate([[0], off[:-1]]) if ended else off
        top = np.minimum(off, on[:ended] + LONGEST)
        rows, known = _rows(time, force, place, machine, on=on[:ended], off=off, top=top, before=before,
                            until=until)
        if ended:
            last = known[-1] or is_over or self._is_down or on.size > ended or size >= off[-1] + VALLEY
            if not last:
                rows, ended = {k: v[:-1] for k, v in rows.items()}, ended - 1
        self._chain(rows)
        rows["stop"] = number[rows["stop"].astype(np.int64)] if size else rows["stop"]
        self._keep_from(on, off, ended, size)
        return rows

    def _chain(self, rows: Rows) -> None:
        """The rest before each stroke, from the end of the one before."""
        ends = rows["time_s"] + rows["duration_s"]
        if ends.size:
            rows["rest_s"] = rows["time_s"] - np.concatenate([[self._end_s], ends[:-1]])
            self._end_s = float(ends[-1])

    def _keep_from(self, on: Ints, off: Ints, ended: int, size: int) -> None:
        last = int(off[ended - 1]) if ended else 0
        if self._is_down:
            start = size
        elif on.size > ended:                        # a stroke that is not over, with the valley before it
            start = max(last, int(on[ended]) - VALLEY)
        else:
            start = max(last, size - VALLEY)
        self._held = self._held[:, start:].copy()

    @property
    def needs_from(self) -> int:
        """Number of the first sample that is still looked at, counted from 0 over the whole stream."""
        return int(self._held[4, 0]) if self._held.shape[1] else self.seen


def summarise(time_s: Array, force_n: Array, displacement_mm: Array, *, zero_n: float = 0.0) -> Rows:
    """All strokes of a record that is in memory, in one piece."""
    whole = StrokeSummariser(zero_n=zero_n)
    return joined([whole.feed(time_s, force_n, displacement_mm), whole.finish()])


def joined(parts: Iterable[Rows]) -> Rows:
    """Rows one after the other."""
    listed = list(parts)
    return {name: np.concatenate([p[name] for p in listed]) for name in listed[0]}


def _presses(force: Array) -> tuple[Ints, Ints]:
    """Where the force goes over ON and where it next falls under OFF; it starts off."""
    state = (force >= ON_N).astype(np.int8) - (force < OFF_N).astype(np.int8)
    known = np.flatnonzero(state)
    flips = np.flatnonzero(np.diff(state[known], prepend=np.int8(-1)))
    at = known[flips]
    return at[::2], at[1::2]


def _rows(time: Array, force: Array, place: Array, machine: Array, *, on: Ints, off: Ints, top: Ints,
          before: Ints, until: Ints) -> tuple[Rows, NDArray[np.bool_]]:
    """The rows of some strokes, and whether each was seen to its end."""
    n = on.size
    if not n:
        empty = {name: np.zeros(0) for name in (*COLUMNS[1:], "stop")}
        return empty, np.zeros(0, dtype=bool)
    size = force.size
    valley = np.maximum(before, on - VALLEY)
    floor, lift = _floors(force, place, valley, on)
    zero = np.where((lift >= LIFT_MM) & (np.abs(floor) <= OFF_N), floor, 0.0)
    at_n = zero + F0_N

    # The last reading at or under F0 before the stroke, the first one after it, the highest between.
    begin = _last_low(force, at_n, valley, on)
    end = _first_low(force, at_n, on, off, until)
    peak_n, peak = _peaks(force, on, top)
    begins, ends = begin >= 0, (end >= 0) & (top == off)
    a, b = np.where(begins, begin, on - 1).clip(0), np.where(ends, end, top - 1).clip(1)
    b = np.maximum(b, peak + 1).clip(max=size - 1)

    start_s, start_mm = (_between(v, force, a, at_n) for v in (time, place))
    stop_s, stop_mm = (_between(v, force, b - 1, at_n) for v in (time, place))
    work, back = _areas(force, place, zero, a, peak, b, start_mm, stop_mm)
    whole = begins & ends
    at_f0 = _at_f0(force, place, at_n, a, peak, valley, start_mm)
    step = np.append(np.diff(time), 0.0)
    longest = np.maximum.reduceat(step, _pairs(a, b))[::2]
    middle = (on + peak) // 2
    return {
        "time_s": np.where(begins, start_s, time[on]),
        "duration_s": np.where(top < off, np.nan, np.where(ends, stop_s, time[(off - 1).clip(0)])
                               - np.where(begins, start_s, time[on])),
        "peak_n": peak_n - zero,
        "peak_mm": place[peak],
        "at_f0_mm": np.where(begins, at_f0, np.nan),
        "work_mj": np.where(whole, work, np.nan),
        "loss_mj": np.where(whole, work + back + F0_N * (start_mm - stop_mm), np.nan),
        "floor_n": floor,
        "lift_mm": lift,
        "rest_s": np.full(n, np.nan),
        "readings": (b - a).astype(np.float64),
        "longest_step_s": longest,
        "machine": np.median([machine[on], machine[middle], machine[peak]], axis=0),
        "stop": np.where(ends, end, top).astype(np.float64),
    }, ends


def _pairs(start: Ints, stop: Ints) -> Ints:
    return np.column_stack([start, stop]).ravel()


def _floors(force: Array, place: Array, valley: Ints, on: Ints) -> tuple[Array, Array]:
    """The lowest level of the force before each stroke, and how far the anvil moved on it."""
    pairs = _pairs(valley, on)
    lengths = on - valley
    lowest = np.minimum.reduceat(force, pairs)[::2]
    total = int(lengths.sum())
    starts = np.cumsum(lengths) - lengths
    inside = np.arange(total) - np.repeat(starts - valley, lengths)
    f, x = force[inside], place[inside]
    calm = f <= np.repeat(lowest + BAND_N, lengths)
    count = np.add.reduceat(calm.astype(np.float64), starts)
    floor = np.add.reduceat(np.where(calm, f, 0.0), starts) / count
    lift = (np.maximum.reduceat(np.where(calm, x, -np.inf), starts)
            - np.minimum.reduceat(np.where(calm, x, np.inf), starts))
    return floor, lift


def _last_low(force: Array, at_n: Array, valley: Ints, on: Ints) -> Ints:
    """The last reading at or under F0 before each stroke; -1 where there is none."""
    lengths = np.diff(np.append(valley, force.size))
    low = np.flatnonzero(force[valley[0]:] <= np.repeat(at_n, lengths)) + valley[0]
    k = np.searchsorted(low, on) - 1
    found = np.where(k >= 0, low[k.clip(0)] if low.size else -1, -1)
    return np.where(found >= valley, found, -1)


def _first_low(force: Array, at_n: Array, on: Ints, off: Ints, until: Ints) -> Ints:
    """The first reading at or under F0 after each stroke; -1 where there is none before ``until``."""
    lengths = np.diff(np.append(on, force.size))
    low = np.flatnonzero(force[on[0]:] <= np.repeat(at_n, lengths)) + on[0]
    k = np.searchsorted(low, off)
    found = np.where(k < low.size, low[k.clip(max=low.size - 1)] if low.size else -1, -1)
    return np.where(found < until, found, -1)


def _peaks(force: Array, on: Ints, top: Ints) -> tuple[Array, Ints]:
    """The highest reading of each stroke, and where it first is."""
    highest = np.maximum.reduceat(np.append(force, -np.inf), _pairs(on, top))[::2]
    lengths = np.diff(np.append(on, force.size))
    hits = np.flatnonzero(force[on[0]:] == np.repeat(highest, lengths)) + on[0]
    return highest, hits[np.searchsorted(hits, on)]


def _between(values: Array, force: Array, i: Ints, at_n: Array) -> Array:
    """Values where the force crosses a level between reading i and the next."""
    f0, f1 = force[i], force[i + 1]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(f1 != f0, (at_n - f0) / (f1 - f0), 0.5).clip(0.0, 1.0)
    return np.asarray(values[i] + share * (values[i + 1] - values[i]))


def _areas(force: Array, place: Array, zero: Array, a: Ints, peak: Ints, b: Ints, start_mm: Array,
           stop_mm: Array) -> tuple[Array, Array]:
    """Work of loading from F0 to the peak, and of unloading (below 0) [mJ]: trapezoids, ends at F0."""
    small = np.append(0.5 * (force[1:] + force[:-1]) * np.diff(place), 0.0)
    first = np.minimum(a + 1, peak)
    up = np.where(first < peak, np.add.reduceat(small, _pairs(first, peak))[::2], 0.0)
    last = np.maximum(b - 1, peak)
    down = np.where(last > peak, np.add.reduceat(small, _pairs(peak, last))[::2], 0.0)
    load = up - zero * (place[peak] - place[first]) + _end(force[first] - zero, place[first] - start_mm)
    unload = down - zero * (place[last] - place[peak]) + _end(force[last] - zero, stop_mm - place[last])
    return load, unload


def _end(net: Array, way_mm: Array) -> Array:
    return 0.5 * (net + F0_N) * way_mm


def _at_f0(force: Array, place: Array, at_n: Array, a: Ints, peak: Ints, valley: Ints, plain: Array) -> Array:
    """The place at F0 on the loading limb: a straight line of x on F through what lies near.

    Where a quick machine leaves fewer than four readings there: the parabola of x on the square root of F
    through the first three in contact (a spring and a face that meets bit by bit both lie on one). A line to
    a reading in the air would be off by up to a step of the anvil. The place never leaves F0's own step.
    """
    near = a[:, None] + np.arange(1 - NEAR, NEAR + 1)
    inside = (near >= valley[:, None]) & (near <= peak[:, None])
    near = near.clip(0, force.size - 1)
    f, x = force[near] - at_n[:, None], place[near] - plain[:, None]
    inside &= np.abs(f) <= 0.8 * F0_N
    n = inside.sum(axis=1)
    span = np.where(inside, f, -np.inf).max(axis=1) - np.where(inside, f, np.inf).min(axis=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        mean_f, mean_x = ((np.where(inside, v, 0.0).sum(axis=1) / n) for v in (f, x))
        df = np.where(inside, f - mean_f[:, None], 0.0)
        slope = (df * x).sum(axis=1) / (df * df).sum(axis=1)
        line = mean_x - slope * mean_f
    few = _by_parabola(force, place, at_n, a, peak)
    ends = np.sort([place[a], place[a + 1]], axis=0)
    few = np.clip(np.where(np.isfinite(few), few, plain), ends[0], ends[1])
    return np.asarray(np.where((n >= 4) & (span > 0.3 * F0_N), plain + line, few))


def _by_parabola(force: Array, place: Array, at_n: Array, a: Ints, peak: Ints) -> Array:
    """Through the first three readings in contact, at F0; NaN where there are no three up to the peak."""
    zero = at_n - F0_N
    first = np.where(force[a] - zero > TOUCH_N, a, a + 1)
    three = np.minimum(first[:, None] + np.arange(3), force.size - 1)
    v = np.sqrt(np.maximum(force[three] - zero[:, None], 0.0)).T
    x, at = place[three].T, np.sqrt(F0_N)
    with np.errstate(divide="ignore", invalid="ignore"):
        one, two = (x[1] - x[0]) / (v[1] - v[0]), (x[2] - x[1]) / (v[2] - v[1])
        found = x[0] + (at - v[0]) * (one + (at - v[1]) * (two - one) / (v[2] - v[0]))
    return np.asarray(np.where(first + 2 <= peak, found, np.nan))
