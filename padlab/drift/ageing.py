"""What warmth does: measured slopes, and what a hot test stands for at the temperature of service.

Arrhenius' law holds for ONE chemical process with one activation energy, which is seldom known: the
answer is given for two, and they differ by a factor of five over 50 K. Wool is eaten and swells, cork
dries, foam takes up water: their ageing follows no activation energy, and the answer is marked.

>>> a = ageing(tested_c=70, service_c=23)
>>> [round(f, 2) for f in a.factors]
[28.15, 149.34]
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from padlab.errors import FitError, InputError
from padlab.marks import Mark, mark
from padlab.statistics.quantity import Quantity, t95, to_json

GAS_CONSTANT = 8.314462618
"""J/(mol K); CODATA 2018, exact."""
ZERO_C = 273.15
ENERGIES_KJ_PER_MOL = (60.0, 90.0)
"""Both ends of what is quoted for the hardening and set of rubbers (from memory); always shown together."""
FAR_K, TOO_FAR_K = 30.0, 40.0
"""Below the lowest test by more than the first: marked; than the second: refused (design choice)."""
MOST_TIMES = 10.0
"""A hot test is carried on in time by no more (design choice)."""
FEWEST_TEMPERATURES = 3
NOT_ARRHENIUS = {
    "felt": "felt is eaten by moths, and swells and mats with damp: its ageing follows no activation energy",
    "cork": "cork dries and is squeezed out of shape: its ageing follows no activation energy",
    "foam": "foam takes up water and breaks down: its ageing follows no activation energy",
}


@dataclass(frozen=True)
class Ageing:
    """How much faster a pad ages where it was tested than in service, for two activation energies.

    Where the step is too far to be taken a mark of weight ``stop`` stands beside the factors.
    """

    tested_c: float
    service_c: float
    energies_kj_per_mol: tuple[float, ...]
    factors: tuple[float, ...]
    marks: tuple[Mark, ...]

    def to_json(self) -> dict[str, Any]:
        """As ``padlab life --json`` prints it."""
        return {"tested_c": self.tested_c, "service_c": self.service_c,
                "factors": [{"activation_energy_kj_per_mol": e, "factor": f}
                            for e, f in zip(self.energies_kj_per_mol, self.factors, strict=True)],
                "marks": [m.to_json() for m in self.marks]}


def acceleration(*, energy_kj_per_mol: float, tested_c: float, service_c: float) -> float:
    """exp[(E/R) (1/T_service - 1/T_test)]. Source: Arrhenius; ISO 11346 family (from memory).

    >>> round(acceleration(energy_kj_per_mol=90, tested_c=70, service_c=23), 2)
    149.34
    """
    return math.exp(energy_kj_per_mol * 1e3 / GAS_CONSTANT
                    * (1 / (service_c + ZERO_C) - 1 / (tested_c + ZERO_C)))


def ageing(*, tested_c: float, service_c: float, temperatures: int = 1, times: float | None = None) -> Ageing:
    """What a test at ``tested_c`` (the lowest of several) stands for at ``service_c`` [degC].

    ``temperatures`` counts those tested; ``times`` is how far the service goes beyond the test in time once
    the factor is applied.

    Raises
    ------
    InputError
        A temperature below absolute zero, or service hotter than the test.
    """
    if not -ZERO_C < min(tested_c, service_c) or not math.isfinite(tested_c + service_c):
        raise InputError("no temperature can be that low", expected="degC above -273.15",
                         seen=f"{min(tested_c, service_c):g}")
    if service_c > tested_c:
        raise InputError("the service is hotter than the test", expected=f"at most {tested_c:g} degC",
                         seen=f"{service_c:g} degC", remedy="test at service temperature or above")
    marks = []
    if temperatures < FEWEST_TEMPERATURES:
        marks.append(mark("few_temperatures", "ageing"))
    step = tested_c - service_c
    if step > TOO_FAR_K or (times is not None and times > MOST_TIMES):
        far = f"{step:.0f} K below the test" if step > TOO_FAR_K else f"{times:.0f} times as long as the test"
        marks.append(mark("ageing_refused", "ageing", f"service is {far}: at most {TOO_FAR_K:.0f} K and "
                          f"{MOST_TIMES:.0f} times are carried; the factors only show how open that is"))
    elif step > FAR_K:
        marks.append(mark("ageing_far", "ageing",
                          f"service is {step:.0f} K below the lowest test: extrapolated"))
    factors = tuple(acceleration(energy_kj_per_mol=e, tested_c=tested_c, service_c=service_c)
                    for e in ENERGIES_KJ_PER_MOL)
    return Ageing(tested_c, service_c, ENERGIES_KJ_PER_MOL, factors, tuple(marks))


def not_arrhenius(material: str, material_class: str) -> Mark | None:
    """The mark of a material whose ageing follows no activation energy; None for solid rubber and polymer."""
    named = next((k for k, words in (("foam", ("foam", "sponge", "cellular")), ("felt", ("felt",)),
                                     ("cork", ("cork",)))
                  if material_class == k or any(w in material.lower() for w in words)), None)
    return None if named is None else mark("not_arrhenius", material, NOT_ARRHENIUS[named])


def activation_energy(temperatures_c: Sequence[float], rates: Sequence[float]) -> Quantity:
    """Activation energy [kJ/mol] of rates measured at three temperatures or more, with its 95 % interval.

    Straight line of ln(rate) on 1/T; the rates' unit does not matter.

    >>> t = [50.0, 60.0, 70.0, 80.0]
    >>> k = [acceleration(energy_kj_per_mol=80, tested_c=c, service_c=23) for c in t]
    >>> round(activation_energy(t, k).value, 6)
    80.0
    """
    t, k = np.asarray(temperatures_c, dtype=np.float64), np.asarray(rates, dtype=np.float64)
    if np.unique(t).size < FEWEST_TEMPERATURES or not (np.isfinite(k).all() and (k > 0).all()):
        raise FitError("an activation energy cannot be found", expected="rates over 0 at three temperatures",
                       seen=f"{np.unique(t).size} temperatures, {k.size} rates",
                       remedy="age at three temperatures or more")
    value, error = _slope(1 / (t + ZERO_C), np.log(k))
    half = t95(t.size - 2) * error
    scale = -GAS_CONSTANT / 1e3
    return Quantity(scale * value, scale * (value + half), scale * (value - half))


def thermal_slope(temperature_c: Sequence[float], thickness_mm: Sequence[float]) -> Quantity:
    """Change of thickness per kelvin (or per cent of humidity) of an unloaded pad, with its 95 % interval.

    >>> round(thermal_slope([18, 21, 24, 27], [1.5990, 1.6000, 1.6010, 1.6020]).value * 1e3, 4)
    0.3333
    """
    x, y = np.asarray(temperature_c, dtype=np.float64), np.asarray(thickness_mm, dtype=np.float64)
    if x.size < 3 or x.size != y.size or not np.ptp(x) > 0:
        raise FitError("a slope cannot be found", expected="three readings at two temperatures at least",
                       seen=f"{x.size} readings")
    value, error = _slope(x, y)
    half = t95(x.size - 2) * error
    return Quantity(value, value - half, value + half)


@dataclass(frozen=True)
class Climate:
    """What warmth and damp do to unloaded pads, per kelvin and per % of humidity; None: not seen."""

    per_kelvin_mm: Quantity | None
    per_percent_mm: Quantity | None

    def to_json(self) -> dict[str, Any]:
        """As ``padlab life --json`` prints it."""
        return {"per_kelvin_mm": to_json(self.per_kelvin_mm), "per_percent_humidity_mm": to_json(
            self.per_percent_mm)}


def climate(controls: Sequence[Mapping[str, Any]]) -> Climate | None:
    """Both slopes at once, each pad about its own mean; None where nothing moved or too little was read.

    ``controls``: tables of unloaded pads with ``thickness_mm`` and ``temperature_c`` or ``humidity_percent``
    (n,). A slope is told where its quantity moved by more than rounding would: 0.5 K, 2 %.

    >>> t = np.array([18.0, 20.0, 22.0, 24.0, 21.0])
    >>> found = climate([{"thickness_mm": 1.6 + 3e-4 * (t - 20), "temperature_c": t}])
    >>> round(found.per_kelvin_mm.value * 1e3, 6), found.per_percent_mm
    (0.3, None)
    """
    moved = {"temperature_c": 0.5, "humidity_percent": 2.0}
    names = [name for name, least in moved.items() if controls and all(
        name in c and np.isfinite(np.asarray(c[name], dtype=np.float64)).all() for c in controls)
        and max(float(np.ptp(np.asarray(c[name], dtype=np.float64))) for c in controls) >= least]
    rows = [np.column_stack([np.asarray(c[name], dtype=np.float64) for name in (*names, "thickness_mm")])
            for c in controls]
    if not names:
        return None
    centred = np.vstack([one - one.mean(axis=0) for one in rows])
    x, y = centred[:, :-1], centred[:, -1]
    freedom = y.size - len(rows) - len(names)
    if freedom < 1 or np.linalg.matrix_rank(x) < len(names):
        return None
    values = np.linalg.lstsq(x, y, rcond=None)[0]
    left = y - x @ values
    errors = np.sqrt(np.diag(np.linalg.inv(x.T @ x)) * float(left @ left) / freedom)
    told = {name: Quantity(float(v), float(v - t95(freedom) * e), float(v + t95(freedom) * e))
            for name, v, e in zip(names, values, errors, strict=True)}
    return Climate(told.get("temperature_c"), told.get("humidity_percent"))


def _slope(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    centred = x - x.mean()
    square = float(centred @ centred)
    value = float(centred @ (y - y.mean())) / square
    left = y - y.mean() - value * centred
    return value, math.sqrt(float(left @ left) / (x.size - 2) / square)


def shift_wlf(above_reference_k: float, *, c1: float = 17.44, c2_k: float = 51.6) -> float:
    """log10 of the time shift of physical creep, -C1 dT/(C2 + dT), from Tg to 100 K above it.

    Source: Williams, Landel & Ferry, J. Amer. Chem. Soc. 77 (1955) 3701, universal constants (from memory).
    Not for crystals, filled rubber that breaks, felt or cork.

    >>> round(shift_wlf(40), 4)
    -7.6157
    """
    if not 0 <= above_reference_k <= 100:
        raise FitError("the shift holds from Tg to 100 K above it", expected="0 to 100 K",
                       seen=f"{above_reference_k:g} K")
    return -c1 * above_reference_k / (c2_k + above_reference_k)
