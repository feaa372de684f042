"""A dead-weight session with an indicator only, against a load-cell session on the same virtual pad.

Both sessions stand by what the virtual rig is made of (contacts that grow in number, slip, thermally
activated flow: no formula of the analysis), not by each other's code: one is read from presses at bench
speed, the other from weights that lie still. What is promised: they differ by less than the joint 95 %
half-width, and that is at most 10 % of the value.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from padlab.calibration.frame import Frame
from padlab.calibration.loads import STANDARD_GRAVITY, load_of
from padlab.capture.procedure import Procedure, Step, read_procedure
from padlab.capture.virtual.simulate import simulate
from padlab.capture.virtual.stocks import MATERIALS
from padlab.capture.virtual.weighed import simulate_weighed
from padlab.errors import FitError, RunError
from padlab.fitting.run_fit import fit_run
from padlab.fitting.weighings import landed_s, weighings

MOST = 0.10
LIGHT = 0.12
SMALL = {"sheet cork": 0.30, "rubber cork": 0.60, "dense polymer": 1.30}
"""Those that sink by 1.6, 0.8 and 0.3 um a decade, against an indicator that says whole micrometres ten
times a second: the joint half-width of the sinking is that share of the value, at most."""
CHOSEN = [("wool felt", 11), ("sheet cork", 12)]


@pytest.fixture(scope="module")
def weighed():
    """Sessions are made once, for all tests of this file."""
    made = {}

    def of(material, seed=11):
        if (material, seed) not in made:
            run = simulate_weighed(material, seed=seed)
            made[material, seed] = run, fit_run(run)
        return made[material, seed]
    return of


def half(q):
    return (q["high"] - q["low"]) / 2


def joint(a, b):
    """The difference and the joint 95 % half-width, as shares of the load cell's value."""
    return abs(a["value"] - b["value"]) / b["value"], math.hypot(half(a), half(b)) / b["value"]


def stiffnesses(fit, forces=(2.0, 3.5, 8.0, 12.5)):
    rows = fit.json["compression"]["tangent_stiffness_n_per_mm"]
    return [r for r in rows if r["force_n"] in forces]


def held(material, seed):
    run = simulate(material, seed=seed, procedure="held-note").run
    return fit_run(run).json["creep"]["fraction_per_decade"]


@pytest.mark.parametrize(("material", "seed"), CHOSEN)
def test_stiffness_and_give_are_those_of_the_load_cell(weighed, material, seed):
    _, fit = weighed(material, seed)
    cell = fit_run(simulate(material, seed=seed).run)
    for a, b in zip(stiffnesses(fit), stiffnesses(cell), strict=True):
        apart, allowed = joint(a, b)
        # Where the load-cell session by itself is known to over 6 %, as in the long study.
        most = MOST if half(b) <= 0.06 * b["value"] else LIGHT
        assert apart < allowed <= most, (material, a["force_n"], apart, allowed)
    apart, allowed = joint(fit.json["compression"]["give_mm"], cell.json["compression"]["give_mm"])
    assert apart < allowed <= MOST


def test_sinking_is_that_of_a_weight_on_the_lever(weighed):
    _, fit = weighed("wool felt", 11)
    apart, allowed = joint(fit.json["creep"]["fraction_per_decade"], held("wool felt", 11))
    assert apart < allowed <= MOST


def test_a_hard_pad_is_told_with_a_wider_doubt_not_with_a_wrong_number(weighed):
    """One number of a dense polymer is beyond 10 %: it sinks by a third of the indicator's step a decade."""
    _, fit = weighed("dense polymer", 11)
    creep = fit.json["creep"]
    truth = simulate("dense polymer", seed=11, procedure="held-note").truth.creep_per_decade()
    assert creep["fraction_per_decade"]["low"] < truth < creep["fraction_per_decade"]["high"]
    assert half(creep["fraction_per_decade"]) > MOST * truth


