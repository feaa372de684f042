"""The readings of one pad over its service: strokes or dates, thickness, and what else was read.

A cell may be empty only where the quantity need not be read each time: rest, mass, temperature, humidity.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from padlab.records.cells import Decimal, Grid, Mistakes, Row, number_of, refuse
from padlab.records.columns import QUANTITIES, Column
from padlab.units import factor

if TYPE_CHECKING:
    import pandas as pd

Array = NDArray[np.float64]

ORDER = ("strokes", "date", "thickness", "rest", "mass", "temperature", "humidity")
MAY_BE_EMPTY = ("rest", "mass", "temperature", "humidity")
MOST_READINGS = 100_000
SECONDS_A_DAY = 86400.0


def wear_samples(grid: Grid, columns: Sequence[Column], *, decimal: Decimal) -> pd.DataFrame:
    """The readings, in the order of the table: its axis (``strokes``, or else ``days``) first.

    Where there are dates, ``attrs["first_utc"]`` is the first: ``days`` are counted from it.

    Raises
    ------
    TableError
        Cells that hold no number or date, sizes that no pad has (told together), an axis that turns back; the
        message names row and column.
    """
    import pandas as pd

    rows = list(grid.rows())
    if len(rows) < 2:
        raise refuse("too few readings", expected="two rows at least", seen=str(len(rows)))
    if len(rows) > MOST_READINGS:
        raise refuse("too many readings", expected=f"at most {MOST_READINGS}", seen=str(len(rows)))
    values: dict[str, Array] = {}
    wrong = Mistakes()
    for column in sorted(columns, key=lambda c: ORDER.index(c.quantity)):
        place = grid.names.index(column.name)
        target = QUANTITIES[column.quantity][1]
        if column.quantity == "date":
            values[target] = np.fromiter(wrong.read(_day(column, place), rows), np.float64)
        else:
            values[target] = np.fromiter(wrong.read(_number(column, place, decimal), rows), np.float64)
    wrong.refuse()
    axis = next(iter(values))
    back = np.flatnonzero(np.diff(values[axis]) < 0)
    if back.size:
        first = next(c for c in columns if QUANTITIES[c.quantity][1] == axis)
        row, place = rows[int(back[0]) + 1], grid.names.index(first.name)
        raise refuse(f"{first.quantity} turns back", row=row[0], column=first.name,
                     expected=f"no less than {str(rows[int(back[0])][1][place])[:40]}",
                     seen=str(row[1][place])[:40],
                     remedy="one table holds one pad, oldest reading first; counts go on over all readings")
    table = pd.DataFrame(values)
    if "days" in values:
        began = float(values["days"][0])
        table["days"] = values["days"] - began
        table.attrs["first_utc"] = (datetime(1970, 1, 1, tzinfo=UTC) + timedelta(days=began)).isoformat()
    return table


def _number(column: Column, place: int, decimal: Decimal) -> Callable[[Row], float]:
    kind, _, largest = QUANTITIES[column.quantity]
    scale = factor(column.unit, kind)
    low = -273.15 if column.quantity == "temperature" else 0.0

    def read(row: Row) -> float:
        number, cell = row[0], row[1][place]
        if column.quantity in MAY_BE_EMPTY and (cell is None or not str(cell).strip()):
            return float("nan")
        value = number_of(number, column.name, cell, decimal) * scale
        if not low <= value <= largest or (column.quantity == "thickness" and value == 0):
            raise refuse(f"a {column.quantity} that cannot be", row=number, column=column.name,
                         expected=f"over 0 and at most {largest:g}" if column.quantity == "thickness"
                         else f"between {low:g} and {largest:g}", seen=f"{str(cell)[:40]} {column.unit}",
                         remedy="check the unit")
        return value

    return read


def _day(column: Column, place: int) -> Callable[[Row], float]:
    return lambda row: _moment(row[0], column.name, row[1][place]) / SECONDS_A_DAY


def _moment(row: int, name: str, cell: Any) -> float:
    """Seconds of a date in ISO 8601; a clock time without a zone is taken as UTC."""
    text = cell.isoformat() if isinstance(cell, datetime) else str("" if cell is None else cell).strip()
    try:
        when = datetime.fromisoformat(text[:40])
    except ValueError as fault:
        raise refuse("no date", row=row, column=name, expected="year-month-day, such as 2026-07-04",
                     seen=repr(text[:40]), remedy="write dates in ISO 8601: others can be read two ways"
                     ) from fault
    return (when if when.tzinfo else when.replace(tzinfo=UTC)).timestamp()
