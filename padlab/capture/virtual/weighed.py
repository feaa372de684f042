"""A dead-weight session without a port: an indicator alone, weights put on by a virtual hand.

The weights are confirmed as ``padlab capture --yes-after`` does it, from what the indicator shows, by
the same follower that follows a person.
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from padlab.capture.procedure import Procedure, read_procedure
from padlab.capture.rig import read_rig
from padlab.capture.virtual.hand import Hand, play
from padlab.capture.virtual.readings import RigErrors, draw_errors, simulate_readings
from padlab.capture.virtual.simulate import as_pad, prepared
from padlab.capture.virtual.stocks import make_pad
from padlab.capture.weights import WeightFollower
from padlab.records.rig_record import RigRecord
from padlab.records.run import Run

LATITUDE_DEG, HEIGHT_M = 50.0, 0.0
"""Where the virtual bench stands; see ``hand.WEIGHT_N_PER_KG``."""
WEIGHTS_SCALE = 0.0005
"""Standard deviation of the weights' common error, relative."""
YES_AFTER_S = 0.6


@lru_cache(maxsize=1)
def dial_record() -> RigRecord:
    """The rig of an indicator alone that padlab brings, as a run remembers it."""
    return read_rig("dial-only").to_record()


def simulate_weighed(
    material: str, *, lot: int = 1, pad: int = 1, seed: int = 0, procedure: str | Procedure = "dead-weight",
    errors: RigErrors | None = None, rig: RigRecord | None = None, hand: Hand | None = None,
    rate_hz: float = 10.0, place_known: bool = True,
) -> Run:
    """Record a fresh pad under dead weights; parameters as of :func:`..simulate.simulate`.

    The pad of the same numbers is the one that :func:`..simulate.simulate` presses.
    """
    import pandas as pd

    plan = read_procedure(procedure) if isinstance(procedure, str) else procedure
    rng = np.random.default_rng(np.random.SeedSequence(
        [seed, *material.encode("ascii"), lot, pad, *plan.name.encode(), 7]))
    rig = rig or dial_record()
    if errors is None:
        errors = draw_errors(rig, rng)
    piece = prepared(make_pad(material, lot=lot, pad=pad, seed=seed), plan)
    heavier = 1.0 + WEIGHTS_SCALE * float(rng.standard_normal())
    true_plan = replace(plan, steps=tuple(
        s if s.mass_kg is None else replace(s, mass_kg=heavier * s.mass_kg) for s in plan.steps))
    motion = play(piece, true_plan, hand=hand or Hand(), rate_hz=rate_hz, rng=rng)
    channel = rig.channel("displacement")
    if channel is None:
        raise ValueError(f"rig {rig.name} cannot record a pad under weights: it needs a displacement")
    fine = replace(channel, scale=channel.resolution or 1e-6, offset=0.0, sign=1)
    readings = simulate_readings(
        motion, errors, rng, instrument=replace(rig.instruments[0], channels=(fine,)))
    samples = pd.DataFrame({"time_s": readings.clock_s - readings.clock_s[0],
                            "displacement_mm": fine.scale * readings.displacement_counts})
    follower = WeightFollower(plan, yes_after_s=YES_AFTER_S)
    follower.feed(samples["time_s"].to_numpy(), samples["displacement_mm"].to_numpy())
    place = {"latitude_deg": LATITUDE_DEG, "height_m": HEIGHT_M} if place_known else {}
    return Run(
        id=f"weighed-{material.replace(' ', '-')}-{lot}-{pad}-{seed}", folder=Path("simulated"),
        kind=plan.kind, state="complete" if follower.done else "interrupted",
        start_utc="2026-01-01T00:00:00Z",
        pad=as_pad(piece), procedure=plan.to_json(), rig=rig,
        environment={"temperature_c": 21.0, "humidity_percent": 50.0, **place},
        steps=tuple(a.to_json() for a in follower.attempts), _samples=samples)
