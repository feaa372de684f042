"""Is the budget right? Repeat runs of a spring, many rigs with errors drawn, pairs of pads on one rig.

Truth: a steel spring of 20 N/mm (no set, no loss), and the virtual pads' own noise-free answers
(padlab/capture/virtual/truth.py). Nothing here was used while the budget was built.
"""

import math
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from padlab.calibration.budget import Budget, Source, smallest_difference
from padlab.capture.procedure import read_procedure
from padlab.capture.virtual.hand import Hand, play
from padlab.capture.virtual.physics import Spring
from padlab.capture.virtual.readings import RigErrors, draw_errors, simulate_readings
from padlab.capture.virtual.simulate import bench_record, simulate
from padlab.fitting.run_fit import fit_run
from padlab.records.pad import Pad
from padlab.records.run import Run

pytestmark = [pytest.mark.long, pytest.mark.timeout(1200)]

TRUE_GIVE_MM = 12.0 / 20.0


def of_spring(seed, errors):
    """The fit of one standard run on the spring, its give and its budget."""
    rig, plan, rng = bench_record(), read_procedure("standard"), np.random.default_rng([seed, 77])
    motion = play(Spring(), plan, hand=Hand(), rate_hz=50.0, rng=rng)
    said = simulate_readings(motion, errors, rng, instrument=rig.instruments[0])
    force, travel = rig.channel("force"), rig.channel("displacement")
    samples = pd.DataFrame({"time_s": said.clock_s - said.clock_s[0],
                            "force_n": force.scale * said.force_counts,
                            "displacement_mm": travel.sign * travel.scale * said.displacement_counts})
    run = Run(id="spring", folder=Path("simulated"), kind="pad", state="complete",
              start_utc="2026-01-01T00:00:00Z", pad=Pad("s", "steel spring", "other", "1", 19.0, 8.0, 5.0),
              procedure=plan.to_json(), rig=rig, _samples=samples)
    told = fit_run(run).json
    return told["compression"]["give_mm"]["value"], told["budget"]


def budget_of(stored):
    return Budget(tuple(
        Source(s["name"], s["standard_uncertainty_mm"],
               math.inf if s["degrees_of_freedom"] is None else s["degrees_of_freedom"],
               systematic=s["systematic"]) for s in stored["sources"]))


def test_the_random_part_is_the_scatter_of_repeat_runs():
    told = [of_spring(seed, RigErrors()) for seed in range(100)]
    seen = np.std([give for give, _ in told], ddof=1)
    said = math.sqrt(np.mean([budget_of(b).without_common().combined ** 2 for _, b in told]))
    assert said == pytest.approx(seen, rel=0.2)


def test_u95_covers_the_true_error_of_rigs_with_errors_drawn():
    held = 0
    for seed in range(200):
        errors = draw_errors(bench_record(), np.random.default_rng([seed, 5]))
        give, budget = of_spring(10_000 + seed, errors)
        held += abs(give - TRUE_GIVE_MM) <= budget["u95_mm"]
    assert 184 <= held <= 196


def test_the_verdict_on_pairs_of_pads_is_right():
    materials = ("wool felt", "synthetic felt", "sheet cork", "dense polymer")
    errors = draw_errors(bench_record(), np.random.default_rng(4))
    told = right = far = far_told = 0
    for k in range(200):
        rows = []
        for pad in (1, 2):
            made = simulate(materials[k % 4], lot=1 + k % 3, pad=pad, seed=20_000 + k, errors=errors)
            fit = fit_run(made.run).json
            rows.append((made.truth.give_mm(0.5, 12.5), fit["compression"]["give_mm"]["value"],
                         budget_of(fit["budget"])))
        (true_a, give_a, one), (true_b, give_b, two) = rows
        smallest = smallest_difference(one, two)
        apart = abs(give_a - give_b) >= smallest
        told += apart
        right += apart and (give_a > give_b) == (true_a > true_b)
        far += abs(true_a - true_b) > 2 * smallest
        far_told += apart and abs(true_a - true_b) > 2 * smallest
    assert told >= 50           # else the study would say nothing
    assert far >= 50
    assert right >= 0.95 * told
    assert far_told >= 0.80 * far
