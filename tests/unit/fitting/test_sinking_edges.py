"""Sinking where the curve is the law itself: what is quoted, its bounds, and what may have shaken in."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
import scipy.stats

from padlab.fitting.creep import Carried, Hold, OpenLaw, _widen, half_widths, open_law, sinking_in
from padlab.fitting.fit import Fit, fit
from padlab.fitting.laws import sinking
from padlab.fitting.results import Creep, Verdict
from padlab.statistics.quantity import half_width95, t95

A_MM, B_MM = 0.2, 0.008
T = np.geomspace(0.2, 60.0, 36)


def hold(*, lead_s: float = 0.0, ramp_s: float = 2.0, shaken_mm: float = 0.0, noise_mm: float = 0.0,
         seed: int = 0, b_mm: float = B_MM, sigma: np.ndarray | None = None, history: float = 0.0) -> Hold:
    x = A_MM + b_mm * np.log10(T + lead_s) + noise_mm * np.random.default_rng(seed).standard_normal(T.size)
    ramp = np.linspace(-ramp_s, 0.0, 17)
    return Hold(T, x, 60.0, ramp, 1 + ramp / ramp_s, shaken_mm, sigma, history)


def sunk(seen: Hold, *, rig_u_mm: float = 0.0, crossing_u_mm: float = 0.0,
         times_s: tuple[float, ...] = (1.0, 10.0)) -> Creep:
    return sinking_in(seen, level_n=3.5, times_s=times_s, rig_u_mm=rig_u_mm, crossing_u_mm=crossing_u_mm)


def test_a_clock_that_did_not_run_ahead_leaves_nothing_open() -> None:
    found = sunk(hold())
    assert found.fraction_per_decade is not None
    assert found.fraction_per_decade.value == pytest.approx(B_MM / A_MM, rel=1e-6)
    assert found.fraction_standard_uncertainty == pytest.approx(0.0, abs=1e-4)
    assert found.verdict is Verdict.GOOD
    assert found.ramp_s == 2.0


def test_of_a_clock_that_ran_ahead_the_middle_of_both_stories_is_quoted() -> None:
    """b, or b log10((10 + t0) / (1 + t0)), over the position at 1 s; between them lies a rectangle."""
    lead = 2.0
    found = sunk(hold(lead_s=lead))
    at_one, own = A_MM + B_MM * math.log10(1 + lead), math.log10((10 + lead) / (1 + lead))
    assert found.fraction_per_decade is not None
    assert found.fraction_per_decade.value == pytest.approx(B_MM * (1 + own) / 2 / at_one, rel=1e-4)
    assert found.fraction_standard_uncertainty == pytest.approx(
        B_MM * (1 - own) / math.sqrt(12) / at_one, rel=1e-3)


def test_of_what_was_shaken_in_half_is_taken_off_and_half_is_doubt() -> None:
    shaken = 0.004
    plain, rubbed = sunk(hold()), sunk(hold(shaken_mm=shaken))
    assert plain.fraction_per_decade is not None
    assert rubbed.fraction_per_decade is not None
    off = plain.fraction_per_decade.value - rubbed.fraction_per_decade.value
    assert off == pytest.approx(shaken / A_MM / 2, rel=1e-4)
    assert rubbed.fraction_standard_uncertainty == pytest.approx(shaken / A_MM / math.sqrt(12), rel=1e-3)


def test_the_noise_widens_what_is_quoted_as_a_straight_line_is_known() -> None:
    """About s / sqrt(sum (log t - mean)^2) over the position, and more, for the clock is open too."""
    u = [sunk(hold(noise_mm=2e-5, seed=k)).fraction_standard_uncertainty for k in range(8)]
    s = np.log10(T)
    line = 2e-5 / math.sqrt(float(np.sum((s - s.mean()) ** 2))) / A_MM
    assert line < float(np.median(u)) < 4 * line         # type: ignore[arg-type]


def test_a_pad_that_rises_is_told_as_such_and_one_that_is_not_there_not_at_all() -> None:
    rises = sunk(hold(b_mm=-B_MM))
    assert rises.fraction_per_decade is not None
    assert rises.fraction_per_decade.value == pytest.approx(-B_MM / A_MM, rel=1e-3)
    under = Hold(T, -A_MM + B_MM * np.log10(T), 60.0, np.linspace(-2, 0, 17), np.linspace(0, 1, 17), 0.0)
    nothing = sunk(under)
    assert nothing.fraction_per_decade is None
    assert nothing.fraction_standard_uncertainty is None
    assert nothing.verdict is not Verdict.GOOD


@pytest.mark.parametrize(("history", "sigma"), [(0.0, None), (0.05, None), (0.05, np.full(T.size, 0.3))])
def test_what_a_weight_brought_is_read_and_not_fitted(history: float, sigma: np.ndarray | None) -> None:
    """Down in 0.4 s, evenly: the mean age of what the ramp brought is 0.2 s. A pad that sinks by the clock
    of each bit would, pressed without a ramp, show 1 / log10(10.2/1.2) as much; half of the more is added.
    """
    found = sunk(hold(ramp_s=0.4, history=history, sigma=sigma))
    read = B_MM / A_MM
    more = read / math.log10(10.2 / 1.2) - read
    assert found.fraction_per_decade is not None
    assert found.fraction_per_decade.value == pytest.approx(read + more / 2, rel=2e-4)
    u = math.hypot(more / math.sqrt(12), history * read)
    assert found.fraction_standard_uncertainty == pytest.approx(u, rel=0.02)
    shaken = 0.004                                       # between nothing and so much, taken off by half
    rubbed = sunk(hold(ramp_s=0.4, history=history, sigma=sigma, shaken_mm=shaken))
    assert rubbed.fraction_per_decade is not None
    assert rubbed.fraction_per_decade.value == pytest.approx(
        found.fraction_per_decade.value - shaken / A_MM / 2, rel=1e-3)
    assert rubbed.fraction_standard_uncertainty == pytest.approx(
        math.hypot(u, shaken / A_MM / math.sqrt(12)), rel=0.02)


def test_what_was_shaken_in_does_not_run_by_the_clock_of_the_pad() -> None:
    """It is taken off the slope that was seen; what is left is the pad's, and only that has two stories."""
    lead, shaken = 2.0, 0.003
    found = sunk(hold(lead_s=lead, shaken_mm=shaken)).fraction_per_decade
    at_one, own = A_MM + B_MM * math.log10(1 + lead), math.log10((10 + lead) / (1 + lead))
    assert found is not None
    middle = (B_MM - shaken / 2) * (1 + own) / 2 / at_one
    assert found.value == pytest.approx(middle, rel=1e-4)
    # The extremes, nothing or all of it shaken in and either clock, are hardly outside.
    half = half_width95(0.0, [shaken / 2 * (1 + own) / 2 / at_one,
                              (B_MM - shaken / 2) * (1 - own) / 2 / at_one])
    assert found.high - found.value == pytest.approx(half, rel=1e-3)       # type: ignore[operator]
    assert found.value - found.low == pytest.approx(half, rel=1e-3)        # type: ignore[operator]


