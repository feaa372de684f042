"""Raw readings of a rig -> one table of samples on one axis.

The axis is the rig's own clock where it sends one; where it sends none, a regular rate is fitted
to the chunk stamps of the host, and gaps are kept. One instrument for now: several instruments
with several clocks need a skew that is known, and are refused until it is.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from padlab.errors import RunError
from padlab.records.calibration import calibrated_value, calibrations_of, for_channel

if TYPE_CHECKING:
    import pandas as pd

    from padlab.records.calibration import Calibration
    from padlab.records.rig_record import Channel, Instrument
    from padlab.records.run import Run

Array = NDArray[np.float64]

COLUMN_OF = {"force": "force_n", "displacement": "displacement_mm", "temperature": "temperature_c"}
GAP_S = 1.0
"""Host silence that counts as a gap where the rig has no clock [s]; a chunk comes every few ms."""


def samples_from_raw(run: Run, raw: dict[str, pd.DataFrame]) -> pd.DataFrame:
    """Turn what the instruments said into ``time_s, force_n, displacement_mm, ...``.

    Parameters
    ----------
    run : Run
        Its rig record says which column is what, in which unit, with which sign.
    raw : dict of DataFrame
        For each instrument the columns ``host_s`` and what the instrument sent.

    Returns
    -------
    DataFrame
        ``time_s`` starts at 0 and rises strictly. Force is as read (its zero is found later,
        from the idle stretch); displacement is + where the pad gets thinner.

    Raises
    ------
    RunError
        No rig record, no readings, more than one instrument, or a calibration that is not on the
        run's shelf.
    """
    import pandas as pd

    if run.rig is None:
        raise RunError(f"run {run.id} has no rig", expected="a run recorded by padlab",
                       seen="a table recorded elsewhere", where={"run": run.id})
    if len(run.rig.instruments) != 1:
        raise RunError(
            f"run {run.id} has {len(run.rig.instruments)} instruments", expected="one instrument",
            seen=", ".join(i.name for i in run.rig.instruments),
            remedy="record both quantities through one instrument", where={"run": run.id},
        )
    instrument = run.rig.instruments[0]
    table = raw.get(instrument.name)
    columns: dict[str, Array] = {"time_s": np.zeros(0)}
    if table is None or table.empty:
        for channel in instrument.channels:
            columns.setdefault(COLUMN_OF[channel.quantity], np.zeros(0))
        return pd.DataFrame(columns)
    columns["time_s"] = axis_s(instrument, table)
    calibrations = calibrations_of(run)
    for channel in instrument.channels:
        calibration = for_channel(calibrations, instrument.name, channel)
        columns.setdefault(COLUMN_OF[channel.quantity], reading_to_value(channel, table, calibration))
    samples = pd.DataFrame(columns)
    rising = np.diff(samples["time_s"].to_numpy(), prepend=-np.inf) > 0
    return samples[rising].reset_index(drop=True)


def reading_to_value(channel: Channel, table: pd.DataFrame, calibration: Calibration | None = None) -> Array:
    """As its calibration has it, else sign * (scale * reading + offset), in the channel's unit."""
    reading = table[channel.name].to_numpy(dtype=np.float64)
    if calibration is not None:
        return calibrated_value(calibration, channel, reading)
    return channel.sign * (channel.scale * reading + channel.offset)


def axis_s(instrument: Instrument, table: pd.DataFrame) -> Array:
    """The time of each reading on the run's own axis [s], shape (n,), starting at 0."""
    host = table["host_s"].to_numpy(dtype=np.float64)
    if instrument.clock is None or instrument.clock_s_per_tick is None:
        return _regular_rate(host)
    tick = without_odd_ticks(table[instrument.clock].to_numpy(dtype=np.float64))
    time = tick * instrument.clock_s_per_tick
    step = np.diff(time)
    modulus = (instrument.clock_modulus or 0) * instrument.clock_s_per_tick
    back = np.flatnonzero(step < 0)
    if back.size == 0:
        return np.asarray(time - time[0], dtype=np.float64)
    rate = _clock_rate(time, host)
    for i in back:
        # A clock that steps back has wrapped if it was near its end; else the board has restarted.
        wrapped = modulus > 0 and time[i] > 0.9 * modulus and time[i + 1] < 0.1 * modulus
        step[i] = step[i] + modulus if wrapped else max((host[i + 1] - host[i]) * rate, 1e-6)
    return np.concatenate([[0.0], np.cumsum(step)])


def without_odd_ticks(tick: Array) -> Array:
    """Replace a tick that fits neither neighbour, though these fit each other: it was damaged on the way.

    One flipped bit would otherwise move the axis, and everything after it, by minutes.

    >>> without_odd_ticks(np.array([10.0, 20.0, 9000.0, 40.0, 50.0])).tolist()
    [10.0, 20.0, 30.0, 40.0, 50.0]
    """
    before, here, after = tick[:-2], tick[1:-1], tick[2:]
    odd = np.flatnonzero((before < after) & ((here < before) | (here > after)))
    if odd.size == 0:
        return tick
    mended = tick.copy()
    mended[odd + 1] = (before[odd] + after[odd]) / 2
    return mended


def _clock_rate(time: Array, host: Array) -> float:
    """Rig seconds in one host second, from the stretches in which the clock ran on."""
    step, host_step = np.diff(time), np.diff(host)
    on = step >= 0
    spent = float(host_step[on].sum())
    return float(step[on].sum()) / spent if spent > 0.2 else 1.0


def _regular_rate(host: Array) -> Array:
    """A regular rate fitted to chunk stamps, one stretch between gaps at a time.

    Readings of one chunk share its stamp, and a stamp is never early; the line through all the
    stamps of a stretch has the right slope, and its constant delay moves the whole axis only.
    """
    out = np.empty_like(host)
    edges = np.concatenate([[0], np.flatnonzero(np.diff(host) > GAP_S) + 1, [host.size]])
    last = -np.inf
    for a, b in zip(edges[:-1], edges[1:], strict=True):
        n = b - a
        if n < 3 or host[b - 1] <= host[a]:
            piece = host[a] + np.arange(n) * 1e-6
        else:
            slope, start = np.polyfit(np.arange(n), host[a:b], 1)
            piece = start + slope * np.arange(n)
        piece = piece + max(0.0, last + 1e-6 - piece[0])
        out[a:b] = piece
        last = float(piece[-1])
    return np.asarray(out - out[0], dtype=np.float64)
