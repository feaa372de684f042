"""Raw readings to one axis: clocks that wrap, boards that restart, rigs without a clock."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from padlab.records.rig_record import Channel, Instrument, RigRecord
from padlab.records.run import Run
from padlab.signals.merge import samples_from_raw


def rig(*, clock=True, sign=1):
    return RigRecord("r", (Instrument(
        "main", "lines", ("clock", "force", "displacement") if clock else ("force", "displacement"),
        (Channel("force", "force", "N", scale=0.001, offset=0.5),
         Channel("displacement", "displacement", "mm", sign=sign, scale=0.001)),
        clock="clock" if clock else None, clock_s_per_tick=1e-6 if clock else None,
        clock_modulus=2**32 if clock else None),))


def run(record):
    return Run(id="r", folder=Path("nowhere"), kind="pad", state="complete", start_utc="2026-01-01T00:00:00Z",
               rig=record)


def table(clock, host=None):
    n = len(clock)
    return pd.DataFrame({"host_s": np.linspace(0, n * 0.02, n) if host is None else host, "clock": clock,
                         "force": np.arange(n) * 10, "displacement": np.arange(n)})


def test_values_and_signs():
    samples = samples_from_raw(run(rig(sign=-1)), {"main": table(np.arange(5) * 20_000)})
    assert list(samples.columns) == ["time_s", "force_n", "displacement_mm"]
    assert samples["time_s"].tolist() == pytest.approx([0, 0.02, 0.04, 0.06, 0.08])
    assert samples["force_n"].tolist() == pytest.approx([0.5, 0.51, 0.52, 0.53, 0.54])
    assert samples["displacement_mm"].tolist() == pytest.approx([0, -0.001, -0.002, -0.003, -0.004])


def test_a_clock_that_wraps_runs_on():
    clock = (2**32 - 50_000 + np.arange(10) * 20_000) % 2**32
    samples = samples_from_raw(run(rig()), {"main": table(clock)})
    assert samples["time_s"].tolist() == pytest.approx(list(np.arange(10) * 0.02))


def test_a_board_that_restarts_keeps_the_host_s_gap():
    clock = np.concatenate([5_000_000 + np.arange(100) * 20_000, np.arange(100) * 20_000])
    host = np.concatenate([np.arange(100) * 0.02, 7.0 + np.arange(100) * 0.02])
    time = samples_from_raw(run(rig()), {"main": table(clock, host)})["time_s"].to_numpy()
    assert np.all(np.diff(time) > 0)
    assert time[100] - time[99] == pytest.approx(7.0 - 1.98, abs=0.01)


def test_a_rig_without_a_clock_gets_a_regular_rate_and_keeps_its_gap():
    host = np.repeat(np.arange(50) * 0.1, 5) + 0.003  # chunks of five readings
    host = np.concatenate([host, host + 20.0])
    data = table(np.zeros(500), host).drop(columns="clock")
    time = samples_from_raw(run(rig(clock=False)), {"main": data})["time_s"].to_numpy()
    assert np.all(np.diff(time) > 0)
    assert np.median(np.diff(time)) == pytest.approx(0.02, rel=0.02)
    assert time[250] - time[249] == pytest.approx(15.1, abs=0.15)


def test_no_readings_make_empty_samples():
    samples = samples_from_raw(run(rig()), {})
    assert list(samples.columns) == ["time_s", "force_n", "displacement_mm"]
    assert len(samples) == 0


