"""What a run remembers of its rig: how readings became newtons and millimetres, with what doubt.

This is a record. It is read, never opened as a rig: it holds no way to reach a port.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any


@dataclass(frozen=True)
class Channel:
    """One quantity that one instrument reports.

    value = sign * (scale * reading + offset), in ``unit`` (N, mm or degC).
    Uncertainties are standard uncertainties (one standard deviation) as the rig file states them;
    ``None`` is not known.
    """

    name: str                      # the pattern's group, and the column in raw/INSTRUMENT.csv
    quantity: str                  # force | displacement | temperature
    unit: str                      # N | mm | degC, after scale
    sign: int = 1
    scale: float = 1.0
    offset: float = 0.0
    scale_uncertainty: float | None = None      # relative: 0.005 = 0.5 %
    offset_uncertainty: float | None = None     # in unit
    resolution: float | None = None             # in unit
    limit: float | None = None                  # in unit; over it the capture stops
    calibration: str | None = None              # id of a calibration on the shelf
    local_uncertainty: float | None = None      # in unit: strays place by place, of a calibration
    backlash: float | None = None               # in unit: read more going down than up, of a calibration
    backlash_uncertainty: float | None = None   # in unit


@dataclass(frozen=True)
class Instrument:
    """One instrument of the rig, as the run remembers it."""

    name: str
    protocol: str
    columns: tuple[str, ...]                    # columns of raw/NAME.csv after host_s
    channels: tuple[Channel, ...]
    counter: str | None = None                  # column that counts lines, if any
    counter_modulus: int | None = None
    clock: str | None = None                    # column that carries the rig's own clock, if any
    clock_s_per_tick: float | None = None
    clock_modulus: int | None = None
    strokes: str | None = None                  # column in which an endurance machine counts its strokes
    strokes_modulus: int | None = None


@dataclass(frozen=True)
class RigRecord:
    """The whole rig, as the run remembers it."""

    name: str
    instruments: tuple[Instrument, ...]
    frame_compliance_mm_per_n: float = 0.0
    frame_compliance_uncertainty_mm_per_n: float | None = None
    movement_mm_per_k: float | None = None      # of a change of position, for 1 K between its two ends
    temperature_within_k: float | None = None   # taken where a run recorded no temperature
    description: dict[str, Any] = field(default_factory=dict)   # the TOML, whole, as text and numbers

    def to_json(self) -> dict[str, Any]:
        """As stored in a run's descriptor."""
        return asdict(self)

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> RigRecord:
        """Back from a run's descriptor."""
        instruments = tuple(
            Instrument(**{**_known(Instrument, i), "columns": tuple(i["columns"]),
                          "channels": tuple(Channel(**_known(Channel, c)) for c in i["channels"])})
            for i in stored["instruments"]
        )
        return cls(**{**_known(cls, stored), "instruments": instruments})

    def channel(self, quantity: str) -> Channel | None:
        """The first channel of that quantity, or None."""
        return next((c for i in self.instruments for c in i.channels if c.quantity == quantity), None)


def _known(cls: Any, stored: dict[str, Any]) -> dict[str, Any]:
    return {k: stored[k] for k in cls.__dataclass_fields__ if k in stored}
