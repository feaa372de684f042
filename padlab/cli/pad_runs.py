"""Who fits, and how far they are: what the commands that fit runs have in common."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from contextlib import nullcontext
from typing import TYPE_CHECKING

import click

from padlab.cli.words import WholeNumber

if TYPE_CHECKING:
    from padlab.fitting.each_run import Answers, FitEach, NotFitted, Timed
    from padlab.fitting.many import Asked
    from padlab.fitting.results import RunFit
    from padlab.records.run import Run


def shared_out(command: Callable[..., None]) -> Callable[..., None]:
    """The options that say who fits."""
    workers = click.option("--workers", type=WholeNumber(1, 256), metavar="N",
                           help="Processes that fit; the answer is the same.  [default: 1]")
    scheduler = click.option("--scheduler", metavar="ADDRESS",
                             help="Workers of a dask scheduler fit, such as tcp://HOST:8786, which see the "
                                  "same folders. Name only one that you trust.")
    return workers(scheduler(command))


def fitted_by(workers: int | None = None, scheduler: str | None = None,
              timed: Timed = lambda _: nullcontext()) -> FitEach:
    """What fits runs, with a bar on a terminal."""
    if workers is not None and scheduler is not None:
        raise click.UsageError("--workers counts processes here, --scheduler names others: give one of them")

    def fit(runs: Sequence[Run], asked: Asked) -> tuple[list[RunFit], list[NotFitted]]:
        from padlab.fitting.each_run import fit_each

        return fit_each(runs, asked, workers=workers, scheduler=scheduler, timed=timed,
                        watched=_with_progress)

    return fit


def _with_progress(answers: Answers, count: int) -> Answers:
    if count < 3 or not sys.stderr.isatty():
        yield from answers
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(answers, total=count, description="fitting", console=Console(stderr=True),
                     transient=True)
