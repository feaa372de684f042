"""Loss of pads over their service -> when a pad of a stock needs renewing, with its doubt.

Each pad's own path is carried to the limit (:mod:`padlab.fitting.wear`); the logarithms of these lives are
what scatters between pads and between lots (:mod:`padlab.statistics.lifetimes`). The question is a new pad
from a lot that nobody has tested; where only one lot is on file the answer is about that lot and says so.

Wear goes by strokes, set by the calendar. Where the stock's set was followed over days at the same stop,
its mean joins each pad's wear at the stated strokes a year; else the wear stands alone, which is marked at
the up stop: there the spring presses day and night.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from padlab.errors import FitError, InputError
from padlab.fitting.results import Verdict
from padlab.fitting.wear import FARTHEST, LawPaths, Reach, StockPaths, fit_paths
from padlab.fitting.wear_run import Axis, PadLoss
from padlab.marks import Mark, mark
from padlab.statistics.lifetimes import Distribution, NewPad, maximum_likelihood, new_pad
from padlab.statistics.quantity import Quantity

Array = NDArray[np.float64]
Unit = Literal["years", "strokes"]

DAYS_A_YEAR = 365.25
FEWEST_REACHED = 2
"""A life is told only where so many pads, and more than half of all, come near the limit (design choice)."""
OPEN = 0.25
"""Standard error of the logarithm of a life from its own readings beyond which its path is undetermined."""
TOLD_YEARS = (0.25, 0.5, 1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 15.0)


@dataclass(frozen=True)
class Service:
    """How much a player plays."""

    strokes_per_day: float
    days_per_week: float

    def __post_init__(self) -> None:
        if not (0 < self.strokes_per_day <= 1e7 and 0 < self.days_per_week <= 7):
            raise InputError("no player plays like that", expected="up to 1e7 strokes a day, 7 days a week",
                             seen=f"{self.strokes_per_day:g} a day, {self.days_per_week:g} days a week")

    @property
    def strokes_per_year(self) -> float:
        """Strokes in a year of 365.25 days.

        >>> round(Service(2000, 250 / 365.25 * 7).strokes_per_year)
        500000
        """
        return self.strokes_per_day * self.days_per_week / 7 * DAYS_A_YEAR


@dataclass(frozen=True)
class PadLife:
    """One pad's part in the answer."""

    run: str
    pad: str
    lot: str
    loss: PadLoss
    reach: Reach
    life: float | None                   # on the axis; None where it is not reached
    verdict: Verdict | None              # of its path; None where it has lost nothing yet
    path_mm: Callable[[Array], Array]    # what is held against the limit, over the axis


@dataclass(frozen=True)
class Thinning:
    """The loss at one time: its value with the 95 % interval of the stock's middle."""

    strokes: float | None
    days: float
    loss_mm: Quantity
    is_extrapolated: bool


