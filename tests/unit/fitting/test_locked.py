"""Set and relaxation of records whose answer is known in closed form."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.signal import lfilter
from scipy.stats import binom

from padlab.fitting.locked import relaxation, rests, set_after_load
from padlab.fitting.prepared import Prepared, Stroke
from padlab.records.pad import F0_N
from padlab.signals.contact import ForceZero
from padlab.signals.cycles import Press

RATE_HZ = 50.0
ZERO = ForceZero(0.0, 0.004, 0.0, "idle", 0.0, False)


def made(pieces, strokes=(), noise_mm=0.0004):
    """A prepared run of pieces (force_n, position_mm), each (n,), one after the other."""
    force, position = (np.concatenate([p[k] for p in pieces]) for k in (0, 1))
    time = np.arange(force.size) / RATE_HZ
    return Prepared(time, force, position, ZERO, noise_mm, tuple(strokes), None)


def still(seconds, force_n, position_mm):
    n = round(seconds * RATE_HZ)
    return np.full(n, force_n), np.full(n, position_mm)


def kept(start, peak, stop, peak_n):
    return Stroke(Press(1, start, peak, stop, peak_n, None, 0, True), "kept", "", 1.0, 0.1)


def relaxing(seconds, lost, bent=0.0, at_n=8.0, drift_mm=0.0):
    """A locked press whose force falls by a parabola in log time, after an idle second and a ramp."""
    idle, ramp = np.zeros(50), np.linspace(0, at_n, 51)[1:]
    t = np.arange(1, round(seconds * RATE_HZ) + 1) / RATE_HZ
    s = np.log10(t)
    held = at_n * (1 - lost * s - bent * s**2)
    force = np.concatenate([idle, ramp, held, np.zeros(50)])
    position = np.concatenate([idle, ramp / 100, 0.08 + drift_mm * t / t[-1], np.zeros(50)])
    return force, position, kept(49, 99, 100 + held.size + 1, at_n)


class TestRelaxation:
    @pytest.mark.parametrize(("lost", "bent"), [(0.05, 0.0), (0.12, 0.0), (0.05, 0.01)])
    def test_a_parabola_in_log_time_comes_back(self, lost, bent):
        force, position, press = relaxing(60, lost, bent)
        found = relaxation(made([(force, position)], [press]))
        assert found["locked_at_n"] == 8.0
        assert found["reference_s"] == 1
        assert found["lasted_s"] == pytest.approx(60.0, abs=0.05)
        assert found["force_lost_1_to_10_s"]["value"] == pytest.approx(lost + bent, rel=2e-3)
        end = np.log10(59.5)
        assert found["force_lost_to_end"]["value"] == pytest.approx(lost * end + bent * end**2, rel=0.01)
        low, high = (found["force_lost_1_to_10_s"][k] for k in ("low", "high"))
        assert low < lost + bent < high
        assert high - low < 0.004                           # no noise was put in

    @pytest.mark.parametrize("goes_on", [0.0, 0.9, 0.99])
    def test_noise_widens_it_and_the_truth_stays_inside(self, goes_on):
        """Noise that goes on from reading to reading too, which tells less than its readings' number."""
        end, inside, widths = np.log10(59.5), [0, 0], []
        for seed in range(60):
            force, position, press = relaxing(60, 0.06)
            white = np.random.default_rng(seed).standard_normal(force.size)
            noise = 0.02 * lfilter([np.sqrt(1 - goes_on**2)], [1, -goes_on], white)
            found = relaxation(made([(force + noise, position)], [press]))
            early, late = found["force_lost_1_to_10_s"], found["force_lost_to_end"]
            inside[0] += early["low"] <= 0.06 <= early["high"]
            inside[1] += late["low"] <= 0.06 * end <= late["high"]
            widths.append(early["high"] - early["low"])
        assert min(inside) >= binom.ppf(1e-3, 60, 0.93)
        assert 0.0005 < np.median(widths) < 0.03

    def test_a_doubt_of_the_zero_is_a_share_of_the_loss(self):
        """Of 8 N at the peak 1 % is open: so is 1 % of a loss that is a share of it."""
        force, position, press = relaxing(60, 0.05)
        run = made([(force, position)], [press])
        wide = replace(run, zero=replace(ZERO, standard_uncertainty_n=0.08))
        low, high = (relaxation(wide)["force_lost_1_to_10_s"][k] for k in ("low", "high"))
        assert (high - low) / 2 == pytest.approx(1.96 * 0.01 * 0.05, rel=0.02)

    def test_the_lock_s_own_movement_is_told(self):
        force, position, press = relaxing(60, 0.05, drift_mm=0.006)
        found = relaxation(made([(force, position)], [press]))
        assert found["lock_moved_mm"] == pytest.approx(0.006, rel=0.05)

    def test_the_longest_locked_press_counts(self):
        short, long = relaxing(25, 0.20), relaxing(60, 0.05)
        p = long[2].press
        n = short[0].size
        later = kept(p.start + n, p.peak + n, p.stop + n, 8.0)
        for order in ([short[2], later], [later, short[2]]):
            found = relaxation(made([short[:2], long[:2]], order))
            assert found["force_lost_1_to_10_s"]["value"] == pytest.approx(0.05, rel=5e-3)

    def test_too_short_or_no_locked_press_is_none(self):
        force, position, press = relaxing(19, 0.05)
        assert relaxation(made([(force, position)], [press])) is None
        assert relaxation(made([(force, position)])) is None
        force, position, press = relaxing(21, 0.05)
        assert relaxation(made([(force, position)], [press])) is not None

    def test_it_ends_where_the_press_was_let_go(self):
        """Half a second of letting go is no relaxation."""
        force, position, press = relaxing(60, 0.05)
        let_go = 100 + round(50 * RATE_HZ)
        force[let_go:let_go + 200] = np.linspace(force[let_go], 0.3, 200)
        force[let_go + 200:press.press.stop] = 0.3
        found = relaxation(made([(force, position)], [press]))
        assert found["lasted_s"] == pytest.approx(50.0, abs=0.5)
        assert found["force_lost_1_to_10_s"]["value"] == pytest.approx(0.05, rel=5e-3)


