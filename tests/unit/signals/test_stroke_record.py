"""The Parquet record of an endurance machine: taken in whole, or refused by name with nothing left behind."""

from __future__ import annotations

import builtins
import json

import numpy as np
import pyarrow as pa
import pyarrow.parquet
import pytest
from frictionless import validate

from padlab.cli.main import main
from padlab.errors import InputError, TableError
from padlab.records.columns import Column
from padlab.records.shelf import open_run
from padlab.records.stroke_log import read_strokes
from padlab.signals.stroke_record import chunks
from padlab.signals.strokes import summarise

PAD_FILE = """
id = "A3"
material = "grey wool felt"
material_class = "felt"
lot = "2026-07"
outer_diameter = "19mm"
inner_diameter = "8mm"
"""
COLUMNS = ["--column", "time=t:s", "--column", "force=f:N", "--column", "displacement=x:mm"]


def machine(strokes=400, *, rate=100.0):
    t = np.arange(round((1.0 + strokes / 1.37) * rate)) / rate
    phase = 1.37 * np.clip(t - 1.0, 0, None)
    x = 0.1 - 0.3 * np.cos(2 * np.pi * phase)
    rng = np.random.default_rng(1)
    f = 30.0 * np.clip(x - 2e-5 * phase, 0, None) ** 1.3 + rng.normal(0, 0.01, t.size) + 0.3
    return t, f, x


@pytest.fixture
def call(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "A3.toml").write_text(PAD_FILE + 'thickness = "1.6mm"\n')
    (tmp_path / "thin.toml").write_text(PAD_FILE)

    def run(*arguments):
        with pytest.raises(SystemExit) as left:
            main([str(a) for a in arguments])
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return left.value.code, out, err

    return run


def put(path, columns, **how):
    pyarrow.parquet.write_table(pa.table(columns), path, **how)
    return path


def taken(call, path, *more):
    return call("import", path, "--kind", "strokes", "--pad", "A3.toml", "--out", "shelf", "--json",
                *(more or COLUMNS))


def test_a_record_is_taken_in_and_its_strokes_are_those_of_memory(call, tmp_path):
    t, f, x = machine()
    path = put("one.parquet", {"t": t, "f": f, "x": x, "note": ["a"] * t.size}, row_group_size=1000)
    code, out, err = taken(call, path)
    assert code == 0, err
    told = json.loads(out)
    run = open_run(told["folder"])
    assert (run.kind, run.state) == ("wear", "complete")
    assert {m.code for m in run.marks} == {"imported", "rig_doubt_unknown"}
    [part] = read_strokes(run.folder, run.endurance["parts"])
    whole = summarise(t, f, x, zero_n=float(np.median(f[:80])))
    assert part["stroke"].tolist() == list(range(1, whole["time_s"].size + 1))
    np.testing.assert_allclose(part["at_f0_mm"], whole["at_f0_mm"], atol=2e-4)
    assert (run.folder / "raw" / "ORIGINAL").read_bytes() == (tmp_path / path).read_bytes()
    assert not validate(str(run.folder / "datapackage.json")).flatten(["type", "message"])
    thickness = run.samples["thickness_mm"].to_numpy()
    assert thickness[0] == 1.6
    assert thickness[-1] - 1.6 == pytest.approx(-2e-5 * 380, abs=0.002)
    code, out, err = call("remake", "shelf")
    assert code == 0, err
    assert open_run(run.folder).samples.equals(run.samples)


def test_units_and_signs_are_the_columns(call):
    t, f, x = machine()
    path = put("units.parquet", {"ms": (t * 1000).astype(np.int64), "g": (f / 0.00980665).astype(np.float32),
                                 "dial": -x * 1000})
    code, out, err = taken(call, path, "--column", "time=ms:ms", "--column", "force=g:gf", "--column",
                           "displacement=dial:-um")
    assert code == 0, err
    usual = open_run(json.loads(taken(call, put("usual.parquet", {"t": t, "f": f, "x": x}))[1])["folder"])
    found = open_run(json.loads(out)["folder"])
    np.testing.assert_allclose(found.samples["thickness_mm"], usual.samples["thickness_mm"], atol=5e-4)


