r"""Long work beside the page: each piece in a process of its own that can be cancelled.

What is made is kept in a folder of the server, not on the shelf, and goes with it.

    page --what, options--> Works.start --> process --progress--> Works --> page
                                               \--> files in a folder of its own (padlab.bench.made)
"""

from __future__ import annotations

import json
import os
import secrets
import signal
import sys
import threading
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, field
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from shutil import rmtree
from typing import Any

from padlab.errors import InputError, PadlabError
from padlab.one_thread import one_thread
from padlab.records.recording import LOCK

MOST_RUNNING = 2
MOST_KEPT = 24
"""Pages kept; the oldest goes first."""
END_S = 5.0
UNLOADED = ("look at a table", "take in a table")
"""Begun with nothing loaded: it needs little, and what a stranger's file may take up is bounded."""

Tell = Callable[[int, int, str], None]


@dataclass(frozen=True)
class Made:
    """What a piece of work made: files in its folder (name: title, the page to show first).

    ``told`` is its answer: ``words`` in a line, ``look`` (good, open or poor), ``more`` lines.
    ``whole`` stays here, for what may be done with it next.
    """

    files: dict[str, str]
    told: dict[str, Any] | None = None
    whole: Any = None


@dataclass
class Work:
    """One piece of work, as the page sees it."""

    id: str
    what: str
    key: Any
    folder: Path
    runs: tuple[str, ...] = ()
    about: str = ""
    options: dict[str, Any] = field(default_factory=dict, repr=False)
    state: str = "running"                   # running | done | failed | cancelled
    done: int = 0
    total: int = 0
    words: str = "starting"
    fault: dict[str, Any] | None = None
    made: Made | None = None
    process: Any = field(default=None, repr=False)

    def to_json(self) -> dict[str, Any]:
        """For the page."""
        return {"id": self.id, "what": self.what, "state": self.state, "done": self.done, "total": self.total,
                "words": self.words, "fault": self.fault,
                "files": [] if self.made is None else [
                    {"name": name, "title": title} for name, title in self.made.files.items()],
                "told": None if self.made is None else self.made.told}


class Works:
    """All work of one page.

    Parameters
    ----------
    folder : Path
        Where the made pages are kept meanwhile.
    """

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._all: OrderedDict[str, Work] = OrderedDict()

    def start(self, what: str, files: list[Path], options: dict[str, Any], made_on: str,
              runs: tuple[str, ...] = (), about: str = "") -> Work:
        """Begin, or give what is there already for the same files as they are now.

        Parameters
        ----------
        what : str
            One of :data:`padlab.bench.made.MAKING`.
        files : list of Path
            What it rests on; the folder of a run stands for what was recorded in it and made of that.
        options : dict
            How, and of what; goes to the other process as it is.
        made_on : str
            The date that the pages carry.
        runs : tuple of str
            The runs that were chosen for it; none where it rests on the whole shelf.
        about : str
            What it is about, for the list of what was made.

        Raises
        ------
        InputError
            Too much is going on.
        """
        stamps = tuple(_stamp(one) for f in files for one in _recorded(f))
        key = (what, stamps, json.dumps(options, sort_keys=True), made_on)
        with self._lock:
            for one in self._all.values():
                if one.key == key and one.state in ("running", "done"):
                    return one
            if sum(one.state == "running" for one in self._all.values()) >= MOST_RUNNING:
                raise InputError("other work goes on", expected=f"at most {MOST_RUNNING} at a time",
                                 seen="one more", remedy="wait until one has ended, or cancel it")
            work = Work(secrets.token_hex(8), what, key, self._folder / secrets.token_hex(8),
                        runs=runs, about=about, options=options)
            work.folder.mkdir()
            self._all[work.id] = work
            self._forget_old()
        context = _context(what)
        hear, tell = context.Pipe(duplex=False)
        process = context.Process(
            target=_in_its_own_process, daemon=True,
            args=(what, options, str(work.folder), made_on, tell))
        process.start()
        work.process = process
        tell.close()
        if work.state == "cancelled":                      # between these lines
            _end(work)
        threading.Thread(target=self._hear, args=(work, hear), name="work", daemon=True).start()
        return work

    def find(self, name: str) -> Work:
        """A piece of work by its name; a name never becomes a path.

        Raises
        ------
        InputError
            There is none of that name.
        """
        with self._lock:
            if name in self._all:
                return self._all[name]
        raise InputError("there is no such work any more", expected="work that was begun since the page was",
                         seen=repr(name[:40]), remedy="begin it again from what is on file")

    def newest(self, *kinds: str) -> list[Work]:
        """What goes on or is done, of some kinds or of all, newest first."""
        with self._lock:
            return [one for one in reversed(self._all.values())
                    if (one.state == "running" or (one.made is not None and one.made.files))
                    and (not kinds or one.what in kinds)]

    def cancel(self, name: str) -> Work:
        """End it; nothing of it is kept."""
        work = self.find(name)
        with self._lock:
            if work.state == "running":
                work.state, work.words = "cancelled", "cancelled"
        _end(work)
        return work

    def close(self) -> None:
        """End all of it."""
        with self._lock:
            names = list(self._all)
        for name in names:
            self.cancel(name)

    def _forget_old(self) -> None:
        ended = [name for name, work in self._all.items() if work.state != "running"]
        for name in ended[:max(0, len(self._all) - MOST_KEPT)]:
            rmtree(self._all.pop(name).folder, ignore_errors=True)

    def _hear(self, work: Work, hear: Connection) -> None:
        """What its process tells, until it ends, however it does."""
        state, fault, made = "failed", None, None
        try:
            while True:
                told = hear.recv()
                if told["state"] == "running":
                    with self._lock:
                        work.done, work.total, work.words = told["done"], told["total"], told["words"]
                else:
                    state, fault, made = told["state"], told["fault"], told.get("made")
        except (EOFError, OSError):
            pass
        finally:
            hear.close()
        _end(work)
        with self._lock:
            if work.state == "running":
                if state == "failed" and fault is None:
                    fault = PadlabError("the work ended before it was done", expected="a page", seen="none",
                                        remedy="is there enough memory? then begin it again").to_json()
                work.state, work.fault, work.made = state, fault, made
        if work.state != "done":
            rmtree(work.folder, ignore_errors=True)


