"""The force zero, the contact and the presses, in records a hand could have made."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padlab.signals.contact import crossing, force_zero
from padlab.signals.cycles import common_peak, find_presses


def pressing(*presses, rate=50.0, idle_s=1.5, seed=0, noise_n=0.004, zero_n=0.0, k=40.0, drift_n=0.0):
    """A spring pressed by a hand: each press is (peak_n, press_s, hold_s). Returns time, force, position."""
    free_mm = 0.3
    x = [np.zeros(int(idle_s * rate))]
    for peak, press_s, hold_s in presses:
        up = np.linspace(0, free_mm + peak / k, max(int(press_s * rate), 3))
        x += [up, np.full(int(hold_s * rate), up[-1]), up[::-1], np.zeros(int(0.5 * rate))]
    x.append(np.zeros(int(idle_s * rate)))
    position = np.concatenate(x)
    rng = np.random.default_rng(seed)
    force = k * np.clip(position - free_mm, 0, None)
    force = force + zero_n + rng.normal(0, noise_n, force.size) + drift_n * np.linspace(0, 1, force.size)
    return np.arange(force.size) / rate, force, position


def test_the_zero_is_the_idle_level():
    _, force, position = pressing((18, 3, 0), (18, 3, 0), zero_n=0.123)
    zero = force_zero(force, position)
    assert zero.source == "idle"
    assert zero.value_n == pytest.approx(0.123, abs=4 * zero.standard_uncertainty_n + 1e-3)
    assert not zero.drifted


@pytest.mark.parametrize("drift_n", [0.3, -0.3, 0.1])
def test_a_drifting_zero_is_seen(drift_n):
    _, force, position = pressing(*[(18, 3, 0)] * 9, drift_n=drift_n)
    zero = force_zero(force, position)
    assert zero.drifted
    assert zero.end_shift_n == pytest.approx(drift_n, rel=0.15)


def test_a_rest_at_the_preload_is_not_taken_for_no_load():
    """A run that ended resting at F0 used to be called drifted by F0."""
    _, force, position = pressing((18, 3, 0), (18, 3, 0))
    loaded = slice(-60, None)
    force[loaded], position[loaded] = 0.25, 0.3 + 0.25 / 40
    zero = force_zero(force, position)
    assert zero.end_shift_n is None
    assert not zero.drifted


def test_presses_are_found_with_their_kind():
    time, force, _ = pressing((18, 3, 0), (3, 1, 0), (3.5, 2, 60), (8, 2, 20))
    presses = find_presses(time, force)
    assert [round(p.peak_n, 0) for p in presses] == [18, 3, 4, 8]
    assert [p.is_hold for p in presses] == [False, False, True, True]
    assert all(p.complete for p in presses)
    for p in presses:
        assert force[p.start] <= 0.25 < force[p.start + 1]
        assert force[p.stop - 1] <= 0.25


def test_a_double_press_is_one_press_with_a_dip():
    time, force, _ = pressing((10, 2, 0))
    fall = np.flatnonzero(force > 9)
    middle = slice(int(fall[0]), int(fall[-1]))
    force[middle] = np.interp(np.linspace(0, 1, middle.stop - middle.start), [0, 0.3, 0.6, 1], [9, 10, 4, 10])
    (press,) = find_presses(time, force)
    assert press.dips == 1


def test_an_unfinished_press_is_not_complete():
    time, force, _ = pressing((18, 3, 0))
    top = int(np.argmax(force))
    (press,) = find_presses(time[:top], force[:top])
    assert not press.complete


def test_nothing_in_nothing_out():
    assert find_presses(np.zeros(0), np.zeros(0)) == []
    assert find_presses(np.arange(100.0), np.zeros(100)) == []


@settings(max_examples=40, deadline=None)
@given(st.lists(st.floats(2.0, 18.0), min_size=1, max_size=8), st.integers(0, 2**31))
def test_every_press_is_found_once(peaks, seed):
    time, force, _ = pressing(*[(p, 2.0, 0.0) for p in peaks], seed=seed)
    found = find_presses(time, force)
    assert len(found) == len(peaks)
    assert [p.peak_n for p in found] == pytest.approx(peaks, rel=0.04)
    assert all(a.stop - 1 <= b.start for a, b in zip(found[:-1], found[1:], strict=True))


def test_crossing_takes_the_last_rise():
    """A touch that came loose again is not contact."""
    x = np.linspace(0, 1, 201)
    force = np.where(x < 0.3, np.clip(40 * (x - 0.2), 0, None), np.clip(40 * (x - 0.5), 0, None))
    assert crossing(x, force, at_n=0.25) == pytest.approx(0.5 + 0.25 / 40, abs=1e-3)


def test_crossing_is_none_where_the_force_never_rises():
    assert crossing(np.arange(50.0), np.zeros(50)) is None
    assert crossing(np.arange(3.0), np.ones(3)) is None


def test_common_peak_is_the_one_most_strokes_share():
    assert common_peak(np.array([18.0, 18.2, 17.9, 25.0, 3, 6, 9, 3, 6, 9])) == pytest.approx(18.0, abs=0.3)
    # The middle of a wide group is chosen, so that the group is whole: these used to lose two.
    group = np.array([17.53, 18.45, 18.79, 17.98, 17.02, 19.19, 17.53, 18.52])
    centre = common_peak(group, share=0.08)
    assert np.all(np.abs(group / centre - 1) <= 0.08)
    assert common_peak(np.zeros(0)) is None
