"""The invented deliveries in sample_runs: a good lot accepted, a bad one refused, one not yet read enough.

The lots were drawn by sample_runs/make_deliveries.py: 2026-09 with 63.1 thou and 0.6 thou within a sheet
(0.1 % outside 61 to 65 thou), 2026-10 with 62.0 and 1.0 (a sixth outside), 2026-11 like the good one but
with 20 pads of 31.
"""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from padlab.cli.main import main

SAMPLES = Path(__file__).parents[2] / "sample_runs"
DELIVERIES = SAMPLES / "deliveries"


def qualify(capsys, shelf, spec, lot):
    with pytest.raises(SystemExit) as left:
        main(["qualify", str(shelf), "--spec", str(DELIVERIES / spec), "--lot", lot, "--json"])
    assert not left.value.code
    return json.loads(capsys.readouterr().out)


@pytest.mark.parametrize(("lot", "verdict", "same"), [
    ("2026-09", "accept", True), ("2026-10", "refuse", False), ("2026-11", "test_more", True)])
def test_the_three_verdicts(capsys, lot, verdict, same):
    answer = qualify(capsys, DELIVERIES, "spec-thickness.toml", lot)
    assert answer["verdict"] == verdict
    assert answer["characteristics"][0]["equivalence"]["shown"] is same
    if verdict == "test_more":
        few = "20 of the 31 pads that the rule needs were tested"
        assert answer["characteristics"][0]["reasons"] == [few]


def test_runs_of_the_bench_rig_are_read_with_a_guard_band(capsys):
    # Three pads of 34: whatever they say, the plan is not met. The guard band comes from the rig file.
    answer = qualify(capsys, SAMPLES, "spec-give.toml", "2026-05")
    assert answer["verdict"] == "test_more"
    give, loss = answer["characteristics"]
    assert (give["name"], give["n"], give["needed"]) == ("give", 3, 34)
    assert 0 < give["guard"] < 0.1 * give["mean"]["value"]
    assert give["mean"]["value"] > 0
    assert 0 < loss["mean"]["value"] < 1
    assert len(answer["runs"]) == 3


def test_a_run_that_is_marked_stop_is_a_ground_to_test_more(capsys, tmp_path):
    # In sample_runs the force zero drifts during one run (sheet cork, 2026-03, pad 2): its pad has no value.
    text = (DELIVERIES / "spec-give.toml").read_text("utf-8").replace("grey wool felt", "sheet cork")
    (tmp_path / "cork.toml").write_text(text, encoding="utf-8")
    answer = qualify(capsys, SAMPLES, tmp_path / "cork.toml", "2026-03")
    give = answer["characteristics"][0]
    assert (answer["verdict"], give["n"]) == ("test_more", 2)
    assert any("marked stop" in reason and "-2:" in reason for reason in give["reasons"])
