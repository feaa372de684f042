"""Many runs: one after the other, on the cores of this machine, or on several machines.

Everything goes through one seam, ``concurrent.futures.Executor``: a process pool here, dask's
(``pip install 'padlab[cluster]'``) where a scheduler is named. What a run says does not depend on who
fitted it: results come in the order of the runs and are the same to the last bit.

    folders --> executor --> (folder, RunFit or PadlabError), in order

On several machines the folders must be found under the same paths; a scheduler can make its workers
run anything, and they it: name only one that you trust.
"""

from __future__ import annotations

import re
import signal
from collections import deque
from collections.abc import Iterable, Iterator
from concurrent.futures import BrokenExecutor, CancelledError, Executor, Future, ProcessPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path

from padlab.errors import FitError, InputError, PadlabError
from padlab.fitting.creep import DEFAULT_TIMES_S
from padlab.fitting.results import RunFit
from padlab.fitting.run_fit import fit_run
from padlab.one_thread import one_thread_each
from padlab.records.shelf import open_run

_ADDRESS = re.compile(r"(?:(?:tcp|tls)://)?(?:[A-Za-z0-9_.-]+|\[[0-9A-Fa-f:]+\]):[0-9]{1,5}")
AHEAD = 4
"""Runs handed out for each worker before their results are taken: enough that none waits."""
RETRIES = 3
"""How often another worker takes over a run whose worker died."""


@dataclass(frozen=True)
class Asked:
    """What is asked of each run; as of :func:`padlab.fitting.run_fit.fit_run`."""

    at_forces_n: tuple[float, ...] | None = None
    at_times_s: tuple[float, ...] = DEFAULT_TIMES_S
    drawn: bool = False
    checked: bool = False
    replayed: bool = False


@dataclass(frozen=True)
class Fitted:
    """One run's answer: its fit, or why there is none."""

    folder: Path
    fit: RunFit | None = None
    fault: PadlabError | None = None


def fit_folder(folder: Path, asked: Asked) -> Fitted:
    """Fit one run; a fault of the run is an answer too, so that one bad run stops no other."""
    try:
        return Fitted(folder, fit=fit_run(open_run(folder), **vars(asked)))
    except PadlabError as fault:
        return Fitted(folder, fault=fault)


def fit_many(folders: Iterable[Path], asked: Asked, executor: Executor | None = None, *,
             workers: int = 1) -> Iterator[Fitted]:
    """Fit runs, in order; without an executor here and one by one.

    Only a few runs a worker are under way at once, so that memory does not grow with their number.
    """
    if executor is None:
        for folder in folders:
            yield fit_folder(folder, asked)
        return
    waiting: deque[Future[Fitted]] = deque()
    try:
        for folder in folders:
            with _stops_here_only(), _workers_stay():
                waiting.append(executor.submit(fit_folder, folder, asked))
            if len(waiting) >= AHEAD * workers:
                yield _first_of(waiting)
        while waiting:
            yield _first_of(waiting)
    finally:
        for future in waiting:                  # whoever asks no more, or stops, leaves no work behind
            future.cancel()


def _first_of(waiting: deque[Future[Fitted]]) -> Fitted:
    with _workers_stay():
        return waiting.popleft().result()


@contextmanager
def _workers_stay() -> Iterator[None]:
    """Workers that die are said to have died, whoever they were."""
    try:
        yield
    except (BrokenExecutor, CancelledError) as fault:
        raise FitError("a worker died, and its runs with it", expected="workers that stay",
                       seen=" ".join(str(fault).split())[:120] or type(fault).__name__,
                       remedy="ask for fewer workers, or for none: each needs memory of its own") from fault
    except Exception as fault:
        if type(fault).__module__.partition(".")[0] != "distributed":
            raise
        raise FitError("the workers of the scheduler did not finish", expected="workers that stay",
                       seen=" ".join(f"{type(fault).__name__}: {fault}".split())[:120],
                       remedy="look at the scheduler and its workers, or fit without them") from fault


@contextmanager
def _stops_here_only() -> Iterator[None]:
    """A process started here never hears Ctrl-C, which a terminal sends to all: this one stops the rest."""
    if not hasattr(signal, "pthread_sigmask"):
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


def _hears_no_stop() -> None:
    signal.signal(signal.SIGINT, signal.SIG_IGN)


@dataclass(frozen=True)
class Crew:
    """Who fits: an executor and how many it is; None and 1 for this process alone."""

    executor: Executor | None = None
    workers: int = 1


@contextmanager
def crew(*, workers: int = 1, scheduler: str | None = None) -> Iterator[Crew]:
    """Workers on this machine, or those of a dask scheduler.

    Raises
    ------
    InputError
        Fewer than one worker; a scheduler that is not there, or has no worker; the extra is missing.
    """
    if scheduler is not None:
        with _cluster(scheduler) as both:
            yield both
        return
    if not 1 <= workers <= 256:
        raise InputError("that many workers cannot be had", expected="1 to 256", seen=str(workers))
    if workers == 1:
        yield Crew()
        return
    # A fresh interpreter each: no thread or lock of this one is carried over, on any system.
    with one_thread_each(), ProcessPoolExecutor(workers, mp_context=get_context("spawn"),
                                                 initializer=_hears_no_stop) as pool:
        yield Crew(pool, workers)


@contextmanager
def _cluster(address: str) -> Iterator[Crew]:
    try:
        from distributed import Client
    except ImportError as fault:
        raise InputError("several machines need one more package", expected="dask's distributed",
                         seen="none", remedy="pip install 'padlab[cluster]'") from fault
    if _ADDRESS.fullmatch(address) is None:
        raise InputError(f"{address[:80]!r} is no scheduler's address", expected="such as tcp://HOST:8786",
                         seen=repr(address[:80]))
    try:
        client = Client(address, timeout="10s", set_as_default=False)  # type: ignore[no-untyped-call]
    except (OSError, ValueError, TypeError) as fault:
        raise InputError(f"no scheduler answers at {address[:80]}",
                         expected="an address such as tcp://HOST:8786",
                         seen=" ".join(str(fault).split())[:120],
                         remedy="start one: dask scheduler; on each machine: dask worker ADDRESS") from fault
    with client:
        count = len(client.scheduler_info()["workers"])
        if count == 0:
            raise InputError(f"the scheduler at {address[:80]} has no worker", expected="one at least",
                             seen="0", remedy="on each machine: dask worker ADDRESS")
        # A run whose worker dies is given to another; pure, so that nobody fits it twice in vain.
        executor = client.get_executor(retries=RETRIES, pure=False)  # type: ignore[no-untyped-call]
        yield Crew(executor, count)
