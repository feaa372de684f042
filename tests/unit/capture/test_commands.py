"""``padlab rigs`` and the options of ``padlab capture``, without a port."""

from __future__ import annotations

import json

import pytest

from padlab.cli.main import main
from padlab.marks import CODES


def run(capsys, *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as end:
        main(list(arguments))
    out, err = capsys.readouterr()
    return int(end.value.code or 0), out, err


def test_rigs_are_listed(capsys):
    code, out, _ = run(capsys, "rigs")
    assert code == 0
    listed = [line.split()[0] for line in out.splitlines()]
    assert listed == sorted(listed)
    assert {"bench", "touch-cap", "two-instruments"} <= set(listed)
    assert [r["name"] for r in json.loads(run(capsys, "rigs", "--json")[1])["rigs"]] == listed


def test_a_rig_is_shown_whole_with_its_doubts(capsys):
    code, out, _ = run(capsys, "rigs", "bench")
    assert code == 0
    for word in ("scale doubt 0.4 %", "offset doubt 0.01 N", "limit 25 N", "resolution 0.001 mm",
                 "uncalibrated", "offset doubt not determined", "modulo 4294967296",
                 "tick 1us", "# bench-a", "0.05um/N"):
        assert word in out
    assert json.loads(run(capsys, "rigs", "bench", "--json")[1])["rig"]["name"] == "bench"


def test_a_broken_rig_is_refused_whole(capsys, tmp_path):
    path = tmp_path / "own.toml"
    path.write_text('name = "own\\u202e"\ncolour = 1\n[[instrument]]\nname = "a"\nprotocol = "scpi"\n')
    code, out, err = run(capsys, "rigs", str(path), "--json")
    assert code == 1
    mistakes = json.loads(out)["error"]["where"]["mistakes"]
    assert {m.split(":")[0] for m in mistakes} == {
        "name", "colour", "instrument[1].url", "instrument[1].lines_per_s", "instrument[1].channel"}
    assert "\u202e" not in err


@pytest.mark.parametrize(
    "arguments",
    [("rigs", "--listen"), ("rigs", "bench", "--seconds", "2"), ("capture",),
     ("capture", "bench", "standard"), ("rigs", "bench", "--what")],
)
def test_usage_errors_are_exit_2(capsys, arguments):
    assert run(capsys, *arguments)[0] == 2


def test_a_blank_must_be_a_blank_run(capsys, tmp_path):
    pad = tmp_path / "pad.toml"
    pad.write_text('id="A"\nmaterial="felt"\nmaterial_class="felt"\nlot="1"\nouter_diameter="19mm"\n'
                   'inner_diameter="8mm"\n')
    code, _, err = run(capsys, "capture", "bench", "standard", "--pad", str(pad), "--out", str(tmp_path),
                       "--blank", "20260704T081530Z-k3v9qa")
    assert code == 1
    assert "is no run" in err


def test_every_mark_of_a_capture_is_in_the_table():
    used = {"gap", "bad_lines", "lost_lines", "interrupted", "over_range", "fewer_strokes_than_planned",
            "rest_unknown"}
    assert used <= set(CODES)
