"""Readings of thickness over strokes (or days) -> the path of each pad's loss, and where it meets a limit.

One law for all pads of a stock, by the corrected Akaike criterion over all their readings; each pad has
parameters of its own. A limit that lies beyond the readings is reached by carrying the law on: no more
than three times (:data:`FARTHEST`), or the path counts as unreached.

>>> n = np.linspace(1e5, 2e6, 20)
>>> paths = fit_paths([WearReadings("A1", "1", n, 1.31e-8 * n), WearReadings("A2", "1", n, 1.62e-8 * n)])
>>> paths.law, [round(p.reaches(0.0762).strokes / 1e6, 4) for p in paths.paths]
('steady', [5.8168, 4.7037])
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import optimize

from padlab.errors import FitError
from padlab.fitting.fit import Fit, fit
from padlab.fitting.laws.law import Law
from padlab.fitting.laws.wearing import wearing_laws
from padlab.fitting.results import Verdict

Array = NDArray[np.float64]

FARTHEST = 3.0
"""A path is carried on to at most so many times its last reading (Meeker & Escobar 1998, ch. 13, from memory,
ask for short extrapolations; the number is a design choice)."""
TIE = 2.0
"""Laws within this of the best AICc are not told apart by the readings."""
PATTERN = 3.0
"""Standard errors beyond which a correlation is taken for a pattern: one stock in 700 by chance."""
FEWEST_READINGS = 4
LOST = (Verdict.STOPPED_EARLY, Verdict.TOO_FEW_POINTS)


@dataclass(frozen=True)
class WearReadings:
    """The loss of one pad: ``strokes`` (n,) > 0, ``loss_mm`` (n,) since before the first stroke, + = thinner.

    ``strokes`` are days where only the calendar is known.
    """

    pad: str
    lot: str
    strokes: Array
    loss_mm: Array


@dataclass(frozen=True)
class Reach:
    """Where a path meets the limit."""

    strokes: float                       # infinite where the law never gets there
    log_error: float | None              # standard error of ln(strokes) that the readings leave
    last_reading: float

    @property
    def is_censored(self) -> bool:
        """Whether the limit lies more than three times beyond the last reading."""
        return not self.strokes <= FARTHEST * self.last_reading

    @property
    def is_extrapolated(self) -> bool:
        """Whether the limit lies beyond the last reading."""
        return self.strokes > self.last_reading


@dataclass(frozen=True)
class WearPath:
    """One pad's readings with the law carried through them."""

    readings: WearReadings
    fit: Fit

    def loss_mm(self, strokes: Array) -> Array:
        """The law's loss at ``strokes`` (m,) [mm]."""
        return self.fit.predict(np.asarray(strokes, dtype=np.float64))

    def reaches(self, limit_mm: float, *, besides: Callable[[float], float] | None = None) -> Reach:
        """Strokes at which the law meets ``limit_mm``; exact to 1e-12 in the logarithm.

        ``besides`` is a loss over the same strokes that adds to the law's [mm], rising and known.
        """
        last = float(self.readings.strokes.max())

        def over(log_n: float) -> float:
            n = math.exp(log_n)
            more = 0.0 if besides is None else besides(n)
            return float(self.fit.predict(np.array([n]))[0]) + more - limit_mm

        low, high = math.log(last) - 30.0, math.log(last) + 30.0
        if over(low) >= 0 or over(high) < 0:
            return Reach(math.inf if over(high) < 0 else math.exp(low), None, last)
        at = float(optimize.brentq(over, low, high, xtol=1e-12))
        slope = (over(at + 1e-6) - over(at - 1e-6)) / 2e-6          # loss per unit of ln N
        error = self.fit.predict_standard_error(np.array([math.exp(at)]))
        log_error = math.inf if error is None or slope <= 0 else float(error[0]) / slope
        return Reach(math.exp(at), log_error if math.isfinite(log_error) else None, last)


@dataclass(frozen=True)
class LawPaths:
    """All pads of a stock under one law."""

    law: str
    paths: tuple[WearPath, ...]
    aicc: float
    weight: float


@dataclass(frozen=True)
class StockPaths:
    """The best law's paths, and those of laws that the readings do not tell from it (the best among them)."""

    best: LawPaths
    tied: tuple[LawPaths, ...]
    tried: tuple[LawPaths, ...]

    @property
    def law(self) -> str:
        """Name of the best law."""
        return self.best.law

    @property
    def paths(self) -> tuple[WearPath, ...]:
        """One path a pad, in the order given."""
        return self.best.paths

    @property
    def has_pattern(self) -> bool:
        """Whether what the best law leaves runs on from reading to reading, more than chance would have it.

        Lag-one correlation of the residuals of all pads together, against its standard error 1/sqrt(pairs).
        """
        along, square, pairs = 0.0, 0.0, 0
        for path in self.paths:
            left = path.readings.loss_mm - path.loss_mm(path.readings.strokes)
            along += float(left[1:] @ left[:-1])
            square += float(left @ left)
            pairs += left.size - 1
        floor = len(self.paths) * (1e-9 * max(float(p.readings.loss_mm.max()) for p in self.paths)) ** 2
        return square > floor and along / square * math.sqrt(pairs) > PATTERN


