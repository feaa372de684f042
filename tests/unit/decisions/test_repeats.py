"""Runs of one pad that disagree are averaged, and marked with both values."""

from __future__ import annotations

import numpy as np
import pytest

from padlab.decisions.comparison import compare
from padlab.drift.touch import preset
from padlab.units import both_lengths

MEDIUM = preset("medium")


def law(scale):
    return lambda f: scale * 0.1 * np.log1p(np.asarray(f) / 0.5)


@pytest.fixture
def runs(make_fit):
    def make(*scales, pad="p1", scatter=0.004, **more):
        return [make_fit(law(s), run=f"run-{pad}-{n}", pad=pad, scatter=scatter, points=80, **more)
                for n, s in enumerate(scales)]
    return make


def disagreements(comparison):
    return [m for p in comparison.pads for m in p.marks if m.code == "repeats_disagree"]


def test_runs_that_agree_carry_no_mark(runs):
    assert disagreements(compare([*runs(1.0, 1.004), *runs(1.02, pad="p2")], MEDIUM)) == []


def test_runs_that_disagree_are_marked_with_both_values_and_their_mean_is_used(runs):
    found = compare([*runs(1.0, 1.3), *runs(1.1, pad="p2")], MEDIUM)
    marks = disagreements(found)
    assert len(marks) == 2                            # both runs of the pad, not the other pad
    values = {p.run: both_lengths(p.drift_play_p95_mm.value) for p in found.pads}
    assert all(values[f"run-p1-{n}"] in marks[0].message and f"run-p1-{n}" in marks[0].message
               for n in (0, 1))
    (stock,) = found.ranking
    assert "repeats_disagree" in {m.code for m in stock.marks}
    assert next(m for m in stock.marks if m.code == "repeats_disagree").weight == "caution"
    assert stock.pads == 2


def test_what_both_runs_share_of_the_rig_does_not_excuse_them(runs):
    apart = runs(1.0, 1.05, rig={"force scale": 0.2})
    assert disagreements(compare(apart, MEDIUM))
    rigs = [*runs(1.0, rig={"force scale": 0.2}), *runs(1.05, rig={"force scale": 0.2}, rig_name="other")]
    rigs[1] = type(rigs[1])(**{**vars(rigs[1]), "run": "elsewhere"})
    assert disagreements(compare(rigs, MEDIUM)) == []


def test_the_same_id_in_another_lot_is_another_pad(runs):
    assert disagreements(compare([*runs(1.0), *(
        type(f)(**{**vars(f), "run": "later", "pad": type(f.pad)(**{**vars(f.pad), "lot": "l2"})})
        for f in runs(1.4))], MEDIUM)) == []


def test_one_stroke_alone_disagrees_with_nothing(runs):
    assert disagreements(compare(runs(1.0, 1.3, strokes=1), MEDIUM)) == []


def test_of_several_the_two_farthest_are_named(runs):
    (first, *_) = disagreements(compare(runs(1.0, 1.15, 1.3), MEDIUM))
    assert "run-p1-0" in first.message
    assert "run-p1-2" in first.message
    assert "run-p1-1" not in first.message


@pytest.mark.parametrize("seed", range(2))
def test_honest_repeats_are_rarely_marked(make_fit, seed):
    # three runs of 40 pads, scatter as stated: 5 % of the pads may be marked; 9 of 40 has p < 0.001
    rng = np.random.default_rng(seed)
    fits = [make_fit(law(float(np.exp(rng.normal(0, 0.01)))), run=f"{pad}-{n}", pad=f"p{pad}",
                     scatter=0.01 * np.sqrt(5), points=40)
            for pad in range(40) for n in range(3)]
    marked = {p.pad for p in compare(fits, MEDIUM).pads
              if any(m.code == "repeats_disagree" for m in p.marks)}
    assert len(marked) < 9
