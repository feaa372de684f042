"""Strokes of an endurance run: right against the shape that made them, and however the stream is cut."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padlab.records.stroke_rows import COLUMNS
from padlab.signals import strokes
from padlab.signals.strokes import F0_N, StrokeSummariser, joined, summarise


def machine(n: int, *, rate_hz: float = 1000.0, stroke_hz: float = 2.0, k: float = 30.0, worn_mm: float = 0.0,
            loss: float = 0.3, preload: float = 0.0):
    """A cam that presses a pad of F = k x on the way up, (1 - loss) k x on the way down."""
    t = np.arange(round(n * rate_hz / stroke_hz)) / rate_hz
    phase = (t * stroke_hz) % 1.0
    x = 0.3 * np.sin(2 * np.pi * (phase - 0.25)) + 0.1 + preload
    begin = worn_mm * np.floor(t * stroke_hz) / n
    deep = np.clip(x - begin, 0, None)
    f = k * deep * np.where(phase < 0.5, 1.0, 1.0 - loss)
    return t, f, x


def test_a_known_loop_is_read_as_it_is():
    t, f, x = machine(20, worn_mm=0.020, rate_hz=20_000)
    rows = summarise(t, f, x)
    number = np.arange(20)
    begin = 0.020 * number / 20
    assert rows["time_s"].size == 20
    np.testing.assert_allclose(rows["at_f0_mm"], begin + F0_N / 30.0, atol=2e-5)
    np.testing.assert_allclose(rows["peak_n"], 30.0 * (0.4 - begin), atol=1e-3)
    up = 0.5 * 30.0 * (0.4 - begin) ** 2 - 0.5 * F0_N**2 / 30.0            # the triangle over x, from F0 on
    back = 0.5 * 21.0 * (0.4 - begin) ** 2 - 0.5 * F0_N**2 / 21.0
    closing = F0_N * (F0_N / 30.0 - F0_N / 21.0)                          # from the one F0 to the other
    np.testing.assert_allclose(rows["work_mj"], up, rtol=1e-3)
    np.testing.assert_allclose(rows["loss_mj"], up - back + closing, rtol=2e-3)
    np.testing.assert_allclose(rows["rest_s"][1:] + rows["duration_s"][:-1], 0.5, atol=1e-3)


@pytest.mark.parametrize("moved_n", [-0.2, 0.12, 0.4])
def test_a_cell_that_moves_is_no_wear(moved_n):
    t, f, x = machine(60)
    still = summarise(t, f, x)
    moving = summarise(t, f + moved_n * t / t[-1], x)
    assert moving["time_s"].size == 60
    assert np.abs(moving["at_f0_mm"] - still["at_f0_mm"]).max() < 2.5e-4      # a slope within the stroke
    np.testing.assert_allclose(moving["peak_n"], still["peak_n"], atol=0.02)
    np.testing.assert_allclose(moving["loss_mj"], still["loss_mj"], rtol=0.03)


def test_a_machine_that_does_not_lift_keeps_the_zero_of_the_beginning():
    t, f, x = machine(10, preload=0.203)
    f = np.maximum(f, 0.1)                                  # a light touch stays on
    rows = summarise(t, f, x)
    assert rows["time_s"].size == 10
    assert (rows["lift_mm"][1:] < strokes.LIFT_MM).all()
    np.testing.assert_allclose(rows["at_f0_mm"], F0_N / 30.0, atol=3e-4)


def test_a_press_that_has_begun_already_is_no_stroke_and_one_that_does_not_end_neither():
    t, f, x = machine(4)
    inner = slice(250, 1760)                                # from within the first to within the last
    assert summarise(t[inner], f[inner], x[inner])["time_s"].size == 2


def test_noise_does_not_count_twice():
    t, f, x = machine(200)
    noise = np.random.default_rng(3).normal(0, 0.01, f.size)
    rows = summarise(t, f + noise, x)
    assert rows["time_s"].size == 200
    assert abs(rows["at_f0_mm"].mean() - F0_N / 30.0) < 0.0005


def test_what_is_no_number_is_left_out_and_counted():
    t, f, x = machine(5)
    f[100], x[200], t[300] = np.nan, np.inf, np.nan
    t[700] = t[650]
    whole = StrokeSummariser()
    rows = joined([whole.feed(t, f, x), whole.finish()])
    assert (rows["time_s"].size, whole.dropped) == (5, 4)
    assert rows["longest_step_s"][1] == pytest.approx(0.002)


def test_nothing_gives_nothing():
    empty = np.zeros(0)
    rows = summarise(empty, empty, empty)
    assert set(rows) == {*COLUMNS[1:], "stop"}
    assert rows["time_s"].size == 0
    assert summarise(np.arange(9.0), np.full(9, 5.0), np.zeros(9))["time_s"].size == 0


def test_a_machine_that_stays_down_or_rests_for_days_takes_no_memory(monkeypatch):
    monkeypatch.setattr(strokes, "LONGEST", 3000)
    monkeypatch.setattr(strokes, "VALLEY", 700)
    t, f, x = machine(3)
    size, most = f.size, 0
    whole, parts = StrokeSummariser(), []
    for k, force in enumerate([f, np.zeros(50_000), f, np.full(50_000, 6.0), np.zeros(100), f]):
        for start in range(0, force.size, 900):
            piece = force[start:start + 900]
            at = k * 1000.0 + (start + np.arange(piece.size)) / 1000
            parts.append(whole.feed(at, piece, x[(start + np.arange(piece.size)) % size]))
            most = max(most, whole._held.shape[1])
    rows = joined([*parts, whole.finish()])
    assert rows["time_s"].size == 10                         # three times three, and the one that was stuck
    assert np.isnan(rows["duration_s"]).sum() == 1
    assert np.isnan(rows["loss_mj"]).sum() == 1
    assert most <= 3000 + 900 + 700


shapes = st.lists(
    st.tuples(st.sampled_from(["stroke", "light", "double", "stay", "rest", "nan", "stuck"]),
              st.floats(0.3, 1.0), st.integers(8, 60)), min_size=1, max_size=14)


@settings(max_examples=200, deadline=None)
@given(shapes=shapes, cuts=st.lists(st.integers(0, 2000), max_size=12), seed=st.integers(0, 2**31))
def test_the_rows_do_not_depend_on_how_the_stream_is_cut(shapes, cuts, seed):
    before = strokes.LONGEST, strokes.VALLEY
    strokes.LONGEST, strokes.VALLEY = 90, 40
    try:
        rng = np.random.default_rng(seed)
        force = np.concatenate([_shape(kind, size, n) for kind, size, n in shapes])
        force = force + rng.normal(0, 0.05, force.size)
        t = np.cumsum(rng.uniform(0.001, 0.02, force.size))
        x = force / 20 + rng.normal(0, 0.01, force.size) + rng.choice([0.0, -0.3], force.size)
        count = np.cumsum(rng.uniform(size=force.size) < 0.02).astype(float)
        one = StrokeSummariser(zero_n=0.02)
        whole = joined([one.feed(t, force, x, count), one.finish()])
        many = StrokeSummariser(zero_n=0.02)
        edges = [0, *sorted(min(c, force.size) for c in cuts), force.size]
        parts = [many.feed(t[a:b], force[a:b], x[a:b], count[a:b])
                 for a, b in zip(edges[:-1], edges[1:], strict=True)]
        parts.append(many.finish())
        cut = joined(parts)
        assert one.dropped == many.dropped
        for name, values in whole.items():
            np.testing.assert_array_equal(cut[name], values, err_msg=name)
    finally:
        strokes.LONGEST, strokes.VALLEY = before


def _shape(kind, size, n):
    ramp = 6.0 * size * np.sin(np.linspace(0, np.pi, n))
    return {
        "stroke": ramp, "light": 0.1 * ramp + 0.2,
        "double": np.abs(6 * np.sin(np.linspace(0, 2 * np.pi, n))) + 0.6,
        "stay": np.full(n, 0.35), "rest": np.zeros(n), "nan": np.where(np.arange(n) % 5, ramp, np.nan),
        "stuck": np.full(3 * n, 5.0 * size),
    }[kind]
