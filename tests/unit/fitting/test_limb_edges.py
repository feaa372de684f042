"""The rising curve where the truth lies in its own space, and its least squares against another solver."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize

from padlab.fitting.limbs import (
    CELLS,
    PIECES,
    STIFFNESS_GRID,
    UNDERSMOOTHED,
    Cells,
    LimbFitter,
    _by_non_negative_least_squares,
    _penalty,
    _rising_basis,
    _rising_least_squares,
    gather,
    grid_force_n,
)
from padlab.records.pad import F0_N

LOW_U, HIGH_U = np.log(1.6 * F0_N), np.log(10 + F0_N)


def stroke(*, offset_mm: float = 0.0, gap_mm: float = 0.05, noise_mm: float = 0.0, seed: int = 0) -> Cells:
    """Limbs that are straight lines of u = log(F + F0): 0.1 mm of it down, the way up a gap further on."""
    rng = np.random.default_rng(seed)
    u = LOW_U + (np.arange(CELLS) + 0.5) / CELLS * (HIGH_U - LOW_U)
    down = offset_mm + 0.1 * (u - LOW_U)
    x = np.stack([down, down + gap_mm]) + noise_mm * rng.standard_normal((2, CELLS))
    return Cells(np.stack([u, u]), x, np.full((2, CELLS), 4.0), noise_mm)


def fitter(*strokes: Cells) -> LimbFitter:
    return LimbFitter(list(strokes), low_u=LOW_U, high_u=HIGH_U)


@pytest.mark.parametrize("smoothing", STIFFNESS_GRID[::4])
def test_a_straight_limb_is_found_whatever_the_smoothing_and_wherever_each_stroke_stands(
        smoothing: float) -> None:
    """The penalty is on bends only; the offset of a stroke is its own."""
    fitted = fitter(stroke(), stroke(offset_mm=0.3), stroke(offset_mm=-0.2)).fit([0, 1, 2], smoothing)
    u = np.linspace(LOW_U, HIGH_U, 50)
    assert fitted.limb(u, 0) == pytest.approx(0.1 * (u - LOW_U), abs=2e-6)
    assert fitted.limb(u, 1) == pytest.approx(0.1 * (u - LOW_U) + 0.05, abs=2e-6)
    assert fitted.gap_mm == pytest.approx(0.05, abs=2e-6)


def test_a_limb_never_falls() -> None:
    """A record that falls in its middle is drawn level there, at its mean."""
    s = stroke()
    x = s.x.copy()
    x[0, 20:40] = x[0, 20] - 0.002 * np.arange(20)
    u = np.linspace(LOW_U, HIGH_U, 400)
    limb = fitter(Cells(s.u, x, s.n, 0.0)).fit([0], 1e-6).limb(u, 0)
    assert np.diff(limb).min() >= -1e-12
    assert np.ptp(limb[150:250]) < 0.02


def test_what_is_left_of_each_stroke_and_what_leaves_one_out() -> None:
    several = [stroke(), stroke(offset_mm=0.3), stroke(noise_mm=1e-3, seed=1), stroke()]
    f = fitter(*several)
    whole = f.fit([0, 1, 2, 3], 1e-3)
    left = f.residuals(whole)
    assert [r.size for r in left] == [2 * CELLS] * 4
    assert np.std(left[2]) == pytest.approx(1e-3, rel=0.2)
    each = f.without_each(1e-3)
    for k, one in enumerate(each):
        rest = [i for i in range(4) if i != k]
        assert one.loading == pytest.approx(f.fit(rest, 1e-3).loading, abs=1e-9)
        assert one.gap_mm == pytest.approx(f.fit(rest, 1e-3).gap_mm, abs=1e-9)
    u = np.linspace(LOW_U, HIGH_U, 20)
    assert each[2].limb(u, 0) == pytest.approx(0.1 * (u - LOW_U), abs=2e-6)     # without the noisy one


def test_smoothing_is_middling_for_two_strokes_and_all_but_the_most_for_straight_ones() -> None:
    """The guide has a noise of its own, so that a little less than all of it may predict better."""
    assert fitter(stroke(), stroke()).choose_smoothing() == 1e-3
    straight = fitter(*[stroke(noise_mm=1e-3, seed=k) for k in range(5)])
    assert straight.choose_smoothing() >= UNDERSMOOTHED * STIFFNESS_GRID[-2] * 0.999


def test_smoothing_gives_way_to_a_bend() -> None:
    """A kink at the middle, far above the noise, forbids the smoothest curves."""
    bent = []
    for k in range(5):
        s = stroke(noise_mm=1e-5, seed=k)
        bent.append(Cells(s.u, s.x + 0.3 * np.maximum(s.u - (LOW_U + HIGH_U) / 2, 0), s.n, 0.0))
    assert fitter(*bent).choose_smoothing() < 1e-2 * STIFFNESS_GRID[-1]


def test_the_covariance_is_the_scatter_over_many_pads() -> None:
    """The variance of the mean curve against its variance over 200 records of independent noise."""
    force = np.array([F0_N, 1.0, 3.0, 9.0])
    found, said = [], []
    for seed in range(200):
        f = fitter(stroke(noise_mm=1e-3, seed=seed))
        curve = f.fit([0], 1.0)
        both = curve.both(curve.basis(np.log(force + F0_N)))
        mean = (both[0] + both[1]) / 2
        found.append(mean - mean[0])
        said.append(np.diag(f.mean_curve_covariance(f.covariance(curve), force)))
    seen = np.std(found, axis=0)
    assert np.sqrt(np.mean(said, axis=0))[0] == pytest.approx(0.0, abs=1e-9)
    assert np.sqrt(np.mean(said, axis=0))[1:] == pytest.approx(seen[1:], rel=0.25)


def test_a_cell_without_readings_says_nothing() -> None:
    """Neither to the curve, whatever stands in it, nor to the count of what the noise is judged by."""
    s = stroke(noise_mm=1e-3)
    n, x = s.n.copy(), s.x.copy()
    n[0, 5], x[0, 5] = 0.0, 99.0
    f, whole = fitter(Cells(s.u, x, n, 0.0)), fitter(s)
    curve = f.fit([0], 1.0)
    assert [r.size for r in f.residuals(curve)] == [2 * CELLS - 1]
    u = np.linspace(LOW_U, HIGH_U, 20)
    assert curve.limb(u, 0) == pytest.approx(whole.fit([0], 1.0).limb(u, 0), abs=1e-3)


@pytest.mark.parametrize("grows", [0.3, 1.0, -1 / 3])
def test_however_smooth_an_exponential_of_u_stays(grows: float) -> None:
    """A straight law is exp(u), a power law about one of less: what the guide holds costs no penalty."""
    s = stroke(gap_mm=0.0)
    size = np.exp(grows * HIGH_U)
    curve = fitter(Cells(s.u, np.sign(grows) * 0.2 * np.exp(grows * s.u) / size, s.n, 0.0)).fit([0], 1e7)
    u = np.linspace(LOW_U, HIGH_U, 200)
    rise = np.sign(grows) * 0.2 * (np.exp(grows * u) - np.exp(grows * LOW_U)) / size
    assert curve.limb(u, 0) == pytest.approx(rise, abs=6e-3 * rise[-1])
    parabola = np.polyval(np.polyfit(u, rise, 2), u)     # all that would be left of it without a guide
    if grows == 1.0:
        assert np.abs(parabola - rise).max() > 0.05 * rise[-1]


def test_a_parabola_of_u_costs_no_penalty_without_a_guide() -> None:
    """The bare penalty is that of the slope's second derivative, on the crowded knots of the ends as well."""
    at = np.linspace(0, 1, 31)
    rises = _rising_basis(at, 0.0, 1.0)
    c, *_ = np.linalg.lstsq(rises, 0.1 * at + 0.05 * at**2, rcond=None)
    bare = _penalty(np.ones((1, 2, c.size)))[0][: c.size, : c.size]
    assert rises @ c == pytest.approx(0.1 * at + 0.05 * at**2, abs=1e-12)
    assert c @ bare @ c < 1e-18
    cubic, *_ = np.linalg.lstsq(rises, at**3, rcond=None)
    # Of a cubic it is 6 in the slope's units at each of the pieces, by the width of a piece.
    assert cubic @ bare @ cubic == pytest.approx(PIECES * (6 / PIECES**3) ** 2, rel=1e-6)


