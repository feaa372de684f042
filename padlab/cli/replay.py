"""``padlab replay``: a recorded touch through pads that never felt it."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from padlab.cli.main import print_json
from padlab.cli.pad_runs import fitted_by, shared_out
from padlab.cli.terminal import say
from padlab.cli.words import plain

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from padlab.drift.through import Through
    from padlab.fitting.results import RunFit
    from padlab.fitting.stranger import Stranger
    from padlab.records.run import Run

HOLDING_N = 2.5


def _holding(_: click.Context, __: click.Parameter, text: str) -> float:
    from padlab.errors import UnitError
    from padlab.units import parse_quantity

    try:
        value = parse_quantity(text, "force")
    except UnitError as fault:
        raise click.BadParameter(plain(str(fault))) from fault
    if not 0 <= value <= 50:
        raise click.BadParameter(f"{plain(text)[:40]} is outside 0 N to 50 N")
    return value


@dataclass(frozen=True)
class Touch:
    """A recording as a force history: net force on the pad."""

    run: Run
    time_s: NDArray[np.float64]
    net_n: NDArray[np.float64]


@click.command(name="replay")
@click.argument("runs", nargs=-1, required=True, metavar="RUN...")
@click.option("--touch", "touch", required=True, metavar="RECORDING",
              help="A run of kind touch (a finger), or a pad run such as a passage (net force).")
@click.option("--holding", "holding_n", callback=_holding, default=f"{HOLDING_N:g}N", show_default=True,
              metavar="FORCE", help="Taken off a finger: what keeps the piston about 1 mm off the stop.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), metavar="FILE.html|FILE.csv",
              help="A page with the figure, or the table of positions.")
@shared_out
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(runs: tuple[str, ...], touch: str, holding_n: float, out: Path | None, workers: int | None,
            scheduler: str | None, as_json: bool) -> None:
    """Where the valve would stand under a recorded touch, through each pad.

    Positions are those of the tested pads themselves, worked in, from a touch of 0.25 N.

    padlab replay sample_runs --touch 20261125T142652Z-tkp1se
    """
    if out is not None and out.suffix.lower() not in (".html", ".csv"):
        raise click.BadParameter("a page (.html) or a table (.csv)", param_hint="--out")
    if out is not None and not out.parent.is_dir():
        raise click.BadParameter(f"there is no folder {plain(str(out.parent))}", param_hint="--out")
    from padlab.drift.replay import recorded_history
    from padlab.drift.through import through
    from padlab.fitting.many import Asked
    from padlab.records.named import pad_runs
    from padlab.units import both_lengths
    from padlab.words import one_line

    heard = _touch(touch, runs, holding_n)
    history = recorded_history(heard.time_s, heard.net_n)
    chosen = [run for run in pad_runs(runs, by="replay") if run.pad is not None]
    fits, not_fitted = fitted_by(workers, scheduler)(chosen, Asked(replayed=True))
    if not fits:
        raise not_fitted[0].fault
    rows = [through(fit, history) for fit in fits]
    strangers = {fit.run: seen for fit in fits if (seen := _against(fit, heard.run)) is not None}
    if out is not None and out.suffix.lower() == ".csv":
        out.write_text(_table(heard, rows), encoding="utf-8", newline="")
    elif out is not None:
        from datetime import UTC, datetime

        from padlab.report.replay_page import write_replay

        write_replay(rows, out, touch=heard.run.id, history=history, made_on=f"{datetime.now(UTC):%Y-%m-%d}")
    if as_json:
        print_json({
            "touch": heard.run.id, "notes": int(history.ends.size), "runs": [r.to_json() for r in rows],
            "same_pad": {run: {"rms_mm": s.rms_mm, "range_mm": s.range_mm, "in_band_share": s.in_band_share}
                         for run, s in strangers.items()},
            "not_fitted": [n.to_json() for n in not_fitted]})
        return
    seconds = heard.time_s[-1] - heard.time_s[0]
    say(one_line(f"{heard.run.id}: {history.ends.size} notes over {seconds:.0f} s"))
    for line in _told(rows):
        say(one_line(line))
    for run, seen in strangers.items():
        say(one_line(
            f"{run}: the recording is of the same pad, so the prediction can be judged: off by "
            f"{both_lengths(seen.rms_mm)} (root mean square) of a way of {both_lengths(seen.range_mm)}; "
            f"{seen.in_band_share:.0%} of the readings lie in the 95 % band"))
    for n in not_fitted:
        say(one_line(f"not fitted: run {n.run.id}: {n.fault.message}"))
    if out is not None:
        click.echo(f"\nWritten: {plain(str(out))}")


def _touch(name: str, runs: Sequence[str], holding_n: float) -> Touch:
    """The recording as net force: of a finger what is left of the holding force, of a pad run all of it."""
    import numpy as np

    from padlab.drift.replay import finger_net_n
    from padlab.errors import InputError
    from padlab.records.named import shelves
    from padlab.records.shelf import find_runs
    from padlab.signals.contact import force_zero
    from padlab.words import quoted

    found = find_runs([name], near=[Path.cwd(), *shelves(runs)])
    if len(found) != 1:
        raise InputError(f"--touch {quoted(name)} names {len(found)} runs", expected="one recording",
                         seen=f"{len(found)} runs")
    run: Run = found[0]
    run.need(kinds=("touch", "pad"), columns=("time_s", "force_n"), by="replay")
    table = run.samples
    time, force = (table[column].to_numpy(dtype=np.float64) for column in ("time_s", "force_n"))
    known = np.isfinite(time) & np.isfinite(force)
    if known.sum() < 2:
        raise InputError(f"run {run.id} has no readings to replay", expected="forces over time", seen="none",
                         where={"run": run.id})
    time, force = time[known], force[known]
    if run.kind == "touch":
        return Touch(run, time, finger_net_n(force, holding_n=holding_n))
    travel = (table["displacement_mm"].to_numpy(dtype=np.float64)[known]
              if "displacement_mm" in table.columns else np.zeros_like(force))
    return Touch(run, time, np.maximum(force - force_zero(force, travel).value_n, 0.0))


def _against(fit: RunFit, recording: Run) -> Stranger | None:
    """How well the pad's model predicts the recording, where that is of the same pad and has positions."""
    from padlab.calibration.frame import frame_of
    from padlab.errors import FitError
    from padlab.fitting.prepared import prepare
    from padlab.fitting.stranger import stranger

    pad = recording.pad
    same = pad is not None and (pad.material, pad.lot, pad.id) == (fit.pad.material, fit.pad.lot, fit.pad.id)
    if fit.response is None or not same or fit.run == recording.id:
        return None
    if recording.kind != "pad" or "displacement_mm" not in recording.samples.columns:
        return None
    try:
        return stranger(fit.response, prepare(recording, frame_of(recording)))
    except FitError:
        return None                     # no steady strokes, or nothing played after them: nothing to judge by


