"""``padlab qualify``, through the front door."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from padlab.cli.main import main

RISKS = """producer_risk_quality = 0.01
producer_risk = 0.05
consumer_risk_quality = 0.08
consumer_risk = 0.10
"""
THICKNESS = """[[characteristic]]
name = "thickness"
low = "61thou"
high = "65thou"
"""
GIVE = """[[characteristic]]
name = "give"
high = "12thou"
"""


def run(capsys, *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main(["qualify", *arguments])
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def spec(folder: Path, *parts: str, material: str = "felt") -> str:
    file = folder / "spec.toml"
    file.write_text(f'material = "{material}"\n' + "".join(parts), encoding="utf-8")
    return str(file)


def test_the_plan_of_one_limit_is_the_table_plan(tmp_path, capsys):
    code, out, err = run(capsys, "--plan", spec(tmp_path, RISKS, GIVE), "--json")
    assert code == 0, err
    (plan,) = json.loads(out)["characteristics"]
    assert (plan["n"], round(plan["acceptance_constant"], 6)) == (28, 1.817255)
    assert dict(plan["operating_curve"])[0.01] == pytest.approx(0.95291, abs=5e-6)
    assert dict(plan["operating_curve"])[0.08] == pytest.approx(0.1, abs=1e-6)
    fewer = [c["consumer_risk"] for c in plan["smaller"]]
    assert fewer == sorted(fewer)
    assert fewer[0] > 0.10


def test_several_characteristics_share_the_producers_risk_and_the_words_say_so(tmp_path, capsys):
    file = spec(tmp_path, "sheets = 4\n", RISKS, THICKNESS, GIVE)
    code, out, _ = run(capsys, "--plan", file)
    assert code == 0
    assert "5/2 = 2.5 %" in out
    assert "test 36 pads, 9 from each of 4 sheets" in out
    assert "drawn by lot" in out
    code, out, _ = run(capsys, "--plan", file, "--json")
    assert [c["producer_risk"] for c in json.loads(out)["characteristics"]] == [0.025, 0.025]


def test_double_counted_and_small_lots(tmp_path, capsys):
    _, out, _ = run(capsys, "--plan", spec(tmp_path, "double_plan = true\n", RISKS, GIVE))
    assert "first 22 pads" in out
    _, out, _ = run(capsys, "--plan", spec(tmp_path, RISKS, GIVE, 'distribution = "any"\n'))
    assert "at most 2 of 65 pads" in out
    code, _, err = run(capsys, "--plan", spec(tmp_path, "lot_size = 25\n", RISKS, GIVE))
    assert code == 1
    assert "measure every pad" in err


def test_mistakes_of_a_spec_exit_1_and_all_are_said(tmp_path, capsys):
    bare = GIVE.replace("12thou", "12")
    code, out, err = run(capsys, "--plan", spec(tmp_path, RISKS, bare, "colour = 1\n"), "--json")
    assert code == 1
    assert len(json.loads(out)["error"]["where"]["mistakes"]) == 2
    assert "write it as 12thou" in err
    assert run(capsys)[0] == 2


def test_pads_to_take_and_pads_that_are_needed_do_not_contradict_each_other(tmp_path, capsys):
    """31 are needed; four sheets that give alike give 32."""
    _, out, _ = run(capsys, "--plan", spec(tmp_path, "sheets = 4\n", RISKS, THICKNESS))
    head, *lines = out.splitlines()
    assert head == "felt: test 32 pads, 8 from each of 4 sheets (31 are needed; every sheet gives alike)"
    assert any(line.startswith("thickness: 31 pads are needed; ") for line in lines)
    _, out, _ = run(capsys, "--plan", spec(tmp_path, "sheets = 2\n", RISKS, GIVE))
    assert out.splitlines()[0] == "felt: test 28 pads, 14 from each of 2 sheets"


def test_every_share_and_chance_of_a_plan_is_in_per_cent(tmp_path, capsys):
    _, out, _ = run(capsys, "--plan", spec(tmp_path, RISKS, GIVE, THICKNESS))
    assert "a lot with 1 % of its pads outside is refused 5 % of the time at most," in out
    assert "one with 8 % is accepted 10 % of the time at most" in out
    assert "each may refuse a good lot 5/2 = 2.5 % of the time" in out
    assert "0.08" not in out
    rows = [line for line in out.splitlines() if line.startswith("       ") and line.endswith("%")]
    assert len(rows) > 20
    assert not any(row.split("%")[1].strip() in ("0.0", "100.0") for row in rows)
    assert re.search(r"known from many lots: \d+ pads", out)              # no tenths of a pad


def test_a_stock_that_is_not_on_the_shelf_is_told_beside_what_is(tmp_path, capsys):
    deliveries = Path(__file__).parents[3] / "sample_runs" / "deliveries"
    code, _, err = run(capsys, str(deliveries), "--spec", spec(tmp_path, RISKS, THICKNESS, material="wool"),
                       "--lot", "2026-09")
    assert code == 1
    assert "seen: nothing of 'wool' that can be judged; on file: 'cream wool felt'" in err


def test_the_mean_of_a_lot_has_its_interval(capsys):
    deliveries = Path(__file__).parents[3] / "sample_runs" / "deliveries"
    asked = [str(deliveries), "--spec", str(deliveries / "spec-thickness.toml"), "--lot", "2026-11"]
    code, out, _ = run(capsys, *asked)
    mean = json.loads(run(capsys, *asked, "--json")[1])["characteristics"][0]["mean"]
    assert code == 0
    ends = [f"{mean[end]:.3f} mm ({mean[end] / 0.0254:.1f} thou)" for end in ("value", "low", "high")]
    assert f"20 pads, mean {ends[0]} (95 % between {ends[1]} and {ends[2]})" in out
    assert "20 of the 31 pads that the rule needs were tested" in out
