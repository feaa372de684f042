"""``padlab choose --out --labels`` on a small shelf of the invented runs: pages, words, mistakes."""

import json
import re
import shutil
from pathlib import Path

import pytest

from padlab.records.shelf import find_runs

SAMPLES = Path(__file__).parents[3] / "sample_runs"
CORNET = SAMPLES / "instruments" / "band-cornet-3.toml"
STOCKS = ("dense green polymer", "white synthetic felt")


@pytest.fixture(scope="module")
def shelf(tmp_path_factory):
    """One pad of each of two lots of two stocks, the polymer's wear, the shop."""
    folder = tmp_path_factory.mktemp("choose")
    taken = set()
    for run in find_runs([str(SAMPLES)]):
        if run.kind == "blank":
            shutil.copytree(run.folder, folder / "runs" / run.folder.name)
        if run.pad is None or run.pad.material not in STOCKS:
            continue
        is_wear = run.kind == "wear"
        key = (run.pad.material, run.pad.lot)
        if not is_wear and (run.procedure["name"] != "standard" or key in taken or run.pad.lot == "2026-03"):
            continue
        if not is_wear:
            taken.add(key)
        shutil.copytree(run.folder, folder / "runs" / run.folder.name)
    assert len(taken) == 4
    shutil.copy(SAMPLES / "shop.toml", folder)
    return folder


def plain_text(path):
    return " ".join(re.sub(r"<[^>]+>", " ", path.read_text("utf-8").split("<body>")[1]).split())


def test_both_pages_and_the_words_agree(padlab, shelf, tmp_path):
    out, labels = tmp_path / "cut.html", tmp_path / "labels.html"
    code, said, err = padlab("choose", CORNET, shelf, "--out", out, "--labels", labels)
    assert code == 0, err
    assert f"The cut list: {out}" in said
    assert f"The labels: {labels}" in said
    cuts = re.findall(r"valve (\d), (up|down) stop: (.*), cut to ([\d.]+) thou", said)
    assert len(cuts) == 5
    page, label = plain_text(out), plain_text(labels)
    rows = page.split("Found [thou]")[1]
    for valve, side, stock, thou in cuts:
        row = rows.split(f"{valve} {side}", 1)[1]
        assert re.search(rf"{re.escape(thou)} thou [\d.]+ mm {stock}", row[:200])
        assert f"valve {valve}, {side} stop {thou} thou" in label
        assert f"Valve {valve} , {side} stop: {stock} , {thou} thou" in page
    for go, no_go in re.findall(r"go ([\d.]+), no-go ([\d.]+)", said):
        assert f"go {go} no-go {no_go}" in page
        assert f"go {go}, no-go {no_go}" in label
    assert "3 up , stops_on_pad : the piston stops on metal" in page
    assert "Read at 4 N (408 gf) by depth gauge through the open port, with a pad of white" in page


def test_labels_alone_and_json(padlab, shelf, tmp_path):
    labels = tmp_path / "labels.html"
    code, said, err = padlab("choose", CORNET, shelf, "--labels", labels, "--json")
    assert code == 0, err
    answer = json.loads(said)
    assert labels.read_text("utf-8").count("<li") == 3 * len(answer["stops"])
    assert list(tmp_path.iterdir()) == [labels]


def test_what_is_no_shelf_gives_no_page(padlab, tmp_path):
    code, _, err = padlab("choose", CORNET, tmp_path, "--out", tmp_path / "cut.html")
    assert code == 1
    assert "is no run and no shelf" in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("options", [
    ["--out", "no/cut.html"], ["--labels", "no/labels.html"], ["--out", "a.html", "--labels", "a.html"],
    ["--out", "."], ["--labels", "."]])
def test_mistyped_options_are_told_before_any_work(padlab, tmp_path, monkeypatch, options):
    monkeypatch.chdir(tmp_path)
    code, _, err = padlab("choose", CORNET, SAMPLES, *options)
    assert code == 2
    assert options[-2].removeprefix("--") in err
    assert list(tmp_path.iterdir()) == []


def test_a_fitting_on_file_is_cut_again_without_a_reading(padlab, shelf, tmp_path):
    """No arrow is drawn from a reading that nobody took."""
    file = tmp_path / "cornet.toml"
    shutil.copy(CORNET, file)
    code, _, err = padlab("fitted", file, shelf, "--on", "2026-07-04", "--check", "1.down=-2thou")
    assert code == 0, err
    kept = next(p for p in tmp_path.iterdir() if p != file)
    out = tmp_path / "again.html"
    code, said, err = padlab("choose", kept, shelf, "--out", out)
    assert code == 0, err
    page = plain_text(out)
    assert len(re.findall("cut to [0-9.]+ thou", said)) == 5
    assert page.count("Cut as fitted before: no new reading") == 5
    assert "-arrow" not in re.sub("(minus|plus)-arrow", "", out.read_text("utf-8"))
