"""The valve under a touch that is replayed note by note through a pad's own response model.

The formula (:mod:`padlab.drift.position`) gives every note one position: the middle of the limbs, sunk for as
long as the note lasts. A replay lets the pad remember: whether it comes from a harder or a lighter press, and
what it had not recovered from. A note's position is where the pad stands at its end, as in the formula.

    what a stop feels --touch_history--> force over time --replayed--> positions --> drift, band, give, hold

A simulated history has every note of the profile once, in an order drawn from a fixed seed, with rests; among
them the usual press (its median is home), light and hard ones (the give) and held ones (the sinking).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from padlab.drift.position import PadDrift
from padlab.drift.touch import NetStrokes, idle_level_n
from padlab.errors import InputError
from padlab.fitting.response import HeldBack, ResponseModel
from padlab.signals.cycles import find_presses
from padlab.statistics.estimate import Estimate, welch_satterthwaite
from padlab.statistics.quantiles import quantiles
from padlab.statistics.quantity import Quantity, t95, with_doubt

Array = NDArray[np.float64]
Indices = NDArray[np.intp]

NOTES, USUAL, MARKED, HELD = 400, 40, 15, 2
"""Notes of the profile; usual presses, light and hard ones, and held ones among them."""
SEED = 20_260
RISE_S, FALL_S, STEPS, HOLD_STEPS = 0.06, 0.06, 6, 3
"""How quickly a finger comes on and off (common practice, no source), and the steps it is replayed in."""
REST_S, PAUSE_S, PAUSES = (0.08, 0.5), (1.0, 4.0), 0.05
"""Rests between notes, pauses between phrases and their share (design choice; common practice, no source)."""
LONGEST_NOTE_S = 20.0
HELD_S, HELD_FROM_S = 10.0, 1.0
WARM_NOTES = 30
"""Notes that come first and do not count: a pad in play has been played."""
WARM_UP_STROKES = 50
LET_GO = 0.94
"""A recorded note is let go where its force falls below this share of its level: a finger sags less."""
STRIP_S = 10.0


@dataclass(frozen=True)
class TouchHistory:
    """Net force over time, (n,) samples that stand where the force turns; straight lines between.

    ``ends`` (k,) are the last samples of the notes that count, ``usual``, ``light``, ``hard`` those of the
    presses among them; ``held`` (m, 2) samples 1 s and 10 s into held notes. ``strip`` is from where to
    where the ten seconds lie that are drawn.
    """

    time_s: Array
    net_n: Array
    ends: Indices
    usual: Indices
    light: Indices
    hard: Indices
    held: Indices
    strip: tuple[int, int] = (0, 0)


@dataclass(frozen=True)
class Replayed:
    """Numbers of one replay [mm]; None: the history has no such press. ``position_mm`` (n,) along it."""

    drift_p95_mm: float
    band_mm: float
    home_mm: float
    give_mm: float | None
    hold_mm: float | None
    warm_up_mm: float | None
    position_mm: Array


class _Writer:
    def __init__(self) -> None:
        self.time: list[float] = [0.0]
        self.net: list[float] = [0.0]

    def to(self, net_n: float, seconds: float, steps: int = 1) -> int:
        """Go straight to a force; returns the last sample's index."""
        from_n, from_s = self.net[-1], self.time[-1]
        for k in range(1, steps + 1):
            self.time.append(from_s + seconds * k / steps)
            self.net.append(from_n + (net_n - from_n) * k / steps)
        return len(self.time) - 1

    def note(self, net_n: float, seconds: float, rest_s: float) -> int:
        """Press, hold, let go, rest; the index of its end."""
        self.to(net_n, RISE_S, STEPS)
        end = self.to(net_n, min(max(seconds, 0.01), LONGEST_NOTE_S), HOLD_STEPS)
        self.to(0.0, FALL_S, STEPS)
        self.to(0.0, rest_s)
        return end


