"""What a table recorded elsewhere holds, in plain numbers, and whether a bench can have said that.

A unit that was named wrongly is seen here, at once, and not in a ranking weeks later.

>>> import numpy as np
>>> t = np.arange(0, 60, 0.02)
>>> force = 9 * (1 - np.cos(2 * np.pi * t / 6))
>>> seen = look({"time_s": t, "force_n": force, "displacement_mm": 0.02 * force}, kind="pad")
>>> print(seen.words[1])
force 0.00 to 18.00 N, 10 presses
>>> look({"time_s": t, "force_n": 1000 * force}, kind="touch")
Traceback (most recent call last):
...
padlab.errors.TableError: the force spans 18000 N, which no bench for pads can press
  expected: at most 2000 N
  seen: 0 to 18000 N
  try: check the unit of the column for force
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from padlab.errors import TableError
from padlab.marks import Mark, mark
from padlab.signals.contact import force_zero
from padlab.signals.cycles import find_presses
from padlab.units import both_lengths, thou

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

IMPOSSIBLE_N, IMPOSSIBLE_MM = 2000.0, 100.0
"""Beyond these no hand press and no gauge of a bench for pads goes; such a table is refused."""
HARD_N, LIGHT_N = 200.0, 0.5
FAR_MM, NEAR_MM = 10.0, 0.010
SHORT_S, LONG_S = 2.0, 2 * 86400.0
SPARSE_HZ, DENSE_HZ = 4.0, 20_000.0
WARM_C = (5.0, 45.0)
"""Outside these a table is marked: a pad moves by some tenths of a millimetre under 1 to 20 N, a stroke
takes seconds, a workshop is neither frozen nor a kiln. Common practice, no source; widely drawn."""


@dataclass(frozen=True)
class FirstLook:
    """What was read. ``presses`` is None where no force was recorded; movement is largest less smallest."""

    readings: int
    duration_s: float
    force_n: tuple[float, float] | None
    movement_mm: float | None
    presses: int | None
    words: tuple[str, ...]
    marks: tuple[Mark, ...]

    def to_json(self) -> dict[str, Any]:
        """As ``padlab import --json`` prints it; marks and words are not in it."""
        force = None if self.force_n is None else dict(zip(("low", "high"), self.force_n, strict=True))
        movement = None if self.movement_mm is None else round(self.movement_mm, 5)
        return {"readings": self.readings, "duration_s": round(self.duration_s, 6), "force_n": force,
                "movement_mm": movement, "presses": self.presses}


def look(samples: Mapping[str, Any] | pd.DataFrame, *, kind: str) -> FirstLook:
    """Look over the samples of a table.

    Parameters
    ----------
    samples : mapping of array (n,)
        ``time_s`` and, where recorded, ``force_n``, ``displacement_mm``, ``temperature_c``. Linear in n.
    kind : str
        pad | touch | blank | check; a bare frame may move by less than a pad can.

    Raises
    ------
    TableError
        A size that cannot be; the message names the quantity.
    """
    time = np.asarray(samples["time_s"], dtype=np.float64)
    duration = float(time[-1] - time[0])
    force = np.asarray(samples["force_n"], dtype=np.float64) if "force_n" in samples else None
    position = (np.asarray(samples["displacement_mm"], dtype=np.float64)
                if "displacement_mm" in samples else None)
    rate = (time.size - 1) / duration if duration > 0 else float("nan")
    words = [f"{time.size} readings in {_duration(duration)} ({rate:.3g} a second)"]
    span, presses, movement = None, None, None
    if force is not None:
        span = float(force.min()), float(force.max())
        if span[1] - span[0] > IMPOSSIBLE_N:
            raise _impossible("force", span, IMPOSSIBLE_N, "N", "no bench for pads can press")
        zero = force_zero(force, np.zeros_like(force) if position is None else position).value_n
        presses = len(find_presses(time, force - zero))
        counted = "1 press" if presses == 1 else f"{presses or 'no'} presses"
        words.append(f"force {span[0]:.2f} to {span[1]:.2f} N, {counted}")
    if position is not None:
        movement = float(position.max() - position.min())
        if movement > IMPOSSIBLE_MM:
            raise _impossible("displacement", (float(position.min()), float(position.max())), IMPOSSIBLE_MM,
                              "mm", "no pad can give")
        words.append(f"movement {_movement(movement)}")
    doubts = [*_doubts(duration, rate, span, movement, presses, kind),
              *_turned(force, position, movement), *_temperature(samples)]
    marks = tuple(mark("units_doubtful", about, message) for about, message in doubts)
    return FirstLook(int(time.size), duration, span, movement, presses, tuple(words), marks)


def _impossible(quantity: str, span: tuple[float, float], most: float, unit: str, who: str) -> TableError:
    return TableError(f"the {quantity} spans {span[1] - span[0]:.0f} {unit}, which {who}",
                      expected=f"at most {most:g} {unit}", seen=f"{span[0]:.0f} to {span[1]:.0f} {unit}",
                      remedy=f"check the unit of the column for {quantity}", where={"column": quantity})


def _doubts(duration_s: float, rate_hz: float, force_n: tuple[float, float] | None, movement_mm: float | None,
            presses: int | None, kind: str) -> Iterator[tuple[str, str]]:
    if duration_s < SHORT_S:
        yield "time", f"all readings lie within {duration_s:.3g} s; is time in another unit?"
    elif duration_s > LONG_S:
        yield "time", f"the readings span {_duration(duration_s)}; is time in another unit?"
    if not SPARSE_HZ <= rate_hz <= DENSE_HZ:
        yield "time", f"{rate_hz:.3g} readings a second; is time in another unit?"
    if force_n is not None:
        spread = force_n[1] - force_n[0]
        if spread > HARD_N:
            yield "force", f"the force spans {spread:.0f} N; is it in another unit?"
        elif spread < LIGHT_N:
            yield "force", f"the force spans {spread:.3g} N only; is it in another unit?"
        elif presses == 0:
            yield "force", "no press was found; is the force + where the pad is pressed?"
    if movement_mm is not None and movement_mm > FAR_MM:
        yield "displacement", f"the movement is {movement_mm:.1f} mm; is it in another unit?"
    elif movement_mm is not None and movement_mm < NEAR_MM and kind == "pad":
        yield "displacement", f"the movement is {movement_mm * 1e3:.2g} um only; is it in another unit?"


def _turned(force: Array | None, position: Array | None, movement_mm: float | None,
            ) -> Iterator[tuple[str, str]]:
    """A pad gets thinner where it is pressed: force and displacement rise together."""
    if force is None or position is None or not movement_mm or float(np.ptp(force)) < LIGHT_N:
        return
    together = float(np.corrcoef(force, position)[0, 1])
    if together < -0.5:
        yield "displacement", "the pad seems to get thicker when pressed; what counts down has unit -mm or -N"


def _temperature(samples: Mapping[str, Any] | pd.DataFrame) -> Iterator[tuple[str, str]]:
    if "temperature_c" in samples:
        values = np.asarray(samples["temperature_c"], dtype=np.float64)
        low, high = float(values.min()), float(values.max())
        if low < WARM_C[0] or high > WARM_C[1]:
            yield "temperature", f"{low:.1f} to {high:.1f} degC in a workshop; is it in another unit?"


def _duration(seconds: float) -> str:
    for size, unit in ((86400.0, "days"), (3600.0, "hours"), (60.0, "minutes")):
        if seconds >= 3 * size:
            return f"{seconds / size:.1f} {unit}"
    return f"{seconds:.3g} s"


def _movement(mm: float) -> str:
    return both_lengths(mm) if mm < 1 else f"{mm:.2f} mm ({thou(mm):.0f} thou)"