@pytest.mark.parametrize(("columns", "words"), [
    (lambda t, f, x: {"t": t, "f": f}, "no column 'x'"),
    (lambda t, f, x: {"t": t, "f": f, "x": [str(v) for v in x]}, "holds no numbers"),
    (lambda t, f, x: {"t": t, "f": f, "x": [[v] for v in x]}, "holds no numbers"),
    (lambda t, f, x: {"t": t, "f": f * 0, "x": x}, "too few strokes"),
    (lambda t, f, x: {"t": t[::-1].copy(), "f": f, "x": x}, "too few strokes"),
    (lambda t, f, x: {"t": t, "f": f * np.nan, "x": x}, "too few strokes"),
    (lambda t, f, x: {"t": t[:0], "f": f[:0], "x": x[:0]}, "too few strokes"),
    (lambda t, f, x: {"t": t[:700], "f": f[:700], "x": x[:700]}, "too few strokes"),
])
def test_what_cannot_serve_is_refused_and_leaves_nothing(call, tmp_path, columns, words):
    code, out, _ = taken(call, put("bad.parquet", columns(*machine())))
    assert code == 1
    assert words in json.loads(out)["error"]["message"]
    assert not list((tmp_path / "shelf").rglob("*.parquet"))
    assert not list((tmp_path / "shelf" / "runs").iterdir())


@pytest.mark.parametrize("spoil", [
    lambda d: d[:-100], lambda d: d[:200], lambda d: d[:-8] + b"\xff\xff\xff\x7fPAR1", lambda d: b"PAR1",
    lambda d: d[:2000] + bytes(2000) + d[4000:],
])
def test_a_damaged_file_is_named(call, tmp_path, spoil):
    t, f, x = machine()
    path = put("whole.parquet", {"t": t, "f": f, "x": x}, write_page_checksum=True)
    (tmp_path / "cut.parquet").write_bytes(spoil((tmp_path / path).read_bytes()))
    code, out, _ = taken(call, "cut.parquet")
    assert code == 1
    assert "cut.parquet" in json.loads(out)["error"]["message"]
    assert not list((tmp_path / "shelf" / "runs").iterdir())


def test_holes_in_a_record_are_left_out(call):
    t, f, x = machine()
    holes = [None if k % 97 == 0 else float(v) for k, v in enumerate(f)]
    code, out, err = taken(call, put("holes.parquet", {"t": t, "f": pa.array(holes), "x": x}))
    assert code == 0, err
    assert json.loads(out)["read"]["strokes"] > 300


@pytest.mark.parametrize(("arguments", "code", "words"), [
    (("A3.toml", "--pad", "A3.toml", *COLUMNS), 1, "is no Parquet file"),
    (("none.parquet", "--pad", "A3.toml", *COLUMNS), 1, "is no Parquet file"),
    (("one.parquet", *COLUMNS), 2, "needs --pad"),
    (("one.parquet", "--pad", "A3.toml", *COLUMNS[:4]), 2, "displacement"),
    (("one.parquet", "--pad", "A3.toml", *COLUMNS, "--control"), 2, "--kind wear"),
    (("one.parquet", "--pad", "A3.toml", *COLUMNS, "--sheet", "a"), 2, "no --delimiter"),
    (("one.parquet", "--pad", "A3.toml", *COLUMNS, "--column", "temperature=x2:degC"), 2, "no temperature"),
    (("one.parquet", "--pad", "thin.toml", *COLUMNS), 1, "has no thickness"),
])
def test_what_was_asked_for_wrongly(call, arguments, code, words):
    t, f, x = machine(20)
    put("one.parquet", {"t": t, "f": f, "x": x})
    found, _, err = call("import", "--kind", "strokes", "--out", "shelf", *arguments)
    assert found == code, err
    assert words in " ".join(err.split())


def test_without_pyarrow_the_extra_is_named(call, tmp_path, monkeypatch):
    t, f, x = machine(20)
    put("one.parquet", {"t": t, "f": f, "x": x})
    real = builtins.__import__

    def absent(name, *rest):
        if name.startswith("pyarrow"):
            raise ImportError("No module named 'pyarrow'")
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", absent)
    code, out, _ = taken(call, "one.parquet")
    assert code == 1
    assert json.loads(out)["error"]["remedy"] == "pip install 'padlab[endurance]'"
    with pytest.raises(InputError):
        next(chunks("one.parquet", [Column("time", "t", "s")]))
    assert not (tmp_path / "shelf").exists()


def test_a_column_that_is_there_twice(tmp_path):
    schema = pa.schema([(name, pa.float64()) for name in ("t", "t", "f", "x")])
    table = pa.Table.from_arrays([pa.array([0.0])] * 4, schema=schema)
    pyarrow.parquet.write_table(table, tmp_path / "twice")
    with pytest.raises(TableError, match="'t'"):
        list(chunks(tmp_path / "twice", [Column("time", "t", "s"), Column("force", "f", "N"),
                                         Column("displacement", "x", "mm")]))
