"""A table of references and readings -> a calibration of force or displacement.

weights, gauge blocks --reference--> reading = curve(reference) --> the value of any later reading
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.calibration.classes import Check, checks_of, class_from, step_of
from padlab.calibration.reading_fit import ReadingFit, fit_readings
from padlab.errors import InputError
from padlab.marks import Mark, mark
from padlab.records.pad import F0_N
from padlab.statistics.quantity import Quantity, with_doubt

Array = NDArray[np.float64]

WAYS = {"up": "up", "rising": "up", "loading": "up", "+": "up", "1": "up",
        "down": "down", "falling": "down", "unloading": "down", "-": "down", "-1": "down"}
"""What the direction column may say."""


@dataclass(frozen=True)
class ReadingTable:
    """What was set and what was read, in the order it was done; arrays (n,).

    ``reference`` in N or mm; ``unit`` is the one it is printed in and ``factor`` how much of N or
    mm that is; ``reading`` in the table's own unit times ``reading_factor``.
    """

    reference: Array
    reading: Array
    unit: str
    factor: float = 1.0
    reading_unit: str | None = None      # None: as the instrument sends it
    reading_factor: float = 1.0
    direction: tuple[str, ...] | None = None
    series: tuple[str, ...] | None = None
    reference_relative_u: float | None = None
    reference_u: float | None = None


@dataclass(frozen=True)
class Calibrated:
    """A calibrated channel: its fit, what the readings say of it, and the marks."""

    kind: str
    table: ReadingTable
    fit: ReadingFit
    checks: tuple[Check, ...]
    marks: tuple[Mark, ...]


def directions(texts: Sequence[str]) -> tuple[str, ...]:
    """``up`` or ``down`` for each row.

    Raises
    ------
    InputError
        Something else.
    """
    strange = sorted({t for t in texts if t.casefold() not in WAYS})
    if strange:
        raise InputError(f"{strange[0][:40]!r} is no direction", expected="up or down in every row",
                         seen=", ".join(strange)[:100])
    return tuple(WAYS[t.casefold()] for t in texts)


def calibrate_readings(kind: str, table: ReadingTable) -> Calibrated:
    """Fit the reading on the reference and judge the channel.

    Raises
    ------
    FitError
        Too few readings, or readings that do not follow the reference.
    """
    sizes = np.abs(table.reference[table.reference != 0])
    lowest = float(sizes.min()) if sizes.size else None
    step = step_of(table.reference, table.reading / table.reading_factor) * table.reading_factor
    fit = fit_readings(table.reference, table.reading, lowest_verified=lowest, step=step,
                       reference_relative_u=table.reference_relative_u, reference_u=table.reference_u)
    checks = checks_of(kind, fit.curve, table.reference, table.reading, step=step,
                       direction=table.direction, series=table.series)
    kept = [c["from"] for c in class_from(checks)]
    if kind == "force" and kept:
        # A weight whose readings keep no class verifies nothing.
        lowest = min(kept)
        fit = replace(fit, curve=replace(fit.curve, lowest_verified=lowest))
    if kind == "displacement":
        apart, doubt = backlash_of(checks)
        fit = replace(fit, curve=replace(fit.curve, backlash=apart, backlash_u=doubt))
    found: list[Mark] = []
    if fit.lack_of_fit is None:
        found.append(mark("few_repeats", kind))
    elif not fit.lack_of_fit.accepted:
        found.append(mark("curve_refused", kind))
    if table.reference_relative_u is None and table.reference_u is None:
        found.append(mark("reference_doubt_unknown", kind))
    if kind == "force" and lowest is not None and lowest > F0_N:
        found.append(mark("lowest_force_unverified", kind,
                          f"forces under {lowest:.3g} N are not verified, and contact is at {F0_N} N: "
                          "hang a weight of 20 g too"))
    return Calibrated(kind, table, fit, checks, tuple(found))


def backlash_of(checks: Sequence[Check]) -> tuple[float | None, float | None]:
    """How much more is read on the way down than on the way up, mean over the references, and its doubt.

    None where no direction was given; where one reference only was met both ways, the doubt is as large as
    what was found there.
    """
    found = [level.value for c in checks if c.name == "reversibility" for level in c.levels]
    if not found:
        return None, None
    mean = float(np.mean(found))
    return mean, abs(mean) if len(found) == 1 else float(np.std(found, ddof=1)) / len(found) ** 0.5


def readings_answer(done: Calibrated, at: Sequence[float]) -> dict[str, Any]:
    """What ``padlab calibrate force|displacement --json`` prints, but for the id.

    Coefficients by rising power of the reference in the stated unit.
    """
    curve, table, factor = done.fit.curve, done.table, done.table.factor
    values, deviations = curve.by_power()
    scale = [factor**i / table.reading_factor for i in range(len(values))]
    coefficients = [with_doubt(v * s, d * s, degrees_of_freedom=curve.degrees_of_freedom)
                    for v, d, s in zip(values, deviations, scale, strict=True)]
    lack = done.fit.lack_of_fit
    return {
        "degree": curve.degree,
        "coefficients": [q.to_json() for q in coefficients],
        "coefficient_sd": [d * s for d, s in zip(deviations, scale, strict=True)],
        "residual_sd": curve.residual_sd / table.reading_factor,
        "degrees_of_freedom": curve.degrees_of_freedom,
        "lack_of_fit": None if lack is None
        else {"f": lack.f, "critical": lack.critical, "accepted": lack.accepted},
        "tried": [{"degree": t.degree, "f": t.f, "critical": t.critical, "accepted": t.accepted}
                  for t in done.fit.tests],
        "reference_unit": table.unit,
        "reading_unit": table.reading_unit,
        "from": curve.low / factor, "to": curve.high / factor,
        "lowest_verified": None if curve.lowest_verified is None else curve.lowest_verified / factor,
        "class_from": [{"class": c["class"], "from": c["from"] / factor} for c in class_from(done.checks)],
        "at": [{"reading": r, **_in_unit(curve.interval(r * table.reading_factor), factor).to_json()}
               for r in at],
        "checks": [c.to_json(factor) for c in done.checks],
        "marks": [m.to_json() for m in done.marks],
    }


def _in_unit(q: Quantity, factor: float) -> Quantity:
    return Quantity(q.value / factor, None if q.low is None else q.low / factor,
                    None if q.high is None else q.high / factor)
