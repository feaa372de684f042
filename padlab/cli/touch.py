"""``padlab touch``: how hard and how long a player presses, from recorded sessions."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from padlab.cli.main import print_json
from padlab.cli.terminal import say
from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.drift.sessions import Summary


@click.command(name="touch")
@click.argument("runs", nargs=-1, required=True, metavar="RUN...")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html",
              help="A page with the figures.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(runs: tuple[str, ...], out: Path | None, as_json: bool) -> None:
    """How hard and how long a player presses: strokes, quantiles, sessions side by side.

    RUN is a touch run (a finger on a force cap); of a shelf all its touch runs. Each run is a session; its
    note names it ("second finger, a march").

    padlab touch sample_runs --out touch.html
    """
    if out is not None and out.suffix.lower() != ".html":
        raise click.BadParameter("a page (.html)", param_hint="--out")
    if out is not None and not out.parent.is_dir():
        raise click.BadParameter(f"there is no folder {plain(str(out.parent))}", param_hint="--out")
    from padlab.drift.sessions import summary_of_runs
    from padlab.records.named import runs_named
    from padlab.words import one_line

    found = runs_named(runs, kind="touch", by="touch")
    summary = summary_of_runs(found)
    if out is not None:
        from datetime import UTC, datetime

        from padlab.report.touch_page import write_touch

        write_touch(summary, out, made_on=f"{datetime.now(UTC):%Y-%m-%d}")
    if as_json:
        print_json(summary.to_json())
        return
    for line in told(summary):
        say(line)
    for run in found:
        if run.set_aside:
            say(one_line(f"left out: run {run.id}: set aside: {run.set_aside}"))
    if out is not None:
        click.echo(f"\nThe page: {plain(str(out))}")


def told(summary: Summary) -> list[str]:
    """The summary in lines."""
    from padlab.units import three_digits
    from padlab.words import one_line

    one = len(summary.sessions) == 1
    lines = [f"{summary.strokes} strokes in {len(summary.sessions)} session{'' if one else 's'}"]
    rows = [("pressed, stroke by stroke", summary.plateau_n, "N"),
            ("pressed, by time held", summary.plateau_time_weighted_n, "N"),
            ("a stroke lasts", summary.duration_s, "s")]
    if summary.rate_n_per_s is not None:
        rows.append(("the force rises at", summary.rate_n_per_s, "N/s"))
    for name, q, unit in rows:
        middle, low, high, least, most = three_digits(*(q[k] for k in ("q50", "q25", "q75", "q05", "q95")))
        lines.append(f"  {name:<26} {middle} {unit}   half of them {low} to {high}, "
                     f"nine of ten {least} to {most}")
    m = summary.median_n
    known = "how it differs from day to day is not determined" if m.low is None or m.high is None \
        else f"95 % for this player {m.low:.3g} to {m.high:.3g}"
    lines.append(f"  {'usual press':<26} {m.value:.3g} N   {known}")
    if summary.gsd is None:
        lines.append("  no touch file describes it: name the recording itself where a touch is asked for")
    else:
        light, hard = m.value / summary.gsd, m.value * summary.gsd
        lines.append(f"  two notes of three lie between {light:.2f} and {hard:.2f} N "
                     f"(touch file: median_force = \"{m.value:.2f}N\", force_spread = {summary.gsd:.2f})")
    if not one:
        for s in summary.sessions:
            label = one_line(s.label)
            lines.append(f"{s.run}  {label}: {s.strokes.count} strokes, median {s.median_n.value:.3g} N "
                         f"[{s.median_n.low:.3g} to {s.median_n.high:.3g}]")
    for p in summary.pairs:
        apart = "told apart" if p.told_apart else "not told apart"
        lines.append(f"{one_line(p.a)} against {one_line(p.b)}: {p.ratio.value:.2f} times as hard "
                     f"[{p.ratio.low:.2f} to {p.ratio.high:.2f}], {apart}")
    lines.append("enough to stand for the player" if summary.enough else "not enough to stand for the player")
    return lines + [one_line(f"{m.weight}: {m.about}: {m.message}") for m in summary.marks]
