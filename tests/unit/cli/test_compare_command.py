"""The command, on tables of invented pads taken in through the front door."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from padlab.cli.main import main

COLUMNS = ["--column", "time=t:s", "--column", "force=f:N"]


def press(scale: float) -> str:
    """Eight strokes to 18 N and a note held for 20 s; an exponential pad with a loop and 4 % creep."""
    ramp = np.linspace(0, 18, 120)
    stroke = np.concatenate([np.zeros(20), ramp, ramp[::-1]])
    rise = np.linspace(0, 3.5, 40)
    force = np.concatenate([*[stroke] * 8, np.zeros(40), rise, np.full(1000, 3.5), rise[::-1], np.zeros(40)])
    rising = np.r_[True, np.diff(force) >= 0]
    loop = np.where(rising | (force == 0), 1.0, 1.0 + 0.04 * (1 - force / 18))
    x = scale * np.log1p(force / 0.5) / 8 * loop
    held = np.flatnonzero(force == 3.5)
    x[held] *= 1 + 0.04 * np.log10(1 + np.arange(held.size) / 50 / 0.1)
    t = np.arange(force.size) / 50
    noise = np.random.default_rng(4).normal(0, 2e-4, (2, force.size))
    rows = [f"{a:.3f},{b:.4f},{c:.5f}" for a, b, c in zip(t, force + 5 * noise[0], x + noise[1], strict=True)]
    return "\n".join(["t,f,x", *rows])


def take_in(folder: Path, name: str, table: str, *options: str) -> None:
    (folder / name).write_text(table, encoding="utf-8")
    with pytest.raises(SystemExit) as left:
        main(["import", str(folder / name), *options, "--out", str(folder / "shelf")])
    assert left.value.code == 0


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("compare")
    for stock, scale in (("grey [felt]", 1.0), ("<b>cork</b>", 0.3)):
        for pad in (0, 1):
            (folder / "pad.toml").write_text(
                f'id = "p{pad}"\nmaterial = "{stock}"\nmaterial_class = "felt"\nlot = "2026-07"\n'
                'outer_diameter = "19mm"\ninner_diameter = "8mm"\nthickness = "1.6mm"\n', encoding="utf-8")
            take_in(folder, "press.csv", press(scale * (1 + 0.02 * pad)), "--pad", str(folder / "pad.toml"),
                    *COLUMNS, "--column", "displacement=x:mm")
    player = "\n".join(["t,f", *[f"{i / 100:.2f},{7.0 if i % 100 > 50 else 0.0}" for i in range(1000)]])
    take_in(folder, "player.csv", player, "--kind", "touch", *COLUMNS)
    return folder


def run(capsys, *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(["compare", *arguments])
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def test_json_is_one_object_and_ranks(folder, capsys):
    code, out, err = run(capsys, str(folder / "shelf"), "--json")
    answer = json.loads(out)
    assert code == 0
    assert [r["material"] for r in answer["ranking"]] == ["<b>cork</b>", "grey [felt]"]
    assert [r["verdict"] for r in answer["ranking"]] == ["within", "within"]
    assert all(p["used"] and p["start_utc"] for p in answer["pads"])
    assert len(answer["pads"]) == 4                    # the touch run on the shelf is no pad
    assert err.splitlines()[-1].startswith("time: read ")


def test_summary_is_plain_words_on_the_terminal(folder, capsys):
    code, out, _ = run(capsys, str(folder / "shelf"), "--limit", "6thou")
    assert code == 0
    assert "19 notes of 20 within" in out
    assert "keeps within the limit" in out
    assert "grey [felt]" in out                        # brackets are no markup
    assert "one lot only" in out
    assert "P95" not in out


def test_page_is_written_and_is_the_same_again(folder, tmp_path, capsys):
    for name in ("a.html", "b.html"):
        assert run(capsys, str(folder / "shelf"), "--out", str(tmp_path / name))[0] == 0
    first, second = ((tmp_path / n).read_text(encoding="utf-8").splitlines() for n in ("a.html", "b.html"))
    assert len([1 for a, b in zip(first, second, strict=True) if a != b]) <= 1     # but the date line
    assert "<b>cork</b>" not in "\n".join(first)


def test_options_reach_the_comparison(folder, capsys):
    answer = json.loads(run(
        capsys, str(folder / "shelf"), "--json", "--touch", "hard", "--holding", "300gf", "--face", "18x9mm",
        "--thickness", "50thou", "--limit", "2thou", "--stop", "down", "--service-years", "8",
        "--strokes-per-day", "3000", "--days-per-week", "6")[1])
    assert answer["touch"]["median_n"] == 10
    assert answer["touch"]["holding_n"] == pytest.approx(2.94, abs=0.01)
    assert answer["carried_to"] == {"outer_mm": 18, "inner_mm": 9, "loaded_thickness_mm": pytest.approx(1.27)}
    assert answer["limit_mm"] == pytest.approx(0.0508)
    assert answer["ranking"][0]["drift_total_p95_mm"] is None
    assert "thinning" in answer["ranking"][0]["missing"]


def test_touch_from_a_file_and_from_a_run(folder, tmp_path, capsys):
    (tmp_path / "t.toml").write_text('median_force = "7N"\nholding_force = "2N"\n', encoding="utf-8")
    answer = json.loads(run(capsys, str(folder / "shelf"), "--json", "--touch", str(tmp_path / "t.toml"))[1])
    assert (answer["touch"]["median_n"], answer["touch"]["holding_n"]) == (7, 2)
    player = next(p.name for p in (folder / "shelf" / "runs").iterdir()
                  if '"touch"' in (p / "datapackage.json").read_text(encoding="utf-8"))
    answer = json.loads(run(capsys, str(folder / "shelf"), "--json", "--touch", player)[1])
    assert answer["touch"]["median_n"] == pytest.approx(7)
    assert answer["touch"]["gsd"] is None


@pytest.mark.parametrize("arguments", [
    ["--limit", "8"], ["--limit", "8N"], ["--limit", "-1thou"], ["--limit", "nan"], ["--face", "19"],
    ["--face", "8mmx19mm"], ["--face", "19x8"], ["--face", "15x7thou"], ["--thickness", "1e9mm"],
    ["--stop", "left"],
    ["--service-years", "8"], ["--out", "no/such/folder/r.html"], ["--holding", "\x1b[31m"],
])
def test_wrong_use_is_exit_2(folder, capsys, arguments):
    code, out, err = run(capsys, str(folder / "shelf"), *arguments)
    assert (code, out) == (2, "")
    assert "\x1b" not in err


@pytest.mark.parametrize("arguments", [
    ["--touch", "soft"], ["--touch", "none.toml"], ["--touch", "no/where"], ["--holding", "6N"],
])
def test_input_at_fault_is_exit_1_with_the_reason(folder, capsys, arguments):
    code, out, _ = run(capsys, str(folder / "shelf"), *arguments, "--json")
    assert code == 1
    assert json.loads(out)["error"]["message"]


def test_a_touch_run_by_itself_is_refused_by_name(folder, capsys):
    player = next(p for p in (folder / "shelf" / "runs").iterdir()
                  if '"touch"' in (p / "datapackage.json").read_text(encoding="utf-8"))
    code, out, _ = run(capsys, str(player), "--json")
    error = json.loads(out)["error"]
    assert code == 1
    assert player.name in error["message"]
    assert "--touch" in error["remedy"]


def test_a_disc_without_a_hole_is_a_face(folder, capsys):
    answer = json.loads(run(capsys, str(folder / "shelf"), "--json", "--face", "19x0mm")[1])
    assert (answer["carried_to"]["outer_mm"], answer["carried_to"]["inner_mm"]) == (19, 0)


def test_an_empty_shelf_is_refused(tmp_path, capsys):
    (tmp_path / "shelf" / "runs").mkdir(parents=True)
    code, out, _ = run(capsys, str(tmp_path / "shelf"), "--json")
    assert code == 1
    assert "no pad run" in json.loads(out)["error"]["message"]


def test_total_drift_of_the_invented_stocks_that_were_worn(capsys, tmp_path):
    samples = Path(__file__).parents[3] / "sample_runs"
    chosen = tmp_path / "shelf" / "runs"
    chosen.mkdir(parents=True)
    for folder in sorted((samples / "runs").iterdir()):
        held = json.loads((folder / "datapackage.json").read_text("utf-8"))["padlab"]
        if held["kind"] == "blank" or (held.get("pad") or {}).get("material") == "dense green polymer":
            shutil.copytree(folder, chosen / folder.name, ignore=shutil.ignore_patterns("derived"))
    service = ["--service-years", "6", "--strokes-per-day", "2000", "--days-per-week", "6"]
    with_service = json.loads(run(capsys, str(tmp_path / "shelf"), "--json", *service)[1])["ranking"][0]
    without = json.loads(run(capsys, str(tmp_path / "shelf"), "--json")[1])["ranking"][0]
    assert without["drift_total_p95_mm"] is None
    assert {"thinning", "service"} <= set(without["missing"])
    assert with_service["missing"] == []
    assert with_service["drift_play_p95_mm"] == without["drift_play_p95_mm"]
    total, lost = with_service["drift_total_p95_mm"], with_service["thinning_mm"]
    assert lost["value"] == pytest.approx(0.005 + 0.9e-7 * 6 * 2000 * 6 / 7 * 365.25 / 10, rel=0.25)
    assert total["low"] < total["value"] < total["high"]
    play = with_service["drift_play_p95_mm"]["value"]
    assert 0.9 * lost["value"] < total["value"] < lost["value"] + play + 0.01
    assert {"thinning_elsewhere", "extrapolated"} <= {m["code"] for m in with_service["marks"]}
    far = json.loads(run(capsys, str(tmp_path / "shelf"), "--json", "--service-years", "40", *service[2:])[1])
    assert "thinning" in far["ranking"][0]["missing"]
    words = run(capsys, str(tmp_path / "shelf"), *service)[1].replace("\n", " ")
    shown = re.search(r"Over 6 years of 2000 strokes a day, 6 days a week.*Dense green polymer: (\S+) um .*?"
                      r", 95 % sure between (\S+) um .* and (\S+) um", words)
    assert [float(n) for n in shown.groups()] == pytest.approx(
        [1e3 * total[end] for end in ("value", "low", "high")], abs=0.06)
    words = run(capsys, str(tmp_path / "shelf"), "--service-years", "40", *service[2:])[1]
    assert "Dense green polymer: not determined: its thinning over that time is not known." in words
