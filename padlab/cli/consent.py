"""Nothing moves before a person has read the cautions and said so: the motor of a rig in a capture."""

from __future__ import annotations

import contextlib
import sys
from collections.abc import Iterator
from typing import TYPE_CHECKING

import click

from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.capture.motor import Motor
    from padlab.capture.procedure import Procedure
    from padlab.capture.rig import RigFile

YES = "move"
"""What must be typed; a mere Enter is no consent."""


@contextlib.contextmanager
def motor_of(rig: RigFile, procedure: Procedure, *, may_move: bool) -> Iterator[Motor | None]:
    """The motor of a rig, if it has one, opened once a person has let it move; safe and closed at the end.

    Until then nothing is sent to it: not even the question who it is.

    Raises
    ------
    click.UsageError
        ``--drive`` for a rig without a motor; or nobody to ask, and no ``--drive``.
    InputError
        The motor must not do this, or the person did not let it.
    """
    if rig.motor is None:
        if may_move:
            raise click.UsageError(f"rig {plain(rig.name)} has no motor; --drive is for rigs that have one")
        yield None
        return
    from padlab.capture.motor import Motor, check_drives
    from padlab.capture.motor_cautions import motor_cautions
    from padlab.errors import InputError

    check_drives(rig, procedure)
    if not may_move and not sys.stdin.isatty():
        raise click.UsageError(f"rig {plain(rig.name)} has a motor, and nobody is here to be asked: --drive "
                               "says that you stand beside it and that it may move")
    closed = Motor(rig, procedure)
    most = max((s.to_n for s in procedure.steps if s.to_n is not None), default=closed.hand.peak_n)
    for line in motor_cautions(rig, procedure.title, most):
        click.echo(plain(line), err=True)
    if not may_move and click.prompt(f"Type {YES} to let it", default="", show_default=False,
                                     err=True).strip().lower() != YES:
        raise InputError("the motor was not let to move; nothing was sent to it, nothing was recorded",
                         expected=YES, seen="something else", remedy="start again when the rig is clear")
    with closed as motor:
        yield motor
