"""What is read off a curve, and its doubt, where the curve is a logarithm and every number is known."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq

from padlab.calibration.frame import Frame
from padlab.fitting.compression import (
    OWN_FRAME,
    UNSEEN_SHARE,
    Curve,
    Limbs,
    curves_of,
    describe,
    frame_sources,
    gate_mm,
    gauge_moved,
    has_plateau,
    limb_curve,
)
from padlab.fitting.fit import fit
from padlab.fitting.laws import exponential, linear, power
from padlab.fitting.limbs import grid_force_n
from padlab.fitting.prepared import Prepared, sort_presses
from padlab.records.pad import F0_N
from padlab.records.rig_record import Channel
from padlab.signals.contact import ForceZero
from padlab.signals.cycles import find_presses
from padlab.statistics.quantity import with_doubt

GRID = grid_force_n(18.0)
A_MM = 0.1


def limbs(a_mm: float = A_MM, gap_mm: float = 0.0, lift_mm: float = 0.0) -> Limbs:
    """Position a log((F + F0) / (2 F0)); the way up a gap further on, which is nothing at the top."""
    way = a_mm * np.log((GRID + F0_N) / (2 * F0_N)) + lift_mm
    return Limbs(GRID, way, way + gap_mm * (1 - GRID / GRID[-1]))


def curve(base: Limbs | None = None, replicates: tuple[Limbs, ...] = (),
          moved: dict[str, Limbs] | None = None, within_mm: float = 0.0, share: float = 1.0) -> Curve:
    base = base or limbs()
    force = np.geomspace(0.3, 17.0, 50)
    points = force, A_MM * np.log((force + F0_N) / (2 * F0_N)), np.ones(50)
    return Curve(base, replicates, moved or {}, np.full(GRID.size, within_mm), (), points, share)


def at_ten(one: Limbs) -> float:
    return one.at(one.loading_mm, 10.0)


TEN_MM = A_MM * math.log(10.25 / 0.5)


def test_positions_and_stiffness_are_those_of_the_logarithm() -> None:
    one = limbs(gap_mm=0.02)
    assert at_ten(one) == pytest.approx(TEN_MM, rel=1e-9)
    assert one.loading_stiffness() == pytest.approx((GRID + F0_N) / A_MM, rel=1e-9)
    mean = one.mean_mm()
    assert mean[0] == 0.0
    middle = (one.loading_mm + one.unloading_mm) / 2
    assert mean == pytest.approx(middle - middle[0], abs=1e-12)
    handed = curves_of(curve(one, (limbs(0.11),), {"force scale": limbs(0.12), "force zero": limbs(0.13)}))
    assert handed.half_gap_mm == pytest.approx(0.01 * (1 - GRID / GRID[-1]), abs=1e-12)
    assert handed.replicate_mm.shape == (1, GRID.size)
    assert list(handed.rig_shift_mm) == ["force scale"]
    assert list(handed.own_shift_mm) == ["force zero"]
    assert handed.own_shift_mm["force zero"] == pytest.approx(limbs(0.13).mean_mm() - mean, abs=1e-12)
    assert curves_of(curve(limbs(gap_mm=-0.02))).half_gap_mm.max() == 0.0


def test_the_doubt_of_repeated_strokes_is_that_of_the_jackknife() -> None:
    """Of n leave-one-out values g: (n - 1)/n sum (g - mean)^2, with n - 1 degrees of freedom (Efron 1982,
    from memory); of means of n readings it is the standard error of the mean.
    """
    strokes = np.array([0.098, 0.101, 0.104, 0.099, 0.103])
    left_out = [float(np.delete(strokes, k).mean()) for k in range(5)]
    found = curve(limbs(float(strokes.mean())), tuple(limbs(a) for a in left_out)).quantity(at_ten)
    per_a = math.log(10.25 / 0.5)
    u = float(strokes.std(ddof=1)) / math.sqrt(5) * per_a
    expected = with_doubt(float(strokes.mean()) * per_a, u, degrees_of_freedom=4, positive=True)
    assert (found.value, found.low, found.high) == pytest.approx(
        (expected.value, expected.low, expected.high), rel=1e-9)


def test_sources_are_told_apart_by_name_and_by_whom_they_follow() -> None:
    seen = curve(moved={"force scale": limbs(0.101), "force zero": limbs(0.098)}, within_mm=0.001)
    names = [(name, systematic) for name, _, _, systematic in seen.sources(at_ten, within=0.001)]
    assert names == [("noise within strokes", False), ("stroke to stroke, not seen", False),
                     ("force scale", True), ("force zero", False)]
    u = [u for u, _ in seen.parts(at_ten, within=0.001)]
    per_a = math.log(10.25 / 0.5)
    assert u == pytest.approx([0.001, UNSEEN_SHARE * TEN_MM, 0.001 * per_a, 0.002 * per_a], rel=1e-6)
    assert [nu for _, nu in seen.parts(at_ten, within=0.001)] == [math.inf] * 4
    total = math.sqrt(sum(x * x for x in u))
    expected = with_doubt(TEN_MM, total, positive=True)
    found = seen.quantity(at_ten, within=0.001)
    assert (found.low, found.high) == pytest.approx((expected.low, expected.high), rel=1e-9)
    level = seen.quantity(at_ten, within=0.001, positive=False)
    assert level.high is not None
    assert level.low is not None
    assert level.high - TEN_MM == pytest.approx(TEN_MM - level.low)
    below = curve(moved={"force scale": limbs(0.101)}).quantity(lambda one: -at_ten(one))
    assert below.value < 0
    assert below.low is not None                         # what is not over nothing has no logarithm
    assert seen.rig_u_mm(10.0) == pytest.approx(math.hypot(0.001, 0.002) * per_a, rel=1e-6)
    assert curve().rig_u_mm(10.0) == 0.0


# -- the sources of gauge and frame ----------------------------------------------------------------


def dial(**how: float) -> Channel:
    return Channel("dial", "displacement", "mm", **how)


def test_a_step_of_the_dial_counts_where_the_noise_does_not_average_it_out() -> None:
    """As a rectangle of one step, kept at the upper end of what is read."""
    base, none = limbs(gap_mm=0.02), Frame.unknown()
    for noise, counts in ((0.0049, True), (0.0051, False)):
        moved = gauge_moved(base, dial(resolution=0.01), None, none, noise)
        assert list(moved) == (["indicator step"] if counts else [])
    by = gauge_moved(base, dial(resolution=0.01), None, none, 0.0)["indicator step"]
    assert by.loading_mm - base.loading_mm == pytest.approx(
        0.01 / math.sqrt(12) * (GRID - F0_N) / (18.0 - F0_N), abs=1e-12)
    assert by.unloading_mm - base.unloading_mm == pytest.approx(by.loading_mm - base.loading_mm, abs=1e-12)


def test_what_a_dial_strays_and_its_scale() -> None:
    base = limbs(gap_mm=0.02)
    moved = gauge_moved(base, dial(local_uncertainty=0.002), 0.003, Frame.unknown(), 0.0)
    assert sorted(moved) == ["indicator scale", "indicator, place by place"]
    assert (moved["indicator, place by place"].loading_mm - base.loading_mm)[-1] == pytest.approx(0.002)
    assert moved["indicator scale"].loading_mm == pytest.approx(1.003 * base.loading_mm)
    assert moved["indicator scale"].unloading_mm == pytest.approx(1.003 * base.unloading_mm)
    assert gauge_moved(base, None, None, Frame.unknown(), 0.0) == {}


def test_the_frame_s_doubt_begins_at_f0_and_takes_off_what_it_gives() -> None:
    stated = Frame.from_compliance(1e-3, 2e-4)
    [(name, shift)] = frame_sources(stated, GRID).items()
    assert name == "frame"
    assert shift == pytest.approx(2e-4 * (GRID - F0_N), rel=1e-9)
    moved = gauge_moved(limbs(), None, None, stated, 0.0)["frame"]
    assert moved.loading_mm - limbs().loading_mm == pytest.approx(-shift, abs=1e-12)
    grid = np.array([0.0, 20.0])
    measured = Frame(grid, 1e-3 * grid, 5e-4 * grid, "blank b1", own=3e-4 * grid)
    parts = frame_sources(measured, GRID)
    assert list(parts) == ["frame, blank b1", OWN_FRAME]
    assert parts["frame, blank b1"] == pytest.approx(4e-4 * (GRID - F0_N), rel=1e-6)
    assert parts[OWN_FRAME] == pytest.approx(3e-4 * (GRID - F0_N), rel=1e-6)
    late = Frame(np.array([0.0, 5.0, 20.0]), np.zeros(3), np.array([1e-3, 1e-3, 4e-3]), "blank b1",
                 own=np.array([0.0, 0.0, 3e-3]))
    assert list(frame_sources(late, GRID)) == ["frame, blank b1", OWN_FRAME]    # though nothing at first
    assert frame_sources(Frame.unknown(), GRID) == {}


# -- plateau and laws ------------------------------------------------------------------------------


@pytest.mark.parametrize(("soft", "again", "plateau"), [
    (0.25, 0.6, True), (0.35, 0.9, False), (0.25, 0.30, False), (0.25, 0.40, True)])
def test_a_plateau_is_softer_than_a_third_and_stiffens_again_by_half(soft: float, again: float, plateau: bool,
                                                                    ) -> None:
    """Stiffness 100 N/mm at first, a share of it in the middle, another at the end."""
    at = np.log(np.array([0.5, 1.0, 3.0, 6.0, 18.25]))
    k = 100 * np.interp(np.log(GRID + F0_N), at, [1, 1, soft, soft, again])
    force = GRID + F0_N
    way = np.concatenate([[0.0], np.cumsum(np.diff(force) / ((k[1:] + k[:-1]) / 2))])
    assert has_plateau(Limbs(GRID, way, way)) is plateau


def test_the_gate_is_two_micrometres_or_a_fiftieth() -> None:
    assert gate_mm(np.array([0.0, 0.05, 0.1, 0.5])) == pytest.approx([2e-3, 2e-3, 2e-3, 1e-2])


@pytest.mark.parametrize("share", [1.0, 0.5, 0.05])
def test_laws_are_told_apart_by_aicc_with_one_n_for_all(share: float) -> None:
    """Akaike's with 2K + 2K(K+1)/(n-K-1), K = parameters + 1 (Burnham & Anderson 2002, from memory)."""
    seen = curve(share=share)
    force, way, sigma = seen.points
    way = way + 1e-4 * np.random.default_rng(0).standard_normal(force.size)
    seen = Curve(seen.base, (), {}, seen.within_mm, (), (force, way, sigma), share)
    several = [linear.law(), exponential.law(), power.law()]
    chosen, best, differs = describe(seen, several)
    n = max(50 * share, 12.0)
    expected = {}
    for law in several:
        one = fit(law.from_zero(F0_N), force, way, sigma=sigma)
        k = len(one.values) + 1
        expected[law.name] = n * math.log(one.weighted_rss / 50) + 2 * k + 2 * k * (k + 1) / (n - k - 1)
    least = min(expected.values())
    total = sum(math.exp((least - a) / 2) for a in expected.values())
    told = {row["law"]: row for row in chosen.alternatives}
    assert [row["aicc"] for row in chosen.alternatives] == pytest.approx(sorted(expected.values()), abs=1e-4)
    for name, aicc in expected.items():
        assert told[name]["aicc"] == pytest.approx(aicc, abs=1e-4)
        assert told[name]["weight"] == pytest.approx(math.exp((least - aicc) / 2) / total, abs=1e-6)
    assert chosen.law == "exponential"
    assert best is not None
    assert best.values == pytest.approx([0.25, 1 / A_MM], rel=0.05)
    assert chosen.curve_mm == pytest.approx(limbs().loading_mm, abs=5e-4)
    assert differs                                       # nothing is doubted here: 0.1 um is too far
    wide = Curve(limbs(), (), {}, np.full(GRID.size, 1e-3), (), (force, way, sigma), share)
    assert not describe(wide, several)[2]


