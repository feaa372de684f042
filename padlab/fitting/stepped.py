"""A hold on an indicator of steps wider than the pad moves: a reading says between which two places it is.

The mean of rounded readings of a pad that hardly moves is not the mean of its places: most stand on one
step, and what is told lies in where they begin to change. So a reading is taken for what it is, a pair of
bounds (interval-censored), and all places at which the readings could have come about are weighed by how
likely they make them. A pad that crossed a step is then known nearly as well as on a fine indicator; one
that did not is known to have sunk by less than a step.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import special

from padlab.fitting.fit import effective_share
from padlab.fitting.rounding import ON_STEPS

Array = NDArray[np.float64]

CELLS = 20
"""Readings are gathered in so many spans of log time, and within them by place and force."""
FINE = 6
"""Places within a step that are told apart."""
POSSIBILITIES = 400
MOVES = 3
"""Each possibility is moved so many times before the readings count for more."""
KEPT = 6
"""So many moves of the whole are kept at the end."""
FAINT = 1e-30
"""A share below this is as good as none."""
NOISES = (1 / 50, 1 / 2.5)
"""Noise before rounding, in steps: any size between is as likely on the log scale (design choice)."""


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
    """Possibilities, each as likely as the next: (m,) arrays."""

    at_one_mm: Array             # place at 1 s
    a_decade_mm: Array           # what a decade of the pad's clock adds
    mm_per_n: Array              # compliance to a force below the greatest
    lead_s: Array                # of the pad's clock
    noise_mm: Array              # before rounding
    log_likely: Array

    def place_mm(self, steps: Steps) -> Array:
        """Where the likeliest of them puts the pad at each reading (n,)."""
        i, t = int(np.argmax(self.log_likely)), steps.time_s
        decades = np.log10((t + self.lead_s[i]) / (1 + self.lead_s[i]))
        return np.asarray(self.at_one_mm[i] + self.a_decade_mm[i] * decades
                          + self.mm_per_n[i] * steps.below_n)


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
    the noise are as likely anywhere beforehand. Readings that follow each other closely, or that do not
    follow the curve, tell less than their number: the likelihood is raised to a power below 1, from the
    residuals' correlation and size (quasi-likelihood; McCullagh & Nelder, Generalized Linear Models, 1989,
    ch. 9, from memory).
    """
    seen = _Gathered.of(steps)
    found = _drawn(steps, seen, 1.0)
    told = _told_share(steps, found)
    return found if told > 0.9 else _drawn(steps, seen, told)


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
        # A pad that crosses many steps is looked at in closer spans: in each it moves by less than its noise.
        spans = min(CELLS + round(10 * float(np.ptp(x)) / steps.step_mm), 3 * CELLS)
        edges = np.geomspace(t[0], t[-1] * 1.0001, spans + 1)
        keys = (np.searchsorted(edges, t, side="right"), np.round((x - x.min()) / steps.step_mm * FINE),
                np.round((f - f.min()) * steps.most_mm_per_n / steps.step_mm * FINE))
        _, which, count = np.unique(np.stack(keys, axis=1).astype(np.int64), axis=0, return_inverse=True,
                                    return_counts=True)
        which = which.ravel()

        def mean(values: Array) -> Array:
            return np.asarray(np.bincount(which, values) / count)

        return cls(np.exp(mean(np.log(t))), mean(x), mean(f), count.astype(float), float(t[-1]))


