"""What is made from the page: the command line's own pages, by the same calls (in a process of its own).

One function a kind of work; each writes its files and says which they are, and the answer in a line.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from padlab.bench.made_decisions import choose, lot, plan
from padlab.bench.made_table import look_at, take
from padlab.bench.work import Made, Tell
from padlab.errors import RunError
from padlab.records.run import Run
from padlab.records.shelf import find_runs, open_run

if TYPE_CHECKING:                # a process that only reads a table does not wait for what fits
    from padlab.fitting.each_run import Answers, FitEach, NotFitted
    from padlab.fitting.many import Asked
    from padlab.fitting.results import RunFit


def fit_and_tell(tell: Tell) -> FitEach:
    """What fits runs, and tells how far it is."""
    from padlab.fitting.each_run import NotFitted, fit_each
    from padlab.signals.remade import with_samples

    def fit(runs: Sequence[Run], asked: Asked) -> tuple[list[RunFit], list[NotFitted]]:
        def watched(answers: Answers, count: int) -> Answers:
            for number in range(count):
                tell(number, count, f"fitting run {number + 1} of {count}")
                yield next(answers)
            tell(count, count, "drawing the page")

        whole: list[Run] = []
        broken: list[NotFitted] = []
        for run in runs:
            try:
                whole.append(with_samples(run))            # of a run that was cut off they are made now
            except RunError as fault:
                broken.append(NotFitted(run, fault))
        fits, not_fitted = fit_each(whole, asked, watched=watched)
        return fits, [*broken, *not_fitted]
    return fit


def _fit(options: dict[str, Any], out: Path, made_on: str, tell: Tell) -> Made:
    """What ``padlab fit RUN... --report FILE.html`` does."""
    from padlab.decisions.told_apart import pairs_of
    from padlab.fitting.each_run import none_fitted
    from padlab.fitting.many import Asked
    from padlab.report.pages import write_runs

    fits, not_fitted = fit_and_tell(tell)(_runs(options), Asked(drawn=True, replayed=True))
    if not fits:
        raise none_fitted(not_fitted)
    write_runs(fits, out / "run.html", pairs=pairs_of(fits), made_on=made_on,
               not_fitted=[(n.run.id, n.fault.message) for n in not_fitted])
    return Made({"run.html": "The report"})


def _compare(options: dict[str, Any], out: Path, made_on: str, tell: Tell) -> Made:
    """What ``padlab compare RUN... --out FILE.html`` does."""
    from padlab.decisions.comparison import compare
    from padlab.decisions.thinning import Thinning, thinning
    from padlab.drift.carry import Face
    from padlab.drift.player import player_on
    from padlab.fitting.many import Asked
    from padlab.report.pages import write_comparison

    shelf, service, outer_mm = Path(options["shelf"]), options["service"], options["outer_mm"]
    fits, failed = fit_and_tell(tell)(_runs(options), Asked(replayed=True))
    worn = Thinning() if service is None else thinning(find_runs([shelf]), service, options["stop"])
    comparison = compare(
        fits, player_on(shelf, options["touch"]), limit_mm=options["limit_mm"], stop=options["stop"],
        holding_n=options["holding_n"], thickness_mm=options["thickness_mm"],
        face=None if outer_mm is None else Face(outer_mm, options["inner_mm"]), service=service,
        thinning=None if service is None else worn.losses,
        not_fitted=[(n.run.id, n.run.pad, n.why) for n in failed if n.run.pad is not None])
    write_comparison(comparison, out / "stocks.html", made_on=made_on)
    told = None if worn.why_not is None else {"words": f"No thinning is known: {worn.why_not.message}",
                                              "look": "poor"}
    return Made({"stocks.html": "The comparison"}, told)


def _life(options: dict[str, Any], out: Path, made_on: str, tell: Tell) -> Made:
    """What ``padlab life RUN... --out FILE.html`` does."""
    from padlab.decisions.renewal import renewals
    from padlab.drift.ageing import ageing
    from padlab.drift.life import Service
    from padlab.report.life_page import write_life

    tell(0, 1, "reading what the pads lost")
    aged_c, service_c = options["aged_c"], options["service_c"]
    aged = None if aged_c is None else ageing(tested_c=aged_c, service_c=service_c)
    found = renewals(_runs(options), limit_mm=options["limit_mm"], stop=options["stop"], ageing=aged,
                     service=Service(options["strokes_per_day"], options["days_per_week"]))
    tell(1, 1, "drawing the page")
    write_life(found, out / "life.html", made_on=made_on)
    return Made({"life.html": "When to renew"})


def _touch(options: dict[str, Any], out: Path, made_on: str, tell: Tell) -> Made:
    """What ``padlab touch RUN... --out FILE.html`` does."""
    from padlab.drift.sessions import summary_of_runs
    from padlab.report.touch_page import write_touch

    tell(0, 1, "reading the recordings")
    summary = summary_of_runs(_runs(options))
    tell(1, 1, "drawing the page")
    write_touch(summary, out / "touch.html", made_on=made_on)
    return Made({"touch.html": "The touch"})


def _runs(options: dict[str, Any]) -> list[Run]:
    return [open_run(Path(folder)) for folder in options["runs"]]


def _choose(options: dict[str, Any], out: Path, made_on: str, tell: Tell) -> Made:
    return choose(options, out, made_on, fit_and_tell(tell))


def _plan(options: dict[str, Any], out: Path, made_on: str, tell: Tell) -> Made:
    tell(0, 1, "planning")
    return plan(options, out, made_on)


def _lot(options: dict[str, Any], out: Path, made_on: str, tell: Tell) -> Made:
    return lot(options, out, made_on, fit_and_tell(tell))


MAKING: dict[str, Callable[[dict[str, Any], Path, str, Tell], Made]] = {
    "fit": _fit, "compare": _compare, "life": _life, "touch": _touch, "choose": _choose, "plan": _plan,
    "lot": _lot,
    "look at a table": lambda options, out, made_on, tell: look_at(options, tell),
    "take in a table": lambda options, out, made_on, tell: take(options, tell)}
"""What can be asked for, by name: how, the folder for what is made, the date it carries, who is told."""