def test_laws_that_are_not_told_apart_are_drawn_as_their_weighted_mean() -> None:
    """A curve between two laws, and how far between is sought until they tie."""
    seen, laws = curve(), [exponential.law(), power.law()]
    force, way, sigma = seen.points
    way = 0.1 * way                                       # so little that neither law is 2 um off
    other = fit(power.law().from_zero(F0_N), force, way, sigma=sigma).predict(force)

    def between(share: float) -> Curve:
        return Curve(seen.base, (), {}, seen.within_mm, (), (force, way + share * (other - way), sigma), 1.0)

    def ahead(share: float) -> float:
        told = {row["law"]: row["aicc"] for row in describe(between(share), laws)[0].alternatives}
        return told["power"] - told["exponential"]

    share = brentq(ahead, 0.1, 0.9, xtol=1e-6)
    for at in (share + 5e-4, share - 5e-4):
        chosen = describe(between(at), laws)[0]
        assert 0 < abs(ahead(at)) < 2
        weights = {row["law"]: row["weight"] for row in chosen.alternatives}
        each = {law.name: fit(law.from_zero(F0_N), force, between(at).points[1], sigma=sigma).predict(GRID)
                for law in laws}
        mean = sum(weights[name] * each[name] for name in each)
        assert chosen.curve_mm == pytest.approx(mean, abs=1e-8)
        assert np.max(np.abs(chosen.curve_mm - each[chosen.law])) > 1e-5


