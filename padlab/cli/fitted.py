"""``padlab fitted``: keep on file what was cut and fitted, and what the check read."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from padlab.cli.main import print_json
from padlab.cli.pad_runs import shared_out
from padlab.cli.terminal import say
from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.decisions.cut_rows import Choice
    from padlab.decisions.instrument import Done
    from padlab.records.fitted import Fitted
    from padlab.records.instrument import Side

Value = TypeVar("Value")
Key = tuple[str, "Side"]


def _stop_key(text: str) -> Key:
    """``VALVE.up`` or ``VALVE.down``; a valve's own name may hold a point."""
    valve, _, side = text.strip().rpartition(".")
    if not valve or side not in ("up", "down"):
        raise click.BadParameter(f"{plain(text)[:60]!r} is no stop; write it as 1.down or 1.up")
    return valve, "up" if side == "up" else "down"


def _by_stop(read: Callable[[str], Value]) -> Callable[[Any, Any, tuple[str, ...]], dict[Key, Value]]:
    """Options of the form ``1.down=VALUE``, each stop once."""
    def all_of(_: Any, __: Any, texts: tuple[str, ...]) -> dict[Key, Value]:
        found: dict[Key, Value] = {}
        for text in texts:
            name, sign, value = text.partition("=")
            if not sign:
                raise click.BadParameter(f"{plain(text)[:60]!r}: write it as 1.down=VALUE")
            key = _stop_key(name)
            if key in found:
                raise click.BadParameter(f"{plain(name)[:60]} is named twice")
            found[key] = read(value)
        return found
    return all_of


def _length(low: float, high: float) -> Callable[[str], float]:
    def read(text: str) -> float:
        from padlab.cli.compare import typed_quantity

        return typed_quantity(text, "length", low, high)
    return read


def _text(text: str) -> str:
    if not 0 < len(text.strip()) <= 200:
        raise click.BadParameter("a name of 1 to 200 characters")
    return text.strip()


def _day(_: Any, __: Any, text: str | None) -> date:
    from datetime import UTC, datetime

    if text is None:
        return datetime.now(UTC).date()
    if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text) is None:
        raise click.BadParameter(f"{plain(text)[:40]!r} is no date; write it as 2026-11-29")
    try:
        return date.fromisoformat(text)
    except ValueError as fault:
        raise click.BadParameter(f"there is no day {plain(text)[:40]}") from fault


@click.command(name="fitted")
@click.argument("instrument", type=click.Path(dir_okay=False, path_type=Path), metavar="INSTRUMENT.toml")
@click.argument("shelf", metavar="SHELF")
@click.option("--on", "on", callback=_day, metavar="DATE", help="When they were fitted.  [default: today]")
@click.option("--stock", callback=_by_stop(_text), multiple=True, metavar="STOP=STOCK",
              help='Another stock than the recommended one: 1.down="rubber cork".')
@click.option("--lot", callback=_by_stop(_text), multiple=True, metavar="STOP=LOT", help="Another lot.")
@click.option("--cut", callback=_by_stop(_length(0.05, 20)), multiple=True, metavar="STOP=LENGTH",
              help="Cut otherwise than listed: 1.down=61thou.")
@click.option("--check", callback=_by_stop(_length(-5, 5)), multiple=True, metavar="STOP=LENGTH",
              help="The port error read afterwards at the force of the check: 1.down=-2thou.")
@click.option("--skip", multiple=True, metavar="STOP", help="Not fitted.")
@click.option("--not-seated", is_flag=True, help="The checks were read before the pads had seated.")
@click.option("--note", metavar="TEXT", help="Kept with it.")
@click.option("--touch", metavar="light|medium|hard|FILE.toml|RUN",
              help="As it was given to choose.  [default: as the file says]")
@shared_out
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(instrument: Path, shelf: str, on: date, stock: dict[Key, str], lot: dict[Key, str],
            cut: dict[Key, float], check: dict[Key, float], skip: tuple[str, ...], not_seated: bool,
            note: str | None, touch: str | None, workers: int | None, scheduler: str | None,
            as_json: bool) -> None:
    """Keep on file what was cut and fitted, and the check reading afterwards.

    Without more than the check readings it keeps what choose recommends. It writes a new dated file beside
    the instrument file, never over an old one; name that file in place of the instrument file to cut the pads
    again, years later and without the instrument.

    padlab fitted cornet-3.toml SHELF --check 1.down=-2thou --check 1.up=0.5thou
    """
    from padlab.cli.choose import chosen
    from padlab.decisions.instrument import Done, check_verdict, fitted_of
    from padlab.records.fitted import write_fitted

    if note is not None and not 0 < len(note) <= 2000:
        raise click.BadParameter("1 to 2000 characters", param_hint="--note")
    done = Done(stock, cut, lot, check, frozenset(_stop_key(name) for name in skip), not not_seated)
    choice, touched = chosen(instrument, shelf, touch=touch, workers=workers, scheduler=scheduler)
    kept = fitted_of(choice, touched, done, on=on, shelf=str(Path(shelf)), note=note)
    path = write_fitted(kept, instrument)
    if as_json:
        print_json({"file": str(path), "fitted_on": kept.fitted_on.isoformat(), "stops": [
            {"valve": s.valve, "stop": s.side, "material": s.material, "lot": s.lot, "cut_mm": s.cut_mm,
             "check": {"at_n": s.check_at_n, "expected_mm": s.check_expected_mm.model_dump(),
                       "found_mm": s.check_found_mm, "verdict": check_verdict(s)[0]},
             "renew_after_years": None if s.renew_years is None else s.renew_years.model_dump()}
            for s in kept.stops]})
        return
    for line in (*_told(kept), *_not_kept(choice, done)):
        say(line)
    click.echo(f"\nOn file: {plain(str(path))}")


def _not_kept(choice: Choice, done: Done) -> list[str]:
    """The stops that the file says nothing of."""
    from padlab.words import one_line

    return [*(one_line(f"valve {valve}, {side} stop: skipped, nothing is kept of it")
              for valve, side in sorted(done.skipped)),
            *(one_line(f"valve {none.valve}, {none.side} stop: NO CUT, nothing is kept of it; padlab choose "
                       "says what is missing") for none in choice.no_cut)]


def _told(kept: Fitted) -> list[str]:
    from padlab.decisions.instrument import check_verdict
    from padlab.units import MM_PER_THOU
    from padlab.words import one_line

    lines = [one_line(f"{kept.label}, fitted on {kept.fitted_on.isoformat()}")]
    for s in kept.stops:
        verdict, what = check_verdict(s)
        shims = " + ".join(f"{shim / MM_PER_THOU:g}" for shim in s.shims_mm)
        shims = f" with {shims} thou of shim" if shims else ""
        found = "" if s.check_found_mm is None else f" {s.check_found_mm / MM_PER_THOU:+z.1f} thou"
        lines.append(one_line(f"valve {s.valve}, {s.side} stop: {s.material}, {s.cut_mm / MM_PER_THOU:g} "
                              f"thou{shims}; check{found}: {verdict}"))
        if verdict != "right":
            lines.append("  " + one_line(what))
    return lines
