"""The response model on the shelf: fitted once, read from then on, made again when it is old."""

import json
import shutil
from pathlib import Path

import pytest

from padlab.cli.main import main
from padlab.fitting.kept import read_response
from padlab.fitting.run_fit import fit_run
from padlab.records.shelf import find_runs, open_run

RUNS = Path(__file__).parents[3] / "sample_runs"


def first_of(procedure):
    return next(r for r in find_runs([str(RUNS)]) if r.procedure and r.procedure["name"] == procedure)


@pytest.fixture
def shelf(tmp_path):
    """A shelf with one standard run, one warm-up and the blank run that they name."""
    standard, warm_up = first_of("standard"), first_of("warm-up")
    for name in {standard.id, warm_up.id, standard.blank, warm_up.blank}:
        shutil.copytree(RUNS / "runs" / name, tmp_path / "runs" / name,
                        ignore=shutil.ignore_patterns("derived"))
    return tmp_path / "runs" / standard.id, tmp_path / "runs" / warm_up.id


def stored(folder):
    return folder / "derived" / "response.json"


def test_fitted_once_and_read_again(shelf):
    folder, _ = shelf
    first = fit_run(open_run(folder), replayed=True)
    assert first.response is not None
    assert first.no_response is None
    table = json.loads(stored(folder).read_text())
    table["result"]["model"]["held_back"]["rms_mm"] = 0.123      # only somebody who reads it can know
    stored(folder).write_text(json.dumps(table))
    assert fit_run(open_run(folder), replayed=True).response.held_back.rms_mm == 0.123


def test_not_asked_for_it_costs_nothing(shelf):
    folder, _ = shelf
    assert fit_run(open_run(folder)).response is None
    assert not stored(folder).exists()


def test_why_there_is_none_is_kept_too(shelf):
    _, warm_up = shelf
    for _ in range(2):
        fit = fit_run(open_run(warm_up), replayed=True)
        assert fit.response is None
        assert "sinking" in fit.no_response
    assert read_response(open_run(warm_up)).why_not == fit.no_response


@pytest.mark.parametrize("spoil", ["old", "damaged", "another format"])
def test_what_is_old_or_damaged_is_made_again(shelf, spoil):
    folder, _ = shelf
    fresh = fit_run(open_run(folder), replayed=True).response
    table = json.loads(stored(folder).read_text())
    table["result"]["model"]["held_back"]["rms_mm"] = 0.123
    if spoil == "old":
        table["made_from"]["pad"]["thickness_mm"] = 1.0
    elif spoil == "damaged":
        del table["result"]["model"]["tau_s"]
    else:
        table["result"]["format"] = 0
    stored(folder).write_text(json.dumps(table))
    assert fit_run(open_run(folder), replayed=True).response == fresh
    assert read_response(open_run(folder)).model == fresh


def test_a_place_that_cannot_be_written_is_no_hindrance(shelf):
    folder, _ = shelf
    (folder / "derived").write_text("a file where a folder should be")
    assert fit_run(open_run(folder), replayed=True).response is not None


def test_another_frame_is_not_kept(shelf):
    from padlab.calibration.frame import Frame

    folder, _ = shelf
    fit = fit_run(open_run(folder), frame=Frame.from_compliance(1e-4, None), replayed=True)
    assert fit.response is not None
    assert not stored(folder).exists()


def test_remake_makes_it_again(shelf, capsys):
    folder, _ = shelf
    before = None
    for _ in range(2):
        with pytest.raises(SystemExit) as left:
            main(["remake", str(folder), "--json"])
        assert left.value.code == 0
        assert json.loads(capsys.readouterr().out)["runs"][0]["derived"] == ["fit", "response"]
        assert before is None or stored(folder).read_bytes() == before
        before = stored(folder).read_bytes()
        stored(folder).unlink()


def test_fit_prints_how_far_it_is_off(shelf, capsys):
    folder, _ = shelf
    with pytest.raises(SystemExit):
        main(["fit", str(folder)])
    assert "replays a touch, off by" in capsys.readouterr().out
    with pytest.raises(SystemExit):
        main(["fit", str(folder), "--json"])
    told = json.loads(capsys.readouterr().out)["runs"][0]["response"]
    assert [p["part"] for p in told["held_back"]] == ["recorded stroke", "small strokes", "hold"]
    assert 0 < told["train_rms_mm"] < told["held_back_rms_mm"] < told["band_half_width_mm"]