def test_constants_of_a_law_are_doubted_as_the_curve_is() -> None:
    """Of x = ln((F + a)/(F0 + a)) / B a scale of the indicator moves B alone, by as much the other way."""
    law = [exponential.law()]
    steady = (limbs(), limbs())
    moved = {"indicator scale": limbs(1.02 * A_MM)}
    scale = describe(curve(replicates=steady, moved=moved), law)[0].parameters
    assert (scale["B"].low, scale["B"].high) == pytest.approx(
        (math.exp(-1.96 * 0.02) / A_MM, math.exp(1.96 * 0.02) / A_MM), rel=1e-4)
    assert (scale["a"].low, scale["a"].high) == pytest.approx((0.25, 0.25), rel=1e-4)
    # Of two leave-one-out curves 2 % apart the jackknife's standard error is 1 %, of one degree of freedom.
    strokes = describe(curve(replicates=(limbs(0.99 * A_MM), limbs(1.01 * A_MM))), law)[0].parameters
    assert strokes["B"].high == pytest.approx(math.exp(12.706 * 0.01) / A_MM, rel=1e-4)
    # Strokes that agree by chance do not make the noise within them small.
    seen = curve(replicates=steady)
    force, way, sigma = seen.points
    way = way + 1e-3 * np.random.default_rng(0).standard_normal(force.size)
    seen = Curve(seen.base, steady, {}, seen.within_mm, (), (force, way, sigma), 0.5)
    chosen, best, _ = describe(seen, law)
    assert best is not None
    assert best.stderr is not None
    b = chosen.parameters["B"]
    assert b.high == pytest.approx(b.value * math.exp(12.706 * float(best.stderr[1]) / b.value), rel=1e-4)


