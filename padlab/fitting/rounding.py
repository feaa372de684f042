"""Readings of a coarse indicator: what rounding makes of them on the average is taken off.

A stroke crosses every step of the indicator. Where in a step a pad stands at a force is told by the
strokes themselves, as soon as a curve over several steps is there: the mean of a rounded reading is then
known, and how far it lies from the place that was read is no longer an unknown that is alike in all
strokes.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

HARMONICS = 12
ON_STEPS = 0.95
"""Length of the mean of the readings turned round a circle of one step; 1 where all stand on steps."""
LEAST_NOISE = 0.05
"""Of a step: a noise that is smaller is not told apart from none."""


def rounding_mm(step_mm: float, noise_mm: float) -> float:
    """Standard uncertainty of the mean of many readings of one place, from the step that they are rounded to.

    What rounding leaves of a mean is a wave over the place whose harmonics a bell-shaped noise wipes out one
    by one: the k-th has the amplitude step/(pi k) exp(-2 (pi k noise/step)^2) (Widrow & Kollar,
    Quantization Noise, 2008, ch. 19, from memory). Without noise the root mean square is step/sqrt(12).

    >>> round(rounding_mm(0.0127, 0.0), 5), round(rounding_mm(0.001, 0.001), 8)
    (0.00367, 0.0)
    """
    if step_mm <= 0:
        return 0.0
    k = np.arange(1, 2000)
    amplitude = step_mm / (np.pi * k) * np.exp(-2 * (np.pi * k * noise_mm / step_mm) ** 2)
    return float(np.sqrt(np.sum(amplitude**2) / 2))


def mean_error_mm(place_mm: Array, *, step_mm: float, noise_mm: float) -> Array:
    """Mean of rounded readings of a place minus the place (n,), steps at the multiples of ``step_mm``.

    A wave over the place whose harmonics a bell-shaped noise wipes out one by one (Widrow & Kollar,
    Quantization Noise, 2008, ch. 19, from memory).

    >>> place = np.array([0.2, 0.51, 0.7])
    >>> [round(float(e), 2) for e in mean_error_mm(place, step_mm=1.0, noise_mm=0.05)]
    [-0.2, 0.07, 0.3]
    """
    share = place_mm / step_mm
    share = share - np.round(share)
    fine = np.linspace(-0.5, 0.5, 257)
    k = np.arange(1, HARMONICS + 1)
    left = np.exp(-2 * (np.pi * k * max(noise_mm / step_mm, LEAST_NOISE)) ** 2) / (np.pi * k)
    wave = np.sin(2 * np.pi * fine[:, None] * k) @ (left * (-1.0) ** k)
    return np.asarray(step_mm * np.interp(share, fine, wave))


def rounding_error_mm(shown_mm: Array, place_mm: Array, *, step_mm: float) -> Array | None:
    """Mean rounding error of readings (n,) of places (n,), both as the indicator has them.

    None where the readings do not stand on steps of that size: an indicator that is finer than stated, or
    readings that somebody averaged.
    """
    on_steps = complex(np.mean(np.exp(2j * np.pi * shown_mm / step_mm)))
    if abs(on_steps) < ON_STEPS:
        return None
    zero = float(np.angle(on_steps)) * step_mm / (2 * np.pi)
    # Of what the readings are away from the places, rounding makes a twelfth of a step squared.
    noise = math.sqrt(max(float(np.mean((shown_mm - place_mm) ** 2)) - step_mm**2 / 12, 0.0))
    return mean_error_mm(place_mm - zero, step_mm=step_mm, noise_mm=noise)
