"""The response model of a run, kept on the shelf: fitted once, read from then on.

``derived/response.json`` goes stale like all that is derived (readings, pad, calibrations, padlab's version);
why a run has no model is kept too. A shelf that cannot be written is no hindrance: the model is fitted again.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass

from padlab.errors import FitError, RunError
from padlab.fitting.prepared import Prepared
from padlab.fitting.response import ResponseModel
from padlab.fitting.response_fit import fit_response
from padlab.fitting.results import LimbCurves
from padlab.records.derived import read_derived, write_derived
from padlab.records.run import Run

NAME = "response"
FORMAT = 2
"""Raised when the same run would give another model."""

_log = logging.getLogger(__name__)


@dataclass(frozen=True)
class Response:
    """A run's model, or why it has none."""

    model: ResponseModel | None
    why_not: str | None = None


def response_of(run: Run, prepared: Prepared, curves: LimbCurves, *, kept: bool = True) -> Response:
    """The run's response model: from the shelf where it is fresh, else fitted and put there.

    Parameters
    ----------
    run : Run
        Of kind ``pad``.
    prepared, curves
        What it was made into.
    kept : bool
        False: neither read nor write; for a run that was prepared in another way than its shelf says.
    """
    if kept and (found := read_response(run)) is not None:
        return found
    try:
        made = Response(fit_response(prepared, curves))
    except FitError as fault:
        made = Response(None, fault.message)
    if kept and run.folder.is_dir():
        try:
            write_derived(run, NAME, {"format": FORMAT, "why_not": made.why_not,
                                      "model": None if made.model is None else made.model.to_json()})
        except (RunError, FileExistsError) as fault:
            _log.info("run %s: its response model could not be kept: %s", run.id, fault)
    return made


def read_response(run: Run) -> Response | None:
    """What the shelf holds of it; None where there is none, or an old one."""
    if not run.folder.is_dir():
        return None
    table = read_derived(run, NAME)
    if table is None or table.get("format") != FORMAT:
        return None
    if table.get("model") is None:
        return Response(None, str(table.get("why_not")))
    try:
        return Response(ResponseModel.from_json(table["model"]))
    except RunError as fault:                       # damaged: made again
        _log.info("run %s: %s", run.id, fault)
        return None
