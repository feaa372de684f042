"""A run -> its response model, judged on a part of the run that the fit never saw.

    prepared run -> the drive g -> operators' outputs, gathered into groups -> non-negative least squares
                 -> error on what was held back

Held back: the fourth recorded stroke, the small strokes of the middle peak, the last hold. Everything but
the exponent of the retarded part is linear for a given g; the exponent is searched outside. g is the
model-free curve of the other recorded strokes, so what is held back has no part in it either.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, optimize
from scipy.interpolate import BSpline

from padlab.errors import FitError
from padlab.fitting.compression import MOST_STROKES
from padlab.fitting.memory import retarded
from padlab.fitting.prepared import MISSING, Prepared, Stroke
from padlab.fitting.response import (
    BLOCK,
    SHAPE_FROM,
    SHAPE_TO,
    Drive,
    HeldBack,
    ResponseModel,
    shape_count,
    shape_knots,
)
from padlab.fitting.results import LimbCurves
from padlab.fitting.stranger import allowed_mm
from padlab.marks import Mark, mark
from padlab.records.pad import F0_N

Array = NDArray[np.float64]

OPERATORS = 8
REACH = {"g": 0.5, "log force": 0.4}
"""The largest play, as a share of the whole way of the drive: past it a stroke cannot use it up."""
LASTING_WAY = (0.3, 1.0, 3.0)
PER_DECADE = 2.5
SHORTEST_S = 0.1
"""Time constants run from here to the record's length."""
POWERS = (0.4, 1.2)
"""Where the exponent of the retarded part is looked for."""
SMOOTH = 0.03
"""Weight of the penalty on the coefficients' size and bends, against readings in units of their noise."""
EARLY_WEIGHT = 0.3
"""Working-in strokes tell what lasts; their shape is not the pad's in play, so they weigh less."""
STEP_U, STEP_T, FIRST_T = 0.06, 0.15, 0.1
FULL_WEIGHT = 4.0
NOISE_MM = 0.5e-3
FEWEST_ROWS = 60
CONTACT = 0.6
"""Readings from this share of F0 on are fitted; those from F0 on are judged."""


@dataclass(frozen=True)
class Pieces:
    """Which samples are judged by, piece by piece, and which weigh less; masks (n,) and their names."""

    held: tuple[tuple[str, NDArray[np.bool_]], ...]
    limbs: int
    held_stroke: int | None          # place of the held-back stroke among the recorded ones


def held_back_pieces(prepared: Prepared) -> Pieces:
    """What the fit may not see.

    Raises
    ------
    FitError
        The run has no hold, or nothing that could be held back while as much stays to fit.
    """
    time = prepared.time_s
    recorded, holds = prepared.role("recorded"), prepared.role("hold")
    small = [s for s in prepared.role("small") if s.press.complete]
    if not holds:
        raise FitError("this run cannot replay a touch: nothing is known of sinking under a held note",
                       expected="a run with a hold, such as the procedure standard", seen="no hold")
    if len(recorded) < 2:
        raise FitError("this run cannot replay a touch: too few steady strokes",
                       expected="two recorded strokes at least: one to fit, one to judge by",
                       seen=f"{len(recorded)}")
    if any(s.reason == MISSING for s in prepared.strokes):
        raise FitError("this run cannot replay a touch: readings are missing in a press",
                       expected="its force without gaps", seen=f"{len(prepared.holes)} gaps")
    place = min(3, len(recorded) - 1)
    pieces: list[tuple[str, list[Stroke]]] = [("recorded stroke", [recorded[place]])]
    if len(small) >= 3:
        middle = float(np.median([s.press.peak_n for s in small]))
        pieces.append(("small strokes", [s for s in small if abs(s.press.peak_n / middle - 1) < 0.15]))
    if len(holds) > 1:
        pieces.append(("hold", [holds[-1]]))
    masks = []
    for name, strokes in pieces:
        mask = np.zeros(time.size, dtype=bool)
        for s in strokes:
            mask[s.press.start:s.press.stop] = True
        masks.append((name, mask & (prepared.force_n >= F0_N)))
    return Pieces(tuple(masks), 2 * sum(len(strokes) for _, strokes in pieces), place)


