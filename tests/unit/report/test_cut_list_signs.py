"""Signs cannot turn unseen: numbers, words and arrows against a valve of a few lines of geometry.

The valve of the tests knows nothing of padlab: where its piston stands follows from how thick the pad is.
Down counts as +. Pressed, button and cap hold the down pad between them, so a thicker pad stops the piston
higher; at rest, piston and cap hold the up pad, so a thicker pad stops it lower. (Statics; common practice
counts the same.) Then every convention is turned round, one at a time, and a check must fail.
"""

import re
import sys
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from padlab.drift import cutting
from padlab.records import instrument
from padlab.report import cut_list, valve_drawing

THOU = 0.0254
ERRORS = [e * THOU for e in (-9.0, -3.0, -0.6, 0.6, 2.0, 8.0)]
SIDES = ["down", "up"]
MINUS = "\N{MINUS SIGN}"


class Valve:
    """Pressed the piston stands at ``place - pad``, at rest at ``place + pad`` [mm]; 0 = aligned."""

    def __init__(self, side, *, pad_mm, error_mm):
        self.turn = -1.0 if side == "down" else 1.0
        self.place = error_mm - self.turn * pad_mm

    def stands(self, pad_mm):
        return self.place + self.turn * pad_mm


def hard(squeeze_mm=0.0):
    return cutting.Behaviour(lambda h, f: squeeze_mm * f)


def check_wanted(side, error_mm):
    """The loaded thickness that is asked for puts the piston on zero."""
    valve = Valve(side, pad_mm=1.4, error_mm=error_mm)
    wanted = cutting.loaded_wanted_mm(side, fitted_loaded_mm=1.4, port_error_mm=error_mm)
    assert valve.stands(wanted) == pytest.approx(0.0, abs=1e-9)


def check_expected(side, error_mm):
    """A pad that is too thick or too thin reads as the valve stands; under less force it is thicker."""
    valve = Valve(side, pad_mm=1.4, error_mm=error_mm)
    wanted = cutting.loaded_wanted_mm(side, fitted_loaded_mm=1.4, port_error_mm=error_mm)
    for button_n, net_n in ((4.0, 1.5), (6.0, 3.5)) if side == "down" else ((0.0, 2.5), (0.5, 2.0)):
        reads = cutting.expected_error_mm(side, wanted, 1.5, hard(0.01), button_n=button_n, holding_n=2.5)
        assert reads == pytest.approx(valve.stands(1.5 - 0.01 * net_n), abs=1e-9)


def check_words(side, error_mm):
    """The words name the side, and the pad that they ask for brings the piston nearer to zero."""
    check_text(instrument.error_words(side, error_mm), side, error_mm)


def check_text(words, side, error_mm):
    assert words.startswith("pressed" if side == "down" else "at rest")
    assert ("too far down" in words) == (error_mm > 0)
    assert ("too high" in words) == (error_mm < 0)
    valve = Valve(side, pad_mm=1.4, error_mm=error_mm)
    thicker = 1 if "thicker" in words else -1
    assert ("thinner" in words) == (thicker < 0)
    moved = valve.stands(1.4 + thicker * abs(error_mm) / 2) - error_mm
    assert abs(error_mm + moved) < abs(error_mm)
    told = re.search(r"pad (lifts it|lets it down|holds it down|lets it up)$", words)
    assert told is not None
    assert (told.group(1) in ("lifts it", "lets it up")) == (moved < 0)


def check_drawing(side, error_mm):
    """The arrow points where the piston stands, number and words beside it say the same."""
    other = "up" if side == "down" else "down"
    svg = valve_drawing.valve_drawing("1", **{f"{side}_mm": error_mm, f"{other}_mm": None}, key="v")
    check_svg(svg, "v", side, error_mm)
    assert f'id="v-{other}-arrow"' not in svg
    assert "not read" in svg


