"""A run of the virtual rig put on a shelf without a port: raw lines, samples, marks as capture leaves them.

For studies through whole commands that need tens of runs of the same rig, on any dates; the motion, the
readings and what is made of the raw lines are those of the path through a port.
"""

from __future__ import annotations

import random
from datetime import datetime

import numpy as np

from padlab.capture.procedure import read_procedure
from padlab.capture.virtual.hand import Hand, play
from padlab.capture.virtual.physics import Squeezed
from padlab.capture.virtual.readings import RigErrors, simulate_readings
from padlab.capture.virtual.simulate import bench_record
from padlab.records.pad import Pad
from padlab.records.raw_log import read_raw
from padlab.records.run import Run
from padlab.records.shelf import Shelf
from padlab.signals.judgement import judge
from padlab.signals.merge import samples_from_raw


def put_on_file(shelf: Shelf, piece: Squeezed, *, procedure: str, errors: RigErrors, start_utc: datetime,
                seed: int, pad: Pad | None = None, rate_hz: float = 50.0) -> Run:
    """Play a procedure on the bench rig and keep the run.

    Parameters
    ----------
    piece : Squeezed
        A virtual pad or the steel spring; it is changed by what it goes through.
    errors : RigErrors
        What is wrong with the rig on that day.
    seed : int
        Draws the hand, the noise and the run's id: the same seed, the same bytes.
    pad : Pad, optional
        As a person would have written it; none for a check.
    """
    plan, rig = read_procedure(procedure), bench_record()
    rng = np.random.default_rng(np.random.SeedSequence([seed, *plan.name.encode()]))
    motion = play(piece, plan, hand=Hand(), rate_hz=rate_hz, rng=rng)
    (instrument,) = rig.instruments
    readings = simulate_readings(motion, errors, rng, instrument=instrument)
    since = readings.clock_s - readings.clock_s[0]
    ticks = np.round(since / (instrument.clock_s_per_tick or 1.0)).astype(np.int64)
    lines = [f"{host:.6f},{n},{tick},{force:.0f},{place:.0f}" for n, (host, tick, force, place) in enumerate(
        zip(since, ticks, readings.force_counts, readings.displacement_counts, strict=True))]
    recording = shelf.begin(
        kind=plan.kind, procedure=plan.to_json(), pad=pad, rig=rig, start_utc=start_utc, monotonic_s=0.0,
        environment={"temperature_c": 21.0, "humidity_percent": 50.0}, note="invented",
        rng=random.Random(seed))
    recording.append(instrument.name, lines)
    return recording.close("complete", derive=lambda run: samples_from_raw(run, read_raw(run)),
                           judge=lambda run, samples: [one.mark for one in judge(samples, run.procedure, [])])

