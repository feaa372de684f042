"""Certified nonlinear fits: NIST Statistical Reference Datasets (StRD), US public domain.

https://www.itl.nist.gov/div898/strd/nls/nls_main.shtml; the files beside this test are NIST's own.
"""

from pathlib import Path

import numpy as np
import pytest

from padlab.fitting.fit import fit
from padlab.fitting.laws import power, sinking
from padlab.fitting.results import Verdict

DATA = Path(__file__).parent / "data"


def read(name):
    lines = (DATA / f"{name}.dat").read_text().splitlines()[60:]
    table = np.array([[float(v) for v in line.split()] for line in lines if line.strip()])
    return table[:, 1], table[:, 0]


def matching_digits(found, certified):
    """Number of digits in which two numbers agree (log relative error, as NIST scores it)."""
    error = abs(found - certified) / abs(certified)
    return 15.0 if error == 0 else -np.log10(error)


CASES = [
    # law, data set, starts (both of NIST's), certified values, certified standard deviations
    (power.force_law, "DanWood", ([1.0, 5.0], [0.7, 4.0]),
     (7.6886226176e-01, 3.8604055871e00), (1.8281973860e-02, 5.1726610913e-02)),
    (sinking.approach, "Misra1a", ([500.0, 0.0001], [250.0, 0.0005]),
     (2.3894212918e02, 5.5015643181e-04), (2.7070075241e00, 7.2668688436e-06)),
]


@pytest.mark.parametrize("start", [0, 1, None], ids=["start 1", "start 2", "own guess"])
@pytest.mark.parametrize(("law", "name", "starts", "values", "deviations"), CASES, ids=["DanWood", "Misra1a"])
def test_certified_digits(law, name, starts, values, deviations, start):
    x, y = read(name)
    found = fit(law(), x, y, start=None if start is None else np.array(starts[start]))
    assert found.verdict is Verdict.GOOD
    for value, certified in zip(found.values, values, strict=True):
        assert matching_digits(value, certified) >= 6
    for deviation, certified in zip(found.stderr, deviations, strict=True):
        assert matching_digits(deviation, certified) >= 4