def fit_response(prepared: Prepared, curves: LimbCurves, *, operators_on: str = "g",
                 hold_back: bool = True) -> ResponseModel:
    """Fit the model and judge it.

    Parameters
    ----------
    prepared : Prepared
        A run with recorded strokes and a hold.
    curves : LimbCurves
        Its model-free curve.
    operators_on : {"g", "log force"}
        What the play operators act on. On pads of another physics g predicts better
        (tests/experiments/play_domain.py).
    hold_back : bool
        Without it everything is fitted and nothing judged: only to see what that would change.

    Raises
    ------
    FitError
        The run does not support it.
    """
    pieces = held_back_pieces(prepared)
    held = np.zeros(prepared.time_s.size, dtype=bool)
    for _, mask in pieces.held if hold_back else ():
        held |= mask
    law = _law_of(prepared, curves, pieces if hold_back else None)
    shell = _shell(prepared, curves.force_n, law, operators_on)
    rows = _Rows(prepared, shell, held)
    if rows.count < FEWEST_ROWS or rows.range <= 0:
        raise FitError("this run cannot replay a touch: too few readings", expected="a whole run",
                       seen=f"{rows.count} groups of readings")
    found = optimize.minimize_scalar(lambda q: rows.solve(q)[1], bounds=POWERS, method="bounded",
                                     options={"xatol": 0.03})
    power = float(found.x)
    coefficients, _, dial = rows.solve(power)
    model = _filled(shell, power, coefficients, rows.to_n)
    at = model.start("fresh").position(prepared.time_s, prepared.force_n)
    known = prepared.force_n >= F0_N
    away = prepared.position_mm - at - dial
    return replace(
        model, zero_mm=_at_f0(prepared, at),
        held_back=_judged(away, pieces) if hold_back else None,
        train_rms_mm=_rms(away[known & ~held & ~rows.early]))


def response_marks(model: ResponseModel, about: str) -> tuple[Mark, ...]:
    """What a reader of its positions must know: how far it is off where it was judged."""
    way = float(np.ptp(model.start("worked in").position(np.array([0.0, 1.0]), np.array([F0_N, model.to_n]))))
    held = model.held_back
    if held is None or held.rms_mm <= allowed_mm(way):
        return ()
    return (mark("replay_rough", about, f"off by {1e3 * held.rms_mm:.1f} um (root mean square) on what was "
                 f"held back, of a way of {1e3 * way:.0f} um"),)


def _judged(away: Array, pieces: Pieces) -> HeldBack:
    parts = tuple((name, _rms(away[mask])) for name, mask in pieces.held)
    # Each piece counts alike: a long hold has most readings, and is one witness.
    return HeldBack(math.sqrt(sum(rms**2 for _, rms in parts) / len(parts)), pieces.limbs, parts)


def _at_f0(prepared: Prepared, at: Array) -> float:
    """Mean position where the recorded strokes go through F0 on their way in; between two samples."""
    first = np.array([s.press.start for s in prepared.role("recorded")])
    u = np.log(np.maximum(prepared.force_n, 0.0) + F0_N)
    share = np.clip((math.log(2 * F0_N) - u[first]) / np.maximum(u[first + 1] - u[first], 1e-12), 0.0, 1.0)
    return float(np.mean(at[first] + share * (at[first + 1] - at[first])))


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2))) if values.size else math.nan


def _law_of(prepared: Prepared, curves: LimbCurves, pieces: Pieces | None) -> Array:
    """The mean curve of the strokes that are not held back (m,)."""
    used = prepared.role("recorded")[-MOST_STROKES:]
    left_out = None if pieces is None or pieces.held_stroke is None else (
        pieces.held_stroke - (len(prepared.role("recorded")) - len(used)))
    if left_out is not None and 0 <= left_out < curves.replicate_mm.shape[0]:
        return np.asarray(curves.replicate_mm[left_out])
    return curves.position_mm


