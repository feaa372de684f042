"""What stocks lose over a service, from the wear runs on file; or why that is not known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

from padlab.decisions.comparison import LIMIT_MM
from padlab.decisions.renewal import renewals
from padlab.decisions.total import ServiceLoss, service_losses
from padlab.drift.life import Service
from padlab.errors import FitError, PadlabError, RunError
from padlab.records.run import Run


@dataclass(frozen=True)
class Thinning:
    """Loss by stock; ``why_not``: why nothing is known although there are wear runs."""

    losses: Mapping[str, ServiceLoss] = field(default_factory=dict)
    why_not: PadlabError | None = None


def thinning(on_file: Sequence[Run], service: Mapping[str, float], stop: Literal["up", "down"]) -> Thinning:
    """The thinning of every stock with wear runs at a stop.

    Parameters
    ----------
    on_file : sequence of Run
        Of these the wear runs count.
    service : mapping
        ``years``, ``strokes_per_day``, ``days_per_week``.
    """
    worn = [run for run in on_file if run.kind == "wear"]
    if not worn:
        return Thinning()
    try:
        found = renewals(worn, limit_mm=LIMIT_MM, stop=stop,
                         service=Service(service["strokes_per_day"], service["days_per_week"]))
    except (FitError, RunError) as fault:
        return Thinning(why_not=fault)
    return Thinning(service_losses(found.stocks, service))
