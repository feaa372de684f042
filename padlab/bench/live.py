"""What every tab sees, from one place: the rig's threads write it, the tabs read it.

A tab that comes late, or comes back, gets the whole of it; one that stays gets the new points of the loop
only. Nothing here is the record: that is on the shelf, line by line, whether anybody looks or not.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Callable
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
Phase = Literal["no rig", "listening", "lost", "starting", "recording", "ended"]

POINTS = 8000
"""Points of the loop that are kept: at 50 a second nearly three minutes."""
AT_ONCE = 60
"""Points drawn of what came together; more are thinned evenly."""
SENTENCES = 60
RATE_S = 1.0
"""The rate is counted anew this often [s]."""


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
        self._state: dict[str, Any] = {"phase": "no rig", "figures": {}, "trouble": None, "run": None}

    # -- for the tabs ------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """All but the points, as one JSON object."""
        with self._lock:
            return {**self._state, "said": list(self._said)}

    def points(self, loop: int, seen: int) -> tuple[int, int, list[list[float]]]:
        """The points behind the first ``seen`` of ``loop``: which loop, how many by now, and they themselves.

        Each is (displacement [mm], force [N]); of another loop all that are kept are given.
        """
        with self._lock:
            missing = self._count - seen if loop == self._loop else self._count
            missing = min(max(missing, 0), len(self._points))
            fresh = [list(self._points[i]) for i in range(len(self._points) - missing, len(self._points))]
            return self._loop, self._count, fresh

    @property
    def phase(self) -> Phase:
        """Where things stand."""
        with self._lock:
            phase: Phase = self._state["phase"]
            return phase

    # -- from the threads of the rig -----------------------------------------------------------------------

    def put(self, **state: Any) -> None:
        """Write some of the state."""
        with self._lock:
            self._state.update(state)

    def new_loop(self) -> None:
        """Begin a drawing anew."""
        with self._lock:
            self._points.clear()
            self._said.clear()
            self._count, self._loop, self._place_mm = 0, self._loop + 1, None
            self._rate_from.clear()

    def say(self, said: Said) -> None:
        """One sentence that stays (the recorder's screen)."""
        with self._lock:
            self._told += 1
            self._said.append({"n": self._told, "text": plain(said.text), "tone": said.tone})

    def progress(self, text: str) -> None:
        """Where things stand (the recorder's screen)."""
        with self._lock:
            if self._state["run"] is not None:
                self._state["run"] = {**self._state["run"], "progress": plain(text)}

    def look(self, looks: list[Look]) -> None:
        """Readings of a rig on which nothing is recorded."""
        channels = {c.quantity: c for one in looks for c in one.channels}
        force, place = channels.get("force"), channels.get("displacement")
        trouble = next((f"{one.instrument}: {why}" for one in looks
                        for why in (one.trouble, one.no_readings, one.stands) if why), None)
        self.put(phase="lost" if trouble else "listening", figures={
            "force_n": None if force is None else finite(force.value),
            "displacement_mm": None if place is None else finite(place.value),
            "noise_n": None if force is None else finite(force.noise),
            "noise_mm": None if place is None else finite(place.noise),
            "rate": min(one.lines_per_s for one in looks),
            "lost_lines": sum(one.lost_lines for one in looks),
            "bad_lines": sum(one.bad_lines for one in looks),
        }, trouble=None if trouble is None else {
            "message": plain(trouble),
            "remedy": "see to its cable and its power; the page goes on by itself"})

    def observe(self, recorder: Recorder, source: Source, times: Array, values: Array) -> None:
        """Readings of a run, as they are stored (the recorder's looker-on)."""
        follower = recorder.follower
        force = source.values("force", values)
        place = source.values("displacement", values)
        zero = follower.zero_n if isinstance(follower, StepFollower) else None
        with self._lock:
            if place is not None and place.size:
                self._place_mm = finite(float(place[-1]))
            figures = {**self._state["figures"], "lost_lines": 0, "bad_lines": 0}
            for one in recorder.sources.values():
                figures["lost_lines"] += one.wire.counts.lost_lines
                figures["bad_lines"] += one.wire.counts.bad_lines
            if force is not None and force.size:
                net = force - (zero or 0.0)
                figures["force_n"] = finite(float(net[-1]))
                if isinstance(follower, StepFollower):
                    figures["noise_n"] = follower.noise_n
                self._draw(net, place)
            figures["displacement_mm"], figures["noise_mm"] = self._place_mm, None
            figures["rate"] = self._rate(source)
            run = self._state["run"]
            if run is not None and isinstance(follower, StepFollower | WeightFollower):
                run = {**run, "index": follower.index, "count": getattr(follower, "count", 0),
                       "prompt": follower.prompt(), "zero_taken": zero is not None,
                       "target": target_of(follower.step) if zero is not None else None}
            self._state.update(figures=figures, phase="recording", trouble=None, run=run)

    def _draw(self, net: Array, place: Array | None) -> None:
        """Points of the loop; where another instrument measures the displacement, its last reading serves."""
        if place is None and self._place_mm is None:
            return
        step = max(1, -(-net.size // AT_ONCE))
        across = np.full(net.size, self._place_mm) if place is None else place
        drawn = np.column_stack([across, net])[::step].round(5)
        drawn = drawn[np.isfinite(drawn).all(axis=1)]
        self._points.extend((x, y) for x, y in drawn.tolist())
        self._count += len(drawn)

    def _rate(self, source: Source) -> float | None:
        """Lines a second, by the host's clock, of the instrument that spoke last."""
        name, now = source.record.name, self._clock()
        count = source.wire.counts.readings
        since, had = self._rate_from.setdefault(name, (now, count))
        if now - since >= RATE_S:
            self._rate_from[name] = (now, count)
            return round((count - had) / (now - since), 1)
        return self._state["figures"].get("rate")       # type: ignore[no-any-return]


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
