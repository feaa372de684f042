"""What a choice recommends, refuses and says: stocks with known answers at one stop."""

from dataclasses import replace
from datetime import date

import numpy as np
import pytest

from padlab.decisions.choice import OnFile, choose
from padlab.decisions.instrument import (
    CHECK_DOUBT_MM,
    Done,
    check_verdict,
    corrected,
    cut_again,
    due,
    fitted_of,
)
from padlab.drift.touch import preset
from padlab.errors import InputError
from padlab.marks import mark
from padlab.records.fitted import write_fitted
from padlab.records.instrument import Instrument, Stop, Valve
from padlab.records.shop import GaugeFoot, Sheet, Shop

THOU = 0.0254
TOUCH = preset("medium")
LOTS = ("a", "b", "c")
FACTORS = (0.97, 1.0, 1.04, 1.1, 1.06, 1.13, 0.9, 0.93, 0.88)


@pytest.fixture
def stock(make_fit):
    """A stock of three lots of three pads: linear, ``k`` N/mm in the middle, pads and lots as FACTORS say."""

    def make(name="stiff", k=300.0, factors=FACTORS, thickness=1.6, lots=LOTS, **more):
        pads = [(lot, n) for lot in lots for n in (1, 2, 3)]
        return [
            make_fit(
                lambda f, c=c: c * (np.asarray(f) - 0.25) / k,
                run=f"{name}{lot}{n}",
                pad=f"p{n}",
                lot=lot,
                material=name,
                thickness=thickness,
                creep=0.0,
                to_n=30.0,
                **more,
            )
            for (lot, n), c in zip(pads, factors, strict=False)
        ]

    return make


def stop(side="down", **more):
    lines = dict(
        side=side,
        port_error_mm=0.0,
        read_at_n=4.0 if side == "down" else 0.0,
        holding_n=2.5 if side == "down" else 1.9,
        fitted="ring",
        fitted_thickness_mm=1.4,
        fitted_loaded_thickness_mm=None,
        outer_mm=19.0,
        inner_mm=8.0,
        loaded_outer_mm=19.0,
        loaded_inner_mm=8.0,
    )
    return Stop(**{**lines, **more})


def chosen(fits, *stops, shop=None, given=None, **head):
    one = Instrument("cornet", (Valve("1", stops or (stop(),), ()),), **head)
    return choose(one, TOUCH, shop or Shop(), OnFile(fits), given=given)


def only(choice):
    assert not choice.no_cut
    return choice.stops[0]


class TestWhich:
    def test_the_stock_that_drifts_least(self, stock):
        found = only(chosen([*stock("soft", 60.0), *stock("stiff", 300.0)]))
        assert found.best.material == "stiff"
        assert [c.material for c in found.others] == ["soft"]
        assert found.best.drift_play_mm.value < found.others[0].drift_play_mm.value
        assert found.tied == ()

    def test_alike_stocks_are_said_to_be(self, stock):
        found = only(chosen([*stock("one", 300.0), *stock("other", 297.0)]))
        assert len(found.tied) == 1

    def test_what_is_on_hand_comes_first(self, stock):
        shop = Shop(sheets=(Sheet("soft", "a", 3.0),))
        found = only(chosen([*stock("soft", 60.0), *stock("stiff", 300.0)], shop=shop))
        assert found.best.material == "soft"
        assert found.best.sheet.lot == "a"

    def test_data_marked_stop_are_never_recommended(self, stock):
        bad = [replace(f, marks=(mark("loop_reversed", f.run),)) for f in stock("stiff", 300.0)]
        found = only(chosen([*stock("soft", 60.0), *bad]))
        assert found.best.material == "soft"
        assert [(r.material, "clocks disagree" in r.reason) for r in found.refused] == [("stiff", True)]
        found = only(chosen(bad))
        assert found.best is None
        assert found.to_json(Shop())["material"] is None

    def test_not_pressed_hard_enough(self, make_fit):
        light = make_fit(lambda f: (f - 0.25) / 300, to_n=5.0, material="light", creep=0.0)
        found = only(chosen([light]))
        assert found.best is None
        assert "harder" in found.refused[0].reason or "tested to" in found.refused[0].reason

    def test_a_thickness_that_is_not_known(self, make_fit):
        found = only(chosen([make_fit(lambda f: (f - 0.25) / 300, thickness=None, creep=0.0)]))
        assert found.best is None
        assert "thickness" in found.refused[0].reason

    def test_metal_on_metal_is_refused(self, stock):
        """Ring 1.4 mm, 3 thou left: a soft pad uses more than that at 20 N, a stiff one does not."""
        fits = [*stock("soft", 60.0), *stock("stiff", 3000.0)]
        found = only(chosen(fits, stop(metal_clearance_mm=3 * THOU)))
        assert [r.material for r in found.refused] == ["soft"]
        assert "metal" in found.refused[0].reason
        travel = found.best.travel_to_metal_mm
        squeezed = (20 - 2.5 - 0.25) / 3000 - (3.5 - 0.25) / 3000
        assert travel.value == pytest.approx(3 * THOU - squeezed, abs=0.3 * THOU)
        assert "metal_unknown" in {m.code for m in only(chosen(fits)).best.marks}


