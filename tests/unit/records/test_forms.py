"""Files that people write: all mistakes at once, each with its key; hostile TOML is one clear error."""

from __future__ import annotations

import re
import tomllib

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from padlab.capture.procedure import procedure_from_table
from padlab.capture.rig import rig_from_table
from padlab.cli.new import KINDS
from padlab.drift.touch import read_touch_file
from padlab.errors import FileFormatError, InputError
from padlab.records.forms import pad_from_table, read_pad, read_toml
from padlab.records.instrument import instrument_from_table
from padlab.records.pad import Pad, pad_mistakes
from padlab.records.starters import starter

GOOD = {"id": "A3", "material": "grey wool felt", "material_class": "felt", "lot": "2026-07",
        "outer_diameter": "19mm", "inner_diameter": "8mm", "thickness": "63thou"}


def test_pad_file_is_read(pad_file):
    assert read_pad(pad_file) == Pad(
        id="A3", material="grey wool felt", material_class="felt", lot="2026-07", outer_diameter_mm=19.0,
        inner_diameter_mm=8.0, thickness_mm=63 * 0.0254)


def test_all_mistakes_are_listed_at_once_with_their_keys():
    table = {"id": 3, "material": "", "material_class": "wool", "outer_diameter": "19", "inner_diameter": 8,
             "thickness": "2kg", "colour": "grey"}
    with pytest.raises(FileFormatError) as caught:
        pad_from_table(table, source="A3.toml")
    mistakes = caught.value.where["mistakes"]
    assert sorted(m.split(":")[0] for m in mistakes) == sorted({*table, "lot"})
    assert "outer_diameter: '19' has no unit, write it as 19thou or 19mm" in mistakes
    assert "id: text in quotes, seen 3, write id = \"3\"" in mistakes
    assert "lot: missing" in mistakes
    assert str(caught.value).startswith("A3.toml has 8 mistake(s): ")


@pytest.mark.parametrize(("change", "key"), [
    ({"inner_diameter": "19mm"}, "inner_diameter"),
    ({"inner_diameter": "-1mm"}, "inner_diameter"),
    ({"outer_diameter": "0.5mm"}, "outer_diameter"),
    ({"outer_diameter": "3m"}, "outer_diameter"),
    ({"thickness": "0.04mm"}, "thickness"),
    ({"thickness": "63in"}, "thickness"),
    ({"thickness": "1e400mm"}, "thickness"),
    ({"material": "x" * 201}, "material"),
    ({"material": "  "}, "material"),
])
def test_sizes_and_texts_that_cannot_be(change, key):
    with pytest.raises(FileFormatError) as caught:
        pad_from_table({**GOOD, **change}, source="pad")
    assert [m.split(":")[0] for m in caught.value.where["mistakes"]] == [key]


def test_limits_themselves_are_let_through():
    pad = pad_from_table({**GOOD, "inner_diameter": "0mm", "thickness": "0.05mm"}, source="pad")
    assert pad_mistakes(pad) == []


HOSTILE = {
    "deep nesting": b"a = " + b"[" * 100_000 + b"]" * 100_000,
    "deep tables": b"[" + b".".join([b"a"] * 50_000) + b"]\nx = 1",
    "huge integer": b"id = " + b"9" * 100_000,
    "NUL": b'id = "A\0"',
    "not UTF-8": b'id = "\xff"',
    "not TOML": b"id := 3",
    "twice": b'id = "a"\nid = "b"',
    "2 MB": b"#" * (2 << 20),
    "huge number as size": b'outer_diameter = "' + b"9" * 400 + b'mm"',
    "infinite": b"outer_diameter = inf",
}


@pytest.mark.parametrize("case", HOSTILE)
def test_hostile_toml_is_one_clear_error(tmp_path, case):
    path = tmp_path / "pad.toml"
    path.write_bytes(HOSTILE[case])
    with pytest.raises(InputError) as caught:
        read_pad(path)
    assert len(str(caught.value)) < 2000


def test_names_that_are_no_files(tmp_path):
    for bad in (tmp_path, tmp_path / "none.toml", "a\0b", "x" * 5000):
        with pytest.raises(InputError):
            read_toml(bad)


def test_text_is_kept_as_data():
    text = "<script>$x^$[/]\x1b[31m\u202e"
    assert pad_from_table({**GOOD, "material": text}, source="pad").material == text


@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])   # a busy machine is no fault
@given(st.dictionaries(st.sampled_from([*GOOD, "sheet", "other"]), st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner, max_size=3),
    max_leaves=5)))
def test_any_table_is_a_pad_or_a_list_of_mistakes(table):
    try:
        pad = pad_from_table({**GOOD, **table}, source="pad")
    except FileFormatError:
        return
    assert pad_mistakes(pad) == []


@pytest.mark.parametrize("kind", KINDS)
def test_starters_are_toml_and_commented(kind, padlab, tmp_path):
    told = padlab("new", kind)
    assert told.code == 0
    tomllib.loads(told.out)
    assert told.out.startswith("# ")
    assert ("shop.toml" in told.err) == (kind == "shop")
    out = tmp_path / f"{kind}.toml"
    assert padlab("new", kind, "--out", out).code == 0
    assert out.read_text(encoding="utf-8") == told.out
    told = padlab("new", kind, "--out", out)
    assert told.code == 1
    assert "File exists" in told.err


def test_starters_that_padlab_reads_are_right(tmp_path):
    assert pad_from_table(tomllib.loads(starter("pad")), source="pad").id == "A3"
    procedure = procedure_from_table(tomllib.loads(starter("procedure")), source="procedure")
    assert [s.do for s in procedure.steps] == ["stroke", "stroke", "hold", "rest"]
    rig = rig_from_table(tomllib.loads(starter("rig")), source="rig").to_record()
    assert [c.quantity for c in rig.instruments[0].channels] == ["force", "displacement"]
    path = tmp_path / "touch.toml"
    path.write_text(starter("touch"), encoding="utf-8")
    touch = read_touch_file(path)
    assert (touch.median_n, touch.gsd, touch.hold_median_s, touch.hold_gsd, touch.holding_n) == (
        6.0, 1.5, 0.4, 3.0, 2.5)


@pytest.mark.parametrize("valves", [1, 3, 4])
def test_instrument_starter_has_the_valves_asked_for(valves):
    table = tomllib.loads(starter("instrument", valves=valves))
    assert [v["name"] for v in table["valve"]] == [str(n + 1) for n in range(valves)]
    # Nothing that must be measured is there before it is: each stop lists all that it lacks.
    read = instrument_from_table(table, source="starter")
    assert [len(lack.missing) for v in read.valves for lack in v.lacking] == [8] * 2 * valves
    filled = re.sub(r"(?m)^#(?=[a-z_]+ = )", "", starter("instrument", valves=valves))
    stops = [s for v in instrument_from_table(tomllib.loads(filled), source="filled").valves for s in v.stops]
    assert [(s.side, round(s.port_error_mm / 0.0254, 6)) for s in stops] == [("down", 6), ("up", -3)] * valves
