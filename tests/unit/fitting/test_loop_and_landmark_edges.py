"""Work, loss and places on pads whose limbs are straight lines, so that every number is known exactly.

A pad goes down along x = F / LOAD and comes up along a steeper line from the top: what it loses above F0 is
1 - LOAD / unload of the work, whatever the peak.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from padlab.calibration.frame import Frame
from padlab.fitting.hysteresis import (
    loop,
    skew_work_mj_per_s,
    steady_from,
    stroke_work_mj,
    turn_work_mj,
)
from padlab.fitting.landmarks import (
    at_force,
    crossing_scatter_mm,
    first_press,
    full_strokes,
    lasting_set,
    seating,
    thickness,
    warm_up,
)
from padlab.fitting.prepared import Prepared, sort_presses
from padlab.fitting.results import Verdict
from padlab.fitting.set_rules import constant_deflection_set_percent
from padlab.records.pad import F0_N, Pad
from padlab.records.run import Run
from padlab.signals.contact import ForceZero
from padlab.signals.cycles import find_presses
from padlab.statistics.quantity import t95, with_doubt

LOAD, PEAK_N, STEP_S = 20.0, 10.0, 0.02
DOWN_S, UP_S = 4.0, 2.0


def pad(*strokes: tuple[float, float], peak_n: float = PEAK_N, hold_s: float = 0.0, rest_s: float = 1.0,
        then: Callable[[np.ndarray], np.ndarray] | None = None,
        rests_at_n: Callable[[np.ndarray], np.ndarray] = lambda s: np.full(s.size, F0_N)) -> Prepared:
    """Strokes as (stiffness on the way up, where it begins [mm]); after ``hold_s`` at 3.5 N the position
    ``then`` of the seconds since, at F0 or another force.
    """
    force, position = [np.zeros(50)], [np.zeros(50)]
    down, up = np.linspace(0, peak_n, round(DOWN_S / STEP_S)), np.linspace(peak_n, 0, round(UP_S / STEP_S))
    for unload, begins in strokes:
        top = begins + peak_n / LOAD
        force += [down, up[1:], np.zeros(round(rest_s / STEP_S))]
        position += [begins + down / LOAD, top - (peak_n - up[1:]) / unload,
                     np.full(force[-1].size, begins)]
    if hold_s:
        ramp, level = np.linspace(0, 3.5, 60), np.full(round(hold_s / STEP_S), 3.5)
        force += [ramp, level, ramp[::-1]]
        position += [ramp / LOAD, level / LOAD, ramp[::-1] / LOAD]
    if then is not None:
        since = np.arange(0.0, 20.0, STEP_S)
        force.append(rests_at_n(since))
        position.append(then(since))
    f, x = np.concatenate(force), np.concatenate(position)
    time = STEP_S * np.arange(f.size)
    found, peak = sort_presses(find_presses(time, f), time, f, x, ())
    return Prepared(time, f, x, ForceZero(0.0, 0.0, 0.0, "idle", None, False), 1e-5, tuple(found), peak)


def recorded(*unloads: float) -> Prepared:
    """Three strokes that work in, then one for each stiffness."""
    return pad(*[(40.0, 0.0)] * 3, *[(u, 0.0) for u in unloads])


# -- work ------------------------------------------------------------------------------------------


def test_the_work_above_f0_is_that_of_the_triangle() -> None:
    p = recorded(40.0, 40.0, 40.0)
    whole = (PEAK_N**2 - F0_N**2) / 2
    for stroke in p.role("recorded"):
        put_in, given_back = stroke_work_mj(p, stroke)
        assert put_in == pytest.approx(whole / LOAD, rel=1e-9)
        assert given_back == pytest.approx(whole / 40.0, rel=1e-9)


def test_the_work_grows_with_lateness_as_the_two_rates_say() -> None:
    """dF/dt dx/dt over the time of each limb."""
    p = recorded(40.0, 40.0, 40.0)
    stroke = p.role("recorded")[0]
    down, up = PEAK_N * (PEAK_N / LOAD) / (DOWN_S - STEP_S), PEAK_N * (PEAK_N / 40.0) / (UP_S - STEP_S)
    seen = skew_work_mj_per_s(p, stroke)
    jump = 0.25**2 / 2 / STEP_S                          # at the end the pad is drawn back to its place
    assert down + up - jump <= seen <= down + up


def test_the_way_at_the_top_can_have_added_its_work_and_no_more_than_the_pad_sinks() -> None:
    """Above 0.97 of the peak the limbs part by 0.03 PEAK (1/LOAD - 1/unload)."""
    p = recorded(40.0, 40.0, 40.0)
    stroke = p.role("recorded")[0]
    level = 0.97 * stroke.press.peak_n
    body = slice(stroke.press.start, stroke.press.stop)
    top = np.flatnonzero(p.force_n[body] >= level) + stroke.press.start
    way = level * (p.position_mm[top[-1]] - p.position_mm[top[0]])
    assert way == pytest.approx(0.97 * PEAK_N * 0.03 * PEAK_N * (1 / LOAD - 1 / 40), rel=0.3)
    assert turn_work_mj(p, stroke) == pytest.approx(way, rel=1e-12)
    assert turn_work_mj(p, stroke, 0.0) == 0.0
    assert turn_work_mj(p, stroke, -0.1) == 0.0
    assert turn_work_mj(p, stroke, 1e6) == pytest.approx(way, rel=1e-12)
    # Of the time above 0.97 what a turn at once would have taken as well is left out: here all but a reading.
    at_once = 0.03 * (DOWN_S + UP_S)
    spent = max(p.time_s[top[-1]] - p.time_s[top[0]] - at_once, 0.0)
    assert spent <= 3 * STEP_S
    way_down = p.position_mm[stroke.press.peak] - p.position_mm[stroke.press.start]
    sunk = 3 * 0.01 * way_down * np.log10(1 + spent / (stroke.loading_s / 2))
    assert turn_work_mj(p, stroke, 0.01) == pytest.approx(level * sunk, abs=1e-4)


def test_the_loss_is_that_of_the_two_slopes_and_its_interval_that_of_repeated_strokes() -> None:
    p = recorded(*(LOAD / (1 - loss) for loss in (0.28, 0.30, 0.32)))
    found = loop(p, sinks_at_most=0.0)
    assert found is not None
    assert found.verdict is Verdict.GOOD
    assert found.peak_n == pytest.approx(PEAK_N, rel=0.01)
    u = 0.02 / np.sqrt(3)
    expected = with_doubt(0.30, u, degrees_of_freedom=2, positive=True)
    assert found.loss_fraction is not None
    assert found.loss_fraction.value == pytest.approx(0.30, rel=1e-6)
    assert found.loss_fraction.low == pytest.approx(expected.low, rel=1e-4)
    assert found.loss_fraction.high == pytest.approx(expected.high, rel=1e-4)
    assert found.loss_mj is not None
    assert found.loss_mj.value == pytest.approx(0.30 * (PEAK_N**2 - F0_N**2) / 2 / LOAD, rel=1e-6)


def test_a_loss_that_is_hardly_known_is_no_more_than_all_that_was_put_in() -> None:
    """On the log scale the upper end of 0.3 +- 0.6 would be 2.2; energies have no such end."""
    p = recorded(*(LOAD / (1 - loss) for loss in (0.02, 0.30, 0.60)))
    found = loop(p, sinks_at_most=0.0)
    assert found is not None
    assert found.loss_fraction is not None
    assert found.loss_fraction.high == 1.0
    assert found.loss_mj is not None
    assert found.loss_mj.high > PEAK_N**2 / 2 / LOAD


def test_a_pad_that_gives_back_more_than_was_put_in_is_no_good_fit() -> None:
    found = loop(recorded(*(LOAD / (1 - loss) for loss in (-0.30, -0.28, -0.32))), sinks_at_most=0.0)
    assert found is not None
    assert found.loss_fraction is not None
    assert found.loss_fraction.value < 0
    assert found.verdict is Verdict.UNDETERMINED


def test_half_of_what_the_turn_may_have_added_is_taken_off_and_is_a_doubt_as_a_rectangle() -> None:
    p = recorded(40.0, 40.0, 40.0)
    stroke = p.role("recorded")[0]
    turn, (put_in, back) = turn_work_mj(p, stroke), stroke_work_mj(p, stroke)
    found = loop(p)
    assert found is not None
    assert found.loss_mj is not None
    assert found.loss_mj.value == pytest.approx(put_in - back - turn / 2, rel=1e-9)
    assert found.loss_fraction is not None
    assert found.loss_fraction.value == pytest.approx((put_in - back - turn / 2) / put_in, rel=1e-9)
    expected = with_doubt(found.loss_mj.value, 0.0, rectangles=[turn / 2], positive=True)
    assert found.loss_mj.high == pytest.approx(expected.high, rel=1e-6)


def test_of_two_strokes_no_interval_is_given_and_of_none_no_loss() -> None:
    two = loop(recorded(40.0, 40.0))
    assert two is not None
    assert two.verdict is Verdict.TOO_FEW_POINTS
    assert two.loss_fraction is not None
    assert (two.loss_fraction.low, two.loss_fraction.high) == (None, None)
    assert loop(pad()) is None


def test_steady_is_when_travel_and_energy_both_are() -> None:
    """The travel is the same from the start (steady at the fourth); the energy from the fourth stroke on."""
    found = loop(pad(*[(u, 0.0) for u in (40.0, 44.0, 40.0, 44.0, 44.0, 44.0, 44.0, 44.0)]))
    assert found is not None
    assert found.steady_from_cycle == 7
    never = loop(pad(*[(u, 0.0) for u in (40.0, 44.0) * 4]))
    assert never is not None
    assert never.steady_from_cycle is None
    hardly = loop(pad(*[(u, 0.0) for u in (40.0, 40.3) * 4]))      # 0.7 % of what is lost, 0.3 % of the work
    assert hardly is not None
    assert hardly.steady_from_cycle is None
    assert steady_from([100.0, 100.4, 100.8, 101.2]) == 4
    assert steady_from([100.0, 100.51, 101.0, 101.5, 101.9]) == 5
    assert steady_from([-100.0, -100.4, -100.0, -100.4]) == 4
    assert steady_from([100.0] * 3) is None


# -- places ----------------------------------------------------------------------------------------


def test_seating_is_how_far_the_third_stroke_begins_beyond_the_first() -> None:
    """30 um; its doubt is that of two crossings, which among neighbours scatter by 4 um / sqrt 2."""
    later = [(40.0, 0.03 + 0.004 * (k % 2)) for k in range(5)]
    p = pad((40.0, 0.0), (40.0, 0.02), (40.0, 0.03), *later)
    assert crossing_scatter_mm(p) == pytest.approx(0.004 / np.sqrt(2), rel=1e-3)
    found = seating(p)
    assert found is not None
    assert found.value == pytest.approx(0.03, abs=1e-6)
    assert found.high - found.value == pytest.approx(t95(4) * 0.004, rel=1e-3)
    assert seating(pad((40.0, 0.0), (40.0, 0.02))) is None


def test_a_first_press_is_told_from_the_fresh_pad_s_f0_up_to_near_its_peak() -> None:
    """A spring of 20 N/mm that begins at 0, and 30 um further on (to 2 um) once it is worked in."""
    later = [(40.0, 0.03 + 0.002 * (k % 2)) for k in range(5)]
    strokes = pad((40.0, 0.0), (40.0, 0.02), (40.0, 0.03), *later)
    found = first_press(strokes)
    assert found is not None
    assert (found.force_n[0], found.force_n[-1]) == pytest.approx((F0_N, 0.98 * PEAK_N), rel=0.01)
    assert found.position_mm == pytest.approx((found.force_n - F0_N) / LOAD, abs=1e-6)
    assert found.settled_mm == pytest.approx(0.03 + 0.002 * 2 / 5, abs=1e-6)
    assert found.settled_u_mm == pytest.approx(0.002 / np.sqrt(2) * np.sqrt(1 + 1 / 5), rel=1e-3)
    # No first press: it is not the fresh pad's, or hardly any stroke followed.
    assert first_press(pad((40.0, 0.0), (40.0, 0.02))) is None
    later_only = replace(strokes, strokes=tuple(s for s in strokes.strokes if s.role != "working-in"))
    assert first_press(later_only) is None
    fresh_only = replace(strokes, strokes=tuple(s for s in strokes.strokes if s.role == "working-in"))
    assert first_press(fresh_only) is None


def test_a_scatter_is_half_a_micrometre_at_least_and_four_times_that_where_it_was_not_seen() -> None:
    assert crossing_scatter_mm(recorded(40.0, 40.0, 40.0)) == pytest.approx(0.5e-3)
    assert crossing_scatter_mm(recorded(40.0, 40.0)) == pytest.approx(2e-3)
    # Strokes that are all rounded alike agree, and yet each may stand anywhere within a step.
    alike = replace(recorded(40.0, 40.0, 40.0), reading_steps=(None, 0.0127), position_noise_mm=0.0)
    assert crossing_scatter_mm(alike) == pytest.approx(0.0127 / np.sqrt(12), rel=1e-3)


def test_a_place_is_asked_of_a_stroke_that_there_is() -> None:
    p = recorded(40.0, 40.0, 40.0)
    full = full_strokes(p)
    assert at_force(p, full, 2.0, 0) == pytest.approx(2.0 / LOAD, abs=1e-9)
    assert at_force(p, full, 2.0, -1) == pytest.approx(2.0 / LOAD, abs=1e-9)
    assert at_force(p, full, 2.0, 6) is None
    assert at_force(p, full, 2.0, -7) is None
    assert at_force(p, full, 40.0, 0) is None


def test_warm_up_is_the_move_of_the_middle_of_the_limbs_from_the_first_to_the_fiftieth() -> None:
    """Each stroke begins 1 um further on; at 3.5 N the middle of the limbs moves as they do: 49 um."""
    p = pad(*[(40.0, 0.001 * k) for k in range(50)])
    found = warm_up(p)
    assert found is not None
    assert found.value == pytest.approx(0.049, abs=1e-6)
    assert warm_up(pad(*[(40.0, 0.001 * k) for k in range(49)])) is None
    stiffer = warm_up(pad(*[(40.0 if k < 25 else 80.0, 0.0) for k in range(50)]))
    assert stiffer is not None                           # up from the top: (10 - 3.5) (1/40 - 1/80) / 2
    assert stiffer.value == pytest.approx(6.5 * (1 / 40 - 1 / 80) / 2, rel=1e-3)
    assert warm_up(pad(*[(40.0, 0.0)] * 50, peak_n=4.1)) is None       # under 1.2 times 3.5 N


def test_the_lasting_set_is_read_over_the_last_five_seconds_of_the_rest() -> None:
    """F0 stood at F0 / LOAD at first; it comes back from 0.1 mm beyond to 0.03 mm, and stays from 14 s on."""
    at = F0_N / LOAD
    p = pad(*[(40.0, 0.0)] * 6, hold_s=10.0,
            then=lambda s: at + np.interp(s, [0, 14, 20], [0.1, 0.03, 0.03]))
    found = lasting_set(p, 1.5)
    assert found is not None
    assert found.set_mm is not None
    assert found.set_mm.value == pytest.approx(0.03, abs=2e-4)
    assert found.set_percent is not None
    assert found.set_percent.value == pytest.approx(2.0, abs=0.02)
    assert found.set_mm.high is not None
    assert found.set_percent.high is not None
    assert found.set_percent.high - found.set_percent.value == pytest.approx(
        100 * (found.set_mm.high - found.set_mm.value) / 1.5, rel=1e-9)
    assert found.after_s == pytest.approx(20.0, abs=0.2)
    without = lasting_set(p, None)
    assert without is not None
    assert without.set_percent is None
    assert lasting_set(pad(*[(40.0, 0.0)] * 6), 1.5) is None


def test_a_force_that_moves_in_the_rest_is_carried_to_f0() -> None:
    """Between 0.2 N and 0.3 N on a pad of 10 N/mm the place moves by 10 um, and the set does not."""
    def around(s: np.ndarray) -> np.ndarray:
        return F0_N + 0.05 * np.sin(s) + 0.03

    p = pad(*[(40.0, 0.0)] * 6, hold_s=10.0, rests_at_n=around,
            then=lambda s: F0_N / LOAD + 0.03 + (around(s) - F0_N) / 10.0)
    found = lasting_set(p, None)
    assert found is not None
    assert found.set_mm is not None
    assert found.set_mm.value == pytest.approx(0.03, abs=2e-4)


@pytest.mark.parametrize(("rests_at_n", "counts"), [(0.38, True), (0.42, False), (0.12, True), (0.08, False)])
def test_a_rest_is_one_within_six_tenths_of_f0(rests_at_n: float, counts: bool) -> None:
    p = pad(*[(40.0, 0.0)] * 6, hold_s=10.0, then=lambda s: np.full(s.size, 0.05),
            rests_at_n=lambda s: np.full(s.size, rests_at_n))
    assert (lasting_set(p, None) is not None) is counts


def test_of_five_seconds_of_rest_five_readings_count_as_independent() -> None:
    noise = 0.005 * np.random.default_rng(0).standard_normal(1000)
    p = pad(*[(40.0, 0.0)] * 6, hold_s=10.0, then=lambda s: 0.05 + noise)
    found = lasting_set(p, None)
    assert found is not None
    assert found.set_mm is not None
    assert found.set_mm.high is not None
    u = np.hypot(0.005 / np.sqrt(5), crossing_scatter_mm(p))
    assert found.set_mm.high - found.set_mm.value == pytest.approx(1.96 * u, rel=0.1)


def test_of_thickness_what_was_written_down_counts_and_else_the_bare_anvils() -> None:
    """The anvils stood at 3 mm without a pad; with it F0 is reached at F0 / LOAD."""
    p = recorded(40.0, 40.0, 40.0)
    bare = replace(Frame.unknown(), bare_at_f0_mm=3.0, bare_u_mm=0.002)
    run = Run(id="r", folder=Path("nowhere"), kind="pad", state="complete", start_utc="2026-01-01T00:00:00Z",
              pad=Pad("p", "felt", "felt", "l", 19.0, 8.0, None))
    assert thickness(run, p, Frame.unknown()) is None
    seen = thickness(run, p, bare)
    assert seen is not None
    assert seen.value == pytest.approx(3.0 - F0_N / LOAD, abs=1e-9)
    expected = with_doubt(seen.value, float(np.hypot(0.002, 0.5e-3)), positive=True)
    assert (seen.low, seen.high) == pytest.approx((expected.low, expected.high), rel=1e-9)
    # 0.3 % of the way from the anvils to the pad, and two places on a dial that is off by 1.5 um anywhere.
    read = thickness(run, p, bare, scale_u=0.003, local_u_mm=1.5e-3)
    assert read.value == seen.value
    more = (read.half_width / 1.96) ** 2 - (seen.half_width / 1.96) ** 2
    assert np.sqrt(more) == pytest.approx(np.hypot(0.003 * seen.value, np.sqrt(2) * 1.5e-3), rel=1e-3)
    unknown = thickness(run, p, replace(bare, bare_u_mm=None))
    assert unknown is not None
    assert unknown.high is not None
    assert unknown.high - unknown.value == pytest.approx(1.96 * 0.5e-3, rel=1e-3)
    written = thickness(replace(run, pad=replace(run.pad, thickness_mm=1.6)), p, bare)
    assert written is not None
    assert written.value == 1.6
    assert written.high is not None
    assert written.high - 1.6 == pytest.approx(1.96 * 0.0127, rel=0.01)      # half a thou, 0.0254 mm / 2


def test_the_doubt_of_a_set_at_constant_deflection_is_that_of_three_readings() -> None:
    """Against the same formula moved by one reading at a time."""
    at = {"before_mm": 10.0, "after_mm": 9.2, "spacer_mm": 7.5}

    def share(before_mm: float, after_mm: float, spacer_mm: float) -> float:
        return 100 * (before_mm - after_mm) / (before_mm - spacer_mm)

    found = constant_deflection_set_percent(**at, reading_u_mm=0.01)
    assert found.value == pytest.approx(32.0)
    moved = [share(**{**at, name: at[name] + 1e-4}) - share(**{**at, name: at[name] - 1e-4}) for name in at]
    u = 0.01 * np.sqrt(np.sum((np.array(moved) / 2e-4) ** 2))
    assert found.high is not None
    assert found.high - found.value == pytest.approx(1.96 * u, rel=1e-3)
