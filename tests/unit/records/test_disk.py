"""A full disk and a shut folder: one clear error each, and what was on file stands as it was."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest

from padlab.errors import RunError
from padlab.records.descriptor import NAME
from padlab.records.inside import write_whole
from padlab.records.recording import LOCK
from padlab.records.shelf import Shelf, open_run

COLUMNS = ("--column", "time=t:s", "--column", "force=load:N", "--column", "displacement=dial:mm")
posix = pytest.mark.skipif(os.name == "nt", reason="limits and rights of POSIX")
as_root = pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0, reason="another user can be taken on by root only")


@pytest.fixture
def press(tmp_path) -> Path:
    path = tmp_path / "press.csv"
    path.write_text("t,load,dial\n" + "".join(f"{n / 50:.2f},{n % 20},{n % 20 / 100}\n" for n in range(3000)))
    return path


def padlab_within(limit_bytes: int, *arguments: object) -> subprocess.CompletedProcess[str]:
    """A real process that may write no file larger than that, as on a disk that is full."""
    script = textwrap.dedent("""
        import resource, sys
        from padlab.cli.main import main
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[1]),) * 2)
        main(sys.argv[2:])
    """)
    return subprocess.run([sys.executable, "-c", script, str(limit_bytes), *map(str, arguments)],
                          capture_output=True, text=True, check=False)


@posix
@pytest.mark.parametrize("limit", [100, 60_000])
def test_an_import_onto_a_full_disk_says_so_and_leaves_nothing(press, pad_file, shelf, limit):
    told = padlab_within(limit, "import", press, "--pad", pad_file, *COLUMNS, "--out", shelf.folder, "--json")
    assert told.returncode == 1
    error = json.loads(told.stdout)["error"]
    assert (error["code"], error["expected"]) == ("run", "room on the disk")
    assert "make room" in error["remedy"]
    assert "Traceback" not in told.stderr
    assert list((shelf.folder / "runs").iterdir()) == []


def contents(folder):
    """All that a run holds; the file of its lock, which stays, is empty."""
    return {p.name: p.read_bytes() for p in folder.rglob("*") if p.is_file() and p.name != LOCK}


@posix
@pytest.mark.parametrize("command", ["remake", "amend"])
def test_a_full_disk_leaves_the_run_as_it_was(padlab, press, pad_file, shelf, command):
    made = padlab("import", press, "--pad", pad_file, *COLUMNS, "--out", shelf.folder, "--json").json
    folder = Path(made["folder"])
    before = contents(folder)
    more = ("--note", "seen") if command == "amend" else ()
    told = padlab_within(100, command, folder, *more)
    assert told.returncode == 1
    assert "cannot be written" in told.stderr
    assert "make room" in told.stderr
    assert contents(folder) == before
    assert padlab("fit", folder).code in (0, 1)
    assert padlab(command, folder, *more).code == 0


@posix
def test_a_recording_that_cannot_begin_leaves_no_folder(tmp_path, pad, rig):
    script = textwrap.dedent("""
        import json, resource, sys
        from datetime import UTC, datetime
        from pathlib import Path
        from padlab.errors import RunError
        from padlab.records.pad import Pad
        from padlab.records.rig_record import RigRecord
        from padlab.records.shelf import Shelf
        pad, rig = json.loads(sys.argv[2])
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(sys.argv[3]),) * 2)
        try:
            Shelf(Path(sys.argv[1])).begin(
                kind="pad", procedure=None, pad=Pad.from_json(pad), rig=RigRecord.from_json(rig),
                environment={}, start_utc=datetime.now(UTC), monotonic_s=0.0)
        except RunError as fault:
            print(fault)
    """)
    described = json.dumps([pad.to_json(), rig.to_json()])
    for limit in (0, 10, 200):              # at the readings' header, in it, at the descriptor
        told = subprocess.run([sys.executable, "-c", script, str(tmp_path / "shelf"), described, str(limit)],
                              capture_output=True, text=True, check=False)
        assert "cannot be written" in told.stdout, told.stderr
        assert "make room" in told.stdout
        assert list((tmp_path / "shelf" / "runs").iterdir()) == []


def test_half_a_file_is_not_left_behind(tmp_path):
    path = tmp_path / NAME
    path.write_bytes(b"old")

    def pieces():
        yield b"new"
        raise OSError(28, "No space left on device")

    with pytest.raises(RunError, match="make room"):
        write_whole(path, pieces())
    assert [p.name for p in tmp_path.iterdir()] == [NAME]
    assert path.read_bytes() == b"old"


@as_root
def test_a_folder_that_is_shut_is_one_clear_error(press, pad_file, tmp_path):
    """Another user's folder: rights do not bind root, so the command runs as nobody."""
    shut, folder = tmp_path / "shut", tmp_path
    (shut / "runs").mkdir(parents=True)
    while folder != Path(folder.anchor):
        if not folder.stat().st_mode & 0o001:
            folder.chmod(folder.stat().st_mode | 0o011)
        folder = folder.parent
    for path in (press, pad_file):
        path.chmod(0o644)
    script = textwrap.dedent("""
        import contextlib, io, os, sys
        from padlab.cli.main import main
        with contextlib.suppress(SystemExit), contextlib.redirect_stdout(io.StringIO()):
            main([*sys.argv[1:-1], sys.argv[-1] + "-warm", "--json"])   # what is imported late is imported
        os.setuid(65534)
        main([*sys.argv[1:], "--json"])
    """)
    told = subprocess.run(
        [sys.executable, "-c", script, "import", str(press), "--pad", str(pad_file), *COLUMNS, "--out",
         str(shut)], capture_output=True, text=True, check=False)
    assert told.returncode == 1, told.stderr
    error = json.loads(told.stdout)["error"]
    assert (error["code"], error["seen"]) == ("run", "Permission denied")
    assert "may write" in error["remedy"]


def test_a_shelf_of_this_name_cannot_be(tmp_path):
    (tmp_path / "file").write_text("")
    for name in (tmp_path / "file", tmp_path / "file" / "inner", tmp_path / ("x" * 300)):
        with pytest.raises(RunError, match="cannot be a shelf"):
            Shelf(name).make_runs()


@posix
def test_an_abandoned_recording_opens_on_a_full_disk(begin, readings):
    recording = begin()
    recording.append("bench", readings(0, 20))
    for log in recording._logs.values():
        log.close()
    recording._lock.release()
    script = ("import resource, sys\nfrom padlab.records.shelf import open_run\n"
              "resource.setrlimit(resource.RLIMIT_FSIZE, (10, 10))\nprint(open_run(sys.argv[1]).state)")
    told = subprocess.run([sys.executable, "-c", script, str(recording.folder)], capture_output=True,
                          text=True, check=False)
    assert told.stdout.strip() == "interrupted", told.stderr
    assert open_run(recording.folder).state == "interrupted"