@pytest.mark.parametrize("seeds", [(21,), pytest.param(tuple(range(20, 28)), marks=pytest.mark.long)])
def test_twice_the_repeats_bring_a_stiff_pad_to_ten_percent_but_for_a_light_force(seeds):
    """Both sessions as their procedures for stiff pads ask: at 3.5, 8 and 12.5 N and for the give 10 % holds.

    At 2 N, where strokes differ most, it does not: of eight pads five had a half-width of 10 to 14 %.
    """
    beyond = numbers = 0
    for seed in seeds:
        fit = fit_run(simulate_weighed("dense polymer", seed=seed, procedure="dead-weight-stiff"))
        cell = fit_run(simulate("dense polymer", seed=seed, procedure="standard-stiff").run)
        pairs = list(zip(stiffnesses(fit), stiffnesses(cell), strict=True))
        pairs.append((fit.json["compression"]["give_mm"], cell.json["compression"]["give_mm"]))
        for a, b in pairs:
            apart, allowed = joint(a, b)
            print(f"pad {seed}, {a.get('force_n', 'give')}: apart {apart:.3f}, half-width {allowed:.3f}")
            beyond, numbers = beyond + (apart >= allowed), numbers + 1
            assert allowed <= (0.15 if a.get("force_n") == 2.0 else MOST), (seed, a, b)
    assert beyond <= 0.1 * numbers


@pytest.mark.long
@pytest.mark.parametrize("material", list(MATERIALS))
def test_study_of_all_materials_and_many_pads(material):
    """Eight pads of each material; stiffness at four forces, the give, and the sinking.

    One in twenty may lie beyond a 95 % interval; of 48 numbers of a material at most four do. The half-width
    is at most 10 % but where ``SMALL`` says otherwise, and where the load-cell session alone has over 6 %
    (light forces, where its strokes differ most), as it always has on the dense polymer; there three rounds
    of weights give 2 N to 9 to 11 %.
    """
    beyond, numbers = 0, 0
    for seed in range(20, 28):
        fit, cell = fit_run(simulate_weighed(material, seed=seed)), fit_run(simulate(material, seed=seed).run)
        pairs = list(zip(stiffnesses(fit), stiffnesses(cell), strict=True))
        pairs.append((fit.json["compression"]["give_mm"], cell.json["compression"]["give_mm"]))
        for a, b in pairs:
            apart, allowed = joint(a, b)
            beyond, numbers = beyond + (apart >= allowed), numbers + 1
            light = material == "dense polymer" and a.get("force_n") == 2.0
            # Three rounds leave few degrees of freedom: two of eight hard pads are known to 12 % at 8 N.
            most = MOST if material != "dense polymer" else 0.13
            assert allowed <= (most if half(b) <= 0.06 * b["value"] and not light else 0.20), (seed, a, b)
            assert half(a) <= MOST * a["value"] or material == "dense polymer", (seed, a)
        apart, allowed = joint(fit.json["creep"]["fraction_per_decade"], held(material, seed))
        beyond, numbers = beyond + (apart >= allowed), numbers + 1
        assert allowed <= SMALL.get(material, 0.115), (seed, apart, allowed)
    assert beyond <= 4, f"{beyond} of {numbers}"


# -- the force ------------------------------------------------------------------------------------------


def test_the_force_is_that_of_the_weights_at_their_place():
    """0.5 kg of steel at 50 degrees north, 100 m: 9.810396 m/s2 and 4.904448 N.

    Source: the gravity formula of the Geodetic Reference System (short form with the free-air term, from
    memory), buoyancy of 1.2 kg/m3 of air on 7850 kg/m3; the example was computed apart from this code.
    """
    load = load_of(latitude_deg=50.0, height_m=100.0)
    assert load.force_n(0.5) == pytest.approx(4.904448, rel=1e-6)
    assert load.relative_uncertainty < 0.001


def test_an_unknown_place_is_standard_gravity_with_its_doubt():
    """Equator 9.780327 m/s2, poles 9.832186 (the same formula): both within 95 % of the standard value.

    9.80665 m/s2: 3rd General Conference on Weights and Measures, 1901.
    """
    load = load_of(latitude_deg=None, height_m=None)
    for latitude, g in ((0.0, 9.780327), (90.0, 9.832186)):
        assert load_of(latitude_deg=latitude, height_m=0.0).n_per_kg == pytest.approx(
            g * (1 - 1.2 / 7850), rel=1e-6)
        assert abs(g / STANDARD_GRAVITY - 1) < 1.96 * load.relative_uncertainty


