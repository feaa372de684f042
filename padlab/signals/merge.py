"""Raw readings of a rig -> one table of samples on one axis.

The axis is the rig's own clock where it sends one; where it sends none, a regular rate is fitted
to the chunk stamps of the host, and gaps are kept. Of several instruments the axis is the clock of
the one that measures force (or of the only one that has a clock); the others' readings are brought
to it through the host's time, as :mod:`padlab.signals.clocks` has it, and through the skew of the
instruments, as a calibration has it.

    cell   | | | | | | | | | | | | | | |      rows: the times of the faster instrument
    dial   .      .      .          .         the slower one's readings, between two of its own only
    rows     | | | | | | |            |       no row before its first, after its last, or in its gap
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from padlab.errors import RunError
from padlab.marks import Mark, mark
from padlab.records.calibration import calibrated_value, calibrations_of, for_channel
from padlab.signals.clocks import own_time_s, regular_s, stray_s, without_delay_s

if TYPE_CHECKING:
    import pandas as pd

    from padlab.records.calibration import Calibration
    from padlab.records.rig_record import Channel, Instrument
    from padlab.records.run import Run

Array = NDArray[np.float64]
Bools = NDArray[np.bool_]

COLUMN_OF = {"force": "force_n", "displacement": "displacement_mm", "temperature": "temperature_c"}
LEADING = ("force", "displacement")
"""Without these a row is worth nothing; a temperature that is missing leaves an empty cell."""
LONGEST_BRIDGED = 2.5
"""A slower instrument's readings are joined over one that is missing, not over more; design choice."""
TARGET_S = 2e-3
"""Standard uncertainty of a skew that the loop of a pad can bear; design choice [s]."""


@dataclass(frozen=True)
class InstrumentTime:
    """How the readings of one instrument were put on the run's axis.

    Attributes
    ----------
    has_clock : bool
        False where a regular rate, or the time of arrival, was used.
    skew_s, skew_uncertainty_s : float or None
        How much later it reports than the others, as was taken off; None = not known, not taken off [s].
    stray_s : float or None
        Root mean square by which its least delays leave its line; None = too short to tell [s].
    """

    instrument: str
    has_clock: bool
    skew_s: float | None = None
    skew_uncertainty_s: float | None = None
    stray_s: float | None = None


@dataclass(frozen=True)
class Merged:
    """Samples of several instruments, and how they came together.

    ``axis`` names the instrument whose time the axis is. ``time_uncertainty_s`` is the standard
    uncertainty of a displacement's time against a force's; None where the skew is not known [s].
    """

    samples: pd.DataFrame
    axis: str
    instruments: tuple[InstrumentTime, ...]
    time_uncertainty_s: float | None

    def to_json(self) -> dict[str, Any]:
        """All but the samples."""
        return {"axis": self.axis, "instruments": [asdict(i) for i in self.instruments],
                "time_uncertainty_s": self.time_uncertainty_s}


def samples_from_raw(run: Run, raw: dict[str, pd.DataFrame], *,
                     skew_s: Mapping[str, tuple[float, float]] | None = None) -> pd.DataFrame:
    """Turn what the instruments said into ``time_s, force_n, displacement_mm, ...``.

    Parameters
    ----------
    run : Run
        Its rig record says which column is what, in which unit, with which sign.
    raw : dict of DataFrame
        For each instrument the columns ``host_s`` and what the instrument sent.
    skew_s : mapping, optional
        Of each instrument that reports later than the others: by how much, and the standard
        uncertainty of that [s]. From the skew calibrations that the run names, if not given.

    Returns
    -------
    DataFrame
        ``time_s`` rises strictly; 0 is the first reading of the (force) instrument. Force is as read
        (its zero is found later, from the idle stretch); displacement is + where the pad gets thinner.
        Of several instruments ``attrs["merged"]`` tells how they came together.

    Raises
    ------
    RunError
        No rig record, or a calibration that is not on the run's shelf.
    """
    import pandas as pd

    if run.rig is None:
        raise RunError(f"run {run.id} has no rig", expected="a run recorded by padlab",
                       seen="a table recorded elsewhere", where={"run": run.id})
    heard = [i for i in run.rig.instruments if not _is_silent(raw.get(i.name))]
    if not heard:
        channels = [c for i in run.rig.instruments for c in i.channels]
        return pd.DataFrame({"time_s": np.zeros(0), **{COLUMN_OF[c.quantity]: np.zeros(0) for c in channels}})
    if len(run.rig.instruments) > 1:
        merged = merge(run, raw, skew_s=skew_s)
        merged.samples.attrs["merged"] = merged.to_json()
        return merged.samples
    [instrument] = heard
    table = raw[instrument.name]
    samples = pd.DataFrame({"time_s": axis_s(instrument, table),
                            **_values(instrument, table, calibrations_of(run))})
    return samples[_rising(samples["time_s"].to_numpy())].reset_index(drop=True)