def fit_paths(pads: Sequence[WearReadings]) -> StockPaths:
    """Fit every law to every pad and choose one for all.

    Parameters
    ----------
    pads : sequence of WearReadings
        Of one stock; four readings each at least.

    Raises
    ------
    FitError
        No pad, too few readings, readings that are not finite, or a stock that does not lose at all.

    Notes
    -----
    AICc = n ln(RSS/n) + 2K + 2K(K+1)/(n-K-1) over all readings of the stock, with one reading error for all
    pads and parameters of its own for each (Burnham & Anderson 2002, from memory). A law must fit every pad.
    """
    _check(pads)
    found: list[tuple[str, tuple[WearPath, ...], float]] = []
    laws = [wearing_laws(float(p.strokes.max())) for p in pads]
    n = sum(p.strokes.size for p in pads)
    for place, law in enumerate(laws[0]):
        k = len(pads) * len(law.parameters) + 1
        if n - k - 1 < 1:
            continue
        paths = tuple(WearPath(p, _inside(own[place], p)) for p, own in zip(pads, laws, strict=True))
        if any(path.fit.verdict in LOST for path in paths):
            continue
        rss = sum(float(np.sum((path.loss_mm(path.readings.strokes) - path.readings.loss_mm) ** 2))
                  for path in paths)
        aicc = n * math.log(max(rss / n, 1e-24)) + 2 * k + 2 * k * (k + 1) / (n - k - 1)
        found.append((law.name, paths, aicc))
    if not found:
        raise FitError("no law fits the loss of these pads", expected="readings that rise with the strokes",
                       seen=f"{n} readings of {len(pads)} pads", remedy="take more readings")
    least = min(aicc for _, _, aicc in found)
    shares = [math.exp(-(aicc - least) / 2) for _, _, aicc in found]
    weighed = [LawPaths(*one, share / sum(shares)) for one, share in zip(found, shares, strict=True)]
    tried = tuple(sorted(weighed, key=lambda one: one.aicc))
    return StockPaths(tried[0], tuple(one for one in tried if one.aicc - least < TIE), tried)


def _check(pads: Sequence[WearReadings]) -> None:
    if not pads:
        raise FitError("there is no pad to follow", expected="readings of one pad at least", seen="none")
    for p in pads:
        n = np.asarray(p.strokes)
        if n.size < FEWEST_READINGS or n.shape != np.shape(p.loss_mm):
            raise FitError(f"pad {p.pad} has too few readings", expected=f"{FEWEST_READINGS} after the first",
                           seen=str(n.size), remedy="read the thickness more often", where={"pad": p.pad})
        if not (np.isfinite(n).all() and np.isfinite(p.loss_mm).all() and (n > 0).all()):
            raise FitError(f"pad {p.pad} has readings that are no numbers", expected="finite, strokes over 0",
                           seen="others", where={"pad": p.pad})
        if not float(np.max(p.loss_mm)) > 0:
            raise FitError(f"pad {p.pad} has lost nothing", expected="a loss of thickness",
                           seen=f"at most {1e3 * float(np.max(p.loss_mm)):.1f} um",
                           remedy="go on with the test; check the sign of the thickness",
                           where={"pad": p.pad})


def _inside(law: Law, pad: WearReadings) -> Fit:
    """Least squares with every parameter inside its bounds.

    At a bound a law is the simpler one that it holds (no running in, no steady wear): that is an answer, and
    a limit is still reached by it. The free search of :func:`padlab.fitting.fit.fit` may stand outside.
    """
    free = fit(law, pad.strokes, pad.loss_mm)
    lower, upper = (np.array([getattr(p, end) for p in law.parameters]) for end in ("lower", "upper"))
    if free.verdict in (Verdict.GOOD, Verdict.UNDETERMINED, Verdict.TOO_FEW_POINTS) and np.all(
            (free.values > lower) & (free.values < upper)):
        return free
    low, high = np.log(lower), np.log(upper)
    size = float(np.abs(pad.loss_mm).max())
    start = np.clip(np.log(law.guess(pad.strokes, pad.loss_mm)), low + 1e-6, high - 1e-6)

    def residual_of(phi: Array) -> Array:
        return (law.value(pad.strokes, np.exp(phi)) - pad.loss_mm) / size

    def derivative(phi: Array) -> Array:
        return law.jacobian(pad.strokes, np.exp(phi)) * np.exp(phi) / size

    found = optimize.least_squares(residual_of, start, jac=derivative, bounds=(low, high), xtol=1e-10,
                                   ftol=1e-12, gtol=1e-12, max_nfev=200)
    values = np.exp(found.x)
    residual = law.value(pad.strokes, values) - pad.loss_mm
    rss = float(residual @ residual)
    ended = Verdict.AT_BOUND if found.status > 0 else Verdict.STOPPED_EARLY
    stands = [p.name for p, v in zip(law.parameters, values, strict=True)
              if not p.lower * 1.001 < v < p.upper * 0.999]
    return replace(free, values=values, covariance=_free_covariance(law, values, pad, rss), verdict=ended,
                   residual_rms=math.sqrt(rss / pad.strokes.size), weighted_rss=rss,
                   reason=f"at a bound: {', '.join(stands) or 'nearly'}" if ended is Verdict.AT_BOUND
                   else "the search did not converge")


def _free_covariance(law: Law, values: Array, pad: WearReadings, rss: float) -> Array | None:
    """Covariance of the parameters that do not stand at a bound; the others are taken as known."""
    k = len(law.parameters)
    free = [i for i, (v, p) in enumerate(zip(values, law.parameters, strict=True))
            if p.lower * 1.001 < v < p.upper * 0.999]
    jac = law.jacobian(pad.strokes, values)[:, free]
    norm = np.linalg.norm(jac, axis=0)
    covariance = np.zeros((k, k))
    if not free or not np.all((norm > 1e-100) & (norm < 1e100)):
        return None
    r = np.linalg.qr(jac / norm, mode="r")
    if np.abs(np.diag(r)).min() < 1e-10:
        return None
    inverse = np.linalg.inv(r)
    scale = rss / max(pad.strokes.size - len(free), 1)
    covariance[np.ix_(free, free)] = (inverse @ inverse.T) * scale / np.outer(norm, norm)
    return covariance
