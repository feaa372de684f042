"""The search for laws that are linear in most of their parameters: variable projection.

For given nonlinear parameters q the linear ones follow by least squares, so that only q is searched:
r(q) = B(q) c(q) - y with c(q) = B+ y. Its derivative is that of Golub & Pereyra (SIAM J. Num. Anal.
10 (1973) 413; review in Inverse Problems 19 (2003) R1): with B = Q R,

    dr/dq = (1 - Q Q') (dB/dq) c - Q R^-T (dB/dq)' r.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from padlab.fitting.laws.law import Law

Array = NDArray[np.float64]

FTOL, XTOL = 1e-13, 1e-11
"""Of every search: near what doubles can do, so that values do not depend on the way."""

DEPENDENT = 1e-11
"""A column that keeps no more than this of its length beside the others is one of them."""
MOST_STEPS, LONGEST = 200, 2.0
"""Of the one-dimensional search; a positive parameter changes by a factor of e^2 at most in a step."""


class _Projected:
    """r(phi) and dr/dphi; phi are q, positive ones in their logarithm, others on the scale of the start."""

    def __init__(self, law: Law, x: Array, y: Array, w: Array, first: Array) -> None:
        assert law.separable is not None
        self.law, self.parts, self.x = law, law.separable, x
        self.w, self.y = w, y * w
        places = list(self.parts.nonlinear)
        self.positive = np.array([law.parameters[i].is_positive for i in places], dtype=bool)
        start = first[places]
        self.unit = np.where(self.positive, 1.0, np.maximum(np.abs(start), 1e-12))
        self.phi0 = np.where(self.positive, np.log(np.maximum(start, 1e-300)), start / self.unit)
        self.seen: Array | None = None

    def q_of(self, phi: Array) -> Array:
        return np.where(self.positive, np.exp(np.clip(phi, -700, 700)), phi * self.unit)

    def residual(self, phi: Array) -> Array:
        self.q = self.q_of(phi)
        columns = (self.parts.basis(self.x, self.q) * self.w[:, None]).T
        size = columns.shape[0]
        # By Gram and Schmidt (modified), column by column: there are one to three, and a library's
        # own call costs more than all of this. A column of no length of its own ends the search.
        self.ortho, self.upper = np.empty_like(columns), [[0.0] * size for _ in range(size)]
        left, along = self.y, []
        for j in range(size):
            v = columns[j]
            before = math.sqrt(v @ v)
            for i in range(j):
                self.upper[i][j] = float(self.ortho[i] @ v)
                v = v - self.upper[i][j] * self.ortho[i]
            length = math.sqrt(v @ v)
            if not DEPENDENT * before < length < math.inf:
                self.seen = None
                return np.full(self.x.size, 1e150)
            self.upper[j][j] = length
            self.ortho[j] = v / length
            along.append(float(self.ortho[j] @ left))
            left = left - along[j] * self.ortho[j]
        self.c = [0.0] * size
        for i in reversed(range(size)):
            rest = sum(self.upper[i][j] * self.c[j] for j in range(i + 1, size))
            self.c[i] = (along[i] - rest) / self.upper[i][i]
        self.left = -left
        self.seen = phi.copy()
        return self.left

    def derivative(self, phi: Array) -> Array:
        if self.seen is None or not np.array_equal(phi, self.seen):
            self.residual(phi)
        out = np.zeros((self.x.size, phi.size))
        if self.seen is None:
            return out
        size = len(self.c)
        slope = self.parts.slope(self.x, self.q)
        for m in range(phi.size):
            scale = self.q[m] if self.positive[m] else self.unit[m]
            d = slope[:, :, m].T * (self.w * scale)
            first = d.T @ self.c
            for i in range(size):
                first = first - (self.ortho[i] @ first) * self.ortho[i]
            across = (d @ self.left).tolist()
            back: list[float] = []
            for i in range(size):
                done = sum(self.upper[j][i] * back[j] for j in range(i))
                back.append((across[i] - done) / self.upper[i][i])
                first = first - back[i] * self.ortho[i]
            out[:, m] = first
        return out


def _one_dimension(task: _Projected) -> Array | None:
    """The least of one nonlinear parameter: Newton's step with the curvature of the last two slopes.

    The first step, and one where that curvature is not upward, is Gauss and Newton's; each is halved
    until it leads down.
    """
    phi, left = task.phi0, task.residual(task.phi0)
    column = task.derivative(phi)[:, 0]
    rss, slope, curvature = float(left @ left), float(column @ left), float(column @ column)
    for _ in range(MOST_STEPS):
        if task.seen is None or curvature == 0.0:
            return None
        step = min(max(-slope / curvature, -LONGEST), LONGEST)
        while True:
            left = task.residual(phi + step)
            now = float(left @ left)
            if now <= rss or abs(step) <= XTOL:
                break
            step /= 2
        if abs(step) <= XTOL * max(abs(float(phi[0])), 1.0) or rss - now <= FTOL * rss:
            return phi + step if now <= rss else phi
        column = task.derivative(phi + step)[:, 0]
        before, slope = slope, float(column @ left)
        curvature = (slope - before) / step
        if curvature <= 0:
            curvature = float(column @ column)
        phi, rss = phi + step, now
    return None


def search(law: Law, x: Array, y: Array, w: Array, first: Array) -> Array | None:
    """Parameters (k,) of the least weighted squares, or None where this way does not lead inside the bounds.

    Parameters
    ----------
    law : Law
        With ``separable``.
    x, y, w : array (n,)
        Finite; ``w`` multiplies the residuals.
    first : array (k,)
        First values; only the nonlinear ones are used.
    """
    if not np.isfinite(first).all():
        return None
    task = _Projected(law, x, y, w, first)
    phi: Array | None = task.phi0
    if task.phi0.size == 1:
        phi = _one_dimension(task)
    elif task.phi0.size:
        phi, _, _, _, ended = optimize.leastsq(
            task.residual, task.phi0, Dfun=task.derivative, full_output=True, ftol=FTOL, xtol=XTOL, gtol=0.0,
            maxfev=400 * (task.phi0.size + 1))
        phi = phi if ended in (1, 2, 3, 4) else None
    if phi is None:
        return None
    task.residual(phi)
    if task.seen is None:
        return None
    theta = np.asarray(task.parts.join(np.array(task.c), task.q), dtype=np.float64)
    if not np.isfinite(theta).all():
        return None
    inside = all(p.lower < t < p.upper for p, t in zip(law.parameters, theta, strict=True))
    return theta if inside else None
