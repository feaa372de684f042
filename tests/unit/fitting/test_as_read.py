"""The step of an instrument as its readings show it, where the rig file states a finer one or none."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace
from typing import cast

import pytest

from padlab.capture.rig import read_rig
from padlab.fitting.as_read import rig_as_read
from padlab.records.rig_record import RigRecord
from padlab.records.run import Run

ELSEWHERE = cast(Run, SimpleNamespace(column_doubt={"displacement_scale": 0.004}))


def bench(**resolution: float | None) -> RigRecord:
    rig = read_rig("bench").to_record()
    one = rig.instruments[0]
    channels = tuple(replace(c, resolution=resolution.get(c.quantity, c.resolution)) for c in one.channels)
    return replace(rig, instruments=(replace(one, channels=channels),))


@pytest.mark.parametrize("steps", [(0.005, None), (None, 0.0127), (0.005, 0.0127)])
def test_a_table_recorded_elsewhere_has_the_steps_that_are_seen(
        steps: tuple[float | None, float | None]) -> None:
    rig, marks = rig_as_read(ELSEWHERE, None, steps)
    assert rig is not None
    assert tuple(rig.channel(q).resolution for q in ("force", "displacement")) == steps
    assert rig.channel("displacement").scale_uncertainty == 0.004
    assert rig.channel("force").scale_uncertainty is None
    assert marks == []


def test_a_table_without_steps_has_no_rig() -> None:
    assert rig_as_read(ELSEWHERE, None, (None, None)) == (None, [])


def test_readings_on_coarser_steps_than_stated_count_and_are_told() -> None:
    stated = bench(force=0.002, displacement=0.001)
    rig, marks = rig_as_read(ELSEWHERE, stated, (0.002, 0.00149))     # under 1.5 times as coarse
    assert (rig, marks) == (stated, [])
    rig, marks = rig_as_read(ELSEWHERE, stated, (0.002, 0.00151))
    assert rig is not None
    assert [rig.channel(q).resolution for q in ("force", "displacement")] == [0.002, 0.00151]
    assert [(m.code, m.about) for m in marks] == [("coarser_than_stated", "displacement")]


def test_a_step_that_nobody_stated_is_taken_without_a_word() -> None:
    rig, marks = rig_as_read(ELSEWHERE, bench(displacement=None), (None, 0.0127))
    assert rig is not None
    assert rig.channel("displacement").resolution == 0.0127
    assert marks == []


def test_readings_whose_step_is_not_seen_keep_the_stated_one() -> None:
    assert rig_as_read(ELSEWHERE, bench(), (None, None)) == (bench(), [])

