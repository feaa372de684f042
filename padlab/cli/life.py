"""``padlab life``: when pads need renewing, stock by stock."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Literal

import click

from padlab.cli.compare import quantity_option
from padlab.cli.main import print_json
from padlab.cli.terminal import say
from padlab.cli.words import Number, plain

if TYPE_CHECKING:
    from padlab.decisions.renewal import Renewals
    from padlab.drift.life import StockLife


@click.command(name="life")
@click.argument("shelf", metavar="RUN_OR_SHELF...", nargs=-1, required=True)
@click.option("--limit", "limit_mm", callback=quantity_option("length", low=1e-4, high=5), required=True,
              metavar="LENGTH", help="Loss of thickness at which a pad is renewed, such as 3thou.")
@click.option("--strokes-per-day", type=Number(0, 1e7, min_open=True), required=True, metavar="N",
              help="How often the valve is pressed on a day of playing.")
@click.option("--days-per-week", type=Number(0, 7, min_open=True), required=True, metavar="N",
              help="Days of playing.")
@click.option("--stop", type=click.Choice(["up", "down"]), default="down", show_default=True,
              help="Which stop: the up stop sets by the calendar as well.")
@click.option("--aged-at", "aged_c", callback=quantity_option("temperature", low=-90, high=300),
              metavar="TEMPERATURE",
              help="Of a hot test, such as 70degC: what a day of it stands for, with --service-at.")
@click.option("--service-at", "service_c", callback=quantity_option("temperature", low=-90, high=100),
              metavar="TEMPERATURE", help="Where the pads are played, such as 23degC.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html", help="The page.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(shelf: tuple[str, ...], limit_mm: float, strokes_per_day: float, days_per_week: float,
            stop: Literal["up", "down"], aged_c: float | None, service_c: float | None, out: Path | None,
            as_json: bool) -> None:
    """When a new pad of each stock will need renewing.

    padlab life sample_runs --limit 3thou --strokes-per-day 2000 --days-per-week 6
    """
    if (aged_c is None) != (service_c is None):
        raise click.UsageError("--aged-at and --service-at go together")
    if out is not None and not out.parent.is_dir():
        raise click.BadParameter(f"there is no folder {plain(str(out.parent))}", param_hint="--out")
    from padlab.decisions.renewal import renewals
    from padlab.drift.ageing import ageing
    from padlab.drift.life import Service
    from padlab.records.named import runs_named

    runs = runs_named(shelf, kind="wear", by="life")
    aged = None if aged_c is None or service_c is None else ageing(tested_c=aged_c, service_c=service_c)
    found = renewals(list({run.id: run for run in runs}.values()), limit_mm=limit_mm, stop=stop, ageing=aged,
                     service=Service(strokes_per_day, days_per_week))
    if out is not None:
        from datetime import UTC, datetime

        from padlab.report.life_page import write_life

        write_life(found, out, made_on=f"{datetime.now(UTC):%Y-%m-%d}")
    if as_json:
        print_json(found.to_json())
        return
    for line in _told(found):
        say(line)
    if out is not None:
        click.echo(f"\nThe page: {plain(str(out))}")


def _told(found: Renewals) -> list[str]:
    from padlab.units import both_lengths
    from padlab.words import one_line

    service = found.service
    lines = [f"Renewed at a loss of {both_lengths(found.limit_mm)}; {service.strokes_per_day:g} strokes a "
             f"day, {service.days_per_week:g} days a week; {found.stop} stop"]
    for stock in found.stocks:
        lines += ["", one_line(stock.material), *(f"  {line}" for line in _stock(stock))]
    if found.ageing is not None:
        lines += ["", *_ageing(found)]
    if found.left_out:
        lines += ["", *(one_line(f"left out: run {one.run}: {one.reason}") for one in found.left_out)]
    return lines


def _stock(stock: StockLife) -> list[str]:
    from padlab.marks import Weight
    from padlab.units import span, spans
    from padlab.words import one_line

    lots = f"{len(stock.lots)} {'lot' if len(stock.lots) == 1 else 'lots'}"
    behind = f"({len(stock.pads)} pads of {lots}; law: {stock.paths.law})"
    median, interval, bound = stock.median("years"), stock.interval90("years"), stock.b10_lower95("years")
    if median is None or interval is None:
        least = "" if stock.longer_than is None else \
            f"; every pad followed lasts over {span(stock.longer_than / stock.per_year)}"
        lines = [f"life not determined{least} {behind}"]
    else:
        of = "a new lot" if stock.about == "new lot" else "THIS LOT ONLY"
        lines = [f"half of the pads of {of} last {span(median.value)} or more "
                 f"[95 %: {spans(median.low, median.high)}] {behind}",
                 f"9 new pads of 10 need renewing after {spans(*interval)}"]
        if bound is not None:
            lines.append(f"9 pads of 10 outlive {span(bound)} (lower 95 % bound)")
    cautions = [m for m in stock.marks if m.weight is not Weight.NOTE]
    return [*lines, *(one_line(f"{m.weight}: {m.message}") for m in cautions)]


def _ageing(found: Renewals) -> list[str]:
    aged = found.ageing
    assert aged is not None
    pairs = zip(aged.energies_kj_per_mol, aged.factors, strict=True)
    lines = [f"one day at {aged.tested_c:g} degC stands for, at {aged.service_c:g} degC: "
             + ", ".join(f"{factor:.3g} days if {energy:g} kJ/mol" for energy, factor in pairs)]
    return [*lines, *(f"  {m.weight}: {m.message}" for m in aged.marks),
            *(f"  {name}: {m.message}" for name, m in sorted(found.ageing_marks.items()))]
