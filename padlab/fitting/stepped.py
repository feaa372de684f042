"""A hold on an indicator of steps wider than the pad moves: a reading says between which two places it is.

The mean of rounded readings of a pad that hardly moves is not the mean of its places: most stand on one
step, and what is told lies in where they begin to change. So a reading is taken for what it is, a pair of
bounds (interval-censored), and all places at which the readings could have come about are weighed by how
likely they make them. A pad that crossed a step is then known nearly as well as on a fine indicator; one
that did not is known to have sunk by less than a step.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from padlab.fitting.fit import effective_share
from padlab.fitting.rounding import ON_STEPS

Array = NDArray[np.float64]

CELLS = 20
"""Readings are gathered in so many spans of log time, and within them by their place."""
FINE = 12
"""Places within a step that are told apart."""
LEADS = (0.1, 0.3, 0.5, 0.7, 0.9)
"""How far ahead the pad's clock runs, as shares of the ramp: any is as likely."""
NOISES = (1 / 40, 1 / 16, 1 / 6.5, 1 / 3)
"""Noise before rounding, in steps: any size is as likely as another, on the log scale (design choice)."""
GRID = 20
ZOOMS = 4
UNLIKELY = 12.0
"""Places less likely than the best by exp of this are left out."""


@dataclass(frozen=True)
class Steps:
    """Readings of a hold as bounds: each stands for places within half a step of its middle; (n,) arrays."""

    time_s: Array
    middle_mm: Array             # what was read, the wander of the force taken off
    step_mm: float
    ramp_s: float


@dataclass(frozen=True)
class Sunk:
    """Weighed possibilities (m,): lead of the clock, place at 1 s, and what a decade of that clock adds."""

    lead_s: Array
    at_one_mm: Array
    a_decade_mm: Array
    weight: Array


def on_steps(shown_mm: Array, step_mm: float) -> bool:
    """Whether readings (n,) stand on steps of that size; not where somebody averaged them.

    >>> on_steps(0.0127 * np.array([3.0, 3.0, 4.0]) + 0.002, 0.0127)
    True
    """
    return step_mm > 0 and abs(complex(np.mean(np.exp(2j * np.pi * shown_mm / step_mm)))) >= ON_STEPS


@dataclass(frozen=True)
class _Best:
    """The likeliest of all."""

    log_likely: float
    lead_s: float
    at_one_mm: float
    a_decade_mm: float
    noise_mm: float


def sunk_in(steps: Steps) -> Sunk:
    """What x(t) = a + b log10(t + t0), b >= 0, can have been, given the readings.

    Notes
    -----
    The likelihood of a reading is the share of a bell of its noise that lies within its bounds; a, the way
    made until the end, t0 and the logarithm of the noise are as likely anywhere beforehand. Readings that
    follow each other closely, or a curve that they do not follow, tell less than their number: the
    likelihood is raised to a power below 1, from the residuals' correlation and size (quasi-likelihood;
    McCullagh & Nelder, Generalized Linear Models, 1989, ch. 9, from memory).
    """
    gathered = _Gathered.of(steps)
    found, best = _weighed(gathered, 1.0)
    told = _told_share(steps, best)
    return found if told > 0.9 else _weighed(gathered, told)[0]


@dataclass(frozen=True)
class _Gathered:
    """Readings of like time and place, counted; (k,) arrays."""

    time_s: Array
    middle_mm: Array
    count: Array
    step_mm: float
    ramp_s: float
    end_s: float

    @classmethod
    def of(cls, steps: Steps) -> _Gathered:
        t, x = steps.time_s, steps.middle_mm
        edges = np.geomspace(t[0], t[-1] * 1.0001, CELLS + 1)
        cell = np.searchsorted(edges, t, side="right")
        place = np.round((x - x.min()) / steps.step_mm * FINE).astype(np.int64)
        _, which, count = np.unique(cell * (place.max() + 1) + place, return_inverse=True, return_counts=True)
        return cls(np.exp(np.bincount(which, np.log(t)) / count), np.bincount(which, x) / count,
                   count.astype(float), steps.step_mm, steps.ramp_s, float(t[-1]))


