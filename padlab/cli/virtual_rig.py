"""``padlab virtual-rig``: serve a bench rig made of physics on a real port."""

from __future__ import annotations

import signal
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING

import click

from padlab.cli.words import Number, WholeNumber, plain

if TYPE_CHECKING:
    from padlab.capture.virtual.ports import ServedPort
    from padlab.capture.virtual.session import VirtualRig


@click.command()
@click.option("--rig", "rig_name", default="bench", show_default=True,
              help="Rig to play: a name or a TOML path.")
@click.option("--procedure", default=None, help="What the hand plays; by default what suits the pad kind.")
@click.option("--material", default="wool felt", show_default=True, help="The virtual stock.")
@click.option("--pad-kind", type=click.Choice(["pad", "spring", "blank", "player"]), default="pad",
              show_default=True, help="What lies between the anvils; player: a finger on a force cap.")
@click.option("--lot", type=WholeNumber(0, 10**6), default=1, show_default=True, metavar="N",
              help="Which lot of the stock the pad comes from.")
@click.option("--pad", type=WholeNumber(0, 10**6), default=1, show_default=True, metavar="N",
              help="Which pad of the lot is pressed.")
@click.option("--seed", type=WholeNumber(0, 2**63 - 1), default=0, show_default=True,
              help="Draws pad, hand, noise and the rig's own errors.")
@click.option("--speed", type=Number(0.1, 1000.0), default=1.0, show_default=True,
              help="Rig time runs so many times faster than the clock on the wall.")
@click.option("--tcp", type=WholeNumber(0, 65535), default=None, metavar="PORT",
              help="Serve on this TCP port of this machine (0: any) instead of a pseudo-terminal; the next "
                   "instrument on the next port.")
@click.option("--hand", type=click.Choice(["loop", "still"]), default="loop", show_default=True,
              help="loop: plays the procedure again and again; still: nobody presses.")
@click.option("--fault", "faults", multiple=True, metavar="[INSTRUMENT:]KIND@SECONDS",
              help="garbage, split, join, lost, stall, unplug, saturation, drift or slip, at a second of rig "
                   "time; of a motor press jam, saturation, freeze or unplug; may be given again.")
@click.option("--lag", "lags", multiple=True, metavar="INSTRUMENT=TIME",
              help="How late one of several instruments shows what happens, such as dial=23ms; if not given, "
                   "10 to 40 ms, drawn by the seed.")
@click.option("--ppm", "ppms", multiple=True, metavar="INSTRUMENT=PPM",
              help="How fast the clock of an instrument runs, such as dial=-100 (parts in a million).")
@click.option("--soft-lot", type=Number(0.2, 5.0), default=1.0, show_default=True,
              help="A bad lot: so many times softer.")
@click.option("--link", type=click.Path(path_type=Path), default=None,
              help="A stable name for the pseudo-terminal: a symbolic link; of several instruments each "
                   "gets its name behind it (rig-cell, rig-dial).")
