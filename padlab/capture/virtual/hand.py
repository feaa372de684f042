"""The hand that plays a procedure on whatever lies between the anvils.

It moves the anvil at an uneven speed until the force is reached, holds with a wandering force and a
little tremor, lets go, pauses. ``IDEAL`` is the machine that does the same evenly and exactly: the
noise-free answers are its answers. Every chance comes from the generator that is passed in.

Pace: slow is 0.18 mm/s, but a press takes 2 s at least, so that a stiff piece is pressed more slowly;
quick is four times as fast.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padlab.capture.procedure import Procedure, Step
from padlab.capture.virtual.physics import Squeezed
from padlab.records.pad import F0_N

BENCH_SPEED_MM_PER_S = 0.18
SHORTEST_PRESS_S = 2.0
QUICK = 4.0
WEIGHT_N_PER_KG = 9.8104 * (1 - 1.2 / 7850)
"""The virtual bench stands at 50 degrees north, near the sea: gravity 9.8104 m/s2, weights of steel."""
_LONGEST_STEP_S = 0.004
_STUCK_AFTER_S = 120.0


@dataclass(frozen=True)
class Hand:
    """How uneven a hand is; all zero is a machine."""

    speed_wander: float = 0.12         # sd of log speed, slow; never beyond +-25 %
    speed_jitter: float = 0.06         # sd of relative speed, a few times a second
    peak_scatter: float = 0.02         # sd of the peak force, relative
    slows_down: bool = True            # before the peak, as a hand that does not want to overshoot
    dwell_s: tuple[float, float] = (0.05, 0.25)    # at the peak
    hold_wander: float = 0.012         # sd of the held force over seconds, relative
    hold_drift: float = 0.008          # sd of the slow drift of the held force over a minute, relative
    tremor: float = 0.002              # sd of the held force at some Hz, relative
    rest_wander_n: float = 0.02        # sd of the light touch, never beyond 0.05 N
    reaction_s: float = 0.06           # how fast it follows the force it feels
    pause_s: tuple[float, float] = (0.3, 1.0)      # between strokes
    stays_on: float = 0.2              # share of let-goes that keep a touch of 0-0.2 N
    lowers_s: tuple[float, float] = (0.3, 0.5)     # how long it takes to let a weight down
    minds_s: tuple[float, float] = (8.0, 12.0)     # how long it leaves a weight beyond the time asked


IDEAL = Hand(speed_wander=0, speed_jitter=0, peak_scatter=0, slows_down=False, dwell_s=(0, 0),
             hold_wander=0, hold_drift=0, tremor=0, rest_wander_n=0, reaction_s=0, pause_s=(0.6, 0.6),
             stays_on=0, lowers_s=(0.4, 0.4), minds_s=(10.0, 10.0))


@dataclass(frozen=True)
class Event:
    """What the hand did, and when, on the motion's own clock."""

    do: str
    label: str
    from_s: float
    to_s: float
    to_n: float | None = None


@dataclass(frozen=True)
class Motion:
    """What truly happened between the anvils, sampled evenly.

    ``travel_mm`` is the anvil's way from the first touch of the fresh piece (+ = thinner), without
    the give of any frame; ``free_height_mm`` turns it into a place: ``travel_mm - free_height_mm``
    is the anvil's place from bare-anvil contact.
    """

    time_s: NDArray[np.float64]
    force_n: NDArray[np.float64]
    travel_mm: NDArray[np.float64]
    events: tuple[Event, ...]
    free_height_mm: float

    def during(self, label: str) -> list[Event]:
        """The events with that label, in order."""
        return [e for e in self.events if e.label == label]


