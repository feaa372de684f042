"""One validated reading of datapackage.json: any change gives a run, or an error that names the field."""

from __future__ import annotations

import copy
import json
import math
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from padlab.cli.remake import _remake
from padlab.errors import FileFormatError, FitError, RunError
from padlab.fitting.run_fit import fit_run
from padlab.records.descriptor import NAME
from padlab.records.index import row_of
from padlab.records.packing import pack
from padlab.records.raw_log import read_raw
from padlab.records.shelf import open_run
from padlab.signals.judgement import judge
from padlab.signals.merge import samples_from_raw

PROCEDURE = {"name": "standard", "kind": "pad", "title": "Strokes", "peak_net_n": 18.0, "needs_rest_h": None,
             "steps": [{"do": "stroke", "label": "recorded", "to_n": 18.0, "count": 5, "seconds": None,
                        "pace": "slow"}]}
STEPS = [{"step": 0, "do": "stroke", "label": "recorded", "from_s": 0.0, "to_s": 6.0, "peak_n": 18.0,
          "good": True, "reason": None}]


@pytest.fixture
def run(begin):
    """Eight presses of six seconds, 20 readings a second, made up; every part of the descriptor in use."""
    recording = begin()
    rows = ((n / 20, 9 * (1 - math.cos(2 * math.pi * n / 120))) for n in range(960))
    recording.append("bench", [f"{t:.6f},{n},{round(t * 1000)},{f:.3f},{5 - 0.3 * (f / 18) ** 0.4:.4f},ok"
                               for n, (t, f) in enumerate(rows)])
    recording.add_gap(3.0, 3.5, "unplugged")
    recording.keep_steps(STEPS)
    made = recording.close("complete", derive=lambda run: samples_from_raw(run, read_raw(run)))
    package = described(made)
    package["padlab"]["procedure"] = PROCEDURE
    package["padlab"]["environment"] = {"temperature_c": 21.0, "humidity_percent": 45.0,
                                        "conditioning": "a day in the room"}
    package["padlab"]["amendments"] = [{"on": "2026-07-05T08:00:00Z", "what": "note", "old": None,
                                        "new": "seen", "reason": None}]
    describe(made, package)
    return open_run(made.folder)


def described(run) -> dict[str, Any]:
    return json.loads((run.folder / NAME).read_text())


def describe(run, package: dict[str, Any]) -> None:
    (run.folder / NAME).write_text(json.dumps(package))


def places(value: Any, path: tuple = ()) -> Iterator[tuple]:
    """The path of every value in a descriptor, the inner ones too."""
    if path:
        yield path
    if isinstance(value, dict):
        for key, one in value.items():
            yield from places(one, (*path, key))
    elif isinstance(value, list):
        for number, one in enumerate(value):
            yield from places(one, (*path, number))


def put(package: dict[str, Any], path: tuple, value: Any) -> None:
    inner: Any = package
    for step in path[:-1]:
        inner = inner[step]
    inner[path[-1]] = value


def use(run) -> None:
    """Everything that opens a run and reckons with what it says of itself."""
    opened = open_run(run.folder)
    row_of(opened)
    judge(samples_from_raw(opened, read_raw(opened)), opened.procedure)
    if opened.kind == "pad":
        fit_run(opened)


VALUES = st.one_of(
    st.none(), st.booleans(), st.integers(), st.integers(10**9, 10**40),
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from([0, -1, 1, 2, 1e-300, 1e300, -1e300, 1e9, 1e17, 5e-324, 10**400]), st.text(max_size=8),
    st.sampled_from(["force", "displacement", "count", "tick", "bench", "N", "mm", "pad", "blank", "complete",
                     "recording", "../x", "a\0b", "2026-07-04T08:15:30Z", "x" * 500]),
    st.recursive(st.none() | st.booleans() | st.integers() | st.text(max_size=3),
                 lambda inner: st.lists(inner, max_size=3)
                 | st.dictionaries(st.text(max_size=3), inner, max_size=3), max_leaves=5))