def _table(heard: Touch, rows: Sequence[Through]) -> str:
    """Time, net force, and for each run position, low and high, headed by its id."""
    import numpy as np

    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    heads = [f"{r.run} {what}" for r in rows for what in ("displacement_mm", "low_mm", "high_mm")]
    writer.writerow(["time_s", "force_n", *heads])
    columns = [c for r in rows for c in (r.displacement_mm, r.low_mm, r.high_mm)]
    cells = [[f"{v:.6f}" if np.isfinite(v) else "" for v in c] for c in (heard.time_s, heard.net_n, *columns)]
    writer.writerows(zip(*cells, strict=True))
    return text.getvalue()


def _told(rows: Sequence[Through]) -> list[str]:
    from padlab.marks import Weight
    from padlab.units import both_lengths

    heading = "replay" if all(r.method == "replay" for r in rows) else "method as said"
    lines = [f"({heading}) from each pad's own home position:"]
    for r in rows:
        off = ("" if r.held_back_rms_mm is None
               else f"; off by {both_lengths(r.held_back_rms_mm)} on what its fit never saw")
        p95, band = _length(r.p95_mm.to_json()), _length(r.play_band_mm.to_json())
        lines.append(f"{r.run}  {r.material}, lot {r.lot}, pad {r.pad}: 19 notes of 20 within {p95}, "
                     f"band {band} ({r.method}{off})")
        lines += [f"    {m.weight}: {m.message}" for m in r.marks
                  if m.weight is not Weight.NOTE or m.code == "no_replay"]
    return lines


def _length(q: dict[str, Any]) -> str:
    from padlab.units import both_lengths

    between = "" if q["low"] is None else f" [{both_lengths(q['low'])} to {both_lengths(q['high'])}]"
    return both_lengths(q["value"]) + between
