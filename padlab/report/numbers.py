"""Numbers with doubt as a technician reads them: micrometres and thou, both, and what is not known said so.

>>> length(Quantity(0.0112, 0.0087, 0.0145))
'11.2 µm (0.4 thou)'
>>> between(Quantity(0.0112, 0.0087, 0.0145))
'8.7 to 14.5 µm (0.3 to 0.6 thou)'
>>> length(None), between(Quantity(0.1))
('not determined', 'not determined')
"""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

from padlab.statistics.quantity import Quantity
from padlab.units import both_lengths, thou

NOT_DETERMINED = "not determined"


def length(value: Quantity | float | None) -> str:
    """A small length in micrometres and thou, rounded by :func:`padlab.units.both_lengths`."""
    mm = value.value if isinstance(value, Quantity) else value
    return in_micrometres(both_lengths(mm))


def in_micrometres(words: str) -> str:
    """Words of the terminal as a page has them: its um are µm.

    >>> in_micrometres("off by 63.3 um (2.5 thou); summum 5 umber")
    'off by 63.3 µm (2.5 thou); summum 5 umber'
    """
    return re.sub(r"(?<=\d) um\b", " µm", words)


def between(value: Quantity | None) -> str:
    """The 95 % interval of a small length, rounded as its value is."""
    if value is None or not _finite(value.value, value.low, value.high):
        return NOT_DETERMINED
    assert value.low is not None
    assert value.high is not None
    um = 0 if abs(value.value) * 1e3 >= 99.5 else 1
    in_thou = 1 if abs(thou(value.value)) >= 0.095 else 2
    return (
        f"{value.low * 1e3:z.{um}f} to {value.high * 1e3:z.{um}f} µm "
        f"({thou(value.low):z.{in_thou}f} to {thou(value.high):z.{in_thou}f} thou)"
    )


def thickness(value: Quantity | float | None) -> str:
    """A thickness in mm and thou.

    >>> thickness(1.3081)
    '1.308 mm (51.5 thou)'
    """
    mm = value.value if isinstance(value, Quantity) else value
    return f"{mm:.3f} mm ({thou(mm):.1f} thou)" if mm is not None and _finite(mm) else NOT_DETERMINED


def share(value: Quantity | float | None, *, most_decimals: int = 0) -> str:
    """A share (0 to 1) in per cent; small ones are not rounded to nothing.

    >>> share(0.12), share(0.0027, most_decimals=1), share(0.0001), share(None)
    ('12 %', '0.3 %', 'less than 1 %', 'not determined')
    """
    number = value.value if isinstance(value, Quantity) else value
    if number is None or not _finite(number):
        return NOT_DETERMINED
    smallest = 10.0 ** -(2 + most_decimals)
    if 0 < number < smallest / 2:
        return f"less than {100 * smallest:g} %"
    return f"{100 * number:.{most_decimals}f} %"


def share_between(value: Quantity | None) -> str:
    """The 95 % interval of a share in per cent.

    >>> share_between(Quantity(0.3, 0.28, 0.33)), share_between(Quantity(0.18, 0.176, 0.184))
    ('28 to 33 %', '17.6 to 18.4 %')
    """
    if value is None or not _finite(value.value, value.low, value.high):
        return NOT_DETERMINED
    assert value.low is not None
    assert value.high is not None
    decimals = 0 if value.high - value.low >= 0.02 else 1
    return f"{100 * value.low:.{decimals}f} to {100 * value.high:.{decimals}f} %"


def chance(probability: float | None) -> str:
    """A probability in words of one hundred, never as certain as 0 or 100.

    >>> chance(0.823), chance(0.9999), chance(0.0), chance(None)
    ('82 in 100', 'over 99 in 100', 'under 1 in 100', 'not determined')
    """
    if probability is None or not _finite(probability):
        return NOT_DETERMINED
    if probability > 0.99:
        return "over 99 in 100"
    return "under 1 in 100" if probability < 0.01 else f"{100 * probability:.0f} in 100"


def freedom(degrees: float) -> str:
    """Degrees of freedom in whole numbers.

    >>> freedom(8.31), freedom(math.inf)
    ('8 degrees of freedom', 'very many degrees of freedom')
    """
    return f"{degrees:.0f} degrees of freedom" if degrees < 999.5 else "very many degrees of freedom"


def limit(mm: float) -> str:
    """A limit as it was asked for: in thou, without decimals that mean nothing.

    >>> limit(0.2032)
    '8 thou'
    """
    return f"{thou(mm):.4g} thou"


def listed(names: Sequence[str], *, last: str = "and") -> str:
    """Names in a row.

    >>> listed(["a", "b", "c"])
    'a, b and c'
    """
    if len(names) < 2:
        return "".join(names)
    return f"{', '.join(names[:-1])} {last} {names[-1]}"


def _finite(*numbers: float | None) -> bool:
    return all(n is not None and math.isfinite(n) for n in numbers)
