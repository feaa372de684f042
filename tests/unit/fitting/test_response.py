"""The response model itself: closed forms, a second integrator, the fit's character, what is refused."""

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padlab.calibration.frame import frame_of
from padlab.capture.virtual.simulate import simulate
from padlab.errors import FitError, InputError, RunError
from padlab.fitting.landmarks import at_force
from padlab.fitting.prepared import prepare
from padlab.fitting.response import BLOCK, TREMBLE, ResponseModel, shape_knots
from padlab.fitting.response_fit import fit_response, held_back_pieces
from padlab.fitting.run_fit import fit_run
from padlab.records.pad import F0_N


@pytest.fixture(scope="module")
def felt():
    """A fitted run of a virtual pad: (prepared, curves, model)."""
    run = simulate("synthetic felt", seed=8_801).run
    prepared = prepare(run, frame_of(run))
    curves = fit_run(run).curves
    return prepared, curves, fit_response(prepared, curves)


def strokes(rng, count=12, to_n=15.0):
    """Uneven steps of time and a force that comes and goes."""
    turns = [(rng.uniform(1, to_n), rng.uniform(0, 0.4)) for _ in range(count)]
    force = np.concatenate([[0.0], np.ravel(turns)])
    at = np.cumsum(rng.uniform(0.05, 4.0, force.size))
    time = np.sort(np.concatenate([at, rng.uniform(at[0], at[-1], 300)]))
    return time - time[0], np.interp(time, at, force)


def test_spring_with_play_and_kelvin_elements():
    """Position = c P_r[F] + J (retarded F), each in closed form: loading to 5 N within 0.5 s, then held."""
    model = ResponseModel.of_parts(top_n=5.0, lags_mm=[0.1], tau_s=[2.0], reach=[0.0, 0.2],
                                   slopes_mm=[0.3, 0.5])
    time, u = np.array([0.0, 0.5, 3.0]), 0.25
    at = model.start("fresh").position(time, np.array([0.0, 5.0, 5.0]))
    late = 0.1 * (1 - math.exp(-1.5) * (math.exp(u) - 1) / u)
    assert at[-1] == pytest.approx(0.3 + 0.5 * (1 - 0.2) + late, rel=1e-12)


def plainly(model, time, force):
    """The same sum by another hand: operators stepped in small sub-steps, lags by an adaptive solver."""
    from scipy.integrate import solve_ivp
    from scipy.interpolate import BSpline

    v, d = model.loop_drive(force), model.lag_drive(force)
    rest = float(model.loop_drive(np.zeros(1))[0])
    curves = [BSpline(shape_knots(), np.concatenate([[0.0], np.cumsum(row)]), 3) for row in model.shape_mm]
    plays = [rest + r for r in model.reach]
    trembled, hardest = rest + TREMBLE, 1.0
    lasting = [1.0] * len(model.lasting_way)
    out = []
    for i in range(time.size):
        last = v[i - 1] if i else v[0]
        for share in np.linspace(0.1, 1.0, 10):
            now = last + share * (v[i] - last)
            plays = [min(max(p, now - r), now + r) for p, r in zip(plays, model.reach, strict=True)]
        before = trembled
        trembled = min(max(trembled, v[i] - TREMBLE), v[i] + TREMBLE)
        way, old = max(trembled - before, 0.0), hardest
        hardest = max(hardest, v[i])
        for k, w in enumerate(model.lasting_way):
            # dz/ds = (m - z)/w with m a straight line over the way s; its exact answer, written out anew.
            if way > 0:
                slope = (hardest - old) / way
                lasting[k] = (hardest - slope * w) + (lasting[k] - old + slope * w) * math.exp(-way / w)
        loop = sum(float(s(p)) for s, p in zip(curves, plays, strict=True))
        out.append(loop + float(np.dot(lasting, model.lasting_mm)) - model.zero_mm)
    lags = np.zeros((time.size, len(model.tau_s)))
    for k, tau in enumerate(model.tau_s):
        y = 0.0
        for i in range(1, time.size):
            if time[i] == time[i - 1]:
                lags[i, k] = y
                continue
            slope = (d[i] - d[i - 1]) / (time[i] - time[i - 1])
            y = solve_ivp(
                lambda t, y, a=d[i - 1], b=slope, t0=time[i - 1], tau=tau: (a + b * (t - t0) - y) / tau,
                (time[i - 1], time[i]), [y], method="DOP853", rtol=1e-12, atol=1e-13).y[0, -1]
            lags[i, k] = y
    return np.array(out) + lags @ np.asarray(model.lags_mm)


