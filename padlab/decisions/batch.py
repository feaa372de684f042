"""The verdict on a lot: accept, refuse or test more, per characteristic and overall.

``test more`` has three grounds and no other: fewer pads than the rule needs were tested, a pad's run is
marked stop and was not repeated, or the spec names a double plan whose first sample lies between. Never
because the answer is inconvenient: a lot that misses its constant by a hair is refused.

Which rule when: the estimated share outside; counted, where the spec says so or the pads are not normal
(Shapiro and Wilk, at a twentieth of the producer's risk, which the plan has set aside for it). A pad that
stands apart is named and stays in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from padlab.decisions.batch_plan import BatchPlan, CharacteristicPlan, beside_shape
from padlab.decisions.batch_readings import LotReadings
from padlab.errors import InputError
from padlab.marks import Mark, mark
from padlab.records.spec import Characteristic
from padlab.statistics.attributes import CountedPlan, counted_plan
from padlab.statistics.capability import capability
from padlab.statistics.equivalence import Equivalence, equivalence
from padlab.statistics.estimate import shared_difference
from padlab.statistics.nested import SheetSpread, sheet_spread
from padlab.statistics.plans import DoublePlan, Risks, acceptance, constant_ends, quality_index
from padlab.statistics.quantity import Quantity, half_width95, t95
from padlab.statistics.shape import NOT_NORMAL_BELOW, Normality, Outlying, normality, outlying
from padlab.statistics.tolerance import ToleranceInterval, tolerance_interval


class BatchVerdict(StrEnum):
    """What to do with a lot."""

    ACCEPT = "accept"
    REFUSE = "refuse"
    TEST_MORE = "test_more"


@dataclass(frozen=True)
class CharacteristicResult:
    """One characteristic of one lot, with all that its verdict rests on.

    ``low`` and ``high`` are the limits after the guard band; ``k`` is held against
    ``acceptance_constant`` (counted: pads outside against the most that may be).
    ``bad_lot_accepted`` and ``good_lot_refused``: both risks of the rule as it was applied.
    """

    plan: CharacteristicPlan
    readings: LotReadings
    verdict: BatchVerdict
    reasons: tuple[str, ...]
    rule: str  # single | double | counted
    n: int
    needed: int
    mean: Quantity | None = None
    sd: float | None = None
    k: float | None = None
    acceptance_constant: float | None = None
    share_outside: float | None = None
    counted_outside: int | None = None
    low: float | None = None
    high: float | None = None
    guard: float | None = None
    tolerance: ToleranceInterval | None = None
    capability: Quantity | None = None
    equivalence: Equivalence | None = None
    normality: Normality | None = None
    outlying: Outlying | None = None
    sheets: SheetSpread | None = None
    bad_lot_accepted: float | None = None
    good_lot_refused: float | None = None
    marks: tuple[Mark, ...] = ()

    @property
    def characteristic(self) -> Characteristic:
        """What was asked."""
        return self.plan.characteristic


@dataclass(frozen=True)
class BatchResult:
    """A lot's verdict."""

    lot: str
    plan: BatchPlan
    verdict: BatchVerdict
    characteristics: tuple[CharacteristicResult, ...]
    marks: tuple[Mark, ...]


def judge_lot(
    plan: BatchPlan, readings: Sequence[LotReadings], *, reference: Sequence[LotReadings] | None = None
) -> BatchResult:
    """Judge a lot: refused if any characteristic refuses it, accepted if all accept it.

    Parameters
    ----------
    readings : sequence of LotReadings
        One for each characteristic of the plan, in its order.
    reference : sequence of LotReadings, optional
        The readings of the reference lot, in the same order.
    """
    then: Sequence[LotReadings | None] = reference or [None] * len(readings)
    results = tuple(
        judge_characteristic(
            p,
            r,
            sheets=plan.spec.sheets,
            lot_size=plan.spec.lot_size,
            places=plan.places,
            reference=old,
        )
        for p, r, old in zip(plan.characteristics, readings, then, strict=True)
    )
    verdicts = [r.verdict for r in results]
    overall = next(
        (v for v in (BatchVerdict.REFUSE, BatchVerdict.TEST_MORE) if v in verdicts), BatchVerdict.ACCEPT
    )
    marks = tuple(sorted({m for r in results for m in r.marks}))
    return BatchResult(readings[0].lot, plan, overall, results, marks)