class TestRests:
    def test_where_f0_stands_is_brought_there_by_the_touch_s_own_slope(self):
        n = round(8 * RATE_HZ)
        wander = 0.05 * np.sin(np.arange(n) / 40.0)
        force, position = F0_N + 0.03 + wander, 0.200 + 0.1 * (0.03 + wander)
        [(begin, end, at)] = rests(made([(force, position)]))
        assert (begin, end) == (0.0, pytest.approx(8.0, abs=0.03))
        assert at == pytest.approx(0.200, abs=1e-9)

    def test_only_the_last_five_seconds_are_read(self):
        early = still(5, F0_N, 0.150)
        late = still(5.1, F0_N, 0.200)
        [(_, _, at)] = rests(made([early, late]))
        assert at == pytest.approx(0.200, abs=1e-9)

    def test_a_short_touch_is_no_rest_and_a_break_parts_two(self):
        assert rests(made([still(4.9, F0_N, 0.2)])) == []
        assert rests(made([still(9, 0.0, 0.2)])) == []
        parted = rests(made([still(6, F0_N, 0.2), still(1, 3.0, 0.5), still(7, F0_N, 0.3)]))
        assert [round(at, 6) for _, _, at in parted] == [0.2, 0.3]
        joined = rests(made([still(6, F0_N, 0.2), still(0.4, 3.0, 0.5), still(7, F0_N, 0.3)]))
        assert len(joined) == 1


class TestSet:
    def squeezed(self, set_mm=0.030, second_mm=None):
        """Rest, a locked press of 0.4 mm over 0.2 mm for 30 s, rest (and one more later)."""
        pieces = [still(8, F0_N, 0.200), still(1, 20.0, 0.600), still(30, 18.0, 0.600),
                  still(10, F0_N, 0.200 + set_mm)]
        if second_mm is not None:
            pieces += [still(2, 0.0, 0.0), still(10, F0_N, 0.200 + second_mm)]
        start = 400
        return made(pieces, [kept(start - 1, start + 10, start + 31 * 50 + 1, 20.0)])

    def test_is_what_f0_moved_by(self):
        found, rows = set_after_load(self.squeezed(), 2.0)
        assert found.set_mm.value == pytest.approx(0.030, abs=1e-9)
        assert found.after_s == pytest.approx(10.0, abs=0.05)
        assert len(rows) == 1
        assert rows[0]["set_mm"]["value"] == pytest.approx(0.030, abs=1e-9)
        # ASTM D395 A on the pad as it stood, B on how far it was squeezed.
        assert found.set_percent.value == pytest.approx(100 * 0.030 / 2.0, rel=1e-9)
        assert rows[0]["set_percent_of_squeeze"]["value"] == pytest.approx(100 * 0.030 / 0.400, rel=1e-6)
        # Two readings of 2 um each (no stroke to learn from: four times the least of 0.5 um).
        assert found.set_mm.high - found.set_mm.value == pytest.approx(1.96 * np.sqrt(2) * 0.002, rel=1e-3)
        share = found.set_percent.high - found.set_percent.value
        assert share == pytest.approx(100 * 1.96 * np.sqrt(2) * 0.002 / 2.0, rel=1e-3)

    def test_the_last_rest_decides_and_each_is_told(self):
        found, rows = set_after_load(self.squeezed(0.030, 0.018), 2.0)
        assert found.set_mm.value == pytest.approx(0.018, abs=1e-9)
        assert [round(r["set_mm"]["value"], 6) for r in rows] == [0.030, 0.018]
        assert found.after_s == rows[-1]["after_s"] == pytest.approx(22.0, abs=0.1)
        assert rows[0]["after_s"] == pytest.approx(10.0, abs=0.1)

    def test_without_a_thickness_there_is_no_share_of_it(self):
        found, _ = set_after_load(self.squeezed(), None)
        assert found.set_percent is None
        assert found.set_mm.value == pytest.approx(0.030, abs=1e-9)

    def test_needs_a_load_and_a_rest_on_either_side(self):
        whole = self.squeezed()
        assert set_after_load(made([still(20, F0_N, 0.2)]), 2.0) is None
        press = kept(9, 20, 31 * 50 + 1, 20.0)
        after_only = made([still(1, 20.0, 0.6), still(30, 18.0, 0.6), still(10, F0_N, 0.23)], [press])
        assert set_after_load(after_only, 2.0) is None
        cut = 400 + 31 * 50
        before_only = Prepared(whole.time_s[:cut], whole.force_n[:cut], whole.position_mm[:cut], ZERO, 0.0004,
                               whole.strokes, None)
        assert set_after_load(before_only, 2.0) is None
