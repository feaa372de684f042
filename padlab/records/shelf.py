"""The shelf: one folder a run, on file for years.

    SHELF/runs/20260704T081530Z-k3v9qa/    datapackage.json, raw/, samples.csv, derived/
    SHELF/index.sqlite                     a cache; may be deleted at any time

>>> Shelf(Path("no-such-shelf")).run_folders()
[]
"""

from __future__ import annotations

import contextlib
import logging
import secrets
import shutil
import time
from collections.abc import Callable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Protocol, TypeVar

from filelock import Timeout

from padlab import __version__
from padlab.errors import RunError
from padlab.records.descriptor import NAME, RUN_ID, read_package, run_from, write_package
from padlab.records.inside import SHUT, is_link, refuse_links, unwritable, writing
from padlab.records.pad import Pad
from padlab.records.raw_log import check_instruments, move_torn, raw_hashes
from padlab.records.recording import Recording, lock_of
from padlab.records.rig_record import RigRecord
from padlab.records.run import KINDS, Run
from padlab.records.stroke_log import mend
from padlab.words import quoted

ALPHABET = "0123456789abcdefghjkmnpqrstvwxyz"
"""Crockford's base32: no i, l, o or u, which are misread on a label."""

BLANK_GOOD_FOR = timedelta(hours=24)
"""A frame is taken to be the same for a day: rooms warm and cool, screws are touched."""

T = TypeVar("T")
log = logging.getLogger(__name__)


PassedOver = Callable[[RunError], None]
"""Is told of what stands on a shelf and cannot be used; the rest of the shelf goes on without it."""


def note_passed_over(fault: RunError) -> None:
    """Say it as a warning of this module's logger: nothing is passed over in silence."""
    log.warning("passed over: %s", fault)


class Draws(Protocol):
    """What draws the six characters of a run id: ``random.Random`` and its like."""

    def choice(self, seq: Sequence[T], /) -> T:
        """One of them."""
        ...


