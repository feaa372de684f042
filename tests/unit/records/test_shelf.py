"""The shelf: recordings that survive, runs that open, descriptors that other tools can read."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import signal
import subprocess
import sys
import textwrap
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import frictionless
import numpy as np
import pandas as pd
import pytest
from filelock import FileLock, Timeout

from padlab.errors import RunError
from padlab.marks import mark
from padlab.records.raw_log import read_raw
from padlab.records.recording import LOCK, lock_of, store_samples
from padlab.records.shelf import Shelf, find_runs, new_run_id, open_run


def valid(folder: Path) -> None:
    """The folder passes the open standard's own checker."""
    report = frictionless.Package(str(folder / "datapackage.json")).validate()
    assert report.valid, report.to_summary()


def derive(run):
    raw = read_raw(run)["bench"]
    return pd.DataFrame({"time_s": raw["host_s"], "force_n": raw["force"],
                         "displacement_mm": 5 - raw["dial"]})


def test_nothing_is_written_before_the_first_run(shelf):
    assert shelf.run_folders() == []
    assert not shelf.folder.exists()


def test_recording_stands_from_its_first_second_and_is_a_valid_data_package(shelf, begin):
    recording = begin()
    assert recording.folder == shelf.folder / "runs" / recording.id
    valid(recording.folder)
    run = open_run(recording.folder)
    assert run.state == "recording"
    assert run.pad.material == "grey wool felt"
    assert run.rig.instruments[0].clock_s_per_tick == 1e-3
    assert run.start_utc == "2026-07-04T08:15:30.250000Z"
    recording.close("complete")


def test_lines_wait_half_a_second_at_most(begin, clock, readings):
    recording = begin()
    path = recording.folder / "raw" / "bench.csv"
    recording.append("bench", readings(0, 10))
    assert path.read_text() == "host_s,count,tick,force,dial,status\n"
    clock.now = 0.5
    recording.tick()
    assert path.read_text().splitlines()[1:] == readings(0, 10)
    valid(recording.folder)
    recording.close("complete")


def test_flushed_lines_are_synced_within_a_second(begin, clock, readings, monkeypatch):
    recording = begin()
    synced = []
    real = os.fsync
    monkeypatch.setattr(os, "fsync", lambda fd: (synced.append(clock.now), real(fd))[1])
    for step in range(1, 25):
        clock.now = step / 10
        recording.append("bench", readings(step, 1))
    assert synced[0] <= 1.0 + 1e-9
    assert max(np.diff(synced)) <= 1.0 + 0.1 + 1e-9
    recording.close("complete")


def test_complete_run_has_samples_and_hashes_and_is_held_by_nobody(begin, readings):
    recording = begin()
    recording.append("bench", readings(0, 100))
    run = recording.close("complete", marks=[mark("uncalibrated", "force")], derive=derive)
    assert sorted(p.name for p in run.folder.iterdir() if p.name != LOCK) == [
        "datapackage.json", "raw", "samples.csv"]
    lock_of(run.folder).acquire().lock.release()
    stored = (run.folder / "raw" / "bench.csv").read_bytes()
    assert run.raw_sha256["bench.csv"] == hashlib.sha256(stored).hexdigest()
    assert [m.code for m in run.marks] == ["uncalibrated"]
    table = pd.read_csv(run.folder / "samples.csv")
    assert list(table.columns) == ["time_s", "force_n", "displacement_mm"]
    assert len(table) == 100
    assert table["displacement_mm"][3] == pytest.approx(0.03)
    valid(run.folder)
    assert open_run(run.folder) == run


def test_deriving_again_gives_the_same_bytes(begin, readings):
    recording = begin()
    recording.append("bench", readings(0, 100))
    run = recording.close("complete", derive=derive)
    before = {n: (run.folder / n).read_bytes() for n in ("samples.csv", "datapackage.json")}
    store_samples(run, derive(run))
    assert before == {n: (run.folder / n).read_bytes() for n in before}


def test_failed_derivation_keeps_the_readings(begin, readings):
    def fails(run):
        raise RunError("cannot merge")

    recording = begin()
    recording.append("bench", readings(0, 100))
    with pytest.raises(RunError, match="cannot merge"):
        recording.close("complete", derive=fails)
    run = open_run(recording.folder)
    assert run.state == "complete"
    assert len(read_raw(run)["bench"]) == 100
    with pytest.raises(RunError, match=f"padlab remake {run.id}"):
        _ = run.samples


