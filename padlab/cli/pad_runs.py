"""The pad runs that a person named, and their fits: one that cannot be fitted does not stop the others."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from padlab.errors import PadlabError
    from padlab.fitting.results import RunFit
    from padlab.records.run import Run

Timed = Callable[[str], AbstractContextManager[None]]


WHAT_FOR = {
    "touch": "a touch run goes behind --touch of padlab compare",
    "blank": "a blank run goes behind --blank of padlab capture or padlab remake; of five or more "
             "padlab calibrate compliance makes a calibration",
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


def fit_all(runs: Sequence[Run], *, timed: Timed = lambda _: nullcontext(), **how: Any,
            ) -> tuple[list[RunFit], list[NotFitted]]:
    """Fit every run; one that cannot be fitted is listed with its reason, the others go on.

    ``how`` is of :func:`padlab.fitting.run_fit.fit_run`; ``timed`` takes the time of reading and fitting.
    """
    from padlab.errors import FitError, RunError
    from padlab.fitting.run_fit import fit_run

    fits: list[RunFit] = []
    not_fitted: list[NotFitted] = []
    for run in _with_progress(runs):
        if run.state == "recording":
            fault = RunError(f"run {run.id} is still being recorded", expected="a run that has ended",
                             seen="a recording that goes on", remedy="wait until its capture has ended",
                             where={"run": run.id})
            not_fitted.append(NotFitted(run, fault))
            continue
        try:
            with timed("read"):
                run.samples                     # noqa: B018  read now, so that the time split is true
            with timed("fit"):
                fit = fit_run(run, **how)
        except (FitError, RunError) as fault:
            fault.where.setdefault("run", run.id)
            not_fitted.append(NotFitted(run, fault))
            continue
        fits.append(replace(fit, conditions={**fit.conditions, "start_utc": run.start_utc}))
    return fits, not_fitted


def _with_progress(runs: Sequence[Run]) -> Iterator[Run]:
    if len(runs) < 3 or not sys.stderr.isatty():
        yield from runs
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(runs, description="fitting", console=Console(stderr=True), transient=True)
