"""The commands of the shelf, as a user calls them."""

from __future__ import annotations

import json
import math
import os
import subprocess
import sys
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import frictionless
import pytest

from padlab.marks import CODES
from padlab.records.derived import read_derived
from padlab.records.recording import LOCK
from padlab.records.shelf import open_run

COLUMNS = ("--column", "time=t:s", "--column", "force=load:N", "--column", "displacement=dial:-mm")


def strokes(seconds: int = 60) -> list[tuple[float, float, float]]:
    """Time, force, reading of a dial that counts down: a made-up press of 6 s a stroke."""
    rows = []
    for n in range(seconds * 50):
        force = 9 * (1 - math.cos(2 * math.pi * n / 300))
        rows.append((n / 50, force, 5 - 0.3 * (force / 18) ** 0.4))
    return rows


@pytest.fixture
def press(tmp_path) -> Path:
    path = tmp_path / "press.csv"
    path.write_text("t,load,dial\n" + "".join(f"{t:.2f},{f:.4f},{x:.5f}\n" for t, f, x in strokes()))
    return path


@pytest.fixture
def imported(padlab, press, pad_file, shelf):
    told = padlab("import", press, "--pad", pad_file, *COLUMNS, "--out", shelf.folder, "--json")
    assert told.code == 0, told.err
    return told.json


def bytes_of(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in sorted(folder.rglob("*"))
            if p.is_file() and p.name != LOCK}


def test_import_says_what_the_contract_says(imported, shelf):
    assert list(imported) == ["run", "folder", "state", "marks", "read"]
    assert imported["read"] == {"readings": 3000, "duration_s": 59.98, "force_n": {"low": 0.0, "high": 18.0},
                                "movement_mm": 0.3, "presses": 10}
    assert imported["state"] == "complete"
    assert [m["code"] for m in imported["marks"]] == ["imported", "rig_doubt_unknown"]
    assert all(m["weight"] == CODES[m["code"]][0] for m in imported["marks"])
    assert frictionless.Package(str(Path(imported["folder"]) / "datapackage.json")).validate().valid


def test_refusal_is_one_json_object_and_writes_nothing(padlab, press, pad_file, shelf):
    press.write_text(press.read_text().replace("0.04,", "0.02,", 1))
    told = padlab("import", press, "--pad", pad_file, *COLUMNS, "--out", shelf.folder, "--json")
    assert told.code == 1
    error = told.json["error"]
    assert list(error) == ["code", "message", "expected", "seen", "remedy", "where"]
    assert (error["code"], error["where"]["row"], error["where"]["column"]) == ("table", 4, "t")
    assert not shelf.folder.exists()


@pytest.mark.parametrize(("arguments", "code", "words"), [
    ((), 2, "--pad"),
    (("--kind", "touch", "--pad", "PAD"), 2, "--pad"),
    (("--kind", "wear", "--pad", "PAD"), 2, "has no time"),
    (("--stop", "up", "--pad", "PAD"), 2, "--kind wear"),
    (("--control", "--pad", "PAD"), 2, "--kind wear"),
    (("--kind", "gauge"), 2, "--gauge-foot"),
    (("--pad", "PAD", "--column", "temperature=room"), 2, "no unit"),
    (("--pad", "PAD", "--column", "temperature=room:kelvin"), 2, "degC"),
    (("--pad", "PAD", "--column", "temperature=room:degC"), 1, "no such column"),
    (("--pad", "none.toml"), 1, "cannot be read"),
])
def test_import_that_cannot_be(padlab, press, pad_file, shelf, arguments, code, words):
    arguments = [str(pad_file) if a == "PAD" else a for a in arguments]
    told = padlab("import", press, *COLUMNS, "--out", shelf.folder, *arguments)
    assert told.code == code
    assert words in told.err
    assert not shelf.folder.exists()


@pytest.mark.parametrize("kind", ["touch", "blank", "check"])
def test_other_kinds_are_imported(padlab, press, shelf, kind):
    columns = COLUMNS[:4] if kind == "touch" else COLUMNS
    told = padlab("import", press, "--kind", kind, *columns, "--out", shelf.folder, "--json")
    assert told.code == 0, told.err
    run = open_run(told.json["folder"])
    assert (run.kind, run.pad) == (kind, None)


def test_table_with_a_name_like_a_path_is_only_a_name(padlab, press, pad_file, shelf, tmp_path):
    odd = tmp_path / "..%2f\u202e<b>$x^$\x1b[31m.csv"
    press.rename(odd)
    told = padlab("import", odd, "--pad", pad_file, *COLUMNS, "--out", shelf.folder, "--json")
    assert told.code == 0
    run = open_run(told.json["folder"])
    assert run.table["name"] == odd.name
    assert sorted(bytes_of(run.folder)) == ["datapackage.json", "raw/ORIGINAL", "samples.csv"]
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted([odd.name, pad_file.name, shelf.folder.name])