def test_the_place_goes_with_the_result(weighed):
    run, known = weighed("wool felt", 11)
    assert known.json["conditions"]["weights"]["latitude_deg"] == 50.0
    assert "place_unknown" not in {m.code for m in known.marks}
    unknown = fit_run(replace(run, environment={"temperature_c": 21.0}))
    assert "place_unknown" in {m.code for m in unknown.marks}
    assert unknown.json["conditions"]["weights"]["latitude_deg"] is None
    for odd in ("50", True, math.nan, 400.0, None):
        marks = {m.code for m in fit_run(replace(run, environment={"latitude_deg": odd})).marks}
        assert "place_unknown" in marks


# -- what is not known is null ----------------------------------------------------------------------------


def test_what_weights_cannot_tell_is_null(weighed):
    _, fit = weighed("wool felt", 11)
    j = fit.json
    assert j["hysteresis"] is None
    assert j["compression_set"] is None
    assert j["warm_up_mm"] is None
    assert j["conditions"]["rate_mm_per_s"] is None
    assert {"by_weights", "uncalibrated"} <= {m.code for m in fit.marks}
    assert j["good_to_n"] == pytest.approx(1.8 * 9.8092, rel=1e-3)
    assert not any(m.code == "no_hold" for m in fit.marks)
    names = {s["name"] for s in j["budget"]["sources"]}
    assert {"repeat strokes", "indicator scale", "frame", "weights", "time under load"} <= names


def test_a_load_cell_is_not_missed_but_an_indicator_is(weighed):
    run, _ = weighed("wool felt", 11)
    with pytest.raises(RunError, match="displacement_mm"):
        fit_run(replace(run, _samples=run.samples[["time_s"]]))


def test_too_few_weights_are_refused_with_a_remedy(weighed):
    run, _ = weighed("wool felt", 11)
    with pytest.raises(FitError, match="too few weights"):
        fit_run(replace(run, steps=run.steps[:12]))
    with pytest.raises(FitError, match="too few weights"):
        fit_run(replace(run, steps=()))
    heavy = tuple(s for s in run.steps if (s["mass_kg"] or 1.0) > 0.04)
    with pytest.raises(FitError, match="lightest weight is too heavy") as told:
        fit_run(replace(run, steps=heavy))
    assert "counterweight" in told.value.remedy


def test_weights_from_below_only_are_not_ranked(weighed):
    run, _ = weighed("wool felt", 11)
    below, before = [], None
    for s in run.steps:
        if s["do"] == "away" or before is None or s["mass_kg"] >= before:
            below.append(s)
        before = s["mass_kg"]
    fit = fit_run(replace(run, steps=tuple(below)))
    assert {str(m.weight) for m in fit.marks if m.code == "one_limb"} == {"stop"}


def test_one_round_says_that_it_is_one(weighed):
    run, whole = weighed("wool felt", 11)
    one = fit_run(replace(run, steps=run.steps[:6 + 32]))
    assert "few_strokes" in {m.code for m in one.marks}
    assert "no_hold" in {m.code for m in one.marks}
    a, b = (f.json["compression"]["give_mm"] for f in (one, whole))
    assert half(a) > half(b)
    assert abs(a["value"] / b["value"] - 1) < 0.03


def test_a_weight_that_was_touched_is_left_out_and_named(weighed):
    run, whole = weighed("wool felt", 11)
    at = next(k for k, s in enumerate(run.steps) if s["label"] == "from below" and s["mass_kg"] == 0.2)
    steps = [dict(s) for s in run.steps]
    steps[at] |= {"good": False, "reason": "it was touched"}
    fit = fit_run(replace(run, steps=tuple(steps)))
    [told] = [m for m in fit.marks if m.code == "stroke_left_out"]
    assert told.message == "200 g left out: it was touched"
    assert fit.json["compression"]["give_mm"]["value"] == pytest.approx(
        whole.json["compression"]["give_mm"]["value"], rel=0.01)


