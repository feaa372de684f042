"""Readings of a pad over its service: taken in whole, or refused with row and column."""

import io
import json
from datetime import UTC, datetime
from pathlib import Path

import frictionless
import numpy as np
import openpyxl
import pytest

from padlab.errors import InputError, TableError
from padlab.records.columns import Column, check_columns, parse_column
from padlab.records.shelf import open_run
from padlab.records.tables import import_table, samples_of, samples_of_original
from padlab.signals.wear_look import wear_look

NOW = datetime(2026, 7, 5, 9, tzinfo=UTC)
COLUMNS = [parse_column(c) for c in ("strokes=n", "thickness=h:thou", "rest=rested:h", "mass=m:mg",
                                     "temperature=room:degC")]
TABLE = "n,h,rested,m,room\n0,63,24,400,21\n100000,62,,399,\n100000,62.5,24,,22\n"


def read(text, columns=COLUMNS, **how):
    return samples_of(text.encode(), {"columns": [vars(c) for c in columns], **how})[0]


def test_readings_are_taken_in():
    samples = read(TABLE)
    assert list(samples.columns) == ["strokes", "thickness_mm", "rest_s", "mass_kg", "temperature_c"]
    assert samples["strokes"].tolist() == [0, 1e5, 1e5]
    assert samples["thickness_mm"].tolist() == pytest.approx([1.6002, 1.5748, 1.5875])
    assert samples["rest_s"].tolist() == pytest.approx([86400, np.nan, 86400], nan_ok=True)
    assert samples["mass_kg"].tolist() == pytest.approx([4e-4, 3.99e-4, np.nan], nan_ok=True)


def test_dates_become_days_since_the_first():
    text = "on;h\n2019-03-01;1,600\n2020-03-01;1,590\n2026-03-01T12:00;1,571\n"
    with pytest.raises(TableError, match="two ways"):          # 1,600 mm or 1600 mm: nobody can tell
        read(text, [parse_column("date=on"), parse_column("thickness=h:mm")])
    samples = read(text, [parse_column("date=on"), parse_column("thickness=h:mm")], decimal="comma")
    assert samples["days"].tolist() == [0, 366, 2557.5]
    assert samples["thickness_mm"].tolist() == [1.6, 1.59, 1.571]


def test_a_workbook_s_own_dates_are_read():
    book = openpyxl.Workbook()
    for row in (("on", "h"), (datetime(2020, 1, 1), 1.6), (datetime(2020, 1, 31), 1.59)):
        book.active.append(row)
    stream = io.BytesIO()
    book.save(stream)
    columns = [parse_column("date=on"), parse_column("thickness=h:mm")]
    samples, about = samples_of(stream.getvalue(), {"columns": [vars(c) for c in columns]})
    assert samples["days"].tolist() == [0, 30]
    assert about["format"] == "xlsx"


@pytest.mark.parametrize(("text", "words", "row"), [
    ("n,h,rested,m,room\n0,63,24,400,21\n", "too few", None),
    (TABLE.replace("100000,62.5", "90000,62.5"), "turns back", 4),
    (TABLE.replace("62.5", "x"), "no number", 4),
    (TABLE.replace("62.5", "0"), "thickness that cannot be", 4),
    (TABLE.replace("62.5", "-3"), "thickness that cannot be", 4),
    (TABLE.replace("62.5", "90000"), "thickness that cannot be", 4),
    (TABLE.replace("62.5", ""), "empty cell", 4),
    (TABLE.replace("399", "-1"), "mass that cannot be", 3),
    (TABLE.replace("400", "1e9"), "mass that cannot be", 2),
])
def test_what_no_pad_did_is_refused(text, words, row):
    with pytest.raises(TableError, match=words) as told:
        read(text)
    assert told.value.where.get("row") == row


@pytest.mark.parametrize("date", ["03/04/2020", "", "soon", "2020-13-01", "9" * 400])
def test_a_date_that_can_be_read_two_ways_is_refused(date):
    with pytest.raises(TableError, match="no date"):
        read(f"on,h\n2019-01-01,1.6\n{date},1.5\n", [parse_column("date=on"), parse_column("thickness=h:mm")])


def test_columns_that_wear_needs():
    assert parse_column("strokes=a:b") == Column("strokes", "a:b", "1")
    check_columns("wear", COLUMNS[:2])
    for kind, columns in (("wear", COLUMNS[:1]), ("wear", COLUMNS[1:]), ("pad", COLUMNS),
                          ("wear", [*COLUMNS, Column("force", "f", "N")])):
        with pytest.raises(InputError):
            check_columns(kind, columns)
    for bad in ("strokes=", "thickness=h", "mass=m:N"):
        with pytest.raises(InputError):
            parse_column(bad)


def test_a_wear_run_is_whole_and_made_again_from_its_table(tmp_path, shelf, pad):
    path = tmp_path / "wear.csv"
    path.write_text(TABLE)
    run = import_table(path, shelf, kind="wear", columns=COLUMNS, now=NOW, pad=pad, stop="up", control=True)
    again = open_run(run.folder)
    assert (again.kind, again.stop, again.is_control, again.pad) == ("wear", "up", True, pad)
    assert again.samples.equals(samples_of_original(again).round(10))
    assert frictionless.Package(str(run.folder / "datapackage.json")).validate().valid
    held = json.loads((run.folder / "datapackage.json").read_text())
    held["padlab"]["stop"] = "sideways"
    (run.folder / "datapackage.json").write_text(json.dumps(held))
    with pytest.raises(ValueError, match="damaged at stop"):
        open_run(run.folder)


def test_the_command_takes_wear_in(padlab, pad_file, shelf, tmp_path):
    table = tmp_path / "wear.csv"
    table.write_text(TABLE)
    typed = [word for c in ("strokes=n", "thickness=h:thou", "rest=rested:h") for word in ("--column", c)]
    told = padlab("import", table, "--kind", "wear", "--pad", pad_file, *typed, "--stop", "down", "--out",
                  shelf.folder, "--json")
    assert told.code == 0, told.err
    assert told.json["read"] == {"readings": 3, "strokes": 1e5,
                                 "thickness_mm": {"first": 1.6002, "last": 1.5875}}
    assert [m["code"] for m in told.json["marks"]] == ["imported", "rig_doubt_unknown"]
    run = open_run(Path(told.json["folder"]))
    assert (run.stop, run.is_control) == ("down", False)
    remade = padlab("remake", run.folder, "--json")
    assert remade.code == 0, remade.err
    assert open_run(run.folder).samples.equals(run.samples)
    without = padlab("import", table, "--kind", "wear", *typed, "--out", shelf.folder)
    assert (without.code, "--pad" in without.err) == (2, True)
    listed = padlab("shelf", shelf.folder, "--kind", "wear", "--json")
    assert [r["run"] for r in listed.json["runs"]] == [run.id]


@pytest.mark.parametrize(("thickness", "doubted"), [
    ([1.6, 1.58], False), ([1.6, 0.7], True), ([1.6, 1.75], True), ([63.0, 62.0], True),
])
def test_a_doubtful_thickness_is_marked(thickness, doubted):
    seen = wear_look({"days": [0, 100], "thickness_mm": thickness})
    assert [m.code for m in seen.marks] == ["units_doubtful"] * doubted
