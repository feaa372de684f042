"""A rig with errors of its own, runs of it on a shelf, and the command line; all of it invented."""

from __future__ import annotations

import json
import random
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from padlab.capture.procedure import read_procedure
from padlab.capture.virtual.hand import Hand, play
from padlab.capture.virtual.physics import Spring, bare_anvils
from padlab.capture.virtual.readings import RigErrors, simulate_readings
from padlab.capture.virtual.simulate import as_pad, bench_record, prepared
from padlab.capture.virtual.stocks import make_pad
from padlab.cli.main import main
from padlab.records.raw_log import read_raw
from padlab.records.run import Run
from padlab.records.shelf import Shelf
from padlab.signals.merge import samples_from_raw

START = datetime(2026, 7, 4, 8, 15, 30, tzinfo=UTC)


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
def shelf(tmp_path: Path) -> Shelf:
    return Shelf(tmp_path / "shelf")


class Bench:
    """The virtual bench with given errors; it records onto one shelf what its instruments say."""

    def __init__(self, shelf: Shelf) -> None:
        self.shelf, self.rng, self.ids = shelf, np.random.default_rng(21), random.Random(5)
        self.errors = RigErrors(force_scale=0.03, force_offset_n=0.05, displacement_scale=-0.02)
        self.rig = bench_record()

    def record(self, material: str | None = None, *, procedure: str | None = None, start: datetime = START,
               errors: RigErrors | None = None, pad: int = 1, spring: bool = False) -> Run:
        """A run of a pad, or (no material) of the bare anvils, or of a spring."""
        plan = read_procedure(procedure or ("standard" if material else "blank"))
        if material is None:
            piece = Spring() if spring else bare_anvils()
        else:
            piece = prepared(make_pad(material, lot=1, pad=pad, seed=3), plan)
        motion = play(piece, plan, hand=Hand(), rate_hz=50.0, rng=self.rng)
        said = simulate_readings(motion, errors or self.errors, self.rng, instrument=self.rig.instruments[0])
        recording = self.shelf.begin(
            kind="check" if spring else plan.kind, procedure=plan.to_json(),
            pad=as_pad(piece) if material else None, rig=self.rig,
            environment={"temperature_c": 21.0}, start_utc=start, monotonic_s=0.0, rng=self.ids)
        ticks = np.round(said.clock_s * 1e6).astype(np.int64)
        columns = (said.clock_s, np.arange(ticks.size), ticks, said.force_counts, said.displacement_counts)
        assert self.rig.instruments[0].columns == ("counter", "clock", "force", "displacement")
        recording.append("main", [f"{h:.6f},{n},{t},{f},{x}" for h, n, t, f, x in zip(*columns, strict=True)])
        return recording.close("complete", derive=lambda run: samples_from_raw(run, read_raw(run)))

    def weights(self, path: Path, kilograms: list[float], *, repeats: int = 3, noise: float = 0.002) -> Path:
        """A dead-weight table as this bench would show it at 50 degrees and 100 m."""
        rows = ["series,way,kg,counts"]
        for k in range(repeats):
            for way, order in (("up", kilograms), ("down", kilograms[::-1])):
                for kg in order:
                    true = kg * 9.810396 * (1 - 1.2 / 7850)
                    seen = true * (1 + self.errors.force_scale) + self.errors.force_offset_n
                    rows.append(f"{k},{way},{kg},{round((seen + self.rng.normal(0, noise)) * 1000)}")
        path.write_text("\n".join(rows) + "\n")
        return path

    def blocks(self, path: Path, millimetres: list[float], *, repeats: int = 3) -> Path:
        """A gauge-block table as this bench would show it; the indicator reads in whole micrometres."""
        rows = ["mm,counts"]
        for _ in range(repeats):
            for mm in millimetres:
                seen = mm * (1 + self.errors.displacement_scale) + self.rng.normal(0, 0.0005)
                rows.append(f"{mm},{round(seen * 1000)}")
        path.write_text("\n".join(rows) + "\n")
        return path


@pytest.fixture
def bench(shelf: Shelf) -> Bench:
    return Bench(shelf)
