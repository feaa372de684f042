"""Samples of a run that was cut off before it had any: made from its raw readings, as its end would have."""

from __future__ import annotations

from typing import TYPE_CHECKING

from padlab.records.raw_log import read_raw
from padlab.records.recording import store_samples
from padlab.signals.merge import samples_from_raw

if TYPE_CHECKING:
    from padlab.records.run import Run


def with_samples(run: Run) -> Run:
    """The run as it is where it has samples; else with those of its raw readings, kept on the shelf.

    Raises
    ------
    RunError
        Its raw readings are damaged or none came, or the shelf cannot be written.
    """
    if not run.was_cut_off or run.samples_sha256 or run.rig is None or run.endurance is not None:
        return run
    return store_samples(run, samples_from_raw(run, read_raw(run)))
