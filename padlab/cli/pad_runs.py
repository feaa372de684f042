"""The pad runs that a person named, and their fits: one that cannot be fitted does not stop the others."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from padlab.errors import PadlabError
    from padlab.fitting.many import Asked
    from padlab.fitting.results import RunFit
    from padlab.records.run import Run

Timed = Callable[[str], AbstractContextManager[None]]


WHAT_FOR = {
    "touch": "a touch run goes behind --touch of padlab compare",
    "blank": "a blank run goes behind --blank of padlab capture or padlab remake; of five or more "
             "padlab calibrate compliance makes a calibration",
    "wear": "readings of a pad over its service go to padlab life",
    "check": "a check run tells whether the rig is right: it was judged when it was recorded; "
             "padlab calibrate skew reads the skew of two instruments from it",
}


@dataclass(frozen=True)
class NotFitted:
    """A run that gave no fit, and why."""

    run: Run
    fault: PadlabError

    def to_json(self) -> dict[str, Any]:
        """Its entry of ``not_fitted``."""
        pad = self.run.pad
        return {"run": self.run.id,
                "pad": None if pad is None else {"id": pad.id, "material": pad.material, "lot": pad.lot},
                **self.fault.to_json()}


def pad_runs(names: Sequence[str], *, by: str) -> list[Run]:
    """Pad runs of what was named. A shelf may hold other kinds; a run named by itself may not be one."""
    from padlab.errors import RunError
    from padlab.records.shelf import find_runs

    whole = shelves(names)
    found: dict[Path, Run] = {}
    for name in names:
        for run in find_runs([name], near=[Path.cwd(), *whole]):
            if run.kind == "pad":
                found.setdefault(run.folder.resolve(), run)
            elif Path(name) not in whole:
                raise RunError(f"{by} cannot use run {run.id}", expected="a run of kind pad",
                               seen=f"kind {run.kind}", where={"run": run.id},
                               remedy=WHAT_FOR.get(run.kind))
    if not found:
        raise RunError(f"there is no pad run to {by}", expected="runs of kind pad", seen="none",
                       remedy="padlab shelf SHELF lists what is on file")
    return sorted(found.values(), key=lambda run: run.id)


def shelves(names: Sequence[str]) -> list[Path]:
    """Those of the names that are shelves."""
    return [Path(name) for name in names if "\0" not in name and (Path(name) / "runs").is_dir()]


def shared_out(command: Callable[..., None]) -> Callable[..., None]:
    """The options that say who fits."""
    workers = click.option("--workers", type=click.IntRange(1, 256), metavar="N",
                           help="Processes that fit; the answer is the same.  [default: 1]")
    scheduler = click.option("--scheduler", metavar="ADDRESS",
                             help="Workers of a dask scheduler fit, such as tcp://HOST:8786, which see the "
                                  "same folders. Name only one that you trust.")
    return workers(scheduler(command))


def fit_all(runs: Sequence[Run], asked: Asked, *, workers: int | None = None, scheduler: str | None = None,
            timed: Timed = lambda _: nullcontext()) -> tuple[list[RunFit], list[NotFitted]]:
    """Fit every run; one that cannot be fitted is listed with its reason, the others go on.

    ``workers`` and ``scheduler`` say who fits (:func:`padlab.fitting.many.crew`); ``timed`` takes the time
    of reading and fitting, of which others do both.
    """
    if workers is not None and scheduler is not None:
        raise click.UsageError("--workers counts processes here, --scheduler names others: give one of them")
    from padlab.fitting.results import RunFit

    ended = [run for run in runs if run.state != "recording"]
    alone = scheduler is None and min(workers or 1, len(ended)) < 2
    answers = (_here(ended, asked, timed) if alone
               else _by_others(ended, asked, min(workers or 1, len(ended)), scheduler, timed))
    fits: list[RunFit] = []
    not_fitted: list[NotFitted] = [NotFitted(run, _goes_on(run)) for run in runs if run.state == "recording"]
    for run, answer in zip(ended, _with_progress(answers, len(ended)), strict=True):
        if isinstance(answer, RunFit):
            fits.append(replace(answer, conditions={**answer.conditions, "start_utc": run.start_utc}))
            continue
        answer.where.setdefault("run", run.id)
        not_fitted.append(NotFitted(run, answer))
    return fits, sorted(not_fitted, key=lambda n: runs.index(n.run))


def _goes_on(run: Run) -> PadlabError:
    from padlab.errors import RunError

    return RunError(f"run {run.id} is still being recorded", expected="a run that has ended",
                    seen="a recording that goes on", remedy="wait until its capture has ended",
                    where={"run": run.id})


def _here(runs: Sequence[Run], asked: Asked, timed: Timed) -> Iterator[RunFit | PadlabError]:
    from padlab.errors import FitError, RunError
    from padlab.fitting.run_fit import fit_run

    for run in runs:
        try:
            with timed("read"):
                run.samples                     # noqa: B018  read now, so that the time split is true
            with timed("fit"):
                fit = fit_run(run, **vars(asked))
        except (FitError, RunError) as fault:
            yield fault
        else:
            yield fit


def _by_others(runs: Sequence[Run], asked: Asked, workers: int, scheduler: str | None, timed: Timed,
               ) -> Iterator[RunFit | PadlabError]:
    from padlab.errors import FitError, RunError
    from padlab.fitting.many import crew, fit_many

    with timed("fit"), crew(workers=workers, scheduler=scheduler) as them:
        # Elsewhere another folder is the current one.
        folders = [run.folder.resolve() for run in runs]
        for answer in fit_many(folders, asked, them.executor, workers=them.workers):
            if isinstance(answer.fault, (FitError, RunError)):
                yield answer.fault
            elif answer.fault is not None:
                raise answer.fault              # as it would be raised here
            elif answer.fit is not None:
                yield answer.fit


def _with_progress(answers: Iterator[RunFit | PadlabError], count: int) -> Iterator[RunFit | PadlabError]:
    if count < 3 or not sys.stderr.isatty():
        yield from answers
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(answers, total=count, description="fitting", console=Console(stderr=True),
                     transient=True)