def test_shelf_that_is_a_file_or_no_name(padlab, press, pad_file, tmp_path):
    for out in (press, press / "x", "x" * 5000):
        told = padlab("import", press, "--pad", pad_file, *COLUMNS, "--out", out)
        assert told.code == 1
        assert "cannot be a shelf" in told.err
    for shelf in (press, tmp_path / "nothing", "x" * 5000):
        assert padlab("shelf", shelf).code == 1


def test_remake_of_an_import_gives_the_same_bytes(padlab, imported):
    folder = Path(imported["folder"])
    assert padlab("remake", folder).code == 0
    before = bytes_of(folder)
    assert "derived/fit.json" in before
    (folder / "samples.csv").unlink()
    (folder / "derived" / "fit.json").write_text("{}")
    (folder / "derived" / "old.json").write_text("{}")
    told = padlab("remake", folder, "--json")
    assert told.code == 0
    assert told.json["runs"][0]["derived"] == ["fit", "response"]
    assert bytes_of(folder) == before
    assert read_derived(open_run(folder), "fit")["run"] == imported["run"]


def test_remake_of_a_recording_gives_the_same_bytes(padlab, begin):
    recording = begin()
    lines = [f"{t:.6f},{n},{round(t * 1000)},{f:.3f},{x:.4f},ok" for n, (t, f, x) in enumerate(strokes())]
    recording.append("bench", lines)
    run = recording.close("complete")
    told = padlab("remake", run.folder)
    assert told.code == 0, told.err
    before = bytes_of(run.folder)
    assert {"samples.csv", "derived/fit.json"} <= set(before)
    assert padlab("remake", run.folder).code == 0
    assert bytes_of(run.folder) == before


def test_remake_refuses_what_it_cannot_make(padlab, begin, imported):
    recording = begin()
    told = padlab("remake", recording.folder)
    assert (told.code, "is being recorded" in told.err) == (1, True)
    recording.close("interrupted")
    assert padlab("remake", imported["folder"], "--calibration", "c1").code == 1
    told = padlab("remake", imported["folder"], "--blank", imported["folder"])
    assert (told.code, "is no blank run" in told.err) == (1, True)


def test_remake_with_a_blank_run_is_a_dated_amendment(padlab, imported, press, shelf):
    told = padlab("import", press, "--kind", "blank", *COLUMNS, "--out", shelf.folder, "--json")
    blank = told.json["folder"]
    padlab("remake", imported["folder"], "--blank", blank)
    run = open_run(imported["folder"])
    assert run.blank == Path(blank).name
    assert [(a["what"], a["old"], a["new"]) for a in run.amendments] == [("blank", None, run.blank)]


def test_one_run_that_cannot_be_remade_does_not_keep_the_others(padlab, begin, imported, shelf):
    damaged = begin().close("complete")
    (damaged.folder / "raw" / "bench.csv").write_text("junk")
    told = padlab("remake", shelf.folder, "--json")
    assert told.code == 1
    assert told.json["error"]["where"]["runs"] == [damaged.id]
    assert "bench.csv is no longer what was recorded" in told.json["error"]["message"]
    assert (Path(imported["folder"]) / "derived" / "fit.json").exists()


def test_amend_keeps_the_old_beside_the_new(padlab, imported, pad_file):
    folder = Path(imported["folder"])
    raw = (folder / "raw" / "ORIGINAL").read_bytes()
    pad_file.write_text(pad_file.read_text(encoding="utf-8").replace('"A3"', '"A4"'), encoding="utf-8")
    assert padlab("amend", folder, "--pad", pad_file, "--reason", "label misread").code == 0
    assert padlab("amend", folder, "--note", "first").code == 0
    assert padlab("amend", folder, "--note", "second", "--set-aside", "upside down").code == 0
    run = open_run(folder)
    assert run.pad.id == "A4"
    assert run.set_aside == "upside down"
    assert [m.code for m in run.marks][-1] == "set_aside"
    today = f"{datetime.now(UTC):%Y-%m-%d}"
    assert run.note.splitlines() == [f"{today}: first", f"{today}: second"]
    held = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))["padlab"]
    assert held["pad"]["id"] == "A3"
    assert [(a["what"], a["reason"]) for a in held["amendments"]] == [
        ("pad", "label misread"), ("note", None), ("note", None), ("set_aside", None)]
    assert held["amendments"][0]["old"]["id"] == "A3"
    assert (folder / "raw" / "ORIGINAL").read_bytes() == raw
    assert padlab("amend", folder, "--take-back").code == 0
    assert open_run(folder).set_aside is None
    assert frictionless.Package(str(folder / "datapackage.json")).validate().valid


