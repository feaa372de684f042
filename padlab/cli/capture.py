"""``padlab capture``: record a run from a rig."""

from __future__ import annotations

import signal
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from padlab.cli.consent import motor_of
from padlab.cli.main import print_json
from padlab.cli.words import Number, plain

if TYPE_CHECKING:
    from padlab.capture.prompts import Said
    from padlab.capture.recorder import Screen
    from padlab.records.rig_record import RigRecord
    from padlab.records.run import Run


@click.command(name="capture")
@click.argument("rig", metavar="RIG", required=False)
@click.argument("procedure", metavar="PROCEDURE", required=False)
@click.option("--pad", "pad_file", type=click.Path(path_type=Path), metavar="PAD.toml",
              help="The pad that is measured (padlab new pad writes a file to fill in).")
@click.option("--out", type=click.Path(path_type=Path), metavar="SHELF",
              help="The shelf on which the run is kept; made if it is not there.")
@click.option("--resume", metavar="RUN",
              help="Go on with an endurance run that was interrupted, after a marked gap; RIG only where it "
                   "is a file of your own.")
@click.option("--url", "urls", multiple=True, metavar="[INSTRUMENT=]URL",
              help="The port, where it is another one than the rig file says.")
@click.option("--blank", metavar="RUN",
              help="The blank run that measured the give of the bare frame; "
                   "if not given, the newest of this rig within a day.")
@click.option("--note", metavar="TEXT", help="Kept with the run.")
@click.option("--temperature", metavar="QUANTITY", help="Of the room, such as 21degC.")
@click.option("--humidity", metavar="QUANTITY", help="Of the room, such as 50%.")
@click.option("--conditioning", metavar="TEXT", help="How the pad was kept before.")
@click.option("--latitude", type=Number(-90, 90), metavar="DEG",
              help="Dead weights: where the rig stands, such as 54 (south is negative).")
@click.option("--height", type=Number(-500, 9000), metavar="M",
              help="Dead weights: its height above the sea; 0 if not given.")
@click.option("--yes-after", metavar="TIME",
              help="Dead weights: nobody presses Enter; each counts as on when the indicator has moved and "
                   "then been calm for so long, such as 0.6s. For virtual rigs, and for full hands.")
