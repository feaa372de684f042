r"""Something comes over a port and is no reading, or time stands still: which, and what to do about it.

>>> from padlab.capture.rig import read_rig
>>> main = read_rig("bench").instrument[0]
>>> does_not_fit(main, b"\x80\xf8\x00\x1e\xe0", has_ends=False)
'not text: is 115200 baud 8N1, as in the rig file, what the instrument is set to?'
>>> does_not_fit(main, b"12.5 N", has_ends=True)
"text, but not the rig file's pattern: is it this rig, with this format and these units?"
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from padlab.capture.instrument_file import InstrumentFile, LinesFile, Wiring
from padlab.capture.timeline import steps_from
from padlab.records.rig_record import Instrument

Array = NDArray[np.float64]

SHOWN = 48
"""So many bytes of what came are shown."""
ODD_SHARE = 0.1
"""More odd bytes than this are no text: at a wrong baud rate about half of them are; design choice."""
STANDS_LINES = 10
STANDS_S = 1.0
"""A clock or counter that says the same in so many lines, for so long by the host's clock, stands still."""


def settings(wiring: Wiring) -> str:
    """Line settings in the usual short form.

    >>> from padlab.capture.rig import read_rig
    >>> settings(read_rig("bench").instrument[0])
    '115200 baud 8N1'
    """
    return f"{wiring.baud} baud {wiring.data_bits}{wiring.parity[0].upper()}{wiring.stop_bits}"


def sample(data: bytes) -> str:
    r"""Some bytes as they may stand in a sentence.

    >>> sample(b"\x1b[31m 5,\xff")
    "'\\x1b[31m 5,\\xff'"
    """
    return repr(data[:SHOWN])[1:] + ("..." if len(data) > SHOWN else "")


def does_not_fit(instrument: InstrumentFile, data: bytes, *, has_ends: bool, failed_sums: int = 0) -> str:
    """Why bytes of an instrument are no readings, and where in the rig file to look.

    Parameters
    ----------
    data : bytes
        Some of what came, up to a line.
    has_ends : bool
        Whether an end of line was ever seen.
    failed_sums : int
        How many lines ended with another checksum than the one of the rig file.
    """
    if not data.strip():
        return "blank lines and nothing else: does it wait for a command (setup)?"
    odd = sum(byte < 32 and byte not in b"\t\r\n" or byte > 126 for byte in data)
    if odd > ODD_SHARE * len(data):
        return f"not text: is {settings(instrument)}, as in the rig file, what the instrument is set to?"
    if not has_ends:
        return f"text without an end of line: does line_end = {instrument.line_end!r} fit, and the baud rate?"
    if isinstance(instrument, LinesFile) and failed_sums:
        return f"its checksum does not fit: is it {instrument.checksum}? Is the cable good?"
    return "text, but not the rig file's pattern: is it this rig, with this format and these units?"


class Standing:
    """Sees whether the rig's clock or line counter stands still while lines come.

    >>> line = Instrument("main", "lines", ("count", "ticks", "force"), (), counter="count", clock="ticks",
    ...                   clock_s_per_tick=1e-3)
    >>> standing = Standing(line)
    >>> rows = np.array([[k, min(20 * k, 400), 7] for k in range(200)], dtype=float)
    >>> standing.see(np.arange(50) * 0.02, rows[:50]), standing.see(np.arange(50, 200) * 0.02, rows[50:])
    ([], ['clock (column ticks, at 400)'])
    """

    def __init__(self, record: Instrument) -> None:
        ticks_s = 3 * (record.clock_s_per_tick or 0.0)          # a coarse clock says the same for a tick
        watched = (("counter", record.counter, 0.0), ("clock", record.clock, max(STANDS_S, ticks_s)))
        self._watched = [(what, name, record.columns.index(name), least_s)
                         for what, name, least_s in watched if name is not None]
        self.forget()

    def forget(self) -> None:
        """The port was lost: what comes next joins nothing."""
        self._last = [np.nan] * len(self._watched)
        self._lines, self._since_s = [0] * len(self._watched), [0.0] * len(self._watched)

    def see(self, host_s: Array, values: Array) -> list[str]:
        """Take the next readings; give what stands still at the last of them, in words.

        Parameters
        ----------
        host_s : numpy.ndarray
            When each came, on the host's clock [s], shape (n,).
        values : numpy.ndarray
            Columns as the rig sent them, shape (n, columns).
        """
        found = []
        for k, (what, name, place, least_s) in enumerate(self._watched if len(values) else ()):
            column = values[:, place]
            moved = np.flatnonzero(steps_from(self._last[k], column) != 0)
            if moved.size:
                self._lines[k], self._since_s[k] = 0, float(host_s[moved[-1]])
            self._lines[k] += len(column) - (int(moved[-1]) if moved.size else 0)
            self._last[k] = float(column[-1])
            if self._lines[k] >= STANDS_LINES and float(host_s[-1]) - self._since_s[k] >= least_s:
                found.append(f"{what} (column {name}, at {column[-1]:.16g})")
        return found


def stands_still(instrument: str, what: list[str]) -> str:
    """The sentence that names it, and what next."""
    stand = "stands" if len(what) == 1 else "stand"
    return (f"the {' and the '.join(what)} of {instrument} {stand} still while lines come: unplug "
            "the rig and plug it in again; if it stays so, see that the rig file names the right column")