def _weighed(seen: _Gathered, power: float) -> tuple[Sunk, _Best]:
    def fitted(lead: float, noise: float, zooms: int = ZOOMS) -> tuple[Array, Array, Array, float]:
        return _places(seen, np.log10((seen.time_s + lead) / (1 + lead)) / _decades(seen, lead), noise, power,
                       zooms)

    leads = [share * seen.ramp_s for share in LEADS]
    # A rough look first: where the readings tell the noise, the other sizes need no closer one.
    middle = leads[len(leads) // 2]
    rough = [float(fitted(middle, share * seen.step_mm, ZOOMS - 1)[2].max()) for share in NOISES]
    noises = [share * seen.step_mm for share, top in zip(NOISES, rough, strict=True)
              if top > max(rough) - 2 * UNLIKELY]
    parts, best = [], _Best(-math.inf, 0.0, 0.0, 0.0, 0.0)
    for lead in leads:
        decades = _decades(seen, lead)
        for noise in noises:
            start, gain, log_likely, log_size = fitted(lead, noise)
            top = int(np.argmax(log_likely))
            if log_likely[top] > best.log_likely:
                best = _Best(float(log_likely[top]), lead, float(start[top]), float(gain[top]) / decades,
                             noise)
            parts.append(np.stack([np.full(start.size, lead), start, gain / decades, log_likely + log_size]))
    lead_s, start, slope, likely = np.concatenate(parts, axis=1)
    some = likely > likely.max() - UNLIKELY
    weight = np.exp(likely[some] - likely.max())
    return Sunk(lead_s[some], start[some], slope[some], weight / weight.sum()), best


def _decades(seen: _Gathered, lead_s: float) -> float:
    """From 1 s to the end, by a clock that runs ahead."""
    return math.log10((seen.end_s + lead_s) / (1 + lead_s))


def _places(seen: _Gathered, way: Array, noise_mm: float, power: float,
            zooms: int) -> tuple[Array, Array, Array, float]:
    """Places at 1 s and gains until the end, even over all that is likely; the logarithms of the likelihood
    there (n,) and of the size of a cell of that grid, which is drawn closer until it fits.
    """
    step, middle = seen.step_mm, float(seen.middle_mm @ seen.count / seen.count.sum())
    low = np.array([middle - 2 * step, 0.0])
    high = np.array([middle + 2 * step, 4 * step + float(np.ptp(seen.middle_mm))])
    for zoom in range(zooms):
        size = (high - low) / GRID
        start, gain = (low[i] + (np.arange(GRID) + 0.5) * size[i] for i in (0, 1))
        place = start[:, None, None] + gain[:, None] * way
        away, half = np.abs(seen.middle_mm - place) / noise_mm, step / 2 / noise_mm
        share = special.ndtr(half - away) - special.ndtr(-half - away)
        # Far outside its bounds a reading's share is 0 in numbers; its logarithm goes on falling.
        log_share = np.where(share > 1e-30, np.log(np.maximum(share, 1e-30)), -69.0 - (away - half) ** 2 / 2)
        log_likely = power * (log_share @ seen.count)
        likely = log_likely > log_likely.max() - UNLIKELY
        if zoom < zooms - 1:
            ends = [np.flatnonzero(likely.any(axis=1 - i))[[0, -1]] for i in (0, 1)]
            low, high = (np.array([low[i] + (ends[i][k] + more) * size[i] for i in (0, 1)])
                         for k, more in ((0, -1.0), (1, 2.0)))
            low[1] = max(low[1], 0.0)
    return (np.repeat(start, GRID), np.tile(gain, GRID), log_likely.ravel(),
            math.log(size[0] * size[1]))


def _told_share(steps: Steps, best: _Best) -> float:
    """By how much less than their number the readings tell: from residuals gathered over log time."""
    t, shown, noise = steps.time_s, steps.middle_mm, best.noise_mm
    place = best.at_one_mm + best.a_decade_mm * np.log10((t + best.lead_s) / (1 + best.lead_s))
    # What could have been read instead: the steps on either side of the place.
    near = shown + steps.step_mm * np.round((place - shown) / steps.step_mm)
    others = near[:, None] + steps.step_mm * np.arange(-2, 3)
    half = steps.step_mm / 2
    chance = (special.ndtr((others + half - place[:, None]) / noise)
              - special.ndtr((others - half - place[:, None]) / noise))
    expected = (chance * others).sum(axis=1)
    variance = (chance * (others - expected[:, None]) ** 2).sum(axis=1)
    cell = np.searchsorted(np.geomspace(t[0], t[-1] * 1.0001, CELLS + 1), t, side="right") - 1
    count = np.bincount(cell, minlength=CELLS)
    some = count > 0
    left = np.bincount(cell, shown - expected, CELLS)[some]
    # A reading that stands on its step for certain has no scatter of its own; one in all could be another's.
    spread = np.sqrt(np.bincount(cell, variance, CELLS)[some] + steps.step_mm**2 / 12)
    z = left / spread
    size = float(z @ z) / max(z.size - 3, 1)
    return float(effective_share(z) / max(size, 1.0))
