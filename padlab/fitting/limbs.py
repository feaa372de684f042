"""The curve that decides: a smooth rising curve of each limb, with no law behind it.

Each recorded stroke gives a loading and an unloading limb. Samples are gathered into cells of
u = log(F + F0), so that neither a slow hand nor the many samples near the peak weigh more than
their share of the curve. Position is a rising spline of u; what bends is penalised, and how much
is chosen by leaving strokes out. Strokes may stand apart by a constant (a pad that sinks a little
from stroke to stroke); the constant is theirs, the shape is common.

    x(u) = offset of the stroke + gap (unloading only) + sum_j c_j I_j(u),   c_j >= 0

I_j are sums of cubic B-splines (I-splines: Ramsay, Statistical Science 3 (1988) 425). The penalty is on
the second derivative of the slope dx/du over a guide, a rough picture of that slope: the exponential of
a cubic in u through a first, stiff fit of the same strokes (parametrically guided smoothing: Glad, Scand.
J. Statist. 25 (1998) 649, from memory). What the guide gets right costs nothing, what it gets wrong the
spline puts right; a straight, a power and a rubber law bend over u by orders of magnitude, and without a
guide just that was smoothed away.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, optimize
from scipy.interpolate import BSpline

from padlab.records.pad import F0_N

Array = NDArray[np.float64]

CELLS = 60
PIECES = 14
GRID = 160
UNDERSMOOTHED = 10.0**-0.75
GUIDE_SMOOTHING = 0.1
"""Of the fit that the guide is read from."""
GUIDE_DEGREE = 3
GUIDED_FROM = 1e-3
"""Share of a limb's steepest slope under which a coefficient tells the guide nothing of its logarithm."""
STIFFNESS_GRID = tuple(10.0 ** np.arange(-6, 3.1, 0.75))


@dataclass(frozen=True)
class Cells:
    """One stroke's limbs gathered into cells: means and counts (2, CELLS); limb 0 is loading."""

    u: Array
    x: Array
    n: Array
    residual_sd_mm: float


@dataclass(frozen=True)
class RisingCurves:
    """Both limbs as coefficients; evaluate with ``limb``."""

    low_u: float
    high_u: float
    loading: Array            # (J,)
    unloading: Array          # (J,)
    gap_mm: float             # unloading minus loading at the lower end
    smoothing: float

    def basis(self, u: Array) -> Array:
        """The rising functions at u (m, J), the same for every curve of one run."""
        return _rising_basis(u, self.low_u, self.high_u)

    def both(self, basis: Array) -> tuple[Array, Array]:
        """Loading and unloading limb [mm], 0 for the loading limb at the lower end."""
        return np.asarray(basis @ self.loading), np.asarray(basis @ self.unloading + self.gap_mm)

    def limb(self, u: Array, which: int) -> Array:
        """Position of one limb at u [mm], 0 for the loading limb at the lower end."""
        return self.both(self.basis(u))[which]


def gather(force_n: Array, position_mm: Array, *, start: int, peak: int, stop: int,
           low_u: float, high_u: float) -> Cells:
    """Gather one stroke's samples into cells; linear in the samples."""
    u_out, x_out, n_out = np.zeros((2, CELLS)), np.zeros((2, CELLS)), np.zeros((2, CELLS))
    left = []
    width = (high_u - low_u) / CELLS
    for limb, (a, b) in enumerate(((start, peak + 1), (peak, stop))):
        f, x = force_n[a:b], position_mm[a:b]
        u = np.log(np.maximum(f, -0.5 * F0_N) + F0_N)
        ok = (u >= low_u) & (u < high_u)
        # A reading a last digit below the upper end may be rounded into a cell that is not there.
        cell = np.minimum(((u[ok] - low_u) / width).astype(np.intp), CELLS - 1)
        n = np.bincount(cell, minlength=CELLS).astype(np.float64)
        full = n > 0
        u_out[limb][full] = np.bincount(cell, u[ok], CELLS)[full] / n[full]
        x_out[limb][full] = np.bincount(cell, x[ok], CELLS)[full] / n[full]
        n_out[limb] = n
        if ok.sum() > 4:
            left.append(float(np.median(np.abs(np.diff(x[ok], 2)))))
    noise = 1.4826 * float(np.median(left)) / np.sqrt(6.0) if left else 0.0
    return Cells(u_out, x_out, n_out, noise)


