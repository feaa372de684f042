"""Gauge thickness of a batch: through the front door, kept as it came, refused whole where it has a fault."""

from __future__ import annotations

import json

import pytest

from padlab.cli.main import main
from padlab.errors import RunError
from padlab.records.gauge import readings_of
from padlab.records.run import GaugeBatch
from padlab.records.shelf import Shelf

TABLE = "Pad;Dicke;Blatt;Ort\n" + "\n".join(f"a{i};{1.60 + i / 100:.2f};{1 + i % 2};edge" for i in range(5))
GAUGE = ["--kind", "gauge", "--material", "felt <b>", "--lot", "L1", "--gauge-foot", "0.5N,6mm"]
COLUMNS = ["--column", "pad=Pad", "--column", "thickness=Dicke:mm", "--column", "sheet=Blatt", "--column",
           "place=Ort"]


def run(capsys, *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main([*arguments])
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


@pytest.fixture
def taken(tmp_path, capsys):
    (tmp_path / "g.csv").write_text(TABLE.replace(".", ","), encoding="utf-8")
    code, out, err = run(capsys, "import", str(tmp_path / "g.csv"), *GAUGE, *COLUMNS, "--start", "2026-07-01",
                         "--out", str(tmp_path / "shelf"), "--json")
    assert code == 0, err
    return tmp_path, json.loads(out)


def test_readings_come_back_with_sheet_and_place(taken):
    folder, answer = taken
    opened = Shelf(folder / "shelf").open(answer["run"])
    readings = readings_of(opened)
    assert [r.pad for r in readings] == [f"a{i}" for i in range(5)]
    assert readings[3].thickness_mm == pytest.approx(1.63)
    assert (readings[3].sheet, readings[3].place) == ("2", "edge")
    assert opened.gauge == GaugeBatch("felt <b>", "L1", 0.5, 6.0)
    assert {m["code"] for m in answer["marks"]} == {"imported", "rig_doubt_unknown"}


def test_it_is_a_data_package_that_the_open_standard_reads(taken):
    from frictionless import Package

    folder, answer = taken
    report = Package(str(folder / "shelf" / "runs" / answer["run"] / "datapackage.json")).validate()
    assert report.valid, report.flatten()


def test_the_shelf_lists_it_and_remake_makes_its_table_again(taken, capsys):
    folder, answer = taken
    code, out, _ = run(capsys, "shelf", str(folder / "shelf"), "--json")
    row = json.loads(out)["runs"][0]
    assert (row["kind"], row["material"], row["lot"]) == ("gauge", "felt <b>", "L1")
    table = folder / "shelf" / "runs" / answer["run"] / "readings.csv"
    before = table.read_bytes()
    table.unlink()
    code, out, err = run(capsys, "remake", str(folder / "shelf"))
    assert code == 0, err
    assert table.read_bytes() == before


def test_a_changed_original_is_named(taken):
    folder, answer = taken
    opened = Shelf(folder / "shelf").open(answer["run"])
    original = opened.folder / "raw" / "ORIGINAL"
    original.write_bytes(original.read_bytes().replace(b"1,60", b"1,61"))
    with pytest.raises(RunError, match="no longer what was imported") as seen:
        readings_of(opened)
    assert seen.value.where["file"] == "raw/ORIGINAL"


@pytest.mark.parametrize(("table", "part"), [
    ("Pad,Dicke\na,1.6\na,1.7\n", "stands in the table twice"),
    ("Pad,Dicke\na,1.6\nb,1600\n", "a thickness that no pad has"),
    ("Pad,Dicke\na,1.6\nb,thick\n", "number"),
    ("Pad,Dicke\na,1.6\n,1.7\n", "empty"),
    ("Pad,Stroke\na,1.6\nb,1.7\n", "Dicke"),
])
def test_a_table_with_a_fault_is_refused_whole(tmp_path, capsys, table, part):
    (tmp_path / "g.csv").write_text(table, encoding="utf-8")
    code, out, err = run(capsys, "import", str(tmp_path / "g.csv"), *GAUGE, *COLUMNS[:4], "--out",
                         str(tmp_path / "shelf"))
    assert code == 1
    assert part in err
    assert not (tmp_path / "shelf" / "runs").exists() or not list((tmp_path / "shelf" / "runs").iterdir())


@pytest.mark.parametrize(("options", "part"), [
    (["--kind", "gauge", *COLUMNS[:4]], "needs --material, --lot and --gauge-foot"),
    ([*GAUGE[:-1], "0.5N", *COLUMNS[:4]], "no gauge foot"),
    ([*GAUGE[:-1], "6mm,0.5N", *COLUMNS[:4]], "not a unit of force"),
    ([*GAUGE, "--column", "pad=Pad"], "lacks a column for thickness"),
    ([*GAUGE, "--column", "pad=Pad", "--column", "thickness=Dicke"], "has no unit"),
    ([*GAUGE, "--column", "time=t:s"], "names no column of a gauge table"),
    (["--kind", "touch", "--lot", "L", "--column", "time=t:s", "--column", "force=f:N"], "for --kind gauge"),
])
def test_what_was_typed_wrong_is_a_usage_error(tmp_path, capsys, options, part):
    (tmp_path / "g.csv").write_text("Pad,Dicke\na,1.6\nb,1.7\n", encoding="utf-8")
    code, _, err = run(capsys, "import", str(tmp_path / "g.csv"), *options, "--out", str(tmp_path / "shelf"))
    assert code == 2
    assert part in err
