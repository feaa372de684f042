"""The parts between button and port, stop by stop: what comes of building without measuring, and of cutting.

Limits each way are common practice, no source: button, cap, stem, spring barrel and piston body 3 thou each,
a pad bought by its nominal thickness 15 thou. Down and up stop are separate adjustments, so they are separate
stacks; the pad of the other stop is in neither.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from padlab.decisions.cut_rows import StackTold, StopChoice
from padlab.records.instrument import Side
from padlab.statistics.stack import Part, drawn, root_sum_square, standard_deviation, worst_case
from padlab.units import MM_PER_THOU

FELT_THOU = 8.0
"""A misalignment that is clearly felt (common practice, no source)."""
METAL_THOU, PAD_THOU = 3.0, 15.0

PARTS: dict[Side, tuple[Part, ...]] = {
    "down": (Part("button", METAL_THOU), Part("down pad", PAD_THOU), Part("top cap", METAL_THOU),
             Part("stem", METAL_THOU), Part("piston body", METAL_THOU)),
    "up": (Part("top cap", METAL_THOU), Part("up pad", PAD_THOU), Part("spring barrel", METAL_THOU),
           Part("piston body", METAL_THOU)),
}


def stacks(stops: Sequence[StopChoice]) -> dict[Side, StackTold]:
    """Both stacks; the cut's share from the recommended stock's own interval, the worst of its stops."""
    return {side: _told(parts, [s for s in stops if s.side == side]) for side, parts in PARTS.items()}


def _told(parts: Sequence[Part], stops: Sequence[StopChoice]) -> StackTold:
    sums = np.abs(drawn(parts))
    halves = [h for s in stops if s.best is not None and (h := s.best.loaded_mm.half_width) is not None]
    return StackTold(
        tuple((p.name, p.limit * MM_PER_THOU) for p in parts), worst_case(parts) * MM_PER_THOU,
        root_sum_square(parts) * MM_PER_THOU, standard_deviation(parts) * MM_PER_THOU,
        float(np.quantile(sums, 0.95)) * MM_PER_THOU, _over(sums),
        _over_normal(max(halves)) if halves else None)


def _over(sums: NDArray[np.float64]) -> float:
    return float(np.mean(sums > FELT_THOU))


def _over_normal(half_mm: float) -> float:
    """Share beyond the felt limit of a bell whose 95 % half-width is ``half_mm``."""
    from scipy import special

    return float(2 * special.ndtr(-1.959964 * FELT_THOU * MM_PER_THOU / half_mm))
