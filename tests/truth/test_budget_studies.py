"""Is the budget right? Repeat runs of a spring, many rigs with errors drawn, pairs of pads on one rig.

Truth: a steel spring of 20 N/mm (no set, no loss), and the virtual pads' own noise-free answers
(padlab/capture/virtual/truth.py). Nothing here was used while the budget was built. The path is the
one that every run takes: the record through ``fit_run`` to its budget, two fits through ``told_apart``
to the verdict.

Each study has its full size (marked long) and a quick one, whose bounds are as wide as so few runs
need: they are the 99.9 % limits of a right budget.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from padlab.capture.procedure import read_procedure
from padlab.capture.virtual.hand import Hand, play
from padlab.capture.virtual.physics import Spring
from padlab.capture.virtual.readings import RigErrors, draw_errors, simulate_readings
from padlab.capture.virtual.simulate import bench_record, simulate
from padlab.decisions.told_apart import told_apart
from padlab.fitting.run_fit import fit_run
from padlab.records.pad import Pad
from padlab.records.run import Run

TRUE_GIVE_MM = 12.0 / 20.0
LONG = [pytest.mark.long, pytest.mark.timeout(1200)]


def of_spring(seed, errors):
    """The fit of one standard run on the spring."""
    rig, plan, rng = bench_record(), read_procedure("standard"), np.random.default_rng([seed, 77])
    motion = play(Spring(), plan, hand=Hand(), rate_hz=50.0, rng=rng)
    said = simulate_readings(motion, errors, rng, instrument=rig.instruments[0])
    force, travel = rig.channel("force"), rig.channel("displacement")
    samples = pd.DataFrame({"time_s": said.clock_s - said.clock_s[0],
                            "force_n": force.scale * said.force_counts,
                            "displacement_mm": travel.sign * travel.scale * said.displacement_counts})
    return fit_run(Run(
        id=f"spring-{seed}", folder=Path("simulated"), kind="pad", state="complete",
        start_utc="2026-01-01T00:00:00Z", pad=Pad("s", "steel spring", "other", "1", 19.0, 8.0, 5.0),
        procedure=plan.to_json(), rig=rig, _samples=samples))


@pytest.mark.parametrize("runs", [8, pytest.param(100, marks=LONG)])
def test_the_random_part_is_the_scatter_of_repeat_runs(runs):
    told = [of_spring(seed, RigErrors()).budget for seed in range(runs)]
    seen = np.std([b.give_mm for b in told], ddof=1)
    said = np.sqrt(np.mean([b.budget.without_common().combined ** 2 for b in told]))
    print(f"{runs} runs: the give scatters by {1e3 * seen:.3f} um, the random part says {1e3 * said:.3f} um")
    if runs == 100:
        assert said == pytest.approx(seen, rel=0.2)
    else:
        low, high = np.sqrt(stats.chi2.ppf([0.0005, 0.9995], runs - 1) / (runs - 1))
        assert low < seen / said < high


@pytest.mark.parametrize("rigs", [8, pytest.param(200, marks=LONG)])
def test_u95_covers_the_true_error_of_rigs_with_errors_drawn(rigs):
    held = 0
    for seed in range(rigs):
        errors = draw_errors(bench_record(), np.random.default_rng([seed, 5]))
        fit = of_spring(10_000 + seed, errors)
        held += abs(fit.budget.give_mm - TRUE_GIVE_MM) <= fit.budget.budget.expanded()
    print(f"{rigs} rigs: U95 held the true error in {held}")
    assert stats.binom.ppf(0.001, rigs, 0.95) <= held
    if rigs == 200:
        assert 0.92 * rigs <= held <= 0.98 * rigs


@pytest.mark.parametrize("pairs", [5, pytest.param(200, marks=LONG)])
def test_the_verdict_on_pairs_of_pads_is_right(pairs):
    materials = ("wool felt", "synthetic felt", "sheet cork", "dense polymer")
    errors = draw_errors(bench_record(), np.random.default_rng(4))
    told = right = far = far_told = 0
    for k in range(pairs):
        made = [simulate(materials[k % 4], lot=1 + k % 3, pad=pad, seed=20_000 + k, errors=errors)
                for pad in (1, 2)]
        true = made[0].truth.give_mm(0.5, 12.5) - made[1].truth.give_mm(0.5, 12.5)
        found = told_apart(*(fit_run(m.run) for m in made))
        assert found.one_rig
        told += found.told_apart
        right += found.told_apart and (found.difference_mm.value > 0) == (true > 0)
        is_far = abs(true) > 2 * found.smallest_difference_mm
        far += is_far
        far_told += is_far and found.told_apart
    print(f"{pairs} pairs: {told} told apart, {right} of them in the true order; {far} truly differ by twice "
          f"the smallest difference, {far_told} of them told apart")
    assert told >= pairs / 4           # else the study would say nothing
    assert far >= pairs / 4
    assert right >= 0.95 * told
    assert far_told >= 0.80 * far


@pytest.mark.parametrize("pairs", [4, pytest.param(104, marks=LONG)])
def test_the_interval_of_a_difference_of_stiff_pads_holds_the_truth(pairs):
    """Dense polymer gives 50 um: its pairs differ by noise and by little else."""
    held = 0
    for k in range(pairs):
        errors = draw_errors(bench_record(), np.random.default_rng([k // 10, 4]))
        made = [simulate("dense polymer", lot=1 + k % 3, pad=pad, seed=30_000 + k, errors=errors)
                for pad in (1, 2)]
        true = made[0].truth.give_mm(0.5, 12.5) - made[1].truth.give_mm(0.5, 12.5)
        found = told_apart(*(fit_run(m.run) for m in made)).difference_mm
        held += found.low <= true <= found.high
    print(f"{pairs} pairs: the interval of the difference held the truth in {held}")
    assert stats.binom.ppf(0.001, pairs, 0.95) <= held
    if pairs == 104:
        assert 0.92 * pairs <= held
