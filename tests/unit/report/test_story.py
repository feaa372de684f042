"""What is said of a comparison: shortly, with its reasons, and never twice."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import pytest

from padlab.marks import mark
from padlab.report.story import tell


def with_marks(comparison, marks_of_pad, marks_of_stock=lambda row: ()):
    return dataclasses.replace(
        comparison,
        pads=tuple(dataclasses.replace(p, marks=tuple(marks_of_pad(p))) for p in comparison.pads),
        ranking=tuple(dataclasses.replace(r, marks=tuple(marks_of_stock(r))) for r in comparison.ranking),
    )


@pytest.fixture
def full(comparisons):
    return comparisons["full"]()


def test_a_caution_of_every_stock_is_said_once_and_not_on_every_line(full):
    told = tell(
        with_marks(
            full, lambda p: [mark("uncalibrated", "rig")], lambda r: [mark("uncalibrated", "all pads")]
        )
    )
    assert told.for_all == ("the rig's own stated scale and doubt were used, no calibration",)
    assert all(s.cautions == () for s in told.stocks)


def test_a_caution_of_some_pads_says_of_how_many(full):
    marked = full.pads[0].run
    told = tell(with_marks(
        full,
        lambda p: [mark("hold_unsteady", "hold")] if p.run == marked else [],
        lambda r: [mark("hold_unsteady", "pads D130 of 2026-03")] if r.rank == 1 else [],
    ))  # fmt: skip
    assert told.stocks[0].cautions == ("the force wandered during the hold (1 of 9 pads)",)
    assert [(m.weight, m.concerns) for m in told.marks if "wandered" in m.message] == [
        ("caution", "dense polymer: D130 (2026-03)")
    ]


def test_notes_do_not_crowd_the_ranking(full):
    told = tell(with_marks(full, lambda p: [], lambda r: [mark("no_warm_up", r.material)]))
    assert all(s.cautions == () for s in told.stocks)
    assert [m.weight for m in told.marks] == ["note", "note"]  # it and how positions were made


def test_many_wordings_of_one_code_share_a_line(full):
    told = tell(
        with_marks(full, lambda p: [mark("stroke_left_out", f"stroke {p.run[-1]}", f"left out: {p.run}")])
    )
    lines = [m for m in told.marks if "left out" in m.message]
    assert [(m.message, m.concerns) for m in lines] == [
        ("a stroke was left out, with its reason", f"all {len(full.pads)} runs")
    ]


def test_heaviest_marks_come_first(full):
    weights = [m.weight for m in tell(full).marks]
    order = ["not used", "caution", "note"]
    assert weights == sorted(weights, key=order.index)


def test_a_stock_pressed_too_lightly_is_listed_with_the_force_it_needs(full):
    light = dataclasses.replace(
        full.ranking[5], rank=None, drift_play_p95_mm=None, letters="", test_force_needed_n=17.5,
        marks=(mark("not_tested_hard_enough", "soft neoprene"),),
    )  # fmt: skip
    told = tell(dataclasses.replace(full, ranking=(*full.ranking[:5], light)))
    assert (
        "soft neoprene",
        "too many strokes press harder than the pad was tested; test it up to 17.5 N net",
    ) in (told.unplaced)
    assert [s.row.material for s in told.stocks][-1] == "grey wool felt"


def test_who_is_tied_with_the_best_is_said_as_the_pairs_have_it(full):
    assert tell(full).ties.startswith("Not told apart from rubber cork.")
    apart = dataclasses.replace(
        full, pairs=tuple(dataclasses.replace(p, told_apart=True) for p in full.pairs)
    )
    assert tell(apart).ties.startswith("Told apart from every other stock.")


@pytest.mark.parametrize(
    ("replication", "words"),
    [
        ("lot", "pads of one lot are one witness"),
        ("pad", "this ranks the pads that were tested, not the stocks"),
        ("measurement", "this ranks these very pads"),
    ],
)
def test_what_the_intervals_rest_on_is_said(full, replication, words):
    assert words in tell(dataclasses.replace(full, replication=replication)).rests_on


def test_cautions_that_differ_by_a_share_alone_are_one_line(full):
    first, second, *_ = (p.run for p in full.pads)
    shares = {first: "0.1% of the strokes press harder", second: "0.7% of the strokes press harder"}
    told = tell(with_marks(
        full,
        lambda p: [mark("beyond_tested", "pad", shares[p.run])] if p.run in shares else [],
        lambda r: [mark("beyond_tested", "pads", words) for words in shares.values()] if r.rank == 1 else [],
    ))  # fmt: skip
    assert told.stocks[0].cautions == ("0.1 to 0.7% of the strokes press harder (2 of 9 pads)",)


def test_the_answer_has_its_interval(full):
    best = full.ranking[0].drift_play_p95_mm
    assert tell(full).answer == (
        "Dense polymer lets the valve drift least: 19 notes of 20 within 11.2 µm (0.4 thou), "
        f"95 % sure: {1e3 * best.low:.1f} to {1e3 * best.high:.1f} µm (0.4 to 0.5 thou).")


def test_a_difference_that_is_rounded_to_nothing_is_neither_more_nor_less(full):
    best = full.ranking[0]
    drift = best.drift_play_p95_mm
    for away, words in ((0.00002, "(the same)"), (0.0002, "(0.2 µm (0.01 thou) more)")):
        formula = dataclasses.replace(drift, value=drift.value - away)
        row = dataclasses.replace(best, formula=SimpleNamespace(drift_play_p95_mm=formula))
        told = tell(dataclasses.replace(full, ranking=(row, *full.ranking[1:])))
        assert words in told.beside[0]
