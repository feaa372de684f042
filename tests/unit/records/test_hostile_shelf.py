"""A shelf from somewhere else: links, junk and made-up files give one clear error, and nothing gets out."""

from __future__ import annotations

import gzip
import json
import os
import sqlite3
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from padlab.errors import RunError
from padlab.records.derived import drop_derived, read_derived, write_derived
from padlab.records.descriptor import NAME
from padlab.records.index import list_runs
from padlab.records.packing import pack
from padlab.records.raw_log import read_raw
from padlab.records.recording import store_samples
from padlab.records.shelf import Shelf, find_runs, open_run

needs_links = pytest.mark.skipif(
    os.name == "nt", reason="making a link needs a right that few have on Windows")


@pytest.fixture
def run(begin, readings):
    recording = begin()
    recording.append("bench", readings(0, 50))

    def derive(run):
        raw = read_raw(run)["bench"]
        return pd.DataFrame({"time_s": raw["host_s"], "force_n": raw["force"],
                             "displacement_mm": raw["dial"]})

    return recording.close("complete", derive=derive)


@pytest.fixture
def outside(tmp_path) -> Path:
    folder = tmp_path / "outside"
    folder.mkdir()
    (folder / "secret.csv").write_text("time_s,force_n\n0,1\n")
    return folder


def replace_by_link(path: Path, target: Path) -> None:
    path.rename(path.with_name(path.name + "-moved"))
    path.symlink_to(target)


@needs_links
def test_linked_runs_folder_is_refused(shelf, run, outside, padlab):
    replace_by_link(shelf.folder / "runs", outside)
    for ask in (shelf.run_folders, lambda: shelf.open(run.id), lambda: find_runs([shelf.folder]),
                lambda: shelf.new_folder("20260704T081530Z-000000")):
        with pytest.raises(RunError, match="is a link"):
            ask()
    assert padlab("shelf", shelf.folder).code == 1
    assert sorted(p.name for p in outside.iterdir()) == ["secret.csv"]


@needs_links
def test_linked_run_folder_is_refused(shelf, run, outside):
    replace_by_link(run.folder, outside)
    for ask in (lambda: shelf.open(run.id), lambda: open_run(run.folder)):
        with pytest.raises(RunError, match="is a link"):
            ask()
    told: list[RunError] = []
    assert shelf.run_folders(passed_over=told.append) == []
    assert [str(run.folder) in fault.message for fault in told] == [True]


@needs_links
@pytest.mark.parametrize("name", ["samples.csv", "raw", "raw/bench.csv", NAME, "derived", ".recording.lock"])
def test_links_inside_a_run_are_refused(run, outside, name):
    target = outside / "secret.csv"
    path = run.folder / name
    if path.exists():
        replace_by_link(path, outside if path.is_dir() else target)
    else:
        path.symlink_to(outside if name == "derived" else target)
    held = json.loads((run.folder / NAME).read_text()) if name != NAME else None

    def use_all():
        opened = open_run(run.folder)
        read_raw(opened)
        _ = opened.samples
        write_derived(opened, "fit", {})

    if name == ".recording.lock":
        held["padlab"]["state"] = "recording"
        (run.folder / NAME).write_text(json.dumps(held))
    with pytest.raises(RunError, match="is a link"):
        use_all()
    assert sorted(p.name for p in outside.iterdir()) == ["secret.csv"]
    assert target.read_text() == "time_s,force_n\n0,1\n"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="named pipes exist on POSIX only")
@pytest.mark.parametrize("name", ["samples.csv", "raw/bench.csv", NAME])
def test_a_pipe_in_place_of_a_file_does_not_hang(run, name):
    (run.folder / name).unlink()
    os.mkfifo(run.folder / name)
    with pytest.raises(RunError):
        _ = read_raw(open_run(run.folder)), open_run(run.folder).samples


def descriptor(run) -> dict:
    return json.loads((run.folder / NAME).read_text())