def test_a_second_integrator_agrees(felt):
    """To 1e-8 of the way, with steps of a plain loop and an adaptive Runge-Kutta of order 8."""
    model = felt[2]
    model = replace(model, tau_s=model.tau_s[::3], lags_mm=model.lags_mm[::3])
    time, force = strokes(np.random.default_rng(3), count=4)
    time, force = time[::4], force[::4]
    ours = model.position(time, force).displacement_mm
    assert np.ptp(ours) > 0.1
    assert ours == pytest.approx(plainly(model, time, force), abs=1e-8 * np.ptp(ours))


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from([0.25, 16.0, 1024.0]))
def test_when_it_begins_does_not_matter(felt, seed, later_s):
    time, force = strokes(np.random.default_rng(seed), count=3)
    model = felt[2]
    moved = model.position(time + later_s, force).displacement_mm
    assert moved == pytest.approx(model.position(time, force).displacement_mm, abs=1e-9)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0.05, 0.95))
def test_fed_in_pieces_is_fed_whole(felt, seed, share):
    time, force = strokes(np.random.default_rng(seed), count=3)
    cut = int(share * time.size)
    model = felt[2]
    player = model.start()
    pieces = [player.position(time[:cut], force[:cut]), player.position(time[cut:], force[cut:])]
    assert np.concatenate(pieces) == pytest.approx(model.position(time, force).displacement_mm, abs=1e-12)


def test_blocks_do_not_show(felt):
    model = felt[2]
    rng = np.random.default_rng(9)
    time = np.cumsum(rng.uniform(0.001, 0.02, BLOCK + 500))
    force = np.abs(8 * np.sin(time))
    whole = model.position(time, force).displacement_mm
    player = model.start()
    pieces = [player.position(time[i:i + 999], force[i:i + 999]) for i in range(0, time.size, 999)]
    assert np.concatenate(pieces) == pytest.approx(whole, abs=1e-12)


def test_lags_of_a_model_add_up():
    """Without play the model is linear: superposition in the force."""
    model = ResponseModel.of_parts(top_n=20.0, lags_mm=[0.1, 0.05], tau_s=[0.3, 40.0], reach=[0.0],
                                   slopes_mm=[0.4])
    rng = np.random.default_rng(2)
    time = np.cumsum(rng.uniform(0.01, 1.0, 200))
    one, other = rng.uniform(0, 8, (2, 200))

    def at(force):
        return model.start("fresh").position(time, force)

    assert at(one + other) == pytest.approx(at(one) + at(other), abs=1e-12)


def test_it_is_judged_by_what_it_never_saw(felt):
    prepared, _, model = felt
    held = model.held_back
    assert [name for name, _ in held.parts] == ["recorded stroke", "small strokes", "hold"]
    pieces = held_back_pieces(prepared)
    assert pieces.limbs == 8                                  # one stroke, two small ones, one hold
    peaks = [float(prepared.force_n[mask].max()) for _, mask in pieces.held]
    assert peaks == pytest.approx([18.0, 6.0, 8.0], rel=0.08)
    assert model.train_rms_mm < held.rms_mm < 0.03 * np.ptp(prepared.position_mm[prepared.force_n > 0.25])
    assert held.half_width_mm == pytest.approx(2.3646 * held.rms_mm, rel=1e-4)    # t of 7 degrees of freedom


