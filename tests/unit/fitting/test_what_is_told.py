"""What a fit tells beside its numbers: gaps of limbs, doubts of energies, marks, a stranger's verdict."""

import os
import signal
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import numpy as np
import pytest

from padlab.calibration.frame import frame_of
from padlab.capture.virtual.simulate import simulate
from padlab.errors import FitError
from padlab.fitting.many import AHEAD, Asked, crew, fit_many
from padlab.fitting.prepared import prepare
from padlab.fitting.response import SHAPE_TO, Drive, ResponseModel
from padlab.fitting.run_fit import fit_run
from padlab.fitting.stranger import allowed_mm, stranger
from padlab.marks import mark
from padlab.records.pad import F0_N


@pytest.fixture(scope="module")
def felt():
    return simulate("wool felt", lot=2, pad=1, seed=8_900)


@pytest.fixture(scope="module")
def felt_fit(felt):
    return fit_run(felt.run, at_forces_n=(0.5, 3.5, 8.0, 12.5, 40.0))


def codes(fit):
    return {m.code for m in fit.marks}


class TestNumbers:
    def test_half_the_gap_of_the_limbs(self, felt_fit):
        rows = {row["force_n"]: row["value"] for row in felt_fit.json["compression"]["limb_half_gap_mm"]}
        assert rows[40.0] is None                                   # harder than the run went
        curves = felt_fit.curves
        for force_n in (0.5, 3.5, 8.0, 12.5):
            expected = float(np.interp(force_n, curves.force_n, curves.half_gap_mm))
            assert rows[force_n] == pytest.approx(expected, abs=1e-4)
            assert rows[force_n] > 0.005                            # felt: the limbs stand far apart

    def test_give_goes_from_the_first_force_asked_for_to_the_last(self, felt):
        wide = fit_run(felt.run, at_forces_n=(0.5, 3.5, 12.5)).json["compression"]["give_mm"]["value"]
        plain = fit_run(felt.run).json["compression"]["give_mm"]["value"]
        narrow = fit_run(felt.run, at_forces_n=(0.5, 3.5)).json["compression"]["give_mm"]["value"]
        assert wide == pytest.approx(plain, rel=1e-9)               # 0.5 to 12.5 N is what is told unasked
        assert narrow < 0.8 * wide

    def test_the_energy_lost_is_doubted_by_the_rig_s_scales_not_by_their_size(self, felt, felt_fit):
        q = felt_fit.json["hysteresis"]["loss_mj"]
        half = (q["high"] - q["low"]) / 2 / q["value"]
        rig = felt.run.rig
        scales = [rig.channel(c).scale_uncertainty for c in ("force", "displacement")]
        assert 1.96 * np.hypot(*scales) < half < 0.10

    def test_what_was_asked_beyond_the_run_is_said(self, felt, felt_fit):
        about = {m.about for m in felt_fit.marks if m.code == "beyond_this_run"}
        assert about == {"40 N"}
        top = felt_fit.json["good_to_n"]
        at_the_top = fit_run(felt.run, at_forces_n=(0.5, float(felt_fit.curves.force_n[-1])))
        assert "beyond_this_run" not in codes(at_the_top)
        assert top < 40


class TestMarks:
    def test_a_run_set_aside_says_so(self, felt):
        fit = fit_run(replace(felt.run, set_aside="the wrong pad"))
        [told] = [m for m in fit.marks if m.code == "set_aside"]
        assert told.message == "set aside: the wrong pad"
        assert "set_aside" not in codes(fit_run(felt.run))

    def test_a_gap_is_told_once(self, felt):
        gaps = ({"from_s": 1.0, "to_s": 2.0, "reason": "unplugged"},)
        once = fit_run(replace(felt.run, gaps=gaps, marks=(mark("gap", "main"), mark("bad_lines", "main"))))
        assert [m.about for m in once.marks if m.code == "gap"] == ["main"]
        unsaid = fit_run(replace(felt.run, gaps=gaps, marks=(mark("bad_lines", "main"),)))
        assert [m.about for m in unsaid.marks if m.code == "gap"] == ["run"]

    def test_a_loop_that_gives_back_more_than_was_put_in(self, felt):
        """The limbs changed places, as with two clocks that disagree."""
        samples = felt.run.samples
        late = np.roll(samples["displacement_mm"].to_numpy(), -25)
        late[-25:] = late[-26]
        fit = fit_run(replace(felt.run, _samples=samples.assign(displacement_mm=late)))
        assert "loop_reversed" in codes(fit)


class TestDrive:
    GRID, VALUE = (0.25, 2.0, 8.0, 16.0), (0.0, 0.4, 0.8, 1.0)

    def test_goes_on_straight_over_log_force_at_both_ends(self):
        drive = Drive(self.GRID, self.VALUE)
        u = np.log(np.array(self.GRID) + F0_N)
        first, last = 0.4 / (u[1] - u[0]), 0.2 / (u[3] - u[2])
        for force, expected in ((0.1, first * (np.log(0.1 + F0_N) - u[0])),
                                (30.0, 1.0 + last * (np.log(30.0 + F0_N) - u[3])), (2.0, 0.4), (16.0, 1.0)):
            assert drive(np.array([force]))[0] == pytest.approx(expected, abs=1e-12)
        assert drive(np.array([-5.0]))[0] == drive(np.array([0.0]))[0]         # under zero is air

    def test_a_power_is_of_what_stands_over_rest(self):
        plain, bent = Drive(self.GRID, self.VALUE), Drive(self.GRID, self.VALUE, power=2.0)
        rest = plain(np.zeros(1))[0]
        force = np.array([0.0, 1.0, 5.0, 16.0])
        assert bent(force) == pytest.approx(((plain(force) - rest) / (1 - rest)) ** 2, abs=1e-12)
        assert bent(force)[0] == 0.0
        assert bent(force)[-1] == pytest.approx(1.0)

    def test_a_loop_part_goes_on_straight_beyond_what_was_fitted(self):
        model = ResponseModel.of_parts(top_n=18.0, reach=[0.0, 0.1], slopes_mm=[0.1, 0.3])
        end = np.array([[SHAPE_TO - 1e-4], [SHAPE_TO], [SHAPE_TO + 0.5], [SHAPE_TO + 1.0]]) * np.ones(2)
        below, at, half, whole = model.shapes(end)
        slope = (at - below) / 1e-4
        assert half - at == pytest.approx(0.5 * slope, rel=1e-3)
        assert whole - at == pytest.approx(slope, rel=1e-3)
        assert slope > 0


