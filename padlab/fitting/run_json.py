"""The object of one run in ``padlab fit --json``."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from padlab.fitting.run_budget import give_mm
from padlab.records.pad import F0_N
from padlab.statistics.quantity import to_json

if TYPE_CHECKING:
    from padlab.fitting.compression import Curve, Limbs
    from padlab.fitting.kept import Response
    from padlab.fitting.results import Creep, RunFit
    from padlab.records.run import Run


def conditions_of(run: Run, *, cycles: list[int], rate_mm_per_s: dict[str, float] | None) -> dict[str, Any]:
    """What goes with every result of a run, in ``conditions``."""
    from padlab import __version__

    return {
        "preload_n": F0_N,
        "cycles": cycles,
        "rate_mm_per_s": rate_mm_per_s,
        "temperature_c": run.environment.get("temperature_c"),
        "humidity_percent": run.environment.get("humidity_percent"),
        "conditioning": run.environment.get("conditioning"),
        "calibrations": list(run.calibrations),
        "blank": run.blank,
        "padlab": __version__,
    }


def run_json(fit: RunFit, curve: Curve, *, at_forces_n: tuple[float, ...],
             give_forces_n: tuple[float, float]) -> dict[str, Any]:
    """Everything of one run, numbers as they are (no NaN, no Infinity); what was not reached is null."""
    good_to = curve.base.force_n[-1]
    law = fit.compression
    low, high = give_forces_n
    reaches = F0_N <= low < high <= good_to

    give = _quantity(curve, lambda c: give_mm(c, low, high), within=(low, high)) if reaches else None

    def at(force_n: float, of: Any, within: tuple[float, float] | None = None) -> dict[str, Any]:
        inside = F0_N <= force_n <= good_to
        return {"force_n": force_n, **(_quantity(curve, of, within=within) if inside else _nothing())}

    return {
        "run": fit.run,
        "pad": {"id": fit.pad.id, "material": fit.pad.material, "lot": fit.pad.lot},
        "thickness_mm": to_json(fit.thickness_mm),
        "good_to_n": round(float(good_to), 3),
        "conditions": fit.conditions,
        "budget": fit.budget.to_json() if fit.budget else None,
        "compression": {
            "law": law.law if law else None,
            "parameters": {n: to_json(q) for n, q in law.parameters.items()} if law else {},
            "tangent_stiffness_n_per_mm": [
                at(f, lambda c, f=f: c.at(c.loading_stiffness(), f)) for f in at_forces_n],
            "secant_stiffness_n_per_mm": {
                "from_n": low, "to_n": high,
                **(_turned(give, high - low) if give else _nothing())},
            "position_mm": [at(f, lambda c, f=f: c.at(c.mean_mm(), f), within=(F0_N, f))
                            for f in at_forces_n],
            "limb_half_gap_mm": [
                {"force_n": f, "value": _half_gap(curve.base, f) if F0_N <= f <= good_to else None}
                for f in at_forces_n],
            "give_mm": give,
            "alternatives": [dict(a) for a in (law.alternatives if law else ())],
            "verdict": str(law.verdict) if law else None,
        },
        "hysteresis": None if fit.hysteresis is None else {
            "peak_n": fit.hysteresis.peak_n,
            "loss_fraction": to_json(fit.hysteresis.loss_fraction),
            "loss_mj": to_json(fit.hysteresis.loss_mj),
            "steady_from_cycle": fit.hysteresis.steady_from_cycle,
            "verdict": str(fit.hysteresis.verdict),
        },
        "creep": _creep(fit.creep),
        "compression_set": None if fit.compression_set is None else {
            "set_mm": to_json(fit.compression_set.set_mm),
            "set_percent": to_json(fit.compression_set.set_percent),
            "after_s": fit.compression_set.after_s,
            "verdict": str(fit.compression_set.verdict),
        },
        "seating_mm": to_json(fit.seating_mm),
        "warm_up_mm": to_json(fit.warm_up_mm),
        "strokes": [asdict(s) for s in fit.strokes],
        "marks": [m.to_json() for m in fit.marks],
    }


def response_json(response: Response) -> dict[str, Any]:
    """How well the model that replays a touch did on what its fit never saw; or why there is none."""
    model = response.model
    held = None if model is None else model.held_back
    if model is None or held is None:
        return {"held_back_rms_mm": None, "why_not": response.why_not}
    return {"held_back_rms_mm": held.rms_mm, "held_back": [{"part": n, "rms_mm": v} for n, v in held.parts],
            "train_rms_mm": model.train_rms_mm, "band_half_width_mm": held.half_width_mm,
            "fitted_to_n": model.to_n, "operators_on": model.operators_on, "why_not": None}


def _half_gap(limbs: Limbs, force_n: float) -> float:
    return max(limbs.at(limbs.unloading_mm - limbs.loading_mm, force_n) / 2, 0.0)


def _quantity(curve: Curve, of: Any, *, within: tuple[float, float] | None = None) -> dict[str, Any]:
    """A number read off the curve; without replicates only a position's noise is known, not a slope's.

    ``within``: the forces between which it is a change of position.
    """
    if curve.replicates:
        return curve.quantity(of, within=None if within is None else curve.noise_mm(*within)).to_json()
    if within is None:
        return {"value": of(curve.base), "low": None, "high": None}
    return curve.quantity(of, within=curve.base.at(curve.within_mm, within[1])).to_json()


def _turned(give: dict[str, Any], force_n: float) -> dict[str, Any]:
    """A force over the give that it makes; the ends of the interval change places."""
    # A doubt as large as the give leaves none of it: 1 nm stands for nothing.
    value, low, high = (None if give[k] is None else force_n / max(give[k], 1e-6)
                        for k in ("value", "high", "low"))
    return {"value": value, "low": low, "high": high}


def _nothing() -> dict[str, None]:
    return {"value": None, "low": None, "high": None}


def _creep(creep: Creep | None) -> dict[str, Any] | None:
    if creep is None:
        return None
    return {
        "law": creep.law, "hold_force_n": creep.hold_force_n, "reference_s": 1,
        "fraction_per_decade": to_json(creep.fraction_per_decade),
        "predicted_mm": [_at_time(row) for row in creep.predicted],
        "alternatives": [{"law": a["law"], "predicted_mm": [_at_time(row) for row in a["predicted"]]}
                         for a in creep.alternatives],
        "verdict": str(creep.verdict),
    }


def _at_time(row: dict[str, Any]) -> dict[str, Any]:
    return {"at_s": row["at_s"], "extrapolated": row["extrapolated"], **(to_json(row["mm"]) or _nothing())}
