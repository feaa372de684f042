"""Stocks of springs under a replayed touch: which rows are replayed, which not, and what is said of it."""

from dataclasses import replace

import numpy as np
import pytest

from padlab.decisions.comparison import compare
from padlab.drift.touch import preset
from padlab.fitting.response import HeldBack, ResponseModel
from padlab.report.pages import comparison_page
from padlab.report.story import tell

STIFF, SOFT = 1 / 500, 1 / 250                       # mm/N
ERROR_MM = 0.0001


def replayable(fit, slope):
    held = HeldBack(ERROR_MM, 8, (("recorded stroke", ERROR_MM),))
    model = ResponseModel.of_parts(top_n=18.0, reach=[0.0], slopes_mm=[18.0 * slope])
    return replace(fit, response=replace(model, held_back=held))


@pytest.fixture
def fits(make_fit):
    """Two stocks of two lots, all with a model of their own."""
    found = []
    for material, slope in (("stiff", STIFF), ("soft", SOFT)):
        for lot in ("1", "2"):
            for pad in ("a", "b"):
                fit = make_fit(lambda f, s=slope: f * s, run=f"{material}-{lot}-{pad}", material=material,
                               lot=lot, pad=pad, creep=0.0, gap=0.2)
                found.append(replayable(fit, slope))
    return found


def test_every_row_is_replayed(fits):
    found = compare(fits, preset("medium"))
    assert found.method == "replay"
    assert [row.method for row in found.ranking] == ["replay", "replay"]
    assert not any(m.code in ("formula", "no_replay") for m in found.marks)
    told = found.to_json()
    assert told["method"] == "replay"
    assert all(row["method"] == "replay" for row in told["ranking"])
    assert all(row["by_formula"]["drift_play_p95_mm"]["value"] > 0 for row in told["ranking"])
    assert all(row["method"] == "replay" and row["held_back_rms_mm"] > 0 for row in told["pads"])


def test_a_spring_drifts_as_the_formula_says(fits):
    """A spring has no loop and no memory: replay and formula agree, but for the doubt of the loop."""
    found = compare(fits, preset("medium"))
    stiff, soft = found.ranking
    assert (stiff.material, soft.material) == ("stiff", "soft")
    for row in found.ranking:
        assert row.give_mm.value == pytest.approx(row.formula.give_mm.value, rel=1e-3)
        assert row.drift_play_p95_mm.value == pytest.approx(row.formula.drift_play_p95_mm.value, rel=0.02)
        # The replay has no half gap in its doubt, but the model's error.
        assert row.drift_play_p95_mm.half_width < row.formula.drift_play_p95_mm.half_width
        assert row.drift_play_p95_mm.half_width > ERROR_MM


def test_a_stock_of_which_one_pad_cannot_be_replayed_stands_by_the_formula(fits):
    fits = [replace(f, response=None, no_response="no hold") if f.run == "soft-1-a" else f for f in fits]
    found = compare(fits, preset("medium"))
    assert found.method == "formula"
    assert {row.material: row.method for row in found.ranking} == {"stiff": "replay", "soft": "formula"}
    assert [(m.code, m.about) for m in found.marks if m.code == "formula"] == [("formula", "soft")]
    soft = next(row for row in found.ranking if row.material == "soft")
    assert soft.formula is None
    assert soft.strip is None
    assert {m.message for m in soft.marks if m.code == "no_replay"} == {
        "no hold", "1 of the stock's 4 runs cannot be replayed, so all of it stands by the formula"}
    page = comparison_page(found, made_on="2026-01-01")
    assert "while playing (replay)" not in page
    assert "By the formula, and not by replay: soft." in page


def test_the_same_ten_seconds_through_every_stock(fits):
    stiff, soft = compare(fits, preset("medium")).ranking
    assert np.array_equal(stiff.strip.net_n, soft.strip.net_n)
    pressed = stiff.strip.net_n >= 0.25
    assert np.array_equal(np.isfinite(stiff.strip.from_home_mm), pressed)
    assert stiff.strip.time_s[-1] == pytest.approx(10.0)
    # Springs: position from home goes with the force from the usual press (3.5 N net), at one thickness.
    away = stiff.strip.from_home_mm[pressed]
    slope = np.polyfit(stiff.strip.net_n[pressed] - 3.5, away, 1)
    assert slope == pytest.approx([STIFF, 0.0], rel=0.05, abs=1e-6)


def test_page_and_words(fits):
    found = compare(fits, preset("medium"))
    page = comparison_page(found, made_on="2026-01-01")
    assert "while playing (replay)" in page
    assert "Ten seconds of playing, the same through every stock" in page
    assert "(replay decides)" in page
    told = tell(found)
    assert "that error is in every interval" in told.by_method[0]
    assert "by replay" in told.beside[0]
    assert "by the formula" in told.beside[0]


def test_without_models_nothing_changes(fits):
    plain = compare([replace(f, response=None) for f in fits], preset("medium"))
    assert plain.method == "formula"
    assert [m.code for m in plain.marks] == ["formula"]
    assert all(row.formula is None and row.strip is None for row in plain.ranking)
    assert "Ten seconds" not in comparison_page(plain, made_on="2026-01-01")