def merge(run: Run, raw: dict[str, pd.DataFrame], *,
          skew_s: Mapping[str, tuple[float, float]] | None = None) -> Merged:
    """Bring the readings of several instruments to one axis; parameters as of :func:`samples_from_raw`.

    An instrument that sent nothing has no column. Rows stand where every instrument of force and
    displacement has readings on both sides, no further apart than two and a half of its usual steps.

    Raises
    ------
    RunError
        Nothing was sent, or a skew of an instrument that the rig does not have.
    """
    import pandas as pd

    if run.rig is None or all(_is_silent(raw.get(i.name)) for i in run.rig.instruments):
        raise RunError(f"run {run.id} has no readings", where={"run": run.id})
    calibrations = calibrations_of(run)
    skew = known_skew(calibrations) if skew_s is None else dict(skew_s)
    strange = sorted(set(skew) - {i.name for i in run.rig.instruments})
    if strange:
        raise RunError(f"a skew is given for {', '.join(strange)[:80]}, which run {run.id} does not have",
                       expected=", ".join(i.name for i in run.rig.instruments), seen=", ".join(strange)[:80])
    heard = [i for i in run.rig.instruments if not _is_silent(raw.get(i.name))]
    lead, axis = lead_of(heard), _axis_of(heard)
    times, strays = _on_axis(heard, raw, axis)
    zero = times[lead.name][0]
    lead_late = skew.get(lead.name, (0.0, 0.0))[0]
    for i in heard:
        times[i.name] = times[i.name] - zero - (skew.get(i.name, (0.0, 0.0))[0] - lead_late)

    tracks = {i.name: _Track.of(times[i.name], _values(i, raw[i.name], calibrations)) for i in heard}
    leading = [i for i in heard if _leads(i)] or [lead]
    fastest = min(leading, key=lambda i: tracks[i.name].step_s)
    rows = tracks[fastest.name].time_s
    columns, whole = {"time_s": rows}, np.ones(rows.size, dtype=np.bool_)
    for i in heard:
        if i is fastest:
            columns.update(tracks[i.name].values)
            continue
        found, inside = tracks[i.name].at(rows)
        columns.update(found)
        if i in leading:
            whole &= inside
    order = ["time_s", *(c for c in COLUMN_OF.values() if c in columns)]
    samples = pd.DataFrame({c: columns[c][whole] for c in order})
    told = tuple(InstrumentTime(i.name, _has_clock(i), *skew.get(i.name, _unless_known(skew)), strays[i.name])
                 for i in heard)
    doubt = None if not skew else math.hypot(
        *(t.skew_uncertainty_s or 0.0 for t in told), *(t.stray_s or 0.0 for t in told))
    return Merged(samples, axis.name, told, doubt)


def instrument_times(run: Run, raw: dict[str, pd.DataFrame]) -> dict[str, Array]:
    """The time of each instrument's readings on the run's axis, no skew taken off [s]; the silent left out.

    What a skew is measured on: the same times that :func:`merge` takes it off from.

    Raises
    ------
    RunError
        No rig record, or nothing was sent.
    """
    if run.rig is None or all(_is_silent(raw.get(i.name)) for i in run.rig.instruments):
        raise RunError(f"run {run.id} has no readings", where={"run": run.id})
    heard = [i for i in run.rig.instruments if not _is_silent(raw.get(i.name))]
    return _on_axis(heard, raw, _axis_of(heard))[0]


