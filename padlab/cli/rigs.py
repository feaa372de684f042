"""``padlab rigs``: list the rigs; check one whole and show its wiring; listen to it."""

from __future__ import annotations

import signal
from typing import TYPE_CHECKING, Any

import click

from padlab.cli.main import print_json
from padlab.cli.words import WholeNumber, plain

if TYPE_CHECKING:
    from padlab.capture.rig import RigFile
    from padlab.capture.watch import Look


@click.command(name="rigs")
@click.argument("name", required=False, metavar="[NAME]")
@click.option("--listen", is_flag=True,
              help="Live readings: rate, noise, lost and bad lines, and the last one that could not be read; "
                   "Ctrl-C ends.")
@click.option("--seconds", type=WholeNumber(1), metavar="N", help="Listen for so long.")
@click.option("--url", "urls", multiple=True, metavar="[INSTRUMENT=]URL",
              help="The port, where it is another one than the rig file says.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    name: str | None, listen: bool, seconds: int | None, urls: tuple[str, ...], as_json: bool
) -> None:
    """List the rigs; with NAME (or a TOML file) check it whole and show how it is wired.

    padlab rigs bench
    """
    from padlab.capture.rig import read_rig, rig_names

    if name is None:
        if listen or urls or seconds:
            raise click.UsageError("name the rig to listen to")
        rigs = [(stem, read_rig(stem)) for stem in rig_names()]
        if as_json:
            print_json({"rigs": [{"name": stem, "title": rig.title,
                                  "instruments": [i.name for i in rig.instrument]} for stem, rig in rigs]})
            return
        width = max((len(stem) for stem, _ in rigs), default=0)
        for stem, rig in rigs:
            click.echo(f"{plain(stem):{width}}  {plain(rig.title)}")
        return
    if (seconds or urls) and not listen:
        raise click.UsageError("--seconds and --url go with --listen")
    rig = read_rig(name).with_urls(urls)
    if listen:
        _listen(rig, seconds, as_json)
    elif as_json:
        print_json({"rig": rig.to_record().to_json()})
    else:
        _show(rig)


def _show(rig: RigFile) -> None:
    lines = [f"{rig.name}: {rig.title}"]
    if rig.frame is not None:
        doubt = rig.frame.compliance_uncertainty
        lines.append(f"  frame gives {rig.frame.compliance}"
                     + (f" +- {doubt} (one standard deviation)" if doubt else ", doubt not determined"))
    for i in rig.instrument:
        lines.append(f"  {i.name} on {i.url}: {i.protocol}, {_wiring(i)}"
                     + (f", {'asked ' if i.is_asked else ''}{i.lines_per_s:g} "
                        f"{'times a second' if i.is_asked else 'lines/s'}" if i.lines_per_s else ""))
        lines += [f"    {fact}" for fact in _talk(i)]
        for c in i.channel:
            u = c.unit
            facts = [f"{c.sign * c.scale:g} {u} a count"]
            facts.append("scale doubt " + ("not determined" if c.scale_uncertainty is None
                                           else f"{c.scale_uncertainty * 100:g} %"))
            facts.append("offset doubt " + ("not determined" if c.offset_uncertainty is None
                                            else f"{c.offset_uncertainty:g} {u}"))
            facts += [f"resolution {c.resolution:g} {u}"] if c.resolution is not None else []
            facts += [f"limit {c.limit:g} {u}"] if c.limit is not None else []
            facts.append(f"calibration {c.calibration}" if c.calibration else "uncalibrated")
            lines.append(f"    {c.quantity} from {c.column}{_place(c)}: " + ", ".join(facts))
    lines += _motor(rig.motor)
    click.echo(plain("\n".join(lines)))


def _motor(motor: Any) -> list[str]:
    """What is told to the motor, how far it may go, and what stops it."""
    if motor is None:
        return []
    watchdog = motor.watchdog
    lines = [f"  {motor.name} on {motor.url}: a motor, {_wiring(motor)}"]
    if motor.identity is not None:
        asked = f"asked {motor.identity.ask!r}, " if motor.identity.ask else ""
        lines.append(f"    identity: {asked}it says {motor.identity.answer} within {motor.identity.wait}")
    lines += [f"    sent when it is opened: {line}" for line in motor.setup]
    lines.append(f"    told: start {', '.join(motor.start) or 'nothing'}; {motor.speed_text(0.15)} to press "
                 f"at 0.15 mm/s ({motor.speed_unit}); stop {motor.stop}; safe {motor.safe}")
    lines.append(f"    limits: {motor.fastest}, {motor.force_limit}, {motor.travel_limit} either way; "
                 f"a stall after {motor.stall_within}")
    lines.append("    watchdog: none; padlab does not drive this motor" if watchdog is None else
                 f"    watchdog: fed {watchdog.feed!r}, stops the motor {watchdog.within} after the last; "
                 + ("it cannot be proved from here" if watchdog.says is None else "proved before each run"))
    return lines


