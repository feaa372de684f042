"""What stocks lose over a service, or why that is not known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from padlab.decisions.thinning import thinning
from padlab.fitting.each_run import fit_each
from padlab.fitting.many import Asked
from padlab.records.named import runs_named
from padlab.records.shelf import open_run

SAMPLES = Path(__file__).parents[3] / "sample_runs"
SERVICE = {"years": 3.0, "strokes_per_day": 2000.0, "days_per_week": 6.0}


def test_stocks_with_wear_runs():
    worn = runs_named([str(SAMPLES)], kind="wear", by="life")
    found = thinning(worn, SERVICE, "down")
    assert found.why_not is None
    assert set(found.losses) == {"dense green polymer"}     # the others: how much in 3 years is not told
    assert thinning([], SERVICE, "down").losses == {}


def test_why_nothing_is_known_is_told():
    worn = [replace(run, stop="up") for run in runs_named([str(SAMPLES)], kind="wear", by="life")]
    found = thinning(worn, SERVICE, "down")
    assert found.losses == {}
    assert found.why_not is not None


def test_one_that_cannot_be_fitted_stops_no_other():
    """In the order of the runs; whoever watches is handed every answer once."""
    names = ("20261125T142753Z-hf0c1t", "20261125T142826Z-thxm9p")
    runs = [open_run(SAMPLES / "runs" / name) for name in names]
    going_on = replace(runs[0], state="recording")
    seen = []

    def watched(answers, count):
        for answer in answers:
            seen.append((type(answer).__name__, count))
            yield answer

    fits, not_fitted = fit_each([going_on, runs[1]], Asked(), watched=watched)
    assert [f.run for f in fits] == [names[1]]
    assert [n.run.id for n in not_fitted] == [names[0]]
    assert not_fitted[0].why.endswith("wait until its capture has ended")
    assert seen == [("RunFit", 1)]
