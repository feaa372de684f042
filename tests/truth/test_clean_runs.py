"""Over thirty clean virtual runs, at most one is blamed for anything."""

from __future__ import annotations

import pytest

from padlab.capture.procedure import read_procedure
from padlab.capture.virtual.simulate import simulate
from padlab.capture.virtual.stocks import MATERIALS
from padlab.signals.judgement import judge


@pytest.mark.timeout(300)
def test_thirty_clean_runs_are_hardly_ever_blamed() -> None:
    procedure = read_procedure("standard")
    blamed = []
    for pad in range(5):
        for material in MATERIALS:
            run = simulate(material, pad=pad, seed=100 + pad, procedure=procedure).run
            found = judge(run.samples, run.procedure)
            if found:
                blamed.append((material, pad, [f.mark.message for f in found]))
    assert len(blamed) <= 1, blamed
