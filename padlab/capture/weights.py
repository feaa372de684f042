"""Dead weights: what is asked of whoever puts them on, and when each has settled.

Nothing measures the force here; the operator confirms each weight, and the indicator alone is
recorded. A weight has settled when the indicator moves no more than a trace: the pad goes on
sinking for ever, so "a trace" is a share of what this weight has moved it, or the indicator's noise.

    asked --Enter--> on --still, and long enough--> read --> the next is asked

An operator who changes the weight too soon is followed: the reading is noted as poor, the run goes on.

>>> from padlab.capture.procedure import read_procedure
>>> WeightFollower(read_procedure("dead-weight")).prompt()
'let 1800 g in all (pan and spindle too) down on the pad, gently; hands off; then Enter (working-in)'
"""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padlab.capture.procedure import Procedure, Step
from padlab.capture.prompts import Said, prompt
from padlab.capture.steps import Attempt

Array = NDArray[np.float64]

TICK_S = 0.2
"""Looked at so often on the run's own axis, however the readings arrive [s]."""
LOOK_S = 4.0
"""The stretch in which a weight must lie still: two halves of it are compared [s]."""
STILL_SHARE = 0.02
"""Still: its halves differ by at most this share of what the weight has moved the pad; design choice.
A pad that sinks by 4 % per decade moves by 1.2 % from 3 s to 5 s."""
STILL_MM = 0.001
"""... or by one micrometre, about the step and the noise of a cheap indicator [mm]."""
LATEST_S = 60.0
"""A weight that has not settled so long after it should have is read as it is, and noted [s]."""
MOVED_MM = 0.003
"""A move over this (and six times the noise) is a weight put on or off [mm]."""
JOLT_SHARE = 0.5
"""A sudden move by so large a share of the weight's own is a weight that was touched; design choice."""