def check_svg(svg, key, side, error_mm):
    down = 1 if error_mm > 0 else -1
    line = re.search(rf'<line id="{key}-{side}-arrow"[^>]* y1="([^"]+)"[^>]* y2="([^"]+)"', svg)
    assert line is not None
    tip, *back = re.search(rf'id="{key}-{side}-head"[^>]*points="([^"]+)"', svg).group(1).split()
    casing, piston = (float(re.search(rf'id="{key}-{side}-{what}" cx="[^"]+" cy="([^"]+)"', svg).group(1))
                      for what in ("casing", "piston"))
    number = re.search(rf'id="{key}-{side}-number"[^>]*>([^<]+)<', svg).group(1)
    # On a page y grows downwards.
    assert (float(line.group(2)) - float(line.group(1))) * down > 0
    assert all((float(tip.split(",")[1]) - float(b.split(",")[1])) * down > 0 for b in back)
    assert (piston - casing) * down > 0
    assert number[0] == ("+" if down > 0 else MINUS)
    said = re.search(rf'<desc id="{key}-desc">([^<]*)</desc>', svg).group(1)
    told = re.search(rf"{side} stop: (.*?)(?:\. up stop: .*)?$", said).group(1)
    assert f"{abs(error_mm) / THOU:.1f} thou" in told or abs(error_mm) < 0.1 * THOU
    check_text(told, side, error_mm)


def check_key(_side, _error_mm):
    """The arrows in the piston: + points away from the button, which is above."""
    svg = valve_drawing.valve_drawing("1", down_mm=None, up_mm=None, key="v")
    for name, down in (("plus", 1), ("minus", -1)):
        line = re.search(rf'id="v-{name}-arrow"[^>]* y1="([^"]+)"[^>]* y2="([^"]+)"', svg)
        assert (float(line.group(2)) - float(line.group(1))) * down > 0
    signs = {sign: float(re.search(rf'y="([\d.]+)"[^>]*>{re.escape(sign)}</text>', svg).group(1))
             for sign in ("+", MINUS)}
    assert signs["+"] > signs[MINUS]


def check_reading(_side, error_mm):
    """The word beside a reading is its sign's."""
    assert cut_list.reading(error_mm)[0] == ("+" if error_mm > 0 else MINUS)
    assert cut_list.way(error_mm) == ("down" if error_mm > 0 else "high")
    assert cut_list.um(error_mm)[0] == ("+" if error_mm > 0 else MINUS)


CHECKS = [check_wanted, check_expected, check_words, check_drawing, check_key, check_reading]


@pytest.mark.parametrize("check", CHECKS)
@given(side=st.sampled_from(SIDES), error_mm=st.floats(-4.9, 4.9).filter(lambda e: abs(e) > 0.002))
def test_signs_agree(check, side, error_mm):
    check(side, error_mm)


@given(side=st.sampled_from(SIDES), error_mm=st.floats(-5e-3, 5e-3).filter(lambda e: abs(e) > 1e-12))
def test_the_smallest_error_has_no_other_sign(side, error_mm):
    """It may be rounded to nothing, but never to the other side."""
    check_words(side, error_mm)
    turned = "high" if error_mm > 0 else "down"
    assert cut_list.way(error_mm) != turned
    assert cut_list.reading(error_mm)[0] != (MINUS if error_mm > 0 else "+")


def test_zero_has_no_arrow():
    svg = valve_drawing.valve_drawing("1", down_mm=0.0, up_mm=0.0, key="v")
    assert "v-down-arrow" not in svg
    assert svg.count("stands on zero") == 2
    assert cut_list.way(0.0) == "on zero"


def check_choice(choice, page):
    """A whole choice and its page against the valve; nothing is added for wear in it."""
    drawn = {n: v.name for n, v in enumerate(choice.instrument.valves)}
    words = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    for one in choice.stops:
        stop, best = one.stop, one.best
        valve = Valve(one.side, pad_mm=stop.fitted_thickness_mm, error_mm=stop.port_error_mm)
        key = next(f"valve{n}" for n, name in drawn.items() if name == one.valve)
        told = words.split(f"Valve {one.valve} , {one.side} stop")[1]
        sentence = re.search(r"(Pressed|At rest), the piston stands .*? thou\)[^.]*", told).group()
        check_text(sentence[0].lower() + sentence[1:], one.side, stop.port_error_mm)
        check_svg(page, key, one.side, stop.port_error_mm)
        for stock in (best, *one.others):
            assert len(stock.checks) == 2
            stands = valve.stands(stock.loaded_mm.value)
            assert stands == pytest.approx(stock.target_error_mm, abs=1e-6)
            assert abs(stands) < 0.6 * THOU
            # A lighter press at the down stop, a freed button at the up stop: thicker, thinner; both higher.
            first = stock.checks[0].expected_mm.value
            assert first < stock.checks[1].expected_mm.value
            assert first == pytest.approx(stands, abs=40 * THOU)
        read = best.checks[0].expected_mm.value
        sign, way = ("+", "down") if read > 0 else (MINUS, "high")
        if abs(read) < 0.05 * THOU:
            sign, way = "", "on zero"
        assert f"{sign}{abs(read) / THOU:.1f} thou {way}" in words