class Shelf:
    """A folder of runs; it is made when the first run is written.

    Parameters
    ----------
    folder : Path
        The shelf. The folder itself may be reached through a link; nothing below it may be one.
    """

    def __init__(self, folder: str | Path) -> None:
        self.folder = Path(folder)

    def run_folders(self, *, passed_over: PassedOver = note_passed_over) -> list[Path]:
        """The folders of all runs, newest first; what is not named like a run is left alone.

        Parameters
        ----------
        passed_over : callable
            Told of each folder that is named like a run and cannot be one: a link, which is not
            followed, or a folder without a descriptor.

        Raises
        ------
        RunError
            ``runs/`` is a link or cannot be read.
        """
        runs = refuse_links(self.folder, "runs")
        if not runs.is_dir():
            return []
        try:
            named = sorted((p for p in runs.iterdir() if RUN_ID.fullmatch(p.name)), reverse=True)
        except OSError as fault:
            raise RunError(f"{runs} cannot be read", expected="a folder of runs", seen=fault.strerror,
                           where={"path": str(runs)}) from fault
        folders = []
        for folder in named:
            try:
                refuse_links(runs, folder.name)
                if not is_link(folder / NAME):
                    (folder / NAME).stat()
            except RunError as fault:
                passed_over(fault)
            except OSError as fault:           # not there, not to be looked into, or runs/X is a file
                passed_over(RunError(f"{folder} is no run", expected=f"a run's folder with its {NAME}",
                                     seen=fault.strerror, remedy="bring it back from a copy, or move the "
                                     "folder off the shelf", where={"path": str(folder)}))
            else:
                folders.append(folder)
        return folders

    def open(self, run_id: str) -> Run:
        """Open one run by its id; an id is checked, it never becomes a path of its own.

        Raises
        ------
        RunError
            No id, no such run, or a damaged one.
        """
        if RUN_ID.fullmatch(run_id) is None:
            raise RunError(
                f"{run_id[:60]!r} is not a run id",
                expected="an id like 20260704T081530Z-k3v9qa",
                seen=run_id[:60],
                remedy=f"padlab shelf {self.folder} lists the runs on file",
            )
        folder = refuse_links(self.folder, "runs", run_id)
        if not folder.is_dir():
            raise RunError(
                f"no run {run_id} on the shelf {self.folder}",
                expected="a run on file",
                seen="none",
                remedy=f"padlab shelf {self.folder} lists the runs on file",
                where={"run": run_id},
            )
        return open_run(folder)

    def begin(
        self,
        *,
        kind: str,
        procedure: dict[str, Any] | None,
        pad: Pad | None,
        rig: RigRecord,
        environment: dict[str, Any],
        calibrations: tuple[str, ...] = (),
        blank: str | None = None,
        note: str | None = None,
        start_utc: datetime,
        monotonic_s: float,
        run_id: str | None = None,
        rng: Draws | None = None,
        clock: Callable[[], float] = time.monotonic,
        how: type[Recording] = Recording,
    ) -> Recording:
        """Begin a recording; its folder is on the disk when this returns.

        Parameters
        ----------
        start_utc : datetime
            Wall clock at the start, with its time zone.
        monotonic_s : float
            The monotonic clock at the same moment; ``host_s`` in the raw files counts from it.
        run_id : str, optional
            Drawn from ``rng`` (or the system) if not given.
        clock : callable
            Monotonic seconds; decides when to flush and sync.
        how : type
            The kind of recording; one of readings only if not given.

        Raises
        ------
        RunError
            An unknown kind, names that cannot be files, an id that is taken, a full disk, a shut folder.
        """
        check_instruments(rig)
        package = new_package(
            kind=kind,
            state="recording",
            start_utc=start_utc,
            monotonic_s=monotonic_s,
            pad=pad,
            procedure=procedure,
            rig=rig,
            environment=environment,
            calibrations=calibrations,
            blank=blank,
            note=note,
        )
        folder = self.new_folder(run_id or new_run_id(start_utc, rng))
        package["name"] = folder.name.lower()
        try:
            return how(folder, package, rig, clock)
        except RunError:
            shutil.rmtree(folder, ignore_errors=True)      # no reading is in it yet
            raise

    def new_folder(self, run_id: str) -> Path:
        """Make the empty folder of a new run."""
        if RUN_ID.fullmatch(run_id) is None:
            raise RunError(
                f"{run_id[:60]!r} is not a run id",
                expected="an id like 20260704T081530Z-k3v9qa",
                seen=run_id[:60],
            )
        runs = self.make_runs()
        try:
            with writing(runs):
                (runs / run_id).mkdir()
        except FileExistsError as fault:
            raise RunError(f"run {run_id} is on file already", where={"run": run_id}) from fault
        return runs / run_id

    def make_runs(self) -> Path:
        """Make the shelf's ``runs/`` if it is not there yet, and give it.

        Raises
        ------
        RunError
            It is a link, or cannot be made.
        """
        try:
            runs = refuse_links(self.folder, "runs")
            runs.mkdir(parents=True, exist_ok=True)
        except RunError:
            raise
        except (OSError, ValueError) as fault:  # ValueError: a NUL in the name
            raise RunError(
                f"{str(self.folder)[:200]!r} cannot be a shelf",
                expected="a folder that can be made or written",
                seen=fault.strerror if isinstance(fault, OSError) else str(fault),
                remedy=unwritable(self.folder, fault).remedy if isinstance(fault, OSError) else None,
                where={"path": str(self.folder)[:200]},
            ) from fault
        return runs


def new_run_id(start_utc: datetime, rng: Draws | None = None) -> str:
    """A run id: the UTC second and six characters drawn at random.

    >>> import random
    >>> new_run_id(datetime(2026, 7, 4, 8, 15, 30, tzinfo=UTC), random.Random(1))
    '20260704T081530Z-84g7zw'
    """
    draw = rng if rng is not None else secrets.SystemRandom()
    tail = "".join(draw.choice(ALPHABET) for _ in range(6))
    return f"{start_utc.astimezone(UTC):%Y%m%dT%H%M%SZ}-{tail}"


