"""A finished run is judged at once: each finding is reached by its fault, and hardly any without one."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from padlab.capture.procedure import Procedure, read_procedure
from padlab.capture.virtual.hand import Hand, play
from padlab.capture.virtual.physics import Spring
from padlab.capture.virtual.readings import RigErrors, simulate_readings
from padlab.capture.virtual.simulate import bench_record, simulate
from padlab.marks import CODES
from padlab.signals.judgement import Finding, judge

SHORT = replace(read_procedure("standard"), steps=tuple(
    replace(s, seconds=min(s.seconds, 20.0)) if s.seconds else s for s in read_procedure("standard").steps))
QUIET = replace(SHORT, steps=SHORT.steps[:2])


def judged(material: str = "wool felt", procedure: Procedure = SHORT, **more: Any) -> tuple[Finding, ...]:
    run = simulate(material, procedure=procedure, **more).run
    return judge(run.samples, run.procedure)


def codes(found: tuple[Finding, ...]) -> set[str]:
    for one in found:
        assert one.remedy
        assert one.mark.code in CODES
    return {one.mark.code for one in found}


def spring_run(*, slips_mm: float = 0.0) -> tuple[dict[str, Any], dict[str, Any]]:
    procedure = read_procedure("check")
    rng = np.random.default_rng(5)
    motion = play(Spring(), procedure, hand=Hand(), rng=rng)
    errors = RigErrors()
    readings = simulate_readings(motion, errors, rng, instrument=bench_record().instruments[0])
    at = 0.001 * readings.displacement_counts
    late = motion.time_s > 0.6 * motion.time_s[-1]
    return ({"time_s": motion.time_s, "force_n": 0.001 * readings.force_counts,
             "displacement_mm": at + slips_mm * late}, procedure.to_json())


def test_a_clean_spring_is_not_blamed() -> None:
    assert judge(*spring_run()) == ()


def test_uneven_speed() -> None:
    """One stroke in two goes down at a third of the speed of the others."""
    run = simulate("sheet cork", procedure=QUIET, seed=3).run
    table = run.samples.copy()
    force = table["force_n"].to_numpy()
    rising = np.gradient(np.convolve(force, np.ones(9) / 9, "same")) > 0.01
    starts = np.flatnonzero(np.diff((force > 0.3).astype(int)) > 0)
    stroke = np.searchsorted(starts, np.arange(force.size))
    step = np.where(rising & (stroke == 5), 0.06, 0.02)
    table["time_s"] = np.cumsum(step)
    found = judge(table, run.procedure)
    assert codes(found) == {"speed_uneven"}
    assert "took" in found[0].mark.message


def test_too_fast() -> None:
    table = simulate("soft neoprene", procedure=QUIET, seed=4).run.samples.copy()
    table["time_s"] /= 3.0
    assert codes(judge(table, QUIET.to_json())) == {"speed_uneven"}


def test_overshoot_of_a_stroke() -> None:
    """Asked for 18 N, a clumsy hand (12 % scatter) goes well over it."""
    over = []
    for seed in range(4):
        run = simulate("sheet cork", procedure=QUIET, seed=seed, hand=Hand(peak_scatter=0.12)).run
        over.append(bool(run.samples["force_n"].max() > 18 * 1.08))
        assert ("overshot" in codes(judge(run.samples, run.procedure))) == over[-1]
    assert sum(over) >= 2


def test_overshoot_of_a_hold() -> None:
    run = simulate("wool felt", procedure=SHORT, seed=1).run
    table = run.samples.copy()
    force = table["force_n"].to_numpy().copy()
    held = np.flatnonzero(np.abs(force - 8.0) < 0.5)
    begin = held[np.flatnonzero(np.convolve(np.diff(held) == 1, np.ones(500), "valid") == 500)[0]]
    force[begin:begin + 10] *= 1.25
    table["force_n"] = force
    found = judge(table, run.procedure)
    assert codes(found) == {"overshot"}
    assert "the hold at 8.0 N" in found[0].mark.message


@pytest.mark.parametrize("seed", range(3))
def test_a_hold_that_wanders(seed: int) -> None:
    found = judged(seed=seed, hand=Hand(hold_wander=0.10))
    assert "hold_unsteady" in codes(found)


def test_a_force_zero_that_drifts() -> None:
    assert "zero_drifted" in codes(judged(drift_n=(10.0, 0.5)))


@pytest.mark.parametrize(("kelvin", "expected"), [(0.6, set()), (2.0, {"temperature_moved"})])
def test_temperature(kelvin: float, expected: set[str]) -> None:
    table = simulate("sheet cork", procedure=QUIET, seed=2).run.samples.copy()
    rng = np.random.default_rng(0)
    noise = 0.05 * rng.standard_normal(len(table))
    table["temperature_c"] = 21 + kelvin * np.linspace(0, 1, len(table)) + noise
    assert codes(judge(table, QUIET.to_json())) == expected


def test_steel_that_does_not_come_back() -> None:
    samples, procedure = spring_run(slips_mm=0.02)
    found = judge(samples, procedure)
    assert codes(found) == {"indicator_moved"}
    assert "+20 um" in found[0].mark.message


def test_a_player_is_only_told_of_zero_and_temperature() -> None:
    run = simulate("wool felt", procedure=SHORT, seed=0, hand=Hand(hold_wander=0.10)).run
    assert judge(run.samples, {**SHORT.to_json(), "kind": "touch"}) == ()


@pytest.mark.parametrize("table", [
    {"time_s": []}, {"time_s": [0.0]}, {"time_s": [0.0, 1.0], "force_n": [np.nan, np.nan]},
    {"time_s": np.arange(200.0), "force_n": np.full(200, np.nan), "displacement_mm": np.zeros(200)},
    {"time_s": np.arange(200.0), "force_n": np.zeros(200), "temperature_c": np.full(200, np.nan)},
    {"time_s": np.arange(200.0), "force_n": np.full(200, 50.0)},
])
def test_tables_of_nothing_are_not_blamed(table: dict[str, Any]) -> None:
    assert judge(table, None) == ()
