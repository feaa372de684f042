"""The batch spec: validated whole, every mistake with its key and what to write."""

from __future__ import annotations

import tomllib
from contextlib import suppress

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padlab.errors import FileFormatError
from padlab.records.spec import read_spec, spec_from_table
from padlab.records.starters import starter

RISKS = {"producer_risk_quality": 0.01, "producer_risk": 0.05, "consumer_risk_quality": 0.08,
         "consumer_risk": 0.10}


def spec(*characteristics, **more):
    return spec_from_table({"material": "felt", **RISKS, "characteristic": list(characteristics), **more},
                           source="s.toml")


def mistakes(*characteristics, **more) -> list[str]:
    with pytest.raises(FileFormatError) as seen:
        spec(*characteristics, **more)
    return seen.value.where["mistakes"]


THICK = {"name": "thickness", "low": "61thou", "high": "65thou"}


def test_the_commented_example_is_a_right_one():
    read = spec_from_table(tomllib.loads(starter("spec")), source="spec.toml")
    assert [c.name for c in read.characteristics] == ["thickness", "give"]
    assert read.characteristics[0].low == pytest.approx(61 * 0.0254)
    assert (read.lot_size, read.touch, read.holding_n) == (400, "medium", 2.5)
    assert read.risks.consumer_quality == 0.08


def test_what_stands_behind_a_hash_in_the_example_is_right_too():
    text = "\n".join(line.removeprefix("# ") if "=" in line or "[" in line else line
                     for line in starter("spec").splitlines())
    text = text.replace("lot_size = 400", "lot_size = 4000")
    text = text.replace('low = "30N/mm"', 'low = "30N/mm"\nmargin = "5N/mm"')
    text = text.replace('high = "35%"', 'high = "35%"\nmargin = 0.05')
    read = spec_from_table(tomllib.loads(text), source="spec.toml")
    names = [c.name for c in read.characteristics]
    assert names == ["thickness", "give", "stiffness", "loss_fraction", "set", "wear"]
    assert read.characteristics[3].high == pytest.approx(0.35)
    assert read.characteristics[2].unit == "N/mm"
    assert read.characteristics[4].after_s == 1800
    wear = read.characteristics[5]
    assert (wear.after_strokes, wear.stop, wear.unit) == (100_000, "down", "mm")
    assert wear.condition_words == "after 100,000 strokes at the down stop"
    assert read.reference_lot == "2026-05"
    assert read.characteristics[0].by_gauge


def test_every_mistake_is_named_at_once():
    said = mistakes({"name": "thickness", "low": "65thou", "high": "61thou"}, {"name": "give"},
                    {"name": "give", "high": "12"}, {"name": "set", "high": "1thou", "at_force": "3N"},
                    {"name": "loss_fraction", "high": "much"},
                    producer_risk_quality=0.2, holding="90N", sheets=9, lot_size=5)
    joined = "\n".join(said)
    for part in ("characteristic.0.high: more than low", "characteristic.1: low, high or both",
                 "characteristic.2.high: '12' has no unit, write it as 12thou or 12mm",
                 "characteristic.3.at_force: only for stiffness and creep", 'write it as 0.25 or "25%"',
                 "consumer_risk_quality: more than producer_risk_quality", "holding: between 0 and 50 N",
                 "sheets: no more than lot_size", "characteristic.2.name: every one once"):
        assert part in joined, part


def test_a_limit_is_judged_beside_another_mistake_of_the_same_table():
    # What used to happen: with after_strokes in quotes, the limit without a unit was told the next time.
    said = mistakes({"name": "wear", "after_strokes": "many", "high": 2}, THICK)
    assert len(said) == 2
    for part in ("characteristic.0.after_strokes: a whole number", "characteristic.0.high: '2' has no unit"):
        assert any(one.startswith(part) for one in said), part


@pytest.mark.parametrize(("characteristic", "more", "part"), [
    ({"name": "colour", "low": "1mm"}, {}, "characteristic.0.name"),
    ({"name": "wear", "high": "1thou"}, {}, "characteristic.0.after_strokes: the number of strokes"),
    ({"name": "wear", "high": "1thou", "after_strokes": 0}, {}, "characteristic.0.after_strokes"),
    ({"name": "wear", "high": "1thou", "after_strokes": -5}, {}, "characteristic.0.after_strokes"),
    ({"name": "wear", "high": "1thou", "after_strokes": 1.5}, {}, "characteristic.0.after_strokes"),
    ({"name": "wear", "high": "1thou", "after_strokes": "many"}, {}, "characteristic.0.after_strokes"),
    ({"name": "wear", "high": "1thou", "after_strokes": 10**30}, {}, "characteristic.0.after_strokes"),
    ({"name": "wear", "high": "1thou", "after_strokes": True}, {}, "characteristic.0.after_strokes"),
    ({"name": "wear", "high": "1N", "after_strokes": 5}, {}, "characteristic.0.high"),
    ({"name": "wear", "high": "1thou", "after_strokes": 5, "stop": "middle"}, {}, "characteristic.0.stop"),
    ({"name": "give", "high": "1thou", "after_strokes": 5}, {}, "after_strokes: only for wear"),
    ({"name": "set", "high": "1thou", "stop": "up"}, {}, "stop: only for wear"),
    ({"name": "wear", "high": "1thou", "after_strokes": 5, "after": "3min"}, {}, "after: only for set"),
    ({"name": "thickness", "low": 61, "high": "65thou"}, {}, "has no unit"),
    ({"name": "give", "high": "12thou", "at": "gauge"}, {}, "only for thickness"),
    ({"name": "give", "low": "0mm", "high": "1mm", "distribution": "lognormal"}, {}, "more than 0 for a"),
    ({"name": "stiffness", "low": "30N/mm"}, {"reference": {"lot": "a", "margin": "1thou"}}, "fixed here"),
    ({"name": "give", "high": "12thou", "margin": "1thou"}, {}, "only with a [reference]"),
    (THICK, {"double_plan": True, "lot_size": 50}, "double_plan: only for lots"),
    ({**THICK, "distribution": "any"}, {"double_plan": True}, "double_plan: not with"),
    (THICK, {"consumer_risk": 0.7}, "consumer_risk: less than 0.5"),
    (THICK, {"lotsize": 4}, "lotsize: not a key"),
    ({"name": "give", "high": "-1thou"}, {}, "between 0 and"),
    ({"name": "stiffness", "low": "30N/mm", "at_force": "0.1N"}, {}, "between 0.5 and 100 N"),
])
def test_one_mistake(characteristic, more, part):
    assert part in "\n".join(mistakes(characteristic, **more))


def test_a_file_that_is_no_spec_is_one_clear_error(tmp_path):
    file = tmp_path / "s.toml"
    file.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(FileFormatError):
        read_spec(file)
    file.write_text("material = 3\n[[characteristic]]\n")
    with pytest.raises(FileFormatError) as seen:
        read_spec(file)
    assert "padlab new spec" in str(seen.value)


VALUES = st.recursive(st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=9),
                      lambda inner: st.lists(inner, max_size=2) | st.dictionaries(
                          st.sampled_from(["name", "low", "high", "margin", "lot", "at"]), inner, max_size=3),
                      max_leaves=6)


@settings(max_examples=150, deadline=None)
@given(st.sampled_from([*RISKS, "material", "characteristic", "reference", "touch", "lot_size"]), VALUES)
def test_hostile_values_are_refused_or_read(key, value):
    table = {"material": "felt", **RISKS, "characteristic": [THICK], key: value}
    with suppress(FileFormatError):             # nothing else may come out
        spec_from_table(table, source="s.toml")
