"""``padlab fit``: stiffness, springback loss, sinking and set of runs, and what they are worth."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from padlab.cli import fit_check
from padlab.cli.main import print_json
from padlab.cli.pad_runs import fitted_by, shared_out
from padlab.cli.terminal import say
from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.decisions.told_apart import Apart
    from padlab.fitting.each_run import NotFitted
    from padlab.fitting.results import RunFit
    from padlab.marks import Mark

MOST_WHOLE = 3
"""Up to so many runs the doubt is shown source by source, and each pair has its verdict."""


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
@click.option("--report", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html",
              help="A page of these runs: numbers, drawings, and the doubt source by source.")
@click.option("--check-with-lmfit", "checked", is_flag=True,
              help="Fit each law once more with lmfit and show both; exit 1 if a good one differs.")
@shared_out
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(runs: tuple[str, ...], at_forces: tuple[float, ...], at_times: tuple[float, ...],
            report: Path | None, checked: bool, workers: int | None, scheduler: str | None,
            as_json: bool) -> None:
    """What each run says of its pad, every number with its 95 % interval.

    A run that cannot be fitted is listed at the end; the others go on.

    padlab fit sample_runs --at-force 3.5N --at-time 10s
    """
    from padlab.decisions.told_apart import pairs_of
    from padlab.fitting.creep import DEFAULT_TIMES_S
    from padlab.fitting.each_run import none_fitted
    from padlab.fitting.many import Asked
    from padlab.records.named import pad_runs

    if report is not None and not report.parent.is_dir():
        raise click.BadParameter(f"there is no folder {plain(str(report.parent))}", param_hint="--report")
    chosen = pad_runs(runs, by="fit")
    asked = Asked(at_forces or None, at_times or DEFAULT_TIMES_S, drawn=report is not None, checked=checked,
                  replayed=True)
    fits, not_fitted = fitted_by(workers, scheduler)(chosen, asked)
    if not fits:
        raise none_fitted(not_fitted)
    pairs = pairs_of(fits)
    if report is not None:
        from datetime import UTC, datetime

        from padlab.report.pages import write_runs

        write_runs(fits, report, pairs=pairs, not_fitted=[(n.run.id, n.fault.message) for n in not_fitted],
                   made_on=f"{datetime.now(UTC):%Y-%m-%d}")
    fault = fit_check.fault(fits)
    if as_json:
        more = {"lmfit": {f.run: [c.to_json() for c in f.checks] for f in fits}} if checked else {}
        error = {} if fault is None else {"error": fault.to_json()}
        print_json({"runs": [f.json for f in fits], "pairs": [p.to_json() for p in pairs],
                    "not_fitted": [n.to_json() for n in not_fitted], **more, **error})
    else:
        for f in fits:
            lines = _summary(f, at_forces, at_times, whole=len(fits) <= MOST_WHOLE)
            say("\n".join([*lines, *(fit_check.told(f.checks) if checked else ())]) + "\n")
        _show_rest(pairs if len(fits) <= MOST_WHOLE else [], not_fitted, shortened=len(fits) > MOST_WHOLE)
        if report is not None:
            click.echo(f"The page: {plain(str(report))}")
    if fault is not None:
        click.echo(plain(f"padlab: {fault}"), err=True)
        click.get_current_context().exit(1)


def _show_rest(pairs: list[Apart], not_fitted: list[NotFitted], *, shortened: bool) -> None:
    from padlab.words import one_line

    for pair in pairs:
        rig = "" if pair.one_rig else " (not known to be one rig and calibration: nothing cancels)"
        say(one_line(f"{pair.a} and {pair.b}: {pair.verdict}{rig}"))
    if shortened:
        click.echo(f"Name {MOST_WHOLE} runs or fewer to see their doubt source by source.")
    for n in not_fitted:
        remedy = f" - try: {n.fault.remedy}" if n.fault.remedy else ""
        seen = f" ({n.fault.seen})" if n.fault.seen else ""
        say(one_line(f"not fitted: run {n.run.id}: {n.fault.message}{seen}{remedy}"))


def _summary(fit: RunFit, at_forces: tuple[float, ...], at_times: tuple[float, ...], *, whole: bool,
             ) -> list[str]:
    """A run in a technician's words."""
    from padlab.fitting.results import Verdict
    from padlab.marks import Weight
    from padlab.words import one_line

    c, h, s = fit.json["compression"], fit.json["hysteresis"], fit.json["compression_set"]
    lines = [one_line(f"{fit.pad.material}, lot {fit.pad.lot}, pad {fit.pad.id}   (run {fit.run}, "
                      f"good to {fit.json['good_to_n']:.1f} N net)")]
    give = c["secant_stiffness_n_per_mm"]
    if c["give_mm"]:
        lines.append(_line(f"give {give['from_n']:g} to {give['to_n']:g} N net", _length(c["give_mm"])))
    for row in c["position_mm"] if at_forces else ():
        lines.append(_line(f"position at {row['force_n']:g} N", _unreached(row, fit) or _length(row)))
    for row in c["tangent_stiffness_n_per_mm"]:
        words = _unreached(row, fit) or _number(row, "N/mm")
        lines.append(_line(f"stiffness at {row['force_n']:g} N", words))
    if h and h["loss_fraction"]:
        weak = "" if h["verdict"] == "good" else f"  ({Verdict(h['verdict']).words})"
        lines.append(_line("springback loss", _number(_percent(h["loss_fraction"]), "%") + weak))
    lines += _held(fit.json["creep"], at_times)
    if s and s["set_mm"]:
        lines.append(_line(f"set after {s['after_s']:.0f} s", _length(s["set_mm"])))
    if lost := fit.json.get("relaxation"):
        lines.append(_line("force lost, locked", f"{_number(_percent(lost['force_lost_1_to_10_s']), '%')} "
                           f"from 1 s to 10 s  (from {lost['locked_at_n']:.1f} N)"))
    if fit.warm_up_mm:
        lines.append(_line("warm-up, 50 strokes", _length(fit.warm_up_mm.to_json())))
    if c["law"]:
        lines.append(_line("best-fitting law", f"{c['law']} ({Verdict(c['verdict']).words}); "
                           "numbers above come from the measured curve"))
    lines += _replays(fit.json.get("response"))
    lines += _doubt(fit, whole=whole)
    told = [m for m in fit.marks if m.weight is not Weight.NOTE or m.code in ("partly_read", "by_weights")]
    for m in sorted(told, key=lambda m: list(Weight)[::-1].index(m.weight)):
        about = "" if m.about in m.message else f"{m.about}: "
        lines.append(one_line(f"{m.weight}: {about}{m.message}"))
    return lines + _left_out(fit)