def test_gap_and_mark_are_kept_at_once_and_shown(begin):
    recording = begin()
    recording.add_gap(3.0, 4.5, "unplugged")
    recording.add_mark(mark("bad_lines", "bench", "2 of 300 lines were not readable"))
    recording.add_mark(mark("bad_lines", "bench", "2 of 300 lines were not readable"))
    run = open_run(recording.folder)
    assert [(g.from_s, g.to_s, g.reason) for g in run.gaps] == [(3.0, 4.5, "unplugged")]
    assert [m.code for m in run.marks] == ["bad_lines", "gap"]
    assert recording.close("interrupted").marks[-1].code == "gap"


def test_unclosed_run_with_a_torn_line_opens_as_interrupted(begin, readings):
    recording = begin()
    recording.append("bench", readings(0, 20))
    for log in recording._logs.values():
        log.close()
    path = recording.folder / "raw" / "bench.csv"
    with path.open("ab") as file:
        file.write(b"0.20,20,200,0.4")
    recording._lock.release()

    run = open_run(recording.folder)
    assert run.state == "interrupted"
    assert [m.code for m in run.marks] == ["interrupted"]
    assert (recording.folder / "raw" / "bench.torn").read_bytes() == b"0.20,20,200,0.4"
    assert path.read_text().splitlines()[1:] == readings(0, 20)
    assert json.loads((run.folder / "datapackage.json").read_text())["padlab"]["torn"] == ["bench"]
    valid(run.folder)
    assert open_run(recording.folder) == run


def test_a_held_lock_means_recording(begin):
    recording = begin()
    assert open_run(recording.folder).state == "recording"
    assert open_run(recording.folder).state == "recording"
    recording.close("complete")


@pytest.mark.parametrize("seconds", [0.3, 0.9, 1.7])
def test_killed_process_leaves_a_run_that_opens(tmp_path, seconds, pad, rig):
    """A real process, a real kill: less than a second of lines lost, none invented."""
    script = textwrap.dedent("""
        import json, sys, time
        from datetime import UTC, datetime
        from pathlib import Path
        from padlab.records.pad import Pad
        from padlab.records.rig_record import RigRecord
        from padlab.records.shelf import Shelf
        pad, rig = json.loads(sys.argv[2])
        recording = Shelf(Path(sys.argv[1])).begin(
            kind="pad", procedure=None, pad=Pad.from_json(pad), rig=RigRecord.from_json(rig), environment={},
            start_utc=datetime.now(UTC), monotonic_s=time.monotonic())
        start, n = time.monotonic(), 0
        print(recording.folder, flush=True)
        while True:
            recording.append("bench", [f"{time.monotonic() - start:.6f},{n},{n},1.0,2.0,ok"])
            n += 1
            print(time.monotonic() - start, flush=True)
            time.sleep(0.002)
    """)
    told = json.dumps([pad.to_json(), rig.to_json()])
    process = subprocess.Popen([sys.executable, "-c", script, str(tmp_path / "shelf"), told],
                               stdout=subprocess.PIPE, text=True)
    try:
        folder = Path(process.stdout.readline().strip())
        last = 0.0
        while last < seconds:
            last = float(process.stdout.readline())
    finally:
        process.kill()
        rest = process.communicate()[0]
    if sys.platform != "win32":
        assert process.returncode == -signal.SIGKILL
    told_s = [float(x) for x in rest.split("\n")[:-1]]
    last = told_s[-1] if told_s else last
    valid(folder)
    run = open_run(folder)
    assert run.state == "interrupted"
    valid(folder)
    raw = read_raw(run)["bench"]
    assert raw["count"].tolist() == list(range(len(raw)))
    kept = raw["host_s"].iloc[-1] if len(raw) else 0.0
    assert last - kept <= 1.0


def test_raw_that_changed_is_named(begin, readings):
    recording = begin()
    recording.append("bench", readings(0, 20))
    run = recording.close("complete", derive=derive)
    path = run.folder / "raw" / "bench.csv"
    path.write_bytes(path.read_bytes().replace(b"4.900", b"4.901", 1))
    with pytest.raises(RunError, match=r"bench\.csv is no longer what was recorded"):
        read_raw(open_run(run.folder))


@pytest.mark.parametrize("line", ["1,2\n3,4", "1,2\r", "1,\0"])
def test_append_takes_whole_lines_only(begin, line):
    recording = begin()
    with pytest.raises(RunError, match="not one line"):
        recording.append("bench", [line])
    recording.close("complete")


def test_full_disk_is_told_and_loses_nothing_written(begin, readings, clock, monkeypatch):
    recording = begin()
    real, room = os.write, [100]

    def small_disk(handle, data):
        if room[0] == 0:
            raise OSError(28, "No space left on device")
        taken = real(handle, data[: room[0]])
        room[0] -= taken
        return taken

    monkeypatch.setattr(os, "write", small_disk)
    clock.now = 0.6
    with pytest.raises(RunError, match="cannot be written"):
        recording.append("bench", readings(0, 20))
    room[0] = 10**6
    recording.append("bench", readings(20, 20))
    run = recording.close("complete")
    assert (run.folder / "raw" / "bench.csv").read_text().splitlines()[1:] == readings(0, 40)


