"""The cut list and its labels: everything stands on them, what is not known says so, names are text."""

from dataclasses import replace

import pytest

from padlab.decisions.cut_rows import NoCut, Refused
from padlab.marks import mark
from padlab.records.instrument import Lack
from padlab.records.shop import Shop
from padlab.report.cut_labels import labels_of, labels_page, write_labels
from padlab.report.cut_list import WATCHED, cut_list_page, force_words, working_order, write_cut_list
from padlab.statistics.quantity import Quantity

HOSTILE = ["<script>alert(1)</script>", "$x^$ and $\\frac{1}{0}$", "{{ 7 * 7 }}", "felt\x1b[31m\u202egnp",
           "W" * 200, "[/] [bold]", "</bdi></td><td>", "\u05d0\u05d1 1.5"]


def page(choice):
    return cut_list_page(choice, made_on="a day")


def changed(choice, **how):
    """The first valve of the choice with its recommended stocks changed."""
    return replace(choice, instrument=replace(choice.instrument, valves=choice.instrument.valves[:1]),
                   stops=tuple(replace(s, best=replace(s.best, **how)) for s in choice.stops[:2]), no_cut=())


@pytest.fixture(scope="module")
def made(cut_choice):
    return page(cut_choice)


@pytest.fixture(scope="module")
def read(made, page_of):
    return page_of(made)


@pytest.fixture(scope="module")
def by_formula(cut_fits):
    """The fits without their models: quicker."""
    return [replace(f, response=None) for f in cut_fits]


def renamed(choice, text):
    """Every name that comes from outside."""
    def candidate(c):
        sheet = None if c.sheet is None else replace(c.sheet, lot=text)
        return replace(c, material=text, lots=(text,), sheet=sheet,
                       marks=(*c.marks, mark("units_doubtful", text, text)))

    stops = tuple(replace(
        s, valve=text, stop=replace(s.stop, fitted=text, method=text), best=candidate(s.best),
        others=tuple(candidate(c) for c in s.others), tied=(text,), refused=(Refused(text, text),))
        for s in choice.stops[:1])
    valve = replace(choice.instrument.valves[0], name=text)
    return replace(choice, instrument=replace(choice.instrument, label=text, valves=(valve,)), touch=text,
                   stops=stops, no_cut=(NoCut(text + "2", "up", (Lack(text, text),)),))


class TestEverythingStandsOnIt:
    def test_the_same_choice_gives_the_same_bytes_but_for_the_date(self, cut_choice, made):
        assert made == cut_list_page(cut_choice, made_on="2026-07-04").replace("2026-07-04", "a day")
        assert labels_page(cut_choice, made_on="a day") == labels_page(cut_choice, made_on="a day")

    def test_it_stands_alone(self, read):
        assert not read.open
        assert "script" not in {tag for tag, _ in read.elements}
        assert all("src" not in a and "href" not in a for _, a in read.elements)
        ids = [a["id"] for _, a in read.elements if a.get("id")]
        assert len(ids) == len(set(ids))

    def test_one_line_a_stop_in_working_order(self, cut_choice):
        assert [(line.valve, line.side) for line in working_order(cut_choice)] == [
            (v, s) for v in "123" for s in ("down", "up")]

    def test_what_a_hand_with_a_knife_needs(self, cut_choice, read):
        words = read.words()
        for stop in cut_choice.stops:
            best = stop.best
            for told in (f"{best.cut_thou:g} thou", f"{best.cut_thou * 0.0254:.3f} mm", best.material,
                         f"go {best.go_thou:g} no-go {best.no_go_thou:g}", f"lot {best.sheet.lot}",
                         f"{best.gauge_mm.value / 0.0254:.1f}", f"{best.gauge_seated_mm.value:.3f} mm"):
                assert told in words, told
            check = best.checks[0].expected_mm
            for q in (check.value, check.low, check.high):
                assert f"{q / 0.0254:+z.1f}".replace("-", "\N{MINUS SIGN}").replace("+0.0", "0.0") in words
        for told in ("do NOT thin", "19 × 8 mm no punch", "0.5 N, 6 mm foot",
                     "eye protection", "three slow presses to 15 N", "press with 4 N (408 gf)",
                     "finger off", "no click of metal", "padlab fitted", "NO CUT",
                     "stops_on_pad : the piston stops on metal"):
            assert told in words, told

    def test_the_reasons_behind_it(self, cut_choice, read):
        words = read.words()
        for told in ("drift in play", "Springback loss", "A touch a quarter harder", "10 K warmer",
                     "47 in 100", "Marks", "Blades and punches", "not told apart" if any(
                         s.tied for s in cut_choice.stops) else "Stock"):
            assert told in words, told
        for stop in cut_choice.stops:
            for m in (*stop.marks, *stop.best.marks, *(m for c in stop.others for m in c.marks)):
                assert " ".join(m.message.replace(" um ", " µm ").split()) in words, m
        for banned in ("P95", "AICc", "secant", "tangent", "hysteresis"):
            assert banned not in words

    def test_what_a_hand_must_watch_is_on_the_first_sheet(self, made):
        first = made.split("<main>")[0]
        assert "the ports of this stop differ by 229 µm" in first
        assert "room before metal meets metal was not measured" in first

    def test_watched_codes_exist(self):
        assert [mark(code, "x").code for code in WATCHED] == list(WATCHED)

    def test_layers_and_shims_are_told(self, cut_choice, page_of):
        best = cut_choice.stops[0].best
        layered = changed(cut_choice, sheet=replace(best.sheet, layers=2, shims_mm=(0.0762, 0.127)))
        words = page_of(page(layered)).words()
        assert f"2 × {best.cut_thou / 2:g} thou" in words
        assert "shims 3 + 5 thou (0.20 mm)" in words
        assert "without the shims" in words

    def test_wear_is_told_with_and_without_the_added_share(self, cut_choice, page_of):
        worn = changed(cut_choice, drift_mm=Quantity(0.05, 0.04, 0.06), thinning_mm=Quantity(0.07),
                       drift_without_share_mm=Quantity(0.09), added_mm=0.035,
                       renew_years=Quantity(6.0, 4.0, 9.0), marks=(mark("extrapolated", "thinning"),))
        words = page_of(page(worn)).words()
        for told in ("50.0 µm (2.0 thou)", "not added: 90.0 µm (3.5 thou)",
                     "35.0 µm (1.4 thou) added extrapolated", "6 years", "4 to 9 years"):
            assert told in words, told


