"""Has the rig moved, or the gauge? Known readings, known answers."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from padlab.capture.virtual.simulate import bench_record
from padlab.decisions.check_standard import check_standard, moved
from padlab.records.run import Run

DAYS = ["2026-03-01", "2026-04-01", "2026-05-01", "2026-06-01", "2026-07-01"]


def test_a_change_is_told_from_chance_by_the_prediction_interval():
    # 20 +- s, four readings: |new - mean| against t(0.995, 3) s sqrt(1 + 1/4) = 5.8409 * 1.1180 s.
    before = [19.9, 20.1, 19.9, 20.1]
    edge = stats.t.ppf(0.995, 3) * np.std(before, ddof=1) * np.sqrt(1.25)
    assert stats.t.ppf(0.995, 3) == pytest.approx(5.8409, abs=5e-5)
    for away, is_told in ((edge * 1.001, True), (edge * 0.999, False), (-edge * 1.001, True)):
        seen = moved(list(zip(DAYS, [*before, 20 + away], strict=True)), unit="N/mm")
        assert (seen is not None) is is_told
    assert seen.share == pytest.approx(-edge * 1.001 / 20)
    assert "below the mean of its 4 earlier checks" in seen.words


def test_several_readings_of_the_last_day_are_one_mean_and_too_few_before_say_nothing():
    quiet = [(d, 20 + 0.001 * (-1) ** n) for n, d in enumerate(DAYS[:4])]
    assert moved([*quiet, (DAYS[4], 20.3), (DAYS[4], 20.5)], unit="N/mm").value == pytest.approx(20.4)
    assert moved([*quiet[:2], (DAYS[4], 25.0)], unit="N/mm") is None
    assert moved([], unit="N/mm") is None


@pytest.mark.parametrize(("unit", "base", "small", "large"), [("N/mm", 20.0, 0.09, 0.11),
                                                             ("mm", 1.524, 0.0009, 0.0011)])
def test_what_is_too_small_to_matter_is_left_alone_even_without_scatter(unit, base, small, large):
    same = [(d, base) for d in DAYS[:4]]
    assert moved([*same, (DAYS[4], base + small)], unit=unit) is None
    assert moved([*same, (DAYS[4], base + large)], unit=unit) is not None


def test_chance_alone_is_seldom_taken_for_a_move():
    rng, told = np.random.default_rng(3), 0
    lots = 4000
    for _ in range(lots):
        told += moved(list(zip(DAYS, 20 + rng.normal(0, 0.5, 5), strict=True)), unit="N/mm") is not None
    assert told / lots == pytest.approx(0.01, abs=3 * np.sqrt(0.01 * 0.99 / lots))


def check(day, rate, *, rig="bench", name="aaaaaa"):
    force = np.tile(np.r_[np.zeros(50), np.linspace(0, 12.5, 200), np.linspace(12.5, 0, 200)], 3)
    table = pd.DataFrame({"time_s": np.arange(force.size) / 50, "force_n": force,
                          "displacement_mm": np.where(force > 0, force / rate, -0.2)})
    return Run(id=f"{day.replace('-', '')}T080000Z-{name}", folder=Path("nowhere"), kind="check",
               state="complete", start_utc=f"{day}T08:00:00Z", pad=None,
               rig=replace(bench_record(), name=rig), _samples=table)


def test_another_rigs_spring_says_nothing_of_this_rig():
    # What used to happen: the checks of every rig on the shelf made one chart.
    mine = [check(d, 20.0) for d in DAYS]
    other = [check(d, 12.0, rig="attic", name="bbbbbb") for d in DAYS]
    seen = check_standard([*mine, *other], by_gauge=False, rigs=["bench", "bench", "attic"], until=DAYS[-1])
    assert [p.value for p in seen.chart.points] == pytest.approx([20.0] * 5, rel=1e-3)
    assert "bench" in seen.about
    assert (seen.moved, seen.last_day) == (None, DAYS[-1])
    drifted = [*mine[:-1], check(DAYS[-1], 18.8)]
    assert check_standard(drifted, by_gauge=False, rigs=["bench"], until=DAYS[-1]).moved.share \
        == pytest.approx(-0.06, abs=1e-3)
    # What came later is another certificate's.
    assert check_standard(drifted, by_gauge=False, rigs=["bench"], until=DAYS[-2]).moved is None
    assert check_standard(other, by_gauge=False, rigs=["bench"], until=DAYS[-1]) is None


def test_a_check_of_one_instrument_alone_and_a_moved_gauge():
    lone = replace(check(DAYS[1], 20.0, name="cccccc"))
    lone = replace(lone, _samples=lone.samples[["time_s", "force_n"]])
    seen = check_standard([check(DAYS[0], 20.0), lone], by_gauge=False, rigs=[], until=DAYS[-1])
    assert [p.label for p in seen.chart.points] == [DAYS[0]]
    assert seen.about == "rate of the steel spring"
    ring = moved(list(zip(DAYS, [1.524, 1.525, 1.523, 1.524, 1.504], strict=True)), unit="mm")
    assert "20.0 um (0.8 thou) below the mean of its 4 earlier readings" in ring.words
    assert "the gauge has moved" in ring.words
