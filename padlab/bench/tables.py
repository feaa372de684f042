"""Tables that were uploaded and wait to be taken in: some files in a folder of the server, gone with it.

    a file that came in --keep--> Table --look--> what it probably holds --take--> a run on the shelf

A name from outside is only shown; the file has a name of our own. One table becomes one run, however often
and by however many it is confirmed.
"""

from __future__ import annotations

import os
import secrets
import threading
from collections import OrderedDict
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from padlab.bench.work import Work, Works
from padlab.errors import InputError
from padlab.words import one_line

MOST_KEPT = 8
"""Tables that wait at once; the oldest goes first."""
LONGEST_NAME = 120


@dataclass
class Table:
    """One file that came in; ``called`` is how the person's machine calls it."""

    id: str
    called: str
    path: Path
    size: int
    look: str | None = None                    # names of pieces of work
    take: str | None = None
    outcome: dict[str, Any] | None = None      # of a table that was taken in: its run, what was read


class Tables:
    """All of them.

    Parameters
    ----------
    works : Works
        What looks at them and takes them in, beside the page.
    """

    def __init__(self, works: Works) -> None:
        self._works, self._lock = works, threading.Lock()
        self._all: OrderedDict[str, Table] = OrderedDict()

    def keep(self, upload: Path, called: str) -> Table:
        """Keep a file that came in; the oldest that waits makes room.

        Raises
        ------
        InputError
            It is empty, or all that wait are being taken in.
        """
        size = upload.stat().st_size
        if size == 0:
            raise InputError("the file is empty", expected="a table", seen="nothing")
        with self._lock:
            while len(self._all) >= MOST_KEPT:
                oldest = next((t for t in self._all.values() if not self._goes_on(t)), None)
                if oldest is None:
                    raise InputError("other tables are being taken in", expected=f"at most {MOST_KEPT}",
                                     seen="one more", remedy="wait until they are")
                self._forget(oldest)
            path = upload.with_name(secrets.token_hex(8))
            table = Table(secrets.token_hex(8), plain_name(called), path, size)
            os.replace(upload, table.path)
            self._all[table.id] = table
        return table

    def find(self, name: str) -> Table:
        """A table by its id; it is looked up, no path.

        Raises
        ------
        InputError
            There is none.
        """
        with self._lock:
            if name in self._all:
                return self._all[name]
        raise InputError("this table is not here any more", expected=f"one of the last {MOST_KEPT}",
                         seen=repr(name[:40]), remedy="choose its file once more")

    def waiting(self) -> list[Table]:
        """Those that are not taken in yet, newest first."""
        with self._lock:
            return [t for t in reversed(self._all.values()) if t.outcome is None]

    def drop(self, name: str) -> None:
        """Forget a table that is not to be taken in.

        Raises
        ------
        InputError
            There is none, or it is being taken in.
        """
        table = self.find(name)
        with self._lock:
            if self._goes_on(table):
                raise InputError("this table is being taken in", expected="one that waits", seen=table.called,
                                 remedy="cancel that first")
            self._forget(table)

    def look(self, table: Table) -> Work:
        """What looks at it: begun once, and again where it was cancelled or is no longer remembered.

        Raises
        ------
        InputError
            Too much other work goes on.
        """
        with self._lock:
            work = self._work(table.look)
            if work is None or work.state == "cancelled":
                work = self._works.start("look at a table", [], {"path": str(table.path), "id": table.id,
                                                                 "called": table.called}, _today())
                table.look = work.id
            return work

    def take(self, table: Table, options: dict[str, Any]) -> Work:
        """Take it in; where that goes on or is done already it is not begun a second time.

        Raises
        ------
        InputError
            It is on the shelf, it is being taken in, or too much other work goes on.
        """
        with self._lock:
            before = self._work(table.take)
            if before is not None and before.state == "done":
                self._done(table, before)
            if table.outcome is not None:
                raise InputError("this table was taken in already", expected="one that waits",
                                 seen=f"run {table.outcome['run']}", where={"run": table.outcome["run"]})
            if before is not None and before.state == "running":
                raise InputError("this table is being taken in already, perhaps from another tab",
                                 expected="to confirm it once", seen="a second time",
                                 where={"going_on": before.id})
            work = self._works.start("take in a table", [], {
                **options, "path": str(table.path), "called": table.called}, _today())
            table.take = work.id
            return work

    def taking(self, table: Table) -> Work | None:
        """What takes it in, or did, as long as it is remembered; its outcome is kept with the table."""
        with self._lock:
            work = self._work(table.take)
            if work is not None and work.state == "done":
                self._done(table, work)
            return work

    # -- under the lock ------------------------------------------------------------------------------------

    def _work(self, name: str | None) -> Work | None:
        try:
            return None if name is None else self._works.find(name)
        except InputError:
            return None                        # so long ago that it is forgotten

    def _goes_on(self, table: Table) -> bool:
        work = self._work(table.take)
        return work is not None and work.state == "running"

    def _done(self, table: Table, work: Work) -> None:
        if table.outcome is None and work.made is not None:
            table.outcome = work.made.told
            table.path.unlink(missing_ok=True)

    def _forget(self, table: Table) -> None:
        looks = self._work(table.look)
        if looks is not None and looks.state == "running":
            self._works.cancel(looks.id)
        self._all.pop(table.id, None)
        table.path.unlink(missing_ok=True)


def plain_name(text: str) -> str:
    r"""The last part of a name, in one plain line; it is shown, and kept as text.

    >>> plain_name("C:\\shed\\A3 wear.csv"), plain_name("../../etc/passwd"), plain_name("  ")
    ('A3 wear.csv', 'passwd', 'a table')
    """
    last = one_line(text[:2000]).replace("\\", "/").rsplit("/", 1)[-1].strip()
    return last[:LONGEST_NAME] or "a table"


def _today() -> str:
    return f"{datetime.now(UTC):%Y-%m-%d}"
