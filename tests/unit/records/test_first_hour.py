"""The first hour of a new user: what is mistyped is answered in one line with a remedy, like for like."""

from __future__ import annotations

import json
import math
import os
import tomllib
from pathlib import Path

import pytest

from padlab.records.descriptor import NAME
from padlab.records.forms import pad_from_table
from padlab.records.shelf import open_run
from padlab.records.starters import starter

T, F, X = ("--column", "time=t:s"), ("--column", "force=load:N"), ("--column", "displacement=dial:mm")


def rows(seconds: float = 60.0):
    """Presses of six seconds to 18 N on a pad that gives 0.3 mm, a little late; made up."""
    def force(n: int) -> float:
        return 9 * (1 - math.cos(2 * math.pi * n / 300))

    for n in range(round(seconds * 50)):
        yield n / 50, force(n), 0.3 * (force(n - 5) / 18) ** 0.4


def written(path: Path, *, time=1.0, load=1.0, dial=1.0, room=None, seconds=60.0) -> Path:
    head = "t,load,dial" + (",room" if room is not None else "")
    path.write_text(head + "\n" + "".join(
        f"{t * time:.9g},{f * load:.9g},{x * dial:.9g}" + (f",{room}" if room is not None else "") + "\n"
        for t, f, x in rows(seconds)))
    return path


@pytest.fixture
def press(tmp_path) -> Path:
    return written(tmp_path / "press.csv")


# -- what was read, in plain words -----------------------------------------------------------------------


def test_an_import_says_what_was_read(padlab, press, pad_file, shelf):
    told = padlab("import", press, "--pad", pad_file, *T, *F, *X, "--out", shelf.folder)
    assert told.code == 0
    assert "3000 readings in 60 s (50 a second)" in told.err
    assert "force 0.00 to 18.00 N, 10 presses" in told.err
    assert "movement 300 um (11.8 thou)" in told.err
    assert "caution: the movement" not in told.err


DOUBTFUL = {
    "movement over 10 mm": ({"dial": 100.0}, "the movement is 30.0 mm"),
    "movement under 10 um": ({"dial": 0.02}, "the movement is 6 um only"),
    "force over 200 N": ({"load": 50.0}, "the force spans 900 N"),
    "force under half a newton": ({"load": 0.01}, "the force spans 0.18 N only"),
    "minutes called seconds": ({"time": 1 / 60, "seconds": 90}, "all readings lie within"),
    "milliseconds called seconds": ({"time": 1000.0}, "readings a second"),
    "a dial that counts down": ({"dial": -1.0}, "thicker when pressed"),
    "force the other way": ({"load": -1.0}, "thicker when pressed"),
    "kelvin called degC": ({"room": 294.0}, "294.0 to 294.0 degC"),
}


@pytest.mark.parametrize("case", DOUBTFUL)
def test_an_unlikely_size_is_a_caution_that_stays_with_the_run(padlab, tmp_path, pad_file, shelf, case):
    how, words = DOUBTFUL[case]
    table = written(tmp_path / "press.csv", **how)
    more = ("--column", "temperature=room:degC") if "room" in how else ()
    told = padlab("import", table, "--pad", pad_file, *T, *F, *X, *more, "--out", shelf.folder, "--json")
    assert told.code == 0, told.err
    found = [m for m in told.json["marks"] if m["code"] == "units_doubtful"]
    assert any(words in m["message"] for m in found), found
    assert all(m["weight"] == "caution" for m in found)
    assert found[0]["code"] in [m.code for m in open_run(told.json["folder"]).marks]


@pytest.mark.parametrize(("how", "words"), [
    ({"load": 1000.0}, "no bench for pads can press"), ({"dial": 1000.0}, "no pad can give"),
])
def test_an_impossible_size_is_refused_and_nothing_is_written(padlab, tmp_path, pad_file, shelf, how, words):
    table = written(tmp_path / "press.csv", **how)
    told = padlab("import", table, "--pad", pad_file, *T, *F, *X, "--out", shelf.folder, "--json")
    assert told.code == 1
    assert words in told.json["error"]["message"]
    assert "check the unit" in told.json["error"]["remedy"]
    assert not shelf.folder.exists()


def test_a_bare_frame_may_move_by_less_than_a_pad(padlab, tmp_path, shelf):
    table = written(tmp_path / "blank.csv", dial=0.01)
    told = padlab("import", table, "--kind", "blank", *T, *F, *X, "--out", shelf.folder, "--json")
    assert [m["code"] for m in told.json["marks"]] == ["imported", "rig_doubt_unknown"]


# -- the example is no pad -------------------------------------------------------------------------------