@dataclass(frozen=True)
class _Sample:
    """The values on the scale that they are judged on, and what their mean and spread are worth."""

    values: np.ndarray
    mean: float
    sd: float
    mean_n: float
    df: float
    sheets: SheetSpread | None


def judge_characteristic(
    plan: CharacteristicPlan,
    readings: LotReadings,
    *,
    sheets: int | None = None,
    lot_size: int | None = None,
    places: int = 1,
    reference: LotReadings | None = None,
) -> CharacteristicResult:
    """Judge one characteristic by its plan; see the module for the rules."""
    c, n = plan.characteristic, len(readings.pads)
    marks = {*readings.marks}
    unfinished = [
        f"pad {pad}: {why}; measure it again, or set the run aside with a reason"
        for pad, why in readings.stopped
    ]
    needed = plan.rule.first if isinstance(plan.rule, DoublePlan) else plan.n
    if n < needed:
        unfinished.insert(0, f"{n} of the {needed} pads that the rule needs were tested")
    unfinished += _unseen_sheets(readings, sheets)
    start = CharacteristicResult(
        plan, readings, BatchVerdict.TEST_MORE, tuple(unfinished), plan.kind, n, needed
    )
    if n == 0:
        return replace(start, marks=tuple(sorted(marks)))
    guard = readings.guard
    low = None if c.low is None else c.low + (guard or 0.0)
    high = None if c.high is None else c.high - (guard or 0.0)
    if guard:
        marks.add(
            mark(
                "guard_band",
                c.words,
                f"the limits are drawn in by {_size(guard, c)}, the systematic part of the rig's doubt",
            )
        )
    if places > 1 and n > 1 and len({p.place for p in readings.pads}) == 1 and readings.pads[0].place:
        marks.add(mark("one_place", c.words))
    told = replace(start, low=low, high=high, guard=guard)
    if n == 1:
        return replace(told, mean=Quantity(readings.pads[0].value), marks=tuple(sorted(marks)))
    try:
        sample = _sample(c, readings, whole=sheets is not None)
    except ValueError:
        return replace(
            told,
            reasons=(*unfinished, "a value is not above nothing, which a lognormal characteristic cannot be"),
            marks=tuple(sorted(marks)),
            verdict=BatchVerdict.TEST_MORE if unfinished else BatchVerdict.REFUSE,
        )
    told, shape = _described(told, sample, c, marks)
    told = replace(told, equivalence=_equivalence(readings, reference, c, marks))
    done = _decided(
        told,
        sample,
        lot_size=lot_size,
        not_normal=shape is not None and shape.is_refused,
        unfinished=unfinished,
        marks=marks,
    )
    return replace(done, marks=tuple(sorted(marks)))


def _unseen_sheets(readings: LotReadings, sheets: int | None) -> list[str]:
    if sheets is None or sheets < 2 or not readings.pads:
        return []
    seen = {p.sheet for p in readings.pads if p.sheet is not None}
    if len(seen) >= sheets:
        return []
    return [
        f"planned pads were tested from {len(seen)} of {sheets} sheets only"
        if seen
        else f"no pad says from which of the {sheets} sheets it comes"
    ]


def _sample(c: Characteristic, readings: LotReadings, *, whole: bool) -> _Sample:
    """``whole``: every sheet of the lot is in the sample, so that sheets are parts of it, not a draw."""
    values = np.array([p.value for p in readings.pads])
    if c.distribution == "lognormal":
        if np.any(values <= 0):
            raise ValueError("not above nothing")
        values = np.log(values)
    names = {p.sheet for p in readings.pads}
    nested = None
    if not whole and None not in names and 1 < len(names) < values.size:
        nested = sheet_spread(
            {
                str(s): [float(v) for v, p in zip(values, readings.pads, strict=True) if p.sheet == s]
                for s in names
            }
        )
    if nested is not None and nested.between > 0:
        return _Sample(values, nested.mean, nested.sd, nested.mean_n, nested.degrees_of_freedom, nested)
    return _Sample(
        values, float(values.mean()), float(values.std(ddof=1)), values.size, values.size - 1, nested
    )


