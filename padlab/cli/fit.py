"""``padlab fit``: stiffness, springback loss, sinking and set of runs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from padlab.cli.main import print_json
from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.fitting.results import RunFit
    from padlab.records.run import Run


def _quantities(kind: str, low: float, high: float) -> Any:
    def read(ctx: click.Context, param: click.Parameter, texts: tuple[str, ...]) -> tuple[float, ...]:
        from padlab.errors import UnitError
        from padlab.units import parse_quantity

        out = []
        for text in texts:
            try:
                value = parse_quantity(text, kind)
            except UnitError as fault:
                raise click.BadParameter(plain(str(fault))) from fault
            if not low <= value <= high:
                raise click.BadParameter(f"{plain(text)[:40]} is outside {low:g} to {high:g}")
            out.append(value)
        return tuple(sorted(set(out)))
    return read


@click.command(name="fit")
@click.argument("runs", nargs=-1, required=True, metavar="RUN...")
@click.option("--at-force", "at_forces", multiple=True, callback=_quantities("force", 0.25, 200),
              metavar="FORCE",
              help="NET pad force for stiffness and position; give is from the first to the last.")
@click.option("--at-time", "at_times", multiple=True, callback=_quantities("time", 0.01, 1e9),
              metavar="TIME", help="Time into a held note.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(runs: tuple[str, ...], at_forces: tuple[float, ...], at_times: tuple[float, ...],
            as_json: bool) -> None:
    """What each run says of its pad, every number with its 95 % interval.

    padlab fit sample_runs --at-force 3.5N --at-time 10s
    """
    from padlab.fitting.creep import DEFAULT_TIMES_S
    from padlab.fitting.run_fit import fit_run
    from padlab.records.shelf import find_runs

    fits = [fit_run(run, at_forces_n=at_forces or None, at_times_s=at_times or DEFAULT_TIMES_S)
            for run in _of_kind_pad(find_runs(runs), runs)]
    if as_json:
        print_json({"runs": [f.json for f in fits]})
        return
    for f in fits:
        click.echo("\n".join(_summary(f)) + "\n")


def _of_kind_pad(found: list[Run], named: tuple[str, ...]) -> list[Run]:
    """Pad runs; others are passed over in a shelf, and refused where named by themselves."""
    from pathlib import Path

    from padlab.errors import RunError

    pads = [r for r in found if r.kind == "pad"]
    others = [r for r in found if r.kind != "pad"]
    from_shelf = any((Path(n) / "runs").is_dir() for n in named if "\0" not in n)
    if others and not from_shelf:
        raise RunError(f"fit cannot use run {others[0].id}", expected="a run of kind pad",
                       seen=f"kind {others[0].kind}", where={"run": others[0].id})
    if not pads:
        raise RunError("there is no pad run to fit", expected="runs of kind pad", seen="none",
                       remedy="padlab shelf SHELF lists what is on file")
    return pads


def _summary(fit: RunFit) -> list[str]:
    """A run in a technician's words."""
    from padlab.marks import Weight
    from padlab.units import both_lengths
    from padlab.words import one_line

    c, h, s = fit.json["compression"], fit.json["hysteresis"], fit.json["compression_set"]
    lines = [one_line(f"{fit.pad.material}, lot {fit.pad.lot}, pad {fit.pad.id}   (run {fit.run}, "
                      f"good to {fit.json['good_to_n']:.1f} N net)")]
    give = c["secant_stiffness_n_per_mm"]
    if c["give_mm"]:
        lines.append(f"  give {give['from_n']:g} to {give['to_n']:g} N net   {_length(c['give_mm'])}")
    for row in c["tangent_stiffness_n_per_mm"]:
        lines.append(f"  stiffness at {row['force_n']:g} N       {_number(row, 'N/mm')}")
    if h and h["loss_fraction"]:
        share = {k: None if v is None else 100 * v for k, v in h["loss_fraction"].items()}
        lines.append(f"  springback loss         {_number(share, '%')}")
    creep = fit.json["creep"]
    if creep and creep["fraction_per_decade"]:
        percent = {k: None if v is None else 100 * v for k, v in creep["fraction_per_decade"].items()}
        lines.append(f"  sinks under a held note {_number(percent, '% per tenfold time')}"
                     f"  ({creep['hold_force_n']:.1f} N)")
    if s and s["set_mm"]:
        lines.append(f"  set after {s['after_s']:.0f} s          {_length(s['set_mm'])}")
    if fit.warm_up_mm:
        lines.append(f"  warm-up, 50 strokes     {_length(fit.warm_up_mm.to_json())}")
    lines.append(f"  best-fitting law        {c['law']} ({c['verdict'].replace('_', ' ')}); "
                 "numbers above come from the measured curve")
    budget = fit.json["budget"]
    if budget:
        lines.append(f"  this rig's doubt        {both_lengths(budget['u95_mm'])} on the give")
        lines.append(f"  {budget['verdict']}")
    for m in fit.marks:
        if m.weight is not Weight.NOTE or m.code == "stroke_left_out":
            lines.append(one_line(f"  {m.weight}: {m.about}: {m.message}"))
    return lines


def _length(q: dict[str, float | None]) -> str:
    from padlab.units import both_lengths

    between = "" if q["low"] is None else f"   95 %: {both_lengths(q['low'])} to {both_lengths(q['high'])}"
    return both_lengths(q["value"]) + between


def _number(q: dict[str, float | None], unit: str) -> str:
    if q["value"] is None:
        return "not determined"
    between = "" if q["low"] is None or q["high"] is None else f"   95 %: {q['low']:.3g} to {q['high']:.3g}"
    return f"{q['value']:.3g} {unit}{between}"