def known_skew(calibrations: Iterable[Calibration]) -> dict[str, tuple[float, float]]:
    """By how much each instrument is late, and the standard uncertainty of that [s]; the last one counts."""
    found: dict[str, tuple[float, float]] = {}
    for calibration in calibrations:
        skew = calibration.skew
        if skew is not None:
            found = {skew.late: (skew.skew_s, skew.standard_uncertainty_s), skew.early: (0.0, 0.0)}
    return found


def time_doubt_s(run: Run) -> float | None:
    """Standard uncertainty of a displacement's time against a force's, as the run's calibrations have it [s].

    0 where one instrument measures both; None where nothing is known of two.

    Raises
    ------
    RunError
        A calibration that is not on the run's shelf.
    """
    apart = set() if run.rig is None else {i.name for i in run.rig.instruments if _leads(i)}
    if len(apart) < 2:
        return 0.0
    skew = known_skew(calibrations_of(run))
    return math.hypot(*(skew[name][1] for name in apart)) if apart <= set(skew) else None


def skew_marks(run: Run) -> tuple[Mark, ...]:
    """Whether force and displacement come from two instruments whose skew is not known well enough.

    Raises
    ------
    RunError
        A calibration that is not on the run's shelf.
    """
    u = time_doubt_s(run)
    if u is None:
        return (mark("skew_uncertain", "run", "force and displacement come from two instruments, and by how "
                     "much one lags is not known: the loop may be too wide or too narrow"),)
    if u > TARGET_S:
        return (mark("skew_uncertain", "run", f"the skew of the instruments is known to {u * 1e3:.1f} ms; "
                     f"{TARGET_S * 1e3:g} ms are wanted"),)
    return ()


def lead_of(instruments: Iterable[Instrument]) -> Instrument:
    """The instrument that measures force; without one that of the displacement, else the first."""
    several = list(instruments)
    for quantity in LEADING:
        for i in several:
            if any(c.quantity == quantity for c in i.channels):
                return i
    return several[0]


def reading_to_value(channel: Channel, table: pd.DataFrame, calibration: Calibration | None = None) -> Array:
    """As its calibration has it, else sign * (scale * reading + offset), in the channel's unit."""
    reading = table[channel.name].to_numpy(dtype=np.float64)
    if calibration is not None:
        return calibrated_value(calibration, channel, reading)
    return channel.sign * (channel.scale * reading + channel.offset)


def axis_s(instrument: Instrument, table: pd.DataFrame) -> Array:
    """The time of each reading on the instrument's own axis [s], shape (n,), starting at 0."""
    if _has_clock(instrument):
        return own_time_s(instrument, table)[0]
    time = _arrival_s(instrument, table)
    return np.asarray(time - time[0], dtype=np.float64)


# -- several instruments ---------------------------------------------------------------------------


def _axis_of(heard: list[Instrument]) -> Instrument:
    """The instrument whose time the axis is."""
    lead, clocked = lead_of(heard), [i for i in heard if _has_clock(i)]
    return lead if lead in clocked or len(clocked) != 1 else clocked[0]


def _on_axis(heard: list[Instrument], raw: dict[str, pd.DataFrame],
             axis: Instrument) -> tuple[dict[str, Array], dict[str, float | None]]:
    """The time of every instrument's readings on that of one of them [s]; how far each clock strays [s]."""
    own, host, strays = {}, {}, {}
    for i in heard:
        stamps = raw[i.name]["host_s"].to_numpy(dtype=np.float64)
        if _has_clock(i):
            own[i.name], restarts = own_time_s(i, raw[i.name])
            host[i.name] = without_delay_s(own[i.name], stamps, restarts)
        else:
            own[i.name] = host[i.name] = _arrival_s(i, raw[i.name])
        strays[i.name] = stray_s(host[i.name], stamps)
    nodes, first = np.unique(host[axis.name], return_index=True)
    places = own[axis.name][first]
    rate = float((places[-1] - places[0]) / (nodes[-1] - nodes[0])) if nodes.size > 1 else 1.0
    times = {i.name: own[axis.name] if i is axis else _line_through(nodes, places, rate, host[i.name])
             for i in heard}
    return times, strays


