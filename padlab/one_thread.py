"""One thread for linear algebra: padlab's matrices are small.

Several threads cost more than they bring as soon as anything else runs (on a busy machine a product of
160 x 33 waits 13 ms for a second thread, and takes 0.3 ms without), and how a product is split among them
must not reach the digits that are printed.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager

NAMES = ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS")
"""Read when numpy is imported, here and in every process that is started from here."""


def one_thread() -> None:
    """From now on, but for what the user has set."""
    for name in NAMES:
        os.environ.setdefault(name, "1")


@contextmanager
def one_thread_each() -> Iterator[None]:
    """For the processes that are started meanwhile."""
    before = {n: os.environ.get(n) for n in NAMES}
    one_thread()
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
