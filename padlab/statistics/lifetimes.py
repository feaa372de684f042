"""Lives of pads, some of them not reached: their distribution, and what a new pad of a new lot will do.

Two questions, two answers. :func:`maximum_likelihood` describes the pads at hand by a lognormal or a
Weibull distribution, right-censored lives included. :func:`new_pad` predicts one more pad, of a lot that
nobody has seen: the lots are what is repeated, and three lots say little about how much lots differ.

>>> import math
>>> lives = [76.2 / s for s in (1.31, 1.62, 1.10, 1.87, 1.44, 1.23, 1.65)]          # in 100,000 strokes
>>> seen = new_pad({"1": [math.log(n) for n in lives]})
>>> [round(math.exp(v) / 5, 3) for v in (seen.centre, seen.low90, seen.high90, seen.b10_lower95)]
[10.593, 7.202, 15.581, 6.349]
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from padlab.statistics.quantity import effective_degrees_of_freedom, t95

Array = NDArray[np.float64]

Z10 = 1.2815515655446004
"""Upper 10 % point of the normal distribution."""
Z05 = 1.6448536269514722
LOTS_COUNT = 2.0
"""By how much the lots' part counts in the degrees of freedom of a new pad's interval.

Where few lots happen to agree, their part of the variance is too small and its share in the freedom as
well. Of 100,000 drawn studies (lot : pad scatter 0, 1, 2) plain Welch and Satterthwaite cover 88.4 to
91.0 % with three lots of 2 to 4 pads, the double 89.9 to 91.7 %; with two lots of two 87.4 to 92.0 and
89.0 to 92.8 %.
tests/experiments/new_pad_freedom.py prints the table.
"""
GRID = 100
"""Steps of probability for each of two chi-squares; 400 of them move the bound by under 1 %."""
WIDEST = 50.0
"""Spread of the logarithm of life beyond which no distribution is told: e^50 is from a stroke to for ever."""
MOST_ROUNDS = 500


@dataclass(frozen=True)
class NewPad:
    """The logarithm of the life of one more pad; ``about`` says of which lot.

    ``centre`` is the mean of the lots' means (the median life is its exponential), ``centre_low95`` and
    ``centre_high95`` its 95 % interval, ``low90`` to ``high90`` the 90 % interval of the one pad,
    ``b10_lower95`` the lower 95 % bound of the life that nine pads of ten outlive. ``between`` and
    ``within`` are the sd between lots and between pads of one lot; None where they cannot be told.
    """

    centre: float
    centre_low95: float | None
    centre_high95: float | None
    low90: float | None
    high90: float | None
    b10_lower95: float | None
    between: float | None
    within: float | None
    about: Literal["new lot", "this lot only"]


def new_pad(lots: Mapping[str, Sequence[float]], *, more_variance: float = 0.0,
            censored: Mapping[str, Sequence[float]] | None = None) -> NewPad:
    """Predict one more pad of a new lot; of the same lot where there is only one.

    Parameters
    ----------
    lots : mapping
        For each lot the logarithms of its pads' lives.
    more_variance : float
        Of an error that all pads share (what the laws disagree by), of many degrees of freedom.
    censored : mapping, optional
        For each lot the logarithms up to which other pads of it have lasted at least.

    Notes
    -----
    With m lots of n_i pads, h their harmonic mean, S2 the variance of the lots' means and W the pooled
    variance within lots,

        V = (1 + 1/m) S2 + (1 - 1/h) W

    is without bias the variance of (new pad of a new lot - mean of the lots' means), since
    E S2 = s2_lot + s2_pad/h (unweighted means; Thomas & Hultquist, Ann. Statist. 6 (1978) 582, from
    memory). Its degrees of freedom are Welch and Satterthwaite's with the lots' part counted twice
    (:data:`LOTS_COUNT`). One lot: V = (1 + 1/n) W, Student's t with n - 1.

    B10 of one lot: ybar - k s, k = t'(0.95; n - 1, sqrt(n) z_0.9) / sqrt(n), the noncentral t. Of several:
    the 5 % point of mu - z_0.9 sqrt(s2_lot + s2_pad), with S2 (m-1)/chi2 and W (N-m)/chi2 for the two
    variances and mu about the centre with S2/m (generalised confidence; Weerahandi, J. Amer. Statist. Assoc.
    88 (1993) 899, from memory). It errs on the safe side: 95 to 99 % in simulations of 3 to 5 lots.

    A censored life counts as its expected value beyond its bound, its square with the variance there (of the
    normal distribution; EM). It adds no degree of freedom. How well this covers: a table in DEVELOPERS.md.
    """
    from scipy import special

    names = sorted(set(lots) | set(censored or {}))
    seen = {name: np.asarray(lots.get(name, ()), dtype=np.float64) for name in names}
    beyond = {name: np.asarray((censored or {}).get(name, ()), dtype=np.float64) for name in names}
    sizes = np.array([seen[n].size + beyond[n].size for n in names], dtype=np.float64)
    total, m = float(sizes.sum()), len(names)
    if not total:
        raise ValueError("no life to go by")
    means, squares = _completed([seen[n] for n in names], [beyond[n] for n in names])
    centre = float(means.mean())
    known_pads = sum(int(seen[n].size) for n in names)
    known_lots = sum(bool(seen[n].size) for n in names)
    about: Literal["new lot", "this lot only"] = "new lot" if m > 1 else "this lot only"
    df_within, df_lots = known_pads - known_lots, known_lots - 1
    within = float(squares.sum()) / (total - m) if total > m and df_within > 0 else None
    h = m / float(np.sum(1 / sizes))
    sd_within = None if within is None else math.sqrt(within)
    if m > 1 and df_lots > 0 and (within is not None or total == m):
        between_means = float(means.var(ddof=1))
        pads = ((1 - 1 / h) * (within or 0.0), float(max(df_within, 1)))
        half = _half90(((1 + 1 / m) * between_means, float(df_lots)), pads)
        mean, df_mean = between_means / m, float(df_lots)
        below = _b10_of_several((between_means, float(df_lots)), pads, m=m)
        between = None if within is None else math.sqrt(max(between_means - within / h, 0.0))
    elif m == 1 and within is not None and within > 0:
        half = _half90((0.0, 1.0), ((1 + 1 / total) * within, float(df_within)))
        mean, df_mean, between = within / total, float(df_within), None
        below = math.sqrt(within / total) * float(special.nctdtrit(df_within, math.sqrt(total) * Z10, 0.95))
    else:
        return NewPad(centre, None, None, None, None, None, None, sd_within, about)
    # An error of many degrees of freedom in one sum with others would raise theirs, and could narrow the
    # interval: it joins the half-widths, and the one-sided bound outright.
    more = math.sqrt(more_variance)
    half, off = math.hypot(half, Z05 * more), math.hypot(t95(df_mean) * math.sqrt(mean), t95(math.inf) * more)
    below += Z05 * more
    return NewPad(centre, centre - off, centre + off, centre - half, centre + half, centre - below, between,
                  sd_within, about)


def _half90(lots: tuple[float, float], pads: tuple[float, float]) -> float:
    """Half the 90 % interval of a new pad from the (variance, degrees of freedom) of both parts."""
    from scipy import special

    counted = [(math.sqrt(LOTS_COUNT * lots[0]), lots[1]), (math.sqrt(pads[0]), pads[1])]
    freedom = min(effective_degrees_of_freedom(counted), 1e9)
    return float(special.stdtrit(freedom, 0.95)) * math.sqrt(lots[0] + pads[0])


def _b10_of_several(lots: tuple[float, float], pads: tuple[float, float], *, m: int) -> float:
    """How far the B10 bound lies below the centre; by quadrature over both chi-squares, then halving."""
    from scipy import special

    (s2, df), (w, df_pads) = lots, pads
    grid = (np.arange(GRID) + 0.5) / GRID
    of_lots = s2 * df / (2 * special.gammaincinv(df / 2, grid))[:, None]
    spread = Z10 * np.sqrt(of_lots + w * df_pads / (2 * special.gammaincinv(df_pads / 2, grid))[None, :])
    mean_sd = np.maximum(np.sqrt(of_lots / m), 1e-12)
    low, high = 0.0, 100.0 * math.sqrt(s2 + w)
    for _ in range(40):
        below = (low + high) / 2
        risk = float(special.ndtr((spread - below) / mean_sd).mean())
        low, high = (below, high) if risk > 0.05 else (low, below)
    return (low + high) / 2


def _completed(seen: Sequence[Array], beyond: Sequence[Array]) -> tuple[Array, Array]:
    """Means (m,) and sums of squares about them (m,) of lots whose censored lives are filled in.

    A lot that shows some lives fills in the others by EM, one spread for all lots. Of a lot that shows none
    only the other lots can say where it lies.
    """
    means = np.array([float(np.r_[s, b].mean()) for s, b in zip(seen, beyond, strict=True)])
    squares = np.array([float(np.sum((s - s.mean()) ** 2)) if s.size else 0.0 for s in seen])
    if not any(b.size for b in beyond):
        return means, squares
    shown = [i for i, s in enumerate(seen) if s.size]
    count = sum(seen[i].size + beyond[i].size for i in shown)
    variance = max(float(np.concatenate([*seen, *beyond]).var()), 1e-12)
    for _ in range(MOST_ROUNDS):
        before = means.copy()
        for i in shown:
            means[i], squares[i] = _filled(seen[i], beyond[i], float(means[i]), math.sqrt(variance))
        variance = max(float(squares[shown].sum()) / count, 1e-12)
        if float(np.abs(means - before).max()) < 1e-10:
            break
    if shown:
        between = float(means[shown].var(ddof=1)) if len(shown) > 1 else 0.0
        for i in set(range(len(seen))) - set(shown):
            means[i], squares[i] = _filled(seen[i], beyond[i], float(means[shown].mean()),
                                           math.sqrt(variance + between))
    return means, squares


def _filled(seen: Array, beyond: Array, centre: float, sd: float) -> tuple[float, float]:
    """Mean and sum of squares of one lot, its censored lives expected about ``centre``."""
    expected, variance = _beyond(beyond, centre, sd)
    all_of_it = np.r_[seen, expected]
    mean = float(all_of_it.mean())
    return mean, float(np.sum((all_of_it - mean) ** 2) + np.sum(variance) * (1 - 1 / all_of_it.size))


def _beyond(bound: Array, centre: float, sd: float) -> tuple[Array, Array]:
    """Mean and variance of a normal number that is known to lie beyond ``bound`` (n,)."""
    from scipy import special

    a = (bound - centre) / sd
    hazard = np.exp(-a * a / 2 - special.log_ndtr(-a)) / math.sqrt(2 * math.pi)
    return centre + sd * hazard, sd * sd * np.clip(1 + a * hazard - hazard**2, 0.0, 1.0)


@dataclass(frozen=True)
class Distribution:
    """A distribution of lives fitted by maximum likelihood.

    ``parameters``: of the lognormal mu and sigma (of the logarithm), of the Weibull shape and scale;
    ``log_likelihood`` is that of the lives themselves, so that both can be compared (equal numbers of
    parameters: AIC differs by twice the difference).
    """

    name: Literal["lognormal", "weibull"]
    parameters: tuple[float, float]
    log_likelihood: float

    def share_before(self, life: float) -> float:
        """The share of the pads that do not reach ``life``; what :meth:`quantile` turns round.

        >>> round(Distribution("lognormal", (2.0, 0.4), 0.0).share_before(math.exp(2.0)), 6)
        0.5
        """
        from scipy import special

        first, second = self.parameters
        if self.name == "lognormal":
            return float(special.ndtr((math.log(life) - first) / second))
        return float(-math.expm1(-((life / second) ** first)))

    def quantile(self, share: float) -> float:
        """The life that ``share`` of the pads do not reach.

        >>> round(Distribution("weibull", (6.346, 5.7722), 0.0).quantile(0.5), 4)
        5.4483
        """
        from scipy import special

        first, second = self.parameters
        if self.name == "lognormal":
            return float(math.exp(first + second * float(special.ndtri(share))))
        return float(second * (-math.log1p(-share)) ** (1 / first))


def maximum_likelihood(lives: Sequence[float], reached: Sequence[bool], *,
                       name: Literal["lognormal", "weibull"]) -> Distribution | None:
    """Fit a distribution to lives (n,), of which those not ``reached`` are lower bounds.

    Returns None where fewer than two lives were reached or all are equal: no distribution fits.

    Notes
    -----
    Newton's method on the location and log scale of the logarithm of life, whose likelihood is concave in
    (location/scale, 1/scale) for both distributions (Meeker & Escobar, Statistical Methods for Reliability
    Data, 1998, ch. 8, from memory).
    """
    from scipy import optimize, special

    y, d = np.log(np.asarray(lives, dtype=np.float64)), np.asarray(reached, dtype=bool)
    if d.sum() < 2 or np.ptp(y) < 1e-12:
        return None
    shift, unit = float(y.mean()), float(y.std())
    z = (y - shift) / unit

    def minus_log_likelihood(p: Array) -> tuple[float, Array]:
        """In tau = 1/sigma (its logarithm is searched) and kappa = mu/sigma."""
        tau = math.exp(min(p[1], 50.0))
        u = z * tau - p[0]
        if name == "lognormal":
            log_survival = special.log_ndtr(-u)
            hazard = np.exp(-u * u / 2 - log_survival) / math.sqrt(2 * math.pi)
            value = np.where(d, math.log(tau) - u * u / 2 - math.log(2 * math.pi) / 2, log_survival)
            slope = np.where(d, -u, -hazard)
        else:
            power = np.exp(np.minimum(u, 500.0))
            value = np.where(d, math.log(tau) + u - power, -power)
            slope = np.where(d, 1 - power, -power)
        return -float(value.sum()), -np.array([-slope.sum(), float(d.sum()) + float(slope @ z) * tau])

    start = np.array([0.0 if name == "lognormal" else 0.5, 0.0])
    found = optimize.minimize(minus_log_likelihood, start, jac=True, method="BFGS",
                              options={"gtol": 1e-10, "maxiter": 500})
    tau = math.exp(float(found.x[1]))
    location, scale = shift + unit * float(found.x[0]) / tau, unit / tau
    if not (math.isfinite(location) and 0 < scale < WIDEST):
        return None
    log_likelihood = -float(found.fun) - float(d.sum()) * math.log(unit) - float(y[d].sum())
    parameters = (location, scale) if name == "lognormal" else (1 / scale, math.exp(location))
    return Distribution(name, parameters, log_likelihood)


def plotting_positions(lives: Sequence[float], reached: Sequence[bool]) -> list[float | None]:
    """The share of pads at which each reached life is drawn; None for those not reached.

    Lives rise; half-way up each step of Kaplan and Meier's curve (J. Amer. Statist. Assoc. 53 (1958) 457,
    from memory).

    >>> plotting_positions([1.0, 2.0, 3.0, 4.0], [True, True, True, True])
    [0.125, 0.375, 0.625, 0.875]
    >>> plotting_positions([1.0, 2.0, 3.0], [True, False, True])
    [0.16666666666666663, None, 0.6666666666666666]
    """
    survive, at_risk, out = 1.0, len(lives), list[float | None]()
    for was_reached in reached:
        if was_reached:
            before, survive = survive, survive * (1 - 1 / at_risk)
            out.append(1 - (before + survive) / 2)
        else:
            out.append(None)
        at_risk -= 1
    return out