class TestWhatIsNotKnown:
    def test_everything_unknown_is_said_so(self, cut_choice, page_of):
        bare = changed(cut_choice, gauge_mm=None, gauge_seated_mm=None, go_thou=None, no_go_thou=None,
                       sheet=None, travel_to_metal_mm=None, play_band_mm=None, loss_fraction=None,
                       drift_play_mm=None, loaded_mm=Quantity(1.4), renew_years=None, marks=())
        def no_interval(best):
            return replace(best, checks=tuple(
                replace(c, expected_mm=Quantity(c.expected_mm.value)) for c in best.checks))

        bare = replace(
            bare, shop=Shop(),
            stops=tuple(replace(s, others=(), best=no_interval(s.best)) for s in bare.stops),
            stack={side: replace(told, felt_share_fitted=None) for side, told in bare.stack.items()})
        words = page_of(page(bare)).words()
        assert "ring 19 × 8 mm not determined finger off" in words
        assert "interval not determined" in words
        assert "no sheet on hand would serve" in words
        assert "Gauge reads (not described)" in words
        assert "down stop not determined, up stop not determined" in words
        assert "None" not in words
        assert "nan" not in words.split()
        assert labels_page(bare, made_on="a day").count("go / no-go: not determined") == 6

    def test_without_gauge_wear_or_room_for_real(self, choose_for, by_formula, page_of):
        words = page_of(page(choose_for(shop_table={}, fits=by_formula))).words()
        assert "Punches : none is listed in shop.toml" in words
        assert "write the shop gauge's foot into shop.toml" in words
        assert "None" not in words

    def test_one_lot_has_no_interval(self, choose_for, by_formula, page_of):
        one = choose_for(fits=[f for f in by_formula if f.pad.lot == "1"])
        assert one.stops[0].best.checks[0].expected_mm.low is None
        words = page_of(page(one)).words()
        assert "interval not determined" in words
        assert "one lot only" in words

    def test_a_stop_without_a_recommended_stock(self, choose_for, page_of, cut_table):
        table = cut_table(1)
        table["valve"][0]["down"]["metal_clearance"] = "0mm"
        table["valve"][0]["down"]["port_error"] = "-6thou"
        refused = choose_for(table)
        assert refused.stops[0].best is None
        assert len(refused.stops[0].refused) == 2
        words = page_of(page(refused)).words()
        assert "NO STOCK MAY BE RECOMMENDED" in words
        assert words.count("metal would meet metal") == 3
        assert "NO STOCK MAY BE RECOMMENDED : metal would meet metal" in words
        assert labels_of(refused) == []
        assert "No stop has a cut" in labels_page(refused, made_on="a day")

    def test_an_empty_shelf(self, choose_for, page_of):
        words = page_of(page(choose_for(fits=[]))).words()
        assert words.count("NO STOCK MAY BE RECOMMENDED : no run on file that could serve") == 5

    def test_a_stop_that_the_choice_forgot_still_has_its_line(self, cut_choice, page_of):
        less = replace(cut_choice, stops=cut_choice.stops[1:2], no_cut=())
        words = page_of(page(less)).words()
        assert words.count("NO CUT") == 5
        assert "nothing is known of this stop" in words