class TestDoubt:
    def test_of_a_tested_lot_only_its_pads_scatter(self, stock):
        """By hand: loaded thickness of each pad at the cut, pooled scatter within lots, and the rest."""
        fits = stock()
        known = only(chosen(fits, shop=Shop(sheets=(Sheet("stiff", "b", 3.0),)))).best
        new = only(chosen(fits, shop=Shop(sheets=(Sheet("stiff", "z", 3.0),)))).best
        squeeze = np.array(FACTORS).reshape(3, 3) * 3.25 / 300 * known.cut_thou * THOU / 1.6
        assert known.loaded_mm.value == pytest.approx(known.cut_thou * THOU - squeeze[1].mean(), abs=1e-4)
        assert new.loaded_mm.value == pytest.approx(new.cut_thou * THOU - squeeze.mean(), abs=1e-4)
        assert known.loaded_mm.half_width > 1.96 * THOU  # the reading alone
        assert new.loaded_mm.half_width > known.loaded_mm.half_width
        assert "lot_not_tested" in {m.code for m in new.marks}

    def test_one_lot_tells_nothing_of_another(self, stock):
        found = only(chosen(stock(lots=("a",)))).best
        assert found.loaded_mm.low is None
        assert found.checks[0].expected_mm.high is None
        assert "one_lot" in {m.code for m in found.marks}
        here = only(chosen(stock(lots=("a",)), shop=Shop(sheets=(Sheet("stiff", "a", 3.0),)))).best
        assert here.loaded_mm.low is not None  # a pad of that very lot

    def test_a_worse_reading_widens_it(self, stock):
        fits = stock()
        fine, rough = (
            only(chosen(fits, stop(port_error_uncertainty_mm=u))).best.loaded_mm.half_width
            for u in (0.1 * THOU, 3 * THOU)
        )
        assert fine < 1.3 * THOU < 5 * THOU < rough

    def test_shared_errors_of_the_rig_do_not_average_down(self, stock):
        plain = only(chosen(stock(), stop(port_error_uncertainty_mm=1e-4))).best.loaded_mm.half_width
        off = only(chosen(stock(rig={"force scale": 0.2}), stop(port_error_uncertainty_mm=1e-4))).best
        squeeze = 3.25 / 300
        assert off.loaded_mm.half_width >= max(plain, 1.5 * 0.2 * squeeze)