def _left_out(fit: RunFit) -> list[str]:
    """What was left out, each reason once: a stroke alone with its number, several with what is alike."""
    from padlab.words import one_line

    found: dict[str, list[Mark]] = {}
    for m in sorted((m for m in fit.marks if m.code == "stroke_left_out"), key=_place):
        found.setdefault(m.message.partition(" left out: ")[2].partition(":")[0], []).append(m)
    lines = []
    for reason, marks in found.items():
        if len(marks) == 1:
            lines.append(one_line(f"note: {marks[0].message}"))
            continue
        names = [m.about.rpartition(" ")[2] for m in marks]
        kind = marks[0].about.rpartition(" ")[0]
        lines.append(one_line(f"note: {len(marks)} {kind}s left out ({', '.join(names)}): {reason}"))
    return lines


def _place(m: Mark) -> tuple[int, str]:
    number = m.about.rpartition(" ")[2]
    return int(number) if number.isdecimal() else 0, m.about


def _held(creep: dict[str, Any] | None, at_times: tuple[float, ...]) -> list[str]:
    """Sinking under a held note; where times were asked for, where the pad stands then."""
    from padlab.fitting.results import Verdict

    if not creep:
        return [_line(f"held {t:g} s", "not determined: no hold was recorded") for t in at_times]
    lines = []
    held_n = f"{creep['hold_force_n']:.1f} N"
    if creep["fraction_per_decade"]:
        share = _number(_percent(creep["fraction_per_decade"]), "% per tenfold time")
        verdict = "" if creep["verdict"] == "good" else f", {Verdict(creep['verdict']).words}"
        lines.append(_line("sinks under a held note", f"{share}  ({held_n}{verdict})"))
    for row in creep["predicted_mm"] if at_times else ():
        beyond = "   extrapolated: later than the hold" if row["extrapolated"] else ""
        lines.append(_line(f"held {row['at_s']:g} s at {held_n}", _length(row) + beyond))
    return lines