def play(
    piece: Squeezed, procedure: Procedure, *, hand: Hand | Literal["ideal"] = IDEAL, rate_hz: float = 50.0,
    rng: np.random.Generator | None = None, idle_s: float = 1.5, slips_at_s: tuple[float, ...] = (),
) -> Motion:
    """Play a procedure on a piece, which is changed by it; returns what happened.

    Parameters
    ----------
    piece : Squeezed
        A pad, a spring or the bare anvils.
    procedure : Procedure
        Its steps.
    hand : Hand or "ideal"
        How uneven; the ideal machine by default.
    rate_hz : float
        Samples a second of the motion; inside it is stepped by 4 ms at most.
    rng : numpy.random.Generator, optional
        Needed by any hand but the ideal one.
    idle_s : float
        Time in air before the first approach.
    slips_at_s : tuple of float
        At each of these times the first press after it fails: the finger slips off half way.
    """
    if hand == "ideal":
        hand = IDEAL
    if hand is not IDEAL and rng is None:
        raise ValueError("an uneven hand needs a random generator")
    performance = _Performance(piece, hand, rate_hz, rng or np.random.default_rng(0), slips_at_s)
    performance.wait(idle_s if hand is IDEAL else idle_s * (1 + 0.2 * abs(performance.normal())))
    for step in procedure.steps:
        performance.do(step)
    performance.leave()
    performance.wait(1.5)
    return performance.motion()