class LimbFitter:
    """Fits the curves to any subset of strokes; what strokes share is computed once."""

    def __init__(self, strokes: list[Cells], *, low_u: float, high_u: float) -> None:
        self.low_u, self.high_u = low_u, high_u
        self.strokes = strokes
        j = _count()
        self._blocks: list[tuple[Array, Array]] = []
        basis_of = _rising_basis(np.stack([s.u for s in strokes]).ravel(), low_u, high_u)
        for s, basis in zip(strokes, basis_of.reshape(len(strokes), 2, CELLS, j), strict=True):
            full = s.n > 0
            half = int(full[0].sum())
            a = np.zeros((int(full.sum()), 2 * j + 1))
            a[:half, :j] = basis[0][full[0]]
            a[half:, j : 2 * j] = basis[1][full[1]]
            a[half:, 2 * j] = 1.0
            y = s.x[full]
            # A cell of one sample weighs less than one of many, but no cell rules the curve.
            w = np.sqrt(np.minimum(s.n[full], 4.0) / 4.0)
            # The stroke's own offset is projected out: weighted means off every column.
            share = w**2 / np.sum(w**2)
            a = (a - share @ a) * w[:, None]
            y = (y - share @ y) * w
            self._blocks.append((a, y))
        self._gram = np.stack([a.T @ a for a, _ in self._blocks])
        self._right = np.stack([a.T @ y for a, y in self._blocks])
        self._left_gram = self._gram.sum(axis=0) - self._gram
        self._left_right = self._right.sum(axis=0) - self._right
        n = len(strokes)
        self._penalty = _guided(self._gram.sum(axis=0)[None], self._right.sum(axis=0)[None], n)[0]
        # A stroke that is left out has no part in the guide either: its doubt is the guide's too.
        self._left_penalty = (_guided(self._left_gram, self._left_right, n - 1) if n > 2
                              else self._penalty[None])

    def fit(self, use: list[int], smoothing: float) -> RisingCurves:
        """Fit the strokes ``use`` (indices) with that smoothing."""
        gram, right = self._gram[use].sum(axis=0)[None], self._right[use].sum(axis=0)[None]
        penalty = self._penalty if len(use) == len(self.strokes) else _guided(gram, right, len(use))
        return self._curves(_rising_least_squares(gram + smoothing * penalty * len(use), right)[0], smoothing)

    def without_each(self, smoothing: float) -> list[RisingCurves]:
        """The curves of all strokes but one, for each stroke in turn."""
        return [self._curves(c, smoothing) for c in self._without_each(np.array([smoothing]))[0]]

    def _without_each(self, smoothings: Array) -> Array:
        """Coefficients (smoothings, strokes, 2J + 1) with each stroke left out."""
        n, size = self._right.shape
        right = self._left_right
        every = self._left_gram + (n - 1) * smoothings[:, None, None, None] * self._left_penalty
        c = _rising_least_squares(every.reshape(-1, size, size),
                                  np.broadcast_to(right, (smoothings.size, n, size)).reshape(-1, size))
        return c.reshape(smoothings.size, n, size)

    def _curves(self, c: Array, smoothing: float) -> RisingCurves:
        j = _count()
        return RisingCurves(self.low_u, self.high_u, c[:j], c[j : 2 * j], float(c[2 * j]), smoothing)

    def choose_smoothing(self) -> float:
        """Smoothing by leaving strokes out: a step under the smoothest that is hardly worse than the best.

        What predicts best is a little too smooth to be counted on: its bias is as large as its
        scatter, and no resampling of strokes sees a bias. One step less leaves the scatter
        to rule (undersmoothing: Hall, Annals of Statistics 20 (1992) 675; the step was found on pads
        of known laws, tests/studies). With one or two strokes there is nothing to judge by, and a
        middling smoothing is taken.
        """
        n = len(self.strokes)
        if n < 3:
            return 1e-3
        every = self._without_each(np.array(STIFFNESS_GRID))
        table = np.column_stack([
            np.mean((y[:, None] - a @ every[:, i].T) ** 2, axis=0) for i, (a, y) in enumerate(self._blocks)])
        mean = table.mean(axis=1)
        best = int(np.argmin(mean))
        # The paired difference to the best tells whether a smoother curve is really worse.
        for k in range(len(STIFFNESS_GRID) - 1, best, -1):
            d = table[k] - table[best]
            if d.mean() <= d.std(ddof=1) / np.sqrt(n) * 0.5:
                return UNDERSMOOTHED * float(STIFFNESS_GRID[k])
        return UNDERSMOOTHED * float(STIFFNESS_GRID[best])

    def residuals(self, curve: RisingCurves) -> list[Array]:
        """Weighted residuals of each stroke [mm]."""
        c = np.concatenate([curve.loading, curve.unloading, [curve.gap_mm]])
        return [y - a @ c for a, y in self._blocks]

    def covariance(self, curve: RisingCurves) -> Array:
        """Covariance of all coefficients from noise within strokes, serially correlated.

        The coefficients that the constraint holds at zero are taken as known.
        """
        c = np.concatenate([curve.loading, curve.unloading, [curve.gap_mm]])
        free = c > 0
        free[-1] = True
        gram = np.sum(self._gram, axis=0)
        full = gram + curve.smoothing * self._penalty * len(self.strokes)
        m = np.linalg.pinv(full[np.ix_(free, free)])
        r = np.concatenate(self.residuals(curve))
        below = float(r @ r)
        r1 = float(np.clip(r[1:] @ r[:-1] / below, 0, 0.95)) if below > 0 else 0.0
        variance = below / max(r.size - int(free.sum()), 1) * (1 + r1) / (1 - r1)
        out = np.zeros((c.size, c.size))
        out[np.ix_(free, free)] = m @ gram[np.ix_(free, free)] @ m * variance
        return out

    def mean_curve_covariance(self, covariance: Array, force_n: Array) -> Array:
        """Covariance of the mean of the limbs from its F0 point (m, m), from one of the coefficients."""
        basis = _rising_basis(np.log(force_n + F0_N), self.low_u, self.high_u)
        rows = np.hstack([basis / 2, basis / 2, np.zeros((force_n.size, 1))])
        rows = rows - rows[0]
        return np.asarray(rows @ covariance @ rows.T)


