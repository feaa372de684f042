"""Cutting a pad and stacking parts, against worked numbers and closed forms.

Worked numbers: padlab's own, computed apart from this code (zero at F = 0, no sinking, as they were worked).
The limits of the parts between button and port are common practice, no source.
"""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from padlab.drift.cutting import (
    Behaviour,
    cut_mm,
    expected_error_mm,
    loaded_mm,
    loaded_wanted_mm,
    net_force_n,
    rounded_thou,
)
from padlab.errors import InputError
from padlab.fitting.laws.rubber import gripped_modulus
from padlab.records.pad import annulus_area_mm2
from padlab.statistics.stack import Part, drawn, root_sum_square, standard_deviation, worst_case
from padlab.units import MM_PER_THOU

TESTED_MM2 = annulus_area_mm2(outer_mm=19, inner_mm=8)


def felt(outer_mm=19.0, inner_mm=8.0, seat_mm=0.0):
    """Felt with C = 1.2 N on the tested face: strain 1 - (1 + F/C)^(-1/3) at equal pressure."""
    per_area = TESTED_MM2 / annulus_area_mm2(outer_mm=outer_mm, inner_mm=inner_mm)
    return Behaviour(lambda h, f: h * (1 - (1 + f * per_area / 1.2) ** (-1 / 3)), lambda h: seat_mm)


class TestCut:
    G, LOSS, SHARE = 1.40, 0.050, 0.5

    def test_felt_down_and_up(self):
        down = cut_mm(self.G, felt(), net_n=3.5, added_mm=self.SHARE * self.LOSS)
        up = cut_mm(self.G, felt(), net_n=2.0, added_mm=self.SHARE * self.LOSS)
        assert down == pytest.approx(2.246227, abs=5e-7)
        assert down / MM_PER_THOU == pytest.approx(88.434, abs=5e-4)
        assert up == pytest.approx(1.976080, abs=5e-7)

    def test_felt_on_a_smaller_face(self):
        cut = cut_mm(self.G, felt(15, 7), net_n=3.5, added_mm=self.SHARE * self.LOSS)
        assert cut / MM_PER_THOU == pytest.approx(101.500, abs=5e-4)

    def test_gripped_rubber_whose_modulus_hangs_on_its_thickness(self):
        from scipy.optimize import brentq

        def squeeze(h, force_n):
            # Young's modulus 2.2 MPa and material constant 0.73 of a 50 IRHD rubber, as in the worked number.
            third = gripped_modulus(2.2, outer_mm=19, inner_mm=8, thickness_mm=h, kappa=0.73) / 3
            return h * brentq(lambda e: third * TESTED_MM2 * ((1 - e) ** -2 - (1 - e)) - force_n, 0, 0.6)

        cut = cut_mm(self.G, Behaviour(squeeze), net_n=3.5, added_mm=self.SHARE * self.LOSS)
        assert cut == pytest.approx(1.427086, abs=5e-7)

    def test_half_thou_steps(self):
        cuts = [rounded_thou(t * MM_PER_THOU) for t in (88.434, 88.2, 88.24, 88.26)]
        assert cuts == [88.5, 88.0, 88.0, 88.5]


class TestCheckReading:
    """e = +6 thou at a fitted 52 thou; holding 2.6 N, face 18 x 9, medium touch, seats by 20 um."""

    PAD = felt(18, 9, seat_mm=0.020)
    WANTED = loaded_wanted_mm("down", fitted_loaded_mm=52 * MM_PER_THOU, port_error_mm=6 * MM_PER_THOU)

    def cut(self):
        net = net_force_n("down", button_n=6.0, holding_n=2.6)
        return cut_mm(self.WANTED, self.PAD, net_n=net, added_mm=0.025)

    def test_a_right_pad_reads_far_from_zero_at_a_light_press(self):
        assert self.WANTED / MM_PER_THOU == pytest.approx(58, abs=1e-9)
        cut = self.cut()
        assert cut / MM_PER_THOU == pytest.approx(98.409, abs=5e-4)
        for button_n, thou in ((4.0, -14.452), (6.0, -0.984)):
            found = expected_error_mm("down", self.WANTED, cut, self.PAD, button_n=button_n, holding_n=2.6)
            assert found / MM_PER_THOU == pytest.approx(thou, abs=5e-4)

    def test_not_yet_seated_it_stands_higher_by_the_seating(self):
        cut = self.cut()
        seated, fresh = (expected_error_mm("down", self.WANTED, cut, self.PAD, button_n=6.0, holding_n=2.6,
                                           seated=s) for s in (True, False))
        assert fresh - seated == pytest.approx(-0.020, abs=1e-12)


MM = st.floats(0.5, 3.0)
ERROR = st.floats(-0.3, 0.3)
FORCE = st.floats(0.5, 12.0)


