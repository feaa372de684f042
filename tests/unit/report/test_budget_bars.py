"""The bars of a budget, the scale that one far stock cannot flatten, and the page of single runs."""

from __future__ import annotations

import dataclasses
import json
import re

import pytest

from padlab.calibration.budget import Budget, Source, Unknown
from padlab.report.budget_bars import budget_bars, shown_groups
from padlab.report.figures import drift_map, drift_scale, interval_plot
from padlab.report.pages import comparison_page
from padlab.statistics.quantity import Quantity

BUDGET = Budget(
    (Source("repeat strokes", 0.0011, 4), Source("indicator scale", 0.0012, systematic=True),
     Source("indicator, place by place", 0.0003), Source("indicator step", 0.0003, sensitivity=0.0)),
    (Unknown("temperature", "no thermometer"), Unknown("compliance", "the rig file does not state it")))


def texts(svg):
    return re.findall(r"<text[^>]*>([^<]*)<", svg)


def description(svg):
    return re.search(r"<desc[^>]*>([^<]*)<", svg).group(1)


def test_every_group_has_a_line_and_what_is_unknown_has_words_and_no_bar():
    drawn = texts(budget_bars(BUDGET, about="felt", key="b"))
    assert drawn.count("not known") == 2
    assert {"indicator", "its smallest step", "contact zero", "force", "give of the frame", "temperature",
            "stroke to stroke"} <= set(drawn)
    assert {"1.2", "1.1", "0.30", "0"} <= set(drawn)


def test_the_bars_are_told_in_words_for_those_who_cannot_see_them():
    told = description(budget_bars(BUDGET, about="felt", key="b"))
    assert "indicator: 1.2 µm (0.05 thou) (shared by the rig) and 0.3 µm (0.01 thou)." in told
    assert "temperature: not determined, no thermometer." in told
    assert "either way, at 95 %" in told


def test_shared_and_own_differ_by_more_than_colour():
    svg = budget_bars(BUDGET, about="felt", key="b")
    assert "<pattern" in svg                             # hatching: it can be told in grey print
    alone = budget_bars(Budget(BUDGET.sources[:1]), about="felt", key="b")
    assert "<pattern" not in alone


@pytest.mark.parametrize("sources", [
    (), (Source("x", 0.0),), (Source("x" * 300, 1e3), Source("$y^2$", 1e-9))])
def test_odd_budgets_are_drawn_all_the_same(sources):
    budget = Budget(sources)
    assert "<svg" in budget_bars(budget, about="<b>&</b>", key="b")
    assert set(shown_groups(budget)) >= {s.group for s in sources}


def rows_of(comparisons, **drifts_um):
    full = comparisons["full"]()
    return [dataclasses.replace(row, drift_play_p95_mm=Quantity(*(um / 1e3 for um in drifts_um[f"s{n}"])))
            if f"s{n}" in drifts_um else row for n, row in enumerate(full.ranking)]


def test_without_a_far_stock_the_scale_is_whole(comparisons):
    scale = drift_scale(comparisons["full"]().ranking, limit_mm=0.2032)
    assert not scale.is_broken
    assert scale.low < 11.2 < 312 < scale.high


def test_a_far_stock_stands_behind_a_broken_line_and_leaves_the_others_their_scale(comparisons):
    rows = rows_of(comparisons, s5=(50_000.0, 40_000.0, 60_000.0))
    scale = drift_scale(rows, limit_mm=0.2032)
    usual = drift_scale(comparisons["full"]().ranking[:5], limit_mm=0.2032)
    assert scale.is_broken
    assert (scale.low, scale.high) == (usual.low, usual.high)
    assert scale.high < scale.place(50_000.0) < scale.end
    svg = interval_plot(rows, limit_mm=0.2032)
    assert "beyond, off the scale." in description(svg)
    assert not [t for t in texts(svg) if re.fullmatch(r"[125]0{3,}", t)]      # no tick beyond the break
    assert "50000 µm (1968.5 thou)" in texts(svg)
    assert "off the scale" in texts(drift_map(rows, limit_mm=0.2032))


def test_an_endless_interval_does_not_flatten_the_others(comparisons):
    rows = rows_of(comparisons, s1=(13.0, 13e-20, 13e20))
    scale = drift_scale(rows, limit_mm=0.2032)
    assert not scale.is_broken
    assert scale.high < 2000
    assert scale.low > 1
    assert "<svg" in interval_plot(rows, limit_mm=0.2032)


def test_the_page_says_that_the_scale_is_broken_only_where_it_is(comparisons):
    full = comparisons["full"]()
    assert "broken line" not in comparison_page(full, made_on="today")
    far = dataclasses.replace(full, ranking=tuple(rows_of(comparisons, s5=(5e4, 4e4, 6e4))))
    assert "Beyond the broken line: far off the scale" in comparison_page(far, made_on="today")


def test_a_stock_that_is_told_apart_from_all_has_none_in_the_column_of_ties(full_page, page_of):
    words = page_of(full_page).words()
    assert "told apart from all" not in words
    assert "none" in words[words.index("Not told apart from"):words.index("What can be told apart")]


def test_paper_takes_the_short_page_unless_all_is_asked_for(full_page):
    css = full_page[full_page.index("@media print"):full_page.index("</style>")]
    assert "body:has(#everything:not(:checked)) .long { display: none; }" in css
    start = full_page.index('<div class="long">')
    for short in ("The ranking:", "What can be told apart", 'id="doubt0-0-title"'):
        assert full_page.index(short) < start
    for long in ("Pad by pad", "Where each number came from", "How to read this page"):
        assert full_page.index(long) > start


def test_what_the_rig_is_worth_is_valid_json(comparisons):
    stored = json.loads(json.dumps(comparisons["full"]().to_json(), allow_nan=False))
    (rig,) = stored["rigs"]
    assert rig["stocks"][5]["smallest_difference_mm"] is None
    assert rig["stocks"][0]["not_determined"][0]["group"] == "temperature"
