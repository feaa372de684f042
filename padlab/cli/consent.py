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
    from padlab.errors import InputError

    check_drives(rig, procedure)
    if not may_move and not sys.stdin.isatty():
        raise click.UsageError(f"rig {plain(rig.name)} has a motor, and nobody is here to be asked: --drive "
                               "says that you stand beside it and that it may move")
    closed = Motor(rig, procedure)
    most = max((s.to_n for s in procedure.steps if s.to_n is not None), default=closed.hand.peak_n)
    for line in _cautions(rig, procedure.title, most):
        click.echo(plain(line), err=True)
    if not may_move and click.prompt(f"Type {YES} to let it", default="", show_default=False,
                                     err=True).strip().lower() != YES:
        raise InputError("the motor was not let to move; nothing was sent to it, nothing was recorded",
                         expected=YES, seen="something else", remedy="start again when the rig is clear")
    with closed as motor:
        yield motor


def _cautions(rig: RigFile, title: str, most_n: float) -> list[str]:
    motor = rig.motor
    assert motor is not None
    watchdog = motor.watchdog
    assert watchdog is not None
    if watchdog.says is not None:
        first = [f"  First its watchdog is tried (it must stop the motor within {watchdog.within}), then it "
                 "backs off a little in air; only then it presses."]
    else:
        first = ["  ITS WATCHDOG IS NOT TRIED: the rig file does not say what the motor says then (says). "
                 "Let it only if you have proved it by hand: pull the cable while it runs in air.",
                 "  First it backs off a little in air; only then it presses."]
    asked = [motor.identity.ask] if motor.identity is not None and motor.identity.ask else []
    sent = " | ".join([*asked, *motor.setup, *motor.start])
    return [
        f"THE MOTOR OF {rig.name} WILL MOVE BY ITSELF: {title}; up to {most_n:g} N, no faster than "
        f"{motor.fastest}, no farther than {motor.travel_limit}.",
        "  Fingers, sleeves and tools out from between the anvils until it has stopped; guard closed.",
        "  The stop switch that cuts the motor's power is within your reach, and you stay beside it.",
        "  Hard end stops and the cell's own stop are set. padlab is no safety device.",
        "  Local rules and licensed practice come first.",
        f"  Sent before it moves: {sent or 'nothing'}. It moves by: {motor.move}. To end: {motor.stop} | "
        f"{motor.safe}. What these do only your controller knows: read a file that is not yours first.",
        *first,
    ]
