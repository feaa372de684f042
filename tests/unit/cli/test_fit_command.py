"""The command on runs of the samples, and on copies of them that lack something."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import pytest

from padlab.cli.fit import _summary
from padlab.cli.main import main
from padlab.fitting.run_fit import fit_run
from padlab.records.recording import lock_of
from padlab.records.shelf import open_run

SAMPLES = Path(__file__).parents[3] / "sample_runs" / "runs"


def described(folder: Path) -> dict:
    return json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))


def of_pad(name: str) -> Path:
    return next(f for f in sorted(SAMPLES.iterdir())
                if (described(f)["padlab"]["pad"] or {}).get("id") == name
                and described(f)["padlab"]["procedure"]["name"] == "standard")


@pytest.fixture
def shelf(tmp_path):
    """Two pads of the samples with the blank run they name."""
    for source in (of_pad("GWF3-1"), of_pad("GWF3-2")):
        shutil.copytree(source, tmp_path / "shelf" / "runs" / source.name)
        blank = described(source)["padlab"]["blank"]
        if blank and not (tmp_path / "shelf" / "runs" / blank).exists():
            shutil.copytree(SAMPLES / blank, tmp_path / "shelf" / "runs" / blank)
    return tmp_path / "shelf"


def change(folder: Path, **values) -> None:
    package = described(folder)
    package["padlab"] |= values
    (folder / "datapackage.json").write_text(json.dumps(package), encoding="utf-8")


def run(capsys, command, *arguments) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main([command, *map(str, arguments)])
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def pads(shelf):
    return [f for f in sorted((shelf / "runs").iterdir()) if described(f)["padlab"]["kind"] == "pad"]


def test_two_runs_are_told_with_their_doubt_and_a_verdict_on_the_pair(shelf, capsys):
    code, out, _ = run(capsys, "fit", *pads(shelf))
    assert code == 0
    for words in ("doubt of the give", "    indicator", "    contact zero", "    force  ",
                  "    give of the frame", "    its smallest step", "    stroke to stroke",
                  "degrees of freedom together"):
        assert out.count(words) == (4 if words == "    give of the frame" else 2), words    # shared, and own
    for jargon in ("compliance", "repeatability", "resolution", "residual"):
        assert jargon not in out
    assert out.count("temperature             not determined, not in it") == 2
    assert out.count("this rig can tell apart pads that differ by") == 2
    (pair,) = [line for line in out.splitlines() if "these two differ by" in line]
    assert all(f.name in pair for f in pads(shelf))
    assert re.search(r"less than the .* um \(.* thou\) that can be told apart|told apart, for", pair)


def test_json_holds_the_budget_the_pairs_and_what_was_not_fitted(shelf, capsys):
    code, out, _ = run(capsys, "fit", shelf, "--json")
    answer = json.loads(out)
    assert code == 0
    assert answer["not_fitted"] == []
    (pair,) = answer["pairs"]
    one, two = answer["runs"]
    assert pair["difference_mm"]["value"] == pytest.approx(
        one["compression"]["give_mm"]["value"] - two["compression"]["give_mm"]["value"])
    assert pair["one_rig"]
    assert pair["told_apart"] == (abs(pair["difference_mm"]["value"]) >= pair["smallest_difference_mm"])
    budget = one["budget"]
    assert {s["group"] for s in budget["sources"]} | {u["group"] for u in budget["not_determined"]} == {
        "indicator", "resolution", "contact zero", "force through stiffness", "compliance", "temperature",
        "repeatability"}
    assert budget["u95_mm"] > 1.9 * sum(s["standard_uncertainty_mm"] ** 2 for s in budget["sources"]) ** 0.5


def test_times_and_forces_that_were_asked_for_have_a_position_in_the_text(shelf, capsys):
    _, out, _ = run(capsys, "fit", pads(shelf)[0], "--at-time", "10s", "--at-time", "1h", "--at-force", "4N")
    assert re.search(r"held 10 s at 3\.\d N +\d+ um", out)
    assert re.search(r"held 3600 s at 3\.\d N .*extrapolated", out)
    assert re.search(r"position at 4 N +\d+ um", out)


def test_a_missing_blank_is_named_with_what_to_do_and_the_others_go_on(shelf, capsys):
    first, second = pads(shelf)
    change(first, blank="20260101T000000Z-aaaaaa")
    code, out, _ = run(capsys, "fit", shelf)
    assert code == 0
    assert second.name in out
    line = next(line for line in out.splitlines() if line.startswith("not fitted"))
    for words in (first.name, "20260101T000000Z-aaaaaa", "is missing", "copy the blank run",
                  "padlab remake"):
        assert words in line
    answer = json.loads(run(capsys, "fit", shelf, "--json")[1])
    assert [r["run"] for r in answer["runs"]] == [second.name]
    assert [n["run"] for n in answer["not_fitted"]] == [first.name]
    assert answer["not_fitted"][0]["where"]["blank"] == "20260101T000000Z-aaaaaa"
    _, out, _ = run(capsys, "compare", shelf)
    assert "copy the blank run's folder onto this shelf" in out


def test_exit_1_only_if_none_could_be_fitted(shelf, capsys):
    for folder in pads(shelf):
        change(folder, blank="20260101T000000Z-aaaaaa")
    code, out, _ = run(capsys, "fit", shelf, "--json")
    error = json.loads(out)["error"]
    assert code == 1
    assert "none of these 2 runs could be fitted" in error["message"]
    assert all(f.name in error["seen"] for f in pads(shelf))
    code, out, _ = run(capsys, "fit", pads(shelf)[0], "--json")
    assert code == 1
    assert "is missing" in json.loads(out)["error"]["message"]


def test_a_run_that_is_being_recorded_says_so_and_not_remake(shelf, capsys):
    first, _ = pads(shelf)
    change(first, state="recording")
    lock = lock_of(first)
    lock.acquire()
    try:
        code, out, _ = run(capsys, "fit", first, "--json")
        error = json.loads(out)["error"]
        assert code == 1
        assert "still being recorded" in error["message"]
        assert "remake" not in json.dumps(error)
        code, out, _ = run(capsys, "fit", shelf)
        assert code == 0
        assert "still being recorded" in out
    finally:
        lock.release()


def test_the_page_of_runs_is_written_and_text_from_outside_is_plain_in_it(shelf, tmp_path, capsys):
    first, _ = pads(shelf)
    pad = described(first)["padlab"]["pad"] | {"material": "<script>felt</script>"}
    change(first, pad=pad)
    out = tmp_path / "runs.html"
    code, words, _ = run(capsys, "fit", shelf, "--report", out)
    page = out.read_text(encoding="utf-8")
    assert code == 0
    assert str(out) in words
    assert "<script" not in page
    assert page.count("<h3>Doubt of the give, source by source") == 2
    for heading in ("Loops, and the law", "Stiffness against force", "Working in",
                    "Sinking under a held note", "What the best law leaves"):
        assert page.count(f"<h3>{heading}") == 2
    assert "This rig can tell apart pads that differ by" in page
    assert "these two differ by" in page
    assert run(capsys, "fit", shelf, "--report", tmp_path / "no" / "r.html")[0] == 2
    (tmp_path / "folder.html").mkdir()
    assert run(capsys, "fit", shelf, "--report", tmp_path / "folder.html")[0] == 2


def test_a_touch_or_blank_run_by_itself_is_refused_by_name(shelf, capsys):
    blank = next(f for f in (shelf / "runs").iterdir() if described(f)["padlab"]["kind"] == "blank")
    code, out, _ = run(capsys, "fit", blank, "--json")
    assert code == 1
    assert blank.name in json.loads(out)["error"]["message"]


def test_compare_says_what_the_rig_can_tell_apart_and_cautions_beside_the_rank(shelf, capsys):
    code, out, _ = run(capsys, "compare", shelf)
    assert code == 0
    assert re.search(r"This rig \(bench\) can tell apart pads that differ by .* um \(.* thou\)", out)
    place = next(n for n, line in enumerate(out.splitlines()) if line.startswith("1  grey wool felt"))
    assert "    ! " in out.splitlines()[place + 1]
    answer = json.loads(run(capsys, "compare", shelf, "--json")[1])
    (rig,) = answer["rigs"]
    assert (rig["rig"], rig["from_n"], rig["to_n"]) == ("bench", 0.5, 12.5)
    (stock,) = rig["stocks"]
    assert stock["runs"] == 2
    assert 0 < stock["smallest_difference_mm"] < stock["give_mm"]
    assert rig["smallest_difference_mm"]["best"] == stock["smallest_difference_mm"]


def test_each_law_is_shown_beside_lmfits(shelf, capsys):
    first, _ = pads(shelf)
    code, out, _ = run(capsys, "fit", first, "--check-with-lmfit")
    assert code == 0
    assert "sinking as it was recorded" in out     # its share is another than the sinking that is told above
    for words in ("checked with lmfit", "logarithmic, sinking: good, the same", "Findley, sinking",
                  "approach, sinking", "standard error"):
        assert words in out
    code, out, _ = run(capsys, "fit", first, "--check-with-lmfit", "--json")
    assert code == 0
    laws = json.loads(out)["lmfit"][first.name]
    assert [law["about"] for law in laws] == ["compression", "sinking", "sinking", "sinking"]
    good = [law for law in laws if law["verdict"] == "good"]
    assert good
    for law in good:
        for p in law["parameters"]:
            assert p["padlab"]["value"] == pytest.approx(p["lmfit"]["value"], rel=1e-5)
            assert max(p["relative_difference"].values()) <= 1e-5
    assert "lmfit" not in json.loads(run(capsys, "fit", first, "--json")[1])


def test_a_law_that_lmfit_finds_otherwise_ends_with_1(shelf, capsys, monkeypatch):
    first, _ = pads(shelf)
    monkeypatch.setattr("padlab.fitting.checked.AGREES", -1.0)      # so strict that nothing agrees
    code, out, err = run(capsys, "fit", first, "--check-with-lmfit")
    assert code == 1
    assert "logarithmic, sinking: good, DIFFERS" in out
    assert "lmfit finds something else" in err
    code, out, _ = run(capsys, "fit", first, "--check-with-lmfit", "--json")
    assert code == 1
    assert first.name in json.loads(out)["error"]["seen"]
    assert json.loads(out)["runs"]


def test_strokes_left_out_for_one_reason_are_told_in_one_line(capsys):
    warm_up = next(f for f in sorted(SAMPLES.iterdir())
                   if (described(f)["padlab"]["pad"] or {}).get("id") == "GWF3-1"
                   and described(f)["padlab"]["procedure"]["name"] == "warm-up")
    code, out, _ = run(capsys, "fit", warm_up)
    assert code == 0
    lines = [line for line in out.splitlines() if "left out" in line]
    assert lines == ["note: 6 strokes left out (11, 14, 30, 33, 37, 41): not let go before it"]
    weights = [line.split(":")[0] for line in out.splitlines() if re.match("(stop|caution|note):", line)]
    assert weights == sorted(weights, key=["stop", "caution", "note"].index)


def test_numbers_have_the_digits_of_their_ends_and_what_was_not_reached_says_so(shelf, capsys):
    _, out, _ = run(capsys, "fit", pads(shelf)[0], "--at-force", "8N", "--at-force", "40N")
    assert re.search(r"stiffness at 8 N +42\.0 N/mm   95 %: 41\.\d to 42\.\d\n", out)
    reach = re.search(r"good to (\d+\.\d) N net\)", out)[1]
    for what in ("position", "stiffness"):
        assert re.search(rf"{what} at 40 N +not determined: this run is good to {reach} N net\n", out)
    share, low, high = re.search(r"held note +(\S+) % per tenfold time   95 %: (\S+) to (\S+)", out).groups()
    assert len({number.partition(".")[2].__len__() for number in (share, low, high)}) == 1
    assert "caution: the best-fitting law leaves the measured curve" in out          # said once, not twice


def test_no_length_is_rounded_to_nothing_in_thou_beside_micrometres(shelf, capsys):
    _, out, _ = run(capsys, "fit", pads(shelf)[0])
    assert re.search(r"    contact zero +0\.1 um \(0\.00\d thou\)", out)
    assert not re.search(r"(?<!0\.0) um \(0\.00 thou\)", out)


def test_a_loss_that_is_no_good_fit_says_so_beside_its_number(shelf):
    fitted = fit_run(open_run(pads(shelf)[0]))
    line = next(x for x in _summary(fitted, (), (), whole=True) if x.strip().startswith("springback loss"))
    assert re.search(r"95 %: \d+\.\d to \d+\.\d$", line)
    fitted.json["hysteresis"]["verdict"] = "undetermined"
    line = next(x for x in _summary(fitted, (), (), whole=True) if x.strip().startswith("springback loss"))
    assert line.endswith("  (undetermined)")