def _shell(prepared: Prepared, force_n: Array, law_mm: Array, operators_on: str) -> ResponseModel:
    """The model with all that is chosen beforehand, its coefficients at 0."""
    if operators_on not in REACH:
        raise FitError(f"no play operators on {operators_on!r}", expected=" or ".join(REACH))
    g = Drive(tuple(force_n.tolist()), tuple((law_mm / law_mm[-1]).tolist()))
    loop = g if operators_on == "g" else Drive((F0_N, float(force_n[-1])), (0.0, 1.0))
    seconds = max(float(prepared.time_s[-1] - prepared.time_s[0]), 10 * SHORTEST_S)
    count = round(PER_DECADE * math.log10(seconds / SHORTEST_S)) + 1
    reach = np.linspace(0.0, REACH[operators_on], OPERATORS)
    return ResponseModel(
        loop, tuple(reach.tolist()), ((0.0,) * shape_count(),) * OPERATORS, g,
        tuple(np.geomspace(SHORTEST_S, seconds, count).tolist()), (0.0,) * count, LASTING_WAY,
        (0.0,) * len(LASTING_WAY), 0.0, float(force_n[-1]), operators_on)


class _Rows:
    """Readings gathered into groups, and the columns that every coefficient multiplies.

    A group ends where the force has moved by a step of log(F + F0), or where its time has grown by a
    share: a slow hand and a long rest weigh no more than they tell.
    """

    def __init__(self, prepared: Prepared, shell: ResponseModel, held: NDArray[np.bool_]) -> None:
        self.time, self.force, self.shell = prepared.time_s, prepared.force_n, shell
        self.starts, self.sizes = _groups(self.time, self.force, held)
        self.count = self.starts.size
        working_in = prepared.role("working-in")
        last = working_in[-1].press.stop if working_in else 0
        self.early = np.arange(self.time.size) < last
        self.y = self._means(prepared.position_mm[:, None])[:, 0]
        self.weight = np.sqrt(np.minimum(self.sizes, FULL_WEIGHT) / FULL_WEIGHT)
        self.weight[self.starts < last] *= EARLY_WEIGHT
        self.noise = max(prepared.position_noise_mm, NOISE_MM)
        self.range = float(np.ptp(self.y)) if self.count else 0.0
        self.to_n = float(np.max(self._means(self.force[:, None]), initial=0.0))
        self._fixed = np.sum([self._sums(np.hstack([_rising(memory.plays), memory.lasting]), part.start)
                              for part, memory in shell.start("fresh").memories(self.time, self.force)],
                             axis=0) / self.sizes[:, None]
        # The dial's zero is free: weighted means are taken off every column.
        self._w2 = (self.weight / self.noise)[:, None] ** 2
        self._share = self.weight**2 / np.sum(self.weight**2)
        self._a = self._fixed - self._share @ self._fixed
        self._y = self.y - float(self._share @ self.y)
        self._gram = self._a.T @ (self._a * self._w2)
        self._right = self._a.T @ (self._w2[:, 0] * self._y)
        self._square = float(self._w2[:, 0] @ self._y**2)

    def solve(self, power: float) -> tuple[Array, float, float]:
        """Coefficients (shapes, lasting, lags) for an exponent, the misfit with its penalty, the dial's zero.

        Every column runs from 0 to about 1, so a coefficient is the part's share of the way in mm: what
        the run hardly moved is held small by the penalty, and follows its neighbours.
        """
        lags = self._lags(power)
        a = lags - self._share @ lags
        k, m = lags.shape[1], self._a.shape[1]
        cross, own = self._a.T @ (a * self._w2), a.T @ (a * self._w2)
        gram = np.block([[self._gram, cross], [cross.T, own]]) + self._penalty(m, k)
        right = np.concatenate([self._right, a.T @ (self._w2[:, 0] * self._y)])
        lower = linalg.cholesky(gram, lower=True, check_finite=False)
        target = linalg.solve_triangular(lower, right, lower=True, check_finite=False)
        try:
            found, _ = optimize.nnls(lower.T, target, maxiter=100 * (m + k))
        except RuntimeError as fault:
            raise FitError("the response model could not be fitted", expected="a search that ends",
                           seen=str(fault)[:200]) from fault
        misfit = self._square + float(found @ gram @ found - 2 * found @ right)
        zero = float(self._share @ (self.y - self._fixed @ found[:m] - lags @ found[m:]))
        return np.asarray(found), misfit, zero

    def _penalty(self, fixed: int, lags: int) -> Array:
        """On the coefficients' size, on the bends of each shape and of the spectrum; readings' noise is 1."""
        size = shape_count()
        out = np.eye(fixed + lags)
        for first, count in [*((j * size, size) for j in range(len(self.shell.reach))), (fixed, lags)]:
            bend = np.diff(np.eye(count), 2, axis=0)
            out[first:first + count, first:first + count] += bend.T @ bend
        return np.asarray(out * (SMOOTH * self.count / self.range**2))

    def _lags(self, power: float) -> Array:
        """Group means (groups, k) of the retarded responses for an exponent, block by block."""
        drive, tau = replace(self.shell.lag_drive, power=power), np.asarray(self.shell.tau_s)
        total, state, before = np.zeros((self.count, tau.size)), np.zeros(tau.size), None
        for first in range(0, self.time.size, BLOCK):
            time, d = self.time[first:first + BLOCK], drive(self.force[first:first + BLOCK])
            lags = retarded(time, d, tau, state, before=before)
            total += self._sums(lags, first)
            state, before = lags[-1], (float(time[-1]), float(d[-1]))
        return np.asarray(total / self.sizes[:, None])

    def _means(self, values: Array) -> Array:
        return self._sums(values, 0) / self.sizes[:, None]

    def _sums(self, values: Array, first: int) -> Array:
        """Sums over those samples of each group that lie in ``first`` ... ``first + n``."""
        running = np.concatenate([np.zeros((1, values.shape[1])), np.cumsum(values, axis=0)])
        start = np.clip(self.starts - first, 0, values.shape[0])
        stop = np.clip(self.starts + self.sizes - first, 0, values.shape[0])
        return np.asarray(running[stop] - running[start])