@pytest.fixture(scope="module")
def quick(cut_fits):
    return [replace(f, response=None) for f in cut_fits if f.pad.material == "wool felt"]


@pytest.fixture
def judged(choose_for, cut_table, quick):
    """Choose, draw the page, check both; as padlab stands at that moment."""
    shop = {"sheets": [{"material": "wool felt", "lot": lot, "thickness": "300thou"} for lot in "12"]}

    def judge():
        table = cut_table(2)
        table["valve"][1]["up"] = dict(table["valve"][0]["up"], port_error="-2thou")
        choice = choose_for(table, shop, fits=quick)
        check_choice(choice, cut_list.cut_list_page(choice, made_on="a day"))

    return judge


def test_a_whole_choice_agrees_with_the_valve(judged):
    judged()


def check_all():
    for check in CHECKS:
        for side in SIDES:
            for error_mm in ERRORS:
                check(side, error_mm)


def test_the_rules_hold_where_nothing_is_turned():
    check_all()


def put_everywhere(monkeypatch, module, name, mutant):
    """In place of a function wherever padlab has imported it."""
    original = getattr(module, name)
    for where in [m for n, m in list(sys.modules.items()) if n.split(".")[0] == "padlab"]:
        for held, value in list(vars(where).items()):
            if value is original:
                monkeypatch.setattr(where, held, mutant)


def _turned_side(f):
    return lambda side, *a, **k: f("up" if side == "down" else "down", *a, **k)


def _turned_sign(f):
    return lambda *a, **k: -f(*a, **k)


def _turned_error(f):
    return lambda side, error_mm: f(side, -error_mm)


def _turned_words(f):
    swap = {"thicker": "thinner", "thinner": "thicker"}
    return lambda side, e: re.sub("thicker|thinner", lambda m: swap[m.group()], f(side, e))


def _turned_drawing(f):
    return lambda name, *, down_mm, up_mm, **k: f(
        name, down_mm=None if down_mm is None else -down_mm, up_mm=None if up_mm is None else -up_mm, **k)


def _swapped_stops(f):
    return lambda name, *, down_mm, up_mm, **k: f(name, down_mm=up_mm, up_mm=down_mm, **k)


def _turned_arrow(f):
    return lambda name, *, from_y, to_y, **k: f(name, from_y=to_y, to_y=from_y, **k)


def _turned_way(f):
    return lambda length_mm, *a: f(-length_mm, *a)


MUTANTS = [
    (cutting, "loaded_wanted_mm", _turned_side), (cutting, "net_force_n", _turned_side),
    (cutting, "expected_error_mm", _turned_side), (cutting, "expected_error_mm", _turned_sign),
    (instrument, "error_words", _turned_side), (instrument, "error_words", _turned_error),
    (instrument, "error_words", _turned_words), (valve_drawing, "valve_drawing", _turned_drawing),
    (valve_drawing, "valve_drawing", _swapped_stops), (valve_drawing, "_arrow", _turned_arrow),
    (valve_drawing, "signed", _turned_way), (cut_list, "way", _turned_way), (cut_list, "um", _turned_way),
    (cut_list, "reading", _turned_way),
]
NAMES = [f"{name}: {how.__name__.strip('_')}" for _, name, how in MUTANTS]


@pytest.mark.parametrize(("module", "name", "how"), MUTANTS, ids=NAMES)
def test_a_turned_sign_is_found_by_a_rule(monkeypatch, module, name, how):
    put_everywhere(monkeypatch, module, name, how(getattr(module, name)))
    with pytest.raises(AssertionError):
        check_all()


SEEN_ON_THE_PAGE = [m for m in MUTANTS if m[1] != "um"]


@pytest.mark.parametrize(("module", "name", "how"), SEEN_ON_THE_PAGE,
                         ids=[n for n in NAMES if not n.startswith("um")])
def test_a_turned_sign_is_found_on_the_page_too(monkeypatch, judged, module, name, how):
    put_everywhere(monkeypatch, module, name, how(getattr(module, name)))
    with pytest.raises(AssertionError):
        judged()
