"""A label for each pad of a cut list, and for its spares: to print, cut out and put in the bag.

Spares are 2 thou thicker and 2 thou thinner: what the check finds after fitting can then be met without
the knife.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from padlab import __version__
from padlab.decisions.cut_rows import Candidate, Choice
from padlab.drift.cutting import CUTTING_STEP_THOU, rounded_thou
from padlab.report.cut_list import VALVE_LENGTH, foot_words, plain_thou, working_order
from padlab.report.numbers import NOT_DETERMINED
from padlab.report.pages import environment, write_page
from padlab.units import MM_PER_THOU, thou
from padlab.words import one_line, shortened

SPARE_THOU = 2.0
NAME_LENGTH, LOT_LENGTH = 56, 24
"""Longer names are shortened in the middle: a label is small."""


@dataclass(frozen=True)
class Label:
    """One label, in words."""

    instrument: str
    stop: str
    spare: str                           # "" on the pad itself, else such as "SPARE +2 thou"
    stock: str
    lot: str
    cut: str
    cut_mm: str
    gauge: str
    ring: str
    caution: str


def labels_of(choice: Choice) -> list[Label]:
    """Three labels a stop that has a cut: the pad, the thicker spare, the thinner one."""
    found = []
    for line in working_order(choice):
        best, chosen = line.best, line.chosen
        if best is None or chosen is None:
            continue
        for more in (0.0, SPARE_THOU, -SPARE_THOU):
            if best.cut_thou + more <= 0:
                continue
            stop = f"valve {shortened(one_line(line.valve), VALVE_LENGTH)}, {line.side} stop"
            found.append(_label(shortened(one_line(choice.instrument.label), NAME_LENGTH), stop, best, more,
                                f"{chosen.stop.outer_mm:g} × {chosen.stop.inner_mm:g} mm"))
    return found


def labels_page(choice: Choice, *, made_on: str) -> str:
    """The labels; ``made_on`` stands on every one of them."""
    return environment().get_template("labels.html.j2").render(
        made_on=made_on, version=__version__, labels=labels_of(choice), foot=foot_words(choice.shop),
        title=shortened(one_line(choice.instrument.label), NAME_LENGTH))


def write_labels(choice: Choice, out: Path, *, made_on: str) -> None:
    """Write the labels whole or not at all."""
    write_page(out, "--labels", lambda: labels_page(choice, made_on=made_on))


def _label(instrument: str, stop: str, best: Candidate, more: float, ring: str) -> Label:
    cut = best.cut_thou + more
    plan = best.sheet
    spare = "" if more == 0 else f"SPARE {more:+g} thou".replace("-", "\N{MINUS SIGN}")
    short = plan is not None and cut * MM_PER_THOU > plan.layers * plan.thickness_mm + 1e-9
    shims = "" if plan is None or not plan.shims_mm else \
        " on shims " + " + ".join(plain_thou(round(thou(s), 2)) for s in plan.shims_mm)
    layers = "" if plan is None or plan.layers == 1 else f", {plan.layers} layers"
    lot = "no sheet on hand" if plan is None else \
        f"lot {shortened(one_line(plan.lot), LOT_LENGTH)}{layers}{shims}"
    return Label(
        instrument, stop, spare, shortened(one_line(best.material), NAME_LENGTH), lot,
        f"{plain_thou(cut)} thou", f"{cut * MM_PER_THOU:.3f} mm", _gauge(best, cut), ring,
        "the sheet is too thin for it" if short else "")


def _gauge(best: Candidate, cut: float) -> str:
    """Go and no-go; those of a spare change with the cut as the gauge's reading of the pad itself does."""
    if best.gauge_seated_mm is None or best.go_thou is None or best.no_go_thou is None:
        return NOT_DETERMINED
    if cut == best.cut_thou:
        return f"go {plain_thou(best.go_thou)}, no-go {plain_thou(best.no_go_thou)}"
    middle = rounded_thou(best.gauge_seated_mm.value * cut / best.cut_thou)
    return f"go {plain_thou(middle + CUTTING_STEP_THOU)}, no-go {plain_thou(middle - CUTTING_STEP_THOU)}"
