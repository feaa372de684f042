"""Sampling plans by variables for a normal characteristic whose spread is not known, exact.

A lot is accepted if the estimated share outside the limits is small enough, which for one limit is the
rule ``(limit - mean)/s >= k``. For two limits both tails are added: Phi(-Q_upper) + Phi(-Q_lower) <= Phi(-k).
So one number, :func:`quality_index`, is held against one constant k, whatever the limits.

    share outside in the lot        p1 (good)          p2 (bad)
    probability of acceptance       >= 1 - alpha       <= beta

Which one when: :func:`single_plan` for one sample; :func:`double_plan` for a first sample that decides
the clear cases; :mod:`padlab.statistics.attributes` where nothing is known of the distribution.

Source: the noncentral t distribution of (limit - mean)/s, Johnson & Welch, Biometrika 31 (1940) 362;
the two-point plan as in ISO 3951-1. The rule for two limits is padlab's own; its risks are computed
exactly over every split of the share between the two tails, not read from a table.

>>> plan = single_plan(Risks(0.01, 0.05, 0.08, 0.10))
>>> plan.n, round(plan.k, 6), round(plan.k_high, 4)
(28, 1.817255, 1.8252)
>>> round(plan.acceptance(0.01)[0], 5)
0.95291
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from padlab.errors import InputError

Array = NDArray[np.float64]

MOST_PADS = 2000
"""A plan that asks for more pads than this is refused: the two qualities are too close together."""

SPLITS = (0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.99, 0.999, 1.0)
"""Shares of what is outside that lie beyond one of two limits; 1 = all on one side."""


@dataclass(frozen=True)
class Risks:
    """Both qualities (share outside the limits) and both risks of a plan.

    Raises
    ------
    InputError
        Not 0 < p1 < p2 < 0.5, or a risk not between 0 and 0.5.
    """

    producer_quality: float
    producer_risk: float
    consumer_quality: float
    consumer_risk: float

    def __post_init__(self) -> None:
        p1, p2 = self.producer_quality, self.consumer_quality
        if not 0 < p1 < p2 < 0.5:
            raise InputError("the two qualities do not make a plan",
                             expected="0 < producer_risk_quality < consumer_risk_quality < 0.5",
                             seen=f"{p1:g} and {p2:g}", remedy="move them apart")
        if not (0 < self.producer_risk < 0.5 and 0 < self.consumer_risk < 0.5):
            raise InputError("a risk lies between 0 and 0.5", expected="such as 0.05",
                             seen=f"{self.producer_risk:g} and {self.consumer_risk:g}")

    def shared_among(self, characteristics: int) -> Risks:
        """Each characteristic's risks when several must all pass: alpha/m each, beta whole.

        A good lot is refused if any one refuses it, so that alpha adds up (Bonferroni: whether they hang
        together or not); a lot bad in one is accepted only if that one accepts it, so that beta does not.

        >>> Risks(0.01, 0.05, 0.08, 0.10).shared_among(5).producer_risk
        0.01
        """
        return Risks(self.producer_quality, self.producer_risk / characteristics,
                     self.consumer_quality, self.consumer_risk)


@dataclass(frozen=True)
class Plan:
    """One sample of ``n`` pads; accepted if the quality index is at least ``k``.

    Any k from ``k_low`` (consumer's risk used up) to ``k_high`` (producer's risk used up) keeps both
    risks; ``k`` is ``k_low``. ``mean_n`` and ``degrees_of_freedom`` are what the mean and the spread are
    worth; both follow from n but where pads hang together (sheets) or the lot is small.
    """

    n: int
    k: float
    k_low: float
    k_high: float
    two_sided: bool
    mean_n: float
    degrees_of_freedom: float

    def acceptance(self, share: float) -> tuple[float, float]:
        """Least and largest probability of acceptance of a lot with this share outside its limits.

        They differ only for two limits, by how the share is split between the tails.
        """
        return acceptance(share, k=self.k, n=self.mean_n, degrees_of_freedom=self.degrees_of_freedom,
                          two_sided=self.two_sided)


def quality_index(mean: float, sd: float, *, low: float | None, high: float | None) -> float:
    """Z of the estimated share outside the limits; for one limit (high - mean)/sd or (mean - low)/sd.

    >>> round(quality_index(63.0, 1.0, low=None, high=65.0), 12)
    2.0
    >>> round(quality_index(63.0, 1.0, low=61.0, high=65.0), 4)
    1.6901
    """
    if sd <= 0:
        inside = (low is None or mean >= low) and (high is None or mean <= high)
        return math.inf if inside else -math.inf
    upper = math.inf if high is None else (high - mean) / sd
    lower = math.inf if low is None else (mean - low) / sd
    if math.isinf(upper) or math.isinf(lower):
        return min(upper, lower)
    from scipy import special

    # In logarithms: far inside both limits the shares underflow.
    log_share = float(np.logaddexp(special.log_ndtr(-upper), special.log_ndtr(-lower)))
    if log_share >= 0:
        return min(upper, lower)
    return -float(special.ndtri_exp(log_share))


@lru_cache(maxsize=4096)
def acceptance(share: float, *, k: float, n: float, degrees_of_freedom: float | None = None,
               two_sided: bool = False) -> tuple[float, float]:
    """Least and largest Pa of a lot with ``share`` outside, under the rule ``quality_index >= k``.

    Parameters
    ----------
    share : float
        Between 0 and 1, without the ends.
    n : float
        What the mean is worth: its variance is sigma^2/n. ``degrees_of_freedom``: of s; n - 1.
    """
    df = n - 1 if degrees_of_freedom is None else degrees_of_freedom
    one = _one_tail(share, k, n, df)
    if not two_sided:
        return one, one
    all_splits = [one if w == 1.0 else _two_tails(share, w, k, n, df) for w in SPLITS]
    return min(all_splits), max(all_splits)


def _one_tail(share: float, k: float, n: float, df: float) -> float:
    """P[T'(df, sqrt(n) z_p) >= sqrt(n) k]."""
    from scipy import special, stats

    z = -float(special.ndtri(share))
    return float(stats.nct.sf(k * math.sqrt(n), df, math.sqrt(n) * z))


@lru_cache(maxsize=4)
def _nodes() -> tuple[Array, Array]:
    x, w = np.polynomial.legendre.leggauss(120)
    return (x + 1) / 2, w / 2


def _two_tails(share: float, split: float, k: float, n: float, df: float) -> float:
    """Pa with ``split`` of the share beyond one limit: over s, the means that s lets pass.

    With the distance of the limits as unit, a mean u off the middle passes at spread t if
    Phi((u - 1/2)/t) + Phi((-u - 1/2)/t) <= Phi(-k), that is |u| <= h(t); nothing passes beyond the spread
    at which the middle itself fails. There h falls like a root, hence the squared variable.
    """
    from scipy import special, stats

    zu, zl = -special.ndtri(np.array([split * share, (1 - split) * share]))
    sigma = 1.0 / float(zu + zl)
    off = 0.5 - float(zu) * sigma
    widest = -0.5 / float(special.ndtri(special.ndtr(-k) / 2)) if k > -8 else math.inf
    ends = sigma * np.sqrt(stats.chi2.ppf((1e-14, 1 - 1e-14), df) / df)
    low, high = float(ends[0]), min(float(ends[1]), widest)
    if high <= low:
        return 0.0
    y, weight = _nodes()
    t = high - (high - low) * y * y
    allowed, below, above = special.ndtr(-k), np.zeros(t.size), np.full(t.size, 0.5 + 8 * high)
    for _ in range(48):
        u = (below + above) / 2
        passes = special.ndtr((u - 0.5) / t) + special.ndtr((-u - 0.5) / t) <= allowed
        below, above = np.where(passes, u, below), np.where(passes, above, u)
    h, root = below, math.sqrt(n) / sigma
    inside = special.ndtr((h - off) * root) - special.ndtr((-h - off) * root)
    density = stats.chi2.pdf(df * (t / sigma) ** 2, df) * 2 * df * t / sigma**2
    return float(np.sum(weight * 2 * (high - low) * y * density * inside))


@lru_cache(maxsize=1024)
def constant_ends(risks: Risks, *, n: float, degrees_of_freedom: float | None = None,
                  two_sided: bool = False) -> tuple[float, float]:
    """The k at which Pa(p2) = beta and that at which Pa(p1) = 1 - alpha; a plan exists if low <= high."""
    from scipy import optimize, special, stats

    df = n - 1 if degrees_of_freedom is None else degrees_of_freedom
    root = math.sqrt(n)
    z1, z2 = (-float(special.ndtri(p)) for p in (risks.producer_quality, risks.consumer_quality))
    low = float(stats.nct.ppf(1 - risks.consumer_risk, df, root * z2)) / root
    high = float(stats.nct.ppf(risks.producer_risk, df, root * z1)) / root
    if not two_sided:
        return low, high

    def most(k: float) -> float:
        return acceptance(risks.consumer_quality, k=k, n=n, degrees_of_freedom=df,
                          two_sided=True)[1] - risks.consumer_risk

    def least(k: float) -> float:
        return acceptance(risks.producer_quality, k=k, n=n, degrees_of_freedom=df,
                          two_sided=True)[0] - (1 - risks.producer_risk)

    # One split is the one-sided plan itself, so that two tails can only narrow its ends.
    if most(low) > 0:
        low = float(optimize.brentq(most, low, low + 2.0, xtol=1e-10))
    if least(high) < 0:
        high = float(optimize.brentq(least, high - 2.0, high, xtol=1e-10))
    return low, high


def single_plan(risks: Risks, *, two_sided: bool = False, lot_size: int | None = None) -> Plan:
    """The smallest exact plan that keeps both risks.

    Parameters
    ----------
    lot_size : int, optional
        A sample that is over a tenth of its lot tells more of it: mean and spread of n pads out of N are
        worth n/(1 - n/N). (The variance of a mean without replacement is (1 - n/N) sigma^2/n, that of s^2
        falls alike; Cochran, Sampling Techniques, 2.6. Up to a tenth nothing is taken off.)

    Raises
    ------
    InputError
        Over 2,000 pads, or over half of a small lot: then every pad is to be measured.
    """
    def ends(n: int) -> tuple[float, float]:
        return constant_ends(risks, n=n, two_sided=two_sided)

    n, (low, high) = _smallest(ends)
    if lot_size is None or n <= 0.1 * lot_size:
        return Plan(n, low, low, high, two_sided, n, n - 1)
    small = math.ceil(n * lot_size / (n + lot_size))
    if small > lot_size / 2:
        raise InputError(
            f"a lot of {lot_size} is too small for these risks",
            expected=f"at most half of the lot tested, so a lot of {n} or more",
            seen=f"{small} pads needed",
            remedy="measure every pad and sort them, or allow larger risks")
    worth = small / (1 - small / lot_size)
    low, high = constant_ends(risks, n=worth, two_sided=two_sided)
    return Plan(small, low, low, high, two_sided, worth, worth - 1)


def _smallest(ends_of: Callable[[int], tuple[float, float]]) -> tuple[int, tuple[float, float]]:
    """The smallest n whose ends do not cross: doubled until they do not, then halved between."""
    ends = lru_cache(maxsize=None)(ends_of)
    few, many = 2, 4
    while ends(many)[0] > ends(many)[1]:
        few, many = many, 2 * many
        if many > 2 * MOST_PADS:
            break
    while many - few > 1:
        middle = (few + many) // 2
        few, many = (few, middle) if ends(middle)[0] <= ends(middle)[1] else (middle, many)
    if many > MOST_PADS:
        raise InputError(f"these risks ask for over {MOST_PADS} pads", expected="qualities farther apart",
                         remedy="raise consumer_risk_quality, or allow larger risks")
    return many, ends(many)


def known_sigma_size(risks: Risks) -> tuple[float, float]:
    """Pads (not rounded) and k if the spread were known from many lots: what not knowing it costs.

    n = ((z_alpha + z_beta)/(z_1 - z_2))^2, k = (z_alpha z_2 + z_beta z_1)/(z_alpha + z_beta): Wetherill &
    Brown, Statistical Process Control, 1991, chapter 12 (source from memory).

    >>> n, k = known_sigma_size(Risks(0.025, 0.05, 0.10, 0.10))
    >>> round(n, 2), round(k, 3)
    (18.61, 1.579)
    """
    from scipy import special

    za, zb, z1, z2 = -special.ndtri(np.array([risks.producer_risk, risks.consumer_risk,
                                              risks.producer_quality, risks.consumer_quality]))
    return float(((za + zb) / (z1 - z2)) ** 2), float((za * z2 + zb * z1) / (za + zb))


@dataclass(frozen=True)
class DoublePlan:
    """A first sample that accepts at ``accept_k``, refuses below ``refuse_k``, and else asks for the rest.

    The second decision is on all ``total`` pads together, against ``k``.
    """

    first: int
    accept_k: float
    refuse_k: float
    total: int
    k: float
    two_sided: bool

    def first_sample(self, share: float) -> tuple[float, float]:
        """Probability that the first sample accepts, and that it refuses (one tail)."""
        accepts = acceptance(share, k=self.accept_k, n=self.first)[0]
        return accepts, 1 - acceptance(share, k=self.refuse_k, n=self.first)[0]

    def acceptance(self, share: float) -> tuple[float, float]:
        """Bounds of the probability of acceptance, whatever the two looks have in common.

        At most the sum of both looks' acceptances, at least 1 less the sum of both refusals.
        """
        one = acceptance(share, k=self.accept_k, n=self.first, two_sided=self.two_sided)
        stays = acceptance(share, k=self.refuse_k, n=self.first, two_sided=self.two_sided)
        both = acceptance(share, k=self.k, n=self.total, two_sided=self.two_sided)
        least = max(one[0], both[0] - (1 - stays[0]))
        return max(least, 0.0), min(one[1] + both[1], stays[1])


def double_plan(risks: Risks, *, two_sided: bool = False) -> DoublePlan:
    """A double plan that keeps both risks: half of each is given to the first look, half to the second.

    The first sample is half of the whole one (rounded up). Because each look keeps half of each risk, the
    two together keep the whole (Boole's inequality); no joint distribution is needed. (padlab's own rule.)
    """
    half = Risks(risks.producer_quality, risks.producer_risk / 2,
                 risks.consumer_quality, risks.consumer_risk / 2)
    whole = single_plan(half, two_sided=two_sided)
    first = math.ceil(whole.n / 2)
    accept_k, refuse_k = constant_ends(half, n=first, two_sided=two_sided)
    return DoublePlan(first, accept_k, refuse_k, whole.n, whole.k, two_sided)
