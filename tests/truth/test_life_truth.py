"""Wear, life and ageing held to closed forms, published tables and an independent library."""

import json
import math
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from padlab.calibration.reading_fit import fit_readings
from padlab.drift.ageing import acceleration, ageing, shift_wlf, thermal_slope
from padlab.drift.life import Service, stock_life
from padlab.fitting.laws import wearing
from padlab.fitting.wear import WearReadings, fit_paths
from padlab.fitting.wear_run import PadLoss, depth_of_mass_mm
from padlab.records.pad import annulus_area_mm2
from padlab.statistics.equivalence import paired_equivalence
from padlab.statistics.lifetimes import maximum_likelihood, new_pad
from padlab.statistics.quantity import t95

DATA = Path(__file__).parent / "data"
LIVES = json.loads((DATA / "life_fits.json").read_text("utf-8"))

# Seven pads that wear steadily [um per 100,000 strokes], a limit of 3 thou, 500,000 strokes a year. The
# answers were computed by an independent script (numpy and scipy only, closed forms); values with their
# printed digits.
SLOPES_UM = (1.31, 1.62, 1.10, 1.87, 1.44, 1.23, 1.65)
LIMIT_MM = 0.0762
SERVICE = Service(2000, 250 / 365.25 * 7)
READ_AT = np.linspace(1.25e5, 2.5e6, 20)


def seven_pads(lots=("1",) * 7):
    readings = [WearReadings(f"A{i}", lot, READ_AT, slope * 1e-8 * READ_AT)
                for i, (slope, lot) in enumerate(zip(SLOPES_UM, lots, strict=True))]
    return [(f"run {r.pad}", PadLoss(r, "strokes", 1.6, None, None, None, ())) for r in readings]


@pytest.fixture(scope="module")
def one_lot():
    return stock_life(seven_pads(), material="felt", material_class="felt", limit_mm=LIMIT_MM,
                      service=SERVICE)


def test_the_lives_of_seven_pads(one_lot):
    printed = (5.8168, 4.7037, 6.9273, 4.0749, 5.2917, 6.1951, 4.6182)
    assert [p.life / 1e6 for p in one_lot.pads] == pytest.approx(printed, abs=5e-5)
    logs = np.log([p.life for p in one_lot.pads])
    assert (logs.mean(), logs.std(ddof=1)) == (pytest.approx(15.482553, abs=5e-7),
                                               pytest.approx(0.185748, abs=5e-7))
    assert one_lot.paths.law == "steady"


def test_the_years_of_seven_pads(one_lot):
    assert one_lot.median("years").value == pytest.approx(10.593, abs=5e-4)
    assert one_lot.interval90("years") == pytest.approx((7.202, 15.581), abs=5e-4)
    assert one_lot.b10_lower95("years") == pytest.approx(6.349, abs=5e-4)
    logs = np.log([p.life for p in one_lot.pads])
    plug_in = math.exp(logs.mean() - stats.norm.ppf(0.9) * logs.std(ddof=1)) / SERVICE.strokes_per_year
    assert plug_in == pytest.approx(8.349, abs=5e-4)
    assert one_lot.about == "this lot only"
    assert one_lot.interval90("strokes") == pytest.approx((3.6010e6, 7.7905e6), rel=1e-4)


def test_the_weibull_of_seven_pads(one_lot):
    lognormal, weibull = one_lot.distributions
    assert weibull.parameters == (pytest.approx(6.346, rel=1e-3), pytest.approx(5.7722e6, rel=1e-3))
    assert lognormal.parameters[1] == pytest.approx(0.185748 * math.sqrt(6 / 7), abs=1e-6)


def test_running_in_and_then_steadily():
    # w(1e6) = 20 um (1 - e^-20) + 14 um, N0 = 50,000.
    loss = wearing.running_in().value(np.array([1e6]), np.array([0.020, 5e4, 1.4e-8]))
    assert 1e3 * loss[0] == pytest.approx(34.0, abs=1e-6)


def test_mass_as_depth():
    # 1 mg off a 19 x 8 ring of 1.25 mg/mm3 is 3.43 um.
    area = annulus_area_mm2(outer_mm=19, inner_mm=8)
    depth = depth_of_mass_mm(1e-6, density_mg_per_mm3=1.25, area_mm2=area)
    assert 1e3 * depth == pytest.approx(3.43, abs=5e-3)


def test_arrhenius_with_both_energies():
    # 23 to 70 degC: 28.15 (60 kJ/mol) and 149.34 (90 kJ/mol).
    assert ageing(tested_c=70, service_c=23).factors == pytest.approx((28.15, 149.34), abs=5e-3)
    assert acceleration(energy_kj_per_mol=60, tested_c=23, service_c=23) == 1.0


def test_wlf_forty_kelvin_above_the_glass_temperature():
    # Universal constants 17.44 and 51.6 K of Williams, Landel & Ferry 1955 (from memory).
    assert shift_wlf(40) == pytest.approx(-7.6157, abs=5e-5)
    assert shift_wlf(10) == pytest.approx(-2.831169, abs=5e-7)


