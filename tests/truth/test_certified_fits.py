"""Certified nonlinear fits: NIST Statistical Reference Datasets (StRD), US public domain.

https://www.itl.nist.gov/div898/strd/nls/nls_main.shtml; the files beside this test are NIST's own.
"""

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from padlab.fitting.fit import fit
from padlab.fitting.laws import power, relaxation, sinking
from padlab.fitting.laws.law import Law, Parameter
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


def _bent(x, p):
    return np.exp(-p[0] * x) / (p[1] + p[2] * x)


BENT = Law(
    "exponential over a line", "y over x", "y = exp(-b1 x) / (b2 + b3 x)", "NIST StRD Chwirut2",
    tuple(Parameter(name, "1", "", 1e-9, 1e6) for name in ("b1", "b2", "b3")), _bent,
    lambda x, p: -_bent(x, p)[:, None] * np.column_stack(
        [x, 1 / (p[1] + p[2] * x), x / (p[1] + p[2] * x)]),
    lambda x, y: np.array([0.1, 1 / y.max(), 0.01]))
"""Of no pad: through the seam by which any law is fitted."""

CASES = [
    # law, data set, starts (all of NIST's), certified values, certified standard deviations
    (power.force_law(), "DanWood", ([1.0, 5.0], [0.7, 4.0]),
     (7.6886226176e-01, 3.8604055871e00), (1.8281973860e-02, 5.1726610913e-02)),
    (sinking.approach(), "Misra1a", ([500.0, 0.0001], [250.0, 0.0005]),
     (2.3894212918e02, 5.5015643181e-04), (2.7070075241e00, 7.2668688436e-06)),
    (relaxation.law(terms=3, rests=False), "Lanczos3",
     ([1.2, 0.3, 5.6, 5.5, 6.5, 7.6], [0.5, 0.7, 3.6, 4.2, 4.0, 6.3]),
     (8.6816414977e-02, 9.5498101505e-01, 8.4400777463e-01, 2.9515951832e00, 1.5825685901e00,
      4.9863565084e00),
     (1.7197908859e-02, 9.7041624475e-02, 4.1488663282e-02, 1.0766312506e-01, 5.8371576281e-02,
      3.4436403035e-02)),
    (BENT, "Chwirut2", ([0.1, 0.01, 0.02], [0.15, 0.008, 0.010]),
     (1.6657666537e-01, 5.1653291286e-03, 1.2150007096e-02),
     (3.8303286810e-02, 6.6621605126e-04, 1.5304234767e-03)),
]
NAMES = [case[1] for case in CASES]


@pytest.mark.parametrize("start", [0, 1, None], ids=["start 1", "start 2", "own guess"])
@pytest.mark.parametrize("way", ["as reported", "all parameters searched"])
@pytest.mark.parametrize(("law", "name", "starts", "values", "deviations"), CASES, ids=NAMES)
def test_certified_digits(law, name, starts, values, deviations, way, start):
    """Seven digits of the values and five of their deviations from every start of NIST's."""
    if way == "all parameters searched":
        law = replace(law, separable=None)
    x, y = read(name)
    found = fit(law, x, y, start=None if start is None else np.array(starts[start]))
    assert found.verdict is Verdict.GOOD, found.reason
    order = np.arange(len(values))
    if name == "Lanczos3":                     # the sum does not care in which order its terms stand
        order = np.argsort(found.values[1::2]).repeat(2) * 2 + np.tile([0, 1], 3)
    for value, certified in zip(found.values[order], values, strict=True):
        assert matching_digits(value, certified) >= 7
    for deviation, certified in zip(found.stderr[order], deviations, strict=True):
        assert matching_digits(deviation, certified) >= 5


@pytest.mark.parametrize(("law", "name", "starts", "values", "deviations"), CASES, ids=NAMES)
def test_a_wild_start_never_ends_in_a_wrong_good(law, name, starts, values, deviations):
    x, y = read(name)
    random = np.random.default_rng(11)
    good = 0
    for _ in range(40):
        found = fit(law, x, y, start=np.array(starts[0]) * 10 ** random.uniform(-2, 2, len(starts[0])))
        if found.verdict is not Verdict.GOOD:
            continue
        good += 1
        assert found.weighted_rss == pytest.approx(
            fit(law, x, y, start=np.array(starts[1])).weighted_rss, rel=1e-6)
    assert good >= 10