DAMAGED = {
    "empty": b"",
    "no JSON": b"{",
    "a list": b"[]",
    "no padlab": b"{}",
    "padlab is text": b'{"padlab": "x"}',
    "nested 100 000 deep": b'{"padlab": {"environment": ' + b'{"a":' * 100_000 + b"1" + b"}" * 100_001 + b"}",
    "arrays 1 000 000 deep": b"[" * 1_000_000,
    "NaN": b'{"padlab": {"kind": NaN}}',
    "NUL": b"\0" * 1000,
    "not UTF-8": b'{"padlab": {"kind": "\xff"}}',
    "9 MB": b" " * (9 << 20) + b"{}",
}


@pytest.mark.parametrize("case", DAMAGED)
def test_damaged_descriptor_is_one_clear_error(shelf, run, case, padlab):
    (run.folder / NAME).write_bytes(DAMAGED[case])
    with pytest.raises(RunError) as caught:
        open_run(run.folder)
    assert NAME in str(caught.value)
    assert len(str(caught.value)) < 1500
    told = padlab("shelf", shelf.folder, "--json")
    assert told.code == 0
    assert told.json["runs"] == []
    assert NAME in told.json["unreadable"][0]["message"]


def test_descriptor_of_100_megabytes_is_not_loaded(run):
    with (run.folder / NAME).open("wb") as file:
        file.truncate(100 << 20)
    with pytest.raises(RunError, match="too large"):
        open_run(run.folder)


@pytest.mark.parametrize(("key", "value"), [
    ("kind", "banana"), ("kind", None), ("state", "done"), ("start", 5), ("pad", "A3"), ("pad", {"id": "A3"}),
    ("pad", {"id": 1, "material": "m", "material_class": "felt", "lot": "l", "outer_diameter_mm": 19,
             "inner_diameter_mm": 8}),
    ("pad", {"id": "1", "material": "m", "material_class": "felt", "lot": "l", "outer_diameter_mm": -19,
             "inner_diameter_mm": 8}),
    ("pad", {"id": "1", "material": "m", "material_class": "felt", "lot": "l", "outer_diameter_mm": 1e400,
             "inner_diameter_mm": 8}),
    ("rig", {"name": "x"}), ("rig", []), ("gaps", [{"from_s": "0", "to_s": 1, "reason": "x"}]), ("gaps", 5),
    ("calibrations", "x"), ("environment", []), ("marks", [{"code": 5, "about": "", "message": ""}]),
    ("marks", [{"code": "not_in_the_table", "about": "", "message": ""}]), ("marks", ["x"]),
    ("amendments", [{"on": "2026", "what": "pad", "old": None, "new": 5}]),
    ("amendments", [{"on": "2026", "what": "everything", "old": None, "new": None}]),
    ("raw_sha256", {"bench.csv": 5}), ("procedure", 5), ("note", 5), ("set_aside", True),
    ("column_doubt", {"a": "b"}),
])
def test_values_of_the_wrong_type_are_refused(run, key, value):
    package = descriptor(run)
    package["padlab"][key] = value
    (run.folder / NAME).write_text(json.dumps(package))
    with pytest.raises(RunError, match=NAME):
        open_run(run.folder)


