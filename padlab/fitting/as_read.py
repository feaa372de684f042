"""The rig of a run with the steps that its readings stand on, where they are coarser than stated."""

from __future__ import annotations

from dataclasses import replace

from padlab.marks import Mark, mark
from padlab.records.rig_record import Channel, Instrument, RigRecord
from padlab.records.run import Run

COARSER = 1.5
"""Steps of so many times the stated ones are no rounding of a scale (design choice)."""
COLUMNS = {"force": ("force_n", "N"), "displacement": ("displacement_mm", "mm")}


def rig_as_read(run: Run, rig: RigRecord | None,
                reading_steps: tuple[float | None, float | None]) -> tuple[RigRecord | None, list[Mark]]:
    """The rig whose channels have at least the step that the run's samples stand on, and what is to be said.

    ``reading_steps`` of force [N] and displacement [mm] are those of the prepared run.
    ``rig``: calibrated, as the run remembers it; None for a table recorded elsewhere, which gets one of the
    channels whose steps are seen, with the doubts that were stated for its columns.
    """
    seen = dict(zip(COLUMNS, reading_steps, strict=True))
    if rig is None:
        if not any(seen.values()):
            return None, []
        channels = tuple(
            Channel(column, quantity, unit, resolution=seen.get(quantity),
                    scale_uncertainty=run.column_doubt.get(f"{quantity}_scale"))
            for quantity, (column, unit) in COLUMNS.items())
        return RigRecord("recorded elsewhere", (Instrument("table", "table", (), channels),)), []
    found: list[Mark] = []

    def as_read(channel: Channel) -> Channel:
        step = seen.get(channel.quantity)
        if step is None or step <= COARSER * (channel.resolution or 0.0):
            return channel
        if channel.resolution is not None:
            found.append(mark("coarser_than_stated", channel.quantity,
                              f"the {channel.quantity} is read in steps of {step:.3g} {channel.unit}; the "
                              f"rig file states {channel.resolution:.3g} {channel.unit}"))
        return replace(channel, resolution=step)

    instruments = tuple(replace(i, channels=tuple(as_read(c) for c in i.channels)) for i in rig.instruments)
    return replace(rig, instruments=instruments), found
