"""Large tables and full shelves: memory and time stay in step with their size."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
import time
from datetime import UTC, datetime, timedelta
from random import Random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from padlab.errors import TableError
from padlab.records.cells import Grid, decimal_mark, number_of, numbers
from padlab.records.descriptor import NAME
from padlab.records.index import list_runs
from padlab.records.shelf import Shelf, find_runs, new_run_id

COLUMNS = ("--column", "time=t:s", "--column", "force=load:N", "--column", "displacement=dial:mm")


@pytest.mark.skipif(sys.platform != "linux", reason="the peak of memory is asked of Linux")
def test_an_import_takes_a_few_times_the_size_of_its_table(tmp_path, pad_file):
    """Each cell was kept as text and took 30 times its size: 2.8 GB for a table of 90 MB."""
    table = tmp_path / "large.csv"
    table.write_text("t,load,dial,remark\n" + "".join(
        f"{n / 50:.2f},{n % 300 / 17:.5f},{n % 300 / 999:.6f},as read\n" for n in range(300_000)))
    script = textwrap.dedent("""
        import resource, sys
        import pandas, padlab.records.forms, padlab.records.tables, padlab.signals.first_look
        from padlab.cli.main import main
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        try:
            main(sys.argv[1:])
        finally:
            print((resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024)
    """)
    told = subprocess.run(
        [sys.executable, "-c", script, "import", str(table), "--pad", str(pad_file), *COLUMNS, "--out",
         str(tmp_path / "shelf")], capture_output=True, text=True, check=False)
    assert told.returncode == 0, told.stderr
    peak = int(told.stdout.splitlines()[-1])
    assert peak < 7 * table.stat().st_size


CELLS = st.one_of(
    st.floats(allow_nan=True).map(repr), st.integers(-10**6, 10**6).map(str),
    st.from_regex(r"[+-]?[0-9]{0,3}[.,]?[0-9]{0,4}([eE][+-]?[0-9]{1,4})?", fullmatch=True),
    st.sampled_from(["", " ", " 1.5 ", "1\n2", "1 2", "½", "١", "1_000", "0x1", "inf", "1e400",
                     "'1", "1.2.3"]),
    st.text(max_size=4))


@given(cells=st.lists(CELLS, min_size=1, max_size=6), decimal=st.sampled_from([".", ","]))
def test_many_numbers_at_once_read_as_one_by_one(cells, decimal):
    grid = Grid(["x"], lambda: iter([(n + 2, [cell]) for n, cell in enumerate(cells)]), {})

    def one_by_one():
        return [number_of(n + 2, "x", cell, decimal) for n, cell in enumerate(cells)]

    def at_once():
        return numbers(grid, ["x"], decimal=decimal)["x"].tolist()

    told = []
    for read in (one_by_one, at_once):
        try:
            told.append(read())
        except TableError as fault:
            told.append(str(fault))
    assert told[0] == told[1]


def test_a_decimal_mark_is_found_however_far_down_it_stands():
    cells = ["1"] * 20_000 + ["2,5"] + ["3"] * 20_000
    grid = Grid(["x"], lambda: iter([(n + 2, [cell]) for n, cell in enumerate(cells)]), {})
    assert decimal_mark(grid, ["x"], delimiter=";") == ","
    cells[-1] = "3.5"
    with pytest.raises(TableError, match="row 40002") as caught:
        decimal_mark(grid, ["x"], delimiter=";")
    assert "points and commas" in caught.value.message
    cells[20_000], cells[-1] = "2,500", "3"
    with pytest.raises(TableError, match="fits two ways"):
        decimal_mark(grid, ["x"], delimiter=";")


def test_long_rows_of_digits_are_judged_in_no_time():
    cells = ["1" * 10_000, "1" * 50 + "e", "." * 10_000, "1.5" * 3000] * 50
    for decimal in (".", ","):
        grid = Grid(["x"], lambda: iter([(2, [cell]) for cell in cells]), {})
        begun = time.process_time()
        with pytest.raises(TableError):
            numbers(grid, ["x"], decimal=decimal)
        assert time.process_time() - begun < 1.0


@pytest.fixture
def full(begin, shelf) -> Shelf:
    """A shelf of 1,000 runs, all with the descriptor of one."""
    package = json.loads((begin().close("complete").folder / NAME).read_text())
    rng, first = Random(3), datetime(2026, 1, 1, tzinfo=UTC)
    for n in range(999):
        folder = shelf.folder / "runs" / new_run_id(first + timedelta(minutes=n), rng)
        folder.mkdir()
        (folder / NAME).write_text(json.dumps({**package, "name": folder.name.lower()}))
    return shelf


def spent(call) -> float:
    begun = time.process_time()
    call()
    return time.process_time() - begun


def test_a_shelf_of_a_thousand_runs_is_listed_in_a_moment(full, padlab):
    first = spent(lambda: list_runs(full))
    assert first < 8.0                                # 1 s on a quiet machine of 2026
    again = spent(lambda: list_runs(full))
    assert again < 1.0
    assert again < first                              # the index serves
    told = padlab("shelf", full.folder, "--json")
    assert len(told.json["runs"]) == 1000
    assert len(find_runs([full.folder])) == 1000


@pytest.mark.skipif(os.name == "nt", reason="resource is of POSIX")
def test_time_and_memory_of_a_listing_grow_no_faster_than_the_shelf(full):
    script = textwrap.dedent("""
        import resource, sys
        from pathlib import Path
        from padlab.records.index import list_runs
        from padlab.records.shelf import Shelf
        class Part(Shelf):
            def run_folders(self, **how):
                return super().run_folders(**how)[:int(sys.argv[2])]
        (Path(sys.argv[1]) / "index.sqlite").unlink(missing_ok=True)
        list_runs(Part("nowhere"))
        used = resource.getrusage(resource.RUSAGE_SELF)
        before, begun = used.ru_maxrss, used.ru_utime
        assert len(list_runs(Part(sys.argv[1]))[0]) == int(sys.argv[2])
        used = resource.getrusage(resource.RUSAGE_SELF)
        print(used.ru_utime - begun, used.ru_maxrss - before)
    """)

    def listed(runs: int) -> tuple[float, int]:
        told = subprocess.run([sys.executable, "-c", script, str(full.folder), str(runs)],
                              capture_output=True, text=True, check=True).stdout.split()
        return float(told[0]), int(told[1])

    few, many = listed(250), listed(1000)
    assert many[0] < 4 * few[0] * 2 + 0.5
    assert many[1] < 60_000                           # KiB