def _replays(response: dict[str, Any] | None) -> list[str]:
    """How far the model that replays a touch is off where it was judged."""
    from padlab.units import both_lengths

    if response is None:
        return []
    if response["held_back_rms_mm"] is None:
        return [_line("replays a touch", f"no: {response['why_not']}")] if response["why_not"] else []
    parts = ", ".join(f"{p['part']} {1e3 * p['rms_mm']:.1f} um" for p in response["held_back"])
    return [_line("replays a touch, off by", f"{both_lengths(response['held_back_rms_mm'])} on what it never "
                                             f"saw ({parts})")]


def _doubt(fit: RunFit, *, whole: bool) -> list[str]:
    """What the give is worth, and what this rig can tell apart."""
    from padlab.calibration.budget import WORDS
    from padlab.units import both_lengths

    if fit.budget is None:
        to = fit.json["compression"]["secant_stiffness_n_per_mm"]["to_n"]
        return [_line("doubt of the give", f"not determined: this run does not reach {to:g} N net")]
    budget, told = fit.budget.budget, fit.budget.to_json()
    lines = [_line("doubt of the give", f"{both_lengths(told['u95_mm'])} either way, at 95 %")]
    if whole:
        for s in budget.groups():
            shared = "   shared by all pads of this rig: cancels between them" if s.systematic else \
                "   each run's own" if s.name == "compliance" else ""
            size = both_lengths(s.contribution) if s.contribution else "none that counts"
            lines.append(f"    {WORDS.get(s.name, s.name):<24}{size}{shared}")
        for u in budget.unknown:
            lines.append(f"    {WORDS.get(u.group, u.group):<24}not determined, not in it: {u.reason}")
        freedom = told["effective_degrees_of_freedom"]
        shown = "very many" if freedom is None or freedom >= 999.5 else f"{freedom:.0f}"
        lines.append(f"    (one standard deviation each; {shown} degrees of freedom together)")
    elif budget.unknown:
        lacking = ", ".join(WORDS.get(u.group, u.group) for u in budget.unknown)
        lines.append(_line("  not known, not in it", lacking))
    return [*lines, f"  {told['verdict']}"]


def _unreached(row: dict[str, Any], fit: RunFit) -> str | None:
    """Why there is no number at a force that was asked for, where the run does not go so far."""
    if row["value"] is not None or row["force_n"] <= (to := fit.json["good_to_n"]):
        return None
    return f"not determined: this run is good to {to:.1f} N net"


def _line(what: str, words: str) -> str:
    return f"  {what:<26}{words}"


def _percent(share: dict[str, float | None]) -> dict[str, float | None]:
    return {k: None if v is None else 100 * v for k, v in share.items()}


def _length(q: dict[str, Any]) -> str:
    from padlab.units import both_lengths

    between = "" if q["low"] is None else f"   95 %: {both_lengths(q['low'])} to {both_lengths(q['high'])}"
    return both_lengths(q["value"]) + between


def _number(q: dict[str, Any], unit: str) -> str:
    from padlab.units import three_digits

    if q["value"] is None:
        return "not determined"
    if q["low"] is None or q["high"] is None:
        return f"{three_digits(q['value'])[0]} {unit}"
    value, low, high = three_digits(q["value"], q["low"], q["high"])
    return f"{value} {unit}   95 %: {low} to {high}"
