"""What is made from the page: the command line's own pages, by the same calls (in a process of its own).

One function a kind of work; each writes its files and says which they are.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from padlab.bench.made_table import look_at, take
from padlab.bench.work import Made, Tell
from padlab.errors import PadlabError


def _fits(folders: list[Path], tell: Tell, *, drawn: bool) -> tuple[list[Any], list[tuple[Any, PadlabError]]]:
    """Fit each run; one that cannot be fitted is listed, the others go on (as ``padlab fit`` does)."""
    from dataclasses import replace

    from padlab.errors import FitError, RunError
    from padlab.fitting.run_fit import fit_run
    from padlab.records.shelf import open_run

    fits: list[Any] = []
    not_fitted: list[tuple[Any, PadlabError]] = []
    for number, folder in enumerate(folders):
        tell(number, len(folders), f"fitting run {number + 1} of {len(folders)}")
        run = open_run(folder)
        try:
            fit = fit_run(run, drawn=drawn, replayed=True)
        except (FitError, RunError) as fault:
            not_fitted.append((run, fault))
        else:
            fits.append(replace(fit, conditions={**fit.conditions, "start_utc": run.start_utc}))
    return fits, not_fitted


def _fit(folders: list[Path], options: dict[str, Any], out: Path, made_on: str, tell: Tell) -> Made:
    """What ``padlab fit RUN... --report FILE.html`` does."""
    from itertools import combinations

    from padlab.decisions.told_apart import told_apart
    from padlab.report.pages import write_runs

    fits, not_fitted = _fits(folders, tell, drawn=True)
    if not fits:
        raise not_fitted[0][1]
    tell(len(folders), len(folders), "drawing the page")
    pairs = [found for a, b in combinations(fits[:12], 2) if (found := told_apart(a, b)) is not None]
    write_runs(fits, out / "run.html", pairs=pairs, made_on=made_on,
               not_fitted=[(run.id, fault.message) for run, fault in not_fitted])
    return Made({"run.html": "The report"})


def _compare(folders: list[Path], options: dict[str, Any], out: Path, made_on: str, tell: Tell) -> Made:
    """What ``padlab compare RUN... --out FILE.html`` does."""
    from padlab.decisions.comparison import compare
    from padlab.drift.touch import preset
    from padlab.report.pages import write_comparison

    fits, not_fitted = _fits(folders, tell, drawn=False)
    tell(len(folders), len(folders), "comparing, drawing the page")
    comparison = compare(
        fits, preset(options["touch"]), limit_mm=options["limit_mm"], holding_n=options["holding_n"],
        stop=options["stop"],
        not_fitted=[(run.id, run.pad, _why(fault)) for run, fault in not_fitted if run.pad is not None])
    write_comparison(comparison, out / "stocks.html", made_on=made_on)
    return Made({"stocks.html": "The comparison"})


def _why(fault: PadlabError) -> str:
    return f"{fault.message}: {fault.remedy}" if fault.remedy else fault.message


MAKING: dict[str, Callable[[list[Path], dict[str, Any], Path, str, Tell], Made]] = {
    "fit": _fit, "compare": _compare,
    "look at a table": lambda folders, options, out, made_on, tell: look_at(options, tell),
    "take in a table": lambda folders, options, out, made_on, tell: take(options, tell)}
"""What can be asked for, by name: runs, options, the folder for what is made, the date it carries."""