def test_ids_are_checked_and_taken_once(shelf, begin):
    first = begin()
    with pytest.raises(RunError, match="on file already"):
        shelf.new_folder(first.id)
    other = first.id.upper(), first.id + "/..", first.id + "\n", first.id[:-1] + "i"
    for bad in ("../x", "/etc", "", *other):
        with pytest.raises(RunError, match="is not a run id"):
            shelf.open(bad)
    with pytest.raises(RunError, match="no run"):
        shelf.open("20260704T081530Z-000000")
    first.close("complete")


def test_find_runs_takes_ids_folders_and_shelves(shelf, begin, tmp_path):
    runs = [begin(start=datetime(2026, 7, day, tzinfo=UTC)).close("complete") for day in (3, 1, 2)]
    ids = sorted(r.id for r in runs)
    assert [r.id for r in find_runs([shelf.folder])] == ids
    assert [r.id for r in find_runs([runs[0].folder, shelf.folder])] == ids
    assert [r.id for r in find_runs([ids[1]], near=[tmp_path])] == [ids[1]]
    assert [r.id for r in find_runs([ids[1]], near=[shelf.folder])] == [ids[1]]
    assert [f.name for f in shelf.run_folders()] == ids[::-1]
    for bad in ("nothing", "20260704T081530Z-000000", str(tmp_path), "a\0b", "x" * 5000):
        with pytest.raises(RunError, match="is no run and no shelf"):
            find_runs([bad], near=[tmp_path])


def test_ids_are_unique_and_carry_the_utc_second():
    local = datetime(2026, 7, 4, 10, 15, 30, tzinfo=UTC).astimezone(tz=None)
    ids = {new_run_id(local) for _ in range(200)}
    assert len(ids) == 200
    assert {i[:16] for i in ids} == {"20260704T101530Z"}
    assert new_run_id(local + timedelta(seconds=1)) > max(ids)


def test_two_instruments_have_two_files(begin, rig, pad, shelf, clock, readings):
    indicator = replace(rig.instruments[0], name="dial-2", counter=None, clock=None)
    begin.rig = replace(rig, instruments=(*rig.instruments, indicator))
    recording = begin()
    recording.append("dial-2", readings(0, 3))
    run = recording.close("complete")
    assert {n: len(t) for n, t in read_raw(run).items()} == {"bench": 0, "dial-2": 3}
    valid(run.folder)


@pytest.mark.parametrize(
    "name", ["../x", "a/b", "CON", "com1", "original", "x" * 65, "", ".hidden", "a b", "a\0"])
def test_instrument_names_never_become_paths(begin, rig, name):
    begin.rig = replace(rig, instruments=(replace(rig.instruments[0], name=name),))
    with pytest.raises(RunError, match="cannot name an instrument"):
        begin()
    assert begin.shelf.run_folders() == []


@pytest.mark.parametrize("number", [errno.EACCES, errno.EROFS])
def test_unclosed_run_where_nobody_can_write_is_shown_and_left_alone(begin, readings, monkeypatch, number):
    """The lock's own call fails as it does on a read-only disk (which a test cannot mount)."""
    recording = begin()
    recording.append("bench", readings(0, 3))
    for log in recording._logs.values():
        log.close()
    recording._lock.release()
    before = (recording.folder / "datapackage.json").read_bytes()

    def refuses(lock, *args, **kwargs):
        raise OSError(number, os.strerror(number))

    monkeypatch.setattr(FileLock, "acquire", refuses)
    run = open_run(recording.folder)
    assert run.state == "interrupted"
    assert len(read_raw(run)["bench"]) == 3
    assert (recording.folder / "datapackage.json").read_bytes() == before


def test_shelf_reached_through_a_link_but_nothing_below_it(begin, shelf, tmp_path):
    run = begin().close("complete")
    (tmp_path / "link").symlink_to(shelf.folder)
    assert Shelf(tmp_path / "link").open(run.id).id == run.id


def test_only_one_holds_a_run_however_the_one_before_lets_go(begin, monkeypatch):
    """Who waited got the lock in the moment of letting go; the file was then cleared away, and a third one
    made a new file and held it too: of twelve notes at once one was lost now and then.
    """
    recording = begin()
    waits, comes = lock_of(recording.folder), lock_of(recording.folder)
    let_go = recording._lock.release

    def and_the_next_has_it():
        let_go()
        waits.acquire()

    monkeypatch.setattr(recording._lock, "release", and_the_next_has_it)
    recording.close("complete")
    with pytest.raises(Timeout):
        comes.acquire()
    waits.release()
    comes.acquire()
    comes.release()
