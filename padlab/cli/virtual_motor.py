"""``padlab virtual-rig`` for a rig with a motor: a press that moves only as it is told, on two ports."""

from __future__ import annotations

import signal
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click

from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.capture.rig import RigFile
    from padlab.capture.virtual.faults import Fault
    from padlab.capture.virtual.physics import Squeezed
    from padlab.capture.virtual.ports import ServedPort


def serve_motor_press(
    rig: RigFile, pad_kind: str, material: str, *, lot: int, pad: int, softness: float, seed: int,
    speed: float, tcp: int | None, link: Path | None, faults: tuple[str, ...] = (),
) -> None:
    """Serve until Ctrl-C; stdout says each port as ``padlab capture --url`` takes it.

    Raises
    ------
    InputError
        A rig that cannot be played so.
    """
    import numpy as np

    from padlab.capture.rig import LinesFile
    from padlab.capture.virtual.motor_bench import MotorBench
    from padlab.capture.virtual.motor_press import MotorPress
    from padlab.capture.virtual.ports import PtyPort, TcpPort
    from padlab.capture.virtual.readings import draw_errors
    from padlab.errors import InputError

    assert rig.motor is not None
    main = rig.instrument[0]
    if len(rig.instrument) > 1 or not isinstance(main, LinesFile) or main.is_asked \
            or not main.line_pattern.is_csv or rig.motor.watchdog is None \
            or {c.quantity for c in main.channel} != {"force", "displacement"}:
        raise InputError(f"the virtual motor press cannot play rig {rig.name}", remedy="--rig motor-press",
                         expected="one instrument that streams force and displacement, columns joined by "
                         "commas, and a motor with a watchdog")
    names = (main.name, rig.motor.name)
    wrong = _faults(faults, names)
    errors = draw_errors(rig.to_record(), np.random.default_rng([seed, *rig.name.encode("utf-8"), 1]))
    piece = _piece(pad_kind, material, lot, pad, softness, seed)
    press = MotorPress(rig, piece, errors=errors, rng=np.random.default_rng([seed, 2]))
    ports: dict[str, ServedPort] = {}
    try:
        for k, name in enumerate(names):
            if tcp is not None:
                ports[name] = TcpPort(tcp + k if tcp else 0)
            else:
                ports[name] = PtyPort(None if link is None else link.with_name(f"{link.name}-{name}"))
    except BaseException:
        for port in ports.values():
            port.close()
        raise

    def say(words: str) -> None:
        click.echo("virtual rig: " + plain(words), err=True)

    bench = MotorBench(press, ports[main.name], ports[rig.motor.name], speed=speed, say=say,
                       faults=wrong)

    def stop(number: int, frame: FrameType | None) -> None:
        bench.stop()

    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGTERM, stop)
    click.echo("\n".join(f"{name}={port.url}" for name, port in ports.items()))
    say(f"a motor press, {speed:g} times as fast; it moves as it is told; invented data; stop with Ctrl-C")
    bench.run()
    say(f"ended; the motor's state: {press.state}")


def _faults(texts: tuple[str, ...], names: tuple[str, str]) -> tuple[Fault, ...]:
    """What is to go wrong with the press; an unplug names its port, all else befalls the press."""
    from padlab.capture.virtual.faults import MOTOR_KINDS, parse_fault
    from padlab.errors import InputError

    found = tuple(parse_fault(text, MOTOR_KINDS) for text in texts)
    for text, fault in zip(texts, found, strict=True):
        expected = " or ".join(f"{n}:unplug@SECONDS" for n in names) if fault.kind == "unplug" \
            else f"{fault.kind}@SECONDS"
        if fault.instrument not in (names if fault.kind == "unplug" else (None,)):
            raise InputError(f"{text[:40]!r} is not a fault of this press", expected=expected, seen=text[:40])
    return found


def _piece(pad_kind: str, material: str, lot: int, pad: int, softness: float, seed: int) -> Squeezed:
    from padlab.capture.virtual.physics import Spring, bare_anvils
    from padlab.capture.virtual.stocks import make_pad

    if pad_kind == "pad":
        return make_pad(material, lot=lot, pad=pad, seed=seed, lot_softness=softness)
    return Spring() if pad_kind == "spring" else bare_anvils()
