"""One row a stroke on the disk: whatever moment it is cut off at, what was handed over is there, once."""

from __future__ import annotations

import builtins
import hashlib
import shutil

import numpy as np
import pyarrow.parquet
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from padlab.errors import InputError, RunError
from padlab.records import stroke_log
from padlab.records.stroke_log import StrokeLog, last_stroke, mend, read_strokes, resources, write_parts
from padlab.records.stroke_rows import COLUMNS


def rows(first, last):
    number = np.arange(first, last + 1, dtype=float)
    found = {c: number / 7 + k for k, c in enumerate(COLUMNS)}
    found |= {"stroke": number, "time_s": number * 0.5, "machine": number + 40,
              "loss_mj": np.where(number % 3, number, np.nan)}
    return found


class Descriptor:
    def __init__(self):
        self.closed, self.opened, self.written = {}, None, 0

    def __call__(self, closed, opened):
        self.closed, self.opened, self.written = dict(closed), opened, self.written + 1


def begin(folder, said):
    return StrokeLog(folder, lambda: 0.0, said, said.closed)


def numbers(folder, said):
    parts = list(read_strokes(folder, said.closed, ("stroke",)))
    return np.concatenate([p["stroke"] for p in parts]).tolist() if parts else []


def names(folder):
    return sorted(p.name for p in (folder / "strokes").iterdir())


@pytest.fixture
def small(monkeypatch):
    monkeypatch.setattr(stroke_log, "ROWS_A_PART", 5)


def test_parts_close_as_they_fill_and_all_rows_come_back(tmp_path, small):
    said = Descriptor()
    log = begin(tmp_path, said)
    for first in range(1, 20, 2):
        log.append(rows(first, first + 1))
    log.tick(flush=True)
    assert names(tmp_path) == ["part-000001.parquet", "part-000002.parquet", "part-000003.parquet",
                               "part-000004.csv"]
    assert numbers(tmp_path, said) == list(range(1, 21))
    log.close()
    assert names(tmp_path)[-1] == "part-000004.parquet"
    assert said.opened is None
    read = list(read_strokes(tmp_path, said.closed))
    for column in COLUMNS:
        values = np.concatenate([p[column] for p in read])
        np.testing.assert_allclose(values, rows(1, 20)[column], rtol=1e-8)
    for name, sha256 in said.closed.items():
        assert hashlib.sha256((tmp_path / "strokes" / name).read_bytes()).hexdigest() == sha256
    table = pyarrow.parquet.read_table(tmp_path / "strokes" / "part-000001.parquet")     # by any program
    assert table.column("stroke").to_pylist() == [1, 2, 3, 4, 5, 6]
    assert last_stroke(tmp_path, said.closed)["stroke"] == 20


class PowerCut(BaseException):
    """The process is gone at this moment."""


STEPS = ("write_whole", "sync_folder", "on_change", "unlink")


@pytest.mark.parametrize("nth", range(1, 9))
@pytest.mark.parametrize("step", STEPS)
def test_a_cut_at_any_moment_loses_and_doubles_nothing(tmp_path, small, monkeypatch, step, nth):
    said = Descriptor()
    count = 0

    def cut():
        nonlocal count
        count += 1
        if count == nth:
            raise PowerCut

    def on_change(closed, opened):
        if step == "on_change":
            cut()
        said(closed, opened)

    with monkeypatch.context() as m:
        for name in ("write_whole", "sync_folder"):
            if step == name:
                real = getattr(stroke_log, name)
                m.setattr(stroke_log, name, lambda *a, real=real: (cut(), real(*a))[1])
        if step == "unlink":
            real_away = StrokeLog._away
            m.setattr(StrokeLog, "_away", lambda self, old: (cut(), real_away(self, old))[1])
        handed = 0
        try:
            log = StrokeLog(tmp_path, lambda: 0.0, on_change, {})
            for first in range(1, 40):
                log.append(rows(first, first))
                log.tick(flush=True)
                handed = first
        except PowerCut:
            pass
    if said.opened is not None:
        listed = [r["path"] for r in resources(said.closed, said.opened)]
        assert all((tmp_path / path).is_file() for path in listed)     # the descriptor is true of the folder
    log = begin(tmp_path, said)                                          # the next to open it
    found = numbers(tmp_path, said)
    assert found in (list(range(1, handed + 1)), list(range(1, handed + 2)))
    log.append(rows(len(found) + 1, len(found) + 2))
    log.close()
    assert numbers(tmp_path, said) == list(range(1, len(found) + 3))
    assert not [n for n in names(tmp_path) if n.endswith((".csv", ".new"))]


def test_a_torn_line_is_moved_aside_each_time(tmp_path):
    said = Descriptor()
    for k in (1, 2):
        log = begin(tmp_path, said)
        log.append(rows(10 * k, 10 * k + 1))
        log.let_go()
        path = tmp_path / "strokes" / said.opened
        with path.open("ab") as file:
            file.write(b"%d,5.0,0.1" % (10 * k + 2))
        assert mend(tmp_path)
        assert not mend(tmp_path)
        assert path.read_bytes().endswith(b"\n")
    begin(tmp_path, said).close()
    assert numbers(tmp_path, said) == [10, 11, 20, 21]
    assert (tmp_path / "strokes" / "torn.csv").read_bytes() == b"12,5.0,0.1\n22,5.0,0.1\n"


