"""Runs of one pad that disagree by more than their joint doubt: averaged all the same, but marked.

A pad that was turned over, mistaken for another, or measured on another day's rig shows here.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import replace
from itertools import combinations

from padlab.decisions.judged import Judged
from padlab.marks import mark
from padlab.statistics.estimate import Estimate, shared_difference, welch_satterthwaite
from padlab.units import both_lengths


def with_disagreements(judged: Sequence[Judged]) -> list[Judged]:
    """The same runs; those of a pad whose runs disagree carry ``repeats_disagree`` with the two farthest."""
    by_pad: dict[tuple[str, str, str], list[Judged]] = defaultdict(list)
    for one in judged:
        # One stroke alone does not know how far strokes scatter: nothing can disagree with it.
        if one.numbers.drift is not None and one.carried.curves.replicate_mm.shape[0] > 1:
            by_pad[one.fit.pad.material, one.fit.pad.lot, one.fit.pad.id].append(one)
    said: dict[str, str] = {}
    for (_, lot, pad), runs in by_pad.items():
        words = _disagreement(sorted(runs, key=lambda j: j.fit.run))
        if words:
            said |= {j.fit.run: f"pad {pad} of lot {lot}: {words}" for j in runs}
    return [replace(j, marks=tuple(sorted({*j.marks, mark(
        "repeats_disagree", f"pad {j.fit.pad.id}", said[j.fit.run])}))) if j.fit.run in said else j
        for j in judged]


def _disagreement(runs: Sequence[Judged]) -> str:
    """In words, of the two that lie farthest apart for their doubt; empty where none do.

    Two-sided 5 % for all pairs of the pad together (Bonferroni).
    """
    pairs = list(combinations(runs, 2))
    worst, words = 1.0, ""
    for a, b in pairs:
        one, two = a.numbers.drift, b.numbers.drift
        assert one is not None
        assert two is not None
        by = _over_doubt(one, two, pairs=len(pairs))
        if by > worst:
            worst = by
            words = (f"its runs disagree: {both_lengths(float(one.value))} in run {a.fit.run}, "
                     f"{both_lengths(float(two.value))} in run {b.fit.run}; their mean is used")
    return words


def _over_doubt(one: Estimate, two: Estimate, *, pairs: int) -> float:
    """Distance of two numbers over what their joint doubt allows, on the log scale."""
    from scipy import special

    parts = [(float(e.own) / float(e.value), float(e.own_df)) for e in (one, two)]
    parts.append((float(shared_difference(one, two, log=True)), math.inf))
    joint = math.sqrt(sum(u * u for u, _ in parts))
    if joint == 0:
        return 0.0
    freedom = min(max(float(welch_satterthwaite(parts)), 1.0), 1e9)
    k = float(special.stdtrit(freedom, 1 - 0.025 / pairs))
    return abs(math.log(float(one.value) / float(two.value))) / (k * joint)
