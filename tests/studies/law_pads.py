"""Pads whose physics is one law exactly, pressed by a hand on a rig with drawn errors.

The truth is known in closed form, so that intervals can be counted by the thousand. These pads share
their laws with the fits (the virtual pads of ``padlab.capture.virtual`` do not): what is tested here is
the statistics, not the physics.

    loading    F = f(x)
    unloading  F = f(x) (1 - b + b (x/x_peak)^2)
    hold       x = x(F) [1 + c log10((t + t0) / (1 s + t0))], t0 half the time of the ramp
    in a hold  force over all it has been moves on along the loading limb, below that along the unloading

A hold after a slow ramp does not say what a quick press would show: the same record is that of a pad
whose bits sink each by its own clock (c a decade) and of one that forgets how it was loaded
(c log10((10 + t0)/(1 + t0))). Nor does it say how much of the sinking a wandering hand shakes in: nothing
in a pad that closes its small loops, about twice the wander over the stiffness at most on virtual pads
of other physics. Where a pad stands between these ends is drawn for each, evenly.
"""

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import signal

from padlab.capture.procedure import read_procedure
from padlab.capture.rig import read_rig
from padlab.records.pad import F0_N, Pad
from padlab.records.run import Run

RATE_HZ = 50.0
PEAK_N = 18.0
THICKNESS_MM, OUTER_MM, INNER_MM = 1.6, 19.0, 8.0
AREA_MM2 = np.pi / 4 * (OUTER_MM**2 - INNER_MM**2)
LOSS, CREEP = 0.30, 0.04
FRAME_MM_PER_N, FRAME_U = 0.05e-3, 0.03e-3


def _stretch(g):
    lam = np.ones_like(g)
    for _ in range(60):
        lam = lam - (lam**3 + g * lam**2 - 1) / (3 * lam**2 + 2 * g * lam)
    return lam


LAWS = {
    # name: (class of material, x(F), F(x)); about 0.1 to 0.9 mm at the peak
    "linear": ("cork", lambda f: f / 90.0, lambda x: 90.0 * x),
    "power": ("cork", lambda f: (f / 220.0) ** (1 / 1.7), lambda x: 220.0 * np.maximum(x, 0) ** 1.7),
    "exponential": ("felt", lambda f: np.log1p(f / 0.5) / 8.0, lambda x: 0.5 * np.expm1(8.0 * x)),
    "fibre": ("felt", lambda f: THICKNESS_MM * (1 - (1 + f / 1.2) ** (-1 / 3)),
              lambda x: 1.2 * ((THICKNESS_MM / (THICKNESS_MM - x)) ** 3 - 1)),
    "neo-Hookean": ("polymer", lambda f: THICKNESS_MM * (1 - _stretch(np.asarray(f) / (0.25 * AREA_MM2))),
                    lambda x: 0.25 * AREA_MM2 * ((1 - x / THICKNESS_MM) ** -2 - (1 - x / THICKNESS_MM))),
}


@dataclass(frozen=True)
class Noise:
    """What the rig adds, and how even the hand is."""

    force_n: float = 0.004
    travel_mm: float = 0.0008
    correlation: float = 0.0
    step_mm: float = 0.001
    uneven: float = 0.10


NOISES = {
    "white": Noise(),
    "correlated": Noise(correlation=0.9),
    "uneven hand": Noise(uneven=0.30),
    "coarse indicator": Noise(step_mm=0.0127, travel_mm=0.002),
}


@lru_cache
def rig_of(step_mm):
    """The bench rig with an indicator of that step."""
    from dataclasses import replace

    rig = read_rig("bench").to_record()
    one = rig.instruments[0]
    channels = tuple(replace(c, resolution=step_mm) if c.quantity == "displacement" else c
                     for c in one.channels)
    return replace(rig, instruments=(replace(one, channels=channels),))


def truth(law):
    """Tangent stiffness at 3.5 N and 12.5 N [N/mm] of the loading limb, and the loss fraction."""
    _, x_of, f_of = LAWS[law]

    def k(f):
        return 1e-3 / float(x_of(np.array(f + 5e-4)) - x_of(np.array(f - 5e-4)))
    top = float(x_of(np.array(PEAK_N)))
    x = np.linspace(float(x_of(np.array(F0_N))), top, 20001)
    down = f_of(x) * (1 - LOSS + LOSS * (x / top) ** 2)
    inside = down >= F0_N
    put_in, given = np.trapezoid(f_of(x), x), np.trapezoid(down[inside], x[inside])
    return {"k at 3.5 N": k(3.5), "k at 12.5 N": k(12.5), "loss fraction": 1 - given / put_in}


def unloading_mm(law, force_n):
    """Where the unloading limb from the peak passes a force [mm]."""
    _, x_of, f_of = LAWS[law]
    top = float(x_of(np.array(PEAK_N)))
    x = np.linspace(0.0, top, 2001)
    return float(np.interp(force_n, f_of(x) * (1 - LOSS + LOSS * (x / top) ** 2), x))


def rubs_share(law, force_n):
    """How fully a pad rubs: six times half its gap over the middle of its limbs from F0, 1 at most."""
    x_of = LAWS[law][1]
    at, zero = ((unloading_mm(law, f), float(x_of(np.array(f)))) for f in (force_n, F0_N))
    return min(1.0, 6.0 * (at[0] - at[1]) / (sum(at) - sum(zero)))


