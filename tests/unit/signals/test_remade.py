"""A run that was cut off has no samples yet; they are made from what had come."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from padlab.errors import RunError
from padlab.records.index import list_runs
from padlab.records.shelf import Shelf, open_run
from padlab.signals.remade import with_samples

SAMPLES = Path(__file__).parents[3] / "sample_runs"


@pytest.fixture
def cut_off(tmp_path):
    """A sample run as kill -9 would have left it: no samples, no word why it ended."""
    name = next(r["run"] for r in list_runs(Shelf(SAMPLES))[0] if r["procedure"] == "standard")
    folder = tmp_path / "runs" / name
    shutil.copytree(SAMPLES / "runs" / name, folder)
    told = json.loads((folder / "datapackage.json").read_text("utf-8"))
    held = told["padlab"]
    held["state"], held["marks"], held["raw_sha256"], held["samples_sha256"] = "recording", [], {}, {}
    told["resources"] = [r for r in told["resources"] if r["name"] != "samples"]
    (folder / "datapackage.json").write_text(json.dumps(told), "utf-8")
    for one in [*folder.glob("samples.csv*"), *folder.glob("derived/*")]:
        one.unlink()
    return folder


def test_samples_are_made_once(cut_off):
    whole = open_run(SAMPLES / "runs" / cut_off.name).samples
    run = open_run(cut_off)
    assert run.was_cut_off
    with pytest.raises(RunError, match=r"has no samples\.csv"):
        _ = run.samples
    made = with_samples(run)
    assert made.samples.shape == whole.shape
    assert made.samples["force_n"].equals(whole["force_n"])
    assert made.was_cut_off                                  # it stays what it is
    stamp = (cut_off / "datapackage.json").stat().st_mtime_ns
    assert with_samples(open_run(cut_off)).samples.equals(made.samples)
    assert (cut_off / "datapackage.json").stat().st_mtime_ns == stamp


def test_a_run_that_has_them_or_says_why_it_ended_is_left_alone():
    run = open_run(next((SAMPLES / "runs").iterdir()))
    assert not run.was_cut_off
    assert with_samples(run) is run