@settings(deadline=None, max_examples=60,
          suppress_health_check=[HealthCheck.too_slow, HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_flipped_byte_opens_or_is_refused(run, data):
    """One byte changed anywhere in the descriptor: a run, or one RunError; never anything else."""
    good = (run.folder / NAME).read_bytes()
    at = data.draw(st.integers(0, len(good) - 1))
    changed = good[:at] + bytes([data.draw(st.integers(0, 255))]) + good[at + 1:]
    (run.folder / NAME).write_bytes(changed)
    try:
        opened = open_run(run.folder)
        read_raw(opened)
        _ = opened.samples
    except RunError:
        pass
    finally:
        (run.folder / NAME).write_bytes(good)


@pytest.mark.parametrize("name", ["../../../etc/passwd", "/etc/passwd", "bench\0", "con"])
def test_instrument_names_in_a_descriptor_never_become_paths(run, name):
    package = descriptor(run)
    package["padlab"]["rig"]["instruments"][0]["name"] = name
    (run.folder / NAME).write_text(json.dumps(package))
    with pytest.raises(RunError, match="cannot name an instrument"):
        read_raw(open_run(run.folder))


def test_unknown_keys_of_a_newer_padlab_are_kept(run, padlab):
    package = descriptor(run)
    package["licence"] = "free"
    package["padlab"]["moon"] = "full"
    (run.folder / NAME).write_text(json.dumps(package))
    assert padlab("amend", run.folder, "--note", "seen").code == 0
    assert descriptor(run)["licence"] == "free"
    assert descriptor(run)["padlab"]["moon"] == "full"


RAW = {
    "empty": b"",
    "another header": b"host_s,other\n0,1\n",
    "text in a force": b"host_s,count,tick,force,dial,status\n0,1,1,heavy,1,ok\n",
    "no time": b"host_s,count,tick,force,dial,status\n,1,1,1,1,ok\n",
    "infinite time": b"host_s,count,tick,force,dial,status\ninf,1,1,1,1,ok\n",
    "short row": b"host_s,count,tick,force,dial,status\n0,1,1,1,1,ok\n0,1\n",
    "long row": b"host_s,count,tick,force,dial,status\n0,1,1,1,1,ok,2,3,4\n",
    "quoted long row": b'host_s,count,tick,force,dial,status\n0,1,1,1,1,"ok",2,3,4\n',
    "NUL": b"host_s,count,tick,force,dial,status\n0,1,1,\0,1,ok\n",
    "header of 10^6 columns": b"host_s" + b",x" * 10**6 + b"\n",
    "open quote": b'host_s,count,tick,force,dial,status\n0,1,1,1,1,"ok\n',
}


@pytest.mark.parametrize("case", RAW)
def test_damaged_raw_file_is_named(run, case):
    package = descriptor(run)
    package["padlab"]["raw_sha256"] = {}             # whoever changes a file may change its hash too
    (run.folder / NAME).write_text(json.dumps(package))
    (run.folder / "raw" / "bench.csv").write_bytes(RAW[case])
    with pytest.raises(RunError, match=r"bench\.csv") as caught:
        read_raw(open_run(run.folder))
    assert len(str(caught.value)) < 1500


@pytest.mark.parametrize("data", [
    b"", b"force_n\n1\n", b"time_s,force_n,secret\n0,1,2\n", b"time_s,time_s\n0,0\n",
    b"time_s,force_n\n0,x\n", b"time_s,force_n\n0\n", b"time_s,force_n\n,1\n",
    b"time_s" + b",force_n" * 10**6 + b"\n", b"\0" * 100,
    b"time_s,force_n\n0,\xff\n",
])
def test_damaged_samples_are_named(run, data):
    (run.folder / "samples.csv").write_bytes(data)
    with pytest.raises(RunError, match=r"samples\.csv") as caught:
        _ = open_run(run.folder).samples
    assert "padlab remake" in str(caught.value)


def test_packed_bomb_and_damaged_gzip_are_refused(run):
    packed = pack(run)
    path = run.folder / "samples.csv.gz"
    whole = path.read_bytes()
    for bad in (gzip.compress(b"time_s\n" + b"0" * 300_000_000), whole[:-9], whole + whole, b"", b"no gzip"):
        path.write_bytes(bad)
        with pytest.raises(RunError, match=r"samples\.csv\.gz"):
            _ = open_run(packed.folder).samples


JUNK_INDEX = {
    "junk": lambda path: path.write_bytes(b"junk" * 1000),
    "empty": lambda path: path.write_bytes(b""),
    "a folder": lambda path: path.mkdir(),
    "another table": lambda path: _sql(path, "CREATE TABLE run (secret TEXT)",
                                       "INSERT INTO run VALUES ('x')"),
    "a view": lambda path: _sql(path, "CREATE VIEW run AS SELECT 1 AS id, 2 AS stamp, 3 AS row"),
    "a view that never ends": lambda path: _sql(path, """
        CREATE VIEW run AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n)
        SELECT 1 AS id, 2 AS stamp, max(i) AS row FROM n"""),
    "half a file": lambda path: (_sql(path, "CREATE TABLE run (id TEXT PRIMARY KEY, stamp TEXT, row TEXT)",
                                      *["INSERT INTO run SELECT hex(randomblob(900)), 1, 1"] * 50),
                                 path.write_bytes(path.read_bytes()[:9000])),
}


def _sql(path: Path, *commands: str) -> None:
    connection = sqlite3.connect(path)
    with connection:
        for one in commands:
            connection.execute(one)
    connection.close()


@pytest.mark.parametrize("case", JUNK_INDEX)
def test_junk_index_is_made_again_without_a_word(shelf, run, case, padlab):
    JUNK_INDEX[case](shelf.folder / "index.sqlite")
    for _ in range(2):
        told = padlab("shelf", shelf.folder, "--json")
        assert (told.code, told.err) == (0, "")
        assert [r["run"] for r in told.json["runs"]] == [run.id]


@pytest.mark.parametrize("row", ["junk", "[]", '{"run": 1}', "[" * 100_000, None])
def test_junk_rows_in_the_index_are_not_believed(shelf, run, row):
    good, _ = list_runs(shelf)
    _sql(shelf.folder / "index.sqlite", "UPDATE run SET row = NULL")
    connection = sqlite3.connect(shelf.folder / "index.sqlite")
    with connection:
        connection.execute("UPDATE run SET row = ?", (row,))
    connection.close()
    assert list_runs(shelf) == (good, [])


def test_index_follows_what_changes(shelf, run, padlab):
    assert list_runs(shelf)[0][0]["set_aside"] is None
    assert padlab("amend", run.folder, "--set-aside", "upside down").code == 0
    assert list_runs(shelf)[0][0]["set_aside"] == "upside down"
    moved = shelf.folder.rename(shelf.folder.with_name("moved"))
    assert list_runs(Shelf(moved))[0][0]["folder"] == str(moved / "runs" / run.id)
    (moved / "index.sqlite").unlink()
    assert [r["run"] for r in list_runs(Shelf(moved))[0]] == [run.id]


@needs_links
def test_linked_index_is_neither_followed_nor_replaced(shelf, run, outside):
    (shelf.folder / "index.sqlite").symlink_to(outside / "index.sqlite")
    assert [r["run"] for r in list_runs(shelf)[0]] == [run.id]
    assert not (outside / "index.sqlite").exists()
    assert (shelf.folder / "index.sqlite").is_symlink()


def test_derived_is_stale_when_its_inputs_change(run, padlab, pad_file):
    assert read_derived(run, "fit") is None
    path = write_derived(run, "fit", {"a": 1.5})
    before = path.read_bytes()
    assert read_derived(run, "fit") == {"a": 1.5}
    write_derived(run, "fit", {"a": 1.5})
    assert path.read_bytes() == before
    other = pad_file.read_text(encoding="utf-8").replace('"63thou"', '"64thou"')
    pad_file.write_text(other, encoding="utf-8")
    assert padlab("amend", run.folder, "--pad", pad_file).code == 0
    assert read_derived(open_run(run.folder), "fit") is None
    write_derived(open_run(run.folder), "fit", {"a": 1.5})
    assert padlab("amend", run.folder, "--set-aside", "upside down").code == 0
    assert read_derived(open_run(run.folder), "fit") is None
    for junk in (b"", b"{", b"[]", b'{"made_from": 1}', b"[" * 100_000):
        path.write_bytes(junk)
        assert read_derived(run, "fit") is None
    with pytest.raises(ValueError, match="not JSON compliant"):
        write_derived(run, "fit", {"a": float("nan")})
    with pytest.raises(RunError, match="cannot name"):
        write_derived(run, "../fit", {})
    assert drop_derived(run) == ["fit.json"]


def test_packed_run_reads_the_same(run):
    raw, samples = read_raw(run), run.samples
    packed = pack(run)
    assert sorted(p.name for p in (run.folder / "raw").iterdir()) == ["bench.csv.gz"]
    pd.testing.assert_frame_equal(read_raw(packed)["bench"], raw["bench"])
    pd.testing.assert_frame_equal(packed.samples, samples)
    assert pack(packed) == packed
    before = (run.folder / "samples.csv.gz").read_bytes()
    store_samples(packed, samples)
    assert (run.folder / "samples.csv.gz").read_bytes() == before
    checked = subprocess.run(          # a process of its own: on .gz the checker leaves files open
        [sys.executable, "-m", "frictionless", "validate", str(run.folder / NAME)],
        capture_output=True, text=True)
    assert checked.returncode == 0, checked.stdout
    assert checked.stdout.count("VALID") == 2