@click.option("--drive", is_flag=True,
              help="A rig with a motor: you stand beside it, and it may move; otherwise you are asked.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(
    rig: str | None, procedure: str | None, pad_file: Path | None, out: Path | None, resume: str | None,
    urls: tuple[str, ...], blank: str | None, note: str | None, temperature: str | None,
    humidity: str | None, conditioning: str | None,
    latitude: float | None, height: float | None, yes_after: str | None, drive: bool,
    as_json: bool,
) -> None:
    """Record a run: PROCEDURE done on RIG, by hand or by the rig's motor.

    RIG is a name (padlab rigs lists them) or a TOML file. Ctrl-C ends the run; what was recorded is kept.
    PROCEDURE is a TOML file (padlab new procedure writes one to fill in), or one of these:

    \b
    standard           one pad: worked in, pressed hard and lightly, held (7 min)
    warm-up            fifty strokes after a night's rest (7 min)
    passage            a minute of mixed strokes, as in playing (3 min)
    held-note          two minutes under a weight, the cell listens (5 min)
    relaxation         pressed to 8 N and locked: how the force falls (7 min)
    compression-set    thickness before and after a load (1 h 20 min)
    endurance          by hand: at first, after 100 and 300 strokes (an hour)
    endurance-machine  a machine presses, a million strokes (a week)
    dead-weight        no load cell: weights press (30 min)
    standard-stiff     as standard, ten strokes: dense polymer, hard cork
    dead-weight-stiff  as dead-weight, twice as often, for the same pads
    blank              the bare anvils: the give of the frame (2 min)
    check              a steel spring: is the rig right today? (2 min)
    touch              a player's finger on a force cap (2 min)

    Dead weights: padlab asks for each; let it down, take the hands off, press Enter.

    \b
    padlab capture bench standard --pad A3.toml --out shelf
    padlab capture dial-only dead-weight --pad A3.toml --latitude 54 --out shelf
    """  # noqa: D301  click's mark for lines that stay as they are is a backspace
    from padlab.capture.beside import blank_for, check_calibrations, skew_for
    from padlab.capture.procedure import read_procedure
    from padlab.capture.recorder import check_fits, record
    from padlab.capture.rig import read_rig
    from padlab.cli.endurance import begun, resumed
    from padlab.records.forms import read_pad
    from padlab.records.shelf import Shelf
    from padlab.units import parse_quantity

    if resume is not None:
        others = (procedure, pad_file, out, blank, note, temperature, humidity, conditioning, latitude,
                  height, yes_after)
        if drive or any(one is not None for one in others):
            raise click.UsageError("--resume takes all else from the run: padlab capture [RIG] --resume RUN "
                                   "[--url URL]")
        resumed(resume, rig, urls, as_json=as_json)
        return
    if rig is None or procedure is None or out is None:
        missing = "RIG" if rig is None else "PROCEDURE" if procedure is None else "--out"
        raise click.UsageError("padlab capture RIG PROCEDURE --out SHELF, or padlab capture --resume RUN; "
                               f"missing: {missing}")
    steps = read_procedure(procedure)
    described = read_rig(rig).with_urls(urls)
    check_fits(described.to_record(), steps)
    pad = read_pad(pad_file) if pad_file is not None else None
    if pad is None and steps.kind in ("pad", "wear"):
        raise click.UsageError(f"procedure {plain(steps.name)} measures a pad: --pad PAD.toml is missing "
                               "(padlab new pad --out PAD.toml writes a file to fill in)")
    environment: dict[str, Any] = {}
    if temperature is not None:
        environment["temperature_c"] = parse_quantity(temperature, "temperature")
    if humidity is not None:
        environment["humidity_percent"] = parse_quantity(humidity, "humidity")
    if conditioning is not None:
        environment["conditioning"] = conditioning
    if height is not None and latitude is None:
        raise click.UsageError("--height goes with --latitude")
    if latitude is not None:
        environment |= {"latitude_deg": latitude, "height_m": height or 0.0}
    calm_s = None if yes_after is None else parse_quantity(yes_after, "time")
    if calm_s is not None and not (steps.is_by_weights and 0 < calm_s <= 60):
        raise click.UsageError("--yes-after is a time up to 60 s, and for dead weights only")
    remembered = described.to_record()
    check_calibrations(remembered, out)
    if blank is not None:
        blank_id: str | None = _blank(blank, out, described.to_record())
    elif (blank_id := blank_for(remembered, steps.kind, out)) is not None:
        click.echo(f"the frame's give is taken from blank run {blank_id}, the newest of this rig", err=True)
    if steps.is_endurance:
        assert pad is not None
        if drive or blank is not None:
            raise click.UsageError("an endurance run takes no --drive (the machine presses by itself) and no "
                                   "--blank (what the frame gives is in every stroke)")
        begun(described, steps, out, pad, environment, note, as_json=as_json)
        return
    skew = skew_for(remembered, out)
    if skew is not None:
        click.echo(f"the skew of the instruments is taken from calibration {skew}", err=True)
    if steps.needs_rest_h:
        click.echo(f"the pad must have rested for {steps.needs_rest_h:g} h before this", err=True)
    if steps.is_by_weights and latitude is None:
        click.echo("no --latitude: standard gravity is taken, with the doubt of not knowing where", err=True)
    stop = Stop()
    with motor_of(described, steps, may_move=drive) as motor, stop, live_screen() as screen:
        confirmed = _enter(screen) if steps.is_by_weights and calm_s is None else lambda: False
        run = record(
            described, steps, Shelf(out), screen=screen, pad=pad, environment=environment, blank=blank_id,
            calibrations=(skew,) if skew else (), note=note, should_stop=stop.is_asked,
            on_begin=lambda recording: _begun(screen, out, described.name, str(recording.folder)),
            confirmed=confirmed, yes_after_s=calm_s, motor=motor,
        )
    tell(run, was_stopped=stop.is_asked(), as_json=as_json)


def tell(run: Run, *, was_stopped: bool, as_json: bool, **more: Any) -> None:
    """Print what became of a run; ends with 1 where it is not complete and nobody stopped it."""
    from padlab.errors import RunError

    for one in run.marks:
        click.echo(f"{one.weight}: {plain(one.about)}: {plain(one.message)}", err=True)
    fault = None
    if run.state != "complete" and not was_stopped:
        # Kept, but neither done nor ended by whoever stands there: the rig or the hand is at fault.
        why = next((m.message for m in run.marks if m.code == "interrupted"), "the run ended early")
        fault = RunError(why, expected="a complete run", seen=f"state {run.state}; what was recorded is kept",
                         where={"run": run.id})
    if as_json:
        print_json({"run": run.id, "folder": str(run.folder), "state": run.state,
                    "marks": [m.to_json() for m in run.marks], **more,
                    **({} if fault is None else {"error": fault.to_json()})})
    else:
        click.echo("  ".join([run.id, run.state, *(f"{value:,} {key}" for key, value in more.items()),
                              plain(str(run.folder))]))
    if fault is not None:
        raise click.exceptions.Exit(1)