@settings(deadline=None, max_examples=120,
          suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_changed_field_gives_a_run_or_an_error_that_names_the_place(run, data):
    good = described(run)
    package = copy.deepcopy(good)
    path = data.draw(st.sampled_from(list(places(good))))
    put(package, path, data.draw(VALUES))
    describe(run, package)
    try:
        use(run)
    except FitError:
        pass                               # the measurement, as now described, does not bear a fit
    except (RunError, FileFormatError) as fault:
        said = str(fault)
        assert run.id in said
        assert len(said) < 3000
        if NAME in said and len(path) > 1 and path[0] == "padlab":
            assert str(path[1]) in said or "no padlab object" in said, (path, said)
    finally:
        describe(run, good)


@settings(deadline=None, max_examples=40,
          suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_a_field_taken_out_gives_a_run_or_an_error(run, data):
    good = described(run)
    package = copy.deepcopy(good)
    path = data.draw(st.sampled_from(list(places(good))))
    inner: Any = package
    for step in path[:-1]:
        inner = inner[step]
    del inner[path[-1]]
    describe(run, package)
    try:
        use(run)
    except (FitError, RunError, FileFormatError):
        pass
    finally:
        describe(run, good)


CHANGES = {
    ("environment", "temperature_c"): ["warm", True, [], "21", 1e9, -300, {}],
    ("environment", "humidity_percent"): ["45 %", 4500],
    ("environment", "conditioning"): [5],
    ("procedure", "name"): [5, []],
    ("procedure", "steps"): ["x", {}, [5]],
    ("procedure", "steps", 0, "to_n"): ["hard", 1e300],
    ("procedure", "needs_rest_h"): ["long"],
    ("steps", 0, "peak_n"): ["18"],
    ("start",): ["yesterday", ""],
    ("gaps", 0, "to_s"): [-5.0],
    ("rig", "instruments", 0, "channels", 0, "name"): ["no_such_column"],
    ("rig", "instruments", 0, "channels", 0, "scale"): [0.0, 1e300],
    ("rig", "instruments", 0, "channels", 0, "offset"): [-1e18],
    ("rig", "instruments", 0, "channels", 0, "sign"): [7],
    ("rig", "instruments", 0, "channels", 0, "quantity"): ["colour"],
    ("rig", "instruments", 0, "channels", 0, "unit"): ["lbf"],
    ("rig", "instruments", 0, "channels", 0, "resolution"): [-1.0],
    ("rig", "instruments", 0, "clock"): ["no_such_column"],
    ("rig", "instruments", 0, "counter"): ["no_such_column"],
    ("rig", "instruments", 0, "clock_modulus"): [10**30, 0, -1],
    ("rig", "instruments", 0, "counter_modulus"): [10**30, 1],
    ("rig", "instruments", 0, "clock_s_per_tick"): [0.0, 1e300, -1.0],
    ("rig", "instruments", 0, "columns"): [["a/b"], ["force", "force"]],
    ("rig", "frame_compliance_mm_per_n"): [-1.0, 1e6],
    ("pad", "outer_diameter_mm"): [-19.0, 1e6],
}


@pytest.mark.parametrize(("path", "value"), [(p, v) for p, values in CHANGES.items() for v in values])
def test_a_value_that_cannot_be_is_named_with_its_file(run, path, value):
    package = described(run)
    put(package, ("padlab", *path), value)
    describe(run, package)
    with pytest.raises(RunError) as caught:
        open_run(run.folder)
    key = ".".join(str(p) for p in path).removesuffix("_mm")
    assert f"{run.folder / NAME} is damaged at " in caught.value.message
    assert key in f"{caught.value.where['key']} {caught.value.seen}" or path[-1] == "columns"
    assert caught.value.where["key"].startswith(str(path[0]))


@pytest.mark.parametrize("resources", ["x", [5], [{"name": "samples"}], {}])
def test_resources_that_are_none_are_named(run, resources):
    package = described(run)
    package["resources"] = resources
    describe(run, package)
    with pytest.raises(RunError, match="damaged at resources"):
        open_run(run.folder)


def test_all_mistakes_are_told_at_once(run):
    package = described(run)
    package["padlab"]["environment"] = {"temperature_c": "warm", "humidity_percent": "wet"}
    package["padlab"]["start"] = "yesterday"
    describe(run, package)
    with pytest.raises(RunError) as caught:
        open_run(run.folder)
    assert len(caught.value.where["mistakes"]) == 3


def test_what_a_newer_padlab_may_add_is_let_pass(run):
    package = described(run)
    package["padlab"]["environment"]["light"] = {"lamps": 3}
    package["padlab"]["procedure"]["steps"][0]["mood"] = "calm"
    package["padlab"]["steps"][0]["weights_kg"] = [0.1, 0.2]
    package["padlab"]["rig"]["instruments"][0]["colour"] = "grey"
    describe(run, package)
    assert open_run(run.folder).environment["light"] == {"lamps": 3}


# -- samples.csv ------------------------------------------------------------------------------------


def edited(run, name: str) -> None:
    path = run.folder / name
    path.write_bytes(path.read_bytes().replace(b"9.0", b"9.1", 1) + (b"" if name.endswith(".csv") else b"\0"))


@pytest.mark.parametrize("packed", [False, True])
def test_edited_samples_are_noticed_and_made_again(run, padlab, packed):
    name = "samples.csv.gz" if packed else "samples.csv"
    run = pack(run) if packed else run
    before = (run.folder / name).read_bytes()
    assert described(run)["padlab"]["samples_sha256"].keys() == {name}
    edited(run, name)
    for command in ("fit", "compare"):
        told = padlab(command, run.folder)
        assert "was changed since padlab wrote it" in told.err + told.out
        assert f"padlab remake {run.folder}" in told.err + told.out or command == "compare"
    assert padlab("remake", run.folder).code == 0
    assert (run.folder / name).read_bytes() == before
    assert padlab("fit", run.folder).code == 0


def test_edited_samples_are_not_packed_away(run):
    edited(run, "samples.csv")
    with pytest.raises(RunError, match="was changed"):
        pack(open_run(run.folder))
    assert (run.folder / "samples.csv").exists()


def test_a_run_of_an_older_padlab_opens_without_the_hash(run, padlab):
    package = described(run)
    del package["padlab"]["samples_sha256"]
    describe(run, package)
    assert padlab("fit", run.folder).code == 0
    assert _remake(open_run(run.folder))["samples"] == "samples.csv"
    assert "samples_sha256" in described(run)["padlab"]