def test_the_unedited_pad_file_is_marked_where_it_is_used(padlab, tmp_path, press, shelf):
    path = tmp_path / "new.toml"
    assert padlab("new", "pad", "--out", path).code == 0
    told = padlab("import", press, "--pad", path, *T, *F, *X, "--out", shelf.folder, "--json")
    assert told.code == 0
    assert ("example_pad", "stop") in [(m["code"], m["weight"]) for m in told.json["marks"]]
    said = padlab("compare", shelf.folder, "--json").json
    assert said["ranking"] == []
    own = path.read_text().replace("example = true", "# mine").replace('"grey wool felt"', '"brown felt"')
    path.write_text(own)
    assert padlab("amend", told.json["folder"], "--pad", path).code == 0
    assert "example_pad" not in [m.code for m in open_run(told.json["folder"]).marks]
    ranked = padlab("compare", shelf.folder, "--json").json["ranking"]
    assert [row["material"] for row in ranked] == ["brown felt"]


def test_the_descriptor_of_a_real_pad_does_not_grow(padlab, press, pad_file, shelf):
    told = padlab("import", press, "--pad", pad_file, *T, *F, *X, "--out", shelf.folder, "--json")
    assert "example" not in json.loads((Path(told.json["folder"]) / NAME).read_text())["padlab"]["pad"]


def test_the_starter_says_that_it_is_an_example():
    assert pad_from_table(tomllib.loads(starter("pad")), source="pad").example


# -- what is mistyped ------------------------------------------------------------------------------------

PAD = {"id": '"A3"', "material": '"felt"', "material_class": '"felt"', "lot": '"1"',
       "outer_diameter": '"19mm"', "inner_diameter": '"8mm"'}

MISTYPED = {
    "a lot without quotes": ({"lot": "2026-07"}, ["line 4", 'lot = "2026-07"']),
    "a name without quotes": ({"material": "grey felt"}, ["line 2", 'material = "grey felt"']),
    "a size without quotes": ({"outer_diameter": "19mm"}, ["line 5", 'outer_diameter = "19mm"']),
    "a date as the lot": ({"lot": "2026-07-01"}, ["lot: text in quotes", '"2026-07-01"']),
    "a number as the lot": ({"lot": "7"}, ["lot: text in quotes", '"7"']),
    "an empty id": ({"id": '""'}, ["id: some text, seen none"]),
    "a blank id": ({"id": '"  "'}, ["id: some text, seen none"]),
    "a decimal comma": ({"inner_diameter": '"8,0mm"'}, ["inner_diameter", "8.0mm"]),
    "no unit": ({"inner_diameter": '"8"'}, ["inner_diameter", "8mm"]),
    "another case of the unit": ({"inner_diameter": '"8MM"'}, ["inner_diameter", "8mm"]),
    "a number as the size": ({"inner_diameter": "8"}, ["inner_diameter", "in quotes with its unit"]),
    "a line twice": ({"lot": '"1"\nlot = "2"'}, ["line 5", "stands in the file before"]),
}


@pytest.mark.parametrize("case", MISTYPED)
def test_a_mistyped_pad_file_is_answered_with_a_remedy(padlab, tmp_path, press, shelf, case):
    change, words = MISTYPED[case]
    path = tmp_path / "A3.toml"
    path.write_text("".join(f"{k} = {v}\n" for k, v in {**PAD, **change}.items()))
    told = padlab("import", press, "--pad", path, *T, *F, *X, "--out", shelf.folder)
    assert told.code == 1
    assert all(word in told.err for word in words), told.err
    assert "A3.toml" in told.err
    assert len(told.err.splitlines()) <= 4


def test_every_mistake_of_a_pad_is_told_at_once(padlab, tmp_path, press, shelf):
    path = tmp_path / "A3.toml"
    wrong = {**PAD, "id": '" "', "outer_diameter": '"500mm"', "inner_diameter": '"8"', "thickness": '"9mm5"'}
    del wrong["lot"]
    path.write_text("".join(f"{k} = {v}\n" for k, v in wrong.items()))
    told = padlab("import", press, "--pad", path, *T, *F, *X, "--out", shelf.folder, "--json")
    mistakes = told.json["error"]["where"]["mistakes"]
    assert [m.partition(":")[0] for m in mistakes] == ["id", "lot", "outer_diameter", "inner_diameter",
                                                       "thickness"]


SPECIAL = [pytest.param("/dev/null", "a device", marks=pytest.mark.skipif(os.name == "nt", reason="no /dev")),
           (".", "a folder"), ("none.csv", "No such file")]


@pytest.mark.parametrize(("name", "words"), SPECIAL)
def test_what_is_no_file_is_called_what_it_is(padlab, pad_file, shelf, press, name, words):
    for arguments in ((name, "--pad", pad_file), (press, "--pad", name)):
        told = padlab("import", *arguments, *T, *F, *X, "--out", shelf.folder)
        assert told.code == 1
        assert words in told.err
        assert "try:" in told.err
    assert not shelf.folder.exists()


