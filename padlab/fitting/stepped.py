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
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import special

from padlab.fitting.fit import effective_share
from padlab.fitting.rounding import ON_STEPS

Array = NDArray[np.float64]

CELLS = 20
"""Readings are gathered in so many spans of log time, and within them by place and force."""
FINE = 10
"""Places within a step that are told apart."""
LEADS = (0.2, 0.5, 0.8)
"""How far ahead the pad's clock runs, as shares of the ramp: any is as likely."""
NOISES = (1 / 40, 1 / 16, 1 / 6.5, 1 / 3)
"""Noise before rounding, in steps: any size is as likely as another, on the log scale (design choice)."""
GRID = (10, 10, 6)
"""Places at 1 s, gains until the end and compliances that are weighed at a time."""
ZOOMS = 5
REACH, TABLE = 10.0, 20_000
"""The logarithm of a reading's chance is looked up: so many steps away, in so many parts."""
UNLIKELY = 12.0
"""Possibilities less likely than the best by exp of this are left out."""


@dataclass(frozen=True)
class Steps:
    """Readings of a hold as bounds: each stands for places within half a step of its middle; (n,) arrays."""

    time_s: Array
    middle_mm: Array             # what was read, less what a force over all before it pressed further
    below_n: Array               # force less the greatest until then
    most_mm_per_n: float         # the pad gives by between nothing and this of it
    step_mm: float
    ramp_s: float


@dataclass(frozen=True)
class Sunk:
    """Weighed possibilities (m,): lead of the clock, place at 1 s, and what a decade of that clock adds."""

    lead_s: Array
    at_one_mm: Array
    a_decade_mm: Array
    weight: Array


@dataclass(frozen=True)
class _Best:
    """The likeliest of all."""

    log_likely: float
    lead_s: float
    at_one_mm: float
    a_decade_mm: float
    mm_per_n: float
    noise_mm: float


def on_steps(shown_mm: Array, step_mm: float) -> bool:
    """Whether readings (n,) stand on steps of that size; not where somebody averaged them.

    >>> on_steps(0.0127 * np.array([3.0, 3.0, 4.0]) + 0.002, 0.0127)
    True
    """
    return step_mm > 0 and abs(complex(np.mean(np.exp(2j * np.pi * shown_mm / step_mm)))) >= ON_STEPS


def sunk_in(steps: Steps) -> Sunk:
    """What x(t) = a + b log10(t + t0), b >= 0, can have been, given the readings.

    Notes
    -----
    The likelihood of a reading is the share of a bell of its noise that lies within its bounds; a, the way
    made until the end, t0, the compliance to a force that falls short of the greatest, and the logarithm of
    the noise are as likely anywhere beforehand. Readings that
    follow each other closely, or a curve that they do not follow, tell less than their number: the
    likelihood is raised to a power below 1, from the residuals' correlation and size (quasi-likelihood;
    McCullagh & Nelder, Generalized Linear Models, 1989, ch. 9, from memory).
    """
    seen = _Gathered.of(steps)
    found, best = _weighed(steps, seen, 1.0)
    told = _told_share(steps, best)
    return found if told > 0.9 else _weighed(steps, seen, told)[0]


@dataclass(frozen=True)
class _Gathered:
    """Readings of like time, place and force, counted; (k,) arrays."""

    time_s: Array
    middle_mm: Array
    below_n: Array
    count: Array
    end_s: float

    @classmethod
    def of(cls, steps: Steps) -> _Gathered:
        t, x, f = steps.time_s, steps.middle_mm, steps.below_n
        edges = np.geomspace(t[0], t[-1] * 1.0001, CELLS + 1)
        keys = (np.searchsorted(edges, t, side="right"), np.round((x - x.min()) / steps.step_mm * FINE),
                np.round((f - f.min()) * steps.most_mm_per_n / steps.step_mm * FINE))
        _, which, count = np.unique(np.stack(keys, axis=1).astype(np.int64), axis=0, return_inverse=True,
                                    return_counts=True)
        which = which.ravel()

        def mean(values: Array) -> Array:
            return np.asarray(np.bincount(which, values) / count)

        return cls(np.exp(mean(np.log(t))), mean(x), mean(f), count.astype(float), float(t[-1]))


