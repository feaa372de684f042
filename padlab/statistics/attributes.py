"""Sampling plans by attributes: pads outside their limits are counted, whatever the distribution.

>>> plan = counted_plan(Risks(0.01, 0.05, 0.08, 0.10))
>>> plan.n, plan.most_outside
(65, 2)

Which one when: only where the distribution is not known (:mod:`padlab.statistics.plans` needs less than
half the pads). Source: the binomial, or for a lot of known size the hypergeometric, two-point plan as in
ISO 2859-2; computed exactly, not read from a table.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from padlab.errors import InputError
from padlab.statistics.plans import MOST_PADS, Risks


@dataclass(frozen=True)
class CountedPlan:
    """Of ``n`` pads at most ``most_outside`` may lie outside; ``lot_size`` None: a lot without end."""

    n: int
    most_outside: int
    lot_size: int | None

    def acceptance(self, share: float) -> float:
        """Probability of acceptance of a lot with this share outside; in a lot of known size the share
        is that of the whole number of pads nearest to it.
        """
        outside = share if self.lot_size is None else round(share * self.lot_size)
        return _below(self.most_outside, self.n, outside, self.lot_size)


def _below(most: int, n: int, outside: float, lot_size: int | None) -> float:
    """``outside``: a share of a lot without end, a number of pads of one of known size."""
    from scipy import stats

    if lot_size is None:
        return float(stats.binom.cdf(most, n, outside))
    return float(stats.hypergeom.cdf(most, lot_size, outside, n))


def counted_plan(risks: Risks, *, lot_size: int | None = None) -> CountedPlan:
    """The smallest exact plan by attributes that keeps both risks.

    Raises
    ------
    InputError
        None up to 2,000 pads, or none within the lot.
    """
    most_pads = min(MOST_PADS, lot_size or MOST_PADS)
    good, bad = risks.producer_quality, risks.consumer_quality
    if lot_size is not None:            # pads are whole: no better than p1, no worse than p2
        good, bad = math.floor(good * lot_size), math.ceil(bad * lot_size)
    n = 0
    for most_outside in range(most_pads):       # the fewest pads that keep beta grow with the count
        n = max(n, most_outside) + 1
        while n <= most_pads and _below(most_outside, n, bad, lot_size) > risks.consumer_risk:
            n += 1
        if n > most_pads:
            break
        if _below(most_outside, n, good, lot_size) >= 1 - risks.producer_risk:
            return CountedPlan(n, most_outside, lot_size)
    raise InputError(f"no count of at most {most_pads} pads keeps both risks",
                     expected="qualities farther apart, larger risks, or every pad measured",
                     remedy="measure every pad and sort them" if lot_size else "raise consumer_risk_quality")