class _Possible:
    """The unit cube of all that is as likely beforehand, and the likelihood there."""

    def __init__(self, steps: Steps, seen: _Gathered) -> None:
        lowest, highest = float(seen.middle_mm.min()), float(seen.middle_mm.max())
        self.seen, self.step = seen, steps.step_mm
        self.low, self.high = np.array([
            [lowest - 2 * steps.step_mm, highest + 2 * steps.step_mm],
            [0.0, highest - lowest + 4 * steps.step_mm],
            [0.0, steps.most_mm_per_n],
            [0.0, steps.ramp_s],
            np.log(NOISES),
        ]).T

    def sunk(self, cube: Array, log_likely: Array) -> Sunk:
        start, gain, give, lead, noise = (self.low + cube * (self.high - self.low)).T
        return Sunk(start, gain / np.log10((self.seen.end_s + lead) / (1 + lead)), give, lead,
                    np.exp(noise) * self.step, log_likely)

    def log_likely(self, cube: Array) -> Array:
        """Of points of the cube (m, 5): (m,)."""
        s, seen = self.sunk(cube, np.empty(0)), self.seen
        decades = np.log10((seen.time_s + s.lead_s[:, None]) / (1 + s.lead_s[:, None]))
        place = (s.at_one_mm[:, None] + s.a_decade_mm[:, None] * decades
                 + s.mm_per_n[:, None] * seen.below_n)
        away = np.abs(place - seen.middle_mm) / s.noise_mm[:, None]
        half = (self.step / 2 / s.noise_mm)[:, None]
        share = special.ndtr(half - away) - special.ndtr(-half - away)
        # Far outside its bounds a reading's share is 0 in numbers; its logarithm goes on falling.
        told = np.where(share > FAINT, np.log(np.maximum(share, FAINT)),
                        np.log(FAINT) - np.maximum(away - half, 0.0) ** 2 / 2)
        return np.asarray(told @ seen.count)


def _drawn(steps: Steps, seen: _Gathered, most: float) -> Sunk:
    """Possibilities drawn by how likely they make the readings, raised to the power ``most``.

    The readings count little at first, and more with each round: the likelier possibilities are taken more
    often, and all are moved about (Del Moral, Doucet & Jasra, J. R. Stat. Soc. B 68 (2006) 411, from memory).
    The same readings give the same numbers: the dice are always the same.
    """
    possible, rng, n = _Possible(steps, seen), np.random.default_rng(1), POSSIBILITIES
    cube = rng.uniform(size=(n, 5))
    likely, power = possible.log_likely(cube), 0.0
    kept = []
    while power < most:
        more = _next_power(likely, power, most)
        weight = np.exp((more - power) * (likely - likely.max()))
        power = more
        taken = np.searchsorted(np.cumsum(weight / weight.sum()), (np.arange(n) + rng.uniform()) / n)
        cube, likely = cube[np.minimum(taken, n - 1)], likely[np.minimum(taken, n - 1)]
        for move in range(MOVES if power < most else MOVES + KEPT):
            # Wide and close moves by turns: what is likely may be long and thin.
            root = np.linalg.cholesky(np.cov(cube.T) + 1e-14 * np.eye(5)) * (1.0, 0.4)[move % 2]
            tried = cube + rng.standard_normal((n, 5)) @ root.T
            inside = ((tried >= 0) & (tried <= 1)).all(axis=1)
            there = np.full(n, -np.inf)
            there[inside] = possible.log_likely(tried[inside])
            better = np.log(rng.uniform(size=n)) < power * (there - likely)
            cube, likely = np.where(better[:, None], tried, cube), np.where(better, there, likely)
            if power >= most and move >= MOVES:
                kept.append((cube, likely))
    return possible.sunk(np.concatenate([c for c, _ in kept]), np.concatenate([one for _, one in kept]))


def _next_power(likely: Array, power: float, most: float) -> float:
    """The power at which half of the possibilities still count."""
    def count(more: float) -> float:
        weight = np.exp((more - power) * (likely - likely.max()))
        return float(weight.sum() ** 2 / (weight @ weight))

    if count(most) >= likely.size / 2:
        return most
    low, high = power, most
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (middle, high) if count(middle) >= likely.size / 2 else (low, middle)
    return max(low, power + 1e-12 * most)


def _told_share(steps: Steps, found: Sunk) -> float:
    """By how much less than their number the readings tell: from residuals gathered over log time."""
    t, shown, place = steps.time_s, steps.middle_mm, found.place_mm(steps)
    noise = float(found.noise_mm[int(np.argmax(found.log_likely))])
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
    # The likelihood is ruled by the long spans at the end: their residuals count by their readings.
    size = float(count[some] @ z**2 / count.sum()) * z.size / max(z.size - 3, 1)
    close = effective_share((shown - expected) / np.sqrt(variance + steps.step_mm**2 / 12 / t.size))
    return float(min(close, effective_share(z) / max(size, 1.0)))
