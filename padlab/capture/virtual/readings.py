"""What a rig says of a motion: its errors, its noise, its clock, its whole counts.

A rig's errors are drawn once, from the doubts that its description states, and stay with it.

>>> quiet = RigErrors()
>>> quiet.force_scale, quiet.frame_mm_per_n
(0.0, 5e-05)
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.capture.virtual.hand import Motion
from padlab.records.rig_record import Channel, Instrument, RigRecord

Counts = NDArray[np.int64] | NDArray[np.float64]

FORCE_NOISE_N = 0.004
TRAVEL_NOISE_MM = 0.0008
ZERO_WANDER_N = 0.003
"""How far the force zero creeps over a run of some minutes, one standard deviation [N]."""


@dataclass(frozen=True)
class RigErrors:
    """What is wrong with one rig; a perfect one by default (but for a frame that gives)."""

    force_scale: float = 0.0           # relative: reading = true * (1 + force_scale) + force_offset_n
    force_offset_n: float = 0.0
    displacement_scale: float = 0.0    # relative
    displacement_zero_mm: float = 5.0  # the reading where the bare anvils touch
    frame_mm_per_n: float = 0.00005
    clock_ppm: float = 0.0             # the rig's clock runs fast by so much
    force_noise_n: float = FORCE_NOISE_N
    displacement_noise_mm: float = TRAVEL_NOISE_MM
    zero_wander_n: float = ZERO_WANDER_N


def draw_errors(rig: RigRecord, rng: np.random.Generator) -> RigErrors:
    """Draw one rig's errors from its stated standard uncertainties."""
    z = rng.standard_normal(5).tolist()
    force, displacement = rig.channel("force"), rig.channel("displacement")
    frame = rig.frame_compliance_mm_per_n
    return RigErrors(
        force_scale=z[0] * ((force and force.scale_uncertainty) or 0.0),
        force_offset_n=z[1] * ((force and force.offset_uncertainty) or 0.0),
        displacement_scale=z[2] * ((displacement and displacement.scale_uncertainty) or 0.0),
        displacement_zero_mm=float(rng.uniform(4.0, 6.0)),
        frame_mm_per_n=max(0.0, frame + z[3] * (rig.frame_compliance_uncertainty_mm_per_n or 0.0)),
        clock_ppm=30.0 * z[4],
    )


@dataclass(frozen=True)
class Readings:
    """What the rig's channels say, evenly sampled, in counts of each channel's scale; whole ones mostly."""

    clock_s: NDArray[np.float64]
    force_counts: Counts
    displacement_counts: Counts


def simulate_readings(
    motion: Motion, errors: RigErrors, rng: np.random.Generator, *, instrument: Instrument,
    drift_n: tuple[float, float] | None = None, stuck_s: Sequence[tuple[float, float]] = (),
) -> Readings:
    """Turn what happened into what the instrument sends.

    Parameters
    ----------
    motion : Motion
        What truly happened.
    errors : RigErrors
        The rig's own.
    rng : numpy.random.Generator
        For the noise.
    instrument : Instrument
        Scales, signs and limits of the channels.
    drift_n : (float, float), optional
        A fault: from the first number [s] on, the force zero drifts by the second [N] until the end.
    stuck_s : sequence of (float, float)
        A fault: between these times the force sticks at the cell's limit.
    """
    count = len(motion.time_s)
    channels = {c.quantity: c for c in instrument.channels}
    force_of, travel_of = channels.get("force"), channels.get("displacement")
    force = motion.force_n * (1.0 + errors.force_scale) + errors.force_offset_n
    force = force + errors.force_noise_n * rng.standard_normal(count)
    span = max(float(motion.time_s[-1]) if count else 0.0, 1.0)
    force = force + errors.zero_wander_n * float(rng.standard_normal()) * motion.time_s / span
    if drift_n is not None:
        from_s, by_n = drift_n
        left = max(span - from_s, 1.0)
        force = force + by_n * np.clip((motion.time_s - from_s) / left, 0.0, 1.0)
    for from_s, to_s in stuck_s:
        inside = (motion.time_s >= from_s) & (motion.time_s < to_s)
        force = np.where(inside, (force_of and force_of.limit) or 25.0, force)
    noise = errors.displacement_noise_mm * rng.standard_normal(count)
    place = motion.travel_mm - motion.free_height_mm + errors.frame_mm_per_n * motion.force_n
    place = (place + noise) * (1.0 + errors.displacement_scale) + errors.displacement_zero_mm
    return Readings(
        clock_s=motion.time_s * (1.0 + 1e-6 * errors.clock_ppm),
        force_counts=_counts(force_of, force), displacement_counts=_counts(travel_of, place))


def step_of(channel: Channel) -> float:
    """The step of a channel's readings: whole counts, or finer where its readings have decimals."""
    return 1.0 if channel.resolution is None else min(1.0, channel.resolution / abs(channel.scale))


def _counts(channel: Channel | None, value: NDArray[np.float64]) -> Counts:
    """What a channel says of a value; nothing at all without one."""
    if channel is None:
        return np.zeros(value.size, dtype=np.int64)
    reading, step = (value / channel.sign - channel.offset) / channel.scale, step_of(channel)
    return np.round(reading).astype(np.int64) if step == 1.0 else np.round(reading / step) * step