class WeightFollower:
    """Follows a dead-weight session through the indicator's readings and the operator's word.

    Parameters
    ----------
    procedure : Procedure
        Weights, and times without any.
    yes_after_s : float, optional
        Confirm by itself, when the indicator has moved since the weight was asked for and has then
        been still for so long (rig time): for virtual rigs, and for hands that are full.

    Attributes
    ----------
    attempts, shortened, done
        As of :class:`padlab.capture.steps.StepFollower`.
    """

    quantity = "displacement"
    noise_n: float | None = None
    zero_n: float | None = 0.0           # a force that nobody measures needs no zero

    def __init__(self, procedure: Procedure, *, yes_after_s: float | None = None) -> None:
        self.procedure = procedure
        self.steps = procedure.steps
        self.yes_after_s = yes_after_s
        self.attempts: list[Attempt] = []
        self.shortened: list[str] = []
        self.done = False
        self.index = 0
        self._now_s = 0.0
        self._asked_s: float | None = None       # when this step began
        self._on_s: float | None = None          # when its weight was confirmed
        self._confirmed = False                  # said, not yet placed on the axis
        self._time: Array = np.zeros(0)          # since a little before this step was asked
        self._at: Array = np.zeros(0)
        self._before_mm: float | None = None     # where the pad stood when this step was asked
        self._broken = False
        self._new: tuple[Array, Array] = (np.zeros(0), np.zeros(0))     # not yet a whole tick
        self._said: list[Said] = []

    @property
    def step(self) -> Step | None:
        """The step that is being done; None after the last."""
        return self.steps[self.index] if self.index < len(self.steps) else None

    @property
    def is_active(self) -> bool:
        """Whether something is going on that needs no hand."""
        return self._on_s is not None or (self.step is not None and self.step.do == "away")

    def prompt(self) -> str:
        """What the operator is to do now."""
        return "that was the last; weights off" if self.step is None else prompt(self.step, left=1)

    def progress(self) -> str:
        """Where things stand, in a few words."""
        step = self.step
        if step is None or not self._time.size or self._asked_s is None:
            return self.prompt()
        at = f" | {self._at[-1]:.3f} mm"
        since = self._asked_s if step.do == "away" else self._on_s
        if since is None:
            return f"{_name(step)}: Enter when it is on{at}"
        return f"{_name(step)}: {self._now_s - since:.0f} s of {step.seconds:g} s at least{at}"

    def confirm(self) -> None:
        """The operator says: the weight that was asked for is on, hands off."""
        self._confirmed = True

    def lost(self) -> list[Said]:
        """Readings are missing: what is being read now does not count."""
        self._broken = self._on_s is not None or self._broken
        self._time, self._at = self._time[:0], self._at[:0]
        self._new = (np.zeros(0), np.zeros(0))
        return []

    def feed(self, time: Array, at: Array) -> list[Said]:
        """Take the next samples (time on the run's axis, indicator in mm); gives what is to be said."""
        time, at = np.concatenate([self._new[0], time]), np.concatenate([self._new[1], at])
        ticks = np.floor(time / TICK_S).astype(np.int64)
        ends = np.flatnonzero(np.diff(ticks) > 0) + 1
        start = 0
        for end in ends.tolist():
            if not self.done:
                self._take(time[start:end], at[start:end])
            start = end
        self._new = time[start:], at[start:]
        said, self._said = self._said, []
        return said

    def _take(self, time: Array, at: Array) -> None:
        self._time, self._at = np.concatenate([self._time, time]), np.concatenate([self._at, at])
        self._now_s = float(time[-1])
        if self._asked_s is None:
            self._ask(first=True)
        if self.step is not None:
            (self._wait_away if self.step.do == "away" else self._weigh)(self.step)

    # -- one step --------------------------------------------------------------------------------

    def _ask(self, *, first: bool = False) -> None:
        """Begin the step that is next: remember where the pad stands."""
        self._asked_s, self._on_s, self._broken = self._now_s, None, False
        keep = self._time > self._now_s - 1.0
        self._time, self._at = self._time[keep], self._at[keep]
        self._before_mm = float(np.median(self._at)) if self._at.size else None
        self._confirmed = False
        if not first:
            self._say(self.prompt())

    def _wait_away(self, step: Step) -> None:
        began = self._asked_s or 0.0
        if self._now_s - began >= (step.seconds or 0.0):
            self._finish(step, began, None)

    def _weigh(self, step: Step) -> None:
        if self._on_s is None:
            if not (self._confirmed or self._may_say_yes()):
                return
            self._on_s, self._confirmed = self._now_s, False
            self._say(f"{_name(step)} is on: hands off until it has settled", "good")
            return
        on = self._on_s
        self._confirmed = False                      # an Enter too many confirms nothing later
        if self._broken:
            self._finish(step, on, "readings are missing while it lay on the pad")
            return
        if self._is_touched(on):
            self._finish(step, on, "it was touched, or changed before it had settled")
            return
        spent = self._now_s - on
        if spent < (step.seconds or 0.0):
            return
        if self._is_still():
            self._finish(step, on, None)
        elif spent > (step.seconds or 0.0) + LATEST_S:
            self._finish(step, on, f"it had not settled after {spent:.0f} s")

    def _finish(self, step: Step, from_s: float, reason: str | None) -> None:
        self.attempts.append(Attempt(
            self.index, step.do, step.label, round(from_s, 6), round(self._now_s, 6), None, reason is None,
            reason, step.mass_kg))
        if reason is not None:
            self.shortened.append(f"{step.label}, {_name(step)}: {reason}")
            self._say(f"this one does not count: {reason}", "poor")
        self.index += 1
        if self.step is None:
            self.done = True
            self._say(self.prompt())
            return
        self._ask()

    # -- what the indicator shows -----------------------------------------------------------------

    def _level(self, from_s: float, to_s: float) -> float | None:
        inside = (self._time > from_s) & (self._time <= to_s)
        return float(np.median(self._at[inside])) if inside.any() else None

    def _noise_mm(self) -> float:
        """Of one reading, from third differences, which no sinking reaches."""
        third = np.diff(self._at[-400:], 3)
        return float(1.4826 * np.median(np.abs(third)) / np.sqrt(20.0)) if third.size > 20 else STILL_MM

    def _moved_mm(self) -> float:
        now = self._level(self._now_s - 0.5, self._now_s)
        return 0.0 if now is None or self._before_mm is None else abs(now - self._before_mm)

    def _is_still(self) -> bool:
        """Whether the two halves of the last stretch agree to a trace."""
        return self._drift_mm(LOOK_S) <= max(STILL_MM, STILL_SHARE * self._moved_mm())

    def _drift_mm(self, over_s: float) -> float:
        early = self._level(self._now_s - over_s, self._now_s - over_s / 2)
        late = self._level(self._now_s - over_s / 2, self._now_s)
        if early is None or late is None or self._time[0] > self._now_s - 0.9 * over_s:
            return np.inf
        return abs(late - early)

    def _is_touched(self, on_s: float) -> bool:
        """A jolt: within half a second as much as half of what the weight did, once it lay still."""
        if self._now_s - on_s < 1.5 or self._moved_mm() == 0.0:
            return False
        reference, now = self._level(on_s, self._now_s - 0.5), self._level(self._now_s - 0.2, self._now_s)
        if reference is None or now is None or self._before_mm is None:
            return False
        own = abs(reference - self._before_mm)
        return abs(now - reference) > max(MOVED_MM, 6 * self._noise_mm(), JOLT_SHARE * own)

    def _may_say_yes(self) -> bool:
        """By itself: it has moved since it was asked for, and has been still for the time given."""
        wait = self.yes_after_s
        if wait is None or self._moved_mm() < max(MOVED_MM, 6 * self._noise_mm()):
            return False
        return self._drift_mm(max(wait, 0.4)) <= max(STILL_MM, STILL_SHARE * self._moved_mm())

    def _say(self, text: str, tone: Literal["prompt", "good", "poor"] = "prompt") -> None:
        self._said.append(Said(text, tone))


def _name(step: Step) -> str:
    return step.label if step.mass_kg is None else f"{1000 * step.mass_kg:g} g"
