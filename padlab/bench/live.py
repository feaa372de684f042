"""What every tab sees, from one place: the rig's threads write it, the tabs read it.

A tab that comes late, or comes back, gets the whole of it; one that stays gets the new points of the loop
only. Nothing here is the record: that is on the shelf, line by line, whether anybody looks or not.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from itertools import islice
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import NDArray

from padlab.capture.prompts import Said, prompt
from padlab.capture.steps import HOLD_BAND, PEAK_N, PEAK_SHARE, StepFollower
from padlab.capture.weights import WeightFollower
from padlab.records.pad import F0_N
from padlab.words import plain

if TYPE_CHECKING:
    from padlab.capture.procedure import Step
    from padlab.capture.recorder import Recorder
    from padlab.capture.source import Source
    from padlab.capture.watch import Look

Array = NDArray[np.float64]
Rest = tuple[float | None, float | None]                    # of force [N] and displacement [mm]
Phase = Literal["no rig", "listening", "lost", "starting", "recording", "ended"]

AXES = ("displacement", "force")
"""What is drawn, across and up, where the rig measures both."""
POINTS = 12_000
"""Points of the loop that are kept: forty seconds at the most that are drawn."""
POINTS_PER_S = 300
"""Points drawn of a second; of more readings those that carry the shape."""
FEWEST_POINTS = 8
"""... and of one turn of the recorder, however short."""
SENTENCES = 60
RATE_S = 1.0
"""The rate is counted anew this often [s]."""
ZERO_LOOKS = 4
"""The mean of so many looks, a second, is what a reading is shown less."""
NOISE_LOOKS = 12
"""Of the noise of so many looks, three seconds, the calmer end is shown: a press of two is none of it."""


@dataclass
class Seen:
    """What one tab has been told so far."""

    version: int = -1
    fast: int = -1
    loop: int = -1
    points: int = 0


def target_of(step: Step | None) -> tuple[float, float] | None:
    """Between which net forces a step wants the finger [N]; None where it wants none in particular.

    >>> from padlab.capture.procedure import Step
    >>> target_of(Step(do="stroke", label="recorded", to_n=10.0))
    (9.2, 10.8)
    """
    if step is None or step.do in ("weight", "free", "away"):
        return None
    if step.do == "rest":
        return (0.0, 2 * F0_N)
    if step.to_n is None:
        return None
    off = HOLD_BAND * step.to_n if step.do in ("hold", "keep") else max(PEAK_SHARE * step.to_n, PEAK_N)
    return (step.to_n - off, step.to_n + off)


class Live:
    """The state of the rig and of the run that is made on it; also the recorder's screen.

    Parameters
    ----------
    clock : callable
        Monotonic seconds.
    """

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._clock = clock
        self._lock = threading.Lock()
        self._points: deque[tuple[float, float]] = deque(maxlen=POINTS)
        self._said: deque[dict[str, Any]] = deque(maxlen=SENTENCES)
        self._count = self._told = 0                      # points and sentences so far
        self._loop = 0                                    # which loop the points belong to
        self._place_mm: float | None = None               # last displacement, of whichever instrument
        self._rate_from: dict[str, tuple[float, int]] = {}
        self._rests: deque[Rest] = deque(maxlen=ZERO_LOOKS)
        self._noises: deque[Rest] = deque(maxlen=NOISE_LOOKS)
        self._state: dict[str, Any] = {"phase": "no rig", "trouble": None, "run": None, "result": None,
                                       "rig": None, "zero": None, "axes": AXES}
        self._figures: dict[str, Any] = {}
        self._progress = ""
        self._version = self._fast = 0                    # of the state; of figures and progress

    # -- for the tabs ------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """All but the points, as one JSON object."""
        with self._lock:
            return self._whole() | self._quick()

    def news(self, seen: Seen) -> dict[str, Any]:
        """What a tab does not know yet, as one JSON object; ``seen`` is moved on.

        ``state`` is all that changes now and then; ``figures`` and ``progress`` change with each reading;
        ``points`` are (across, up, across, up, ...) of drawing ``loop``: all that are kept where the tab
        knows another.
        """
        with self._lock:
            told: dict[str, Any] = {}
            if seen.version != self._version:
                seen.version, told["state"] = self._version, self._whole()
            if seen.fast != self._fast:
                seen.fast = self._fast
                told |= self._quick()
            same = seen.loop == self._loop
            missing = min(max(self._count - seen.points if same else self._count, 0), len(self._points))
            if missing or not same:
                seen.loop, seen.points = self._loop, self._count
                fresh = islice(self._points, len(self._points) - missing, None)
                told |= {"loop": self._loop, "points": [value for point in fresh for value in point]}
            return told

    @property
    def phase(self) -> Phase:
        """Where things stand."""
        with self._lock:
            phase: Phase = self._state["phase"]
            return phase

    def _whole(self) -> dict[str, Any]:
        return {**self._state, "said": list(self._said)}

    def _quick(self) -> dict[str, Any]:
        return {"figures": self._figures, "progress": self._progress}

    # -- from the threads of the rig -----------------------------------------------------------------------

    def put(self, **state: Any) -> None:
        """Write some of the state."""
        with self._lock:
            self._put(state)

    def _put(self, state: dict[str, Any]) -> None:
        if any(key not in self._state or self._state[key] != value for key, value in state.items()):
            self._state.update(state)
            self._version += 1

    def _put_figures(self, figures: dict[str, Any]) -> None:
        if figures != self._figures:
            self._figures = figures
            self._fast += 1

    def forget(self) -> None:
        """Another rig, or none: what was read before says nothing any more."""
        with self._lock:
            self._put({"zero": None})
            self._put_figures({})
            self._rests.clear()
            self._noises.clear()

    def zero(self, on: bool) -> bool:
        """Show readings less where the rig stands now, or as they come; gives whether that is so now.

        For the eye only, while nothing is recorded: a run takes its own zero.
        """
        with self._lock:
            force, place = (mean_of([rest[k] for rest in self._rests] if on else []) for k in (0, 1))
            is_set = force is not None or place is not None
            self._put({"zero": {"force_n": force, "displacement_mm": place} if is_set else None})
            return is_set

    def new_loop(self, axes: tuple[str, str] = AXES) -> None:
        """Begin a drawing anew; ``axes`` say what is drawn across and up: time, displacement or force."""
        with self._lock:
            self._points.clear()
            self._said.clear()
            self._count, self._loop, self._place_mm = 0, self._loop + 1, None
            self._rate_from.clear()
            self._progress = ""
            self._put({"axes": axes, "zero": None})

    def say(self, said: Said) -> None:
        """One sentence that stays (the recorder's screen)."""
        with self._lock:
            self._told += 1
            self._version += 1
            self._said.append({"n": self._told, "text": plain(said.text), "tone": said.tone})

    def progress(self, text: str) -> None:
        """Where things stand (the recorder's screen)."""
        with self._lock:
            if text != self._progress:
                self._progress = plain(text)
                self._fast += 1

    def look(self, looks: list[Look]) -> None:
        """Readings of a rig on which nothing is recorded."""
        channels = {c.quantity: c for one in looks for c in one.channels}
        force, place = channels.get("force"), channels.get("displacement")
        trouble = next((f"{one.instrument}: {why}" for one in looks
                        for why in (one.trouble, one.no_readings, one.stands) if why), None)
        with self._lock:
            self._rests.append((None if force is None else force.mean, None if place is None else place.mean))
            self._noises.append((None if force is None else force.noise,
                                 None if place is None else place.noise))
            calm = [calmer(column) for column in zip(*self._noises, strict=True)]
            zero = self._state["zero"] or {"force_n": None, "displacement_mm": None}
            self._put_figures({
                "force_n": None if force is None else less(force.value, zero["force_n"]),
                "displacement_mm": None if place is None else less(place.value, zero["displacement_mm"]),
                "noise_n": finite(calm[0]), "noise_mm": finite(calm[1]),
                "rate": min(one.lines_per_s for one in looks),
                "lost_lines": sum(one.lost_lines for one in looks),
                "bad_lines": sum(one.bad_lines for one in looks),
            })
            self._put({"phase": "lost" if trouble else "listening", "trouble": None if trouble is None else {
                "message": plain(trouble),
                "remedy": "see to its cable and its power; the page goes on by itself"}})

    def observe(self, recorder: Recorder, source: Source, times: Array, values: Array) -> None:
        """Readings of a run, as they are stored (the recorder's looker-on)."""
        follower = recorder.follower
        force = source.values("force", values)
        place = source.values("displacement", values)
        zero = follower.zero_n if isinstance(follower, StepFollower) else None
        with self._lock:
            if place is not None and place.size:
                self._place_mm = finite(float(place[-1]))
            figures = {**self._figures, "lost_lines": 0, "bad_lines": 0}
            for one in recorder.sources.values():
                figures["lost_lines"] += one.wire.counts.lost_lines
                figures["bad_lines"] += one.wire.counts.bad_lines
            net = None
            if force is not None and force.size:
                net = force - (zero or 0.0)
                figures["force_n"] = finite(float(net[-1]))
                if isinstance(follower, StepFollower):
                    figures["noise_n"] = follower.noise_n
            self._draw(times, net, place)
            figures["displacement_mm"], figures["noise_mm"] = self._place_mm, None
            figures["rate"] = self._rate(source)
            self._put_figures(figures)
            run = self._state["run"]
            if run is not None and isinstance(follower, StepFollower | WeightFollower):
                run = {**run, "index": follower.index, "count": getattr(follower, "count", 0),
                       "prompt": follower.prompt(), "zero_taken": zero is not None,
                       "target": target_of(follower.step) if zero is not None else None}
            self._put({"phase": "recording", "trouble": None, "run": run})

    def _draw(self, times: Array, net: Array | None, place: Array | None) -> None:
        """Points of the drawing; where another instrument measures the displacement, its last serves."""
        seen = {"time": times, "force": net, "displacement": place}
        across, up = (seen[name] for name in self._state["axes"])
        if up is not None and across is None and self._place_mm is not None:
            across = np.full(up.size, self._place_mm)
        if across is None or up is None:
            return
        good = np.isfinite(across) & np.isfinite(up)
        across, up = across[good], up[good]
        lasted = float(times[-1] - times[0]) * times.size / max(times.size - 1, 1)
        kept = shape_of(across, up, most=max(FEWEST_POINTS, round(POINTS_PER_S * lasted)))
        self._points.extend(zip(across[kept].round(4).tolist(), up[kept].round(4).tolist(), strict=True))
        self._count += len(kept)

    def _rate(self, source: Source) -> float | None:
        """Lines a second, by the host's clock, of the instrument that spoke last."""
        name, now = source.record.name, self._clock()
        count = source.wire.counts.readings
        since, had = self._rate_from.setdefault(name, (now, count))
        if now - since >= RATE_S:
            self._rate_from[name] = (now, count)
            return round((count - had) / (now - since), 1)
        return self._figures.get("rate")


def shape_of(across: Array, up: Array, *, most: int) -> NDArray[np.int64]:
    """Which points of a line are drawn: all up to ``most``, else in even pieces the ends of either axis.

    >>> up = np.zeros(100); up[37] = 5.0                      # one reading stands out: it is drawn
    >>> 37 in shape_of(np.arange(100.0), up, most=12)
    True
    """
    if up.size <= most:
        return np.arange(up.size)
    kept = {up.size - 1}
    for piece in np.array_split(np.arange(up.size), max(1, most // 4)):
        a, x, y = int(piece[0]), across[piece], up[piece]
        kept |= {a + int(i) for i in (x.argmin(), x.argmax(), y.argmin(), y.argmax())}
    return np.array(sorted(kept))


def calmer(noises: Iterable[float | None]) -> float | None:
    """What a quarter of some readings of noise lies below; the least of them would be too small by chance.

    >>> calmer([2.0, 0.003, None, 2.0, 0.004, 2.0, 0.005])
    0.004
    """
    known = sorted(v for v in noises if v is not None)
    return known[len(known) // 4] if known else None


def mean_of(values: list[float | None]) -> float | None:
    """The mean of some readings; None where there are none, or where one is not known.

    >>> mean_of([1.0, 2.0]), mean_of([1.0, None]), mean_of([])
    (1.5, None, None)
    """
    known = [v for v in values if v is not None]
    return float(np.mean(known)) if known and len(known) == len(values) else None


def less(value: float | None, zero: float | None) -> float | None:
    """A reading less what it is shown less, where that is known.

    >>> less(5.0, 0.5), less(5.0, None), less(None, 0.5)
    (4.5, 5.0, None)
    """
    value = finite(value)
    return value if value is None or zero is None else value - zero


def finite(value: float | None) -> float | None:
    """A number that JSON can carry; what is none is not known.

    >>> finite(float("nan")), finite(2.5)
    (None, 2.5)
    """
    return value if value is not None and np.isfinite(value) else None


def steps_in_words(steps: tuple[Step, ...]) -> list[dict[str, Any]]:
    """The steps of a procedure, as they are shown in a list."""
    return [{"label": one.label, "do": one.do, "words": prompt(one, left=one.count), "count": one.count}
            for one in steps]