def _weighed(steps: Steps, seen: _Gathered, power: float) -> tuple[Sunk, _Best]:
    def fitted(lead: float, chance: Array, zooms: int = ZOOMS) -> tuple[Array, Array, float]:
        way = np.log10((seen.time_s + lead) / (1 + lead)) / _decades(seen, lead)
        return _places(steps, seen, way, chance, power, zooms)

    leads = [share * steps.ramp_s for share in LEADS]
    # A rough look first: where the readings tell the noise, the other sizes need no closer one.
    middle = leads[len(leads) // 2]
    chances = {share * steps.step_mm: _chances(share) for share in NOISES}
    rough = {noise: float(fitted(middle, chance, ZOOMS - 1)[1].max()) for noise, chance in chances.items()}
    noises = [noise for noise, top in rough.items() if top > max(rough.values()) - 2 * UNLIKELY]
    parts, best = [], _Best(-math.inf, 0.0, 0.0, 0.0, 0.0, 0.0)
    for lead in leads:
        decades = _decades(seen, lead)
        for noise in noises:
            (start, gain, give), log_likely, log_size = fitted(lead, chances[noise])
            top = int(np.argmax(log_likely))
            if log_likely[top] > best.log_likely:
                best = _Best(float(log_likely[top]), lead, float(start[top]), float(gain[top]) / decades,
                             float(give[top]), noise)
            parts.append(np.stack([np.full(start.size, lead), start, gain / decades, log_likely + log_size]))
    lead_s, at_one, slope, likely = np.concatenate(parts, axis=1)
    some = likely > likely.max() - UNLIKELY
    weight = np.exp(likely[some] - likely.max())
    return Sunk(lead_s[some], at_one[some], slope[some], weight / weight.sum()), best


def _decades(seen: _Gathered, lead_s: float) -> float:
    """From 1 s to the end, by a clock that runs ahead."""
    return math.log10((seen.end_s + lead_s) / (1 + lead_s))


@lru_cache(maxsize=len(NOISES))
def _chances(noise: float) -> Array:
    """Logarithm of the chance to be read at so many steps' distance from the place (m,); noise in steps."""
    away, half = np.linspace(0.0, REACH, TABLE + 1) / noise, 0.5 / noise
    share = special.ndtr(half - away) - special.ndtr(-half - away)
    # Far outside its bounds a reading's share is 0 in numbers; its logarithm goes on falling.
    return np.asarray(np.where(share > 1e-30, np.log(np.maximum(share, 1e-30)),
                               -69.0 - np.maximum(away - half, 0.0) ** 2 / 2))


def _places(steps: Steps, seen: _Gathered, way: Array, chance: Array, power: float,
            zooms: int) -> tuple[Array, Array, float]:
    """Place at 1 s, gain until the end and compliance (3, n), even over all that is likely, and the
    logarithms of the likelihood there (n,) and of the size of a cell of that grid, which is drawn closer
    until it fits.
    """
    step, middle = steps.step_mm, float(seen.middle_mm @ seen.count / seen.count.sum())
    low = np.array([middle - 2 * step, 0.0, 0.0])
    high = np.array([middle + 2 * step, 4 * step + float(np.ptp(seen.middle_mm)), steps.most_mm_per_n])
    highest, scale = high[2], TABLE / REACH / step
    for zoom in range(zooms):
        size = (high - low) / GRID
        start, gain, give = (low[i] + (np.arange(GRID[i]) + 0.5) * size[i] for i in range(3))
        moved = (gain[:, None] * way)[:, None, :] + give[:, None] * seen.below_n - seen.middle_mm
        at = np.minimum(np.abs(start[:, None, None, None] + moved) * scale, TABLE - 1.0)
        before = at.astype(np.int64)
        log_chance = chance[before]
        log_chance += (at - before) * (chance[before + 1] - log_chance)
        log_likely = power * (log_chance @ seen.count)
        likely = log_likely > log_likely.max() - UNLIKELY
        if zoom < zooms - 1:
            ends = [np.flatnonzero(likely.any(axis=tuple({0, 1, 2} - {i})))[[0, -1]] for i in range(3)]
            low, high = (np.array([low[i] + (ends[i][k] + more) * size[i] for i in range(3)])
                         for k, more in ((0, -1.0), (1, 2.0)))
            low[1:], high[2] = np.maximum(low[1:], 0.0), min(high[2], highest)
    grid = np.stack([g.ravel() for g in np.meshgrid(start, gain, give, indexing="ij")])
    return grid, log_likely.ravel(), float(np.log(size).sum())


def _told_share(steps: Steps, best: _Best) -> float:
    """By how much less than their number the readings tell: from residuals gathered over log time."""
    t, shown, noise = steps.time_s, steps.middle_mm, best.noise_mm
    place = best.at_one_mm + best.a_decade_mm * np.log10((t + best.lead_s) / (1 + best.lead_s)) \
        + best.mm_per_n * steps.below_n
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
