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
from padlab.capture.prompts import Said, prompt, weight_prompt
from padlab.capture.steps import Attempt

Array = NDArray[np.float64]

TICK_S = 0.2
"""Looked at so often on the run's own axis, however the readings arrive [s]."""
LOOK_S = 4.0
"""The stretch in which a weight must lie still: two halves of it are compared [s]."""
STILL_SHARE = 0.02
"""Still: its halves differ by at most this share of how deep the pad is pressed; design choice.
A pad that sinks by 4 % per decade moves by 1.2 % from 3 s to 5 s."""
STILL_MM = 0.001
"""... or by one micrometre, about the step and the noise of a cheap indicator [mm]."""
LATEST_S = 60.0
"""A weight that has not settled so long after it should have is read as it is, and noted [s]."""
MOVED_MM = 0.003
"""A move within a second over this (and four times the noise) is a weight put on or off [mm] ..."""
SUDDEN = 4.0
"""... if it is so many times what the pad had moved in the second before; design choice."""
KEPT_S = 6.0
"""Readings further back are not looked at [s]."""
OVER_SHARE = 0.05
"""A move is over when a second brings less than this share of its fastest one; design choice."""
QUIET_S = 1.5
"""So long after the operator's word nothing is taken for a touch: the hand is still going away [s]."""
LIFTED_WITHIN_S = 30.0
"""Where nobody says a word, a lift is waited for so long; then it is taken as done [s]."""


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
        self._carries_kg: float | None = None    # what lies on the pad, as far as is known
        self._lightest: tuple[float, float] | None = None      # least mass read so far, and where [kg, mm]
        self._before_mm: float | None = None     # where the pad stood when this step was asked
        self._moved_s: float | None = None       # when this step's own move was last seen
        self._fastest_mm = 0.0                   # ... and the most of it within a second
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
        if self.step is None:
            return "that was the last; weights off"
        if self.step.do == "weight":
            return weight_prompt(self.step, carries_kg=self._carries_kg, by_enter=self.yes_after_s is None)
        return prompt(self.step, left=1)

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
        recent = self._time > self._now_s - KEPT_S
        self._time, self._at = self._time[recent], self._at[recent]
        if self._asked_s is None:
            self._ask(first=True)
        if self.step is not None:
            (self._wait_away if self.step.do == "away" else self._weigh)(self.step)

    # -- one step --------------------------------------------------------------------------------

    def _ask(self, *, first: bool = False) -> None:
        """Begin the step that is next: remember where the pad stands."""
        self._asked_s, self._on_s, self._broken = self._now_s, None, False
        self._confirmed = first and self._confirmed      # said before the first reading had come
        self._moved_s, self._fastest_mm = None, 0.0
        self._before_mm = self._level(self._now_s - 1.0, self._now_s)
        if not first:
            self._say(self.prompt())

    def _wait_away(self, step: Step) -> None:
        began = self._asked_s or 0.0
        if self.yes_after_s is not None and self._carries_kg is not None:     # nobody says: it is lifted
            if not self._has_moved(-1) and self._now_s - began < LIFTED_WITHIN_S:
                return
            began = self._asked_s = self._moved_s or began
            self._carries_kg = None
        if self._now_s - began >= (step.seconds or 0.0):
            self._finish(step, began, None)

    def _weigh(self, step: Step) -> None:
        if self._on_s is None:
            if not (self._confirmed or self._may_say_yes(step)):
                return
            self._on_s, self._confirmed, self._carries_kg = self._now_s, False, step.mass_kg
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
        at, mass = self._level(self._now_s - 1.0, self._now_s), step.mass_kg
        if reason is None and at is not None and mass is not None and (
                self._lightest is None or mass <= self._lightest[0]):
            self._lightest = (mass, at)
        if step.do == "away":
            self._carries_kg = None
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

    def _is_still(self) -> bool:
        """Whether the two halves of the last stretch agree to a trace."""
        now = self._level(self._now_s - 0.5, self._now_s)
        from_mm = self._before_mm if self._lightest is None else self._lightest[1]
        deep = 0.0 if now is None or from_mm is None else abs(now - from_mm)
        return self._drift_mm(LOOK_S) <= max(STILL_MM, STILL_SHARE * deep)

    def _drift_mm(self, over_s: float) -> float:
        early = self._level(self._now_s - over_s, self._now_s - over_s / 2)
        late = self._level(self._now_s - over_s / 2, self._now_s)
        if early is None or late is None or self._time[0] > self._now_s - 0.9 * over_s:
            return np.inf
        return abs(late - early)

    def _moves_mm(self) -> tuple[float, float] | None:
        """How far it went within the last second and within the one before, + = thinner [mm]."""
        now, before, earlier = (self._level(self._now_s - ago - 0.4 * (1 + (ago > 0)), self._now_s - ago)
                                for ago in (0.0, 0.6, 1.6))
        return None if now is None or before is None or earlier is None else (now - before, before - earlier)

    def _least_mm(self) -> float:
        return max(MOVED_MM, 4 * self._noise_mm())

    def _is_touched(self, on_s: float) -> bool:
        """A jolt, once the hand is away: a move, and far more than what went before."""
        moves = self._moves_mm()
        if moves is None or self._now_s - on_s < QUIET_S:
            return False
        return abs(moves[0]) > max(self._least_mm(), SUDDEN * abs(moves[1]))

    def _has_moved(self, way: int) -> bool:
        """Note a move that way since this step was asked for; True once it is over."""
        moves = self._moves_mm()
        if moves is None or self.yes_after_s is None:
            return False
        if way * moves[0] > self._least_mm():
            self._fastest_mm = max(self._fastest_mm, abs(moves[0]))
            if abs(moves[0]) > OVER_SHARE * self._fastest_mm:
                self._moved_s = self._now_s
        return self._moved_s is not None and self._now_s - self._moved_s >= self.yes_after_s

    def _may_say_yes(self, step: Step) -> bool:
        """By itself: it has moved the way it must since it was asked for, and has been calm since."""
        heavier = self._carries_kg is None or (step.mass_kg or 0.0) > self._carries_kg
        return self._has_moved(1 if heavier else -1)

    def _say(self, text: str, tone: Literal["prompt", "good", "poor"] = "prompt") -> None:
        self._said.append(Said(text, tone))


def _name(step: Step) -> str:
    return step.label if step.mass_kg is None else f"{1000 * step.mass_kg:g} g"