def test_a_reading_under_which_the_indicator_strays_is_left_out(weighed):
    run, _ = weighed("wool felt", 11)
    samples = run.samples.copy()
    s = next(s for s in run.steps if s["label"] == "from above" and s["mass_kg"] == 0.6)
    late = (samples["time_s"] > s["to_s"] - 3) & (samples["time_s"] < s["to_s"])
    samples.loc[late, "displacement_mm"] += 0.03
    read = weighings(replace(run, _samples=samples), load_of(latitude_deg=50, height_m=0), Frame.unknown())
    odd = [w for w in read if "strayed" in w.reason]
    assert [(w.mass_kg, w.from_above) for w in odd] == [(0.6, True)]


@pytest.mark.parametrize("cut", ["text", "mass", "times"])
def test_odd_steps_in_a_record_are_no_traceback(weighed, cut):
    run, _ = weighed("wool felt", 11)
    steps = [dict(s) for s in run.steps]
    if cut == "text":
        steps.insert(5, {"do": "weight", "label": "<script>", "mass_kg": None, "from_s": 1.0, "to_s": 2.0,
                         "good": True, "reason": None})
    elif cut == "mass":
        steps[20]["mass_kg"] = 1e-9
    else:
        steps[20] |= {"from_s": 1e9, "to_s": -1e9}
    fit = fit_run(replace(run, steps=tuple(steps)))
    assert math.isfinite(fit.json["compression"]["give_mm"]["value"])


@pytest.mark.parametrize("seed", [22, 26])
def test_the_hardest_weight_is_read_from_the_air_as_all_others_are(seed):
    """After a light touch the pad had rested for longer: the stiffness of neoprene was 10 % too large."""
    fit, cell = fit_run(simulate_weighed("soft neoprene", seed=seed)), simulate("soft neoprene", seed=seed)
    a, b = stiffnesses(fit, (12.5,))[0], stiffnesses(fit_run(cell.run), (12.5,))[0]
    assert joint(a, b)[0] < 0.06
    assert a["low"] < cell.truth.stiffness_n_per_mm(12.5) < a["high"]


# -- stairs: the plain way to put weights on ----------------------------------------------------------------


def test_stairs_of_weights_are_read_with_the_doubt_of_what_is_carried(weighed):
    up = (0.0255, 0.05, 0.1, 0.2, 0.357, 0.6, 0.9, 1.275, 1.8)
    hard = [Step(do="weight", label="working-in", mass_kg=m, seconds=3) for m in (1.8, 0.0255) * 3]
    stairs = [Step(do="weight", label="stairs", mass_kg=m, seconds=4) for m in (*up, *up[-2::-1])]
    plan = Procedure("stairs", "pad", "Stairs", (*hard, *stairs * 3))
    fit = fit_run(simulate_weighed("wool felt", seed=11, procedure=plan))
    _, straight = weighed("wool felt", 11)
    truth = simulate("wool felt", seed=11).truth
    give, better = fit.json["compression"]["give_mm"], straight.json["compression"]["give_mm"]
    assert give["low"] < truth.give_mm() < give["high"]
    assert half(give) > half(better)
    assert "sunk before the reading" in {s["name"] for s in fit.json["budget"]["sources"]}


# -- parts ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("wait_s", [0.5, 4.0, 20.0])
def test_landing_is_found_however_late_the_operator_says_so(wait_s):
    time = np.arange(0, 60, 0.1)
    at = np.where(time < 10, -0.3, np.interp(time, [10, 11.5, 11.9], [-0.3, 0.0, 0.24]))
    at = at + np.where(time > 11.9, 0.008 * np.log10(1 + (time - 11.9).clip(0) / 0.1), 0)
    noisy = np.round(at + 0.0008 * np.random.default_rng(3).standard_normal(time.size), 3)
    assert landed_s(time, noisy, 0.0008, 8.0, 11.9 + wait_s) == pytest.approx(11.9, abs=0.21)


def test_the_procedure_reads_every_force_three_times_from_both_sides():
    steps = read_procedure("dead-weight").steps
    for label in ("from below", "from above"):
        masses = [s.mass_kg for s in steps if s.label == label]
        assert len(masses) == (27 if label == "from below" else 24)       # the hardest one from below only
        assert all(masses.count(m) == 3 for m in masses)
