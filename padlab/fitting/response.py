"""One model per pad that replays any touch: force over time in, position over time out.

    x(t) = sum_j S_j(P_rj[g(F)](t))  +  sum_k J_k (retarded response of g(F)^q with tau_k)(t)
           +  sum_l D_l (what the hardest press so far asks for, reached along the way pressed)

g is the nonlinear compression law (the run's own model-free curve, 1 at its hardest press); P_r are play
operators, each read through a rising spline S_j (the rate-independent loop of a felt; Prandtl and
Ishlinskii's sum with shape); the retarded part is a Prony series on a log grid of time constants; the last
part stays: it grows with the hardest press so far, and from stroke to stroke. See
:mod:`padlab.fitting.memory` for the operators and their sources. All coefficients are >= 0.

The measured force goes in as it is: a hand that wanders needs no idealisation. Nothing here knows how the
model was fitted (:mod:`padlab.fitting.response_fit`) but for the error that it made where it was judged.

>>> kelvin = ResponseModel.of_parts(lags_mm=[0.02 * 5.0], tau_s=[2.0], top_n=5.0)
>>> at = kelvin.start("fresh").position(np.array([0.0, 0.5, 3.0]), np.array([0.0, 5.0, 5.0]))
>>> round(float(at[-1]), 8)
0.07465015
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import BSpline

from padlab.errors import InputError, RunError
from padlab.fitting.memory import play, retarded
from padlab.records.pad import F0_N
from padlab.statistics.quantity import t95

Array = NDArray[np.float64]

BLOCK = 1 << 15
"""Samples that are replayed at once: memory does not grow with the length of a recording."""
SHAPE_PIECES = 8
TREMBLE = 0.05
"""Way that does not count as pressing, as a share of a hard press: a held force trembles."""


@dataclass(frozen=True)
class Drive:
    """A rising function of net force: a table, linear in log(F + F0), drawn on beyond its ends.

    >>> log_force = Drive((F0_N, 20.0), (0.0, 1.0))
    >>> [round(float(v), 3) for v in log_force(np.array([0.25, 20.0]))]
    [0.0, 1.0]
    """

    force_n: Sequence[float]
    value: Sequence[float]
    power: float = 1.0
    is_straight: bool = False          # in force itself: for closed forms

    def __call__(self, force_n: Array) -> Array:
        """Its values (n,) at net forces (n,); forces under zero are air."""
        force = np.maximum(force_n, 0.0)
        if self.is_straight:
            return np.asarray(force / self.force_n[-1])
        u, grid = np.log(force + F0_N), np.log(np.asarray(self.force_n) + F0_N)
        value = np.asarray(self.value)
        first = (value[1] - value[0]) / (grid[1] - grid[0])
        last = (value[-1] - value[-2]) / (grid[-1] - grid[-2])
        v = np.interp(u, grid, value)
        v = v + first * np.minimum(u - grid[0], 0.0) + last * np.maximum(u - grid[-1], 0.0)
        if self.power == 1.0:
            return np.asarray(v)
        at_rest = value[0] + first * (np.log(F0_N) - grid[0])
        return np.asarray((np.maximum(v - at_rest, 0.0) / (1.0 - at_rest)) ** self.power)


@dataclass
class State:
    """What a pad remembers between two samples."""

    plays: Array
    lags: Array
    lasting: Array
    hardest: float
    trembled: float
    before: tuple[float, float] | None = None      # time and lag drive of the last sample


@dataclass(frozen=True)
class HeldBack:
    """How well the model predicted what its fit never saw.

    ``rms_mm`` is of single readings, without any shift, each piece alike; ``parts`` says it by piece;
    ``limbs`` is how many limbs of presses the pieces have.
    """

    rms_mm: float
    limbs: int
    parts: tuple[tuple[str, float], ...]

    @property
    def half_width_mm(self) -> float:
        """Half of the 95 % band of a reading: limbs are what is independent, so t with one less [mm]."""
        return self.rms_mm * t95(max(self.limbs - 1, 1))


@dataclass(frozen=True)
class Replay:
    """Positions of a replay (n,), with a 95 % band; ``is_outside`` where the force was never fitted."""

    displacement_mm: Array
    low_mm: Array
    high_mm: Array
    is_outside: NDArray[np.bool_]


@dataclass(frozen=True)
class ResponseModel:
    """A pad's answer to force over time.

    Coefficients are mm at the fitted hardest press ``to_n``; ``shape_mm`` (j, b) are those of the rising
    splines. ``zero_mm`` is taken off, so that position counts from F0 on the steady strokes (a rested pad
    stands a little below that). ``lasting_way`` are ways of pressing, in hard presses.
    """

    loop_drive: Drive
    reach: tuple[float, ...]
    shape_mm: tuple[tuple[float, ...], ...]
    lag_drive: Drive
    tau_s: tuple[float, ...]
    lags_mm: tuple[float, ...]
    lasting_way: tuple[float, ...]
    lasting_mm: tuple[float, ...]
    zero_mm: float
    to_n: float
    operators_on: str
    held_back: HeldBack | None = None
    train_rms_mm: float | None = None
    _curves: tuple[BSpline, ...] = field(init=False, repr=False, compare=False, default=())

    def __post_init__(self) -> None:
        """Make the splines once."""
        knots = shape_knots()
        made = tuple(BSpline(knots, np.concatenate([[0.0], np.cumsum(row)]), 3) for row in self.shape_mm)
        object.__setattr__(self, "_curves", made)

    def position(self, time_s: Array, force_n: Array) -> Replay:
        """Replay a touch on the worked-in, rested pad.

        Parameters
        ----------
        time_s : array (n,)
            Times that do not fall [s]; steps may be uneven.
        force_n : array (n,)
            NET force on the tested face [N].

        Returns
        -------
        Replay
            Position from F0 of the steady strokes [mm], + = thinner; where the force is under F0 it is
            where the face of the pad stands, whatever stands there.

        Raises
        ------
        InputError
            Lengths that differ, numbers that are not finite, or times that fall.
        """
        return self.start("worked in").replay(time_s, force_n)

    def start(self, condition: str = "worked in") -> Player:
        """A player that can be fed a recording in pieces.

        ``fresh``: nothing has happened yet. ``worked in``: pressed to ``to_n`` many times, let go and rested.
        """
        at_rest = float(self.loop_drive(np.zeros(1))[0])
        reach = np.asarray(self.reach)
        if condition == "fresh":
            state = State(np.full(reach.size, at_rest), np.zeros(len(self.tau_s)),
                          np.zeros(len(self.lasting_way)), 0.0, at_rest)
        elif condition == "worked in":
            state = State(at_rest + reach, np.zeros(len(self.tau_s)), np.ones(len(self.lasting_way)), 1.0,
                          at_rest + TREMBLE)
        else:
            raise InputError(f"no condition {condition!r}", expected="fresh or worked in", seen=condition)
        return Player(self, state)

    def is_outside(self, force_n: Array) -> NDArray[np.bool_]:
        """Where a net force is harder than any that was fitted (n,)."""
        return np.asarray(force_n > self.to_n)

    def shapes(self, plays: Array) -> Array:
        """What the loop part gives for outputs of the play operators (n, j) [mm]."""
        out = np.zeros(plays.shape[0])
        for curve, column in zip(self._curves, plays.T, strict=True):
            # A play that is not used up stands still: the curve is read where it has moved.
            moved = np.flatnonzero(np.diff(column, prepend=np.nan) != 0)
            read = curve(np.clip(column[moved], SHAPE_FROM, SHAPE_TO))
            out += np.repeat(read, np.diff(moved, append=column.size))
            beyond = column > SHAPE_TO
            if beyond.any():
                out[beyond] += float(curve(SHAPE_TO, 1)) * (column[beyond] - SHAPE_TO)
        return out

    def to_json(self) -> dict[str, Any]:
        """As it is kept on the shelf."""
        table = asdict(self)
        table.pop("_curves")
        return table

    @classmethod
    def from_json(cls, table: dict[str, Any]) -> ResponseModel:
        """From what the shelf holds.

        Raises
        ------
        RunError
            The table is not one that :meth:`to_json` made.
        """
        try:
            held = table["held_back"]
            return cls(**{
                **table, "loop_drive": _drive(table["loop_drive"]), "lag_drive": _drive(table["lag_drive"]),
                "shape_mm": tuple(tuple(row) for row in table["shape_mm"]),
                **{k: tuple(table[k]) for k in ("reach", "tau_s", "lags_mm", "lasting_way", "lasting_mm")},
                "held_back": None if held is None else HeldBack(
                    held["rms_mm"], held["limbs"], tuple((n, v) for n, v in held["parts"]))})
        except (KeyError, TypeError, ValueError) as fault:
            raise RunError("the stored response model cannot be read", expected="as padlab writes it",
                           seen=str(fault)[:200], remedy="padlab remake the run") from fault

    @classmethod
    def of_parts(cls, *, top_n: float, lags_mm: Sequence[float] = (), tau_s: Sequence[float] = (),
                 reach: Sequence[float] = (), slopes_mm: Sequence[float] = ()) -> ResponseModel:
        """A model whose drive is the force itself: springs with play and Kelvin elements, for closed forms.

        ``lags_mm`` and ``slopes_mm`` are what each part gives at ``top_n``; a spring alone has reach 0.
        """
        straight = Drive((0.0, top_n), (0.0, 1.0), is_straight=True)
        # A straight line from the spline's first knot on: its coefficients are the knots' means.
        knots = shape_knots()
        means = np.array([knots[i + 1:i + 4].mean() for i in range(shape_count() + 1)])
        rows = tuple(tuple(float(s) * np.diff(means)) for s in slopes_mm)
        zero = sum(float(s) * -SHAPE_FROM for s in slopes_mm)
        return cls(straight, tuple(reach), rows, straight, tuple(tau_s), tuple(lags_mm), (), (), zero, top_n,
                   "force")


class Player:
    """Feeds a recording to a model, piece by piece; what was fed before is remembered."""

    def __init__(self, model: ResponseModel, state: State) -> None:
        self.model = model
        self.state = state

    def position(self, time_s: Array, force_n: Array) -> Array:
        """Positions (n,) [mm] for the next samples."""
        model = self.model
        out = np.empty(time_s.size)
        for part, memory in self.memories(time_s, force_n):
            out[part] = (model.shapes(memory.plays) + memory.lags @ np.asarray(model.lags_mm)
                         + memory.lasting @ np.asarray(model.lasting_mm) - model.zero_mm)
        return out

    def replay(self, time_s: Array, force_n: Array) -> Replay:
        """The same with its band."""
        at = self.position(time_s, force_n)
        half = np.nan if self.model.held_back is None else self.model.held_back.half_width_mm
        return Replay(at, at - half, at + half, self.model.is_outside(force_n))

    def memories(self, time_s: Array, force_n: Array) -> Iterator[tuple[slice, Memory]]:
        """What the pad remembers at each of the next samples, block by block."""
        time, force = np.asarray(time_s, dtype=np.float64), np.asarray(force_n, dtype=np.float64)
        check_history(time, force, self.state.before)
        for first in range(0, time.size, BLOCK):
            part = slice(first, min(first + BLOCK, time.size))
            yield part, self._remember(time[part], force[part])

    def _remember(self, time: Array, force: Array) -> Memory:
        model, state = self.model, self.state
        v = model.loop_drive(force)
        d = v if model.lag_drive is model.loop_drive else model.lag_drive(force)
        reach = np.append(np.asarray(model.reach), TREMBLE)
        both = play(v, reach, np.append(state.plays, state.trembled))
        plays, pressed = both[:, :-1], both[:, -1]
        lags = retarded(time, d, np.asarray(model.tau_s), state.lags, before=state.before)
        hardest = np.maximum(np.maximum.accumulate(v), state.hardest)
        way = np.maximum(np.diff(pressed, prepend=state.trembled), 0.0)
        lasting = retarded(np.cumsum(way), hardest, np.asarray(model.lasting_way), state.lasting,
                           before=(0.0, state.hardest))
        self.state = State(plays[-1], lags[-1], lasting[-1], float(hardest[-1]), float(pressed[-1]),
                           (float(time[-1]), float(d[-1])))
        return Memory(plays, lags, lasting)


@dataclass(frozen=True)
class Memory:
    """Outputs of all operators at each sample: (n, j), (n, k), (n, l)."""

    plays: Array
    lags: Array
    lasting: Array


def _drive(table: dict[str, Any]) -> Drive:
    return Drive(tuple(table["force_n"]), tuple(table["value"]), table["power"], table["is_straight"])


SHAPE_FROM, SHAPE_TO = -0.25, 1.05
"""Where the rising splines live, in hard presses: a little beyond both ends."""


def shape_knots() -> Array:
    """Knots of the rising splines."""
    inner = np.linspace(SHAPE_FROM, SHAPE_TO, SHAPE_PIECES + 1)
    return np.concatenate([[SHAPE_FROM] * 3, inner, [SHAPE_TO] * 3])


def shape_count() -> int:
    """Rising functions of one operator."""
    return SHAPE_PIECES + 2


def check_history(time: Array, force: Array, before: tuple[float, float] | None) -> None:
    """A history of force must be one: finite, and forward in time."""
    if time.ndim != 1 or time.shape != force.shape:
        raise InputError("times and forces do not go together", expected="two lists of one length",
                         seen=f"{time.shape} and {force.shape}")
    if not (np.all(np.isfinite(time)) and np.all(np.isfinite(force))):
        raise InputError("a force history has a reading that is not a number", expected="finite numbers",
                         seen="nan or infinite")
    if time.size and (np.any(np.diff(time) < 0) or (before is not None and time[0] < before[0])):
        raise InputError("time runs backward in a force history", expected="times that do not fall",
                         seen="a step back")
