"""One bench: its shelf, its rig, and the run that is made on it. There is one, however many tabs look.

    one thread:  listen -> (asked for a run) -> record -> listen ...
    the tabs:    start, stop, confirm, again, "I am here"   --> flags that the thread looks at
                 live state                                 <-- padlab.bench.live

The run is made by the same recorder as on the command line. A tab that is closed takes nothing with
it: the thread goes on, and the run is on the shelf. Only a motor is stopped when no tab says any more
that somebody is there.
"""

from __future__ import annotations

import logging
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from padlab.bench.asked import PAD_KEYS, AskedRun, asked_run, pad_as_typed
from padlab.bench.live import AXES, Live, steps_in_words
from padlab.capture.beside import (
    blank_for,
    check_calibrations,
    keep_cautions_shown,
    rigs_with_cautions_shown,
    skew_for,
)
from padlab.capture.prompts import Said
from padlab.capture.recorder import record
from padlab.capture.rig import RigFile, read_rig, rig_names
from padlab.capture.watch import listen
from padlab.errors import InputError, PadlabError, RigError, RunError
from padlab.records.calibration import read_calibration
from padlab.records.shelf import Shelf, open_run

if TYPE_CHECKING:
    from padlab.records.pad import Pad
    from padlab.records.recording import Recording
    from padlab.records.run import Run

log = logging.getLogger(__name__)

LOOK_S = 0.25
TURN_S = 1 / 30
"""A run is looked at so often while it is shown [s]."""
AGAIN_S = 1.0
"""A rig that is not there is tried again after so long [s]."""
SILENT_S = 3.0
"""A motor is stopped when no tab has said for so long that somebody is there [s]; tabs say it every half."""
CLOSE_S = 20.0
MOST_CONFIRMED = 1000


class Busy(InputError):
    """A run is being made; there is one rig, and one run at a time."""