def _scaled(limit: float | None, c: Characteristic) -> float | None:
    """A limit on the scale that the values are judged on; below nothing there is no lognormal pad."""
    if limit is None or c.distribution != "lognormal":
        return limit
    return math.log(limit) if limit > 0 else None


def _described(
    told: CharacteristicResult,
    s: _Sample,
    c: Characteristic,
    marks: set[Mark],
) -> tuple[CharacteristicResult, Normality | None]:
    """Mean, spread, tolerance, capability, shape, pads apart: said of every lot, whatever the rule."""
    readings, log = told.readings, c.distribution == "lognormal"
    back = math.exp if log else float
    statistical = t95(s.df) * s.sd / math.sqrt(s.mean_n)
    if log:
        half = math.hypot(statistical, (told.guard or 0.0) / math.exp(s.mean))
        mean = Quantity(math.exp(s.mean), math.exp(s.mean - half), math.exp(s.mean + half))
    else:
        half = math.hypot(statistical, told.guard or 0.0)
        mean = Quantity(s.mean, s.mean - half, s.mean + half)
    low, high = _scaled(told.low, c), _scaled(told.high, c)
    shape = normality(s.values.tolist(), level=told.plan.shape_level or NOT_NORMAL_BELOW)
    apart = outlying(s.values.tolist()) if s.values.size >= 5 else None
    if apart is not None and apart.places:
        names = ", ".join(readings.pads[i].pad for i in apart.places)
        marks.add(
            mark(
                "pad_apart",
                c.words,
                f"pad {names} stands apart from the others (Rosner's test at "
                f"{apart.level:g}); it stays in, find out why",
            )
        )
    if s.sheets is not None and s.sheets.between > 0:
        marks.add(
            mark(
                "sheets_differ",
                c.words,
                f"sheets differ: {s.values.size} pads are worth {s.mean_n:.1f} for the mean of the lot, and "
                "both risks are approximate",
            )
        )
    interval = tolerance_interval(
        s.mean,
        s.sd,
        n=s.mean_n,
        degrees_of_freedom=s.df,
        has_low=c.low is not None,
        has_high=c.high is not None,
    )
    interval = replace(
        interval,
        low=None if interval.low is None else back(interval.low),
        high=None if interval.high is None else back(interval.high),
    )
    can = (
        capability(s.mean, s.sd, n=s.mean_n, degrees_of_freedom=s.df, low=low, high=high)
        if (low, high) != (None, None)
        else None
    )
    free = c.distribution == "any" or (shape is not None and shape.is_refused) or _is_without_spread(s)
    return replace(
        told,
        mean=mean,
        sd=float(np.std([p.value for p in readings.pads], ddof=1)) if log else s.sd,
        tolerance=None if free else interval,
        capability=None if free else can,
        normality=shape,
        outlying=apart,
        sheets=s.sheets,
    ), shape


def _is_without_spread(s: _Sample) -> bool:
    """All pads read alike: what measured them is too coarse to see their spread, which is not none."""
    return s.sd <= 1e-9 * max(abs(s.mean), 1e-9)


def p_words(p: float) -> str:
    """A significance as a person reads it.

    >>> p_words(0.031), p_words(2e-9)
    ('= 0.031', 'below 0.001')
    """
    return "below 0.001" if p < 0.001 else f"= {p:.2g}"


