"""A run without a port: what a capture would have put on file, and the truth beside it.

For studies that need hundreds of runs; the path through a real port is the same motion and the same
readings.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from padlab.capture.procedure import Procedure, read_procedure
from padlab.capture.rig import read_rig
from padlab.capture.virtual.hand import Hand, Motion, play
from padlab.capture.virtual.physics import VirtualPad
from padlab.capture.virtual.readings import RigErrors, draw_errors, simulate_readings
from padlab.capture.virtual.stocks import make_pad
from padlab.capture.virtual.truth import Truth, truth
from padlab.records.pad import Pad
from padlab.records.rig_record import RigRecord
from padlab.records.run import Run


@lru_cache(maxsize=1)
def bench_record() -> RigRecord:
    """The bench rig that padlab brings, as a run remembers it."""
    return read_rig("bench").to_record()


@dataclass(frozen=True)
class SimulatedRun:
    """A run in memory, the truth of its pad (found when it is first asked for), and what went into it."""

    run: Run
    motion: Motion
    errors: RigErrors
    _answer: Callable[[], Truth]

    @cached_property
    def truth(self) -> Truth:
        """The pad's noise-free answers."""
        return self._answer()


def simulated_run(
    material: str, lot: int = 1, pad: int = 1, seed: int = 0, procedure: str | Procedure = "standard",
    **more: Any,
) -> tuple[Run, Truth]:
    """The run and the truth of :func:`simulate`, which see."""
    both = simulate(material, lot=lot, pad=pad, seed=seed, procedure=procedure, **more)
    return both.run, both.truth


def simulate(
    material: str, *, lot: int = 1, pad: int = 1, seed: int = 0, procedure: str | Procedure = "standard",
    errors: RigErrors | None = None, rig: RigRecord | None = None, hand: Hand | None = None,
    lot_softness: float = 1.0, rate_hz: float = 50.0, drift_n: tuple[float, float] | None = None,
) -> SimulatedRun:
    """Record a fresh pad on the virtual rig, without a port.

    Parameters
    ----------
    material : str
        One of ``stocks.MATERIALS``.
    lot, pad, seed : int
        Which pad; ``seed`` also draws the hand, the noise and (unless given) the rig's errors.
    procedure : str or Procedure
        What is played. One that needs a rest first is played on a pad that was worked in and rested.
    errors : RigErrors, optional
        The rig's errors; drawn anew from its stated doubts if not given.
    rig : RigRecord, optional
        What the run will remember of its rig (the bench rig if not given); readings are turned into
        N and mm by its scales, not by its errors.
    lot_softness, drift_n
        As in :func:`make_pad` and :func:`simulate_readings`.
    """
    plan = read_procedure(procedure) if isinstance(procedure, str) else procedure
    key = [seed, *material.encode("ascii"), lot, pad]
    rng = np.random.default_rng(np.random.SeedSequence([*key, *plan.name.encode(), 7]))
    rig = rig or bench_record()
    if errors is None:
        errors = draw_errors(rig, rng)
    piece = prepared(make_pad(material, lot=lot, pad=pad, seed=seed, lot_softness=lot_softness), plan)

    def answer() -> Truth:
        twin = prepared(make_pad(material, lot=lot, pad=pad, seed=seed, lot_softness=lot_softness), plan)
        return truth(twin, plan)

    motion = play(piece, plan, hand=hand or Hand(), rate_hz=rate_hz, rng=rng)
    readings = simulate_readings(motion, errors, rng, instrument=rig.instruments[0], drift_n=drift_n)
    import pandas as pd

    force, displacement = rig.channel("force"), rig.channel("displacement")
    if force is None or displacement is None:
        raise ValueError(f"rig {rig.name} cannot record a pad: it needs force and displacement")
    samples = pd.DataFrame({
        "time_s": readings.clock_s - readings.clock_s[0],
        "force_n": force.sign * (force.scale * readings.force_counts + force.offset),
        "displacement_mm": displacement.sign * (displacement.scale * readings.displacement_counts
                                                + displacement.offset),
    })
    run = Run(
        id=f"simulated-{material.replace(' ', '-')}-{lot}-{pad}-{seed}", folder=Path("simulated"),
        kind=plan.kind, state="complete", start_utc="2026-01-01T00:00:00Z",
        pad=as_pad(piece), procedure=plan.to_json(), rig=rig,
        environment={"temperature_c": 21.0, "humidity_percent": 50.0}, _samples=samples)
    return SimulatedRun(run=run, motion=motion, errors=errors, _answer=answer)


def prepared(piece: VirtualPad, procedure: Procedure) -> VirtualPad:
    """Work a pad in and let it rest where the procedure asks for a rested pad; otherwise it is fresh."""
    if procedure.needs_rest_h:
        piece.work_in()
        piece.rest(3600.0 * procedure.needs_rest_h)
    return piece


def as_pad(piece: VirtualPad) -> Pad:
    """The pad as a person would write it into a pad file: thickness to the nearest 0.01 mm.

    >>> as_pad(make_pad("sheet cork")).material_class
    'cork'
    """
    return Pad(
        id=f"{piece.lot}-{piece.pad}", material=piece.material, material_class=piece.material_class,
        lot=str(piece.lot), outer_diameter_mm=piece.outer_mm, inner_diameter_mm=piece.inner_mm,
        thickness_mm=round(piece.thickness_mm, 2))