class TestFitted:
    def test_a_stock_in_place_of_a_ring(self, stock):
        """A felt under a gauge that presses the whole pad with 2 N, then read at 4 N: 1.5 N net."""
        shop = Shop(GaugeFoot(2.0, None))
        found = only(
            chosen(stock(factors=(1.0,) * 9), stop(fitted="stiff", fitted_thickness_mm=1.5), shop=shop)
        )
        fresh = 1.5 / (1 - 1.75 / 300 / 1.6)
        stood = fresh * (1 - 1.25 / 300 / 1.6)
        assert found.wanted_mm == pytest.approx(stood, abs=1e-5)
        assert "fitted_aged" in {m.code for m in found.marks}

    @pytest.mark.parametrize(
        ("fitted", "shop", "words"),
        [("no such stock", Shop(GaugeFoot(0.5, 6.0)), "setting ring"), ("stiff", Shop(), "shop.toml")],
    )
    def test_what_cannot_be_converted_gets_no_cut(self, stock, fitted, shop, words):
        found = chosen(stock(), stop(fitted=fitted), shop=shop)
        assert found.stops == ()
        assert words in found.no_cut[0].missing[0].remedy

    def test_no_room(self, stock):
        found = chosen(stock(), stop(port_error_mm=-1.4))
        assert "sign" in found.no_cut[0].missing[0].remedy

    def test_a_piston_that_the_touch_does_not_move(self, stock):
        found = chosen(stock(), stop(holding_n=7.0, read_at_n=9.0))
        assert found.no_cut[0].missing[0].key == "valve.1.down.holding_force"