def test_what_is_held_back_has_no_part_in_the_fit(felt):
    """Readings of the held-back pieces may be anything: the coefficients stay the same."""
    prepared, curves, model = felt
    spoiled = prepared.position_mm.copy()
    for _, mask in held_back_pieces(prepared).held:
        spoiled[mask] += 0.5
    again = fit_response(replace(prepared, position_mm=spoiled), curves)
    for ours, theirs in ((again.shape_mm, model.shape_mm), (again.lags_mm, model.lags_mm)):
        assert np.ravel(ours) == pytest.approx(np.ravel(theirs), abs=1e-9)       # sums run over all readings
    assert again.held_back.rms_mm > 0.4


def test_more_data_does_not_change_its_character(felt):
    """Fitted on everything (a tenth more readings) it predicts the same touch within its error."""
    prepared, curves, model = felt
    whole = fit_response(prepared, curves, hold_back=False)
    assert whole.held_back is None
    time, force = strokes(np.random.default_rng(5), count=30)
    one, other = (m.position(time, force).displacement_mm for m in (model, whole))
    away = (one - other) - np.mean(one - other)
    assert np.sqrt(np.mean(away**2)) < model.held_back.rms_mm


def test_position_counts_from_f0_on_the_steady_strokes(felt):
    prepared, _, model = felt
    at = model.start("fresh").position(prepared.time_s, prepared.force_n)
    strokes = prepared.role("recorded")
    peaks = [s.press.peak for s in strokes]
    at_f0 = [at_force(prepared, strokes, F0_N, i) for i in range(len(strokes))]
    measured = np.mean(prepared.position_mm[peaks]) - np.mean(at_f0)
    assert np.mean(at[peaks]) == pytest.approx(measured, abs=model.held_back.half_width_mm)
    assert model.position(np.zeros(1), np.full(1, F0_N)).displacement_mm[0] < 0.0       # rested: not yet sunk


def test_harder_than_fitted_is_marked(felt):
    model = felt[2]
    replay = model.position(np.array([0.0, 1.0, 2.0]), np.array([0.0, 10.0, 40.0]))
    assert replay.is_outside.tolist() == [False, False, True]
    assert 17.0 < model.to_n < 20.0
    assert np.all(np.diff(replay.displacement_mm) > 0)
    assert replay.high_mm - replay.low_mm == pytest.approx(2 * model.held_back.half_width_mm)


def test_kept_and_read_again(felt):
    model = felt[2]
    table = json.loads(json.dumps(model.to_json(), allow_nan=False))
    again = ResponseModel.from_json(table)
    assert again == model
    time, force = strokes(np.random.default_rng(1), count=3)
    one, other = (m.position(time, force).displacement_mm for m in (again, model))
    assert np.array_equal(one, other)
    for broken in ({}, {**table, "loop_drive": 3}, {**table, "more": 1}):
        with pytest.raises(RunError, match="cannot be read"):
            ResponseModel.from_json(broken)


def test_a_run_without_a_hold_is_refused():
    run = simulate("sheet cork", seed=8_802, procedure="passage").run
    prepared = prepare(run, frame_of(run))
    with pytest.raises(FitError, match="nothing is known of sinking"):
        fit_response(prepared, fit_run(run).curves)


def test_a_press_with_readings_missing_is_refused(felt):
    prepared, curves, _ = felt
    first, *others = prepared.strokes
    first = replace(first, role="left out", reason="readings are missing in it")
    torn = replace(prepared, strokes=(first, *others))
    with pytest.raises(FitError, match="missing in a press"):
        fit_response(torn, curves)


@pytest.mark.parametrize(("time", "force"), [([0.0, 1.0], [1.0]), ([0.0, math.nan], [1.0, 2.0]),
                                             ([0.0, 1.0], [1.0, math.inf]), ([1.0, 0.5], [1.0, 2.0])])
def test_no_history_of_force(felt, time, force):
    with pytest.raises(InputError):
        felt[2].position(np.array(time), np.array(force))


def test_no_such_condition(felt):
    with pytest.raises(InputError, match="no condition"):
        felt[2].start("tired")


def test_an_empty_touch_has_no_positions(felt):
    assert felt[2].position(np.empty(0), np.empty(0)).displacement_mm.size == 0
