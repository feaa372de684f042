"""The chart of lots, and the check standard's."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from padlab.decisions.lots_over_time import chart_of, spring_rate_n_per_mm
from padlab.errors import RunError
from padlab.records.run import Run


def test_limits_of_the_handbook_example():
    # NIST/SEMATECH e-Handbook 6.3.2.2 (individuals): ten flow rates, mean 50.81, mean moving range 1.8778,
    # limits 55.8041 and 45.8159.
    x = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
    chart = chart_of([(str(i), v) for i, v in enumerate(x)])
    assert chart.centre == pytest.approx(50.81)
    assert chart.limits == (pytest.approx(45.8159, abs=6e-3), pytest.approx(55.8041, abs=6e-3))
    assert chart.is_provisional
    assert not any(p.beyond and chart.limits[0] < p.value < chart.limits[1] for p in chart.points[:4])


def test_the_smoothed_mean_sees_a_small_lasting_shift():
    rng = np.random.default_rng(1)
    x = [*rng.normal(0, 1, 25), *rng.normal(1.5, 1, 15)]
    chart = chart_of([(str(i), v) for i, v in enumerate(x)])
    assert not chart.is_provisional
    assert any(p.beyond for p in chart.points[25:])
    smoothed = chart.centre
    for value, point in zip(x, chart.points, strict=True):
        smoothed = 0.2 * value + 0.8 * smoothed
        assert point.smoothed == pytest.approx(smoothed)


def test_few_or_equal_lots_have_no_limits():
    assert chart_of([("a", 1.0), ("b", 2.0)]).limits is None
    assert chart_of([("a", 1.0)] * 5).limits is None
    assert chart_of([("a", 1.0)]).points[0].beyond is False


def check_run(tmp_path, samples) -> Run:
    return Run("20260704T081530Z-k3v9qa", tmp_path, "check", "complete", "2026-07-04T08:15:30Z",
               _samples=pd.DataFrame(samples))


def test_rate_of_a_spring(tmp_path):
    t = np.arange(0, 40, 0.02)
    force = np.clip(12 * np.sin(2 * np.pi * t / 10), 0, None)
    noise = np.random.default_rng(2).normal(0, [[0.01], [0.0005]], (2, t.size))
    samples = {"time_s": t, "force_n": force + 0.3 + noise[0], "displacement_mm": force / 20.5 + 1 + noise[1]}
    assert spring_rate_n_per_mm(check_run(tmp_path, samples)) == pytest.approx(20.5, rel=2e-3)
    samples["force_n"] = samples["force_n"] * 0.01
    with pytest.raises(RunError, match="hardly presses"):
        spring_rate_n_per_mm(check_run(tmp_path, samples))
    del samples["displacement_mm"]
    with pytest.raises(RunError, match="cannot use"):
        spring_rate_n_per_mm(check_run(tmp_path, samples))