@click.option("--once", is_flag=True, help="End when the procedure was played once and the program left.")
def command(
    rig_name: str, procedure: str | None, material: str, pad_kind: str, lot: int, pad: int, seed: int,
    speed: float, tcp: int | None, hand: str, faults: tuple[str, ...], lags: tuple[str, ...],
    ppms: tuple[str, ...], soft_lot: float, link: Path | None, once: bool,
) -> None:
    """Serve a bench rig made of physics, with a hand that plays a procedure. All its data are invented.

    Every rig that padlab knows can be played: instruments that stream, and those that are asked by text,
    by IEEE 488.2 queries or as Modbus registers. What stdout says is what padlab capture --url takes: the
    port, or one line INSTRUMENT=PORT for each of several instruments. The hand begins about 2 s of rig time
    after a program has opened all ports; each opening starts anew with a fresh pad.

    A rig with a motor is played as a press that moves as it is told (padlab capture RIG PROCEDURE --drive);
    one that counts strokes as a machine that presses by itself (padlab capture endurance-press
    endurance-machine).

    padlab virtual-rig --rig two-instruments --pad-kind spring --link rig
    """
    from padlab.capture.rig import read_rig
    from padlab.capture.virtual.faults import parse_fault
    from padlab.capture.virtual.server import Service
    from padlab.capture.virtual.session import VirtualRig
    from padlab.errors import InputError

    if tcp is not None and link is not None:
        raise click.UsageError("--link names a pseudo-terminal; it does not go with --tcp")
    described = read_rig(rig_name)
    if described.motor is not None:
        from padlab.cli.virtual_motor import serve_motor_press

        if procedure or lags or ppms or once or pad_kind == "player":
            raise click.UsageError("a motor press does what it is told: no --procedure, --lag, --ppm, "
                                   "--once, and no player")
        serve_motor_press(described, pad_kind, material, lot=lot, pad=pad, softness=soft_lot, seed=seed,
                          speed=speed, tcp=tcp, link=link, faults=faults)
        return
    if any(i.to_record().strokes is not None for i in described.instrument):
        from padlab.cli.virtual_cam import serve_cam_press

        if lags or ppms or faults or pad_kind == "player":
            raise click.UsageError("an endurance press takes no --lag, --ppm, --fault, and no player")
        serve_cam_press(described, procedure, pad_kind, material, lot=lot, pad=pad, softness=soft_lot,
                        seed=seed, speed=speed, tcp=tcp, link=link, once=once)
        return
    rig = VirtualRig(
        described, pad_kind=pad_kind, material=material, lot=lot, pad=pad,  # type: ignore[arg-type]
        lot_softness=soft_lot, seed=seed, procedure=procedure, hand=hand,  # type: ignore[arg-type]
        faults=tuple(parse_fault(text) for text in faults), lags_s=_lags(lags), ppm=_ppms(ppms))
    if speed != 1.0 and not rig.may_be_quick:
        raise InputError(f"the time of rig {rig_name} cannot run faster: it is stamped by the host",
                         seen=f"--speed {speed:g}",
                         expected="--speed 1, or a rig of one instrument that sends its own clock")
    rig.prepare()
    ports = _ports(rig, tcp, link)

    def say(words: str) -> None:
        click.echo("virtual rig: " + plain(words), err=True)

    service = Service(rig, ports, speed=speed, once=once, say=say)

    def stop(number: int, frame: FrameType | None) -> None:
        service.stop()

    signal.signal(signal.SIGINT, stop)
    signal.signal(signal.SIGTERM, stop)
    several = len(ports) > 1
    click.echo("\n".join(f"{name}={port.url}" if several else port.url for name, port in ports.items()))
    say(f"{material if pad_kind == 'pad' else pad_kind}, procedure {rig.plan.name}, {speed:g} times as fast; "
        "invented data; stop with Ctrl-C")
    if several:
        say("; ".join(f"{name} is {1e3 * time.lag_s:.1f} ms late, its clock {time.clock_ppm:+.0f} ppm fast"
                      for name, time in rig.times.items()))
    service.run()
    say("ended")


def _ports(rig: VirtualRig, tcp: int | None, link: Path | None) -> dict[str, ServedPort]:
    """A port for each instrument; all or none."""
    from padlab.capture.virtual.ports import PtyPort, TcpPort

    ports: dict[str, ServedPort] = {}
    several = len(rig.voices) > 1
    try:
        for k, voice in enumerate(rig.voices):
            if tcp is not None:
                ports[voice.name] = TcpPort(tcp + k if tcp else 0)
                continue
            own = link.with_name(f"{link.name}-{voice.name}") if link is not None and several else link
            ports[voice.name] = PtyPort(own, keeps_name=any(f.kind == "unplug" for f in rig.faults))
    except BaseException:
        for port in ports.values():
            port.close()
        raise
    return ports


def _lags(texts: tuple[str, ...]) -> dict[str, float]:
    from padlab.errors import InputError
    from padlab.units import parse_quantity

    found = {}
    for name, lag in _pairs(texts, "--lag").items():
        found[name] = parse_quantity(lag, "time")
        if not 0 <= found[name] <= 1:
            raise InputError(f"{lag[:40]!r} is no lag of an instrument", expected="0 to 1 s", seen=lag[:40])
    return found


def _ppms(texts: tuple[str, ...]) -> dict[str, float]:
    from padlab.errors import InputError

    found = {}
    for name, ppm in _pairs(texts, "--ppm").items():
        try:
            found[name] = float(ppm.removesuffix("ppm"))
        except ValueError:
            found[name] = float("nan")
        if not abs(found[name]) <= 1000:
            raise InputError(f"{ppm[:40]!r} is no rate of a clock", seen=repr(ppm[:40]),
                             expected="parts in a million, -1000 to 1000, such as dial=-100")
    return found


def _pairs(texts: tuple[str, ...], option: str) -> dict[str, str]:
    from padlab.errors import InputError

    found = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not equals or not name or not value:
            raise InputError(f"{option} {text[:40]!r} names no instrument", seen=repr(text[:40]),
                             expected="INSTRUMENT=VALUE")
        found[name] = value
    return found
