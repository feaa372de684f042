r"""A dead-weight session -> readings: where the pad stood under each weight, and how it had come there.

A reading is taken one second after the weight lay on the pad, from a straight line of position on
the logarithm of time through all that was recorded until it had settled: as old as a press at bench
speed is, and free of the noise of single readings.

    foot in the air          | lands                         | the next weight
    ............            _:..--------'''''''  sinks, log t
                \__________/ :  1 s
                               ^ reading

A weight that is let down from the air, or on to the lightest one, comes **from below**; one that is
what is left of a heavier load comes **from above**. On stairs of weights the pad sinks on every
stair; how much of that the next stair still carries depends on the pad (see :mod:`.creep`), between
nothing and all: half of it is taken off, half is doubt.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from padlab.calibration.frame import Frame
from padlab.calibration.loads import Load
from padlab.records.pad import F0_N
from padlab.records.run import Run
from padlab.signals.seen import Seen, seen

Array = NDArray[np.float64]

READ_AT_S = 1.0
"""After the weight lay on the pad; a press at bench speed takes one or two seconds."""
FROM_S = 0.6
FEWEST = 8
"""Fewest readings of the indicator under one weight."""
LIGHT = 1.3
"""A weight up to this many times the light touch is as good as none."""
HOLD_S = 20.0
"""A weight that lay for longer than this is a held note; design choice."""
LANDED_SHARE = 0.1
LANDING_S = 0.2
"""Half of the time in which a weight is let down: the clock of a reading begins there [s]."""
STRAY_MM, STRAY_SHARE = 0.004, 0.02
"""A weight under which the indicator leaves its line by more (standard deviation) was not at rest."""
WORKED_IN = 3


@dataclass(frozen=True)
class Weighing:
    """One weight on the pad. ``at_mm`` is the indicator one second after it was on, frame taken off."""

    number: int                      # 1, 2, ... in the order of time
    label: str
    mass_kg: float
    force_n: float
    from_above: bool
    on_s: float                      # when it lay on the pad, on the run's axis
    until_s: float
    at_mm: float
    at_u_mm: float
    sinks_mm: float                  # per decade of time
    sank_mm: float                   # from one second to the end
    carried_mm: float                # what earlier stairs had sunk since the last light load or turn
    is_direct: bool                  # from the air, from the light touch, or right after the hardest
    from_air: bool                   # nothing had touched the pad since it was lifted
    worked_in: bool                  # three hardest presses had gone before
    reason: str = ""                 # why it is left out

    @property
    def is_hold(self) -> bool:
        """Whether it lay long enough for a held note."""
        return self.until_s - self.on_s >= HOLD_S


def weighings(run: Run, load: Load, frame: Frame) -> tuple[Weighing, ...]:
    """All weights of a run, in order; what cannot be used says why.

    Linear in the samples and in the weights.
    """
    time = run.samples["time_s"].to_numpy(dtype=np.float64)
    at = run.samples["displacement_mm"].to_numpy(dtype=np.float64)
    noise = noise_mm(at)
    attempts = [s for s in seen(run.steps) if s.do == "away" or (s.do == "weight" and s.mass_kg is not None)]
    heaviest = max((s.mass_kg for s in attempts if s.mass_kg is not None), default=0.0)
    out: list[Weighing] = []
    before_kg: float | None = None
    before_s, hard, carried = float(time[0]) if time.size else 0.0, 0, 0.0
    for s in attempts:
        mass = s.mass_kg
        if s.do == "away" or mass is None:
            before_kg, before_s, carried = None, s.to_s, 0.0
            continue
        above = before_kg is not None and mass < before_kg
        direct = above and not out[-1].from_above             # the turn: what the hardest sank is carried
        if direct:
            carried = out[-1].sank_mm
        elif not above and (before_kg is None or load.force_n(before_kg) <= LIGHT * F0_N):
            carried, direct = 0.0, True
        one = _read(s, mass, time, at, noise, before_s, load.force_n(mass), frame, above=above,
                    carried=carried, direct=direct, from_air=before_kg is None, worked_in=hard >= WORKED_IN,
                    number=len(out) + 1)
        out.append(one)
        hard += mass >= 0.98 * heaviest
        carried += one.sank_mm
        before_kg, before_s = mass, s.to_s
    return tuple(out)


def _read(s: Seen, mass_kg: float, time: Array, at: Array, noise: float, before_s: float, force: float,
          frame: Frame, *, above: bool, carried: float, direct: bool, from_air: bool, worked_in: bool,
          number: int) -> Weighing:
    until = s.to_s
    on = landed_s(time, at, noise, before_s, s.from_s)
    give = float(frame.deflection_mm(np.array([force]))[0])
    reason = "" if s.good else s.reason or "not settled"
    inside = within(time, on + FROM_S - LANDING_S, until)
    t, x = time[inside] - on + LANDING_S, at[inside] - give
    value = sinks = u = math.nan
    if t.size < FEWEST or t[-1] < 2 * FROM_S:
        reason = reason or f"fewer than {FEWEST} readings under it"
    else:
        value, sinks, u, stray = _line(t, x)
        if not reason and stray > max(STRAY_MM, 4 * noise):
            reason = f"the indicator strayed by {1000 * stray:.0f} um under it"
    ended = math.log10(max((until - on) / READ_AT_S, 1.0))
    sank = 0.0 if math.isnan(sinks) else sinks * ended
    return Weighing(number, s.label, mass_kg, force, above, on, until, value, u, sinks, sank, carried, direct,
                    from_air, worked_in, reason)


def _line(t: Array, x: Array) -> tuple[float, float, float, float]:
    """Position at one second, sinking per decade, standard uncertainty of the first, stray [mm]."""
    s = np.log10(t / READ_AT_S)
    about = s - s.mean()
    below = float(about @ about)
    slope = float(about @ (x - x.mean())) / below
    value = float(x.mean()) - slope * float(s.mean())
    left = x - value - slope * s
    stray = float(np.sqrt(left @ left / max(x.size - 2, 1)))
    r1 = float(np.clip(left[1:] @ left[:-1] / max(float(left @ left), 1e-30), 0.0, 0.9))
    u = stray * math.sqrt((1 + r1) / (1 - r1) * (1 / x.size + float(s.mean()) ** 2 / below))
    return value, slope, u, stray


def within(time: Array, from_s: float, to_s: float) -> slice:
    """The samples from one time to another, both counted in; times rise."""
    a, b = np.searchsorted(time, from_s), np.searchsorted(time, to_s, side="right")
    return slice(int(a), int(b))


def landed_s(time: Array, at: Array, noise: float, before_s: float, confirmed_s: float) -> float:
    """When the weight lay on the pad: the end of the last quick move before the operator's word.

    Where nothing moved that can be seen, the word itself counts.
    """
    a, b = np.searchsorted(time, (before_s, confirmed_s))
    moves = np.diff(at[a : b + 1])
    steps = np.abs(moves)
    if steps.size < 2:
        return confirmed_s
    # Quick is what is within a tenth of the last quick move: an approach through the air may be quicker.
    least = max(6 * math.sqrt(2) * noise, 1e-3)
    moving = np.flatnonzero(steps > least)
    if moving.size == 0:
        return confirmed_s
    last = int(moving[-1])
    fastest = float(steps[max(last - 10, 0) : last + 1].max())
    end = int(np.flatnonzero(steps > max(least, LANDED_SHARE * fastest))[-1])
    # A stiff pad stops so softly that the last bit of the way is under the noise of a single reading.
    way = np.sign(moves[end])
    while end + 1 < steps.size and way * moves[end + 1] > max(least / 3, LANDED_SHARE * fastest):
        end += 1
    # It ended somewhere between two readings.
    return float(time[a + end] + time[a + end + 1]) / 2


def noise_mm(at: Array) -> float:
    """Noise of one reading from third differences, which no sinking reaches [mm]."""
    if at.size < 8:
        return 0.0
    return float(1.4826 * np.median(np.abs(np.diff(at, 3))) / np.sqrt(20.0))