@pytest.mark.parametrize(("text", "kind", "words"), [
    ("21C", "temperature", "21degC"), ("21 c", "temperature", "21degC"), ("8,0mm", "length", "8.0mm"),
    ("8Thou", "length", "8thou"), ("3n", "force", "3N"),
    ("1.234,5 mm", "length", None), ("abc", "length", None),
])
def test_a_mistyped_quantity_is_answered_with_a_remedy(text, kind, words):
    from padlab.errors import UnitError
    from padlab.units import parse_quantity

    with pytest.raises(UnitError) as caught:
        parse_quantity(text, kind)
    assert caught.value.remedy is None or "write it as" in caught.value.remedy
    assert words is None or words in caught.value.remedy


def test_a_column_of_another_case_is_offered(padlab, press, pad_file, shelf):
    columns = (*T, "--column", "force=LOAD:N", *X)
    told = padlab("import", press, "--pad", pad_file, *columns, "--out", shelf.folder)
    assert (told.code, "name it 'load'" in told.err) == (1, True)


@pytest.mark.parametrize(("option", "value", "words"), [
    ("--material", "Grey Wool Felt", "'grey wool felt'"), ("--material", "cork", "'grey wool felt'"),
    ("--lot", "2026-7", "'2026-07'"), ("--procedure", "standard", "no procedure"),
])
def test_a_filter_that_finds_nothing_says_what_there_is(padlab, press, pad_file, shelf, option, value, words):
    assert padlab("import", press, "--pad", pad_file, *T, *F, *X, "--out", shelf.folder).code == 0
    told = padlab("shelf", shelf.folder, option, value)
    assert (told.code, told.out) == (0, "")
    assert words in told.err, told.err
    assert padlab("shelf", shelf.folder, option, value, "--json").json["runs"] == []


# -- like mistakes, like codes: 2 = what was typed, 1 = what was found --------------------------------------

TYPED_WRONG = [
    ("import", "PRESS", "--pad", "PAD", *T, *F, "--column", "displacement=dial", "--out", "SHELF"),
    ("import", "PRESS", "--pad", "PAD", *T, *F, "--column", "displacement=dial:furlong", "--out", "SHELF"),
    ("import", "PRESS", "--pad", "PAD", *T, *F, "--column", "colour=dial:mm", "--out", "SHELF"),
    ("import", "PRESS", "--pad", "PAD", *T, *F, "--out", "SHELF"),
    ("import", "PRESS", "--pad", "PAD", *T, *F, *F, *X, "--out", "SHELF"),
    ("import", "PRESS", "--kind", "banana", *T, *F, *X, "--out", "SHELF"),
    ("import", "PRESS", "--kind", "wear", *T, *F, *X, "--out", "SHELF"),
    ("import", "PRESS", *T, *F, *X, "--out", "SHELF"),
    ("shelf", "SHELF", "--kind", "banana"),
    ("shelf", "SHELF", "--since", "yesterday"),
    ("amend", "RUN"),
    ("amend", "RUN", "--note", " "),
    ("amend", "RUN", "--note", "x" * 2001),
    ("amend", "RUN", "--set-aside", ""),
    ("amend", "RUN", "--set-aside", "x", "--take-back"),
    ("amend", "RUN", "--note", "x", "--reason", ""),
    ("new", "banana"),
    ("new", "instrument", "--valves", "0"),
    ("remake",),
    ("banana",),
]
FOUND_WRONG = [
    ("import", "none.csv", "--pad", "PAD", *T, *F, *X, "--out", "SHELF"),
    ("import", "PRESS", "--pad", "none.toml", *T, *F, *X, "--out", "SHELF"),
    ("import", "PRESS", "--pad", "PRESS", *T, *F, *X, "--out", "SHELF"),
    ("import", "PRESS", "--pad", "PAD", *T, *F, "--column", "displacement=gauge:mm", "--out", "SHELF"),
    ("import", "PRESS", "--pad", "PAD", *T, *F, *X, "--out", "PRESS"),
    ("shelf", "nowhere"),
    ("amend", "nowhere", "--note", "x"),
    ("amend", "RUN", "--take-back"),
    ("amend", "RUN", "--pad", "none.toml"),
    ("new", "pad", "--out", "PAD"),
    ("new", "pad", "--out", "nowhere/x.toml"),
    ("remake", "nowhere"),
    ("remake", "RUN", "--blank", "nowhere"),
    ("remake", "RUN", "--calibration", "nowhere"),
]


@pytest.mark.parametrize(("line", "code"), [(t, 2) for t in TYPED_WRONG] + [(f, 1) for f in FOUND_WRONG],
                         ids=lambda v: " ".join(v)[:60] if isinstance(v, tuple) else None)
def test_like_mistakes_give_like_codes(padlab, press, pad_file, shelf, tmp_path, monkeypatch, line, code):
    monkeypatch.chdir(tmp_path)
    run = ""
    if "RUN" in line:
        told = padlab("import", press, "--pad", pad_file, *T, *F, *X, "--out", shelf.folder, "--json")
        run = told.json["folder"]
    here = {"PRESS": press, "PAD": pad_file, "SHELF": shelf.folder, "RUN": run}
    told = padlab(*(here.get(word, word) for word in line))
    assert told.code == code, told.err
    assert told.err
    assert "fault of padlab itself" not in told.err