def grid_force_n(good_to_n: float) -> Array:
    """The common grid from F0 to the largest force, even in log(F + F0)."""
    u = np.linspace(np.log(2 * F0_N), np.log(good_to_n + F0_N), GRID)
    f = np.exp(u) - F0_N
    f[0], f[-1] = F0_N, good_to_n
    return np.asarray(f)


PIVOTS = 20


def _rising_least_squares(gram: Array, right: Array) -> Array:
    """Min c'Gc - 2 c'r with all but the last coefficient >= 0, for each G (m, n, n) and r (m, n).

    The set of coefficients over 0 is exchanged until both signs are right (c >= 0 in it, gradient
    >= 0 outside it: Portugal, Judice & Vicente, Mathematics of Computation 63 (1994) 625). The
    problem is strictly convex, so what passes is the one solution; where the exchange runs in a
    circle, Lawson and Hanson's method finds it.
    """
    m, n = right.shape
    scale = np.sqrt(np.maximum(np.einsum("mii->mi", gram), 1e-300))
    g = gram / (scale[:, :, None] * scale[:, None, :])
    g[:, np.arange(n), np.arange(n)] += 1e-9
    r = right / scale
    out = np.empty((m, n))
    open_ = np.arange(m)
    inside = np.ones((m, n), dtype=bool)
    for _ in range(PIVOTS):
        held = inside[open_]
        # Rows and columns outside the set are those of the identity, so that c is 0 there.
        part = np.where(held[:, :, None] & held[:, None, :], g[open_], 0.0)
        part[:, np.arange(n), np.arange(n)] += ~held
        c = np.linalg.solve(part, np.where(held, r[open_], 0.0)[:, :, None])[:, :, 0]
        slope = np.einsum("mij,mj->mi", g[open_], c) - r[open_]
        wrong = np.where(held, c < 0, slope < -1e-12)
        wrong[:, -1] = False
        right_now = ~wrong.any(axis=1)
        out[open_[right_now]] = c[right_now]
        inside[open_] = held ^ wrong
        open_ = open_[~right_now]
        if open_.size == 0:
            break
    for i in open_:
        out[i] = _by_non_negative_least_squares(g[i], r[i])
    return np.asarray(out / scale)