@pytest.mark.parametrize("name", ["lognormal", "weibull"])
@pytest.mark.parametrize("entry", LIVES["sets"], ids=lambda e: e["name"])
def test_distributions_against_an_independent_library(entry, name):
    # tests/truth/make_life_fits.py ran the library. Five digits, censored lives included.
    found = maximum_likelihood(entry["lives"], entry["reached"], name=name)
    assert [*found.parameters, found.log_likelihood] == pytest.approx(entry[name], rel=5e-6)


@pytest.mark.parametrize("name", ["lognormal", "weibull"])
@pytest.mark.parametrize("entry", LIVES["sets"], ids=lambda e: e["name"])
def test_distributions_against_scipy_s_general_search(entry, name):
    lives, reached = np.array(entry["lives"]), np.array(entry["reached"])
    scale = float(np.median(lives))
    data = stats.CensoredData(uncensored=lives[reached] / scale, right=lives[~reached] / scale)
    law = {"lognormal": stats.lognorm, "weibull": stats.weibull_min}[name]
    shape, _, size = law.fit(data, floc=0)
    found = maximum_likelihood(lives, reached, name=name)
    theirs = (math.log(size * scale), shape) if name == "lognormal" else (shape, size * scale)
    assert found.parameters == pytest.approx(theirs, rel=2e-4)          # as far as that search goes


def test_generator_fans_as_published():
    # 70 fans of diesel generators, 12 failures: Nelson, Applied Life Data Analysis, 1982; the table is
    # `genfan` of the R package survival. Weibull shape 1.058, scale 26,297 h (Meeker & Escobar 1998; from
    # memory).
    fans = next(e for e in LIVES["sets"] if e["name"] == "generator fans")
    assert (len(fans["lives"]), sum(fans["reached"])) == (70, 12)
    shape, scale = maximum_likelihood(fans["lives"], fans["reached"], name="weibull").parameters
    assert (shape, scale) == (pytest.approx(1.058, abs=5e-4), pytest.approx(26297, abs=0.5))


def test_two_ways_of_measuring_tread_wear():
    # Tread life by loss of mass and by depth of the centre groove [100 miles], 16 tyres: NBS Handbook 91
    # (1963), p. 5-33, after Stiehler, Richey & Mandel 1953. The readings are from memory; that they give
    # the published slope and intercept of the line to all printed digits is their check.
    mass, groove = np.loadtxt(DATA / "tread_wear.csv", delimiter=",", skiprows=1).T
    assert thermal_slope(mass, groove).value == pytest.approx(0.790212, abs=5e-7)
    line = fit_readings(mass, groove).curve
    at_zero, per_one = line.reading(np.array([0.0])), line.reading(np.array([1.0]))
    assert line.degree == 1
    assert (at_zero[0], per_one[0] - at_zero[0]) == pytest.approx((13.50586, 0.790212), abs=5e-6)


def test_shoes_worn_in_pairs():
    # Box, Hunter & Hunter 1978: soles of two materials on the feet of ten boys; the table is `shoes` of the R
    # package MASS. Mean difference 0.41, t 3.348877 on 9 degrees of freedom.
    _, a, b = np.loadtxt(DATA / "shoes.csv", delimiter=",", skiprows=1).T
    worn = paired_equivalence(b.tolist(), a.tolist(), margin=1.0)
    t = worn.difference / worn.standard_error
    assert (worn.difference, t) == (pytest.approx(0.41, abs=1e-9), pytest.approx(3.348877, abs=5e-7))
    assert worn.degrees_of_freedom == 9
    theirs = stats.ttest_rel(b, a).confidence_interval(0.95)
    half = t95(worn.degrees_of_freedom) * worn.standard_error
    ours = (worn.difference - half, worn.difference + half)
    assert ours == pytest.approx((theirs.low, theirs.high), rel=1e-9)


def test_lots_that_each_show_one_pad_are_as_one_sample():
    # With one pad a lot, a pad of a new lot is one more draw from the same normal: Student's interval again.
    logs = np.log([76.2 / s for s in SLOPES_UM])
    lots = new_pad({str(i): [y] for i, y in enumerate(logs)})
    alone = new_pad({"1": list(logs)})
    assert lots.about == "new lot"
    half = stats.t.ppf(0.95, 6) * logs.std(ddof=1) * math.sqrt(1 + 1 / 7)
    assert (lots.low90, lots.high90) == pytest.approx((logs.mean() - half, logs.mean() + half), rel=1e-12)
    assert (lots.low90, lots.high90) == pytest.approx((alone.low90, alone.high90), rel=1e-12)
    # The bound by quadrature is the noncentral t's there, within the grid's 1 %.
    assert lots.centre - lots.b10_lower95 == pytest.approx(alone.centre - alone.b10_lower95, rel=0.01)


def test_every_law_of_loss_finds_its_own_path():
    n = np.linspace(1e5, 2e6, 20)
    rng = np.random.default_rng(7)
    for law, theta in ((wearing.steady(), [1.4e-8]), (wearing.running_in(), [0.008, 1e5, 1.2e-8]),
                       (wearing.power(), [0.006, 0.55]), (wearing.saturating(), [0.05, 6e5, 0.9]),
                       (wearing.logarithmic(), [0.02, 3e4])):
        pads = [WearReadings(str(i), "1", n, law.value(n, np.array(theta)) * (1 + 0.1 * i)
                             + rng.normal(0, 1e-4, n.size)) for i in range(4)]
        assert fit_paths(pads).law == law.name
