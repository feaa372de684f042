"""The fit of each run: one that cannot be fitted is listed with its reason, the others go on.

Who fits is said by ``workers`` and ``scheduler`` (:mod:`padlab.fitting.many`); the answer is the same.

>>> fit_each([], Asked())
([], [])
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from typing import Any

from padlab.calibration.frame import Blanks
from padlab.errors import FitError, PadlabError, RunError
from padlab.fitting.many import Asked, crew, fit_many
from padlab.fitting.results import RunFit
from padlab.fitting.run_fit import fit_run
from padlab.records.run import Run

Timed = Callable[[str], AbstractContextManager[None]]
Answers = Iterator[RunFit | PadlabError]
Watched = Callable[[Answers, int], Answers]
"""Passes the answers on one by one, with their number: whoever waits can be told how far it is."""


@dataclass(frozen=True)
class NotFitted:
    """A run that gave no fit, and why."""

    run: Run
    fault: PadlabError

    @property
    def why(self) -> str:
        """The reason, with what to do where that is known."""
        return f"{self.fault.message}: {self.fault.remedy}" if self.fault.remedy else self.fault.message

    def to_json(self) -> dict[str, Any]:
        """Its entry of ``not_fitted``."""
        pad = self.run.pad
        return {"run": self.run.id,
                "pad": None if pad is None else {"id": pad.id, "material": pad.material, "lot": pad.lot},
                **self.fault.to_json()}


FitEach = Callable[[Sequence[Run], Asked], tuple[list[RunFit], list[NotFitted]]]
"""What fits runs for a decision; :func:`fit_each`, or that with who fits and who is told."""


def fit_each(runs: Sequence[Run], asked: Asked, *, workers: int | None = None, scheduler: str | None = None,
             timed: Timed = lambda _: nullcontext(), watched: Watched = lambda answers, _: answers,
             ) -> tuple[list[RunFit], list[NotFitted]]:
    """Fit every run.

    Parameters
    ----------
    runs : sequence of Run
        One that is still being recorded is not fitted.
    workers, scheduler
        Who fits, at most one of the two (:func:`padlab.fitting.many.crew`).
    timed : callable
        Takes the time of ``"read"`` and ``"fit"``, of which others do both.
    watched : callable
        Passes on the answers one by one.

    Returns
    -------
    The fits in the order of the runs, and the runs that gave none.
    """
    ended = [run for run in runs if run.state != "recording"]
    alone = scheduler is None and min(workers or 1, len(ended)) < 2
    answers = (_here(ended, asked, timed) if alone
               else _by_others(ended, asked, min(workers or 1, len(ended)), scheduler, timed))
    fits: list[RunFit] = []
    not_fitted: list[NotFitted] = [NotFitted(run, _goes_on(run)) for run in runs if run.state == "recording"]
    for run, answer in zip(ended, watched(answers, len(ended)), strict=True):
        if isinstance(answer, RunFit):
            fits.append(replace(answer, conditions={**answer.conditions, "start_utc": run.start_utc}))
            continue
        answer.where.setdefault("run", run.id)
        not_fitted.append(NotFitted(run, answer))
    return fits, sorted(not_fitted, key=lambda n: runs.index(n.run))


def none_fitted(not_fitted: Sequence[NotFitted]) -> PadlabError:
    """The one fault, or all of them in one."""
    if len(not_fitted) == 1:
        return not_fitted[0].fault
    shown = [f"{n.run.id}: {n.fault.message}" for n in not_fitted]
    return FitError(
        f"none of these {len(shown)} runs could be fitted", expected="at least one run that can be fitted",
        seen="; ".join(shown[:8]) + ("" if len(shown) <= 8 else f"; and {len(shown) - 8} more"),
        remedy="padlab fit RUN tells of one of them alone", where={"runs": [n.run.id for n in not_fitted]})


def _goes_on(run: Run) -> PadlabError:
    return RunError(f"run {run.id} is still being recorded", expected="a run that has ended",
                    seen="a recording that goes on", remedy="wait until its capture has ended",
                    where={"run": run.id})


def _here(runs: Sequence[Run], asked: Asked, timed: Timed) -> Answers:
    blanks: Blanks = {}
    for run in runs:
        try:
            with timed("read"):
                run.samples                     # noqa: B018  read now, so that the time split is true
            with timed("fit"):
                fit = fit_run(run, blanks=blanks, **vars(asked))
        except (FitError, RunError) as fault:
            yield fault
        else:
            yield fit


def _by_others(runs: Sequence[Run], asked: Asked, workers: int, scheduler: str | None, timed: Timed,
               ) -> Answers:
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