def record(law, noise, seed):
    """One run of the standard procedure, and the truth of its pad (creep included)."""
    rng = np.random.default_rng([seed, *law.encode(), *noise.encode()])
    n = NOISES[noise]
    kind, x_of, f_of = LAWS[law]
    force, travel = [np.zeros(150)], [np.full(150, -0.05)]
    shakes, forgets = rng.uniform(size=2)

    def ramp(x0, x1, seconds):
        count = max(int(seconds * RATE_HZ), 8)
        speed = np.exp(n.uneven * signal.lfilter([0.3], [1, -0.7], rng.standard_normal(count)))
        way = np.concatenate([[0.0], np.cumsum(speed)])
        return x0 + (x1 - x0) * way / way[-1]

    def seconds_for(x):
        # In contact for 2 s at least; the 0.05 mm of air before it come on top.
        return max(x / 0.15, 2.0) * (1 + 0.05 / x) * float(np.exp(n.uneven * rng.standard_normal()))

    def stroke(peak_n, quick=1.0):
        top = float(x_of(np.array(peak_n * (1 + 0.01 * rng.standard_normal()))))
        up, down = ramp(-0.05, top, seconds_for(top) / quick), ramp(top, -0.05, seconds_for(top) / quick)
        force.append(np.where(up > 0, f_of(np.maximum(up, 0)), 0.0))
        share = np.maximum(down, 0) / top
        force.append(f_of(np.maximum(down, 0)) * (1 - LOSS + LOSS * share**2) * (down > 0))
        travel.extend([up, down])
        idle = int(RATE_HZ * rng.uniform(0.8, 1.4))
        force.append(np.zeros(idle))
        travel.append(np.full(idle, -0.05))

    def hold(level, seconds):
        top = float(x_of(np.array(level)))
        lasted = seconds_for(top)
        lead = lasted / 2 / (1 + 0.05 / top)
        first = 1 + CREEP * np.log10(lead / (1 + lead))
        up = ramp(-0.05, top, lasted)
        t = np.arange(int(seconds * RATE_HZ)) / RATE_HZ
        wander = signal.lfilter([0.05], [1, -0.995], rng.standard_normal(t.size))
        f = level * (1 + 0.01 * wander / max(wander.std(), 1e-9))
        slope = 2e-3 / float(x_of(np.array(level + 1e-3)) - x_of(np.array(level - 1e-3)))
        back = slope + 2 * LOSS * level / top                   # the unloading limb where it leaves the top
        most = np.maximum.accumulate(np.append(level, f))[1:]
        elastic = x_of(most) - (most - f) / back
        # What the wander shakes in within a decade: up to twice its way, less where little rubs.
        rubs = rubs_share(law, level)
        most = 2.0 * float(np.diff(np.quantile(f, (0.05, 0.95)))[0]) / slope * rubs
        decades = np.log10((t + lead) / (1 + lead))
        x = elastic + (top * CREEP + shakes * most) * decades
        down = ramp(x[-1], -0.05, seconds_for(top))
        share = np.maximum(down, 0) / x[-1]
        force.extend([np.where(up > 0, f_of(np.maximum(up, 0)), 0.0), f,
                      f_of(np.maximum(down, 0) * top / x[-1]) * (1 - LOSS + LOSS * share**2) * (down > 0)])
        travel.extend([np.where(up > 0, up * first, up), x, down])
        return lead

    for _ in range(8):
        stroke(PEAK_N)
    for quick in (1.0, 4.0):
        for peak in (3.0, 6.0, 9.0):
            stroke(peak, quick)
    lead = hold(3.5, 60.0)
    idle = int(5 * RATE_HZ)
    force.append(np.zeros(idle))
    travel.append(np.full(idle, -0.05))
    f, x = np.concatenate(force), np.concatenate(travel)
    rig = rig_of(n.step_mm)
    z = rng.standard_normal(4)
    cell, dial = rig.channel("force"), rig.channel("displacement")

    def wave(sd):
        white = rng.standard_normal(f.size)
        r = n.correlation
        return sd * signal.lfilter([np.sqrt(1 - r * r)], [1, -r], white) if r else sd * white

    seen_f = f * (1 + z[0] * cell.scale_uncertainty) + z[1] * cell.offset_uncertainty + wave(n.force_n)
    frame = FRAME_MM_PER_N + z[3] * FRAME_U
    seen_x = (x + frame * f + wave(n.travel_mm)) * (1 + z[2] * dial.scale_uncertainty)
    step_f = cell.resolution
    samples = pd.DataFrame({
        "time_s": np.arange(f.size) / RATE_HZ, "force_n": np.round(seen_f / step_f) * step_f,
        "displacement_mm": np.round((seen_x + rng.uniform(0, 1)) / n.step_mm) * n.step_mm})
    pad = Pad(id="1", material=law, material_class=kind, lot="1", outer_diameter_mm=OUTER_MM,
              inner_diameter_mm=INNER_MM, thickness_mm=THICKNESS_MM)
    run = Run(id=f"{law.lower()}-{seed}", folder=Path("simulated"), kind="pad", state="complete",
              start_utc="2026-01-01T00:00:00Z", pad=pad, procedure=read_procedure("standard").to_json(),
              rig=rig, environment={"temperature_c": 21.0}, _samples=samples)
    true = truth(law)
    f0 = float(x_of(np.array(F0_N)))
    first = 1 + CREEP * np.log10(lead / (1 + lead))
    held = float(x_of(np.array(3.5)))
    a_decade = CREEP * (1 - forgets + forgets * np.log10((10 + lead) / (1 + lead)))
    true["creep per decade"] = a_decade * held / (held - f0 * first)          # of the position from F0
    true["x after 600 s"] = held * (1 + CREEP * np.log10((600 + lead) / (1 + lead))) - f0 * first
    return run, true