def _wiring(port: Any) -> str:
    from padlab.capture.advice import settings

    return f"{settings(port)}, flow {port.flow}"


def _talk(i: Any) -> list[str]:
    """How one instrument is known, and what it sends or is asked."""
    facts = []
    if i.identity is None:
        facts.append("identity: none; after an unplug any rig on this port is taken for it")
    elif i.protocol == "modbus-rtu":
        facts.append(f"identity: {i.identity.registers} register {i.identity.register_} holds "
                     f"{i.identity.equals}, within {i.identity.wait}")
    else:
        asked = f"asked {i.identity.ask!r}, " if i.identity.ask else ""
        facts.append(f"identity: {asked}it says {i.identity.answer} within {i.identity.wait}")
    if i.protocol == "modbus-rtu":
        facts.append(f"address: {i.address}, an answer within {i.wait}")
    else:
        facts += [f"sent when it is opened: {line}" for line in i.setup]
    if i.protocol != "lines":
        return [*facts, "clock: the middle between asking and answering"]
    if i.ask is not None:
        facts.append(f"asked: {i.ask!r} for each line, an answer within {i.wait}")
    facts.append(f"line: {i.pattern}" + (f", then * and its {i.checksum}" if i.checksum else ""))
    if i.ask is None:
        facts.append("counter: " + (f"{i.counter.column}, modulo {i.counter.modulus}" if i.counter else
                                    "none; lost lines cannot be seen"))
    if i.strokes is not None:
        facts.append(f"strokes of the machine: {i.strokes.column}, modulo {i.strokes.modulus}")
    facts.append("clock: " + (f"{i.clock.column}, tick {i.clock.tick}, modulo {i.clock.modulus}" if i.clock
                              else "the middle between asking and answering" if i.ask is not None
                              else "none; the time of arrival is used"))
    return facts


def _place(channel: Any) -> str:
    """Where in the instrument the number comes from, if it is asked for."""
    if hasattr(channel, "register_"):
        return f" ({channel.registers} register {channel.register_}, {channel.kind})"
    if hasattr(channel, "ask"):
        return f" ({channel.ask}" + (f", number {channel.field}" if channel.field > 1 else "") + ")"
    return ""


def _listen(rig: RigFile, seconds: int | None, as_json: bool) -> None:
    from padlab.capture.watch import listen

    asked: list[int] = []
    before = signal.signal(signal.SIGINT, lambda number, frame: asked.append(number))
    looks: list[Look] = []
    rounds = 0
    try:
        for looks in listen(rig, should_stop=lambda: bool(asked)):
            rounds += 1
            if not as_json:
                for look in looks:
                    click.echo(plain(_line(look)))
            if seconds is not None and rounds >= seconds:
                break
    finally:
        signal.signal(signal.SIGINT, before)
    if as_json:
        print_json({"instruments": [_json(look) for look in looks]})


def _line(look: Look) -> str:
    if look.trouble:
        return f"{look.instrument}: {look.trouble}"
    channels = [
        f"{c.quantity} " + ("-" if c.value is None else f"{c.value:.4f} {c.unit}")
        + ("" if c.noise is None else f" (noise {c.noise:.4f})") for c in look.channels
    ]
    counts = f"{look.lines_per_s:.1f} lines/s, {look.bad_lines} bad, {look.lost_lines} lost"
    bad = f" | not readable: {look.last_bad[:60]}" if look.is_new and look.last_bad is not None else ""
    if look.no_readings is not None:
        bad = f" | no readings: {look.no_readings}"
    if look.stands is not None:
        bad += f" | {look.stands}"
    return f"{look.instrument}: {counts} | " + ", ".join(channels) + bad


def _json(look: Look) -> dict[str, Any]:
    return {"instrument": look.instrument, "lines_per_s": look.lines_per_s, "bad_lines": look.bad_lines,
            "lost_lines": look.lost_lines, "trouble": look.trouble, "last_bad": look.last_bad,
            "no_readings": look.no_readings, "stands_still": look.stands,
            "channels": [{"quantity": c.quantity, "unit": c.unit, "value": c.value, "noise": c.noise}
                         for c in look.channels]}