def test_positions_have_the_doubt_of_rig_crossing_and_wander_and_half_of_what_was_shaken_in_is_off() -> None:
    rig, crossing, shaken = 0.0010, 0.0005, 0.0009
    found = sunk(hold(shaken_mm=shaken), rig_u_mm=rig, crossing_u_mm=crossing, times_s=(1.0, 10.0, 60.0))
    wider = t95(T.size - 2) / t95(math.inf)
    for row in found.predicted:
        decades = math.log10(row["at_s"])
        assert not row["extrapolated"]
        assert row["mm"].value == pytest.approx(A_MM + (B_MM - shaken / 2) * decades, abs=1e-6)
        assert row["mm"].high - row["mm"].value == pytest.approx(
            half_width95(wider * math.hypot(rig, crossing), [shaken * max(decades / 2, 1.0)]), rel=0.01)


def test_beyond_the_hold_all_laws_are_inside() -> None:
    """Those as well that the hold does not look like: a single approach ends far further back."""
    found = sunk(hold(shaken_mm=0.0009), rig_u_mm=0.001, times_s=(600.0,))
    [far] = found.predicted
    others = [a["predicted"][0]["mm"] for a in found.alternatives]
    assert far["extrapolated"]
    assert len(others) == 2
    assert min(q.value for q in others) < far["mm"].value - 0.004
    assert far["mm"].low <= min(q.low for q in others) + 1e-9
    assert far["mm"].high >= max(q.high for q in others) - 1e-9


@pytest.mark.parametrize(("u", "a"), [(1.0, 0.0), (1.0, 0.02), (1.0, 0.5), (1.0, 3.0), (0.01, 5.0), (0.0, 2)])
def test_the_table_of_half_widths_is_the_integral(u: float, a: float) -> None:
    assert half_widths(np.array([u]), np.array([a]))[0] == pytest.approx(half_width95(u, [a]), rel=2e-4)


def test_a_position_whose_doubt_could_not_be_found_is_not_told() -> None:
    bare = Fit(sinking.logarithmic(clock_s=0.0), np.array([A_MM, 0.04]), None, 36, 0, 0.0, 0.0,
               Verdict.UNDETERMINED, "")
    assert np.isfinite(bare.predict(T)).all()
    carried = Carried({"logarithmic": bare}, 0.001, 0.0, 0.0, 0.0, 60.0)
    assert [row["mm"] for row in carried.predicted("logarithmic", (1.0, 10.0))] == [None, None]