def test_a_header_that_was_never_whole_is_written_again(tmp_path):
    said = Descriptor()
    begin(tmp_path, said).let_go()
    (tmp_path / "strokes" / said.opened).write_bytes(b"stroke,ti")
    log = begin(tmp_path, said)
    log.append(rows(1, 3))
    log.close()
    assert numbers(tmp_path, said) == [1, 2, 3]


@pytest.mark.parametrize(("damage", "words"), [
    (lambda d: d.replace(b"stroke,", b"strike,", 1), "the columns stroke"),
    (lambda d: d.replace(b"\n2,", b"\n2;", 1), "14 numbers in line 3"),
    (lambda d: d.replace(b"\n2,", b"\nx,", 1), "14 numbers in line 3"),
    (lambda d: d.replace(b"\n2,", b"\n1_2,", 1), "14 numbers in line 3"),
    (lambda d: d.replace(b"\n2,", b"\n1e400,", 1), "14 numbers in line 3"),
    (lambda d: d.replace(b"\n2,", b"\n1,", 1), "a stroke after number 1"),
    (lambda d: d.replace(b"\n2,", b"\n-7,", 1), "a stroke after number 1"),
    (lambda d: d + d[d.index(b"\n") + 1:], "a stroke after number 3"),
    (lambda d: b"\xff" * 60 + b"\n" + d, "the columns stroke"),
])
def test_a_damaged_journal_is_named_and_kept(tmp_path, damage, words):
    said = Descriptor()
    log = begin(tmp_path, said)
    log.append(rows(1, 3))
    log.let_go()
    path = tmp_path / "strokes" / said.opened
    path.write_bytes(damaged := damage(path.read_bytes()))
    with pytest.raises(RunError) as told:
        last_stroke(tmp_path, said.closed)
    assert words in told.value.expected
    assert "part-000001.csv" in told.value.message
    assert path.read_bytes() == damaged


@pytest.mark.parametrize("damage", [
    lambda p: p.write_bytes(p.read_bytes()[:-9]), lambda p: p.unlink(), lambda p: p.write_bytes(b""),
    lambda p: p.write_bytes(p.read_bytes().replace(b"PAR1", b"PAR2")),
])
def test_a_damaged_part_is_named(tmp_path, damage):
    said = Descriptor()
    log = begin(tmp_path, said)
    log.append(rows(1, 300))
    log.close()
    damage(tmp_path / "strokes" / "part-000001.parquet")
    with pytest.raises(RunError, match=r"part-000001\.parquet"):
        numbers(tmp_path, said)


def test_a_part_that_is_no_parquet_though_its_hash_fits(tmp_path):
    (tmp_path / "strokes").mkdir()
    for data in (b"PAR1 nothing PAR1", b"", bytes(pyarrow_bytes({"other": [1, 2]}))):
        (tmp_path / "strokes" / "part-000001.parquet").write_bytes(data)
        closed = {"part-000001.parquet": hashlib.sha256(data).hexdigest()}
        with pytest.raises(RunError, match="is damaged"):
            last_stroke(tmp_path, closed)


def pyarrow_bytes(columns):
    out = pyarrow.BufferOutputStream()
    pyarrow.parquet.write_table(pyarrow.table(columns), out)
    return out.getvalue()


def test_links_are_not_followed(tmp_path):
    said = Descriptor()
    run, other = tmp_path / "run", tmp_path / "other"
    run.mkdir()
    other.mkdir()
    (run / "strokes").symlink_to(other)
    with pytest.raises(RunError, match="link"):
        begin(run, said)
    (run / "strokes").unlink()
    log = begin(run, said)
    log.append(rows(1, 9))
    log.close()
    part = run / "strokes" / "part-000001.parquet"
    shutil.move(part, other / "elsewhere")
    part.symlink_to(other / "elsewhere")
    with pytest.raises(RunError, match="link"):
        numbers(run, said)


def test_without_pyarrow_the_extra_is_named(tmp_path, monkeypatch):
    real = builtins.__import__

    def absent(name, *rest):
        if name.startswith("pyarrow"):
            raise ImportError("No module named 'pyarrow'")
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", absent)
    with pytest.raises(InputError) as told:
        begin(tmp_path, Descriptor())
    assert told.value.remedy == "pip install 'padlab[endurance]'"
    assert not (tmp_path / "strokes").exists()


@settings(max_examples=40, deadline=None)
@given(sizes=st.lists(st.integers(0, 12), max_size=12))
def test_strokes_that_are_all_known_are_the_same_in_parts(sizes, tmp_path_factory):
    folder, before = tmp_path_factory.mktemp("known"), stroke_log.ROWS_A_PART
    stroke_log.ROWS_A_PART = 7
    try:
        edges = np.concatenate([[0], np.cumsum(sizes)]).astype(int)
        closed = write_parts(folder, [rows(a + 1, b) for a, b in zip(edges[:-1], edges[1:], strict=True)])
        said = Descriptor()
        said.closed = closed
        assert numbers(folder, said) == list(range(1, int(edges[-1]) + 1))
    finally:
        stroke_log.ROWS_A_PART = before
