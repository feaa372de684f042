"""A rig, a pad and a clock for the tests of the shelf; all of it invented."""

from __future__ import annotations

import json
import random
from datetime import UTC, datetime
from pathlib import Path

import pytest

from padlab.cli.main import main
from padlab.records.pad import Pad
from padlab.records.recording import Recording
from padlab.records.rig_record import Channel, Instrument, RigRecord
from padlab.records.shelf import Shelf
from padlab.records.starters import starter

START = datetime(2026, 7, 4, 8, 15, 30, 250000, tzinfo=UTC)


class Clock:
    """A clock that a test moves."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def pad() -> Pad:
    return Pad(id="A3", material="grey wool felt", material_class="felt", lot="2026-07",
               outer_diameter_mm=19.0, inner_diameter_mm=8.0, thickness_mm=1.6)


@pytest.fixture
def rig() -> RigRecord:
    return RigRecord(name="harbour bench", instruments=(
        Instrument(name="bench", protocol="lines", columns=("count", "tick", "force", "dial", "status"),
                   channels=(Channel("force", "force", "N"), Channel("dial", "displacement", "mm", sign=-1)),
                   counter="count", counter_modulus=65536, clock="tick", clock_s_per_tick=1e-3),
    ))


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path / "shelf")


class Begin:
    """Begins recordings on one shelf with one rig and one pad."""

    def __init__(self, shelf: Shelf, rig: RigRecord, pad: Pad, clock: Clock) -> None:
        self.shelf, self.rig, self.pad, self.clock = shelf, rig, pad, clock
        self.rng = random.Random(7)

    def __call__(self, *, kind: str = "pad", start: datetime = START, pad: Pad | None = None) -> Recording:
        return self.shelf.begin(
            kind=kind, procedure={"name": "standard"}, pad=pad or self.pad, rig=self.rig,
            environment={"temperature_c": 21.0}, start_utc=start, monotonic_s=1000.0, rng=self.rng,
            clock=self.clock)


@pytest.fixture
def begin(shelf: Shelf, rig: RigRecord, pad: Pad, clock: Clock) -> Begin:
    return Begin(shelf, rig, pad, clock)


def lines(first: int, count: int) -> list[str]:
    """Whole lines as a recorder hands them on."""
    return [f"{n / 100:.6f},{n},{n * 10},{n % 50 / 10:.2f},{5 - n % 50 / 100:.3f},ok"
            for n in range(first, first + count)]


@pytest.fixture
def readings():
    return lines


class Told:
    """What a command said: exit code, stdout, stderr."""

    def __init__(self, code: int, out: str, err: str) -> None:
        self.code, self.out, self.err = code, out, err

    @property
    def json(self):
        return json.loads(self.out)


@pytest.fixture
def padlab(capsys):
    """Run one command line as a user does, without a new process."""

    def call(*arguments: object) -> Told:
        capsys.readouterr()
        with pytest.raises(SystemExit) as left:
            main([str(a) for a in arguments])
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return Told(left.value.code, out, err)

    return call


@pytest.fixture
def pad_file(tmp_path: Path) -> Path:
    path = tmp_path / "A3.toml"
    lines = starter("pad").splitlines(keepends=True)       # filled in: no longer the example
    path.write_text("".join(line for line in lines if not line.startswith("example")), encoding="utf-8")
    return path