@dataclass(frozen=True)
class StockLife:
    """When pads of one stock need renewing; lives in years, and in strokes where strokes were counted."""

    material: str
    material_class: str
    limit_mm: float
    axis: Axis
    pads: tuple[PadLife, ...]
    lots: tuple[str, ...]
    paths: StockPaths
    per_year: float                      # axis units in a year
    new: NewPad | None                   # of the logarithm of the life on the axis; None: not reached
    longer_than: float | None            # on the axis: what every pad lasts at least
    distributions: tuple[Distribution, ...]
    thinning: tuple[Thinning, ...]
    marks: tuple[Mark, ...]

    @property
    def about(self) -> Literal["new lot", "this lot only"]:
        """Of which lot the answer speaks."""
        return "new lot" if len(self.lots) > 1 else "this lot only"

    @property
    def censored(self) -> int:
        """Pads whose path was not carried to the limit."""
        return sum(p.life is None for p in self.pads)

    @property
    def is_extrapolated(self) -> bool:
        """Whether a life rests on a path that was carried beyond its readings."""
        return any(p.reach.is_extrapolated for p in self.pads)

    def median(self, unit: Unit) -> Quantity | None:
        """Median life of the stock with its 95 % interval."""
        scale, new = self._scale(unit), self.new
        if scale is None or new is None:
            return None
        return Quantity(scale * math.exp(new.centre), _scaled(scale, new.centre_low95),
                        _scaled(scale, new.centre_high95))

    def interval90(self, unit: Unit) -> tuple[float, float] | None:
        """Where nine new pads of ten will lie."""
        scale, new = self._scale(unit), self.new
        if scale is None or new is None or new.low90 is None or new.high90 is None:
            return None
        return scale * math.exp(new.low90), scale * math.exp(new.high90)

    def b10_lower95(self, unit: Unit) -> float | None:
        """What nine pads of ten outlive, lower 95 % bound."""
        scale, new = self._scale(unit), self.new
        return None if scale is None or new is None else _scaled(scale, new.b10_lower95)

    def _scale(self, unit: Unit) -> float | None:
        if unit == "years":
            return 1 / self.per_year
        return 1.0 if self.axis == "strokes" else None

    def to_json(self) -> dict[str, Any]:
        """As ``padlab life --json`` prints it."""
        out: dict[str, Any] = {
            "material": self.material, "pads": len(self.pads), "lots": len(self.lots), "law": self.paths.law}
        units: tuple[Unit, ...] = ("years", "strokes")
        for unit in units:
            median, interval = self.median(unit), self.interval90(unit)
            out[f"median_{unit}"] = None if median is None else median.to_json()
            out[f"pad_interval90_{unit}"] = None if interval is None else dict(
                zip(("low", "high"), interval, strict=True))
            out[f"b10_lower95_{unit}"] = self.b10_lower95(unit)
        return {
            **out,
            "thinning_mm": [{"strokes": t.strokes, "days": t.days, **t.loss_mm.to_json(),
                             "extrapolated": t.is_extrapolated} for t in self.thinning],
            "about": self.about, "censored": self.censored, "extrapolated": self.is_extrapolated,
            "longer_than_years": None if self.longer_than is None else self.longer_than / self.per_year,
            "alternatives": [{"law": one.law, "aicc": round(one.aicc, 4), "weight": round(one.weight, 6)}
                             for one in self.paths.tried],
            "distributions": [
                {"name": d.name, **dict(zip(("mu", "sigma") if d.name == "lognormal" else ("shape", "scale"),
                                            d.parameters, strict=True)),
                 "log_likelihood": d.log_likelihood, "median_years": d.quantile(0.5) / self.per_year,
                 "b10_years": d.quantile(0.1) / self.per_year} for d in self.distributions],
            "each": [{"run": p.run, "pad": p.pad, "lot": p.lot,
                      "life_years": None if p.life is None else p.life / self.per_year,
                      "life_strokes": p.life if self.axis == "strokes" else None,
                      "last_reading": p.reach.last_reading, "axis": self.axis,
                      "log_life_error": p.reach.log_error,
                      "verdict": None if p.verdict is None else str(p.verdict),
                      "recoverable_mm": p.loss.recoverable_mm, "by_mass_mm": p.loss.by_mass_mm,
                      "set_mm": p.loss.set_mm} for p in self.pads],
            "marks": [m.to_json() for m in self.marks],
        }


def _scaled(scale: float, log_life: float | None) -> float | None:
    return None if log_life is None else scale * math.exp(log_life)