def touch_history(strokes: NetStrokes, *, notes: int = NOTES, seed: int = SEED) -> TouchHistory:
    """A history of playing in which each part of the profile has its due; the same on every call.

    Parameters
    ----------
    strokes : NetStrokes
        What the stop feels.
    notes : int
        How many notes of the profile.
    """
    rng = np.random.default_rng(seed)
    middle = (np.arange(notes) + 0.5) / notes
    at = (middle * strokes.net_n.size).astype(np.intp)
    forces = np.sort(strokes.net_n)[at] if strokes.hold_s.shape[0] == 1 else strokes.net_n[at]
    if strokes.hold_s.shape[0] == 1:
        times = rng.permutation(strokes.hold_s[0][(middle * strokes.hold_s.shape[1]).astype(np.intp)])
    else:
        times = strokes.hold_s[at, 0]
    usual, light, hard = (strokes.set_net_n, strokes.set_hold_s), strokes.light_net_n, strokes.hard_net_n
    asked = [("played", f, t) for f, t in zip(forces.tolist(), times.tolist(), strict=True)]
    asked += [("usual", *usual)] * USUAL
    for name, force in (("light", light), ("hard", hard)):
        asked += [(name, force, strokes.set_hold_s)] * MARKED
    asked += [("held", strokes.set_net_n, HELD_S)] * HELD
    order = rng.permutation(len(asked))
    writer = _Writer()
    writer.to(0.0, 0.5)
    found: dict[str, list[int]] = {name: [] for name in ("played", "usual", "light", "hard")}
    held: list[tuple[int, int]] = []
    for k in order[:WARM_NOTES]:
        _, force, seconds = asked[k]
        writer.note(force, min(seconds, 2.0), _rest(rng))
    began = writer.time[-1]
    for k in order:
        name, force, seconds = asked[k]
        if name == "held":
            writer.to(force, RISE_S, STEPS)
            first = writer.to(force, HELD_FROM_S)
            held.append((first, writer.to(force, HELD_S - HELD_FROM_S)))
            writer.to(0.0, FALL_S, STEPS)
            writer.to(0.0, _rest(rng))
        else:
            found[name].append(writer.note(force, seconds, _rest(rng)))
    time = np.array(writer.time)
    strip = (int(np.searchsorted(time, began)), int(np.searchsorted(time, began + STRIP_S)) + 1)
    played, usuals, lights, hards = (np.array(found[n], dtype=np.intp) for n in found)
    return TouchHistory(time, np.array(writer.net), played, usuals, lights, hards,
                        np.array(held, dtype=np.intp).reshape(-1, 2), strip)


def _rest(rng: np.random.Generator) -> float:
    pause = rng.uniform(*PAUSE_S) if rng.uniform() < PAUSES else 0.0
    return float(rng.uniform(*REST_S) + pause)


def recorded_history(time_s: Array, net_n: Array) -> TouchHistory:
    """A recorded net force as a history; a note ends where its force leaves its level.

    Raises
    ------
    InputError
        There is no note in it.
    """
    ends = []
    for press in find_presses(time_s, net_n):
        body = net_n[press.start:press.stop]
        level = float(np.median(body[body > 0.5 * press.peak_n]))
        ends.append(press.start + int(np.flatnonzero(body >= LET_GO * level)[-1]))
    if not ends:
        raise InputError("no note reaches the stop in this recording", expected="presses over 0.5 N net",
                         seen="none", remedy="look at the holding force, or record ordinary playing")
    none = np.empty(0, dtype=np.intp)
    return TouchHistory(np.asarray(time_s), np.asarray(net_n), np.array(ends, dtype=np.intp), usual=none,
                        light=none, hard=none, held=none.reshape(0, 2))


def numbers(position_mm: Array, history: TouchHistory) -> Replayed:
    """Drift, band, give and hold of positions (n,) along a history.

    Home is the median end of the usual presses, or of all notes where none was asked for.
    """
    q = position_mm[history.ends]
    home = float(np.median(position_mm[history.usual])) if history.usual.size else float(np.median(q))
    low, high = quantiles(q, 0.025, 0.975)
    give = hold = None
    if history.light.size and history.hard.size:
        give = float(np.mean(position_mm[history.hard]) - np.mean(position_mm[history.light]))
    if history.held.size:
        hold = float(np.mean(position_mm[history.held[:, 1]] - position_mm[history.held[:, 0]]))
    [p95] = quantiles(np.abs(q - home), 0.95)
    return Replayed(p95, high - low, home, give, hold, None, position_mm)