@pytest.mark.parametrize(("arguments", "code"), [
    ((), 2), (("--set-aside", "x", "--take-back"), 2), (("--take-back",), 1), (("--note", ""), 2),
    (("--note", "x" * 2001), 2), (("--set-aside", " "), 2), (("--pad", "none.toml"), 1),
])
def test_amend_that_cannot_be(padlab, imported, arguments, code):
    before = bytes_of(Path(imported["folder"]))
    assert padlab("amend", imported["folder"], *arguments).code == code
    assert bytes_of(Path(imported["folder"])) == before


def test_amend_waits_for_the_end_of_a_recording(padlab, begin):
    recording = begin()
    told = padlab("amend", recording.folder, "--note", "x")
    assert (told.code, "is being recorded" in told.err) == (1, True)
    recording.close("complete")
    assert padlab("amend", recording.folder, "--note", "x").code == 0


def test_shelf_lists_newest_first_and_filters(padlab, begin, shelf, pad):
    days = {day: begin(start=datetime(2026, 7, day, tzinfo=UTC), pad=replace(pad, lot=f"lot {day % 2}"))
            .close("complete").id for day in (2, 4, 3)}

    def ids(*arguments):
        return [r["run"] for r in padlab("shelf", shelf.folder, *arguments, "--json").json["runs"]]

    assert ids() == [days[4], days[3], days[2]]
    assert ids("--lot", "lot 0") == [days[4], days[2]]
    assert ids("--since", "2026-07-03") == [days[4], days[3]]
    assert ids("--material", "grey wool felt", "--kind", "pad", "--procedure", "standard") == ids()
    assert ids("--material", "cork") == []
    assert list(padlab("shelf", shelf.folder, "--json").json["runs"][0]) == [
        "run", "folder", "kind", "state", "material", "lot", "pad", "procedure", "start", "set_aside",
        "marks"]
    assert padlab("shelf", shelf.folder, "--kind", "banana").code == 2
    assert padlab("shelf", shelf.folder, "--since", "yesterday").code == 2


NASTY = "<script>$x^$[/][red]\x1b[31m\u202e\x07\r\n%s{0}"


def test_nasty_text_is_data_in_json_and_plain_in_the_terminal(padlab, begin, shelf, pad):
    run = begin(pad=replace(pad, material=NASTY, lot=NASTY)).close("complete")
    padlab("amend", run.folder, "--set-aside", NASTY)
    told = padlab("shelf", shelf.folder, "--json")
    assert told.json["runs"][0]["material"] == NASTY
    for told in (padlab("shelf", shelf.folder), padlab("amend", run.folder, "--note", NASTY)):
        assert told.code == 0
        assert "<script>$x^$[/][red]?[31m??" in told.out
        assert not set("\x1b\u202e\x07\r") & set(told.out)


@pytest.mark.skipif(os.name == "nt", reason="pseudo-terminals exist on POSIX only")
def test_nasty_text_is_plain_on_a_real_terminal(begin, shelf, pad):
    begin(pad=replace(pad, material="[bold]x[/] " + NASTY)).close("complete")
    import pty

    leader, follower = pty.openpty()
    command = [sys.executable, "-c", "from padlab.cli.main import main; main()", "shelf", str(shelf.folder)]
    environment = {**os.environ, "TERM": "xterm", "NO_COLOR": "1", "COLUMNS": "200"}
    with subprocess.Popen(command, stdout=follower, env=environment) as process:
        os.close(follower)
        shown = b""
        while True:
            try:
                piece = os.read(leader, 4096)
            except OSError:
                break
            if not piece:
                break
            shown += piece
    os.close(leader)
    assert process.returncode == 0
    text = shown.decode()
    assert "[bold]x[/] <script>$x^$[/][red]?[31m??" in text
    assert "\x1b[31m" not in text
    assert not set("\u202e\x07") & set(text)


def test_help_of_the_commands_imports_nothing_heavy():
    script = ("import sys; from padlab.cli.main import cli\n"
              "for name in ('shelf', 'amend', 'new', 'import', 'remake'): cli.get_command(None, name)\n"
              "heavy = 'pandas', 'numpy', 'scipy', 'pydantic', 'rich', 'filelock'\n"
              "print([m for m in heavy if m in sys.modules])")
    told = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, check=True)
    assert told.stdout.strip() == "[]"
