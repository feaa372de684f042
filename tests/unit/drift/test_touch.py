"""Presets, touch files and recorded fingers."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padlab.drift.touch import (
    PRESETS,
    find_strokes,
    net_strokes,
    preset,
    read_touch_file,
    recorded_touch,
)
from padlab.errors import FileFormatError, InputError, RunError
from padlab.records.pad import F0_N
from padlab.records.run import Run


def touch_run(force, rate=200, kind="touch"):
    samples = pd.DataFrame({"time_s": np.arange(len(force)) / rate, "force_n": force})
    return Run(id="20260601T090000Z-abcdef", folder=Path("x"), kind=kind, state="complete",
               start_utc="2026-06-01T09:00:00Z", _samples=samples)


def presses(peaks, rate=200, hold_s=0.4):
    one_by_one = [np.r_[np.full(int(hold_s * rate), p), np.zeros(60)] for p in peaks]
    return np.concatenate([np.zeros(60), *one_by_one])


@pytest.mark.parametrize("name", list(PRESETS))
def test_preset_has_its_median_and_spread(name):
    strokes = net_strokes(preset(name), holding_n=0.0, cut_off_net_n=math.inf, not_bottomed="at_zero")
    assert float(np.median(strokes.net_n)) == pytest.approx(PRESETS[name].median_n, rel=1e-3)
    assert float(np.exp(np.log(strokes.net_n).std())) == pytest.approx(1.5, rel=2e-3)
    assert float(np.exp(np.log(strokes.hold_s[0]).std())) == pytest.approx(3.0, rel=3e-2)


def test_no_such_preset_names_those_there_are():
    with pytest.raises(InputError, match="light, medium, hard"):
        preset("soft")


def test_touch_file_whole(tmp_path):
    path = tmp_path / "player.toml"
    path.write_text('name = "second cornet"\nmedian_force = "700gf"\nforce_spread = 1.4\n'
                    'hold_median = "300ms"\nhold_spread = 2\nholding_force = "2N"\n', encoding="utf-8")
    touch = read_touch_file(path)
    assert touch.name == "second cornet"
    assert touch.median_n == pytest.approx(0.7 * 9.80665)
    assert (touch.gsd, touch.hold_median_s, touch.hold_gsd, touch.holding_n) == (1.4, 0.3, 2.0, 2.0)


def test_touch_file_lists_all_its_mistakes(tmp_path):
    path = tmp_path / "player.toml"
    path.write_text('median_force = 6\nforce_spread = "wide"\nhold_median = "4mm"\nhold_spread = true\n'
                    'colour = "red"\nname = 3\nholding_force = "-1N"\n', encoding="utf-8")
    with pytest.raises(FileFormatError) as caught:
        read_touch_file(path)
    text = " ".join(caught.value.where["mistakes"])
    assert len(caught.value.where["mistakes"]) == 7
    for key in ("median_force", "force_spread", "hold_median", "hold_spread", "colour", "name",
                "holding_force"):
        assert key in text


@pytest.mark.parametrize("content", [b"\xff\xfe", b"median_force", b"a = [" + b"[" * 5000, b"\x00"])
def test_touch_file_that_is_no_toml(tmp_path, content):
    path = tmp_path / "player.toml"
    path.write_bytes(content)
    with pytest.raises(FileFormatError):
        read_touch_file(path)


@given(st.binary(max_size=200))
@settings(max_examples=60)
def test_any_bytes_are_a_touch_or_a_clear_refusal(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("t") / "t.toml"
    path.write_bytes(content)
    try:
        read_touch_file(path)
    except FileFormatError as fault:
        assert fault.message  # noqa: PT017  nothing else may escape


def test_usual_press_must_reach_the_stop():
    with pytest.raises(InputError, match="does not reach the stop"):
        net_strokes(preset("light"), holding_n=4.4)


def test_recorded_touch_keeps_force_and_hold_together():
    force = np.concatenate([presses([5, 9], hold_s=0.2), presses([7], hold_s=1.0)]) + 0.3   # idle at 0.3 N
    touch = recorded_touch(touch_run(force))
    assert touch.is_recorded
    assert touch.recorded_n == pytest.approx((5, 9, 7))
    assert touch.recorded_s == pytest.approx((0.2, 0.2, 1.0), abs=0.011)
    strokes = net_strokes(touch, holding_n=2.5)
    assert strokes.net_n == pytest.approx([2.5, 4.5, 6.5])
    assert strokes.hold_s[:, 0] == pytest.approx([0.2, 1.0, 0.2], abs=0.011)
    assert strokes.set_net_n == pytest.approx(4.5)


def test_hard_recorded_strokes_are_facts_and_stay():
    assert net_strokes(recorded_touch(touch_run(presses([6, 6, 40])))).cut_off_share == 0


def test_short_blips_and_short_gaps():
    force = presses([6], hold_s=0.4)
    force[100:102] = 0.0                        # 10 ms of let-go inside the stroke
    blip = np.r_[np.full(4, 5.0), np.zeros(60)]  # 20 ms
    found = find_strokes(np.arange(force.size + 64) / 200, np.r_[force, blip])
    plateau, duration = found.plateau_n, found.duration_s
    assert plateau == pytest.approx([6])
    assert duration == pytest.approx([0.4])


@pytest.mark.parametrize("force", [np.zeros(100), np.full(100, 8.0), np.full(100, np.nan), np.zeros(1)])
def test_nothing_pressed_is_no_touch(force):
    with pytest.raises(RunError, match="no stroke"):
        recorded_touch(touch_run(force))


def test_a_run_of_another_kind_is_refused_by_name():
    with pytest.raises(RunError, match="cannot use run"):
        recorded_touch(touch_run(presses([5]), kind="blank"))


def test_up_stop_is_lightened_by_a_resting_finger():
    strokes = net_strokes(preset("hard"), stop="up", holding_n=2.0)
    assert strokes.net_n.min() == pytest.approx(1, abs=1e-3)
    assert strokes.net_n.max() == pytest.approx(2, abs=1e-3)
    assert (strokes.set_net_n, strokes.set_hold_s) == (1.5, 1.0)
    assert (strokes.light_net_n, strokes.hard_net_n) == (1.0, 2.0)
    # A top spring of 1 N: one finger in four takes it under F0, the valve is not home then.
    weak = net_strokes(preset("hard"), stop="up", holding_n=1.0)
    assert weak.not_bottomed_share == pytest.approx(F0_N, abs=1e-3)
    assert weak.net_n.min() >= F0_N


def test_same_touch_same_strokes():
    a, b = net_strokes(preset("medium")), net_strokes(preset("medium"))
    assert np.array_equal(a.net_n, b.net_n)
    assert np.array_equal(a.hold_s, b.hold_s)
