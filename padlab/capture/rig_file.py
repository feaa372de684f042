"""What may stand in a rig file, as one whole: the class that checks it, and from which its schema is made."""

from __future__ import annotations

import os
from collections.abc import Iterable
from pathlib import Path
from typing import Annotated, Any, Self

from pydantic import Field, model_validator

from padlab.capture.instrument_file import InstrumentFile
from padlab.capture.motor_file import MotorFile
from padlab.capture.rig_parts import (
    COM_PORT,
    FrameFile,
    Table,
    TemperatureFile,
    Text,
    Word,
    check_url,
    mistake,
)
from padlab.errors import InputError
from padlab.records.rig_record import RigRecord
from padlab.units import parse_quantity


class RigFile(Table):
    """A whole rig. Uncertainties are standard uncertainties (one standard deviation)."""

    name: Word
    title: Text = ""
    frame: FrameFile | None = None
    temperature: TemperatureFile | None = None
    instrument: tuple[Annotated[InstrumentFile, Field(discriminator="protocol")], ...] = Field(
        min_length=1, max_length=16, strict=False)
    motor: MotorFile | None = Field(None, description="driven only with a watchdog")

    @model_validator(mode="after")
    def _instruments_differ(self) -> Self:
        ports = [*self.instrument, *([self.motor] if self.motor else [])]
        names = [p.name.lower() for p in ports]
        urls = [p.url for p in ports]
        faults = [f"instrument name {n}: used twice" for n in sorted(set(names)) if names.count(n) > 1]
        faults += [f"url {u}: two instruments on one port" for u in _shared(urls)]
        quantities = [c.quantity for i in self.instrument for c in i.channel]
        faults += [f"quantity {q}: given by {quantities.count(q)} channels; one is enough"
                   for q in sorted(set(quantities)) if quantities.count(q) > 1]
        if faults:
            raise mistake("instruments", "; ".join(faults))
        return self

    def to_record(self) -> RigRecord:
        """The rig as a run remembers it; it cannot be opened from there."""
        frame, warmth = self.frame, self.temperature
        within = warmth.within if warmth else None
        doubt = frame.compliance_uncertainty if frame else None
        return RigRecord(
            name=self.name, instruments=tuple(i.to_record() for i in self.instrument),
            frame_compliance_mm_per_n=parse_quantity(frame.compliance, "compliance") if frame else 0.0,
            frame_compliance_uncertainty_mm_per_n=parse_quantity(doubt, "compliance") if doubt else None,
            movement_mm_per_k=parse_quantity(warmth.moves, "movement with temperature") if warmth else None,
            temperature_within_k=parse_quantity(within, "temperature difference") if within else None,
            description=self.model_dump(mode="json", exclude_none=True, by_alias=True),
        )

    def with_urls(self, typed: Iterable[str]) -> RigFile:
        """The same rig on other ports, each typed as ``[INSTRUMENT=]URL``; a device's path may be relative.

        Raises
        ------
        InputError
            Several instruments and none named, or a port that padlab does not open.
        """
        motor = self.motor
        names = [i.name for i in self.instrument] + ([motor.name] if motor else [])
        urls: dict[str, str] = {}
        for text in typed:
            name, equals, url = text.partition("=")
            if not equals or name not in names:
                if len(names) != 1 or (equals and "/" not in name):
                    raise InputError(
                        f"rig {self.name} has no instrument {name[:80]!r}" if equals else
                        f"rig {self.name} has several instruments: which one is on {text[:80]!r}?",
                        expected="INSTRUMENT=URL with one of " + ", ".join(names), seen=text[:80],
                    )
                name, url = names[0], text
            # What looks like a path is taken for one; opening it will tell whether anything is there.
            is_path = bool(url) and "\0" not in url and "://" not in url and COM_PORT.fullmatch(url) is None
            urls[name] = check_url(str(Path(url).absolute()) if is_path else url)
        ports = [*self.instrument, *([motor] if motor else [])]
        every = {p.name: urls.get(p.name, p.url) for p in ports}
        if shared := _shared(every.values()):
            raise InputError(f"two instruments on one port: {shared[0]}", expected="a port for each",
                             seen=", ".join(f"{n}={u}" for n, u in every.items())[:200])
        here: dict[str, Any] = {"instrument": tuple(
            i.model_copy(update={"url": urls.get(i.name, i.url)}) for i in self.instrument)}
        if motor is not None:
            here["motor"] = motor.model_copy(update={"url": urls.get(motor.name, motor.url)})
        return self.model_copy(update=here)


def _shared(urls: Iterable[str]) -> list[str]:
    """Ports that stand there twice, under whatever path."""
    real = [os.path.realpath(u) if u.startswith("/") else u for u in urls if u != "loop://"]
    return sorted(u for u in set(real) if real.count(u) > 1)