class _Performance:
    """One playing of a procedure: the loop in which the hand feels the force and moves the anvil."""

    def __init__(
        self, piece: Squeezed, hand: Hand, rate_hz: float, rng: np.random.Generator,
        slips_at_s: tuple[float, ...],
    ) -> None:
        self.piece = piece
        self.hand = hand
        self.rng = rng
        self.normal = _normals(rng).__next__
        self.per_sample = max(1, math.ceil(1.0 / (rate_hz * _LONGEST_STEP_S) - 1e-9))
        self.dt = 1.0 / (rate_hz * self.per_sample)
        self.steps = 0
        self.force: list[float] = []
        self.travel: list[float] = []
        self.events: list[Event] = []
        self.slips = sorted(slips_at_s, reverse=True)
        self.slow = 0.0                # slow wander of the hand, in standard deviations
        self.fast = 0.0
        self.slow_keep = math.exp(-self.dt / 1.5)
        self.slow_kick = math.sqrt(1 - self.slow_keep**2)
        self.fast_keep = math.exp(-self.dt / 0.04)
        self.fast_kick = math.sqrt(1 - self.fast_keep**2)
        self.even = hand.speed_wander == 0 and hand.speed_jitter == 0

    @property
    def now_s(self) -> float:
        return self.steps * self.dt

    def move(self, by_mm: float) -> float:
        """Move the anvil within one small step and sample when due; returns the force."""
        piece = self.piece
        force = piece.move_to(piece.travel_mm + by_mm, self.dt)
        self.steps += 1
        if self.steps % self.per_sample == 0:
            self.force.append(force)
            self.travel.append(piece.travel_mm)
        return force

    def wander(self) -> None:
        """Let the hand's two wanders go on by one small step."""
        self.slow = self.slow * self.slow_keep + self.slow_kick * self.normal()
        self.fast = self.fast * self.fast_keep + self.fast_kick * self.normal()

    def unevenness(self) -> float:
        """Speed relative to the wanted one."""
        if self.even:
            return 1.0
        self.wander()
        hand = self.hand
        slow = min(0.25, max(-0.25, hand.speed_wander * self.slow))
        return (1.0 + slow) * (1.0 + max(-0.5, min(0.5, hand.speed_jitter * self.fast)))

    def do(self, step: Step) -> None:
        """Play one step of the procedure."""
        for _ in range(step.count):
            began = self.now_s
            if step.do in ("stroke", "bare"):
                self.press(step.to_n or 0.0, step.pace)
                self.let_go(step.pace)
            elif step.do == "hold" and step.by == "weight":
                self.press(F0_N, "slow", scatter=False)
                self.let_down(step.to_n or 0.0)
                began = self.now_s
                self.carry(step.to_n or 0.0, step.seconds or 0.0)
                self.events.append(Event("hold", step.label, began, self.now_s, step.to_n))
                self.pressed_to = step.to_n or 0.0
                self.let_go("quick")
                self.pause()
                continue
            elif step.do == "hold":
                reached = self.press(step.to_n or 0.0, step.pace, scatter=False)
                began = reached
                self.hold(step.to_n or 0.0, step.seconds or 0.0)
                self.events.append(Event("hold", step.label, began, self.now_s, step.to_n))
                self.let_go(step.pace)
                self.pause()
                continue
            elif step.do == "rest":
                self.touch_lightly(step.seconds or 0.0)
            elif step.do == "keep":
                self.press(step.to_n or 3.5, step.pace, scatter=False)
                began = self.now_s
                self.wait((step.seconds or 0.0) + 1.0)
                self.events.append(Event("keep", step.label, began, self.now_s, step.to_n))
                self.let_go("slow")
                continue
            elif step.do == "away":
                self.leave()
                self.wait(step.seconds or 0.0)
            elif step.do == "weight":
                self.weigh(step)
                continue
            else:
                self.play_freely(step.seconds or 0.0)
            self.events.append(Event(step.do, step.label, began, self.now_s, step.to_n))
            if step.do in ("stroke", "bare"):
                self.pause()

    def speed(self, to_n: float, pace: str) -> float:
        """Speed in contact for a press to that force [mm/s]."""
        slow = min(BENCH_SPEED_MM_PER_S, self.piece.travel_to_mm(to_n) / SHORTEST_PRESS_S)
        return slow * (QUICK if pace == "quick" else 1.0)

    def press(self, to_n: float, pace: str, *, scatter: bool = True) -> float:
        """Press to that force; returns the time at which it was reached."""
        hand, piece, dt = self.hand, self.piece, self.dt
        target = to_n * (1.0 + (hand.peak_scatter * self.normal() if scatter and hand.peak_scatter else 0.0))
        speed = self.speed(to_n, pace)
        slips = bool(self.slips) and self.now_s >= self.slips[-1]
        if slips:
            self.slips.pop()
            target *= 0.5
        force, give_up, landing = piece.force_n, self.now_s + _STUCK_AFTER_S, 0
        while force < target:
            step = speed * dt * self.unevenness()
            gap = piece.gap_mm
            if gap > 0:
                # in air the hand is quick; the last step just closes the gap
                step = max(step, min(gap, BENCH_SPEED_MM_PER_S * (QUICK if pace == "quick" else 1.0) * dt))
            else:
                if hand.slows_down and force > 0.85 * target:
                    step *= 0.25 + 0.75 * (target - force) / (0.15 * target)
                if hand is IDEAL:
                    # land on the peak; the pad flows a trace within each step, so a few are enough
                    last = (target - force) / piece.stiffness_n_per_mm(1)
                    landing += last < step
                    step = min(step, last)
                    if landing > 3:
                        break
            force = self.move(step)
            if self.now_s > give_up:
                break
        reached = self.now_s
        if slips:
            while self.piece.force_n > 0:
                self.move(-BENCH_SPEED_MM_PER_S * QUICK * 2 * dt)
        elif scatter and hand.dwell_s[1] > 0:
            for _ in range(int(self.rng.uniform(*hand.dwell_s) / dt)):
                self.move(0.0)
        self.pressed_to = to_n
        return reached

    def let_go(self, pace: str) -> None:
        """Draw back until only a trace of force is left, or a little air."""
        keeps = self.hand.stays_on > 0 and self.rng.uniform() < self.hand.stays_on
        left = self.rng.uniform(0.0, 0.2) if keeps else 0.0
        speed = self.speed(self.pressed_to, pace)
        while self.piece.force_n > left:
            self.move(-speed * self.dt * self.unevenness())
        if not keeps:
            air = 0.02 if self.hand is IDEAL else self.rng.uniform(0.02, 0.10)
            while self.piece.gap_mm < air:
                self.move(-BENCH_SPEED_MM_PER_S * self.dt)

    def leave(self) -> None:
        """Lift the anvil well clear, as at the end of a run: the force zero can be seen again."""
        while self.piece.gap_mm < 0.3:
            self.move(-BENCH_SPEED_MM_PER_S * QUICK * self.dt)

    def pause(self) -> None:
        """Stand still between strokes."""
        self.wait(self.draw(self.hand.pause_s))

    def wait(self, seconds: float) -> None:
        """Stand still."""
        for _ in range(round(seconds / self.dt)):
            self.move(0.0)

    def hold(self, to_n: float, seconds: float) -> None:
        """Keep the force near ``to_n``, following what the pad does under it."""
        hand, drift, began = self.hand, 0.0, self.now_s
        drift = hand.hold_drift * self.normal() if hand.hold_drift else 0.0
        steady = 1.0 if hand.reaction_s == 0 else min(1.0, self.dt / hand.reaction_s)
        wander, keep = 0.0, math.exp(-self.dt / 6.0)
        kick = math.sqrt(1 - keep * keep)
        still = hand.hold_wander == 0 and hand.tremor == 0
        targets = []
        for k in range(round(seconds / self.dt)):
            target = to_n
            if not still:
                self.wander()
                wander = wander * keep + kick * self.normal()
                target *= (1.0 + hand.hold_wander * wander + hand.tremor * self.fast
                           + drift * ((self.steps + k) * self.dt - began) / 60.0)
            targets.append(target)
        self.follow(targets, steady)

    def weigh(self, step: Step) -> None:
        """Let a dead weight down and leave it until whoever records can be done with it."""
        to_n = (step.mass_kg or 0.0) * WEIGHT_N_PER_KG
        self.let_down(to_n)
        began = self.now_s
        self.carry(to_n, (step.seconds or 0.0) + self.draw(self.hand.minds_s))
        self.events.append(Event("weight", step.label, began, self.now_s, to_n))

    def let_down(self, to_n: float) -> None:
        """Hand a weight over to the pad (or take it off) evenly, within ``lowers_s``; no faster than QUICK.

        What hangs presses with just what the hand no longer carries, so nothing shakes.
        """
        while self.piece.gap_mm > 0:
            self.move(min(self.piece.gap_mm + 1e-5, BENCH_SPEED_MM_PER_S * self.dt))
        from_n, steps = self.piece.force_n, max(1, round(self.draw(self.hand.lowers_s) / self.dt))
        for k in range(1, steps + 1):
            self.bear(from_n + (to_n - from_n) * k / steps)
        give_up = self.now_s + _STUCK_AFTER_S
        while abs(self.piece.force_n - to_n) > 0.002 * to_n and self.now_s < give_up:
            self.bear(to_n)

    def carry(self, to_n: float, seconds: float) -> None:
        """A dead weight lies on the pad: the force stays, the pad sinks as it likes."""
        for _ in range(round(seconds / self.dt)):
            self.bear(to_n)

    def bear(self, to_n: float) -> None:
        """One small step under a dead load."""
        missing = to_n - self.piece.force_n
        step = missing / self.piece.stiffness_n_per_mm(1 if missing >= 0 else -1)
        most = BENCH_SPEED_MM_PER_S * QUICK * 2 * self.dt
        self.move(max(-most, min(most, step)))

    def draw(self, between: tuple[float, float]) -> float:
        """A time between two bounds [s]."""
        low, high = between
        return low if low == high else float(self.rng.uniform(low, high))

    def touch_lightly(self, seconds: float) -> None:
        """Stay at F0 for a time."""
        hand = self.hand
        steady = 1.0 if hand.reaction_s == 0 else min(1.0, self.dt / hand.reaction_s)
        targets = []
        for _ in range(round(seconds / self.dt)):
            target = F0_N
            if hand.rest_wander_n:
                self.wander()
                target += max(-0.05, min(0.05, hand.rest_wander_n * self.slow))
            targets.append(target)
        self.follow(targets, steady)

    def follow(self, targets_n: Iterable[float], steady: float) -> None:
        """Small steps toward a force, one for each of the targets."""
        piece, move, most = self.piece, self.move, BENCH_SPEED_MM_PER_S * self.dt
        for target_n in targets_n:
            gap = piece.gap_mm
            if gap > 0:
                move(min(gap + 1e-5, most))
                continue
            missing = target_n - piece.force_n
            step = steady * missing / piece.stiffness_n_per_mm(1 if missing >= 0 else -1)
            move(most if step > most else -most if step < -most else step)

    def play_freely(self, seconds: float) -> None:
        """Press as one plays: strokes of random force, short and long notes."""
        until = self.now_s + seconds
        while self.now_s < until:
            to_n, note_s = player_stroke(self.rng)
            self.press(min(to_n, 17.5), "quick", scatter=False)
            self.hold(min(to_n, 17.5), min(note_s, 20.0))
            self.let_go("quick")
            self.wait(float(self.rng.uniform(0.1, 0.6)))

    def motion(self) -> Motion:
        """What happened so far."""
        count = len(self.force)
        return Motion(
            time_s=np.arange(1, count + 1, dtype=np.float64) * (self.dt * self.per_sample),
            force_n=np.array(self.force), travel_mm=np.array(self.travel),
            events=tuple(self.events), free_height_mm=self.piece.free_height_mm)


