"""``padlab virtual-rig`` for a machine that presses by itself: an endurance press on one port."""

from __future__ import annotations

import signal
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click

from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.capture.rig import RigFile


def serve_cam_press(rig: RigFile, procedure: str | None, pad_kind: str, material: str, *, lot: int, pad: int,
                    softness: float, seed: int, speed: float, tcp: int | None, link: Path | None,
                    once: bool) -> None:
    """Serve until Ctrl-C; stdout says the port as ``padlab capture --url`` takes it.

    The machine does what a procedure of kind ``wear`` asks: so many strokes, so hard, with its rests.
    """
    import numpy as np

    from padlab.capture.procedure import read_procedure
    from padlab.capture.rig import LinesFile
    from padlab.capture.virtual.cam_press import CamBench, CamPress
    from padlab.capture.virtual.ports import PtyPort, TcpPort
    from padlab.capture.virtual.readings import draw_errors
    from padlab.cli.virtual_motor import _piece
    from padlab.errors import InputError

    plan = read_procedure(procedure or "endurance-machine")
    main = rig.instrument[0]
    if not plan.is_endurance:
        raise InputError(f"an endurance press does not play procedure {plan.name}", seen=f"kind {plan.kind}",
                         expected="a procedure of kind wear", remedy="--procedure endurance-machine")
    if len(rig.instrument) > 1 or not isinstance(main, LinesFile) or main.is_asked \
            or not main.line_pattern.is_csv or main.clock is None \
            or {c.quantity for c in main.channel} != {"force", "displacement"}:
        raise InputError(f"the virtual endurance press cannot play rig {rig.name}",
                         expected="one instrument that streams clock, strokes, force and displacement, "
                         "columns joined by commas", remedy="--rig endurance-press")
    first = next(s for s in plan.steps if s.do == "stroke")
    errors = draw_errors(rig.to_record(), np.random.default_rng([seed, *rig.name.encode("utf-8"), 1]))
    press = CamPress(rig, _piece(pad_kind, material, lot, pad, softness, seed), to_n=first.to_n or 8.0,
                     rests=plan.rests(), errors=errors, rng=np.random.default_rng([seed, 2]))
    press.stops_after = plan.strokes
    port = TcpPort(tcp) if tcp is not None else PtyPort(link)

    def say(words: str) -> None:
        click.echo("virtual rig: " + plain(words), err=True)

    bench = CamBench(press, port, speed=speed, once=once, say=say)

    def stop(number: int, frame: FrameType | None) -> None:
        bench.stop()

    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGTERM, stop)
    click.echo(port.url)
    say(f"an endurance press, {plan.strokes:,} strokes, {speed:g} times as fast; it presses by itself once "
        "its port was opened; invented data; stop with Ctrl-C")
    bench.run()
    say(f"ended; the machine has made {press.strokes} strokes")