def _groups(time: Array, force: Array, held: NDArray[np.bool_]) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """First sample and size of each group of readings that are in contact and not held back."""
    u = np.floor(np.log(np.maximum(force, 0.0) + F0_N) / STEP_U)
    use = (force >= CONTACT * F0_N) & ~held
    turn = np.diff(u, prepend=np.nan) != 0
    since = time - time[np.maximum.accumulate(np.where(turn, np.arange(time.size), 0))]
    grown = np.floor(np.log1p(since / FIRST_T) / STEP_T)
    edge = use & (turn | (np.diff(grown, prepend=0.0) != 0) | ~np.concatenate([[False], use[:-1]]))
    starts = np.flatnonzero(edge)
    group = np.cumsum(edge) - 1
    sizes = np.bincount(group[use], minlength=starts.size)
    return starts, sizes.astype(np.intp)


def _rising(plays: Array) -> Array:
    """The rising functions of every operator's output: (n, j) -> (n, j * functions)."""
    n, j = plays.shape
    flat = np.clip(plays, SHAPE_FROM, SHAPE_TO).ravel()
    b = BSpline.design_matrix(flat, shape_knots(), 3).toarray()
    return np.asarray(np.cumsum(b[:, ::-1], axis=1)[:, ::-1][:, 1:].reshape(n, j * shape_count()))


def _filled(shell: ResponseModel, power: float, coefficients: Array, to_n: float) -> ResponseModel:
    j, size, lasting = len(shell.reach), shape_count(), len(shell.lasting_way)
    shapes = coefficients[: j * size].reshape(j, size)
    return replace(
        shell, lag_drive=replace(shell.lag_drive, power=power),
        shape_mm=tuple(tuple(row) for row in shapes.tolist()),
        lasting_mm=tuple(coefficients[j * size : j * size + lasting].tolist()),
        lags_mm=tuple(coefficients[j * size + lasting :].tolist()), to_n=to_n)
