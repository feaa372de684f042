"""What is drawn of a run is what was recorded and fitted: checked against the record itself."""

from dataclasses import replace

import numpy as np
import pytest

from padlab.calibration.frame import frame_of
from padlab.capture.virtual.simulate import simulate
from padlab.fitting.drawing import _spectrum as spectrum_of
from padlab.fitting.hysteresis import stroke_work_mj
from padlab.fitting.prepared import prepare
from padlab.fitting.run_fit import fit_run
from padlab.fitting.spectrum import retardation_spectrum
from padlab.fitting.stranger import stranger
from padlab.records.pad import F0_N


@pytest.fixture(scope="module")
def felt():
    run = simulate("wool felt", lot=1, pad=2, seed=8_902).run
    return fit_run(run, drawn=True, replayed=True), prepare(run, frame_of(run))


def test_loops_are_the_recorded_readings_moved_by_a_constant(felt):
    fit, prepared = felt
    used = [s for s in prepared.strokes if s.role == "recorded"]
    assert [loop.cycle for loop in fit.drawing.loops] == [s.press.number for s in used]
    for loop, stroke in zip(fit.drawing.loops, used, strict=True):
        p = stroke.press
        assert loop.force_n.max() == prepared.force_n[p.start:p.stop].max() == prepared.force_n[p.peak]
        assert loop.force_n[0] == prepared.force_n[p.start]
        assert loop.force_n[-1] == prepared.force_n[p.stop - 1]
        assert 60 < loop.force_n.size <= 2 * 48 + 1
        # One constant, the same for every point.
        top = int(np.argmax(loop.force_n))
        force, position = prepared.force_n[p.start:p.stop], prepared.position_mm[p.start:p.stop]
        away = prepared.position_mm[p.peak] - loop.position_mm[top]
        for f, x in zip(loop.force_n, loop.position_mm, strict=True):
            assert np.abs(position[force == f] - away - x).min() < 1e-9
        # It puts the middle of the loading limb's readings on the curve.
        rise = p.peak - p.start + 1
        up = force[:rise] >= F0_N
        u, grid = np.log(force[:rise][up] + F0_N), np.log(fit.curves.force_n + F0_N)
        on = np.interp(u, grid, fit.drawing.loading_mm)
        assert np.median(position[:rise][up] - away - on) == pytest.approx(0.0, abs=1e-9)


def test_points_of_a_loop_are_even_along_the_force(felt):
    steps = np.abs(np.diff(felt[0].drawing.loops[0].force_n))
    assert steps.max() < 4 * 18.0 / 47


def test_working_in_shows_every_full_press(felt):
    fit, prepared = felt
    full = [s for s in prepared.strokes if s.role in ("working-in", "recorded")]
    told = fit.drawing.worked_in
    assert told.role == tuple(s.role for s in full)
    for k, s in enumerate(full):
        rise = prepared.position_mm[s.press.peak] - prepared.position_mm[s.press.start]
        assert told.peak_mm[k] == pytest.approx(rise, abs=1e-12)
        put_in, given = stroke_work_mj(prepared, s)
        assert told.lost_mj[k] == pytest.approx(put_in - given, rel=1e-12)
        assert 0 < told.lost_mj[k] < put_in


def test_stiffness_band_is_the_fit_s_own_interval(felt):
    fit, _ = felt
    drawing = fit.drawing
    for row in fit.json["compression"]["tangent_stiffness_n_per_mm"]:
        for column, key in enumerate(("value", "low", "high")):
            drawn = np.interp(row["force_n"], drawing.stiffness_force_n, drawing.stiffness[:, column])
            assert drawn == pytest.approx(row[key], rel=0.02)
    assert drawing.stiffness_force_n[[0, -1]].tolist() == fit.curves.force_n[[0, -1]].tolist()


def test_what_the_law_leaves_and_its_running_mean(felt):
    left = felt[0].drawing.left
    assert left.law == felt[0].json["compression"]["law"]
    assert np.abs(left.residual_mm).max() < 0.02
    width = left.force_n.size - left.smooth_mm.size + 1
    assert 1 < width <= left.force_n.size // 5
    for at in (0, left.smooth_mm.size // 2, left.smooth_mm.size - 1):
        assert left.smooth_mm[at] == pytest.approx(left.residual_mm[at:at + width].mean(), abs=1e-12)
        assert left.smooth_force_n[at] == pytest.approx(left.force_n[at:at + width].mean(), rel=1e-12)


class TestSpectrum:
    def creep(self, felt, t, x, ramp_s=0.5):
        return replace(felt[0].creep, curve_t_s=t, curve_measured_mm=x, ramp_s=ramp_s)

    def kelvin(self, noise_mm, points=48):
        t = np.geomspace(0.5, 60.0, points)
        x = 0.2 + 0.02 * (1 - np.exp(-t / 1.0)) + 0.03 * (1 - np.exp(-t / 12.0))
        return t, x + noise_mm * np.random.default_rng(5).standard_normal(points)

    def test_noise_is_that_of_the_hold_itself(self, felt):
        t, x = self.kelvin(0.0004)
        found, known = spectrum_of(self.creep(felt, t, x))
        design = np.vander(np.log10(t), 4)
        left = x - design @ np.linalg.lstsq(design, x, rcond=None)[0]
        same = retardation_spectrum(t, x, noise_mm=float(np.sqrt(left @ left / (t.size - 4))))
        assert found.part_mm.tolist() == same.part_mm.tolist()
        assert found.penalty == same.penalty
        assert known == (max(same.known_s[0], 0.5), same.known_s[1])

    def test_what_came_while_the_force_came_on_is_not_known(self, felt):
        t, x = self.kelvin(0.0002)
        _, known = spectrum_of(self.creep(felt, t, x, ramp_s=8.0))
        assert known[0] == 8.0
        assert spectrum_of(self.creep(felt, t, x, ramp_s=1e4)) == (None, None)

    def test_nothing_held_or_too_few_points(self, felt):
        assert spectrum_of(None) == (None, None)
        t, x = self.kelvin(0.0002)
        assert spectrum_of(self.creep(felt, None, x)) == (None, None)
        assert spectrum_of(self.creep(felt, t[:11], x[:11])) == (None, None)
        t, x = self.kelvin(0.0002, points=12)
        assert spectrum_of(self.creep(felt, t, x))[0] is not None


def test_the_share_in_the_band_is_counted(felt):
    fit, prepared = felt
    first = next(s for s in prepared.strokes if s.role in ("small", "hold"))
    began = float(prepared.time_s[first.press.start])
    seen = stranger(fit.response, prepared, played_from_s=began)
    replay = fit.response.start("worked in").replay(prepared.time_s, prepared.force_n)
    played = (prepared.force_n >= F0_N) & (prepared.time_s > began)
    half = ((replay.high_mm - replay.low_mm) / 2)[played]
    assert seen.in_band_share == np.mean(np.abs(seen.away_mm) <= half)
    assert 0.5 < seen.in_band_share <= 1.0
    assert seen.band_mm == pytest.approx(2 * np.median(half))