class Counting(ThreadPoolExecutor):
    """A real pool that tells how many runs were handed to it."""

    handed = 0

    def submit(self, *args, **kwargs):
        self.handed += 1
        return super().submit(*args, **kwargs)


class TestMany:
    def test_a_few_are_under_way_and_no_more(self, tmp_path):
        folders = [tmp_path / str(k) for k in range(40)]               # no runs: each is a fault at once
        with Counting(2) as pool:
            answers = fit_many(folders, Asked(), pool, workers=2)
            seen = []
            for _ in range(5):
                next(answers)
                seen.append(pool.handed)
            assert seen == [AHEAD * 2 + k for k in range(5)]           # one more for each answer
            assert len(list(answers)) == 35
        assert pool.handed == 40

    @pytest.mark.skipif(not hasattr(signal, "pthread_sigmask"), reason="this system blocks no signals")
    def test_this_process_hears_a_stop_afterwards(self, tmp_path):
        with crew(workers=1) as them:
            list(fit_many([tmp_path], Asked(), them.executor, workers=1))
            assert signal.SIGINT not in signal.pthread_sigmask(signal.SIG_BLOCK, set())

    def test_what_a_person_set_for_linear_algebra_stays(self, tmp_path, monkeypatch):
        monkeypatch.setenv("OMP_NUM_THREADS", "3")
        monkeypatch.delenv("MKL_NUM_THREADS", raising=False)
        with crew(workers=2) as them:
            list(fit_many([tmp_path], Asked(), them.executor, workers=2))
        assert os.environ["OMP_NUM_THREADS"] == "3"
        assert "MKL_NUM_THREADS" not in os.environ


@pytest.fixture(scope="module")
def heard():
    """A pad whose physics is the model itself: eight strokes, then playing; the dial's zero elsewhere."""
    model = ResponseModel.of_parts(top_n=15.0, reach=[0.0, 0.1], slopes_mm=[0.2, 0.3], lags_mm=[0.02],
                                   tau_s=[1.0])
    turns, time = [0.0], [0.0]
    for peak in [12.0] * 8 + [4.0, 7.0, 3.0, 9.0, 5.0] * 8:
        turns += [0.0, peak, 0.0]
        time += [time[-1] + 1.0, time[-1] + 2.5, time[-1] + 4.0]
    at = np.arange(0, time[-1], 0.02)
    force = np.interp(at, time, turns)
    run = simulate("wool felt", seed=8_901).run
    position = model.start("worked in").replay(at, force).displacement_mm + 0.123
    rng = np.random.default_rng(4)
    samples = run.samples.iloc[:0].reindex(range(at.size)).assign(
        time_s=at, force_n=force + 0.001 * rng.standard_normal(at.size),
        displacement_mm=position + 0.0003 * rng.standard_normal(at.size))
    return model, prepare(replace(run, _samples=samples, steps=()), frame_of(run)), 32.0


class TestStranger:
    def test_a_true_model_is_off_by_the_noise_wherever_the_dial_s_zero_is(self, heard):
        model, prepared, began = heard
        seen = stranger(model, prepared, played_from_s=began)
        assert seen.rms_mm == pytest.approx(0.0003, rel=0.5)
        assert seen.is_predicted
        assert seen.static_rms_mm > 5 * seen.rms_mm                   # no curve of force alone can follow it
        assert seen.outside_share == 0.0
        assert seen.away_mm.size == int(((prepared.force_n >= F0_N) & (prepared.time_s > began)).sum())
        position = prepared.position_mm[(prepared.force_n >= F0_N) & (prepared.time_s > began)]
        assert seen.range_mm == pytest.approx(float(np.ptp(position)))

    def test_a_wrong_model_is_found_out(self, heard):
        model, prepared, began = heard
        stiff = ResponseModel.of_parts(top_n=15.0, reach=[0.0, 0.1], slopes_mm=[0.1, 0.2])
        seen = stranger(stiff, prepared, played_from_s=began)
        assert not seen.is_predicted
        assert seen.rms_mm > 20 * stranger(model, prepared, played_from_s=began).rms_mm

    def test_what_was_played_begins_with_the_first_press_that_is_no_full_stroke(self, heard):
        model, prepared, _ = heard
        by_itself = stranger(model, prepared)
        first = next(s for s in prepared.strokes if s.role in ("small", "hold", "played"))
        told = stranger(model, prepared, played_from_s=float(prepared.time_s[first.press.start]))
        assert by_itself.away_mm.tolist() == told.away_mm.tolist()

    def test_nothing_played_or_no_steady_stroke(self, heard):
        model, prepared, _ = heard
        for from_s in (float(prepared.time_s[-1]), 10.0):             # two strokes: they only work in
            with pytest.raises(FitError, match="nothing to hold"):
                stranger(model, prepared, played_from_s=from_s)

    def test_what_is_allowed(self):
        assert allowed_mm(0.5) == pytest.approx(0.02)
        assert allowed_mm(0.01) == 0.003
