"""``padlab replay`` on the sample runs: table, page, JSON as its readers rely on, and what is refused."""

import csv
import json
import re
from pathlib import Path

import pytest

from padlab.records.shelf import find_runs

RUNS = Path(__file__).parents[3] / "sample_runs"


def named(kind, procedure, material=None):
    return next(r for r in find_runs([str(RUNS)])
                if r.kind == kind and r.procedure["name"] == procedure
                and (material is None or r.pad.material == material))


TOUCH = named("touch", "touch")
FELT, CORK = (named("pad", "standard", m) for m in ("grey wool felt", "sheet cork"))
WARM_UP = named("pad", "warm-up")


def test_json_and_table(padlab, tmp_path):
    table = tmp_path / "touch.csv"
    code, out, _ = padlab("replay", FELT.folder, CORK.folder, "--touch", TOUCH.folder, "--out", table,
                          "--json")
    assert code == 0
    told = json.loads(out)
    assert [r["run"] for r in told["runs"]] == sorted([FELT.id, CORK.id])
    for row in told["runs"]:
        assert set(row) == {"run", "material", "method", "play_band_mm", "p95_mm", "held_back_rms_mm",
                            "outside_range_share", "marks"}
        assert row["method"] == "replay"
        assert 0 < row["held_back_rms_mm"] < 0.01
        assert row["p95_mm"]["low"] < row["p95_mm"]["value"] < row["p95_mm"]["high"]
        assert row["play_band_mm"]["value"] > row["p95_mm"]["value"]
        assert row["outside_range_share"] == 0.0
    with table.open(newline="") as file:
        lines = list(csv.reader(file))
    first = told["runs"][0]["run"]
    heads = [f"{first} {what}_mm" for what in ("displacement", "low", "high")]
    assert lines[0][:5] == ["time_s", "force_n", *heads]
    assert len(lines[0]) == 8
    assert len(lines) == len(TOUCH.samples) + 1
    _, force, at, low, high = (float(v) for v in max(lines[1:], key=lambda line: float(line[1]))[:5])
    assert force > 5.0
    assert low < at < high


def test_page_and_words(padlab, tmp_path):
    page = tmp_path / "touch.html"
    code, out, _ = padlab("replay", FELT.folder, "--touch", TOUCH.folder, "--out", page)
    assert code == 0
    assert "(replay)" in out
    text = page.read_text()
    assert "How far the port strays (replay)" in text
    assert text.count("<svg") == 2
    assert "<script" not in text
    answer = re.search(r'<h1 class="answer">(.*?)</h1>', text).group(1)
    assert re.fullmatch(r"[A-Z][a-z ]+ pad \S+: 19 notes of 20 within \d+ µm \([\d.]+ thou\), "
                        r"95 % sure: \d+ to \d+ µm \([\d.]+ to [\d.]+ thou\)", answer)
    # Within, beyond or not clear, as the interval says (the limit is 203.2 um).
    low, high = (float(v) for v in re.search(r'nb">([\d.]+) to ([\d.]+) µm', text).groups())
    expected = "within" if high < 203.2 else "beyond" if low > 203.2 else "undecided"
    assert f'<span class="verdict {expected}">' in text


def test_of_several_pads_the_page_gives_the_span(padlab, tmp_path):
    page = tmp_path / "touch.html"
    code, _, _ = padlab("replay", FELT.folder, CORK.folder, "--touch", TOUCH.folder, "--out", page)
    assert code == 0
    answer = re.search(r'<h1 class="answer">(.*?)</h1>', page.read_text()).group(1)
    span = r"19 notes of 20 within (\d[\d.]*) µm .* to (\d[\d.]*) µm .*, by pad"
    first, last = re.fullmatch(span, answer).groups()
    assert float(first) < float(last)


def test_the_heading_says_replay_only_where_every_line_is(padlab, tmp_path):
    page = tmp_path / "touch.html"
    code, out, _ = padlab("replay", FELT.folder, WARM_UP.folder, "--touch", TOUCH.folder, "--out", page)
    assert code == 0
    assert "(method as said)" in out
    assert "nothing is known of sinking" in out
    assert "strays (replay)" not in page.read_text()


def test_a_pad_run_is_a_touch_too(padlab):
    """Its net force as it was: the steady strokes of the run come back where the run had them."""
    code, out, _ = padlab("replay", CORK.folder, "--touch", CORK.folder, "--json")
    assert code == 0
    assert json.loads(out)["notes"] >= 14


PAD = """id = "C1"
material = "cork of the test"
material_class = "cork"
lot = "1"
outer_diameter = "19mm"
inner_diameter = "8mm"
thickness = "1.5mm"
"""


def test_a_passage_of_the_same_pad_judges_the_prediction(padlab, tmp_path):
    """Recorded elsewhere: a standard run and a passage of one virtual pad; the passage is predicted."""
    from padlab.capture.virtual.simulate import simulate

    (tmp_path / "pad.toml").write_text(PAD)
    standard = simulate("sheet cork", seed=8_901)
    passage = simulate("sheet cork", seed=8_901, procedure="passage", errors=standard.errors)
    folders = []
    for name, one in (("standard", standard), ("passage", passage)):
        one.run.samples.to_csv(tmp_path / f"{name}.csv", index=False)
        code, out, err = padlab(
            "import", tmp_path / f"{name}.csv", "--pad", tmp_path / "pad.toml", "--column", "time=time_s:s",
            "--column", "force=force_n:N", "--column", "displacement=displacement_mm:mm", "--out",
            tmp_path / "shelf", "--json")
        assert code == 0, err
        folders.append(json.loads(out)["folder"])
    code, out, _ = padlab("replay", folders[0], "--touch", folders[1], "--json")
    assert code == 0
    (seen,) = json.loads(out)["same_pad"].values()
    assert 0.1 < seen["range_mm"] < 0.4
    assert seen["rms_mm"] < 0.04 * seen["range_mm"]
    assert seen["in_band_share"] > 0.85
    assert "can be judged: off by" in padlab("replay", folders[0], "--touch", folders[1])[1]


@pytest.mark.parametrize(("arguments", "code"), [
    (["--touch", "nothing-like-it-00"], 1), (["--touch", TOUCH.folder, "--out", "x.pdf"], 2),
    (["--touch", TOUCH.folder, "--holding", "40N"], 1), (["--touch", TOUCH.folder, "--holding", "2"], 2),
    ([], 2)])
def test_refused(padlab, arguments, code):
    assert padlab("replay", CORK.folder, *arguments)[0] == code