# -- gathering -------------------------------------------------------------------------------------


def test_cells_hold_the_means_of_their_readings() -> None:
    """Down to reading 500, which is the peak and counts for both limbs, and up again."""
    force = np.concatenate([np.linspace(0, 9.9, 501), np.linspace(9.9, 0, 501)[1:]])
    position = np.arange(force.size, dtype=float)
    cells = gather(force, position, start=0, peak=500, stop=force.size, low_u=LOW_U, high_u=HIGH_U)
    u = np.log(force + F0_N)
    width = (HIGH_U - LOW_U) / CELLS
    for limb, part in ((0, slice(0, 501)), (1, slice(500, force.size))):
        for k in (0, 30, 55):
            here = np.flatnonzero((u[part] >= LOW_U + k * width) & (u[part] < LOW_U + (k + 1) * width))
            assert cells.n[limb, k] == here.size > 0
            assert cells.u[limb, k] == pytest.approx(u[part][here].mean(), abs=1e-12)
            assert cells.x[limb, k] == pytest.approx(position[part][here].mean(), abs=1e-9)
    assert cells.n.sum() == np.count_nonzero((u >= LOW_U) & (u < HIGH_U)) + 1


def test_the_noise_of_a_limb_is_that_of_its_second_differences() -> None:
    """White noise of sd s has second differences of sd sqrt(6) s."""
    rng = np.random.default_rng(0)
    force = np.concatenate([np.linspace(0.3, 9.9, 4000), np.linspace(9.9, 0.3, 4000)])
    position = 0.02 * force + 1e-3 * rng.standard_normal(force.size)
    cells = gather(force, position, start=0, peak=3999, stop=8000, low_u=LOW_U, high_u=HIGH_U)
    assert cells.residual_sd_mm == pytest.approx(1e-3, rel=0.05)
    few = gather(force[:3], position[:3], start=0, peak=1, stop=3, low_u=LOW_U, high_u=HIGH_U)
    assert few.residual_sd_mm == 0.0


