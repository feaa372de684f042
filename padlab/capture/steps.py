"""Which step of the procedure is being done, seen from nothing but the samples.

The hand that presses has no other hand for a keyboard. So a step counts when the force has done
what the step asks; what the force did badly is said at once and may be repeated; and a hand that
does not repeat but goes on is followed: the run goes on with fewer strokes and says so. Nothing
here knows a port, a file or a screen.

    zero?  --quiet 0.8 s-->  step 1 --press, press, press-->  step 2 ... last --1 s at rest--> done

Times are the rig's own, forces net (less the zero of the idle stretch). The strokes that the
analysis uses are found again in the stored samples; what is noted here is what was asked and seen.

>>> from padlab.capture.procedure import read_procedure
>>> StepFollower(read_procedure("blank")).prompt()
'hands off the press: the zero of the force is being taken'
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from padlab.capture.presses import Mender, Press, PressFinder, Span
from padlab.capture.procedure import Procedure, Step
from padlab.capture.prompts import AT_REST, HANDS_OFF, Said, prompt
from padlab.capture.quiet import Quiet
from padlab.records.pad import F0_N
from padlab.signals.seen import TAKEN_BACK

Array = NDArray[np.float64]

PEAK_SHARE, PEAK_N = 0.08, 0.3
"""A peak off by more than 8 % of the asked one (0.3 N at least) makes a stroke poor, as in the fit."""
NEXT_SHARE, NEXT_N = 0.20, 0.5
"""A peak this close to the next step's is that step's; design choice."""
SHORTEST_RISE_S = {"slow": 0.4, "quick": 0.1}
"""A quicker press is poor: the speed of the bench is 0.1-0.2 mm/s, four times that when quick."""
HOLD_BAND = 0.20
"""A hold is counted while the force is within 20 % of the asked one; analysis judges it finer."""
HOLD_TOP = 1.25
"""A press this much over the hold's force spoils it: the pad remembers; design choice."""
ENOUGH = 0.9
"""A hold or a rest of nine tenths of the asked time counts; design choice."""
TAIL_S, TAIL_SAMPLES = 1.0, 50
"""At rest after the last step, so that the zero of the force can be checked."""
MISSING = "readings are missing while it was pressed"
PRESSED = ("stroke", "bare", "hold", "keep")
"""Steps that a hand presses, and may want to do again."""
PIECE = 256
"""Samples looked at together, so that the answer does not depend on how they arrive."""


@dataclass(frozen=True)
class Attempt:
    """One attempt at a step: what was asked, what was seen, whether it counts."""

    step: int                        # place in the procedure, from 0
    do: str
    label: str
    from_s: float
    to_s: float
    peak_n: float | None
    good: bool
    reason: str | None = None
    mass_kg: float | None = None

    def to_json(self) -> dict[str, Any]:
        """As stored in a run's descriptor."""
        return asdict(self)


