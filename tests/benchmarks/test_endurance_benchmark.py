"""The record of an endurance machine: about as quick as reading it, linear, little memory, as in one piece.

Ten million readings are read by pyarrow, each column summed by numpy; against that, the whole analysis: read,
strokes found and summarised, strokes written as Parquet, read again, readings of the pad made of them.
"""

from __future__ import annotations

import json
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pyarrow
import pyarrow.parquet
import pytest

from padlab.records.columns import Column
from padlab.records.stroke_log import read_strokes, write_parts
from padlab.records.stroke_rows import COLUMNS
from padlab.signals.contact import force_zero
from padlab.signals.stroke_record import ZERO_FROM, chunks, strokes_of
from padlab.signals.strokes import summarise
from padlab.signals.wear_readings import NEEDED, readings_of

COLUMN = [Column("time", "t", "s"), Column("force", "f", "N"), Column("displacement", "x", "mm")]
FULL = 10_000_000
TIMES = 20.0
MOST_MB = 500.0


def write(path: Path, n: int) -> Path:
    """A machine at 1.37 strokes a second, 100 readings a second, a pad that wears."""
    rng = np.random.default_rng(7)
    with pyarrow.parquet.ParquetWriter(path, pyarrow.schema([(c, pyarrow.float64()) for c in "tfx"])) as file:
        for start in range(0, n, 1 << 19):
            t = (200 + np.arange(start, min(n, start + (1 << 19)))) / 100.0
            x = 0.3 * np.sin(2 * np.pi * (1.37 * t - 0.25)) + 0.1
            x[:max(0, 100 - start)] = -0.2
            f = 30.0 * np.clip(x - 0.02 * np.log10(1 + t), 0, None) ** 1.3 + rng.normal(0, 0.01, t.size)
            file.write_table(pyarrow.table({"t": t, "f": np.round(f, 3),
                                            "x": np.round(x + rng.normal(0, 0.001, t.size), 4)}))
    return path


def only_read(path: Path) -> float:
    table = pyarrow.parquet.read_table(path)
    return sum(float(np.sum(table.column(c).to_numpy())) for c in "tfx")


def analysed(path: Path, folder: Path):
    folder.mkdir()
    closed = write_parts(folder, strokes_of(chunks(path, COLUMN)))
    return closed, readings_of(read_strokes(folder, closed, NEEDED), thickness_mm=1.6)


@pytest.fixture(scope="module")
def record(tmp_path_factory):
    return write(tmp_path_factory.mktemp("record") / "whole.parquet", FULL)


@pytest.mark.alone
def test_as_quick_as_twenty_readings(record, tmp_path):
    ratios = []
    for k in range(3):
        start = time.perf_counter()
        only_read(record)
        middle = time.perf_counter()
        analysed(record, tmp_path / str(k))
        ratios.append((time.perf_counter() - middle) / (middle - start))
    print(f"the analysis takes {min(ratios):.2f} times as long as reading and summing")
    assert min(ratios) < TIMES


@pytest.mark.alone
def test_linear_in_samples(tmp_path):
    sizes, seconds = [10**5, 10**6, 10**7], []
    for n in sizes:
        path = write(tmp_path / f"{n}.parquet", n)
        took = []
        for k in range(3 if n < 10**7 else 2):
            start = time.perf_counter()
            analysed(path, tmp_path / f"{n}-{k}")
            took.append(time.perf_counter() - start)
        seconds.append(min(took))
    exponent = np.polyfit(np.log(sizes), np.log(seconds), 1)[0]
    print(f"{[round(s, 3) for s in seconds]} s: exponent {exponent:.2f}")
    assert exponent <= 1.1


CHILD = r"""
import importlib.util, json, re, resource, sys
from pathlib import Path
spec = importlib.util.spec_from_file_location("one", sys.argv[1])
one = importlib.util.module_from_spec(spec); spec.loader.exec_module(one)
closed, readings = one.analysed(Path(sys.argv[2]), Path(sys.argv[3]))
most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
status = Path("/proc/self/status")
if status.exists():      # Linux counts to a process what the one that started it had; this is its own
    most = 1024 * int(re.search("VmHWM: *([0-9]+) kB", status.read_text().replace("\t", " "))[1])
print(json.dumps({"mb": most / 1e6, "readings": len(readings)}))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no getrusage there")
def test_memory(record, tmp_path):
    told = subprocess.run([sys.executable, "-c", CHILD, __file__, str(record), str(tmp_path / "child")],
                          capture_output=True, text=True, check=True)
    found = json.loads(told.stdout)
    print(f"{found['mb']:.0f} MB at most, {found['readings']} readings")
    assert found["mb"] < MOST_MB
    assert found["readings"] > 40


def test_the_same_in_one_piece(record, tmp_path):
    closed, readings = analysed(record, tmp_path / "parts")
    table = pyarrow.parquet.read_table(record)
    t, f, x = (table.column(c).to_numpy() for c in "tfx")
    zero = force_zero(f[:ZERO_FROM], x[:ZERO_FROM]).value_n
    whole = summarise(t, f, x, zero_n=zero)
    whole["stroke"] = 1.0 + np.arange(whole["time_s"].size)
    parts = list(read_strokes(tmp_path / "parts", closed))
    same = True
    for name in COLUMNS:
        values = np.concatenate([p[name] for p in parts])
        np.testing.assert_allclose(values, whole[name], rtol=1e-12, atol=1e-12, err_msg=name)
        same &= np.array_equal(values, whole[name], equal_nan=True)
    print("to the bit" if same else "to 1e-12")
    once = readings_of([whole], thickness_mm=1.6)
    for name in once:
        np.testing.assert_allclose(readings[name], once[name], rtol=1e-12, err_msg=name)