def new_package(
    *,
    kind: str,
    state: str,
    start_utc: datetime,
    monotonic_s: float | None,
    pad: Pad | None,
    procedure: dict[str, Any] | None,
    rig: RigRecord | None,
    environment: dict[str, Any],
    calibrations: tuple[str, ...] = (),
    blank: str | None = None,
    note: str | None = None,
) -> dict[str, Any]:
    """The descriptor of a new run, its tables still to be named."""
    if kind not in KINDS:
        raise RunError(f"{kind!r} is no kind of run", expected=", ".join(KINDS), seen=kind)
    wall = start_utc.astimezone(UTC).isoformat(timespec="microseconds").replace("+00:00", "Z")
    return {
        "name": "run",
        "profile": "data-package",
        "title": f"padlab run of kind {kind}",
        "resources": [],
        "padlab": {
            "kind": kind,
            "state": state,
            "pad": pad.to_json() if pad else None,
            "procedure": procedure,
            "rig": rig.to_json() if rig else None,
            "calibrations": list(calibrations),
            "blank": blank,
            "environment": environment,
            "start": wall,
            "clock": {"monotonic_s": monotonic_s, "wall": wall},
            "gaps": [],
            "note": note,
            "marks": [],
            "set_aside": None,
            "amendments": [],
            "raw_sha256": {},
            "padlab": __version__,
        },
    }


def open_run(folder: str | Path) -> Run:
    """Open a run folder; a recording that nobody holds any more is closed as interrupted.

    Then a torn last line is moved to raw/INSTRUMENT.torn and the descriptor says so. On a folder
    that cannot be written, or a full disk, the run is shown as interrupted and left as it is.

    Raises
    ------
    RunError
        The folder is a link or no run, or its descriptor is damaged.
    """
    folder = Path(folder)
    if is_link(folder):
        raise RunError(
            f"{folder} is a link",
            expected="the run's own folder",
            seen="a link",
            remedy="name the folder it points to",
            where={"path": str(folder)},
        )
    package = read_package(folder)
    if package["padlab"]["state"] != "recording":
        return run_from(folder, package)
    lock = lock_of(folder)
    try:
        lock.acquire()
    except Timeout:
        return run_from(folder, package)  # somebody is recording
    except OSError as fault:
        if fault.errno not in SHUT:
            raise unwritable(folder, fault) from fault
        package["padlab"]["state"] = "interrupted"  # nobody records where nobody can write
        return run_from(folder, package)
    try:
        package = read_package(folder)  # it may have been closed a moment ago
        held = package["padlab"]
        if held["state"] == "recording":
            try:
                torn = move_torn(folder, run_from(folder, package).rig)
                if held.get("endurance") is not None and mend(folder):
                    torn.append("strokes")
                held["torn"] = sorted({*held.get("torn", ()), *torn})
                held["state"], held["raw_sha256"] = "interrupted", raw_hashes(folder)
                write_package(folder, package)
            except RunError as fault:
                if not isinstance(fault.__cause__, OSError):
                    raise
                held["state"] = "interrupted"  # the disk is full: the next to open it closes it
        return run_from(folder, package)
    finally:
        lock.release()


def find_runs(
    paths: Sequence[str | Path],
    *,
    near: Sequence[Path] | None = None,
    passed_over: PassedOver = note_passed_over,
) -> list[Run]:
    """Runs that a person named: ids, run folders, or whole shelves; each once, sorted by id.

    Parameters
    ----------
    paths : sequence
        A shelf stands for all of its runs.
    near : sequence of Path, optional
        Folders where a bare id is looked for: as a shelf, and among the shelves in them.
        The current folder if not given.
    passed_over : callable
        Told of each run of a shelf that is damaged or a link; the others are found all the same.

    Raises
    ------
    RunError
        Something that is none of these, an id that is not found or found twice, a damaged run that
        was named by itself.
    """
    near = [Path.cwd()] if near is None else near
    found: dict[Path, Run] = {}
    for name in paths:
        folders, from_shelf = _folders_of(str(name), near, passed_over)
        for folder in folders:
            try:
                found.setdefault(folder.resolve(), open_run(folder))
            except RunError as fault:
                if not from_shelf:
                    raise
                passed_over(fault)
    return sorted(found.values(), key=lambda run: (run.id, str(run.folder)))


