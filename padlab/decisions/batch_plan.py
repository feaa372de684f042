"""A spec -> how many pads from where, by which rule, with which risks: before a pad is measured.

Several characteristics must all pass, so each gets alpha/m of the producer's risk; the consumer's risk is
whole for each (:meth:`padlab.statistics.plans.Risks.shared_among` says why).

Which rule when: by the estimated share outside (normal, lognormal); counted (``distribution = "any"``, or
where the measured pads turn out not to be normal); double where the spec asks for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from padlab.records.spec import Characteristic, Spec
from padlab.statistics.attributes import CountedPlan, counted_plan
from padlab.statistics.plans import (
    DoublePlan,
    Plan,
    Risks,
    constant_ends,
    double_plan,
    known_sigma_size,
    single_plan,
)

Rule = Plan | DoublePlan | CountedPlan

FIELDS = 9
"""A sheet is thought of as three by three fields (four corners, four edges, the middle)."""

SMALLER = (0.75, 0.5, 0.25)

SHAPE_SHARE = 1 / 20
"""Part of each producer's risk that the test of shape may use up: under a normal lot W is independent of mean
and spread, so that (1 - alpha of the rule)(1 - level) = 1 - alpha holds exactly (design choice)."""


@dataclass(frozen=True)
class Cheaper:
    """A smaller sample at the same producer's risk: the consumer's risk that it leaves."""

    n: int
    consumer_risk: float


@dataclass(frozen=True)
class CharacteristicPlan:
    """The rule for one characteristic. ``n``: pads that it needs (both samples of a double plan)."""

    characteristic: Characteristic
    risks: Risks
    rule: Rule
    n: int
    acceptance_constant: float
    operating_curve: tuple[tuple[float, float, float], ...]  # share outside, least and largest Pa
    smaller: tuple[Cheaper, ...]
    known_spread_n: float | None
    shape_level: float | None  # of the test of shape; None: no shape is assumed

    @property
    def kind(self) -> str:
        """``single``, ``double`` or ``counted``."""
        return {Plan: "single", DoublePlan: "double", CountedPlan: "counted"}[type(self.rule)]

    @property
    def rule_words(self) -> str:
        """The rule in a sentence."""
        rule = self.rule
        if isinstance(rule, CountedPlan):
            return f"accepted if at most {rule.most_outside} of {rule.n} pads lie outside"
        if isinstance(rule, DoublePlan):
            return (
                f"first {rule.first} pads: accepted at {rule.accept_k:.4f}, refused below "
                f"{rule.refuse_k:.4f}; else all {rule.total} together at {rule.k:.4f}"
            )
        return f"accepted if the mean lies {rule.k:.4f} standard deviations inside" + (
            " (both limits together)" if rule.two_sided else " its limit"
        )


@dataclass(frozen=True)
class BatchPlan:
    """The plan of a whole spec: the same pads serve every characteristic."""

    spec: Spec
    characteristics: tuple[CharacteristicPlan, ...]
    n: int
    sheets: int
    per_sheet: int

    @property
    def places(self) -> int:
        """Fields of each sheet that the pads come from."""
        return min(FIELDS, self.per_sheet)

    @property
    def total(self) -> int:
        """Pads to take; the sheets give alike, so that it may be a few more than ``n``."""
        return self.per_sheet * self.sheets

    def to_json(self) -> dict[str, Any]:
        """The object of ``--plan``."""
        return {
            "n": self.n,
            "sheets": self.spec.sheets,
            "per_sheet": self.per_sheet,
            "places": self.places,
            "characteristics": [
                {
                    "name": p.characteristic.name,
                    "n": p.n,
                    "acceptance_constant": p.acceptance_constant,
                    "rule": p.kind,
                    "rule_words": p.rule_words,
                    "producer_risk": p.risks.producer_risk,
                    "consumer_risk": p.risks.consumer_risk,
                    "operating_curve": [[share, least] for share, least, _ in p.operating_curve],
                    "operating_curve_most": [[share, most] for share, _, most in p.operating_curve],
                    "smaller": [{"n": c.n, "consumer_risk": c.consumer_risk} for c in p.smaller],
                }
                for p in self.characteristics
            ],
        }

    @property
    def pads_words(self) -> str:
        """How many pads to take, and from where."""
        if not self.spec.sheets:
            return f"{self.n} pads"
        alike = "" if self.total == self.n else f" ({self.n} are needed; every sheet gives alike)"
        return f"{self.total} pads, {self.per_sheet} from each of {self.sheets} sheets{alike}"

    def words(self) -> list[str]:
        """The plan as a technician reads it."""
        spec, m = self.spec, len(self.characteristics)
        risks = spec.risks
        lines = [
            f"{spec.material}: test {self.pads_words}",
            f"  taken from {self.places} of 9 fields of a sheet (corners, edges, middle), drawn by lot",
            f"  a lot with {100 * risks.producer_quality:.3g} % of its pads outside is refused "
            f"{100 * risks.producer_risk:.3g} % of the time at most,",
            f"  one with {100 * risks.consumer_quality:.3g} % is accepted "
            f"{100 * risks.consumer_risk:.3g} % of the time at most",
        ]
        if m > 1:
            lines.append(
                f"  {m} characteristics must all pass: each may refuse a good lot "
                f"{100 * risks.producer_risk:.3g}/{m} = {100 * risks.producer_risk / m:.3g} % of the time"
            )
        for p in self.characteristics:
            c = p.characteristic
            about = c.words + (f" ({c.condition_words})" if c.condition_words else "")
            lines += ["", f"{about}: {p.n} pads are needed; {p.rule_words}", "  pads outside   lots accepted"]
            lines += [
                f"  {100 * share:10.2f} %   {' to '.join(dict.fromkeys(map(_per_cent, ends)))} %"
                for share, *ends in p.operating_curve
            ]
            lines += [
                f"  with {fewer.n} pads a lot with {100 * risks.consumer_quality:.3g} % outside would pass "
                f"{100 * fewer.consumer_risk:.0f} % of the time"
                for fewer in p.smaller
            ]
            if p.known_spread_n is not None:
                lines.append("  (were the spread of the stock known from many lots: "
                             f"{math.ceil(p.known_spread_n)} pads)")
        return lines


def _per_cent(chance: float) -> str:
    """A chance in per cent, never rounded to never or always.

    >>> _per_cent(0.95614), _per_cent(0.00004), _per_cent(0.99998), _per_cent(0.0), _per_cent(1.0)
    ('95.6', 'under 0.1', 'over 99.9', '0.0', '100.0')
    """
    if 0 < chance < 0.0005:
        return "under 0.1"
    return "over 99.9" if 0.9995 <= chance < 1 else f"{100 * chance:.1f}"


def plan_batch(spec: Spec) -> BatchPlan:
    """The plan of a spec.

    Raises
    ------
    InputError
        The risks ask for over 2,000 pads, or the lot is too small for a sample.
    """
    risks = spec.risks.shared_among(len(spec.characteristics))
    plans = tuple(
        plan_one(c, risks, lot_size=spec.lot_size, double=spec.double_plan) for c in spec.characteristics
    )
    n, sheets = max(p.n for p in plans), spec.sheets or 1
    return BatchPlan(spec, plans, n, sheets, math.ceil(n / sheets))


def plan_one(
    characteristic: Characteristic, risks: Risks, *, lot_size: int | None, double: bool = False
) -> CharacteristicPlan:
    """The plan of one characteristic whose share of alpha is already in ``risks``."""
    two = characteristic.is_two_sided
    if characteristic.distribution == "any":
        return _planned(characteristic, risks, counted_plan(risks, lot_size=lot_size))
    left = beside_shape(risks)
    rule = double_plan(left, two_sided=two) if double else single_plan(left, two_sided=two, lot_size=lot_size)
    return _planned(characteristic, risks, rule)


def beside_shape(risks: Risks) -> Risks:
    """The risks of the rule itself, the test of shape taken out of the producer's.

    >>> round(beside_shape(Risks(0.01, 0.05, 0.08, 0.10)).producer_risk, 6)
    0.047619
    """
    return replace(risks, producer_risk=1 - (1 - risks.producer_risk) / (1 - shape_level(risks)))


def shape_level(risks: Risks) -> float:
    """Level of the test of shape of a characteristic with these risks."""
    return SHAPE_SHARE * risks.producer_risk


def _planned(characteristic: Characteristic, risks: Risks, rule: Rule) -> CharacteristicPlan:
    shares = curve_shares(risks)
    if isinstance(rule, CountedPlan):
        curve = tuple((p, rule.acceptance(p), rule.acceptance(p)) for p in shares)
        return CharacteristicPlan(
            characteristic, risks, rule, rule.n, float(rule.most_outside), curve, (), None, None
        )
    curve = tuple((p, *rule.acceptance(p)) for p in shares)
    n = rule.total if isinstance(rule, DoublePlan) else rule.n
    smaller = _smaller(risks, rule) if isinstance(rule, Plan) else ()
    return CharacteristicPlan(
        characteristic, risks, rule, n, rule.k, curve, smaller, known_sigma_size(risks)[0], shape_level(risks)
    )


def curve_shares(risks: Risks) -> tuple[float, ...]:
    """Shares outside at which the operating curve is given: 0.1 % up to 0.5, both qualities among them."""
    grid = np.geomspace(0.001, min(0.5, 3 * risks.consumer_quality), 15)
    both = (risks.producer_quality, risks.consumer_quality)
    return tuple(sorted({*(float(f"{p:.2g}") for p in grid), *both}))


def _smaller(risks: Risks, rule: Plan) -> tuple[Cheaper, ...]:
    """What fewer pads cost: k where the producer's risk is kept, and Pa of a bad lot there."""
    found = []
    for part in SMALLER:
        n = math.ceil(rule.n * part)
        if not 3 <= n < rule.n:
            continue
        worth = rule.mean_n * n / rule.n
        k = constant_ends(risks, n=worth, two_sided=rule.two_sided)[1]
        less = Plan(n, k, k, k, rule.two_sided, worth, worth - 1)
        found.append(Cheaper(n, less.acceptance(risks.consumer_quality)[1]))
    return tuple(found)
