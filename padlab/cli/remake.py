"""``padlab remake``: everything derived, again, from raw readings and calibrations."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from padlab.cli.main import print_json
from padlab.cli.words import plain

if TYPE_CHECKING:
    from padlab.records.run import Run


@click.command(name="remake")
@click.argument("runs", nargs=-1, required=True, metavar="RUN...")
@click.option("--calibration", "calibrations", multiple=True, metavar="ID",
              help="Use this calibration (on the runs' own shelf) from now on, in place of one of its kind.")
@click.option("--blank", metavar="RUN", help="The blank run that belongs to these runs, on the same shelf.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON object.")
def command(runs: tuple[str, ...], calibrations: tuple[str, ...], blank: str | None, as_json: bool) -> None:
    """Make samples and fits again, from the raw readings; the same input gives the same bytes.

    padlab remake sample_runs
    """
    from padlab.errors import RunError
    from padlab.records.shelf import find_one, find_runs

    damaged: list[RunError] = []
    found = find_runs(runs, passed_over=damaged.append)
    busy = [run.id for run in found if run.state == "recording"]
    if busy:
        raise RunError(f"run {busy[0]} is being recorded", expected="runs that have ended",
                       seen=", ".join(busy)[:200], remedy="remake it afterwards", where={"run": busy[0]})
    counted = [run.id for run in found if run.endurance is not None]
    if counted and (calibrations or blank is not None):
        raise RunError(f"run {counted[0]} cannot be remade with other calibrations or another blank run",
                       expected="runs whose readings are all kept", seen="an endurance run: its strokes were "
                       "summarised as they came", remedy="leave it out; its loops that are kept are in raw/",
                       where={"run": counted[0]})
    if calibrations:
        # Every run is asked first: either all of them can take these calibrations, or none is touched.
        chosen = [_with_calibrations(run, calibrations) for run in found]
        found = [_amended(run, names) for run, names in zip(found, chosen, strict=True)]
    if blank is not None:
        found = [_with_blank(run, find_one(blank)) for run in found]
    answers: list[dict[str, Any]] = []
    faults: dict[str, RunError] = {}
    for run in found:
        try:
            answers.append(_remake(run))
        except RunError as fault:              # the others are made all the same
            faults[run.id] = fault
    told = [*faults.values(), *damaged]
    if told:
        first, *others = told
        for other in others:
            click.echo("padlab: " + plain(str(other)), err=True)
        all_runs = len(found) + len(damaged)
        raise RunError(f"{len(told)} of {all_runs} runs could not be remade: {first.message}",
                       expected=first.expected, seen=first.seen, remedy=first.remedy,
                       where={**first.where, "runs": list(faults),
                              "unreadable": [fault.message for fault in damaged]}) from first
    if as_json:
        print_json({"runs": answers})
        return
    for answer in answers:
        made = ", ".join([answer["samples"], *(f"derived/{name}.json" for name in answer["derived"])])
        click.echo(f"{answer['run']}: {made}")
        if answer["without"]:
            click.echo(plain(f"{answer['run']}: no fit: {answer['without']}"), err=True)


def _with_calibrations(run: Run, names: tuple[str, ...]) -> tuple[str, ...]:
    from padlab.records.calibration import read_calibration, with_calibrations

    shelf = run.folder.parent.parent
    return with_calibrations(run, [read_calibration(shelf, name) for name in names])


def _amended(run: Run, calibrations: tuple[str, ...]) -> Run:
    from datetime import UTC, datetime

    from padlab.records.amendments import amend

    return amend(run.folder, on=datetime.now(UTC), calibrations=calibrations)


def _with_blank(run: Run, blank: Run) -> Run:
    from datetime import UTC, datetime

    from padlab.calibration.frame import check_blank
    from padlab.errors import RunError
    from padlab.records.amendments import amend

    if blank.kind != "blank" or blank.folder.resolve().parent != run.folder.resolve().parent:
        raise RunError(f"run {blank.id} is no blank run for {run.id}",
                       expected="a run of kind blank on the same shelf",
                       seen=f"kind {blank.kind} in {blank.folder.parent}", where={"run": blank.id})
    check_blank(blank, run.rig, run.id)
    return amend(run.folder, on=datetime.now(UTC), blank=blank.id)


def _remake(run: Run) -> dict[str, Any]:
    """Samples from raw; what was derived is deleted; the fit is made again where there can be one."""
    from padlab.errors import FitError, RunError
    from padlab.records.derived import drop_derived, write_derived
    from padlab.records.raw_log import read_raw
    from padlab.records.recording import store_samples
    from padlab.records.tables import samples_of_original

    if run.kind == "gauge":
        from padlab.records.gauge import remake_readings

        return {"run": run.id, "folder": str(run.folder), "state": run.state, "samples": remake_readings(run),
                "derived": [], "dropped": drop_derived(run), "without": None}

    if run.endurance is not None:
        from padlab.signals.wear_readings import wear_readings

        samples = wear_readings(run)
    elif run.rig is None:
        samples = samples_of_original(run)
    else:
        from padlab.signals.merge import samples_from_raw

        samples = samples_from_raw(run, read_raw(run))
    run = store_samples(run, samples)
    dropped = drop_derived(run)
    answer: dict[str, Any] = {"run": run.id, "folder": str(run.folder), "state": run.state,
                              "samples": next(p.name for p in run.folder.glob("samples.csv*")),
                              "derived": [], "dropped": dropped, "without": None}
    if run.kind == "pad":
        from padlab.fitting.run_fit import fit_run

        try:
            fit = fit_run(run, replayed=True)
            write_derived(run, "fit", fit.json)
            answer["derived"] = ["fit"] if fit.response is None and fit.no_response is None else \
                ["fit", "response"]
        except (FitError, RunError) as fault:
            answer["without"] = fault.message
    return answer