def stock_life(losses: Sequence[tuple[str, PadLoss]], *, material: str, material_class: str, limit_mm: float,
               service: Service, stop: Literal["up", "down"] = "down") -> StockLife:
    """When a new pad of a stock will have lost ``limit_mm``.

    Parameters
    ----------
    losses : sequence of (run, PadLoss)
        Of one stock at one stop. Where both are there, those over strokes are wear and those over days set.
    limit_mm : float
        Loss at which a pad is renewed [mm].

    Raises
    ------
    FitError
        No pad, or readings that no law fits.
    InputError
        A limit that is not over 0.
    """
    if not 0 < limit_mm < 10:
        raise InputError("no limit of a pad", expected="between 0 and 10 mm", seen=f"{limit_mm:g} mm")
    worn = [(run, loss) for run, loss in losses if loss.axis == "strokes"]
    set_by_days = [(run, loss) for run, loss in losses if loss.axis == "days"]
    axis: Axis = "strokes" if worn else "days"
    chosen = worn or set_by_days
    if not chosen:
        raise FitError(f"{material}: no pad was followed", expected="wear runs at this stop", seen="none")
    per_year = service.strokes_per_year if axis == "strokes" else DAYS_A_YEAR
    besides = _mean_set(set_by_days, per_year) if worn and set_by_days else None
    # A pad that has lost nothing yet has no path; it has outlived its readings, and must not be forgotten.
    moving = [one for one in chosen if float(np.max(one[1].readings.loss_mm)) > 0]
    paths = fit_paths([loss.readings for _, loss in moving or chosen])
    pads = (*(_pad_life(place, run, loss, paths, limit_mm, besides)
              for place, (run, loss) in enumerate(moving)),
            *(_still(run, loss) for run, loss in chosen if (run, loss) not in moving))
    lots = tuple(sorted({p.lot for p in pads}))
    reached = [p for p in pads if p.life is not None]
    new = None
    if len(reached) >= FEWEST_REACHED and 2 * len(reached) > len(pads):
        asked = _new_pad(pads, paths, limit_mm, besides)
        new = None if asked.low90 is None else asked         # no life without its interval
    told = new is not None
    return StockLife(
        material, material_class, limit_mm, axis, pads, lots, paths, per_year, new,
        None if told else min(p.life or FARTHEST * p.reach.last_reading for p in pads),
        _distributions(pads) if told else (), _thinning(pads, per_year, axis),
        _marks(chosen, pads, lots, paths, told, stop=stop,
               lacks_set=axis == "strokes" and besides is None and stop == "up"))


def _pad_life(place: int, run: str, loss: PadLoss, paths: StockPaths, limit_mm: float,
              besides: Callable[[float], float] | None) -> PadLife:
    """The life of one pad: of laws that tie, the mean of its logarithm by their Akaike weights."""
    path = paths.paths[place]
    reach = path.reaches(limit_mm, besides=besides)
    life = None
    if not reach.is_censored:
        logs = [(one.weight, math.log(n)) for one in paths.tied
                if math.isfinite(n := one.paths[place].reaches(limit_mm, besides=besides).strokes)]
        life = math.exp(sum(w * y for w, y in logs) / sum(w for w, _ in logs))

    def path_mm(n: Array) -> Array:
        more = 0.0 if besides is None else np.array([besides(float(one)) for one in n])
        return np.asarray(path.loss_mm(n) + more)

    return PadLife(run, path.readings.pad, path.readings.lot, loss, reach, life,
                   _verdict(paths, place, reach), path_mm)


def _verdict(paths: StockPaths, place: int, reach: Reach) -> Verdict:
    """Of the path: an open parameter does not matter where the limit's place is known all the same."""
    if paths.has_pattern:
        return Verdict.RESIDUAL_PATTERN
    verdict = paths.paths[place].fit.verdict
    is_known = reach.log_error is not None and reach.log_error < OPEN
    return Verdict.GOOD if verdict is Verdict.UNDETERMINED and is_known else verdict


def _still(run: str, loss: PadLoss) -> PadLife:
    reach = Reach(math.inf, None, float(loss.readings.strokes.max()))
    return PadLife(run, loss.readings.pad, loss.readings.lot, loss, reach, None, None,
                   lambda n: np.zeros_like(n, dtype=np.float64))


def _mean_set(set_by_days: Sequence[tuple[str, PadLoss]], per_year: float) -> Callable[[float], float]:
    """Mean set of the stock at a count of strokes, when so many are played in a year [mm]."""
    paths = fit_paths([loss.readings for _, loss in set_by_days]).paths

    def besides(strokes: float) -> float:
        days = np.array([strokes / per_year * DAYS_A_YEAR])
        return float(np.mean([path.loss_mm(days)[0] for path in paths]))

    return besides


def _by_lot(pads: Sequence[PadLife]) -> tuple[dict[str, list[float]], dict[str, list[float]]]:
    """Logarithms of lives reached, and of lower bounds of the others, by lot."""
    seen: dict[str, list[float]] = {}
    beyond: dict[str, list[float]] = {}
    for p in pads:
        if p.life is not None:
            seen.setdefault(p.lot, []).append(math.log(p.life))
        else:
            beyond.setdefault(p.lot, []).append(math.log(FARTHEST * p.reach.last_reading))
    return seen, beyond


