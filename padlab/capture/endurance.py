r"""An endurance run from a machine that presses by itself: every stroke counted, for weeks, in little memory.

    lines --> strokes (:mod:`padlab.signals.strokes`) --> one row each, strokes/
        \--> of strokes 1 to 10 and twenty a decade the lines themselves, raw/

padlab only reads. It neither starts nor stops the machine, so that nothing unforeseen moves when a run is
resumed; what makes the machine safe is its own. A rig with a motor that padlab drives is refused here: it is
driven only while somebody stands beside it.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from padlab.capture.endurance_follower import EnduranceFollower
from padlab.capture.events import Events
from padlab.capture.polled import port_for
from padlab.capture.procedure import Procedure
from padlab.capture.quiet import Quiet
from padlab.capture.recorder import GAP_S, Recorder, Screen, check_fits
from padlab.capture.rig import RigFile
from padlab.capture.source import Source
from padlab.capture.stroke_count import StrokeCount
from padlab.errors import InputError
from padlab.marks import Mark, mark
from padlab.records.calibration import calibrated_value, for_channel, read_calibration
from padlab.records.endurance import EnduranceRecording, check_resumes, reopen
from padlab.records.pad import Pad
from padlab.records.rig_record import Instrument, RigRecord
from padlab.records.run import Run
from padlab.records.shelf import Shelf
from padlab.records.stroke_log import parquet, read_strokes
from padlab.records.stroke_rows import is_kept
from padlab.signals.strokes import Rows, StrokeSummariser
from padlab.signals.wear_readings import wear_readings

if TYPE_CHECKING:
    import pandas as pd

    from padlab.records.calibration import Calibration

Array = NDArray[np.float64]

PATIENCE_S = 600.0
"""The machine may stand still for so long beyond a rest that was asked for [s]."""
GIVE_UP_S = 3600.0
"""A lost rig is waited for so long: nobody is there to see to its cable at once [s]."""
NOT_RUNNING = "padlab was not recording"


def check_endures(rig: RigRecord, procedure: Procedure, *, has_motor: bool) -> Instrument:
    """The one instrument that reads an endurance run.

    Raises
    ------
    InputError
        Not such a rig; pyarrow is not installed.
    """
    check_fits(rig, procedure)
    if has_motor:
        raise InputError(f"padlab does not drive the motor of rig {rig.name} for hours",
                         expected="a machine that presses by itself, with a guard and stops of its own",
                         seen="a rig with a [motor] that padlab drives",
                         remedy="describe the machine without [motor]: padlab then only reads and counts")
    reads = [i for i in rig.instruments
             if {"force", "displacement"} <= {c.quantity for c in i.channels}]
    if len(rig.instruments) != 1 or not reads:
        raise InputError(f"rig {rig.name} cannot record an endurance run",
                         expected="one instrument that reads force and displacement in one line",
                         seen=", ".join(f"{i.name}: {' and '.join(c.quantity for c in i.channels)}"
                                        for i in rig.instruments))
    parquet()
    return reads[0]


def record_endurance(
    rig: RigFile, procedure: Procedure, shelf: Shelf, *, screen: Screen, pad: Pad,
    environment: dict[str, Any] | None = None, note: str | None = None,
    should_stop: Callable[[], bool] = lambda: False,
    on_begin: Callable[[EnduranceRecording], None] = lambda recording: None,
    clock: Callable[[], float] = time.monotonic, wall: Callable[[], datetime] = lambda: datetime.now(UTC),
    patience_s: float = PATIENCE_S, give_up_s: float = GIVE_UP_S,
) -> Run:
    """Begin an endurance run and record it to its end, or until it is interrupted.

    Parameters are those of :func:`padlab.capture.recorder.record`.

    Raises
    ------
    InputError, RigError, RunError
        As there; a pad whose thickness is not known.
    """
    remembered = rig.to_record()
    check_endures(remembered, procedure, has_motor=rig.motor is not None)
    if pad.thickness_mm is None:
        raise InputError(f"pad {pad.id} has no thickness", expected="its thickness at F0, before the run",
                         seen="none", remedy="write thickness in the pad's file")

    def begin() -> tuple[EnduranceRecording, float, Recorder]:
        start_s = clock()
        recording = shelf.begin(
            kind=procedure.kind, procedure=procedure.to_json(), pad=pad, rig=remembered,
            environment=environment or {}, note=note, calibrations=_named(remembered), start_utc=wall(),
            monotonic_s=start_s, clock=clock, how=EnduranceRecording)
        assert isinstance(recording, EnduranceRecording)
        follower = EnduranceFollower(procedure)
        recorder = EnduranceRecorder(recording, follower, screen, clock, patience_s, give_up_s,
                                     calibrations=_calibrations(shelf.folder, _named(remembered)))
        return recording, start_s, recorder

    return _record(rig, begin, should_stop, on_begin, clock, give_up_s)


def resume_endurance(
    rig: RigFile, run: Run, *, screen: Screen, should_stop: Callable[[], bool] = lambda: False,
    on_begin: Callable[[EnduranceRecording], None] = lambda recording: None,
    clock: Callable[[], float] = time.monotonic, wall: Callable[[], datetime] = lambda: datetime.now(UTC),
    patience_s: float = PATIENCE_S, give_up_s: float = GIVE_UP_S,
) -> Run:
    """Go on with an interrupted endurance run, after a marked gap.

    Raises
    ------
    RunError
        Not such a run, another rig, or its strokes are damaged; nothing was changed.
    """
    check_resumes(run)
    remembered = rig.to_record()
    procedure = Procedure.from_json(run.procedure or {})
    check_endures(remembered, procedure, has_motor=rig.motor is not None)

    def begin() -> tuple[EnduranceRecording, float, Recorder]:
        now, now_s = wall(), clock()
        recording, last = reopen(run, remembered, on=now, clock=clock)
        since_s = (now - datetime.fromisoformat(run.start_utc)).total_seconds()
        if last is not None:
            ended_s = last["time_s"] + (last["duration_s"] if np.isfinite(last["duration_s"]) else 0.0)
            since_s = max(since_s, ended_s + 1e-3)    # a clock that was put back turns no time back
        held = run.endurance or {}
        number = 0 if last is None else int(last["stroke"])
        follower = EnduranceFollower(procedure, zero_n=held.get("zero_n"), last=number)
        first = next(read_strokes(run.folder, held.get("parts", {}), ("stroke", "at_f0_mm")), None)
        if first is not None:
            follower.begin_from(first["stroke"], first["at_f0_mm"])
        recorder = EnduranceRecorder(
            recording, follower, screen, clock, patience_s, give_up_s, base_s=since_s, last=last,
            calibrations=_calibrations(run.folder.parent.parent, run.calibrations),
            machine_start=held.get("machine_start"))
        return recording, now_s - since_s, recorder

    return _record(rig, begin, should_stop, on_begin, clock, give_up_s)


def _record(rig: RigFile, begin: Callable[[], tuple[EnduranceRecording, float, Recorder]],
            should_stop: Callable[[], bool], on_begin: Callable[[EnduranceRecording], None],
            clock: Callable[[], float], give_up_s: float) -> Run:
    """Open the port, begin, record, close."""
    [instrument] = rig.instrument
    events = Events()
    with ExitStack() as stack:
        port = stack.enter_context(port_for(instrument, events, clock, give_up_s))
        recording, start_s, recorder = begin()
        rate = instrument.lines_per_s
        recorder.sources[instrument.name] = Source(
            port, instrument.to_record(), start_s, max(GAP_S, 5 / rate) if rate else 10 * GAP_S, clock())
        try:
            on_begin(recording)
            port.start()
            recorder.run(events, should_stop)
        except BaseException as fault:
            recorder.quit_for(fault)
            raise
        port.close()
        recorder.take_rest(events)
        return recorder.close(_derive)


class EnduranceRecorder(Recorder):
    """The loop of a recording; of what comes it keeps a row a stroke, and some loops."""

    recording: EnduranceRecording
    follower: EnduranceFollower

    def __init__(self, recording: EnduranceRecording, follower: EnduranceFollower, screen: Screen,
                 clock: Callable[[], float], patience_s: float, give_up_s: float, *,
                 calibrations: tuple[Calibration, ...] = (), base_s: float = 0.0,
                 last: dict[str, float] | None = None, machine_start: float | None = None) -> None:
        super().__init__(recording, follower, screen, clock, patience_s + follower.longest_rest_s, give_up_s)
        self._calibrations, self._base_s = calibrations, base_s
        self._machine_start, self._last = machine_start, last
        self._is_resumed = follower.zero_n is not None
        self._quiet = Quiet()
        self._strokes: StrokeSummariser | None = None
        self._count: StrokeCount | None = None
        self._lines: list[str] = []                   # that may belong to a loop that is kept
        self._from = 0                                # number of the first of them in the stream

    def _store(self, source: Source, lines: list[str], times: Array, values: Array) -> None:
        times = times + self._base_s
        force, place = (self._value(source, q, values) for q in ("force", "displacement"))
        column = source.record.strokes
        machine = None if column is None else values[:, source.record.columns.index(column)]
        used = 0
        if self.follower.zero_n is None:
            found = self._quiet.feed(times, force)
            used = times.size if found is None else found[1]
            self.recording.append(source.record.name, lines[:used])
            self.follower.noise_n = self._quiet.noise_n
            if found is None:
                return
            self.follower.zero_n = found[0].level_n
            if machine is not None:
                self._machine_start = float(machine[max(used - 1, 0)])
            self.recording.begin_at(zero_n=found[0].level_n, machine_start=self._machine_start)
            self.follower.say(f"zero taken: {found[0].level_n:.3f} N; the machine may press now")
        if self._strokes is None:
            self._begin(source)
        assert self._strokes is not None
        self._lines += lines[used:]
        rows = self._strokes.feed(times[used:], force[used:], place[used:],
                                  None if machine is None else machine[used:])
        self._take_rows(source, rows)
        gone = max(self._strokes.needs_from - self._from, 0)     # below 0: a kept loop was written farther on
        del self._lines[:gone]
        self._from += gone

    def _begin(self, source: Source) -> None:
        assert self.follower.zero_n is not None
        self._strokes = StrokeSummariser(zero_n=self.follower.zero_n)
        last = self._last
        seen = self._machine_start if last is None else last["machine"]
        self._count = StrokeCount(
            modulus=source.record.strokes_modulus, last=self.follower.last,
            machine=None if seen is None or not np.isfinite(seen) else seen,
            time_s=-np.inf if last is None else last["time_s"], is_resumed=self._is_resumed)

    def _value(self, source: Source, quantity: str, values: Array) -> Array:
        """Readings of one quantity, as its calibration has them where the rig names one."""
        channel = next(c for c in source.record.channels if c.quantity == quantity)
        calibration = for_channel(self._calibrations, source.record.name, channel)
        if calibration is None:
            read = source.values(quantity, values)
            assert read is not None
            return read
        return calibrated_value(calibration, channel, values[:, source.record.columns.index(channel.name)])

    def _take_rows(self, source: Source, rows: Rows) -> None:
        """Number the strokes that have ended, keep them, and the lines of those whose loops are kept."""
        if not rows["time_s"].size:
            return
        assert self._count is not None
        first, missed = self._count.is_resumed, self._count.missed
        numbers = [self._count.number(t, m) for t, m in zip(rows["time_s"].tolist(), rows["machine"].tolist(),
                                                            strict=True)]
        mine = np.array([n is not None for n in numbers])
        stroke = np.array([-1.0 if n is None else n for n in numbers])
        if first:
            self._mark_the_gap(float(rows["time_s"][0]), self._count.missed - missed)
        for number, stop in zip(stroke[mine].tolist(), rows["stop"][mine].tolist(), strict=True):
            here = max(int(stop) - self._from, 0)
            if is_kept(np.array([number]))[0]:
                self.recording.append(source.record.name, self._lines[:here])
            del self._lines[:here]
            self._from += here
        kept = {name: values[mine] for name, values in rows.items() if name != "stop"}
        kept["stroke"] = stroke[mine]
        self.recording.add_strokes(kept)
        self.follower.take(stroke[mine], kept["time_s"], kept["at_f0_mm"])

    def _gap(self, source: Source, from_s: float, to_s: float, reason: str) -> None:
        super()._gap(source, from_s + self._base_s, to_s + self._base_s, reason)

    def _mark_the_gap(self, to_s: float, missed: int) -> None:
        """The gap between the last stroke that was kept and the first one after it."""
        assert self._count is not None
        last = self._last
        from_s = 0.0 if last is None else last["time_s"] + np.nan_to_num(last["duration_s"])
        if self._count.is_least:
            words = "how many strokes were made meanwhile is not known"
        else:
            words = f"{missed:,} strokes were made meanwhile: the machine counted them"
        self.recording.add_gap(float(min(from_s, to_s)), to_s, f"{NOT_RUNNING}; {words}")
        self.follower.say(f"the count goes on at {self._count.last:,}; {words}",
                          tone="poor" if self._count.is_least else "good")
        if self._count.is_least:
            self.recording.add_mark(mark("strokes_unknown", "run"))

    def take_rest(self, events: Events) -> None:
        """What was read but not yet stored; a stroke that has ended by then counts."""
        super().take_rest(events)
        [source] = self.sources.values()
        if self._strokes is not None:
            self._take_rows(source, self._strokes.finish())

    def close(self, derive: Callable[[Run], pd.DataFrame] | None) -> Run:
        """End the recording with all that is known of it."""
        self.marks += self._count_marks()
        return super().close(derive)

    def _count_marks(self) -> list[Mark]:
        found = []
        if self._count is not None and self._count.is_least:
            found.append(mark("strokes_unknown", "run"))
        if self._count is not None and self._count.twice:
            found.append(mark("readings_missing", "run", f"{self._count.twice} press(es) within one stroke "
                              "of the machine are not counted"))
        if self._strokes is not None and self._strokes.dropped:
            found.append(mark("readings_missing", "run", f"{self._strokes.dropped} reading(s) without a "
                              "number or out of time are left out"))
        return found

    def _judge(self, run: Run, samples: pd.DataFrame) -> list[Mark]:
        """Strokes that nobody read, over all that was recorded."""
        held = (run.endurance or {}).get("parts", {})
        rows, last = 0, 0.0
        for part in read_strokes(run.folder, held, ("stroke",)):
            rows += part["stroke"].size
            last = float(part["stroke"][-1]) if part["stroke"].size else last
        if last > rows:
            return [mark("strokes_missed", "run", f"{last - rows:,.0f} of {last:,.0f} strokes were counted "
                         "by the machine and not read")]
        return []


def _derive(run: Run) -> pd.DataFrame:
    return wear_readings(run)


def _named(rig: RigRecord) -> tuple[str, ...]:
    return tuple(sorted({c.calibration for i in rig.instruments for c in i.channels if c.calibration}))


def _calibrations(shelf_folder: Path, names: tuple[str, ...]) -> tuple[Calibration, ...]:
    return tuple(read_calibration(shelf_folder, name) for name in names)
