"""The first rows of a table -> which column is probably what. A guess is offered to a person, never used.

    names of columns (words, units) -+
    numbers (rising? how large?)    -+--> quantity, unit, direction of each column; kind; decimal mark
    the other columns               -+

What can be meant in two ways is not guessed: None, and the person says.

>>> from padlab.records.first_rows import FirstRows
>>> rows = tuple((f"{k / 50:.2f}", f"{k % 9}", f"{1 - k % 9 / 30:.3f}") for k in range(200))
>>> found = guess(FirstRows("text", ("t [s]", "Kraft/N", "dial mm"), rows, True, delimiter="comma"))
>>> found.kind, [(c.quantity, c.unit, c.counts_down) for c in found.columns]
('pad', [('time', 's', None), ('force', 'N', False), ('displacement', 'mm', True)])
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from padlab.errors import TableError
from padlab.records.cells import Decimal, Grid, decimal_mark, number_of
from padlab.records.columns import BARE, OWN_UNIT, PRESSED, WORN
from padlab.records.first_rows import FirstRows
from padlab.records.header_words import KIND_OF, Named, read_name
from padlab.units import FACTORS

Array = NDArray[np.float64]

GAUGED = ("pad", "thickness", "sheet", "place")
USUAL: dict[str, tuple[tuple[str, ...], float, float]] = {
    # Units that tables are written in, and between what the largest less the smallest lies (thickness:
    # each reading). Common practice, no source; as the first look, which marks what lies beyond.
    "force": (("N", "mN", "gf", "kgf", "lbf"), 0.5, 200.0),
    "displacement": (("mm", "um", "thou", "in"), 0.01, 10.0),
    "thickness": (("mm", "um", "thou", "in"), 0.2, 8.0),
}
RATES_HZ = (4.0, 20_000.0)
SHORTEST_S = 2.0
TIMES = ("s", "ms", "us", "min")
TOGETHER = 0.5
"""Force and displacement that go together by less (correlation) say nothing of a direction."""
ONE_WAY = 0.2
"""A force that goes less to one side than this part of what it goes to the other is pressed to that other."""
MOST_CELLS, FEWEST_ROWS = 100_000, 50
"""A table of a thousand columns is looked at as quickly as one of three."""
MOSTLY = 0.8
"""A column of which this part can be read is a column of numbers with mistakes in it."""
NAMED_SO = {"blank": "blank frame leer bare", "touch": "touch finger player anschlag",
            "check": "check spring standard feder"}


@dataclass(frozen=True)
class GuessedColumn:
    """One column: what it probably is. None: not guessed.

    ``counts_down``: a force that reads less where the pad is pressed, a displacement that reads less as the
    pad gets thinner; of other quantities it is always None. ``span``: smallest and largest number of the
    first rows, in the table's own unit.
    """

    name: str
    quantity: str | None = None
    unit: str | None = None
    counts_down: bool | None = None
    span: tuple[float, float] | None = None

    def as_typed(self) -> str | None:
        """As ``--column`` takes it; a unit that is not known is written UNIT."""
        if self.quantity is None:
            return None
        if self.quantity in BARE or self.quantity in ("pad", "sheet", "place"):
            return f"{self.quantity}={self.name}"
        return f"{self.quantity}={self.name}:{'-' if self.counts_down else ''}{self.unit or 'UNIT'}"


@dataclass(frozen=True)
class Guess:
    """What a table probably is; ``decimal`` None where its mark fits two ways."""

    kind: str | None
    decimal: str | None
    columns: tuple[GuessedColumn, ...]

    @property
    def is_open(self) -> list[str]:
        """What a person has to say, in words."""
        named = [c for c in self.columns if c.quantity]
        said = [] if self.kind else ["its kind"]
        said += [] if self.decimal else ["its decimal mark"]
        said += [f"the unit of {c.name[:40]!r}" for c in named
                 if c.quantity in OWN_UNIT and c.unit is None]
        said += [f"whether {c.name[:40]!r} counts down" for c in named
                 if c.quantity in ("force", "displacement") and c.counts_down is None]
        return said


def guess(first: FirstRows, *, called: str = "") -> Guess:
    """Guess what a table holds.

    Parameters
    ----------
    first : FirstRows
        As :func:`padlab.records.first_rows.first_rows` gives them.
    called : str
        The name of its file: a bare frame's or a player's table looks like no other only by its name.
    """
    first = replace(first, rows=first.rows[:max(FEWEST_ROWS, MOST_CELLS // max(len(first.header), 1))])
    decimal = _decimal(first)
    cells = list(zip(*first.rows, strict=True)) if first.rows else [()] * len(first.header)
    numbers = [_numbers(column, decimal) for column in cells]
    named = [_fitting(read_name(name), found, column)
             for name, found, column in zip(first.header, numbers, cells, strict=True)]
    meant = _in_company(named)
    if "time" not in {q for one in named for q in one.quantities}:
        meant = _rising(first, named, meant, numbers)
    meant = _once(meant)
    columns = [GuessedColumn(name, quantity, one.unit, span=_span(found)) for name, quantity, one, found
               in zip(first.header, meant, named, numbers, strict=True)]
    columns = [_with_unit(c, found, first.is_whole) for c, found in zip(columns, numbers, strict=True)]
    return Guess(_kind(first, {c.quantity for c in columns if c.quantity}, called), decimal,
                 _directed(columns, numbers))


def _decimal(first: FirstRows) -> str | None:
    if first.format != "text":
        return "point"
    numeric = [i for i in range(len(first.header))
               if all(_LIKE_A_NUMBER.fullmatch(row[i].strip()) for row in first.rows)]
    names = [str(i) for i in numeric]
    grid = Grid(names, lambda: iter([(k + 2, [r[i] for i in numeric]) for k, r in enumerate(first.rows)]), {})
    try:
        mark = decimal_mark(grid, names, delimiter="," if first.delimiter == "comma" else ";")
    except TableError:
        return None
    return {".": "point", ",": "comma"}[mark]


_LIKE_A_NUMBER = re.compile(r"[+-]?[\d.,]{1,30}(?:[eE][+-]?\d{1,3})?", re.ASCII)


def _numbers(cells: Sequence[str], decimal: str | None) -> Array | None:
    """A column as numbers, NaN for a cell that is none; None where it holds something else than numbers."""
    mark: Decimal = "," if decimal == "comma" else "."

    def read(cell: str) -> float:
        try:
            return number_of(0, "", cell, mark)
        except TableError:                     # the importer names it, with its row
            return float("nan")

    found = np.array([read(cell) for cell in cells])
    return found if found.size and np.mean(np.isfinite(found)) >= MOSTLY else None


def _good(numbers: Array | None) -> Array:
    return np.empty(0) if numbers is None else numbers[np.isfinite(numbers)]


def _fitting(named: Named, numbers: Array | None, cells: Sequence[str]) -> Named:
    """What a name may mean, less what its cells rule out."""
    quantities = named.quantities
    if numbers is None:
        is_dated = bool(cells) and all(_is_date(cell) for cell in cells)
        may_lack = {"rest", "mass", "temperature", "humidity"} if any(c.strip() for c in cells) else set()
        if is_dated and not named.is_other:
            return replace(named, quantities=frozenset({"date"}), unit=None)
        texts = {"pad", "sheet", "place", "date"}
        if any(not cell.strip() for cell in cells) and not any(map(_is_word, cells)):
            texts |= may_lack                  # a wear table may leave cells empty
        quantities = quantities & texts
    else:
        quantities = quantities - {"date"}
    return replace(named, quantities=quantities)


def _is_word(cell: str) -> bool:
    return bool(cell.strip()) and _LIKE_A_NUMBER.fullmatch(cell.strip()) is None


def _is_date(cell: str) -> bool:
    try:
        datetime.fromisoformat(cell.strip())
    except ValueError:
        return False
    return "-" in cell


def _in_company(named: Sequence[Named]) -> list[str | None]:
    """Each column's one quantity, where the surely known ones beside it leave one."""
    sure = {q for one in named if len(one.quantities) == 1 for q in one.quantities}
    may_be = {q for one in named for q in one.quantities}
    if "force" in sure:                        # of no pad's service, and no gauge tells it
        company = set(PRESSED)
    elif "strokes" in sure or {"date", "thickness"} <= may_be:
        company = set(WORN)
    elif {"pad", "thickness"} <= may_be and "pad" in sure:
        company = set(GAUGED)
    elif sure & {"time", "displacement"}:
        company = set(PRESSED)
    else:
        company = set()
    left = [one.quantities & company if company else one.quantities for one in named]
    taken = {next(iter(some)) for some in left if len(some) == 1}
    left = [some - taken if len(some) > 1 else some for some in left]
    return [next(iter(some)) if len(some) == 1 else None for some in left]


