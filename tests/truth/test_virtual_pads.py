"""Fresh virtual pads: what padlab says of them against their own noise-free answers.

Truth: the same pad pressed by an even and exact machine (padlab/capture/virtual/truth.py). The
pads' physics shares no formula with the fits. The rig's errors are drawn anew for every run from
the doubts that its rig file states. The seeds were not used while the fits were built.
"""

import numpy as np
import pytest

from padlab.capture.virtual.simulate import simulated_run
from padlab.capture.virtual.stocks import MATERIALS
from padlab.fitting.run_fit import fit_run

SEEDS = range(27_000, 27_020)
LOW_N, HIGH_N = 0.5, 12.5     # 3 N and 15 N finger force over a holding force of 2.5 N


@pytest.fixture(scope="module")
def study():
    """(material, true give, give) for every pad, in mm."""
    rows = []
    for material in MATERIALS:
        for seed in SEEDS:
            run, truth = simulated_run(material, lot=1 + seed % 3, pad=1 + seed % 5, seed=seed)
            give = fit_run(run).json["compression"]["give_mm"]
            rows.append((material, truth.give_mm(LOW_N, HIGH_N), give))
    return rows


def test_give_is_right(study):
    close = [abs(g["value"] - t) <= max(0.03 * t, 0.003) for _, t, g in study]
    assert np.mean(close) >= 0.90


def test_the_interval_covers_as_it_says(study):
    covered = [g["low"] <= t <= g["high"] for _, t, g in study]
    assert 0.90 <= np.mean(covered) <= 0.99


def test_the_interval_is_not_wide(study):
    share = [(g["high"] - g["low"]) / 2 / max(0.05 * t, 0.003) for _, t, g in study]
    assert np.median(share) <= 1.0


def test_no_material_is_left_behind(study):
    for material in MATERIALS:
        mine = [(t, g) for m, t, g in study if m == material]
        assert np.mean([g["low"] <= t <= g["high"] for t, g in mine]) >= 0.75    # 15 of 20: 0.2 % by chance
        error = [g["value"] / t - 1 for m, t, g in study if m == material]
        assert abs(np.median(error)) < 0.01
