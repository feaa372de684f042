"""The page of renewals: same bytes, stands alone, harmless whatever a stock is called."""

from dataclasses import replace

import numpy as np
import pytest

from padlab.decisions.renewal import LeftOut, Renewals
from padlab.drift.ageing import ageing, not_arrhenius
from padlab.drift.life import Service, stock_life
from padlab.fitting.wear import WearReadings
from padlab.fitting.wear_run import PadLoss
from padlab.marks import mark
from padlab.report.life_page import life_page, write_life

N = np.linspace(1e5, 2e6, 12)
HOSTILE = ["<script>alert(1)</script>", "$x^$ and $\\frac{1}{0}$", "{{ 7 * 7 }}", "felt\x1b[31m\u202egnp",
           "W" * 3000, "[/] [bold]"]


def stock(name="wool felt", limit_mm=0.05, lots=("1", "1", "2", "3"), axis="strokes"):
    rng = np.random.default_rng(4)
    scale = 1.0 if axis == "strokes" else 1e-3
    losses = [(f"20260704T081530Z-k3v9q{i}", PadLoss(
        WearReadings(f"A{i}", lot, N * scale, (1.4 + 0.2 * i) * 1e-8 * N + rng.normal(0, 3e-4, N.size)),
        axis, 1.6, 0.004, 0.012, None, ())) for i, lot in enumerate(lots)]
    return stock_life(losses, material=name, material_class="felt", limit_mm=limit_mm,
                      service=Service(2000, 6))


def found(*stocks, aged=True):
    return Renewals(0.05, Service(2000, 6), "down", stocks, (LeftOut("r", "cork", "served at the up stop"),),
                    ageing(tested_c=70, service_c=23) if aged else None,
                    {s.material: not_arrhenius(s.material, "felt") for s in stocks} if aged else {})


def page(*stocks, **how):
    return life_page(found(*stocks, **how), made_on="a day")


def test_the_same_answer_gives_the_same_bytes():
    assert page(stock()) == page(stock())


def test_everything_that_was_found_stands_on_it():
    text = page(stock(), stock("cork", limit_mm=0.4), stock("one lot", lots=("1", "1", "1")),
                stock("by days", axis="days"))
    for words in ("renew after", "not determined", "every pad followed lasts over", "this lot only",
                  "served at the up stop", "28.1 days", "149 days", "felt is eaten by moths", "Cautions",
                  "Came back with rest", "extrapolated", "no life is told"):
        assert words in text, words
    assert text.count("<svg") == 8
    assert text.count("million strokes") == 3           # days have none


def test_a_page_without_any_life_says_so():
    text = page(stock(limit_mm=0.4), aged=False)
    assert "No life can be told yet" in text
    assert "hot test" not in text


@pytest.mark.parametrize("text", HOSTILE)
def test_a_name_from_outside_is_text(text):
    odd = stock(text or "x", lots=(text, text, "2", "3"))
    odd = replace(odd, marks=(*odd.marks, mark("units_doubtful", text, text)))
    made = page(odd)
    assert "<script" not in made
    assert "\x1b" not in made
    assert "\u202e" not in made
    assert ">49<" not in made


def test_the_page_is_written_whole(tmp_path):
    out = tmp_path / "life.html"
    write_life(found(stock()), out, made_on="a day")
    assert out.read_text("utf-8") == page(stock())
    assert list(tmp_path.iterdir()) == [out]