class StepFollower:
    """Follows a procedure through a stream of samples.

    Attributes
    ----------
    attempts : list of Attempt
        All so far, poor ones too.
    shortened : list of str
        Where the procedure went on with less than it asks.
    done : bool
        The procedure is complete.
    """

    def __init__(self, procedure: Procedure) -> None:
        self.procedure = procedure
        self.steps = procedure.steps
        self.attempts: list[Attempt] = []
        self.shortened: list[str] = []
        self.done = False
        self.zero_n: float | None = None
        self.net_n: float | None = None
        self.index = 0
        self.count = 0                       # good strokes of this step
        smallest = min((s.to_n for s in self.steps if s.to_n is not None), default=5.0)
        self.touch_n = min(1.0, 0.4 * smallest)          # less than this is a touch, no press
        self._finder = PressFinder(on_n=max(1.2 * F0_N, min(0.5, 0.5 * self.touch_n)))
        self._mender, self._quiet, self._stuck = Mender(), Quiet(), Quiet()
        self._said: list[Said] = []
        self._now_s = self._began_s = self._released_s = 0.0
        self._idle_samples = 0
        self._poor_in_row = 0
        self._after_gap = False
        self._hold = _Hold()

    @property
    def step(self) -> Step | None:
        """The step that is being done; None after the last."""
        return self.steps[self.index] if self.index < len(self.steps) else None

    @property
    def is_active(self) -> bool:
        """Whether something is going on that needs no hand, or a hand is pressing."""
        timed = self.step is None or self.step.do in ("rest", "free", "away")
        return self.zero_n is not None and (timed or self._finder.press is not None)

    @property
    def quantity(self) -> str:
        """What it looks at."""
        return "force"

    @property
    def _since_s(self) -> float:
        press = self._finder.press
        keeps = self.step is not None and self.step.do == "keep"
        return press.peak_s if keeps and press is not None else self._began_s

    @property
    def noise_n(self) -> float | None:
        """Noise of the last stretch in which the zero was looked for."""
        return self._quiet.noise_n

    def feed(self, time: Array, force: Array) -> list[Said]:
        """Take the next samples (time on the run's axis, force as read); gives what is to be said."""
        time, force = self._mender.feed(time, force)
        for start in range(0, time.size, PIECE):
            t, f = time[start:start + PIECE], force[start:start + PIECE]
            if self.zero_n is None:
                t, f = self._seek_zero(t, f)
            if self.zero_n is not None and t.size and not self.done:
                self._now_s, self.net_n = float(t[-1]), float(f[-1] - self.zero_n)
                self._follow(t, f - self.zero_n)
        said, self._said = self._said, []
        return said

    def lost(self) -> list[Said]:
        """Readings are missing: a press that was going on does not count, nor does the rest of it."""
        self._mender.reset()
        self._quiet.reset()
        self._stuck.reset()
        self._after_gap = True
        press, step = self._finder.press, self.step
        if press is not None and not press.judged:
            press.broken = True
            if press.peak_n >= self.touch_n and step is not None and step.do in ("stroke", "bare", "hold"):
                press.judged = True
                self._poor(step, press, MISSING)
        self._hold = _Hold()
        said, self._said = self._said, []
        return said

    def again(self) -> list[Said]:
        """Take back the last press that counted, at the word of whoever pressed: it is asked for once more.

        Both stay on record, the first as one that does not count. Where nothing can be taken back the answer
        says why; nothing has changed then.
        """
        refused = self._why_not_again()
        if refused is not None:
            self._say(f"{refused}: {self.prompt()}")
        else:
            last = self.attempts[-1]
            self.attempts[-1] = replace(last, good=False, reason=TAKEN_BACK)
            if self.step is not None and self.step.do == "free":          # what was played since is no stroke
                self._note(self.step, self._began_s, self._now_s, None, TAKEN_BACK)
            self.count = (self.count if last.step == self.index else self.steps[last.step].count) - 1
            self.index, self._poor_in_row, self._hold = last.step, 0, _Hold()
            peak = "" if last.peak_n is None else f", {last.peak_n:.1f} N"
            self._say(f"taken back: {last.label}{peak}; it stays on record and does not count", "poor")
            self._say("once more: " + self.prompt())
        said, self._said = self._said, []
        return said

    def _why_not_again(self) -> str | None:
        press = self._finder.press
        if self.done or not self.attempts:
            return "nothing was pressed that could be taken back"
        if press is not None and press.peak_n >= self.touch_n:
            return "let go first, then take it back"
        last = self.attempts[-1]
        if not last.good:
            return "the last one does not count anyway"
        if last.do not in PRESSED or not last.step <= self.index <= last.step + 1:
            return "the last step was no press"
        return None

    def prompt(self) -> str:
        """What the hand is to do now."""
        step = self.step
        if self.zero_n is None:
            return HANDS_OFF
        if step is None:
            return AT_REST
        return prompt(step, left=step.count - self.count)

    def progress(self) -> str:
        """Where things stand, in a few words."""
        step = self.step
        if self.zero_n is None or step is None:
            return self.prompt()
        net = "" if self.net_n is None else f" | {self.net_n:.2f} N"
        if step.do in ("stroke", "bare"):
            return f"{step.label}: {self.count} of {step.count}{net} of {step.to_n:g} N"
        spent = self._hold.held_s if step.do == "hold" else max(0.0, self._now_s - self._since_s)
        return f"{step.label}: {min(spent, step.seconds or 0):.0f} s of {step.seconds:g} s{net}"

    # -- from samples to events ------------------------------------------------------------------

    def _seek_zero(self, t: Array, f: Array) -> tuple[Array, Array]:
        found = self._quiet.feed(t, f)
        if found is None:
            return t[:0], f[:0]
        stretch, used = found
        self.zero_n = stretch.level_n
        self._now_s = self._began_s = self._released_s = stretch.to_s
        self._say(f"zero taken: {stretch.level_n:.3f} N, noise {stretch.noise_n:.3f} N", "good")
        self._say(self.prompt())
        return t[used:], f[used:]

    def _follow(self, t: Array, net: Array) -> None:
        for span in self._finder.feed(t, net):
            if self._after_gap and span.time_s.size:
                self._after_gap = False
                if span.press is not None:
                    span.press.broken = True         # it may have begun in the gap
            if self.step is not None and self.step.do == "free":
                self._free(self.step, float(span.time_s[-1]) if span.time_s.size else self._now_s)
            elif span.press is None:
                self._idle(span)
            else:
                self._pressing(span, span.press)
                if span.ended:
                    self._stuck.reset()
                    self._let_go(span.press)
            if self.done:
                return

    def _idle(self, span: Span) -> None:
        now, step = float(span.time_s[-1]), self.step
        self._idle_samples += span.time_s.size
        self._mind_the_zero(span)
        if step is None:
            if now - self._released_s >= TAIL_S and self._idle_samples >= TAIL_SAMPLES:
                self.done = True
        elif step.do in ("rest", "away"):
            self._rest(step, now)
        elif self._poor_in_row and self._next_rest_is_over(now):
            self._skip_to(self.index + 1)          # the hand did not repeat; it went on
            self._began_s = self._released_s
            self._rest(self.steps[self.index], now)

    def _pressing(self, span: Span, press: Press) -> None:
        step = self.step
        if span.time_s.size == 0 or self._is_let_go(span, press) or press.judged:
            return
        if press.peak_n < self.touch_n:
            if step is not None and step.do == "rest":
                self._rest(step, float(span.time_s[-1]))
            return
        self._quiet.reset()
        if step is not None and step.do in ("rest", "away"):
            self._rest(step, press.from_s, ended=True)
            step = self.step
        if step is None or step.do == "free":
            return
        if step.do == "keep":
            self._keeping(step, span, press)
            return
        if step.do == "hold":
            self._holding(step, span, press)
            return
        later = range(self.index + 1, len(self.steps))
        ahead = next((j for j in later if self.steps[j].do == "hold"), None)
        if (ahead is not None and self._may_skip_to(ahead)
                and self._hold.is_under_way(self.steps[ahead], span, press)):
            self._skip_to(ahead)

    def _let_go(self, press: Press) -> None:
        step, judged = self.step, press.judged
        hold, self._hold = self._hold, _Hold()
        self._idle_samples = 0
        if press.peak_n < self.touch_n:
            return
        self._released_s = press.to_s
        if judged:
            self._began_s = press.to_s
            return
        if step is None or (step.to_n is None and step.do != "keep"):
            return
        if step.do == "keep":
            press.judged = True
            seen = f"{press.to_s - press.peak_s:.0f} s under load, not {step.seconds:g} s"
            self._poor(step, press, MISSING if press.broken else seen)
            return
        if not _fits(step, press.peak_n) and not (step.do == "hold" and hold.held_s > 0.5):
            ahead = self._step_ahead(step, press.peak_n)
            if ahead is not None:
                self._skip_to(ahead)
                step = self.steps[ahead]
        press.judged = True
        if press.broken:
            self._poor(step, press, MISSING)
        elif step.do == "hold":
            self._judge_hold(step, press, hold.held_s)
        else:
            self._judge_stroke(step, press)

    # -- judging -----------------------------------------------------------------------------------

    def _judge_stroke(self, step: Step, press: Press) -> None:
        to_n = step.to_n or 0.0
        if not _fits(step, press.peak_n):
            self._poor(step, press, f"the peak was {press.peak_n:.1f} N, not {to_n:g} N")
        elif press.twice:
            self._poor(step, press, "it was pressed twice without letting go between")
        elif press.rise_s < SHORTEST_RISE_S[step.pace]:
            self._poor(step, press, f"far too fast: pressed within {press.rise_s:.2f} s")
        else:
            self._note(step, press.from_s, press.to_s, press.peak_n)
            self.count += 1
            place = f" {self.count} of {step.count}" if step.count > 1 else ""
            self._say(f"{step.label}{place}: {press.peak_n:.1f} N", "good")
            if self.count >= step.count:
                self._go_on(press.to_s)

    def _judge_hold(self, step: Step, press: Press, held_s: float) -> None:
        to_n, seconds = step.to_n or 0.0, step.seconds or 0.0
        if press.peak_n > HOLD_TOP * to_n:
            self._poor(step, press, f"pressed to {press.peak_n:.1f} N, over the {to_n:g} N to be held")
        elif held_s < ENOUGH * seconds:
            self._poor(step, press, f"near {to_n:g} N for {held_s:.0f} s, not {seconds:g} s")
        else:
            self._held(step, press)

    def _holding(self, step: Step, span: Span, press: Press) -> None:
        to_n = step.to_n or 0.0
        if press.broken or press.peak_n > HOLD_TOP * to_n:
            return                                   # judged when it is let go
        if self._hold.add(to_n, span) >= (step.seconds or 0.0):
            press.judged = True
            self._held(step, press)

    def _keeping(self, step: Step, span: Span, press: Press) -> None:
        """The press is locked: the force may fall as far as it likes, as long as there is some."""
        if press.broken or float(span.time_s[-1]) - press.peak_s < (step.seconds or 0.0):
            return                                   # judged when it is let go
        press.judged = True
        if step.to_n is not None and press.peak_n > HOLD_TOP * step.to_n:
            self._poor(step, press, f"pressed to {press.peak_n:.1f} N, over the {step.to_n:g} N asked")
            return
        self._note(step, press.from_s, press.to_s, press.peak_n)
        self._say(f"{step.label}: enough, let go", "good")
        self._go_on(press.to_s)

    def _held(self, step: Step, press: Press) -> None:
        self._note(step, press.from_s, press.to_s, press.peak_n)
        self._say(f"{step.label} at {step.to_n:g} N: enough, let go", "good")
        self._go_on(press.to_s)

    def _rest(self, step: Step, now: float, *, ended: bool = False) -> None:
        seconds, spent = step.seconds or 0.0, now - self._began_s
        if spent >= seconds or (ended and spent >= ENOUGH * seconds):
            # Over when its time was over, not when that was looked at: a late look shortens no later step.
            over = min(now, self._began_s + seconds)
            self._note(step, self._began_s, over, None)
            self._say(f"{step.label}: enough", "good")
            self._go_on(over)
        elif ended:
            reason = f"{step.label}: {spent:.0f} s of {seconds:g} s"
            self._note(step, self._began_s, now, None, reason)
            self._shorten(reason)
            self._go_on(now)

    def _free(self, step: Step, now: float) -> None:
        if now - self._began_s >= (step.seconds or 0.0):
            self._note(step, self._began_s, now, None)
            self._say(f"{step.label}: enough", "good")
            self._idle_samples, self._released_s = 0, now
            self._go_on(now)

    def _poor(self, step: Step, press: Press, reason: str) -> None:
        self._poor_in_row += 1
        self._note(step, press.from_s, press.to_s, press.peak_n, reason)
        self._say(f"this one does not count: {reason}", "poor")
        self._say("once more: " + self.prompt())

    # -- moving on ---------------------------------------------------------------------------------

    def _step_ahead(self, step: Step, peak_n: float) -> int | None:
        """The step that a press of this peak belongs to, if that is a later one.

        Only the next one is looked at, lest a finger that slips be taken for a later step; after
        two that did not count, any later one is.
        """
        for j in range(self.index + 1, len(self.steps)):
            later = self.steps[j]
            if later.do in ("rest", "away"):
                continue
            if later.do in ("stroke", "bare") and later.to_n is not None and step.to_n is not None:
                off = abs(peak_n - later.to_n)
                if off <= max(NEXT_SHARE * later.to_n, NEXT_N) and off < abs(peak_n - step.to_n):
                    return j if self._may_skip_to(j) else None
            if self._poor_in_row < 2:
                return None
        return None

    def _may_skip_to(self, index: int) -> bool:
        """Whether nothing that is repeated would be left out altogether."""
        begun = self.count > 0 or self._poor_in_row > 0
        return all(s.count == 1 or (i == self.index and begun)
                   for i, s in enumerate(self.steps[:index]) if i >= self.index)

    def _next_rest_is_over(self, now: float) -> bool:
        after = self.index + 1
        if after >= len(self.steps) or self.steps[after].do != "rest":
            return False
        return now - self._released_s >= (self.steps[after].seconds or 0.0)

    def _skip_to(self, index: int) -> None:
        """Go on with a later step; what is passed over is noted."""
        while self.index < index:
            step = self.steps[self.index]
            if step.do == "hold":
                self._shorten(f"{step.label} at {step.to_n:g} N: not held for {step.seconds:g} s")
            elif step.do in ("keep", "away"):
                self._shorten(f"{step.label}: not for {step.seconds:g} s")
            elif step.do in ("stroke", "bare"):
                self._shorten(f"{step.label} to {step.to_n:g} N: {self.count} of {step.count}")
            else:
                self._shorten(f"{step.label}: left out")
            self.index, self.count = self.index + 1, 0
        self._poor_in_row = 0

    def _go_on(self, now: float) -> None:
        self.index, self.count, self._poor_in_row = self.index + 1, 0, 0
        self._began_s = now
        self._hold = _Hold()
        self._say(self.prompt())

    def _shorten(self, text: str) -> None:
        self.shortened.append(text)
        self._say(f"going on: {text}", "poor")

    def _note(
        self, step: Step, from_s: float, to_s: float, peak_n: float | None, reason: str | None = None
    ) -> None:
        self.attempts.append(Attempt(
            self.index, step.do, step.label, round(from_s, 6), round(to_s, 6),
            None if peak_n is None else round(peak_n, 4), reason is None, reason,
        ))

    def _say(self, text: str, tone: Literal["prompt", "good", "poor"] = "prompt") -> None:
        self._said.append(Said(text, tone))

    # -- a zero that moves -------------------------------------------------------------------------

    def _mind_the_zero(self, span: Span) -> None:
        """At rest below the zero: the zero was taken under a touch, or has moved; take it again."""
        found = self._quiet.feed(span.time_s, span.net_n)
        if found is not None and found[0].level_n < -0.4 * F0_N:
            self._move_zero(found[0].level_n)

    def _is_let_go(self, span: Span, press: Press) -> bool:
        """Let go, though the force is not back below F0: a light touch stays on, or the zero moved."""
        if span.ended:
            return False
        level = float(span.net_n[-1])
        if not (press.judged and level < self.touch_n):
            found = self._stuck.feed(span.time_s, span.net_n)
            if found is None:
                return False
            level = found[0].level_n
            if level >= self.touch_n or level >= 0.25 * max(press.peak_n, 4 * self.touch_n):
                return False
            self._move_zero(level)
            level = 0.0
        self._finder.drop(rests_at_n=level)
        self._stuck.reset()
        self._let_go(press)
        return True

    def _move_zero(self, by_n: float) -> None:
        self.zero_n = (self.zero_n or 0.0) + by_n
        if abs(by_n) >= F0_N:
            self._say(f"the zero of the force was taken again: it had moved by {by_n:+.2f} N", "poor")


