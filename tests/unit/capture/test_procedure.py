"""Procedures from TOML: those that padlab brings, repeats, and files by strangers."""

from __future__ import annotations

import tomllib
from importlib import resources

import pytest
from hypothesis import given
from hypothesis import strategies as st

from padlab.capture.procedure import (
    MOST_STEPS,
    procedure_from_table,
    procedure_names,
    read_procedure,
)
from padlab.errors import FileFormatError

NAMES = ["blank", "check", "compression-set", "dead-weight", "dead-weight-stiff", "endurance",
         "endurance-machine", "held-note",
         "passage", "relaxation", "standard", "standard-stiff", "touch", "warm-up"]
WEIGHT = {"do": "weight", "label": "w", "mass_kg": 0.1, "seconds": 3}


def table(*steps, **more):
    return {"name": "mine", "kind": "pad", "step": list(steps), **more}


def mistakes(*steps, **more):
    with pytest.raises(FileFormatError) as told:
        procedure_from_table(table(*steps, **more), source="mine.toml")
    return told.value.where["mistakes"]


def test_padlab_brings_these():
    assert procedure_names() == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_each_tells_whoever_stands_at_the_rig_what_to_do(name):
    text = (resources.files("padlab") / "procedures" / f"{name}.toml").read_text("utf-8")
    words = [line for line in text.splitlines() if line.startswith("#")]
    assert len(words) >= 2
    assert len(text.splitlines()) < 120
    procedure = read_procedure(name)
    assert procedure.name == name
    assert procedure.is_by_weights == name.startswith("dead-weight")


@pytest.mark.parametrize(("name", "label"), [("standard", "recorded"), ("dead-weight", "from below")])
def test_for_stiff_pads_the_same_is_done_twice_as_often(name, label):
    usual, stiff = read_procedure(name).steps, read_procedure(f"{name}-stiff").steps

    def counted(steps):
        return sum(s.count for s in steps if s.label == label)

    assert counted(stiff) == 2 * counted(usual)
    assert {s.label for s in stiff} == {s.label for s in usual}


def test_steps_that_come_again_are_written_once():
    found = procedure_from_table(table(
        {"times": 3, "steps": [WEIGHT, {"do": "away", "label": "lifted", "seconds": 2}]}, WEIGHT), source="x")
    assert [s.do for s in found.steps] == ["weight", "away"] * 3 + ["weight"]


def test_a_repeat_is_checked_whole():
    assert mistakes({"times": 0, "steps": [WEIGHT]}) == [
        "step 1: times: a whole number from 1 to 1000", "step: at least one [[step]]"]
    assert "step 1: steps: a list of steps" in mistakes({"times": 2, "steps": []})
    assert "step 1: steps: a list of steps" in mistakes({"times": 2})
    assert "step 1: do: does not go with times and steps" in mistakes(
        {"times": 2, "steps": [WEIGHT], "do": "weight"})
    assert "step 2.1: mass_kg: with do = 'weight', and only then: up to 20 kg" in mistakes(
        WEIGHT, {"times": 2, "steps": [{**WEIGHT, "mass_kg": 21}]})
    inside = mistakes({"times": 2, "steps": [{"times": 2, "steps": [WEIGHT]}]})
    assert any("not a key of a step" in m for m in inside), "one level is enough"


def test_a_repeat_cannot_blow_up():
    found = mistakes(*[{"times": 1000, "steps": [WEIGHT] * 20}] * 3)
    assert any(f"more than {MOST_STEPS} steps" in m for m in found)
    found = mistakes(*[{"times": 1000, "steps": [WEIGHT] * 9}] * 3)
    assert f"step: {MOST_STEPS} at most, with all that is repeated" in found


def test_weights_go_with_no_presses():
    assert "step: weights go with no other steps, for nothing measures the force" in mistakes(
        WEIGHT, {"do": "stroke", "to_n": 3.0})


anything = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(
        st.sampled_from(["do", "times", "steps", "mass_kg", "seconds", "to_n", "count", "label", "x"]),
        inner, max_size=5),
    max_leaves=12)


@given(anything)
def test_any_step_is_taken_or_refused_by_name(step):
    named = None
    try:
        procedure_from_table(table(step), source="x")
    except FileFormatError as fault:
        named = fault.where["mistakes"]
    assert named is None or all(isinstance(m, str) for m in named)


def test_what_padlab_new_writes_is_a_procedure():
    from padlab.records.starters import starter

    assert procedure_from_table(tomllib.loads(starter("procedure")), source="starter").steps