class Bench:
    """What all tabs see and do.

    Parameters
    ----------
    shelf : Path
        Where runs are kept.
    rig : RigFile, optional
        The rig; one of those that padlab brings is chosen on the page if not given.
    clock : callable
        Monotonic seconds.
    """

    def __init__(self, shelf: Path, rig: RigFile | None = None, *,
                 clock: Callable[[], float] = time.monotonic) -> None:
        self.shelf, self.live, self._clock = shelf, Live(clock), clock
        self._news = threading.Condition()
        self._rig: RigFile | None = None
        self._asked: AskedRun | None = None
        self._is_busy = self._is_closing = False
        self._stop = threading.Event()
        self._confirmed = 0
        self._again = threading.Event()
        self._broken: dict[str, Any] | None = None
        self._watchers = 0
        self._here_s = clock()
        self._last_pad: dict[str, str] | None = None
        self._had_shelf = False
        if rig is not None:
            self._take_rig(rig)
        self._thread = threading.Thread(target=self._work, name="bench")

    def open(self) -> None:
        """Look whether a run was broken off, then begin to listen."""
        self.shelf_is_gone()
        self._broken = self._newest_broken()
        self._thread.start()

    def close(self) -> None:
        """End a run that is made (it is kept) and the listening."""
        with self._news:
            self._is_closing = True
            self._stop.set()
            self._news.notify_all()
        self._thread.join(CLOSE_S)

    # -- what tabs do ------------------------------------------------------------------------------------

    def watch(self, by: int) -> None:
        """A tab came (1) or went (-1). That does not say that somebody stands at the rig."""
        with self._news:
            self._watchers += by
            self._news.notify_all()

    def here(self) -> None:
        """A tab says that somebody is there."""
        self._here_s = self._clock()

    def choose_rig(self, name: Any) -> None:
        """Take one of the rigs that padlab brings.

        Raises
        ------
        InputError
            No such name, or a run is being made.
        """
        if name not in rig_names():                        # a name, never a path
            raise InputError("no such rig", expected="one of " + ", ".join(rig_names()), seen=repr(name)[:60])
        with self._news:
            if self._is_busy:
                raise Busy("a run is being made on the rig", expected="a rig at rest", seen="a run",
                           remedy="wait until it has ended, or stop it")
            self._take_rig(read_rig(str(name)))
            self._news.notify_all()

    def start(self, form: dict[str, Any]) -> None:
        """Ask for a run; it begins as soon as the rig is open.

        Raises
        ------
        InputError
            Something that was filled in is at fault, no rig was chosen, or a run is being made.
        RunError
            A calibration that the rig names is not on the shelf.
        """
        rig = self._rig
        if rig is None:
            raise InputError("choose a rig first", expected="a rig", seen="none")
        asked = asked_run(form, rig)
        self.need_shelf()
        check_calibrations(rig.to_record(), self.shelf)
        with self._news:
            if self._is_busy or self._is_closing:
                raise Busy("a run is being made already", expected="one run at a time", seen="a second",
                           remedy="wait until it has ended, or stop it")
            self._is_busy, self._asked = True, asked
            self._stop.clear()
            self._again.clear()
            self._confirmed, self._broken = 0, None
            self._here_s = self._clock()
            if asked.pad is not None:
                self._last_pad = pad_as_typed(asked.pad)
            self.live.new_loop(_axes(rig))
            self.live.put(phase="starting", trouble=None, result=None, run={
                "procedure": asked.procedure.name, "title": asked.procedure.title,
                "pad": None if asked.pad is None else _named(asked.pad),
                "steps": steps_in_words(asked.procedure.steps), "index": 0, "count": 0,
                "prompt": "opening the rig", "target": None, "zero_taken": False, "id": None,
                "by_weights": asked.procedure.is_by_weights, "has_motor": rig.motor is not None})
            self._news.notify_all()

    def stop(self) -> None:
        """End the run; what was recorded is kept."""
        self._stop.set()

    def confirm(self) -> str:
        """The space bar: the weight is on. Gives what it was taken for, in words."""
        run = self.live.state()["run"]
        if run is None or not self._is_busy:
            return "no run is being made"
        if not run["by_weights"]:
            return "nothing to press: the readings show when a step is done"
        with self._news:
            self._confirmed = min(self._confirmed + 1, MOST_CONFIRMED)
        return "noted: the weight is on"

    def again(self) -> str:
        """Take back the last press, so that it is asked for once more. Gives what was done, in words."""
        run = self.live.state()["run"]
        if run is None or not self._is_busy:
            return "no run is being made"
        if run["by_weights"]:
            return "a weight is not taken back: what was touched too soon is left out by itself; go on"
        if run["has_motor"]:
            return "a motor does nothing twice: stop the run, and begin another"
        self._again.set()
        return "the last press is to be taken back"

    def zero(self, on: Any) -> str:
        """Show readings less where the rig stands now, or as they come; for the eye only.

        Raises
        ------
        InputError
            Neither True nor False, or a run is being made.
        """
        if not isinstance(on, bool):
            raise InputError("zero or as read?", expected="on: true or false", seen=repr(on)[:40])
        if self._is_busy:
            raise Busy("a run takes its own zero", expected="a rig at rest", seen="a run")
        if self.live.zero(on):
            return "shown from zero; a run takes its own"
        return "nothing was read that could be the zero" if on else "shown as read"

    def need_shelf(self) -> None:
        """Refuse to put anything where a shelf was that is gone: nobody would look for it there.

        Raises
        ------
        RunError
            It is gone.
        """
        if self.shelf_is_gone():
            raise RunError(f"the shelf {str(self.shelf)[:200]!r} is gone", seen="no folder",
                           expected="the folder that was here",
                           remedy="put it back (is its disk plugged in?); or end padlab bench and "
                                  "start it anew, for a new shelf")

    # -- what the page shows besides ---------------------------------------------------------------------

    @property
    def rig(self) -> RigFile | None:
        """The rig that is used."""
        return self._rig

    def shelf_is_gone(self) -> bool:
        """Whether the shelf's folder was there once and is no more; a shelf is made by its first run."""
        try:
            is_there = self.shelf.is_dir()
        except OSError:
            is_there = False
        self._had_shelf = self._had_shelf or is_there
        return self._had_shelf and not is_there

    def broken_off(self) -> dict[str, Any] | None:
        """The newest run on the shelf, if its recording was cut off and none was begun here since."""
        return self._broken

    def trust_anew(self) -> None:
        """Read again what the rig's readings rest on: a calibration may have come, or have expired."""
        if self._rig is not None:
            self.live.put(rig=self._told_of(self._rig))

    def last_pad(self) -> dict[str, str]:
        """The pad that was filled in last, here or in the newest pad run on the shelf.

        Of a run that is complete its id does not stand there again: the next pad is another one, and two pads
        under one id would count as one.
        """
        if self._last_pad is None:
            self._last_pad = self._newest_pad()
        return self._last_pad

    def cautions_are_new(self) -> bool:
        """Whether this rig's cautions were never shown for this shelf."""
        return self._rig is None or self._rig.name not in rigs_with_cautions_shown(self.shelf)

    def _newest_broken(self) -> dict[str, Any] | None:
        """A run that nobody ended: its lock is free, and its record does not say why it ended."""
        for folder in Shelf(self.shelf).run_folders(passed_over=lambda _: None)[:1]:
            try:
                run = open_run(folder)
            except (RunError, OSError):
                return None                                # damaged: the list of what is on file says so
            if not run.was_cut_off or run.set_aside is not None:
                return None
            return {"run": run.id, "folder": str(run.folder), "kind": run.kind,
                    "start": run.start_utc[:16].replace("T", " "),
                    "rig": None if run.rig is None else run.rig.name,
                    "procedure": (run.procedure or {}).get("name"),
                    "pad": None if run.pad is None else _named(run.pad)}
        return None

    def _newest_pad(self) -> dict[str, str]:
        for folder in Shelf(self.shelf).run_folders(passed_over=lambda _: None)[:20]:
            try:
                run = open_run(folder)
            except (RunError, OSError):
                continue                                   # damaged: the list of what is on file says so
            if run.pad is not None:
                return {**pad_as_typed(run.pad), "id": ""}
        return dict.fromkeys(PAD_KEYS, "")

    # -- the thread ----------------------------------------------------------------------------------------

    def _take_rig(self, rig: RigFile) -> None:
        self._rig = rig
        self.live.forget()
        self.live.put(phase="lost", run=None, result=None, rig=self._told_of(rig),
                      trouble={"message": "not looked at yet",
                               "remedy": "it is opened as soon as a page looks on"})

    def _told_of(self, rig: RigFile) -> dict[str, Any]:
        return {"name": rig.name, "has_motor": rig.motor is not None, "trust": self._trust(rig)}

    def _trust(self, rig: RigFile) -> list[dict[str, str]]:
        """What each quantity rests on: in few words, what it weighs (as a mark does), and more."""
        told = []
        for channel in (c for i in rig.to_record().instruments for c in i.channels):
            words, weight, more = "not calibrated", "caution", "what the rig file states is taken"
            if channel.calibration is not None:
                more = f"calibration {channel.calibration}"
                try:
                    kept = read_calibration(self.shelf, channel.calibration)
                    words, weight = f"calibrated until {kept.expires[:10]}", "good"
                    if kept.is_expired(datetime.now(UTC).isoformat()):
                        words, weight = f"calibration expired on {kept.expires[:10]}", "caution"
                except (RunError, OSError):
                    words, weight = "calibration missing", "stop"
                    more = f"{channel.calibration} is not on this shelf: no run can be begun"
            told.append({"quantity": channel.quantity, "words": words, "weight": weight, "more": more})
        return told

    def _work(self) -> None:
        while True:
            with self._news:
                if self._is_closing:
                    return
                asked, rig = self._asked, self._rig
                if asked is None and (rig is None or self._watchers == 0):
                    self._news.wait()
                    continue
            assert rig is not None
            try:
                if asked is not None:
                    self._record(rig, asked)
                else:
                    self._listen(rig)
            except Exception as fault:          # the page must say what happened, and go on
                log.exception("at the rig")
                self._failed(PadlabError(f"a fault of padlab itself: {type(fault).__name__}: {fault}",
                                         remedy="nothing recorded is lost; please report this"))
            if asked is not None:
                with self._news:
                    self._asked, self._is_busy = None, False

    def _is_wanted(self) -> bool:
        return self._asked is not None or self._is_closing or self._watchers == 0

    def _listen(self, rig: RigFile) -> None:
        try:
            for looks in listen(rig, should_stop=lambda: self._is_wanted() or self._rig is not rig,
                                clock=self._clock, every_s=LOOK_S):
                if self._asked is None:
                    self.live.look(looks)
        except RigError as fault:
            if self._asked is None:
                self.live.put(phase="lost", trouble=fault.to_json())
                self.live.forget()
            with self._news:
                self._news.wait_for(lambda: self._is_wanted() or self._rig is not rig, AGAIN_S)

    def _record(self, rig: RigFile, asked: AskedRun) -> None:
        from padlab.capture.motor import Motor

        remembered = rig.to_record()
        try:
            skew = skew_for(remembered, self.shelf)
            with ExitStack() as stack:
                motor = None if rig.motor is None else stack.enter_context(Motor(rig, asked.procedure))
                run = record(
                    rig, asked.procedure, Shelf(self.shelf), screen=self.live, pad=asked.pad,
                    environment=asked.environment, note=asked.note,
                    blank=blank_for(remembered, asked.procedure.kind, self.shelf),
                    calibrations=(skew,) if skew else (), should_stop=self._should_stop, clock=self._clock,
                    on_begin=lambda recording: self._begun(rig, recording), confirmed=self._taken,
                    motor=motor, observe=self.live.observe, again=self._taken_back, turn_s=TURN_S)
        except (PadlabError, OSError) as fault:
            self._failed(fault if isinstance(fault, PadlabError) else PadlabError(str(fault)))
            return
        self._ended(run)

    def _should_stop(self) -> bool:
        if self._rig is not None and self._rig.motor is not None and not self._stop.is_set() \
                and self._clock() - self._here_s > SILENT_S:
            self.live.say(Said("no page says any more that somebody is there: the motor is stopped", "poor"))
            self._stop.set()
        return self._stop.is_set()

    def _taken(self) -> bool:
        with self._news:
            had = self._confirmed > 0
            self._confirmed -= had
        return had

    def _taken_back(self) -> bool:
        is_asked = self._again.is_set()
        self._again.clear()
        return is_asked

    def _begun(self, rig: RigFile, recording: Recording) -> None:
        self._had_shelf = True
        keep_cautions_shown(self.shelf, rig.name)
        run = self.live.state()["run"]
        self.live.put(phase="recording", run={**run, "id": recording.folder.name})

    def _ended(self, run: Run) -> None:
        if run.state == "complete" and run.pad is not None:
            self._last_pad = {**pad_as_typed(run.pad), "id": ""}
        why = next((m.message for m in run.marks if m.code == "interrupted"), None)
        self.live.put(phase="ended", result={
            "run": run.id, "state": run.state, "kind": run.kind, "why": why,
            "marks": [f"{m.weight}: {m.about}: {m.message}" for m in run.marks if m.code != "interrupted"]})

    def _failed(self, fault: PadlabError) -> None:
        run = self.live.state()["run"]
        self.live.put(phase="ended", result={
            "run": None if run is None else run["id"], "state": "failed", "kind": None,
            "why": fault.message, "fault": fault.to_json(), "marks": []})


def _named(pad: Pad) -> str:
    return f"{pad.material}, lot {pad.lot}, pad {pad.id}"


def _axes(rig: RigFile) -> tuple[str, str]:
    """What is drawn of a rig: force over displacement, or the one of them that it measures over time."""
    measures = {c.quantity for i in rig.to_record().instruments for c in i.channels}
    missing = {"force", "displacement"} - measures
    return AXES if not missing else ("time", "displacement" if "force" in missing else "force")
