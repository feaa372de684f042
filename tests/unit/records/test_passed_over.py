"""One bad folder does not keep a shelf from being used: it is passed over, and named."""

from __future__ import annotations

import json
import math
import os
import shutil
from pathlib import Path

import pytest

from padlab.records.descriptor import NAME
from padlab.records.shelf import find_runs, newest_blank

COLUMNS = ("--column", "time=t:s", "--column", "force=load:N", "--column", "displacement=dial:mm")
BAD = "20260101T000000Z-000000"

needs_links = pytest.mark.skipif(
    os.name == "nt", reason="making a link needs a right that few have on Windows")


@pytest.fixture
def good(padlab, pad_file, shelf, tmp_path) -> str:
    """A run that can be fitted: ten presses in a minute, made up."""
    rows = ((n / 50, 9 * (1 - math.cos(2 * math.pi * n / 300))) for n in range(3000))
    table = tmp_path / "press.csv"
    table.write_text("t,load,dial\n" + "".join(
        f"{t:.2f},{f:.4f},{0.3 * (f / 18) ** 0.4:.5f}\n" for t, f in rows))
    told = padlab("import", table, "--pad", pad_file, *COLUMNS, "--out", shelf.folder, "--json")
    assert told.code == 0, told.err
    return told.json["run"]


def linked(bad: Path, good: Path) -> None:
    shutil.copytree(good, bad.parents[2] / "behind-the-link")
    bad.symlink_to(bad.parents[2] / "behind-the-link")


def linked_descriptor(bad: Path, good: Path) -> None:
    bad.mkdir()
    (bad / NAME).symlink_to(good / NAME)


def linked_to_nothing(bad: Path, good: Path) -> None:
    bad.symlink_to(bad.parents[2] / "nowhere")


def damaged(bad: Path, good: Path) -> None:
    shutil.copytree(good, bad)
    (bad / NAME).write_text("{")


def empty(bad: Path, good: Path) -> None:
    bad.mkdir()


def a_file(bad: Path, good: Path) -> None:
    bad.write_text("a run's name, and no folder")


def mistyped(bad: Path, good: Path) -> None:
    shutil.copytree(good, bad)
    package = json.loads((bad / NAME).read_text())
    package["padlab"]["environment"] = {"temperature_c": "warm"}
    (bad / NAME).write_text(json.dumps(package))


KINDS = [pytest.param(linked, marks=needs_links), pytest.param(linked_descriptor, marks=needs_links),
         pytest.param(linked_to_nothing, marks=needs_links), damaged, empty, a_file, mistyped]


@pytest.mark.parametrize("spoil", KINDS)
def test_a_bad_folder_is_passed_over_and_named(padlab, shelf, good, spoil):
    folder = shelf.folder / "runs"
    spoil(folder / BAD, folder / good)
    for _ in range(2):                                   # anew, and from the index
        told = padlab("shelf", shelf.folder, "--json")
        assert told.code == 0
        assert [r["run"] for r in told.json["runs"]] == [good]
        assert [BAD in u["message"] for u in told.json["unreadable"]] == [True]
        assert BAD in told.err
    assert [r.id for r in find_runs([shelf.folder])] == [good]
    for command in (("fit",), ("compare",)):
        told = padlab(*command, shelf.folder)
        assert told.code == 0, told.err
        assert f"passed over: {folder / BAD}" in told.err
        assert "A3" in told.out or "grey wool felt" in told.out


@pytest.mark.parametrize("spoil", KINDS)
def test_remake_of_a_shelf_makes_the_others_and_says_what_it_could_not(padlab, shelf, good, spoil):
    folder = shelf.folder / "runs"
    spoil(folder / BAD, folder / good)
    (folder / good / "samples.csv").unlink()
    told = padlab("remake", shelf.folder, "--json")
    assert told.code == 1
    assert BAD in told.json["error"]["message"]
    assert (folder / good / "samples.csv").exists()


@needs_links
def test_nothing_outside_is_read_or_changed_through_a_link(padlab, shelf, good):
    linked(shelf.folder / "runs" / BAD, shelf.folder / "runs" / good)
    outside = shelf.folder.parent / "behind-the-link"
    package = json.loads((outside / NAME).read_text())
    package["padlab"]["state"] = "recording"             # an abandoned one: opening it would rewrite it
    (outside / NAME).write_text(json.dumps(package))
    before = {p: p.read_bytes() for p in outside.rglob("*") if p.is_file()}
    for command in ("shelf", "fit", "compare", "remake"):
        assert "behind-the-link" not in padlab(command, shelf.folder).out
    assert {p: p.read_bytes() for p in outside.rglob("*") if p.is_file()} == before


@pytest.mark.parametrize("spoil", [damaged, mistyped])
def test_a_bad_run_named_by_itself_is_an_error(padlab, shelf, good, spoil):
    folder = shelf.folder / "runs"
    spoil(folder / BAD, folder / good)
    for name in (folder / BAD, folder / good / ".." / BAD):
        told = padlab("fit", name)
        assert (told.code, NAME in told.err) == (1, True)


def test_a_run_folder_is_its_own_current_folder(padlab, shelf, good, monkeypatch):
    """``fit .`` used to say that '' is no run id."""
    monkeypatch.chdir(shelf.folder / "runs" / good)
    assert padlab("fit", ".").code == 0
    monkeypatch.chdir("raw")
    assert padlab("fit", "..").code == 0


def test_a_bad_run_does_not_keep_a_capture_from_finding_its_blank(shelf, begin, clock):
    begin(kind="blank").close("complete")
    (shelf.folder / "runs" / BAD).mkdir()
    from datetime import UTC, datetime

    assert newest_blank(shelf, "harbour bench", now=datetime(2026, 7, 4, 9, tzinfo=UTC)) is not None