def player_stroke(rng: np.random.Generator, *, median_n: float = 6.0) -> tuple[float, float]:
    """Net force [N] and length [s] of one stroke of an invented player.

    Log-normal: force with geometric standard deviation 1.5, length with median 0.4 s and 3.
    """
    return (median_n * math.exp(math.log(1.5) * float(rng.standard_normal())),
            0.4 * math.exp(math.log(3.0) * float(rng.standard_normal())))


def play_finger(
    procedure: Procedure, *, rate_hz: float = 50.0, rng: np.random.Generator, idle_s: float = 1.5,
    median_n: float = 6.0,
) -> Motion:
    """A player's finger on a force cap: no pad, no travel, only the force over time.

    The finger rests with a trace of force, rises within 30-90 ms to a plateau that sags and trembles
    a little, and lets go; now and then a phrase ends and the finger waits.
    """
    seconds = sum(s.seconds or 0.0 for s in procedure.steps) or 60.0
    count = round((seconds + idle_s + 1.0) * rate_hz)
    time = np.arange(1, count + 1) / rate_hz
    force = np.zeros(count)
    events = []
    at = idle_s
    while at < seconds + idle_s:
        to_n, note_s = player_stroke(rng, median_n=median_n)
        note_s = min(max(note_s, 0.05), 15.0)
        rise, fall = rng.uniform(0.03, 0.09, 2)
        shape = np.interp(time, [at, at + rise, at + rise + note_s, at + rise + note_s + fall],
                          [0.0, to_n, to_n * rng.uniform(0.93, 1.0), 0.0], left=0.0, right=0.0)
        force = np.maximum(force, shape)
        events.append(Event("free", "playing", at, at + rise + note_s + fall, to_n))
        at += rise + note_s + fall + rng.uniform(0.08, 0.5)
        if rng.uniform() < 0.05:
            at += rng.uniform(1.0, 4.0)
    force *= 1.0 + 0.01 * rng.standard_normal(count)
    force += np.where(time > idle_s, np.clip(0.15 + 0.05 * rng.standard_normal(count), 0, 1), 0.0)
    return Motion(time_s=time, force_n=force, travel_mm=np.zeros(count), events=tuple(events),
                  free_height_mm=0.0)


def _normals(rng: np.random.Generator) -> Iterator[float]:
    while True:
        yield from rng.standard_normal(4096).tolist()