LATER_S = 600.0
SINKS = {
    "log": lambda t: 0.008 * np.log10(t),
    "power of 0.25": lambda t: 0.010 * t**0.25,
    "approach": lambda t: 0.010 * -np.expm1(-t / 100.0),
    "nothing": lambda t: 0.0 * t,
}


@pytest.mark.parametrize("sinks", SINKS.values(), ids=SINKS)
def test_a_hold_that_hardly_shows_how_it_sinks_has_an_end(sinks: Callable[[np.ndarray], np.ndarray]) -> None:
    """Readings off by 4 um, sinking by 10: a law whose own time stays open used to tell up to 1e90 mm."""
    ramp = np.linspace(-2.0, 0.0, 17)                    # its middle is where the pad's clock starts
    true, held, most = A_MM + float(sinks(np.array([LATER_S + 1.0]))[0]), 0, 0.0
    for seed in range(40):
        noise = 4e-3 * np.random.default_rng(seed).standard_normal(T.size)
        found = sunk(Hold(T, A_MM + sinks(T + 1.0) + noise, 60.0, ramp, 1 + ramp / 2, 0.0005),
                     rig_u_mm=5e-4, crossing_u_mm=5e-4, times_s=(LATER_S,))
        told = [found.predicted[0]["mm"], *(a["predicted"][0]["mm"] for a in found.alternatives)]
        assert None not in told
        most = max(most, *(q.high - q.low for q in told))                   # type: ignore[union-attr]
        held += told[0].low <= true <= told[0].high                         # type: ignore[union-attr]
        assert np.isfinite(found.curve_high_mm - found.curve_low_mm).all()  # type: ignore[operator]
    assert most < 0.5
    assert held >= 37


def test_a_law_that_the_hold_determines_is_carried_by_its_own_covariance() -> None:
    """And one that it does not is the mean of its lines within the bounds, each with scipy's errors."""
    law = sinking.findley(clock_s=1.0)
    x = A_MM + 0.010 * (T + 1.0) ** 0.25 + 1e-5 * np.random.default_rng(3).standard_normal(T.size)
    assert open_law(fit(law, T, x), T, x, None, 1.0) is None
    flat = A_MM + 1e-3 * np.random.default_rng(3).standard_normal(T.size)
    found = fit(law, T, flat)
    assert found.verdict is not Verdict.GOOD
    line = open_law(found, T, flat, None, 1.0)
    assert line is not None
    assert 0.01 <= line.q.min() < line.q.max() <= 1.0 + 1e-12
    straight = scipy.stats.linregress((T + 1.0) ** line.q[-1], flat)
    assert line.c[-1] == pytest.approx([straight.intercept, straight.slope], rel=1e-6)
    least = min(float(np.sum((flat - c[0] - c[1] * (T + 1.0) ** q) ** 2))
                for q, c in zip(line.q, line.c, strict=True))
    rss = float(np.sum((flat - straight.intercept - straight.slope * (T + 1.0) ** line.q[-1]) ** 2))
    scale = least / (T.size - 3) / (rss / (T.size - 2))
    assert line.covariance[-1, 1, 1] == pytest.approx(straight.stderr**2 * scale, rel=1e-6)


def test_a_covariance_that_is_no_number_any_more_is_none() -> None:
    """Without a warning: warnings are errors here."""
    huge = Fit(sinking.approach(), np.array([1e-9, 1.0]), np.diag([1e308, 1e300]), 36, 0, 0.0, 0.0,
               Verdict.UNDETERMINED, "")
    assert _widen(huge, 0.05).covariance is None
    assert _widen(huge, 1.0).covariance is not None


def test_what_an_open_law_leaves_open_is_where_its_lines_lie_and_their_own_errors() -> None:
    """Two approaches, 3 to 1 in weight, that have come to 1 and 2 um at the end, known to 0.5 um each."""
    law = sinking.approach()
    lines = OpenLaw(law, np.array([10.0, 10.0]), np.array([[1e-3], [2e-3]]),
                    np.array([[[0.25e-6]], [[0.25e-6]]]), np.array([0.75, 0.25]))
    place, error = lines.position_mm(np.array([60.0]))
    assert place == pytest.approx([1.25e-3], rel=1e-9)
    spread = 0.75 * 0.25e-3**2 + 0.25 * 0.75e-3**2
    assert error == pytest.approx([math.sqrt(spread + 0.25e-6)], rel=1e-9)
