"""Faults on demand: what goes wrong on a bench, at a stated second of the rig's own time.

    garbage      noise bytes in the middle of a line
    split        for 2 s the lines come in small pieces
    join         a line loses its end mark and runs into the next
    lost         50 lines are never sent; the counter shows it
    stall        the rig freezes for 3 s of the host's time, then goes on where it was
    unplug       the port goes away and is back after 2 s of the host's time; meanwhile 2 s of the rig's
                 time pass unheard, then rig, clock and hand stand still until a program opens it again
    saturation   the force sticks at the cell's limit for 1 s
    drift        the force zero drifts by 0.5 N over the rest of the first pass, and stays there
    slip         the finger slips off half way in the next press: one poor stroke

A motor press has its own, and they last:

    jam          the motor presses no further, and says nothing
    saturation   the cell says its limit from then on
    freeze       the same line comes again and again: clock, counter and readings stand still
    unplug       the port named (main:unplug@20, motor:unplug@20) goes away

Of several instruments one can be named: ``dial:unplug@20``. Then hand and other instruments go on; what is
asked answers nothing for as long as 50 lines would take (lost), or something unreadable once (garbage).

>>> parse_fault("unplug@12.5")
Fault(kind='unplug', at_s=12.5, instrument=None)
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.errors import InputError

KINDS = ("garbage", "split", "join", "lost", "stall", "unplug", "saturation", "drift", "slip")
MOTOR_KINDS = ("jam", "saturation", "freeze", "unplug")
STALL_S = 3.0
GONE_S = 2.0
SPLIT_S = 2.0
STUCK_S = 1.0
DRIFT_N = 0.5
LINES_LOST = 50
NOISE_BYTES = 40


@dataclass(frozen=True)
class Fault:
    """One fault and when it comes, in the rig's own seconds since the port was opened.

    ``instrument`` is the one that it befalls; None = all of them.
    """

    kind: str
    at_s: float
    instrument: str | None = None


def parse_fault(text: str, kinds: tuple[str, ...] = KINDS) -> Fault:
    """Read ``[INSTRUMENT:]KIND@SECONDS``, KIND one of ``kinds``.

    Raises
    ------
    InputError
        An unknown kind, or no time from 0 up.
    """
    named, colon, rest = text.partition(":")
    kind, at, seconds = (rest if colon else text).partition("@")
    try:
        at_s = float(seconds)
    except ValueError:
        at_s = math.nan
    if kind not in kinds or not at or not 0 <= at_s < 1e7:
        raise InputError(f"{text[:40]!r} is not a fault", seen=repr(text[:40]), remedy="such as unplug@20",
                         expected="[INSTRUMENT:]KIND@SECONDS, KIND one of " + ", ".join(kinds))
    return Fault(kind, at_s, named if colon else None)


def befalling(faults: Iterable[Fault], instrument: str) -> tuple[Fault, ...]:
    """The faults of one instrument."""
    return tuple(f for f in faults if f.instrument in (None, instrument))


def times(faults: Iterable[Fault], kind: str) -> tuple[float, ...]:
    """When faults of that kind come, in order [s]."""
    return tuple(sorted(f.at_s for f in faults if f.kind == kind))


def spoil(
    lines: list[bytes], time_s: NDArray[np.float64], faults: Iterable[Fault], rng: np.random.Generator,
) -> list[bytes]:
    r"""Do to some lines what garbage, join and lost ask for; a lost line becomes empty.

    >>> spoil([b"1,5\n", b"2,5\n"], np.array([0.0, 1.0]), [Fault("join", 0.0)], np.random.default_rng(1))
    [b'1,5', b'2,5\n']
    """
    lines = list(lines)
    for fault in faults:
        at = int(np.searchsorted(time_s, fault.at_s))
        if at >= len(lines) or fault.at_s < float(time_s[0]) - 1e-9:
            continue
        line = lines[at]
        if fault.kind == "garbage":
            noise = bytes(rng.integers(0, 256, NOISE_BYTES, dtype=np.uint8))
            lines[at] = line[:len(line) // 2] + noise + line[len(line) // 2:]
        elif fault.kind == "join":
            lines[at] = line.rstrip(b"\r\n")
        elif fault.kind == "lost":
            lines[at:at + LINES_LOST] = [b""] * len(lines[at:at + LINES_LOST])
    return lines