def _decided(
    told: CharacteristicResult,
    s: _Sample,
    *,
    lot_size: int | None,
    not_normal: bool,
    unfinished: list[str],
    marks: set[Mark],
) -> CharacteristicResult:
    c, plan = told.characteristic, told.plan
    values = [p.value for p in told.readings.pads]
    outside = sum(
        (told.low is not None and v < told.low) or (told.high is not None and v > told.high) for v in values
    )
    told = replace(told, counted_outside=outside)
    if told.low is not None and told.high is not None and told.low >= told.high:
        return replace(
            told,
            verdict=BatchVerdict.REFUSE,
            reasons=(
                *unfinished,
                "the limits are no wider than "
                "the rig's own systematic doubt: no lot can be accepted with this rig",
            ),
        )
    if isinstance(plan.rule, CountedPlan):
        return _counted(told, plan.rule, plan.risks, unfinished)
    if not_normal or _is_without_spread(s):
        shape = told.normality
        if shape is None:
            marks.add(mark("no_spread", c.words))
        else:
            said = f"not {c.distribution} (Shapiro and Wilk: p {p_words(shape.p)})"
            marks.add(mark("not_normal", c.words, f"the pads are {said}; they are counted"))
        try:
            rule = counted_plan(plan.risks, lot_size=lot_size)
        except InputError as fault:
            return replace(
                told,
                rule="counted",
                reasons=(*unfinished, f"the pads must be counted, and {fault.message}: {fault.remedy}"),
            )
        return _counted(replace(told, rule="counted"), rule, plan.risks, unfinished)
    k = quality_index(s.mean, s.sd, low=_scaled(told.low, c), high=_scaled(told.high, c))
    told = replace(told, k=k, share_outside=_share(k))
    two, risks = c.is_two_sided, plan.risks
    worth, df = _worth(s, lot_size)
    if isinstance(plan.rule, DoublePlan):
        return _double(told, plan.rule, beside_shape(risks), worth, df, unfinished)
    constant = constant_ends(risks, n=worth, degrees_of_freedom=df, two_sided=two)[0]
    told = replace(told, acceptance_constant=constant)
    if unfinished:
        return told
    good = acceptance(risks.producer_quality, k=constant, n=worth, degrees_of_freedom=df, two_sided=two)[0]
    bad = acceptance(risks.consumer_quality, k=constant, n=worth, degrees_of_freedom=df, two_sided=two)[1]
    reasons = [_against(k, constant, told.n)]
    if 1 - good > risks.producer_risk + 1e-9:
        reasons.append(f"so few independent pads refuse a good lot {100 * (1 - good):.0f} % of the time")
    verdict = BatchVerdict.ACCEPT if k >= constant else BatchVerdict.REFUSE
    if verdict is BatchVerdict.REFUSE:
        reasons += _by_guard(told, s, constant)
    return replace(
        told, verdict=verdict, reasons=tuple(reasons), bad_lot_accepted=bad, good_lot_refused=1 - good
    )


def _worth(s: _Sample, lot_size: int | None) -> tuple[float, float]:
    """What the sample is worth to mean and spread: more where it is over a tenth of a small lot."""
    n = s.values.size
    if lot_size is None or n <= 0.1 * lot_size or s.mean_n < n:
        return s.mean_n, s.df
    left = 1 - min(n, lot_size - 1) / lot_size
    return n / left, n / left - 1


def _against(k: float, constant: float, n: int) -> str:
    if k < 0 < constant:
        return f"the mean lies {-k:.3f} standard deviations outside, {n} pads need {constant:.3f} inside"
    word = "at least" if k >= constant else "less than"
    return f"the mean lies {k:.3f} standard deviations inside, {word} the {constant:.3f} that {n} pads need"


def _by_guard(told: CharacteristicResult, s: _Sample, constant: float) -> list[str]:
    c = told.characteristic
    if (
        not told.guard
        or quality_index(s.mean, s.sd, low=_scaled(c.low, c), high=_scaled(c.high, c)) < constant
    ):
        return []
    return [
        "without the guard band it would have been accepted: a better known rig may tell, more pads cannot"
    ]


