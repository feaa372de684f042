"""``padlab life`` on the invented endurance runs: answer, page, mistakes."""

import json
from pathlib import Path

import pytest

SAMPLES = Path(__file__).parents[3] / "sample_runs"
ASKED = ["--limit", "3thou", "--strokes-per-day", "2000", "--days-per-week", "6"]



def test_the_answer_is_what_the_contract_says(padlab):
    code, out, err = padlab("life", SAMPLES, *ASKED, "--json")
    assert code == 0, err
    answer = json.loads(out)
    stocks = {m["material"]: m for m in answer["materials"]}
    assert list(stocks) == ["dense green polymer", "grey wool felt", "soft black neoprene"]
    wanted = {"material", "pads", "lots", "law", "median_years", "pad_interval90_years", "b10_lower95_years",
              "median_strokes", "pad_interval90_strokes", "thinning_mm", "about", "censored", "extrapolated",
              "marks"}
    for stock in stocks.values():
        assert wanted <= set(stock)
        assert set(stock["median_years"]) == {"value", "low", "high"}
        assert set(stock["pad_interval90_years"]) == {"low", "high"}
        assert set(stock["thinning_mm"][0]) == {"strokes", "days", "value", "low", "high", "extrapolated"}
    assert stocks["soft black neoprene"]["about"] == "this lot only"
    assert stocks["grey wool felt"]["about"] == "new lot"
    assert (stocks["grey wool felt"]["pads"], stocks["grey wool felt"]["lots"]) == (7, 3)
    assert answer["limit_mm"] == pytest.approx(0.0762)
    # The polymer was made to lose 0.9 um per 100,000 strokes after 5 um: 3 thou after some 7.9 million.
    assert stocks["dense green polymer"]["median_strokes"]["value"] == pytest.approx(7.9e6, rel=0.15)


def test_what_came_back_and_what_rubbed_off_are_told_apart(padlab):
    answer = json.loads(padlab("life", SAMPLES, *ASKED, "--json")[1])
    felt = next(m for m in answer["materials"] if m["material"] == "grey wool felt")
    for pad in felt["each"]:                       # made with 14 um that come back and 22 um that settle
        assert pad["recoverable_mm"] == pytest.approx(0.011, abs=0.005)
        assert pad["set_mm"] == pytest.approx(0.017, abs=0.007)


def test_the_summary_says_it_in_words(padlab):
    code, out, _ = padlab("life", SAMPLES, *ASKED, "--aged-at", "70degC", "--service-at", "23degC")
    assert code == 0
    assert "half of the pads of a new lot last" in out
    assert "THIS LOT ONLY" in out
    assert "28.1 days if 60 kJ/mol, 149 days if 90 kJ/mol" in out
    assert "felt is eaten by moths" in out
    assert "at most 40 K" in out


def test_a_limit_too_far_is_said_and_not_guessed(padlab):
    code, out, _ = padlab("life", SAMPLES, "--limit", "9thou", *ASKED[2:])
    assert code == 0
    assert out.count("life not determined; every pad followed lasts over") == 3


def test_the_page_is_written_whole(padlab, tmp_path):
    page = tmp_path / "life.html"
    code, out, _ = padlab("life", SAMPLES, *ASKED, "--out", page)
    assert code == 0
    assert f"The page: {page}" in out
    text = page.read_text("utf-8")
    assert text.startswith("<!DOCTYPE html>")
    assert text.count("<svg") == 6
    assert "<script" not in text


@pytest.mark.parametrize(("arguments", "words"), [
    (["--limit", "3", *ASKED[2:]], "no unit"),
    (["--limit", "3thou"], "strokes-per-day"),
    (["--limit", "0thou", *ASKED[2:]], "not between"),
    ([*ASKED[:2], "--strokes-per-day", "0", "--days-per-week", "6"], "strokes-per-day"),
    ([*ASKED[:4], "--days-per-week", "8"], "days-per-week"),
    ([*ASKED, "--aged-at", "70degC"], "go together"),
    ([*ASKED, "--stop", "middle"], "middle"),
    ([*ASKED, "--out", "no/such/folder/page.html"], "no folder"),
])
def test_mistyped_options_are_usage(padlab, arguments, words):
    code, _, err = padlab("life", SAMPLES, *arguments)
    assert code == 2
    assert words in err


def test_runs_of_another_kind_are_refused_by_name(padlab, tmp_path):
    other = next(p for p in sorted((SAMPLES / "runs").iterdir()) if p.name.startswith("20261125"))
    code, out, _ = padlab("life", other, *ASKED, "--json")
    assert code == 1
    assert json.loads(out)["error"]["expected"] == "a run of kind wear"
    code, out, _ = padlab("life", tmp_path, *ASKED, "--json")
    assert code == 1
    code, out, err = padlab("life", SAMPLES, *ASKED, "--aged-at", "20degC", "--service-at", "30degC")
    assert (code, "hotter" in err) == (1, True)


def test_what_damp_did_to_the_unloaded_pads_is_told(padlab):
    answer = json.loads(padlab("life", SAMPLES, *ASKED, "--json")[1])
    climate = {m["material"]: m["climate"] for m in answer["materials"]}
    felt = climate["grey wool felt"]["per_percent_humidity_mm"]        # made with 0.35 um a per cent
    assert felt["low"] < 0.00035 < felt["high"]
    assert felt["low"] > 0


def test_a_limit_of_a_whole_pad_is_a_mistyped_unit(padlab):
    code, out, err = padlab("life", SAMPLES, "--limit", "3mm", *ASKED[2:])
    assert (code, out) == (1, "")
    assert "a loss of 3000 um (118.1 thou) is more than any of these pads is thick" in err
    assert "1 thou is 0.0254 mm" in err


def test_runs_of_the_other_stop_are_counted_and_the_option_named(padlab):
    code, _, err = padlab("life", SAMPLES, *ASKED, "--stop", "up")
    assert code == 1
    assert "seen: 16 runs: served at the down stop\n" in err
    assert "try: ask for --stop down" in err
