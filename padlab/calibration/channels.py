"""What calibrations make of a run's rig: the doubt of its channels, and the marks they bring."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from padlab.marks import Mark, mark
from padlab.records.calibration import Calibration, for_channel, sense_of
from padlab.records.pad import F0_N
from padlab.records.rig_record import Channel, RigRecord
from padlab.records.run import Run


def calibrated_rig(rig: RigRecord | None, calibrations: Sequence[Calibration]) -> RigRecord | None:
    """The rig with each calibrated channel's stated doubt replaced by its calibration's own.

    A channel counts as calibrated only if the run names a calibration that serves it.
    """
    if rig is None:
        return None
    return replace(rig, instruments=tuple(
        replace(i, channels=tuple(_calibrated(c, for_channel(calibrations, i.name, c)) for c in i.channels))
        for i in rig.instruments))


def _calibrated(channel: Channel, calibration: Calibration | None) -> Channel:
    if calibration is None or calibration.curve is None:
        return replace(channel, calibration=None)
    curve = calibration.curve
    return replace(channel, calibration=calibration.id, scale_uncertainty=curve.scale_uncertainty(),
                   offset_uncertainty=None, local_uncertainty=curve.local_uncertainty(),
                   backlash=curve.backlash, backlash_uncertainty=curve.backlash_u)


def calibration_marks(run: Run, calibrations: Sequence[Calibration], *, force_n: tuple[float, float],
                      displacement_mm: tuple[float, float]) -> list[Mark]:
    """Marks for what is not calibrated, no longer calibrated, or beyond what was calibrated.

    Parameters
    ----------
    force_n, displacement_mm : (lowest, highest)
        What the results rest on, as the samples have it.
    """
    if run.rig is None:
        return []
    found: list[Mark] = []
    for calibration in calibrations:
        if calibration.is_expired(run.start_utc):
            found.append(mark("calibration_expired", calibration.kind,
                              f"recorded {run.start_utc[:10]}, after calibration {calibration.id} had "
                              f"expired on {calibration.expires[:10]}"))
    ranges = {"force": force_n, "displacement": displacement_mm}
    uncalibrated = []
    for instrument in run.rig.instruments:
        for channel in instrument.channels:
            if channel.quantity not in ranges:
                continue
            serving = for_channel(calibrations, instrument.name, channel)
            if serving is None:
                uncalibrated.append(channel.quantity)
            else:
                found += _range_marks(serving, channel, *ranges[channel.quantity])
    if uncalibrated:
        found.append(mark("uncalibrated", "rig") if len(uncalibrated) > 1 else mark(
            "uncalibrated", "rig", f"the rig's own stated scale and doubt were used for {uncalibrated[0]}, "
                                   "no calibration"))
    return found


def _range_marks(calibration: Calibration, channel: Channel, low: float, high: float) -> list[Mark]:
    curve = calibration.curve
    assert curve is not None                    # for_channel gives force and displacement only
    ends = sorted(sense_of(calibration, channel) * v for v in (low, high))
    about, unit = channel.quantity, channel.unit
    found = []
    if ends[0] < curve.low or ends[1] > curve.high:
        found.append(mark("beyond_calibration", about,
                          f"{about} went from {ends[0]:.4g} to {ends[1]:.4g} {unit}; calibration "
                          f"{calibration.id} covers {curve.low:.4g} to {curve.high:.4g} {unit}"))
    if about == "force" and curve.lowest_verified is not None and curve.lowest_verified > F0_N:
        found.append(mark("lowest_force_unverified", about,
                          f"forces under {curve.lowest_verified:.3g} N are not verified; contact is at "
                          f"{F0_N} N"))
    if curve.reference_relative_u is None and curve.reference_u is None:
        found.append(mark("reference_doubt_unknown", about))
    return found