def _double(
    told: CharacteristicResult, rule: DoublePlan, risks: Risks, worth: float, df: float, unfinished: list[str]
) -> CharacteristicResult:
    half = Risks(
        risks.producer_quality, risks.producer_risk / 2, risks.consumer_quality, risks.consumer_risk / 2
    )
    low, high = constant_ends(half, n=worth, degrees_of_freedom=df, two_sided=rule.two_sided)
    told = replace(told, acceptance_constant=low)
    k = told.k if told.k is not None else -math.inf
    if unfinished:
        return told
    if told.n >= rule.total:
        verdict = BatchVerdict.ACCEPT if k >= low else BatchVerdict.REFUSE
        return replace(told, needed=rule.total, verdict=verdict, reasons=(_against(k, low, told.n),))
    if k >= low:
        said = f"first sample: {_against(k, low, told.n)}"
        return replace(told, verdict=BatchVerdict.ACCEPT, reasons=(said,))
    if k < high:
        return replace(
            told,
            verdict=BatchVerdict.REFUSE,
            reasons=(
                f"first sample: lies {k:.3f} standard deviations inside; below {high:.3f} it is refused",
            ),
        )
    return replace(
        told,
        needed=rule.total,
        reasons=(
            f"first sample lies between ({high:.3f} and {low:.3f}): test {rule.total - told.n} more pads",
        ),
    )


def _counted(
    told: CharacteristicResult,
    rule: CountedPlan,
    risks: Risks,
    unfinished: list[str],
) -> CharacteristicResult:
    """Pads outside are counted; with more pads than planned, the most that keeps the consumer's risk."""
    outside = told.counted_outside or 0
    most = rule.most_outside
    while (
        told.n > rule.n
        and CountedPlan(told.n, most + 1, rule.lot_size).acceptance(risks.consumer_quality)
        <= risks.consumer_risk
    ):
        most += 1
    told = replace(
        told,
        needed=max(told.needed, rule.n),
        acceptance_constant=float(most),
        k=None,
        share_outside=outside / told.n,
    )
    if outside > rule.most_outside and told.n <= rule.n:
        return replace(
            told,
            verdict=BatchVerdict.REFUSE,
            reasons=(
                f"{outside} of {told.n} pads lie outside, more than the {rule.most_outside} that {rule.n} "
                "may have: more pads cannot mend that",
            ),
        )
    if told.n < rule.n:
        rest = (
            []
            if unfinished and told.n < told.plan.n
            else [f"{told.n} of the {rule.n} pads that counting needs were tested"]
        )
        return replace(told, reasons=(*unfinished, *rest))
    if unfinished:
        return told
    applied = CountedPlan(told.n, most, rule.lot_size)
    verdict = BatchVerdict.ACCEPT if outside <= most else BatchVerdict.REFUSE
    return replace(
        told,
        verdict=verdict,
        reasons=(f"{outside} of {told.n} pads lie outside; at most {most} may",),
        bad_lot_accepted=applied.acceptance(risks.consumer_quality),
        good_lot_refused=1 - applied.acceptance(risks.producer_quality),
    )


def _equivalence(
    readings: LotReadings,
    reference: LotReadings | None,
    c: Characteristic,
    marks: set[Mark],
) -> Equivalence | None:
    """The lot against the reference lot; what one rig does to both cancels, the rest narrows the margin."""
    if reference is None or c.margin is None:
        return None
    if len(reference.pads) < 2 or reference.mean is None or readings.mean is None:
        marks.add(
            mark(
                "no_reference",
                c.words,
                f"lot {reference.lot} has {len(reference.pads)} measured pads: equivalence is not determined",
            )
        )
        return None
    parts = [
        (float(np.mean(v)), float(np.std(v, ddof=1)), float(len(v)))
        for v in ([p.value for p in r.pads] for r in (readings, reference))
    ]
    rig = half_width95(float(shared_difference(readings.mean, reference.mean, log=False)))
    if rig >= c.margin:
        marks.add(
            mark(
                "no_reference",
                c.words,
                "the margin is no wider than what the rigs of both lots may "
                "differ by: equivalence is not determined",
            )
        )
        return None
    return equivalence(parts[0], parts[1], margin=c.margin - rig)


def _share(k: float) -> float:
    return math.erfc(k / math.sqrt(2)) / 2 if math.isfinite(k) else (0.0 if k > 0 else 1.0)


def _size(value: float, c: Characteristic) -> str:
    from padlab.units import both_lengths

    if c.unit == "mm":
        return both_lengths(value)
    return f"{value:.3g} {c.unit}".rstrip() if c.unit else f"{100 * value:.2f} %"