def test_no_law_is_told_of_too_few_points() -> None:
    seen = curve()
    few = Curve(seen.base, (), {}, seen.within_mm, (), tuple(p[:2] for p in seen.points), 1.0)  # type: ignore[arg-type]
    chosen, best, differs = describe(few, [exponential.law(), power.law()])
    assert (chosen.law, best, differs) == ("none", None, False)


def test_a_law_leaves_the_curve_where_it_lies_beyond_two_standard_uncertainties() -> None:
    """Whether strokes, sources of the rig or noise within strokes make them; here each alone."""
    off = limbs(0.101).loading_mm - limbs().loading_mm   # the law is found from points on the other curve
    for share, differs in ((0.45, True), (0.55, False)):
        near = Limbs(GRID, limbs(0.101).loading_mm + share * off, limbs(0.101).unloading_mm)
        rig = curve(limbs(0.101), moved={"force scale": near})
        noise = Curve(rig.base, (), {}, share * np.abs(off), (), rig.points, 1.0)
        # Of two leave-one-out curves d apart the jackknife's standard error is d / 2.
        apart = tuple(Limbs(GRID, rig.base.loading_mm + side * share * off, rig.base.unloading_mm)
                      for side in (-1, 1))
        for seen in (rig, noise, curve(limbs(0.101), apart)):
            assert describe(seen, [exponential.law()])[2] is differs


def test_the_points_for_the_laws_lie_on_the_curve_wherever_each_stroke_stands() -> None:
    """Strokes on one logarithm, each a little further on: 12, 0, 7, 3 and 20 um."""
    down = np.geomspace(0.02, 18.25, 300) - 0.02
    force, position = [np.zeros(60)], [np.zeros(60)]
    for lift in (0.012, 0.0, 0.007, 0.003, 0.020):
        way = lift + A_MM * np.log((down + F0_N) / (2 * F0_N))
        force += [down, down[::-1][1:], np.zeros(30)]
        position += [way, way[::-1][1:], np.full(30, way[0])]
    f, x = np.concatenate(force), np.concatenate(position)
    time = 0.02 * np.arange(f.size)
    strokes, peak = sort_presses(find_presses(time, f), time, f, x, ())
    seen = limb_curve(Prepared(time, f, x, ForceZero(0.0, 0.0, 0.0, "idle", None, False), 1e-5,
                               tuple(strokes), peak), None, Frame.unknown(), {})
    assert len(seen.used) == 2                           # three work in
    force_n, way_mm, _ = seen.points
    assert force_n.size > 30
    assert force_n.min() > F0_N
    assert way_mm == pytest.approx(A_MM * np.log((force_n + F0_N) / (2 * F0_N)), abs=1e-4)
    assert seen.base.loading_mm == pytest.approx(
        A_MM * np.log((seen.base.force_n + F0_N) / (2 * F0_N)), abs=1e-4)
    chosen, _, _ = describe(seen, [linear.law(), exponential.law()])
    assert chosen.law == "exponential"


def test_the_weights_of_a_reading_are_those_of_its_straight_line() -> None:
    """Inside, on the points and beyond both ends."""
    force = np.geomspace(F0_N, 18.0, 60)
    limbs = Limbs(force, np.sqrt(force), 1.1 * np.sqrt(force))
    for at_n in (0.1, F0_N, 0.3, 3.5, 17.99, 18.0, 25.0, *force[[3, 30, 59]]):
        weights = limbs.weights(float(at_n))
        assert weights.sum() == pytest.approx(1.0, abs=1e-12)
        assert weights @ limbs.loading_mm == pytest.approx(limbs.at(limbs.loading_mm, float(at_n)), abs=1e-12)
