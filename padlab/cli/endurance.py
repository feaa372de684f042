"""``padlab capture`` of an endurance run: begun, or gone on with."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.capture.procedure import Procedure
    from padlab.capture.recorder import Screen
    from padlab.capture.rig import RigFile
    from padlab.records.pad import Pad
    from padlab.records.run import Run

UNATTENDED = (
    "THE MACHINE PRESSES BY ITSELF; padlab only reads and counts, and cannot stop it. Unattended only with a "
    "full guard, a fuse and a thermal cut-out, a metal tray, nothing that burns near, and a stop on "
    "overtravel of its own; otherwise stop it when you leave. Local rules and licensed practice come first.")


def begun(rig: RigFile, procedure: Procedure, shelf: Path, pad: Pad, environment: dict[str, Any],
          note: str | None, *, as_json: bool) -> None:
    """Record an endurance run from its beginning."""
    from padlab.capture.endurance import record_endurance
    from padlab.records.shelf import Shelf

    def record(screen: Screen, should_stop: Callable[[], bool]) -> Run:
        return record_endurance(
            rig, procedure, Shelf(shelf), screen=screen, pad=pad, environment=environment, note=note,
            should_stop=should_stop, on_begin=lambda r: _cautioned(screen, shelf, rig.name, r.folder))

    _do(record, as_json=as_json)


def resumed(name: str, rig_name: str | None, urls: tuple[str, ...], *, as_json: bool) -> None:
    """Go on with an endurance run."""
    from padlab.capture.endurance import resume_endurance
    from padlab.capture.rig import read_rig, rig_names
    from padlab.errors import InputError
    from padlab.records.endurance import check_resumes
    from padlab.records.shelf import find_one

    run = find_one(name)
    check_resumes(run)
    assert run.rig is not None
    if rig_name is None and run.rig.name not in rig_names():
        raise InputError(f"run {run.id} was begun on a rig of your own", expected="its file",
                         seen=f"rig {run.rig.name}", remedy=f"padlab capture RIG.toml --resume {run.id}")
    rig = read_rig(rig_name or run.rig.name).with_urls(urls)

    def record(screen: Screen, should_stop: Callable[[], bool]) -> Run:
        return resume_endurance(
            rig, run, screen=screen, should_stop=should_stop,
            on_begin=lambda r: _cautioned(screen, run.folder.parent.parent, rig.name, r.folder))

    _do(record, as_json=as_json)


def _cautioned(screen: Screen, shelf: Path, rig: str, folder: Path) -> None:
    from padlab.capture.prompts import Said
    from padlab.cli.capture import _begun

    screen.say(Said(UNATTENDED))
    _begun(screen, shelf, rig, str(folder))


def _do(record: Callable[[Screen, Callable[[], bool]], Run], *, as_json: bool) -> None:
    from padlab.cli.capture import Stop, live_screen, tell
    from padlab.signals.wear_readings import count_of

    stop = Stop()
    with stop, live_screen() as screen:
        run = record(screen, stop.is_asked)
    if run.state != "complete":
        click.echo(plain(f"padlab capture --resume {run.folder} goes on with it"), err=True)
    tell(run, was_stopped=stop.is_asked(), as_json=as_json, strokes=count_of(run))