def _by_non_negative_least_squares(g: Array, r: Array) -> Array:
    n = g.shape[0]
    # The last may have either sign: it is the difference of two columns, tied by the ridge.
    wide = np.empty((n + 1, n + 1))
    wide[:n, :n] = g
    wide[n, :n] = -g[n - 1]
    wide[:n, n] = -g[:, n - 1]
    wide[n, n] = g[n - 1, n - 1]
    wide[n, n - 1] += 1e-9
    wide[n - 1, n] += 1e-9
    lower = linalg.cholesky(wide, lower=True, check_finite=False)
    target = linalg.solve_triangular(lower, np.append(r, -r[-1]), lower=True, check_finite=False)
    c, _ = optimize.nnls(lower.T, target, maxiter=50 * (n + 1))
    out = c[:n].copy()
    out[-1] -= c[n]
    return np.asarray(out)


@lru_cache(maxsize=4)
def _knots(pieces: int) -> Array:
    inner = np.linspace(0, 1, pieces + 1)
    return np.concatenate([[0] * 3, inner, [1] * 3])


def _count() -> int:
    """Number of rising basis functions: one fewer than B-splines (the constant is the offset)."""
    return PIECES + 2


def _design(z: Array) -> Array:
    knots = _knots(PIECES)
    z = np.clip(z, 0.0, 1.0)
    return np.asarray(BSpline.design_matrix(z, knots, 3).toarray())


def _rising_basis(u: Array, low_u: float, high_u: float) -> Array:
    b = _design((u - low_u) / (high_u - low_u))
    return np.asarray(np.cumsum(b[:, ::-1], axis=1)[:, ::-1][:, 1:])


def _widths() -> Array:
    """What turns coefficients into those of the slope, a spline of degree 2 (J,)."""
    span, j = _knots(PIECES), _count()
    return np.asarray((span[4 : 4 + j] - span[1 : 1 + j]) * PIECES / 3)


def _sites() -> Array:
    """Where on 0 to 1 the coefficients of the slope stand (J,): in the middle of their inner knots."""
    span, j = _knots(PIECES), _count()
    return np.asarray((span[2 : 2 + j] + span[3 : 3 + j]) / 2)


def _guided(gram: Array, right: Array, strokes: int) -> Array:
    """The penalties (m, 2J + 1, 2J + 1) over the guides of so many strokes with these normal equations."""
    plain = _penalty(np.ones((1, 2, _count())))
    return _penalty(_guide(_rising_least_squares(gram + strokes * GUIDE_SMOOTHING * plain, right)))


def _guide(c: Array) -> Array:
    """Rough slopes (m, 2, J) of the curves with coefficients (m, 2J + 1): exponentials of polynomials."""
    slope = c[:, :-1].reshape(-1, 2, _count()) / _widths()
    most = np.maximum(slope.max(axis=2, keepdims=True), 1e-12)
    slope = np.maximum(slope, GUIDED_FROM * most)
    powers = (2 * _sites()[:, None] - 1) ** np.arange(GUIDE_DEGREE + 1)
    # A slope near 0 has no logarithm to speak of: each counts by its size.
    gram = np.einsum("ja,mkj,jb->mkab", powers, slope / most, powers)
    right = np.einsum("ja,mkj,mkj->mka", powers, slope / most, np.log(slope))
    return np.asarray(np.exp(np.linalg.solve(gram, right[..., None])[..., 0] @ powers.T))


def _penalty(guide: Array) -> Array:
    """Integral of the squared second derivative of slope over guide (m, 2J + 1, 2J + 1), guides (m, 2, J)."""
    j = guide.shape[2]
    bends = np.diff(np.diff(np.eye(j), axis=0) / np.diff(_sites() * PIECES)[:, None], axis=0)
    usual = np.sqrt(np.mean(guide**2, axis=2, keepdims=True))
    d = bends * (usual / guide / _widths())[:, :, None, :]
    out = np.zeros((guide.shape[0], 2 * j + 1, 2 * j + 1))
    for k in (0, 1):
        out[:, k * j : (k + 1) * j, k * j : (k + 1) * j] = np.swapaxes(d[:, k], 1, 2) @ d[:, k]
    return out