def _fits(step: Step, peak_n: float) -> bool:
    to_n = step.to_n or 0.0
    return abs(peak_n - to_n) <= max(PEAK_SHARE * to_n, PEAK_N)


@dataclass
class _Hold:
    """How long the force has been where a hold wants it."""

    held_s: float = 0.0
    _last_s: float | None = None
    _for_n: float | None = None

    def add(self, to_n: float, span: Span) -> float:
        """Take samples of a press; gives the seconds near ``to_n`` so far."""
        if self._for_n != to_n:
            self.held_s, self._last_s, self._for_n = 0.0, None, to_n
        time = span.time_s
        step = np.diff(time, prepend=time[0] if self._last_s is None else self._last_s)
        step = np.clip(step, 0.0, 1.0)              # what is missing was not seen to be held
        near = np.abs(span.net_n - to_n) <= HOLD_BAND * to_n
        self.held_s += float(step[near].sum())
        self._last_s = float(time[-1])
        return self.held_s

    def is_under_way(self, step: Step, span: Span, press: Press) -> bool:
        """Whether a press that was to be a stroke is in truth that hold: a quarter of it has passed."""
        to_n = step.to_n or 0.0
        if press.peak_n > HOLD_TOP * to_n:
            return False
        return self.add(to_n, span) >= max(5.0, 0.25 * (step.seconds or 0.0))
