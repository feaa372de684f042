"""Vulcanised rubber pulled in one and in two directions.

Treloar, Trans. Faraday Soc. 40 (1944) 59; tables in kgf/cm2 (1 kgf/cm2 = 0.0980665 MPa). The constants
below were computed from the table by linear least squares (numpy 2.4), they are not published ones.
"""

from pathlib import Path

import numpy as np
import pytest
import scipy.optimize
import scipy.stats

from padlab.fitting.fit import fit
from padlab.fitting.laws import mooney_rivlin, rubber
from padlab.fitting.results import Verdict

DATA = Path(__file__).parent / "data"
MPA = 0.0980665


def table(name):
    rows = np.loadtxt(DATA / f"treloar_{name}_kgcm2.csv", delimiter=",", skiprows=1)
    return rows[1:, 0], rows[1:, 1] * MPA


def test_one_constant_up_to_a_stretch_of_1_6():
    stretch, stress = table("ux")
    few = stretch <= 1.6
    found = fit(mooney_rivlin.stress_law(two_constants=False), stretch[few], stress[few])
    assert 2 * found.values[0] == pytest.approx(0.3570, abs=5e-5)
    assert found.verdict is Verdict.GOOD


def test_two_constants_up_to_a_stretch_of_3():
    stretch, stress = table("ux")
    some = stretch <= 3.02
    found = fit(mooney_rivlin.stress_law(), stretch[some], stress[some])
    assert found.values == pytest.approx([0.11999, 0.07604], abs=5e-6)
    one = fit(mooney_rivlin.stress_law(two_constants=False), stretch[some], stress[some])
    n, gain = int(some.sum()), one.weighted_rss / found.weighted_rss
    assert n * np.log(gain) > mooney_rivlin.LEAST_GAIN


def test_two_constants_agree_with_another_library():
    """The deviation by scipy's own regression of reduced stress on 1/stretch (weights made equal)."""
    stretch, stress = table("ux")
    some = (stretch <= 3.02) & (stretch > 1.2)
    reduced = stress[some] / (2 * (stretch[some] - stretch[some] ** -2))
    weight = 2 * (stretch[some] - stretch[some] ** -2)
    line = scipy.stats.linregress(1 / stretch[some], reduced)
    found = fit(mooney_rivlin.stress_law(), stretch[some], stress[some], sigma=weight)
    assert found.values == pytest.approx([line.intercept, line.slope], rel=1e-9)
    assert found.stderr == pytest.approx([line.intercept_stderr, line.stderr], rel=1e-9)


def test_pulled_in_two_directions_is_squeezed_in_the_third():
    """Equibiaxial stretch b is a compression to b^-2: the law of the pad against that table.

    Nominal stress of the two directions t gives the squeezing stress on the first area t b^3
    (nothing changes its volume, and a pressure all round moves nothing). One constant, up to b = 1.3:
    Treloar drew G = 4.0 kgf/cm2 through his measurements (from memory).
    """
    b, stress = table("bx")
    few = (b <= 1.3) & (b > 1.0)
    lam = b[few] ** -2
    squeezed = stress[few] * b[few] ** 3
    found = fit(rubber.law(area_mm2=1.0, thickness_mm=1.0), squeezed, 1 - lam)
    assert found.values[0] == pytest.approx(4.0 * MPA, rel=0.10)
    # Another search, another way to turn the law round: scipy's, with the stretch by brentq.
    def squeeze(f, g):
        return np.array([1 - scipy.optimize.brentq(lambda s, f=f: s**-2 - s - f / g, 0.05, 1.0) for f in f])

    [other], covariance = scipy.optimize.curve_fit(squeeze, squeezed, 1 - lam, p0=[0.3])
    assert found.values[0] == pytest.approx(other, rel=1e-6)
    assert found.stderr[0] == pytest.approx(float(np.sqrt(covariance[0, 0])), rel=1e-4)
