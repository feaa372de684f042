"""Fits made from a law, for the rooms that come after fitting: no run, no rig, known answers."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from padlab.fitting.results import Creep, Hysteresis, LimbCurves, RunFit, Verdict
from padlab.records.pad import F0_N, Pad
from padlab.statistics.quantity import Quantity


def curves_from(law: Callable, *, to_n: float = 18.0, points: int = 400, gap: float = 0.0,
                strokes: int = 5, scatter: float = 0.0, within_mm: float = 0.0, rig: dict | None = None,
                ) -> LimbCurves:
    """Curves of ``law(force_n) -> mm``; ``scatter`` is the relative sd between strokes."""
    force = np.geomspace(F0_N, to_n, points)
    force[0], force[-1] = F0_N, to_n
    position = law(force) - law(np.array([F0_N]))
    steps = np.linspace(-1, 1, strokes) if strokes > 1 else np.empty(0)
    factors = steps * scatter * np.sqrt(strokes) / (strokes - 1) / steps.std() if strokes > 1 else steps
    return LimbCurves(
        force_n=force, position_mm=position, half_gap_mm=gap * position * (1 - force / to_n),
        loading_stiffness_n_per_mm=1 / np.gradient(position, force),
        replicate_mm=position * (1 + factors[:, None]), within_mm=np.full(points, within_mm),
        rig_shift_mm={name: position * share for name, share in (rig or {}).items()})


@pytest.fixture
def make_fit() -> Callable[..., RunFit]:
    """A factory of RunFits; give it a law in mm over N, and whatever is to differ."""
    def make(law: Callable, *, run: str = "r1", pad: str = "p1", lot: str = "l1", material: str = "felt",
             material_class: str = "felt", outer: float = 19.0, inner: float = 8.0,
             thickness: float | None = 1.6, thickness_u: float | None = None, creep: float | None = 0.04,
             creep_u: float = 0.0, procedure: str = "standard", warm_up: float | None = None,
             rig_name: str | None = "bench-a", calibrations: tuple[str, ...] = (), marks: tuple = (),
             loss: float | None = 0.3, **curve) -> RunFit:
        half = None if thickness_u is None else 1.96 * thickness_u
        height = None if thickness is None else Quantity(
            thickness, None if half is None else thickness - half, None if half is None else thickness + half)
        held = None if creep is None else Creep(
            law="log", hold_force_n=3.5, fraction_per_decade=Quantity(creep),
            fraction_standard_uncertainty=creep_u, predicted=(), alternatives=(), verdict=Verdict.GOOD,
            measured_to_s=60.0)
        return RunFit(
            run=run, procedure=procedure,
            pad=Pad(pad, material, material_class, lot, outer, inner, thickness),
            rig=rig_name, calibrations=calibrations, temperature_c=21.0, curves=curves_from(law, **curve),
            thickness_mm=height, seating_mm=None, compression=None,
            hysteresis=None if loss is None else Hysteresis(18.0, Quantity(loss), None, 3, Verdict.GOOD),
            creep=held, compression_set=None, warm_up_mm=None if warm_up is None else Quantity(warm_up),
            strokes=(), conditions={}, marks=marks)
    return make