def _enter(screen: Screen) -> Callable[[], bool]:
    """The operator's word: Enter, once for each weight."""
    from padlab.capture.enter import Enter
    from padlab.capture.prompts import Said

    ended = Said("no Enter can come any more: the input has ended (--yes-after does without)", "poor")
    return Enter(sys.stdin, on_end=lambda: screen.say(ended)).taken


def _blank(blank: str, shelf: Path, rig: RigRecord) -> str:
    from padlab.calibration.frame import check_blank
    from padlab.errors import RunError
    from padlab.records.shelf import find_runs

    runs = find_runs([blank], near=[p for p in (shelf, Path.cwd()) if p.is_dir()])
    if len(runs) != 1 or runs[0].kind != "blank":
        raise RunError(f"{blank[:80]!r} is not a blank run", expected="one run of kind blank",
                       seen=", ".join(f"{r.id} ({r.kind})" for r in runs[:5]),
                       remedy="padlab capture RIG blank --out SHELF records one")
    check_blank(runs[0], rig, "to be recorded")
    return runs[0].id


def _begun(screen: Screen, shelf: Path, rig: str, folder: str) -> None:
    """The rig answers and the run is begun: cautions first, whole when this rig is new to the shelf."""
    from padlab.capture.beside import keep_cautions_shown, rigs_with_cautions_shown
    from padlab.capture.prompts import Said
    from padlab.cautions import CAUTIONS

    if rig in rigs_with_cautions_shown(shelf):
        screen.say(Said("Fingers out from between the anvils; never over the cell's limit; stop at pain. "
                        "README, Cautions, has the rest."))
    else:
        screen.say(Said("Cautions (local rules and licensed practice come first):"))
        for title, text in CAUTIONS:
            screen.say(Said(f"  {title}. {text}"))
    screen.say(Said(f"recording into {folder}; Ctrl-C ends it, and what was recorded is kept"))
    keep_cautions_shown(shelf, rig)


class Stop:
    """Ctrl-C and SIGTERM ask once; a second Ctrl-C is not waited for."""

    def __init__(self) -> None:
        self._asked = False
        self._before: dict[int, Any] = {}

    def is_asked(self) -> bool:
        """Whether it was asked for."""
        return self._asked

    def __enter__(self) -> Stop:
        names = ("SIGINT", "SIGTERM", "SIGBREAK", "SIGHUP")
        for number in (getattr(signal, n) for n in names if hasattr(signal, n)):
            self._before[number] = signal.signal(number, self._ask)
        return self

    def __exit__(self, *ignored: object) -> None:
        for number, before in self._before.items():
            signal.signal(number, before)

    def _ask(self, number: int, frame: object) -> None:
        if self._asked and number == signal.SIGINT:
            raise KeyboardInterrupt
        self._asked = True


class _PlainScreen:
    """One line for each sentence; for files and pipes."""

    def __enter__(self) -> Screen:
        return self

    def __exit__(self, *ignored: object) -> None:
        pass

    def say(self, said: Said) -> None:
        click.echo(plain(said.text), err=True)

    def progress(self, text: str) -> None:
        pass


class _LiveScreen:
    """The same, with the state of things in a last line that is written over."""

    TONES = {"prompt": "bold", "good": "green", "poor": "yellow"}

    def __init__(self) -> None:
        from rich.console import Console
        from rich.live import Live
        from rich.text import Text

        self._text: Callable[..., Text] = Text
        self._console = Console(stderr=True, highlight=False, markup=False)
        self._live = Live(Text(""), console=self._console, refresh_per_second=5, transient=True)

    def __enter__(self) -> Screen:
        self._live.start()
        return self

    def __exit__(self, *ignored: object) -> None:
        self._live.stop()

    def say(self, said: Said) -> None:
        self._console.print(self._text(plain(said.text), style=self.TONES[said.tone]))

    def progress(self, text: str) -> None:
        self._live.update(self._text("  " + plain(text), style="dim"))


def live_screen() -> _PlainScreen | _LiveScreen:
    """What shows a capture here: a terminal has a last line that is written over."""
    return _LiveScreen() if sys.stderr.isatty() else _PlainScreen()
