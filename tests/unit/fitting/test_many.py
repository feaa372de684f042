"""Many runs: in order, each fault its own answer, the same to the last bit whoever fits."""

import json
import os
import pickle
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from padlab.errors import FitError, InputError, RunError
from padlab.fitting.many import Asked, crew, fit_folder, fit_many
from padlab.records.shelf import find_runs

SAMPLES = Path(__file__).parents[3] / "sample_runs"


@pytest.fixture(scope="module")
def folders(tmp_path_factory):
    """Six pad runs, and a folder that is no run between them."""
    runs = [r for r in find_runs([SAMPLES]) if r.kind == "pad"][:6]
    found = [r.folder for r in runs]
    found.insert(3, tmp_path_factory.mktemp("no-run"))
    return found


def bits(answers):
    """All that was found, every double to its last bit."""
    found = []
    for a in answers:
        curves = [] if a.fit is None else [
            v.tobytes() for v in vars(a.fit.curves).values() if isinstance(v, np.ndarray)]
        found.append((a.folder, None if a.fit is None else json.dumps(a.fit.json), curves, str(a.fault)))
    return found


@pytest.fixture(scope="module")
def alone(folders):
    return list(fit_many(folders, Asked(at_forces_n=(3.5, 8.0))))


def test_one_bad_run_stops_no_other(alone, folders):
    assert [a.folder for a in alone] == folders
    assert [a.fit is None for a in alone] == [False, False, False, True, False, False, False]
    assert isinstance(alone[3].fault, RunError)


def test_a_fault_comes_home_whole(tmp_path):
    fault = fit_folder(tmp_path, Asked()).fault
    again = pickle.loads(pickle.dumps(fault))
    assert (str(again), again.to_json()) == (str(fault), fault.to_json())


def test_two_processes_find_the_same_bits(alone, folders):
    with crew(workers=2) as them:
        found = list(fit_many(folders, Asked(at_forces_n=(3.5, 8.0)), them.executor, workers=them.workers))
    assert bits(found) == bits(alone)


def test_a_worker_that_dies_is_a_clear_error(folders):
    with crew(workers=2) as them:
        them.executor.submit(os._exit, 3)
        with pytest.raises(FitError, match="a worker died") as told:
            list(fit_many(folders * 3, Asked(), them.executor, workers=them.workers))
    assert told.value.remedy


@pytest.mark.parametrize("workers", [0, -1, 1000])
def test_odd_numbers_of_workers_are_refused(workers):
    with pytest.raises(InputError, match="workers"), crew(workers=workers):
        pass


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:9", "nonsense", "", "http://127.0.0.1:9"])
def test_a_scheduler_that_is_not_there_is_said_to_be_so(address):
    pytest.importorskip("distributed")
    with pytest.raises(InputError, match="scheduler"), crew(scheduler=address):
        pass


@pytest.fixture(scope="module")
def cluster(tmp_path_factory):
    """A real scheduler and two real worker processes."""
    pytest.importorskip("distributed")
    folder = tmp_path_factory.mktemp("cluster")
    said = folder / "scheduler.json"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL, "cwd": folder}

    def start(module, *words):
        return subprocess.Popen([sys.executable, "-W", "ignore", "-m", module, "--scheduler-file", str(said),
                                 "--no-dashboard", *words], **quiet)

    scheduler = start("distributed.cli.dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-show")
    until = time.monotonic() + 60
    while not said.exists() or not said.read_text().strip():
        assert time.monotonic() < until
        assert scheduler.poll() is None
        time.sleep(0.05)
    workers = [start("distributed.cli.dask_worker", "--no-nanny", "--nthreads", "1", "--name", f"w{i}")
               for i in range(2)]
    address = json.loads(said.read_text())["address"]
    from distributed import Client

    with Client(address, set_as_default=False) as client:
        client.wait_for_workers(2, timeout=60)
    yield address, workers
    for process in [*workers, scheduler]:
        process.kill()
        process.wait()


@pytest.mark.timeout(180)
def test_a_cluster_finds_the_same_bits_also_when_a_worker_dies_midway(alone, folders, cluster):
    address, workers = cluster
    asked = Asked(at_forces_n=(3.5, 8.0))
    with crew(scheduler=address) as them:
        assert them.workers == 2
        assert bits(fit_many(folders, asked, them.executor, workers=2)) == bits(alone)
    with crew(scheduler=address) as them:
        answers = fit_many(folders, asked, them.executor, workers=2)
        found = [next(answers)]
        workers[0].kill()                       # while it has runs in hand
        found += list(answers)
        assert bits(found) == bits(alone)