class TestKept:
    def test_what_choose_says_is_what_is_kept(self, stock, tmp_path):
        choice = chosen(stock(), stop(), stop("up"), service_years=8.0)
        kept = fitted_of(
            choice, TOUCH, Done({}, {}, {}, {("1", "down"): 0.0}), on=date(2026, 11, 29), shelf="s"
        )
        best = choice.stops[0].best
        down = kept.stops[0]
        assert (down.cut_mm, down.material) == (best.cut_thou * THOU, "stiff")
        assert down.check_expected_mm.value == best.checks[0].expected_mm.value
        assert [check_verdict(s)[0] for s in kept.stops] == ["right", "not read"]
        rows = due([(tmp_path / "c.fitted-2026-11-29.json", kept)])
        assert [(r.on, {m.code for m in r.marks}) for r in rows] == [
            (None, {"no_wear_data"}),
            (None, {"no_wear_data", "check_not_read"}),
        ]

    def test_cut_otherwise_moves_what_is_expected(self, stock):
        choice = chosen(stock(), stop(), stop("up"))
        plain, thick = (
            fitted_of(choice, TOUCH, Done({}, cut, {}, {}), on=date(2026, 11, 29), shelf="s")
            for cut in ({}, {(s.valve, s.side): s.best.cut_thou * THOU + 0.1 for s in choice.stops})
        )
        down, up = (
            t.check_expected_mm.value - p.check_expected_mm.value
            for t, p in zip(thick.stops, plain.stops, strict=True)
        )
        assert down == pytest.approx(-0.1, rel=0.02)  # thicker: held higher when pressed
        assert up == pytest.approx(0.1, rel=0.02)  # and lower at rest

    def test_what_was_not_offered_is_refused(self, stock):
        choice = chosen(stock())
        for done in (
            Done({("1", "down"): "gold"}, {}, {}, {}),
            Done({}, {}, {}, {("9", "up"): 0.0}),
            Done({}, {}, {}, {}, frozenset({("1", "down")})),
        ):
            with pytest.raises(InputError):
                fitted_of(choice, TOUCH, done, on=date(2026, 11, 29), shelf="s")

    @pytest.mark.parametrize("side", ["down", "up"])
    def test_the_check_corrects_what_is_wanted(self, stock, side):
        """Many instruments drawn: reading, pad and check each off by their own; the corrected is nearer."""
        choice = chosen(stock(), stop(side))
        kept = fitted_of(choice, TOUCH, Done({}, {}, {}, {}), on=date(2026, 11, 29), shelf="s").stops[0]
        half = (kept.check_expected_mm.high - kept.check_expected_mm.low) / 2
        pad_u = np.sqrt((half / 1.96) ** 2 - kept.wanted_u_mm**2)
        rng = np.random.default_rng(5)
        off, claimed = (
            [],
            corrected(kept.model_copy(update={"check_found_mm": kept.check_expected_mm.value})).u_mm,
        )
        for _ in range(3000):
            truly = kept.wanted_mm + kept.wanted_u_mm * rng.standard_normal()
            pad = pad_u * rng.standard_normal()
            moved = (truly - kept.wanted_mm) - pad
            found = kept.check_expected_mm.value + (moved if side == "down" else -moved)
            found += CHECK_DOUBT_MM * rng.standard_normal()
            off.append(corrected(kept.model_copy(update={"check_found_mm": float(found)})).loaded_mm - truly)
        assert np.std(off) == pytest.approx(claimed, rel=0.05)
        assert np.std(off) < 0.85 * kept.wanted_u_mm
        assert abs(np.mean(off)) < 0.05 * kept.wanted_u_mm

    @pytest.mark.parametrize("side", ["down", "up"])
    def test_outside_says_do_not_thin(self, stock, side):
        choice = chosen(stock(), stop(side))
        kept = fitted_of(
            choice, TOUCH, Done({}, {}, {}, {("1", side): 0.3}), on=date(2026, 11, 29), shelf="s"
        )
        verdict, what = check_verdict(kept.stops[0])
        assert verdict == "outside"
        assert "Do not thin" in what
        assert "too far down" in what
        assert "check_outside" in {m.code for m in corrected(kept.stops[0]).marks}
        assert "unit" not in what

    def test_a_check_in_mm_for_thou_asks_for_its_unit_first(self, stock):
        choice = chosen(stock(), stop("down"))
        kept = fitted_of(
            choice, TOUCH, Done({}, {}, {}, {("1", "down"): -1.0}), on=date(2026, 11, 29), shelf="s"
        )
        what = check_verdict(kept.stops[0])[1]
        assert what.index("Look at the unit of the reading first.") < what.index("Do not thin")

    def test_not_seated_is_read_as_such(self, stock):
        from padlab.fitting.results import FirstPress

        force = np.geomspace(0.25, 20, 30)
        press = FirstPress(force, (force - 0.25) / 250, 0.2, 1e-3)
        choice = chosen([replace(f, first_press=press) for f in stock()], stop())
        check = choice.stops[0].best.checks[0]
        assert check.fresh_mm - check.expected_mm.value < -0.15
        read = {("1", "down"): check.fresh_mm}
        fresh, seated = (
            fitted_of(
                choice, TOUCH, Done({}, {}, {}, read, is_seated=s), on=date(2026, 11, 29), shelf="s"
            ).stops[0]
            for s in (False, True)
        )
        assert check_verdict(fresh)[0] == "right"
        assert check_verdict(seated)[0] == "outside"

    def test_round_trip_with_another_lot(self, stock, tmp_path):
        """Fitted from lot a, cut again from a softer lot on the shelf: the loaded pad stands in its band."""
        fits = stock()
        first = chosen(fits, stop(), stop("up"), shop=Shop(sheets=(Sheet("stiff", "a", 3.0),)))
        kept = fitted_of(first, TOUCH, Done({}, {}, {}, {}), on=date(2026, 11, 29), shelf="s")
        path = write_fitted(kept, tmp_path / "cornet.toml")
        soft = stock(factors=[1.5 * c for c in FACTORS], lots=("n", "o", "p"))
        instrument, touch, given = cut_again(kept)
        again = choose(instrument, touch, Shop(sheets=(Sheet("stiff", "o", 3.0),)), OnFile(soft), given=given)
        assert path.exists()
        assert touch == TOUCH
        for before, after in zip(first.stops, again.stops, strict=True):
            assert after.best.sheet.lot == "o"
            assert after.is_given
            assert after.best.cut_thou >= before.best.cut_thou  # softer: cut no thinner
            assert after.best.loaded_mm.low <= before.wanted_mm <= after.best.loaded_mm.high
            net = after.best.net_n
            stands = after.best.cut_thou * THOU * (1 - 1.5 * np.mean(FACTORS[3:6]) * (net - 0.25) / 300 / 1.6)
            assert after.best.loaded_mm.low <= stands <= after.best.loaded_mm.high
            assert stands == pytest.approx(before.wanted_mm, abs=0.26 * THOU)
