"""The files of a run, each held against what was recorded of it."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from padlab.errors import RunError
from padlab.records import kept_files as module
from padlab.records.kept_files import kept_file, kept_files
from padlab.records.named import pad_runs, runs_named
from padlab.records.shelf import Shelf, open_run

SAMPLES = Path(__file__).parents[3] / "sample_runs"
PAD = "20261125T142826Z-thxm9p"


@pytest.fixture
def run(tmp_path):
    return open_run(shutil.copytree(SAMPLES / "runs" / PAD, tmp_path / "runs" / PAD))


def test_files_as_recorded_and_changed(run):
    raw, samples = kept_files(run)
    assert (raw.name, samples.name) == ("raw/main.csv.gz", "samples.csv.gz")
    assert raw.now == raw.sha256 == run.raw_sha256["main.csv.gz"]
    assert (raw.verdict, samples.verdict) == ("as recorded", "no hash was recorded of it")
    assert raw.size == (run.folder / "raw" / "main.csv.gz").stat().st_size
    with (run.folder / "raw" / "main.csv.gz").open("ab") as file:
        file.write(b"x")
    changed = kept_files(run)[0]
    assert changed.is_changed
    assert changed.verdict == "NOT what was recorded"


def test_a_large_run_is_not_read(run, monkeypatch):
    monkeypatch.setattr(module, "CHECKED", 10)
    assert [one.now for one in kept_files(run)] == [None, None]
    assert kept_files(run)[0].verdict == "not looked at: large"


def test_a_file_is_looked_up(run):
    assert kept_file(run, "raw/main.csv.gz").is_file()
    for name in ("datapackage.json", "raw/../datapackage.json", "samples.csv", ""):
        with pytest.raises(RunError, match="no such file"):
            kept_file(run, name)


def test_wear_and_gauge_runs_name_their_files():
    for shelf in (SAMPLES, SAMPLES / "deliveries"):
        for folder in Shelf(shelf).run_folders():
            files = kept_files(open_run(folder))
            assert files, folder
            assert not any(one.is_changed for one in files)


def test_runs_of_one_kind():
    whole = runs_named([str(SAMPLES)], kind="wear", by="life")
    assert len(whole) == 19
    assert [r.id for r in whole] == sorted(r.id for r in whole)
    twice = runs_named([str(SAMPLES), str(whole[0].folder)], kind="wear", by="life")
    assert [r.id for r in twice] == [r.id for r in whole]
    with pytest.raises(RunError, match=f"life cannot use run {PAD}"):
        runs_named([str(SAMPLES / "runs" / PAD)], kind="wear", by="life")
    with pytest.raises(RunError, match="no pad run to compare"):
        pad_runs([str(SAMPLES / "deliveries")], by="compare")
