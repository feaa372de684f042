"""The verdict on one lot, from everything that is on a shelf of its stock."""

from __future__ import annotations

from pathlib import Path

from padlab.decisions.batch_plan import plan_batch
from padlab.decisions.batch_readings import Unfitted
from padlab.decisions.certified import Certified, Stock, certify
from padlab.decisions.shelf_choice import Player
from padlab.drift.touch import net_strokes
from padlab.errors import RunError
from padlab.fitting.each_run import FitEach, fit_each
from padlab.fitting.many import Asked
from padlab.records.gauge import readings_of
from padlab.records.run import Run
from padlab.records.shelf import find_runs
from padlab.records.spec import Spec


def judged_lot(shelf: Path, spec: Spec, lot: str, *, player: Player, fit: FitEach = fit_each) -> Certified:
    """Everything of the stock on the shelf, fitted where it must be, and the verdict on one lot.

    Parameters
    ----------
    shelf : Path
        Where the runs are.
    spec : Spec
        What the lot must keep to.
    lot : str
        The lot that is judged.
    player : callable
        A touch by its name, where the spec names one.
    fit : callable
        What fits the runs.

    Raises
    ------
    RunError
        There is no such lot, or a raw file is not what was recorded.
    InputError
        The risks ask for too many pads, no such touch.
    """
    plan = plan_batch(spec)
    strokes = None
    if spec.touch is not None:
        touch = player(spec.touch)
        strokes = net_strokes(touch, holding_n=touch.holding_n if spec.holding_n is None else spec.holding_n)
    on_file = find_runs([shelf])
    pads, wear, own = _of_stock(on_file, spec)
    lots = _lots(pads, wear, own)
    for wanted, why in ((lot, "to judge"), (spec.reference_lot, "to hold it against")):
        if wanted is not None and wanted not in lots:
            raise RunError(
                f"there is no lot {wanted[:60]!r} of {spec.material[:60]!r} {why}",
                expected="a lot on this shelf",
                seen=", ".join(repr(n[:60]) for n in lots[:30]) or _no_stock(on_file, spec),
                remedy="padlab shelf SHELF lists what is on file; names are spelt as in the pad files",
            )
    if all(c.name == "wear" or c.by_gauge for c in spec.characteristics):
        pads = []
    fits, failed = fit(pads, Asked())
    checks = [
        r
        for r in on_file
        if (r.kind == "check" and r.set_aside is None)
        or (r.gauge is not None and r.gauge.is_standard and r.set_aside is None)
    ]
    stock = Stock(
        fits=tuple(fits),
        unfitted=tuple(
            (n.run.pad.lot, Unfitted(n.run.id, n.run.pad.id, n.fault.message))
            for n in failed
            if n.run.pad is not None
        ),
        gauges=tuple((r, readings_of(r)) for r in own),
        checks=tuple(checks),
        runs=tuple(pads + own + wear),
        wear=tuple(wear),
    )
    return certify(plan, stock, lot=lot, strokes=strokes)


def _no_stock(on_file: list[Run], spec: Spec) -> str:
    """That the shelf has nothing of the stock, and what it has in its place."""
    pads = {r.pad.material for r in on_file if r.pad}
    others = sorted(pads | {r.gauge.material for r in on_file if r.gauge})
    there = ", ".join(repr(name[:60]) for name in others[:30] if name != spec.material) or "no other stock"
    return f"nothing of {spec.material[:60]!r} that can be judged; on file: {there}"


def lots_on(shelf: Path, spec: Spec) -> list[str]:
    """The lots of the spec's stock that are on a shelf, by name."""
    return _lots(*_of_stock(find_runs([shelf]), spec))


def _of_stock(on_file: list[Run], spec: Spec) -> tuple[list[Run], list[Run], list[Run]]:
    """Pad runs, wear runs and gauge readings of the spec's stock."""
    pads = [
        r
        for r in on_file
        if r.kind == "pad"
        and r.pad is not None
        and r.pad.material == spec.material
        and (spec.rig is None or (r.rig is not None and r.rig.name == spec.rig))
        and str((r.procedure or {}).get("name")) != "warm-up"
    ]
    asks_wear = any(c.name == "wear" for c in spec.characteristics)
    wear = [
        r
        for r in on_file
        if asks_wear and r.kind == "wear" and r.pad is not None and r.pad.material == spec.material
    ]
    own = [
        r
        for r in on_file
        if r.kind == "gauge"
        and r.gauge is not None
        and r.gauge.material == spec.material
        and not r.gauge.is_standard
        and r.set_aside is None
    ]
    return pads, wear, own


def _lots(pads: list[Run], wear: list[Run], own: list[Run]) -> list[str]:
    return sorted({r.pad.lot for r in (*pads, *wear) if r.pad} | {r.gauge.lot for r in own if r.gauge})
