"""``padlab virtual-rig``: serve a bench rig made of physics on a real port."""

from __future__ import annotations

import signal
from pathlib import Path
from types import FrameType

import click

from padlab.cli.words import plain


@click.command()
@click.option("--rig", "rig_name", default="bench", show_default=True,
              help="Rig to play: a name or a TOML path.")
@click.option("--procedure", default=None, help="What the hand plays; by default what suits the pad kind.")
@click.option("--material", default="wool felt", show_default=True, help="The virtual stock.")
@click.option("--pad-kind", type=click.Choice(["pad", "spring", "blank", "player"]), default="pad",
              show_default=True, help="What lies between the anvils; player: a finger on a force cap.")
@click.option("--lot", type=click.IntRange(0, 10**6), default=1, show_default=True)
@click.option("--pad", type=click.IntRange(0, 10**6), default=1, show_default=True)
@click.option("--seed", type=click.IntRange(0, 2**63 - 1), default=0, show_default=True,
              help="Draws pad, hand, noise and the rig's own errors.")
@click.option("--speed", type=click.FloatRange(0.1, 1000.0), default=1.0, show_default=True,
              help="Rig time runs so many times faster than the clock on the wall.")
@click.option("--tcp", type=click.IntRange(0, 65535), default=None,
              help="Serve on this TCP port of this machine (0: any) instead of a pseudo-terminal.")
@click.option("--hand", type=click.Choice(["loop", "still"]), default="loop", show_default=True,
              help="loop: plays the procedure again and again; still: nobody presses.")
@click.option("--fault", "faults", multiple=True, metavar="KIND@SECONDS",
              help="garbage, split, join, lost, stall, unplug, saturation, drift or slip, at a second of rig "
                   "time; may be given again.")
@click.option("--soft-lot", type=click.FloatRange(0.2, 5.0), default=1.0, show_default=True,
              help="A bad lot: so many times softer.")
@click.option("--link", type=click.Path(path_type=Path), default=None,
              help="A stable name for the pseudo-terminal: a symbolic link.")
@click.option("--once", is_flag=True, help="End when the procedure was played once and the program left.")
def command(
    rig_name: str, procedure: str | None, material: str, pad_kind: str, lot: int, pad: int, seed: int,
    speed: float, tcp: int | None, hand: str, faults: tuple[str, ...], soft_lot: float, link: Path | None,
    once: bool,
) -> None:
    """Serve a bench rig made of physics, with a hand that plays a procedure. All its data are invented.

    The first line on stdout is the port to give to padlab capture --url. The hand begins about 2 s of
    rig time after a program opens the port; each opening starts anew with a fresh pad.
    """
    from padlab.capture.rig import read_rig
    from padlab.capture.virtual.faults import parse_fault
    from padlab.capture.virtual.ports import PtyPort, ServedPort, TcpPort
    from padlab.capture.virtual.server import Service
    from padlab.capture.virtual.session import VirtualRig
    from padlab.errors import InputError

    rig = VirtualRig(
        read_rig(rig_name), pad_kind=pad_kind, material=material, lot=lot, pad=pad,  # type: ignore[arg-type]
        lot_softness=soft_lot, seed=seed, procedure=procedure, hand=hand,  # type: ignore[arg-type]
        faults=tuple(parse_fault(text) for text in faults))
    if speed != 1.0 and not rig.has_clock:
        raise InputError(f"rig {rig_name} sends no clock, so its time cannot run faster",
                         seen=f"--speed {speed:g}", expected="--speed 1 for this rig")
    if tcp is not None and link is not None:
        raise click.UsageError("--link names a pseudo-terminal; it does not go with --tcp")
    rig.prepare()
    port: ServedPort
    if tcp is not None:
        port = TcpPort(tcp)
    else:
        port = PtyPort(link, keeps_name=any(f.kind == "unplug" for f in rig.faults))

    def say(words: str) -> None:
        click.echo("virtual rig: " + plain(words), err=True)

    service = Service(rig, port, speed=speed, once=once, say=say)

    def stop(number: int, frame: FrameType | None) -> None:
        service.stop()

    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGTERM, stop)
    click.echo(port.url)
    say(f"{material if pad_kind == 'pad' else pad_kind}, procedure {rig.plan.name}, {speed:g} times as fast; "
        "invented data; stop with Ctrl-C")
    service.run()
    say("ended")