def newest_blank(shelf: Shelf, rig: str, *, now: datetime, within: timedelta = BLANK_GOOD_FOR) -> str | None:
    """Id of the newest complete blank run of a rig on a shelf, not set aside, no older than ``within``.

    A run that cannot be opened is passed over: it must not keep another from being recorded.
    """
    for folder in shelf.run_folders(passed_over=lambda _: None):
        began = datetime.strptime(folder.name[:16], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
        if began < now - within:
            return None                                      # newest first: the rest are older still
        if began > now:
            continue
        with contextlib.suppress(RunError, OSError):
            run = open_run(folder)
            if (run.kind == "blank" and run.state == "complete" and run.set_aside is None
                    and run.rig is not None and run.rig.name == rig):
                return run.id
    return None


@contextlib.contextmanager
def _no_such_name() -> Iterator[None]:
    """Names that no file can have (a NUL, 5,000 letters) name nothing."""
    try:
        yield
    except RunError:
        raise
    except (OSError, ValueError):
        pass


def _folders_of(name: str, near: Sequence[Path], passed_over: PassedOver) -> tuple[list[Path], bool]:
    """The run folders that a name means, and whether it means a whole shelf."""
    path = Path(name)
    with _no_such_name():
        if (path / NAME).is_file() or (path / NAME).is_symlink():
            return [path if path.name not in ("", "..") else path.resolve()], False
        if (path / "runs").is_dir() or is_link(path / "runs"):
            return Shelf(path).run_folders(passed_over=passed_over), True
    if RUN_ID.fullmatch(name):
        inner = [p for place in near for p in sorted(place.iterdir()) if p.is_dir() and not is_link(p)]
        hits = {
            (s / "runs" / name).resolve(): refuse_links(s, "runs", name)
            for s in (*near, *inner)
            if (s / "runs" / name).is_dir()
        }
        if len(hits) == 1:
            return list(hits.values()), False
        if hits:
            raise RunError(
                f"run {name} is on more than one shelf",
                expected="one",
                seen=", ".join(str(h) for h in hits.values())[:400],
                remedy="name the run's folder",
                where={"run": name},
            )
    seen, remedy = _what_is_there(name)
    raise RunError(
        f"{quoted(name)} is no run and no shelf",
        expected="a run id, a run's folder or a shelf",
        seen=seen,
        remedy=remedy,
        where={"path": name[:200]},
    )


def _what_is_there(name: str) -> tuple[str, str]:
    """What a name means that is neither run nor shelf, and what to do."""
    path = Path(name)
    with _no_such_name():
        if path.is_file():
            return "a file", "name the shelf or the run's folder; padlab import takes in a table"
        if path.is_dir():
            shelves = sorted(p.name for p in path.iterdir() if not is_link(p) and (p / "runs").is_dir())
            if shelves:
                return "a folder of shelves", f"name one of them: {', '.join(map(quoted, shelves[:8]))}"
            return ("a folder without runs",
                    "padlab capture RIG PROCEDURE --out SHELF or padlab import TABLE --out SHELF "
                    "puts a run there")
        if path.parent.is_dir():
            near = get_close_matches(path.name, [p.name for p in path.parent.iterdir() if p.is_dir()], n=3)
            if near:
                return "nothing of this name", f"did you mean {' or '.join(map(quoted, near))}?"
    return ("neither a run on a shelf here, nor a folder with datapackage.json or runs/",
            "name the folder, or work in the folder that holds the shelf")


def find_one(name: str | Path, *, near: Sequence[Path] | None = None) -> Run:
    """The one run that a person named.

    Raises
    ------
    RunError
        As :func:`find_runs`, or a shelf that holds none or several.
    """
    runs = find_runs([name], near=near)
    if len(runs) != 1:
        raise RunError(
            f"{quoted(name)} is not one run",
            expected="a run id or a run's folder",
            seen=f"a shelf with {len(runs)} runs",
            where={"path": str(name)[:200]},
        )
    return runs[0]