class TestNineValves:
    def test_no_line_is_lost(self, choose_for, cut_table, page_of, by_formula):
        nine = choose_for(cut_table(9), fits=by_formula)
        read = page_of(page(nine))
        rows = read.words().split("Found [thou]")[1].split("No cut: what is missing")[0]
        for n in range(1, 10):
            assert f"{n} down pressed" in rows
            assert f"{n} up at rest" in rows
        assert len([1 for tag, a in read.elements if str(a.get("id", "")).endswith("-down-arrow")]) == 9
        assert len(labels_of(nine)) == 3 * 17


class TestNamesFromOutside:
    @pytest.mark.parametrize("text", HOSTILE)
    def test_a_name_is_text(self, cut_choice, page_of, text):
        odd = renamed(cut_choice, text)
        for made in (page(odd), labels_page(odd, made_on="a day")):
            read = page_of(made)
            assert not read.open
            assert "script" not in {tag for tag, _ in read.elements}
            assert "\x1b" not in made
            assert "\u202e" not in made
            assert ">49<" not in made
        shown = text.replace("\x1b", "?").replace("\u202e", "?")
        assert shown in page_of(page(odd)).words(drawings=True)

    def test_two_valves_are_told_apart(self, choose_for, cut_table, page_of, by_formula):
        name = "the valve with a rather long name, no. "
        words = page_of(page(choose_for(cut_table(2, name=name + "{}"), fits=by_formula))).words()
        for n in (1, 2):
            assert f"{name}{n} down" in words


class TestLabels:
    def test_a_label_and_two_spares_a_stop(self, cut_choice):
        labels = labels_of(cut_choice)
        assert len(labels) == 15
        pad, thick, thin = labels[:3]
        best = cut_choice.stops[0].best
        assert (pad.cut, pad.spare) == (f"{best.cut_thou:g} thou", "")
        assert (thick.cut, thick.spare) == (f"{best.cut_thou + 2:g} thou", "SPARE +2 thou")
        assert (thin.cut, thin.spare) == (f"{best.cut_thou - 2:g} thou", "SPARE \N{MINUS SIGN}2 thou")
        assert pad.gauge == f"go {best.go_thou:g}, no-go {best.no_go_thou:g}"
        assert pad.stop == "valve 1, down stop"

    def test_the_gauge_of_a_spare_is_that_of_a_pad_so_cut(self, choose_for, cut_table, by_formula):
        """Against the real thing: a stop that asks for a pad 2 thou thicker."""
        shop = {"gauge_foot_force": "0.5N", "gauge_foot_diameter": "6mm",
                "sheets": [{"material": "wool felt", "lot": "1", "thickness": "200thou"}]}
        felts = [f for f in by_formula if f.pad.material == "wool felt"]
        table = cut_table(1)
        pad = choose_for(table, shop, fits=felts)
        label = labels_of(pad)[1]
        found = []
        for more in ("7thou", "7.25thou", "7.5thou", "7.75thou", "8thou"):
            table["valve"][0]["down"]["port_error"] = more
            best = choose_for(table, shop, fits=felts).stops[0].best
            if best.cut_thou == pad.stops[0].best.cut_thou + 2:
                found.append(best.go_thou)
        assert found
        assert abs(float(label.gauge.split()[1].rstrip(",")) - found[0]) <= 0.5

    def test_a_spare_thicker_than_the_sheet_says_so(self, cut_choice):
        best = cut_choice.stops[0].best
        exact = changed(cut_choice, sheet=replace(best.sheet, thickness_mm=best.cut_thou * 0.0254))
        cautions = [one.caution for one in labels_of(exact)[:3]]
        assert cautions == ["", "the sheet is too thin for it", ""]

    def test_they_are_written_whole(self, cut_choice, made, tmp_path):
        write_labels(cut_choice, tmp_path / "labels.html", made_on="a day")
        write_cut_list(cut_choice, tmp_path / "cut.html", made_on="a day")
        assert (tmp_path / "labels.html").read_text("utf-8") == labels_page(cut_choice, made_on="a day")
        assert (tmp_path / "cut.html").read_text("utf-8") == made
        assert len(list(tmp_path.iterdir())) == 2


@pytest.mark.parametrize(("force_n", "words"), [(0.5, "0.5 N (51 gf)"), (15, "15 N (1.53 kgf)"), (0, "0 N")])
def test_a_force_for_a_spring_balance(force_n, words):
    assert force_words(force_n) == words