def _rising(first: FirstRows, named: Sequence[Named], meant: list[str | None],
            numbers: Sequence[Array | None]) -> list[str | None]:
    """The one column that only rises is time, where force or displacement stand beside it unnamed as time."""
    if not {"force", "displacement"} & {q for q in meant if q}:
        return meant
    rising = [i for i, (one, quantity, found) in enumerate(zip(named, meant, numbers, strict=True))
              if quantity is None and not one.quantities and not one.is_other and one.unit is None
              and _good(found).size >= 5 and bool(np.all(np.diff(_good(found)) > 0))
              and not np.all(np.diff(_good(found)) == 1)]
    if len(rising) == 1:
        return ["time" if i == rising[0] else q for i, q in enumerate(meant)]
    return meant


def _once(meant: Sequence[str | None]) -> list[str | None]:
    """A quantity that two columns could be is not guessed for either."""
    return [None if q is not None and list(meant).count(q) > 1 else q for q in meant]


def _span(numbers: Array | None) -> tuple[float, float] | None:
    good = _good(numbers)
    return (float(good.min()), float(good.max())) if good.size else None


def _with_unit(column: GuessedColumn, numbers: Array | None, is_whole: bool) -> GuessedColumn:
    quantity = column.quantity
    if quantity is None or quantity not in OWN_UNIT:
        return replace(column, unit=None)
    if column.unit is not None or _good(numbers).size < 2:
        return column
    return replace(column, unit=unit_by_size(quantity, _good(numbers), is_whole=is_whole))