def _new_pad(pads: Sequence[PadLife], paths: StockPaths, limit_mm: float,
             besides: Callable[[float], float] | None) -> NewPad:
    seen, beyond = _by_lot(pads)

    def centre(one: LawPaths) -> float:
        """Mean log life by one law, no path carried beyond what may be."""
        reaches = [path.reaches(limit_mm, besides=besides) for path in one.paths]
        return float(np.mean([math.log(min(r.strokes, FARTHEST * r.last_reading)) for r in reaches]))

    more = 0.0
    if len(paths.tied) > 1:
        # What the tied laws disagree by, as one error that all pads share.
        weights = np.array([one.weight for one in paths.tied])
        centres = np.array([centre(one) for one in paths.tied])
        more = float(np.cov(centres, aweights=weights, ddof=0))
    return new_pad(seen, censored=beyond, more_variance=more)


def _distributions(pads: Sequence[PadLife]) -> tuple[Distribution, ...]:
    lives = [p.life or FARTHEST * p.reach.last_reading for p in pads]
    reached = [p.life is not None for p in pads]
    found = (maximum_likelihood(lives, reached, name="lognormal"),
             maximum_likelihood(lives, reached, name="weibull"))
    return tuple(d for d in found if d is not None)


def _thinning(pads: Sequence[PadLife], per_year: float, axis: Axis) -> tuple[Thinning, ...]:
    """The middle of the stock's loss after so many years, as far as any path may be carried."""
    last = min(p.reach.last_reading for p in pads)
    told = []
    for years in TOLD_YEARS:
        at = years * per_year
        if at > FARTHEST * last:
            break
        by_lot: dict[str, list[float]] = {}
        for p in (p for p in pads if p.verdict is not None):
            by_lot.setdefault(p.lot, []).append(math.log(max(float(p.path_mm(np.array([at]))[0]), 1e-9)))
        middle = new_pad(by_lot)
        ends = (middle.centre_low95, middle.centre_high95)
        value = math.exp(middle.centre)
        told.append(Thinning(at if axis == "strokes" else None, years * DAYS_A_YEAR, Quantity(
            value, _scaled(1.0, ends[0]), _scaled(1.0, ends[1])), at > last))
    return tuple(told)


def _marks(chosen: Sequence[tuple[str, PadLoss]], pads: Sequence[PadLife], lots: Sequence[str],
           paths: StockPaths, told: bool, *, stop: str, lacks_set: bool) -> tuple[Mark, ...]:
    found: list[Mark] = []
    unreached = sum(p.life is None for p in pads)
    if len(lots) == 1:
        found.append(mark("this_lot_only", lots[0]))
    elif len(lots) == 2:
        found.append(mark("few_lots", "lots"))
    if not told:
        found.append(mark("life_not_reached", "life", f"{unreached} of {len(pads)} paths would need over "
                          "three times their readings to meet the limit: no life is told"
                          if unreached else "too few pads: no interval, so no life is told"))
    elif unreached:
        found.append(mark("paths_unreached", "life", f"{unreached} of {len(pads)} paths would need over "
                          "three times their readings; they count as lower bounds"))
    if any(p.reach.is_extrapolated for p in pads):
        found.append(mark("extrapolated", "life",
                          "the limit lies beyond the readings: carried on by the law"))
    if len(paths.tied) > 1:
        found.append(mark("laws_tied", "law", "not told apart: " + ", ".join(one.law for one in paths.tied)))
    bad = {p.pad: p.verdict for p in pads if p.verdict not in (Verdict.GOOD, None)}
    if bad:
        verdicts = " or ".join(sorted({v.words for v in bad.values() if v is not None}))
        found.append(mark("fit_not_good", "law", f"{paths.law}: {verdicts} for {len(bad)} of {len(pads)} "
                          f"pads: {', '.join(sorted(bad)[:6])}" if not paths.has_pattern else
                          f"{paths.law}: what it leaves has a pattern, which the interval does not know of"))
    if lacks_set:
        found.append(mark("set_not_measured", stop))
    by_code: dict[str, list[Mark]] = {}
    for _, loss in chosen:
        for m in loss.marks:
            by_code.setdefault(m.code, []).append(m)
    for _, alike in sorted(by_code.items()):
        found.append(alike[0] if len(alike) == 1 else mark(alike[0].code, f"{len(alike)} pads"))
    return tuple(found)