def _context(what: str) -> Any:
    """How a process is begun; no thread or port of this one goes along."""
    # On macOS a copy of what has loaded the system's libraries may end at once.
    if what in UNLOADED or sys.platform != "linux":
        return get_context("spawn")
    context = get_context("forkserver")
    context.set_forkserver_preload(["padlab.bench.loaded"])
    return context


def _recorded(path: Path) -> list[Path]:
    """The files of a run: no lock, nor what a fit leaves there for the next; any other file is itself."""
    if not path.is_dir():
        return [path]
    return sorted(one for one in path.rglob("*")
                  if one.is_file() and one.name != LOCK and "derived" not in one.parts[len(path.parts):])


def _stamp(file: Path) -> tuple[str, int, int]:
    """What tells a file from what it was: name, time, size."""
    told = file.stat()
    return str(file), told.st_mtime_ns, told.st_size


def _end(work: Work) -> None:
    process = work.process
    if process is None:
        return
    if work.state != "running":
        process.terminate()
    process.join(END_S)
    if process.is_alive():
        process.kill()
        process.join(END_S)


def _in_its_own_process(what: str, options: dict[str, Any], folder: str, made_on: str,
                        pipe: Connection) -> None:
    """Do it, and tell how far it is. The rig comes first: this gives way to other work."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    one_thread()
    if hasattr(os, "nice"):
        os.nice(5)

    def tell(done: int, total: int, words: str) -> None:
        pipe.send({"state": "running", "done": done, "total": total, "words": words})

    try:
        from padlab.bench.made import MAKING

        made = MAKING[what](options, Path(folder), made_on, tell)
        pipe.send({"state": "done", "fault": None, "made": made})
    except PadlabError as fault:
        pipe.send({"state": "failed", "fault": fault.to_json()})
    except MemoryError:
        pipe.send({"state": "failed", "fault": PadlabError(
            "this takes more memory than there is", remedy="give it less at a time").to_json()})
    except Exception as fault:               # told to whoever waits for it, in words
        told = PadlabError(f"a fault of padlab itself: {type(fault).__name__}: {fault}",
                           remedy="please report this line with what you did")
        pipe.send({"state": "failed", "fault": told.to_json()})
    finally:
        pipe.close()
