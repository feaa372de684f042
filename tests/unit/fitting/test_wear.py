"""Paths of wear: one law for a stock, bounds kept, limits reached or said to be too far."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padlab.errors import FitError
from padlab.fitting.laws import wearing
from padlab.fitting.results import Verdict
from padlab.fitting.wear import FARTHEST, WearReadings, fit_paths
from padlab.fitting.wear_run import loss_of

N = np.linspace(1e5, 2e6, 20)
DAY = 86400.0


def pad(loss, name="A1", n=N):
    return WearReadings(name, "1", n, np.asarray(loss))


def test_a_path_far_from_the_limit_is_censored():
    path = fit_paths([pad(1e-8 * N)]).paths[0]
    near, far = path.reaches(0.0599), path.reaches(0.0601)       # three times the last reading is 0.06 mm
    assert (near.is_censored, far.is_censored) == (False, True)
    assert near.is_extrapolated
    assert not path.reaches(0.015).is_extrapolated
    assert math.log(near.strokes) == pytest.approx(math.log(0.0599 / 1e-8), abs=1e-9)


def test_a_law_that_never_gets_there_is_censored():
    law = wearing.saturating()
    loss = law.value(N, np.array([0.03, 4e5, 1.0]))
    paths = fit_paths([pad(loss), pad(1.2 * loss, "A2")])
    assert paths.law == "saturating"
    reach = paths.paths[0].reaches(0.05)
    assert reach.strokes == math.inf
    assert reach.is_censored
    assert reach.log_error is None


def test_a_shared_loss_brings_the_limit_nearer():
    path = fit_paths([pad(1e-8 * N)]).paths[0]
    assert path.reaches(0.05, besides=lambda n: 0.01).strokes == pytest.approx(4e6, rel=1e-9)


def test_a_pad_without_running_in_stands_at_the_bound_of_a_stock_that_has_it():
    rng = np.random.default_rng(5)
    law = wearing.running_in()
    pads = [pad(law.value(N, np.array([a, 8e4, 1.2e-8])) + rng.normal(0, 5e-4, N.size), f"A{i}")
            for i, a in enumerate((0.012, 0.010, 0.011, 1e-9))]
    paths = fit_paths(pads)
    assert paths.law == "running in"
    assert paths.paths[3].fit.verdict is not Verdict.GOOD
    for path in paths.paths:
        for value, p in zip(path.fit.values, path.fit.law.parameters, strict=True):
            assert p.lower <= value <= p.upper * (1 + 1e-9)
    assert paths.paths[3].reaches(0.04).strokes == pytest.approx(0.04 / 1.2e-8, rel=0.1)


def test_steady_wear_is_quoted_only_after_five_times_the_running_in():
    rng = np.random.default_rng(6)
    loss = wearing.running_in().value(N, np.array([0.03, 1.5e6, 1e-9])) + rng.normal(0, 2e-4, N.size)
    for one in fit_paths([pad(loss), pad(1.1 * loss, "A2")]).tried:
        if one.law == "running in":
            assert all(path.fit.values[1] <= N.max() / 5 * (1 + 1e-9) for path in one.paths)


def test_the_error_of_a_life_is_that_of_repeated_pads():
    rng = np.random.default_rng(8)
    logs, said = [], []
    for _ in range(100):
        loss = 1.4e-8 * N + rng.normal(0, 1e-3, N.size)
        reach = fit_paths([pad(loss), pad(1.4e-8 * N + rng.normal(0, 1e-3, N.size), "A2")])
        path = next(one for one in reach.tried if one.law == "steady").paths[0].reaches(0.05)
        logs.append(math.log(path.strokes))
        said.append(path.log_error)
    assert np.mean(said) == pytest.approx(np.std(logs), rel=0.2)


def test_what_a_law_leaves_in_a_pattern_is_seen():
    rng = np.random.default_rng(11)
    read = [1.4e-8 * N + rng.normal(0, 5e-4, N.size) for _ in range(5)]
    waves = 2e-3 * np.sin(N / 2.5e5)
    assert not fit_paths([pad(loss, f"A{i}") for i, loss in enumerate(read)]).has_pattern
    assert fit_paths([pad(loss + waves, f"A{i}") for i, loss in enumerate(read)]).has_pattern
    assert not fit_paths([pad(1.4e-8 * N)]).has_pattern                    # exact: what is left is rounding


@pytest.mark.parametrize(("pads", "words"), [
    ([], "no pad"),
    ([WearReadings("A1", "1", N[:3], 1e-8 * N[:3])], "too few"),
    ([WearReadings("A1", "1", N, -1e-8 * N)], "lost nothing"),
    ([WearReadings("A1", "1", N, np.where(N > 1e6, np.nan, 1e-8 * N))], "no numbers"),
    ([WearReadings("A1", "1", N - N[0], 1e-8 * N)], "no numbers"),
])
def test_what_cannot_be_followed_is_refused(pads, words):
    with pytest.raises(FitError, match=words):
        fit_paths(pads)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**31), st.floats(1e-4, 5e-3), st.floats(1e2, 1e9))
def test_any_readings_give_paths_inside_their_bounds_or_a_refusal(seed, noise, scale):
    rng = np.random.default_rng(seed)
    n = np.sort(rng.uniform(0, scale, 8)) + scale * 1e-3
    loss = rng.normal(0.02, 0.02) * n / scale + rng.normal(0, noise, 8)
    if loss.max() <= 0:
        return
    paths = fit_paths([WearReadings("A1", "1", n, loss)])
    for one in paths.tried:
        reach = one.paths[0].reaches(0.05)
        assert reach.strokes > 0
        assert reach.is_censored == (reach.strokes > FARTHEST * n.max())


def table(**columns):
    return {name: np.asarray(values, dtype=float) for name, values in columns.items()}


def test_what_comes_back_with_rest_is_kept_apart():
    loss = loss_of(table(strokes=[0, 1e5, 1e5, 2e5, 2e5], thickness_mm=[1.6, 1.57, 1.58, 1.55, 1.565],
                         rest_s=[DAY, 30, DAY, 30, DAY]), pad="A1", lot="1")
    assert loss.readings.loss_mm == pytest.approx([0.02, 0.035])
    assert loss.readings.strokes.tolist() == [1e5, 2e5]
    assert loss.recoverable_mm == pytest.approx(0.015)
    assert "rest_short" not in {m.code for m in loss.marks}


@pytest.mark.parametrize("columns", [
    {"strokes": [0, 1e5, 2e5], "thickness_mm": [1.6, 1.58, 1.57]},
    {"strokes": [0, 1e5, 2e5], "thickness_mm": [1.6, 1.58, 1.57], "rest_s": [DAY, 60, 60]},
])
def test_short_rests_are_marked(columns):
    if "rest_s" in columns:
        columns = {**columns, "rest_s": [60, 60, 60]}
    loss = loss_of(table(**columns), pad="A1", lot="1")
    assert "rest_short" in {m.code for m in loss.marks}
    assert loss.readings.loss_mm == pytest.approx([0.02, 0.03])


def test_lost_mass_is_rubbed_off_and_the_rest_is_set():
    # 1 % of the mass is 1 % of 1.6 mm.
    loss = loss_of(table(strokes=[0, 1e5, 2e5], thickness_mm=[1.6, 1.58, 1.56],
                         mass_kg=[4e-4, 3.98e-4, 3.96e-4]), pad="A1", lot="1")
    assert loss.by_mass_mm == pytest.approx(0.016)
    assert loss.set_mm == pytest.approx(0.024)


def test_a_control_takes_the_damp_off():
    swollen = np.array([0.0, 0.010, 0.004])
    pads = table(strokes=[0, 1e5, 2e5], thickness_mm=1.6 - np.array([0, 0.02, 0.03]) + swollen)
    beside = table(strokes=[0, 1e5, 2e5], thickness_mm=1.5 + swollen)
    loss = loss_of(pads, pad="A1", lot="1", controls=[beside])
    assert loss.readings.loss_mm == pytest.approx([0.02, 0.03])
    assert "no_control" not in {m.code for m in loss.marks}
    assert "no_control" in {m.code for m in loss_of(pads, pad="A1", lot="1").marks}
    with pytest.raises(FitError, match="same axis"):
        loss_of(pads, pad="A1", lot="1", controls=[table(days=[0, 1, 2], thickness_mm=[1.5] * 3)])


def test_a_pad_first_read_after_strokes_is_marked_and_counted_from_there():
    loss = loss_of(table(strokes=[5e4, 1.5e5, 2.5e5], thickness_mm=[1.6, 1.59, 1.58]), pad="A1", lot="1")
    assert loss.readings.strokes.tolist() == [1e5, 2e5]
    assert "start_unknown" in {m.code for m in loss.marks}


def test_repeated_readings_are_one_reading_and_days_serve_where_strokes_do_not():
    loss = loss_of(table(strokes=[0, 0, 0, 0], days=[0, 0, 100, 100],
                         thickness_mm=[1.601, 1.599, 1.591, 1.589]), pad="A1", lot="1")
    assert loss.axis == "days"
    assert loss.start_mm == pytest.approx(1.6)
    assert loss.readings.loss_mm == pytest.approx([0.01])


@pytest.mark.parametrize(("columns", "words"), [
    ({"strokes": [0, 0], "thickness_mm": [1.6, 1.5]}, "one time only"),
    ({"strokes": [0, 1e5], "thickness_mm": [1.6, 1.5], "rest_s": [DAY, 60]}, "one reading that counts"),
])
def test_tables_without_a_path_are_refused(columns, words):
    with pytest.raises(FitError, match=words):
        loss_of(table(**columns), pad="A1", lot="1")