class TestSigns:
    @given(side=st.sampled_from(["up", "down"]), fitted=MM, error=ERROR, force=FORCE)
    def test_a_pad_cut_for_an_error_takes_that_error_away(self, side, fitted, error, force):
        """With it in place of the old one the piston moves by what was wrong, the other way."""
        wanted = loaded_wanted_mm(side, fitted_loaded_mm=fitted, port_error_mm=error)
        pad = felt(18, 9)
        stands = loaded_mm(cut_mm(wanted, pad, net_n=force), pad, net_n=force)
        higher = stands - fitted                        # thicker by so much
        moved_down = -higher if side == "down" else higher
        assert error + moved_down == pytest.approx(0.0, abs=1e-8)

    @given(fitted=MM, error=ERROR)
    def test_the_two_stops_are_mirror_images(self, fitted, error):
        down = loaded_wanted_mm("down", fitted_loaded_mm=fitted, port_error_mm=error)
        assert loaded_wanted_mm("up", fitted_loaded_mm=fitted, port_error_mm=-error) == down

    @given(side=st.sampled_from(["up", "down"]), wanted=MM, added=st.floats(0.0, 0.1), force=FORCE)
    def test_what_was_added_for_wear_shows_at_the_usual_press(self, side, wanted, added, force):
        """A fresh down pad holds the piston too high (-), a fresh up pad too low (+), by w L."""
        pad, holding = felt(), 2.5
        button = holding + force if side == "down" else holding - min(force, holding)
        net = net_force_n(side, button_n=button, holding_n=holding)
        cut = cut_mm(wanted, pad, net_n=net, added_mm=added)
        found = expected_error_mm(side, wanted, cut, pad, button_n=button, holding_n=holding)
        assert found == pytest.approx(-added if side == "down" else added, abs=1e-8)

    def test_wear_shifts_each_stop_toward_its_own(self):
        for side, way in (("down", 1), ("up", -1)):
            wanted = loaded_wanted_mm(side, fitted_loaded_mm=1.3, port_error_mm=0.0)
            cut = cut_mm(wanted, felt(), net_n=3.5)
            worn = loaded_mm(cut, felt(), net_n=3.5, thinned_mm=0.05)
            down = (wanted - worn) if side == "down" else (worn - wanted)
            assert down == pytest.approx(way * 0.05, abs=1e-9)

    @pytest.mark.parametrize(("side", "button_n", "net"), [
        ("down", 6.0, 3.5), ("down", 2.0, 0.0), ("up", 0.0, 2.5), ("up", 1.0, 1.5), ("up", 4.0, 0.0)])
    def test_net_forces_at_the_button(self, side, button_n, net):
        assert net_force_n(side, button_n=button_n, holding_n=2.5) == net


class TestRefused:
    def test_no_room(self):
        with pytest.raises(InputError, match="no room"):
            cut_mm(-0.1, felt(), net_n=3.5)

    def test_squeezed_to_nothing(self):
        mush = Behaviour(lambda h, f: 0.999 * h)
        with pytest.raises(InputError, match="stiff enough"):
            cut_mm(1.4, mush, net_n=3.5)


SIX = [Part(n, t) for n, t in (("button", 3), ("down pad", 15), ("cap", 3), ("up pad", 15), ("stem", 3),
                               ("spring barrel", 3))]


class TestStack:
    def test_the_quoted_total_is_six_of_the_seven(self):
        assert worst_case(SIX) == 42
        assert root_sum_square(SIX) == pytest.approx(22.045, abs=5e-4)
        seven = [*SIX, Part("piston body", 3)]
        assert worst_case(seven) == 45
        assert root_sum_square(seven) == pytest.approx(22.249, abs=5e-4)

    def test_monte_carlo_is_the_closed_form(self):
        sums = drawn(SIX)
        assert standard_deviation(SIX) == pytest.approx(12.728, abs=5e-4)
        assert sums.std() == pytest.approx(12.728, rel=5e-3)
        assert np.quantile(np.abs(sums), 0.95) == pytest.approx(24.27, abs=0.15)
        assert np.mean(np.abs(sums) > 8) == pytest.approx(0.552, abs=0.004)
        normal = [Part(p.name, p.limit, "normal") for p in SIX]
        assert standard_deviation(normal) == pytest.approx(7.348, abs=5e-4)
        beyond = 2 * stats.norm.sf(8 / standard_deviation(normal))
        assert beyond == pytest.approx(0.2763, abs=5e-5)
        assert np.mean(np.abs(drawn(normal)) > 8) == pytest.approx(beyond, abs=0.004)

    def test_two_pads_of_one_sheet_stray_together(self):
        pads = [Part("down", 15), Part("up", 15)]
        for share in (0.0, 0.5, 1.0):
            sums = drawn(pads, alike=[(0, 1, share)])
            assert sums.std() == pytest.approx(15 / np.sqrt(3) * np.sqrt(2 + 2 * share), rel=0.01)
            assert np.abs(sums).max() <= 30
        with pytest.raises(ValueError, match="one shape"):
            drawn([Part("a", 1), Part("b", 1, "normal")], alike=[(0, 1, 0.5)])

    def test_two_uniform_parts_make_a_triangle(self):
        sums = drawn([Part("a", 1.0), Part("b", 1.0, centre=0.5)])
        fit = stats.kstest(sums[:20_000], stats.triang(0.5, loc=-1.5, scale=4.0).cdf)
        assert fit.pvalue > 1e-3