def test_the_grid_is_even_in_the_logarithm_and_exact_at_its_ends() -> None:
    grid = grid_force_n(18.0)
    assert (grid[0], grid[-1], grid.size) == (F0_N, 18.0, 160)
    assert np.diff(np.log(grid + F0_N)) == pytest.approx(np.log(18.25 / 0.5) / 159, rel=1e-9)


# -- least squares with signs ----------------------------------------------------------------------


@pytest.mark.parametrize("seed", range(10))
def test_the_solution_with_signs_is_that_of_another_solver(seed: int) -> None:
    """Against scipy's bounded least squares; the last coefficient may have either sign."""
    rng = np.random.default_rng(seed)
    a, y = rng.standard_normal((40, 8)), rng.standard_normal(40)
    bounds = np.append(np.zeros(7), -np.inf), np.full(8, np.inf)
    expected = optimize.lsq_linear(a, y, bounds, method="bvls").x
    gram, right = a.T @ a, a.T @ y
    assert _rising_least_squares(gram[None], right[None])[0] == pytest.approx(expected, abs=1e-6)
    assert _by_non_negative_least_squares(gram, right) == pytest.approx(expected, abs=1e-6)


def test_many_problems_at_once_are_each_their_own() -> None:
    rng = np.random.default_rng(0)
    a, y = rng.standard_normal((50, 30, 6)), rng.standard_normal((50, 30))
    gram, right = np.einsum("mij,mik->mjk", a, a), np.einsum("mij,mi->mj", a, y)
    together = _rising_least_squares(gram, right)
    for k in range(50):
        alone = _rising_least_squares(gram[k][None], right[k][None])[0]
        assert together[k] == pytest.approx(alone, abs=1e-12)


def test_a_reading_a_last_digit_below_the_upper_end_falls_into_the_last_cell():
    # What used to happen: now and then such a reading was rounded into a cell beyond the last, and the fit of
    # its run ended in an IndexError.
    low_u = np.log(2 * F0_N)
    for top_n in np.linspace(3.0, 20.0, 200):
        force = np.r_[np.linspace(0.3, top_n, 40), np.linspace(top_n, 0.3, 40)[1:]]
        u = np.log(force + F0_N)
        cells = gather(force, force / 20, start=0, peak=39, stop=79, low_u=low_u,
                       high_u=np.nextafter(u.max(), np.inf))
        assert cells.n.sum() == np.count_nonzero(u >= low_u) + 1          # the peak is on both limbs
        assert cells.n[:, -1].min() >= 1