def _line_through(nodes: Array, places: Array, rate: float, at: Array) -> Array:
    """Linear between the nodes, and on at the mean rate beyond them."""
    inside = np.interp(at, nodes, places)
    return np.asarray(inside + rate * (np.minimum(at - nodes[0], 0.0) + np.maximum(at - nodes[-1], 0.0)))


def _arrival_s(instrument: Instrument, table: pd.DataFrame) -> Array:
    """Times of readings without a clock, on the host's time [s]."""
    host = table["host_s"].to_numpy(dtype=np.float64)
    count = None
    if instrument.counter is not None and instrument.counter_modulus:
        said = table[instrument.counter].to_numpy(dtype=np.float64)
        step = np.mod(np.diff(said), instrument.counter_modulus)
        if np.all((step >= 1) & (step < 1000)):          # else it was reset, or damaged on the way
            count = np.concatenate([[0.0], np.cumsum(step)])
    return regular_s(host, count)


@dataclass(frozen=True)
class _Track:
    """The readings of one instrument on the run's axis, rising."""

    time_s: Array
    values: dict[str, Array]
    step_s: float

    @classmethod
    def of(cls, time: Array, values: dict[str, Array]) -> _Track:
        good = _rising(time)
        time = time[good]
        step = float(np.median(np.diff(time))) if time.size > 1 else math.inf
        return cls(time, {name: value[good] for name, value in values.items()}, step)

    def at(self, rows: Array) -> tuple[dict[str, Array], Bools]:
        """The values at other times, and where they are known; NaN where they are not.

        Between readings a local cubic is drawn (it does not ring where a hold begins): a straight line
        would cut 5 um off the turn of a stroke seen ten times a second.
        """
        from scipy.interpolate import Akima1DInterpolator

        out = {name: np.full(rows.size, np.nan) for name in self.values}
        inside = np.zeros(rows.size, dtype=np.bool_)
        breaks = (np.flatnonzero(np.diff(self.time_s) > LONGEST_BRIDGED * self.step_s) + 1).tolist()
        for a, b in zip([0, *breaks], [*breaks, self.time_s.size], strict=True):
            time = self.time_s[a:b]
            start, stop = np.searchsorted(rows, time[0], "left"), np.searchsorted(rows, time[-1], "right")
            inside[start:stop] = True
            for name, value in self.values.items():
                if time.size > 4:
                    curve = Akima1DInterpolator(time, value[a:b], method="makima")
                    out[name][start:stop] = curve(rows[start:stop])
                else:
                    out[name][start:stop] = np.interp(rows[start:stop], time, value[a:b])
        return out, inside


def _values(instrument: Instrument, table: pd.DataFrame,
            calibrations: Iterable[Calibration]) -> dict[str, Array]:
    several = tuple(calibrations)
    out: dict[str, Array] = {}
    for channel in instrument.channels:
        calibration = for_channel(several, instrument.name, channel)
        out.setdefault(COLUMN_OF[channel.quantity], reading_to_value(channel, table, calibration))
    return out


def _unless_known(skew: Mapping[str, object]) -> tuple[float | None, float | None]:
    """Of an instrument without an entry: not late where others' lateness against it is known."""
    return (0.0, 0.0) if skew else (None, None)


def _rising(time: Array) -> Bools:
    """Which readings are later than all before them."""
    before = np.concatenate([[-np.inf], np.maximum.accumulate(time)[:-1]])
    return np.asarray(time > before)


def _leads(instrument: Instrument) -> bool:
    return any(c.quantity in LEADING for c in instrument.channels)


def _has_clock(instrument: Instrument) -> bool:
    return instrument.clock is not None and instrument.clock_s_per_tick is not None


def _is_silent(table: pd.DataFrame | None) -> bool:
    return table is None or table.empty