def unit_by_size(quantity: str, numbers: Array, *, is_whole: bool) -> str | None:
    """The one usual unit in which a bench can have said these numbers; None where two or none can.

    >>> steps = np.arange(0, 30_000, 0.1)          # 10 a second for hours, or 10,000 for half a minute
    >>> unit_by_size("time", 200 * steps, is_whole=True), unit_by_size("time", steps, is_whole=True)
    ('ms', None)
    """
    if quantity == "time":
        step, length = float(np.median(np.diff(numbers))), float(np.ptp(numbers))

        def may_be(unit: str) -> bool:
            scale = FACTORS["time"][unit]
            return (step > 0 and RATES_HZ[0] <= 1 / (step * scale) <= RATES_HZ[1]
                    and (not is_whole or length * scale >= SHORTEST_S))

        left = [unit for unit in TIMES if may_be(unit)]
    elif quantity in USUAL:
        units, low, high = USUAL[quantity]
        sizes = numbers if quantity == "thickness" else np.array([np.ptp(numbers)])
        if quantity != "thickness" and not is_whole:
            return None                        # the hardest press may come later
        scaled = {unit: sizes * FACTORS[KIND_OF[quantity]][unit] for unit in units}
        left = [unit for unit, size in scaled.items() if np.all((size >= low) & (size <= high))]
    else:
        return None
    return left[0] if len(left) == 1 else None


def _kind(first: FirstRows, found: set[str], called: str) -> str | None:
    words = set(re.split(r"[^a-z]+", called.casefold()))
    said = [kind for kind, names in NAMED_SO.items() if words & set(names.split())]
    if first.format == "parquet":
        return "strokes"
    if "thickness" in found:
        worn, gauged = bool(found & {"strokes", "date"}), "pad" in found
        return None if worn == gauged else "wear" if worn else "gauge"
    if {"time", "force", "displacement"} <= found:
        # A bare frame is measured like a pad; without a word in the name of the file it is taken for one.
        return said[0] if len(said) == 1 and said[0] in ("blank", "check") else "pad"
    if {"time", "displacement"} <= found:
        return "check"
    if {"time", "force"} <= found and len(said) == 1 and said[0] in ("touch", "check"):
        return said[0]
    return None


def _directed(columns: Sequence[GuessedColumn], numbers: Sequence[Array | None]) -> tuple[GuessedColumn, ...]:
    """Which way force and displacement count, as far as the numbers show it."""
    at = {c.quantity: i for i, c in enumerate(columns) if c.quantity in ("force", "displacement")}
    force = numbers[at["force"]] if "force" in at else None
    place = numbers[at["displacement"]] if "displacement" in at else None
    downwards: dict[str, bool | None] = {"force": None, "displacement": None}
    if force is not None:
        up, down = max(float(np.nanmax(force)), 0.0), max(-float(np.nanmin(force)), 0.0)
        if min(up, down) < ONE_WAY * max(up, down):
            downwards["force"] = down > up
    if force is not None and place is not None:
        both = np.isfinite(force) & np.isfinite(place)
        f, x = force[both], place[both]
        moved = f.size >= 5 and np.ptp(f) > 0 and np.ptp(x) > 0
        together = float(np.corrcoef(f, x)[0, 1]) if moved else 0.0
        if abs(together) > TOGETHER and downwards["force"] is not None:
            downwards["displacement"] = (together < 0) != downwards["force"]
    return tuple(replace(c, counts_down=downwards.get(c.quantity or "")) for c in columns)