def replayed(model: ResponseModel, history: TouchHistory, *, ratio: float = 1.0, scale: float = 1.0,
             end_n: float = math.inf, strokes: NetStrokes | None = None) -> Replayed:
    """Replay a history through a pad.

    Parameters
    ----------
    model : ResponseModel
        Of the tested pad.
    history : TouchHistory
        Net force on the compared face.
    ratio : float
        Compared over tested area: equal pressure.
    scale : float
        Carried over tested compression at equal pressure.
    end_n : float
        Net force on the compared face up to which the pad was tested; harder notes stand there.
    strokes : NetStrokes, optional
        Where given, the warm-up too: fifty usual presses of the rested pad, first to last.
    """
    at = scale * model.position(history.time_s, np.minimum(history.net_n, end_n) / ratio).displacement_mm
    found = numbers(at, history)
    if strokes is None:
        return found
    time, net, first, last = _warm_up(min(strokes.set_net_n, end_n), strokes.set_hold_s)
    rested = scale * model.position(time, net / ratio).displacement_mm
    return replace(found, warm_up_mm=float(rested[last] - rested[first]))


@lru_cache(maxsize=8)
def _warm_up(net_n: float, hold_s: float) -> tuple[Array, Array, int, int]:
    """Usual presses of a rested pad, the same for all pads at a stop; where the first and the last end."""
    writer = _Writer()
    ends = [writer.note(net_n, hold_s, 0.3) for _ in range(WARM_UP_STROKES)]
    return np.array(writer.time), np.array(writer.net), ends[0], ends[-1]


def by_replay(found: Replayed, bare: PadDrift, held_back: HeldBack, *, model_name: str, scale: float = 1.0,
              ) -> PadDrift:
    """The numbers of a replay with their doubts, in place of the formula's.

    Parameters
    ----------
    found : Replayed
        Of the simulated history.
    bare : PadDrift
        By the formula, without the doubt of its sinking: strokes, noise, thickness and rig move both alike.
        The half gap between the limbs leaves: the loop is replayed.
    held_back : HeldBack
        What the model was off by where it was judged. A difference of two positions is off by sqrt(2) times
        that.
    model_name : str
        Names whose models err alike (the stock's: what a model cannot say of one pad it cannot say of the
        next), so that the error does not average down over pads.
    """
    error = scale * held_back.half_width_mm / t95(math.inf)

    def one(value: float | None, formula: Estimate | None, ends: int) -> Estimate | None:
        if value is None or formula is None:
            return None
        shared = {name: shift for name, shift in formula.shared.items() if not name.startswith("gap: ")}
        shared[f"model: {model_name}"] = math.sqrt(ends) * error
        return Estimate(value, formula.own, formula.own_df, shared)

    return replace(bare, drift=one(found.drift_p95_mm, bare.drift, 2), band=one(found.band_mm, bare.band, 2),
                   give=one(found.give_mm, bare.give, 2), hold=one(found.hold_mm, bare.hold, 2),
                   home=one(found.home_mm, bare.home, 1))


def doubted(value_mm: float, held_back: HeldBack | None, rig_mm: float = 0.0) -> Quantity:
    """A difference of two replayed positions with its 95 % interval; the rig's part beside the model's."""
    if held_back is None:
        return Quantity(value_mm)
    parts = [(math.sqrt(2) * held_back.rms_mm, held_back.limbs - 1.0), (rig_mm, math.inf)]
    return with_doubt(value_mm, math.hypot(*(u for u, _ in parts)),
                      degrees_of_freedom=float(welch_satterthwaite(parts)), positive=value_mm > 0)


def finger_net_n(force_n: Array, *, holding_n: float) -> Array:
    """Net force at the down stop of a recorded finger: its idle level and the holding force taken off."""
    return np.asarray(np.maximum(force_n - idle_level_n(force_n) - holding_n, 0.0))
