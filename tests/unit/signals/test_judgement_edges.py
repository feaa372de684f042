"""Each finding at the edge of its threshold, in runs drawn with straight lines on a spring of 20 N/mm."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from padlab.signals.judgement import Finding, judge

K = 20.0
Point = tuple[float, float]


def strokes(*peaks_n: float, down_s: float = 6.0, rest_s: float = 1.0, slow: dict[int, float] | None = None,
            begin_s: float = 2.0) -> list[Point]:
    """Strokes down and up at one pace, the ones in ``slow`` over another time; after a while of nothing."""
    at, points = begin_s, [(0.0, 0.0), (begin_s, 0.0)]
    for k, peak in enumerate(peaks_n):
        spent = (slow or {}).get(k, down_s)
        points += [(at + spent, peak), (at + 2 * spent, 0.0), (at + 2 * spent + rest_s, 0.0)]
        at += 2 * spent + rest_s
    return points


def table(points: list[Point], *, zero_n: float = 0.0) -> dict[str, Any]:
    at, force = np.array(points).T
    time = np.arange(0.0, at[-1] + 2.0, 0.02)
    net = np.interp(time, at, force)
    return {"time_s": time, "force_n": net + zero_n, "displacement_mm": 0.1 + net / K}


def asked(*steps: dict[str, Any], kind: str = "pad") -> dict[str, Any]:
    return {"kind": kind, "steps": list(steps)}


def codes(found: tuple[Finding, ...]) -> list[str]:
    return [f.mark.code for f in found]


STROKES = asked({"do": "stroke", "to_n": 10.0})


@pytest.mark.parametrize("zero_n", [0.0, 3.0, -3.0])
def test_the_zero_of_the_cell_changes_nothing(zero_n: float) -> None:
    assert judge(table(strokes(10, 10, 10), zero_n=zero_n), STROKES) == ()
    [found] = judge(table(strokes(10, 10, 11.5), zero_n=zero_n), STROKES)
    assert found.mark.message == "a press went to 11.5 N, 10 N was asked"


# -- too far ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(("to_n", "peak_n", "over"), [
    (10.0, 10.75, False), (10.0, 10.87, True), (2.0, 2.28, False), (2.0, 2.35, True)])
def test_a_press_may_go_over_by_eight_hundredths_and_by_three_tenths_of_a_newton(
        to_n: float, peak_n: float, over: bool) -> None:
    """A light press is allowed its 0.3 N; the middle of its three highest readings counts."""
    found = judge(table(strokes(to_n, peak_n, to_n)), asked({"do": "stroke", "to_n": to_n}))
    assert codes(found) == (["overshot"] if over else [])


def test_of_several_steps_the_hardest_was_asked_for() -> None:
    steps = [{"do": "stroke", "to_n": 3.0}, {"do": "stroke", "to_n": 10.0}, {"do": "rest"}]
    assert judge(table(strokes(3, 3, 10)), asked(*steps)) == ()


def test_where_nothing_was_asked_the_common_peak_stands_for_it() -> None:
    """Of four strokes to 10 N and one to 12 N the one went too far; "9.96667 N was asked" used to be said."""
    [found] = judge(table(strokes(10, 10, 10, 10, 12)), None)
    assert found.mark.message == "a press went to 12.0 N, most went to 10.0 N"
    assert judge(table(strokes(10, 10, 10, 10, 8)), None) == ()


@pytest.mark.parametrize(("top_n", "over"), [(5.55, False), (5.65, True)])
def test_a_hold_may_begin_over_its_level_by_twelve_hundredths(top_n: float, over: bool) -> None:
    points = [(0, 0), (2, 0), (4, top_n), (4.2, top_n), (4.6, 5), (40, 5), (41, 0), (42, 0)]
    found = judge(table(points), asked({"do": "hold", "to_n": 10.0}))
    assert codes(found) == (["overshot"] if over else [])
    if over:
        assert found[0].mark.about == "press 1"
        assert "the hold at 5.0 N began at 5.6 N" in found[0].mark.message or "5.7" in found[0].mark.message


# -- holds -----------------------------------------------------------------------------------------


def wandering(swing_n: float, *, held_s: float = 20.0, level_n: float = 5.0) -> list[Point]:
    """A hold that goes to and fro around its level in triangles of two seconds."""
    turns = [(4 + k, level_n + swing_n * (1 if k % 2 else -1)) for k in range(int(held_s) + 1)]
    return [(0, 0), (2, 0), *turns, (5 + held_s, 0), (6 + held_s, 0)]


@pytest.mark.parametrize(("swing_n", "unsteady"), [(0.42, False), (0.46, True)])
def test_a_hold_may_wander_by_five_hundredths(swing_n: float, unsteady: bool) -> None:
    """A triangle of half height a has the standard deviation a / sqrt(3): 0.433 N of 5 N is the edge."""
    found = judge(table(wandering(swing_n)), asked({"do": "hold", "to_n": 10.0}))
    assert codes(found) == (["hold_unsteady"] if unsteady else [])
    if unsteady:
        assert "wandered by 5 %" in found[0].mark.message


@pytest.mark.parametrize(("held_s", "judged"), [(6.0, False), (9.0, True)])
def test_less_than_eight_seconds_are_no_hold_to_be_judged(held_s: float, judged: bool) -> None:
    found = judge(table(wandering(1.0, held_s=held_s)), asked({"do": "hold", "to_n": 10.0}))
    assert codes(found) == (["hold_unsteady"] if judged else [])


def test_the_first_and_the_last_second_of_a_hold_are_the_hand_s() -> None:
    """Three newtons instead of five for 0.9 s at either end are not its wander."""
    points = [(0, 0), (2, 0), (2.1, 3.1), (3.0, 3.1), (3.02, 5), (23, 5), (23.02, 3.1), (23.9, 3.1), (24, 0),
              (26, 0)]
    assert judge(table(points), asked({"do": "hold", "to_n": 10.0})) == ()
    longer = [(0, 0), (2, 0), (2.1, 3.1), (3.4, 3.1), (3.42, 5), (23, 5), (23.02, 3.1), (24.3, 3.1),
              (24.4, 0), (26, 0)]
    assert codes(judge(table(longer), asked({"do": "hold", "to_n": 10.0}))) == ["hold_unsteady"]


# -- speed -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("one_s", "uneven"), [(10.5, False), (11.1, True), (3.5, False), (3.2, True)])
def test_one_stroke_may_be_slower_or_quicker_by_a_factor_of_one_point_eight(
        one_s: float, uneven: bool) -> None:
    found = judge(table(strokes(10, 10, 10, 10, slow={2: one_s})), STROKES)
    assert codes(found) == (["speed_uneven"] if uneven else [])
    if uneven:
        assert "the middle one 4.7 s" in found[0].mark.message     # from F0 to 0.8 of the peak


def test_two_strokes_are_too_few_to_be_uneven() -> None:
    assert judge(table(strokes(10, 10, slow={1: 20.0})), STROKES) == ()
    assert codes(judge(table(strokes(10, 10, 10, slow={1: 20.0})), STROKES)) == ["speed_uneven"]


def test_only_full_strokes_are_compared() -> None:
    """A light press of another depth, a hold and a double press take what time they like."""
    light = strokes(10, 10, 10, 5, slow={3: 20.0})
    assert judge(table(light), STROKES) == ()
    end = strokes(10, 10, 10)[-1][0]
    double = [*strokes(10, 10, 10), (end + 2, 10), (end + 3, 2), (end + 5, 10), (end + 7, 0), (end + 8, 0)]
    assert judge(table(double), STROKES) == ()


@pytest.mark.parametrize(("mm_per_s", "kind", "fast"), [
    (0.38, "pad", False), (0.42, "pad", True), (0.42, "check", False)])
def test_a_pad_is_pressed_by_less_than_four_tenths_of_a_millimetre_a_second(
        mm_per_s: float, kind: str, fast: bool) -> None:
    run = table(strokes(10, 10, 10, down_s=10 / K / mm_per_s))
    found = judge(run, asked({"do": "stroke", "to_n": 10.0}, kind=kind))
    assert codes(found) == (["speed_uneven"] if fast else [])
    del run["displacement_mm"]
    assert judge(run, asked({"do": "stroke", "to_n": 10.0}, kind=kind)) == ()


# -- where steel comes back to ---------------------------------------------------------------------


@pytest.mark.parametrize(("moved_mm", "told"), [(0.0045, None), (0.006, "+6 um"), (-0.006, "-6 um")])
def test_steel_comes_back_to_five_micrometres(moved_mm: float, told: str | None) -> None:
    for kind in ("blank", "check"):
        run = table(strokes(10, 10, 10))
        late = run["time_s"] > 27.5
        run["displacement_mm"] = run["displacement_mm"] + moved_mm * late
        found = judge(run, asked({"do": "stroke", "to_n": 10.0}, kind=kind))
        assert codes(found) == ([] if told is None else ["indicator_moved"])
        assert told is None or told in found[0].mark.message
        assert judge(run, STROKES) == ()                 # a pad may sink


def test_two_presses_on_steel_are_too_few() -> None:
    run = table(strokes(10, 10))
    run["displacement_mm"] = run["displacement_mm"] + 0.02 * (run["time_s"] > 14.5)
    assert judge(run, asked(kind="check")) == ()


@pytest.mark.parametrize(("last_mm_per_s", "blamed"), [(0.1, True), (0.3, True), (0.5, False)])
def test_a_press_that_comes_faster_may_seem_to_touch_elsewhere(last_mm_per_s: float, blamed: bool) -> None:
    """By 50 ms of the difference in speed, as two instruments of unknown skew tell it: here it is 20 um."""
    at, points = 2.0, [(0.0, -0.5)]
    for speed in (0.1, 0.1, last_mm_per_s):              # through the air, 0.5 mm onto the steel, and back
        points += [(at, -0.5), (at + 1.0 / speed, 0.5), (at + 2.0 / speed, -0.5)]
        at += 2.0 / speed + 1.0
    time = np.arange(0.0, at + 2.0, 0.02)
    way = np.interp(time, *np.array(points).T)
    late = time > points[-3][0]
    found = judge({"time_s": time, "force_n": K * np.clip(way, 0.0, None),
                   "displacement_mm": way + 0.02 * late}, asked({"do": "stroke", "to_n": 10.0}, kind="check"))
    assert ("indicator_moved" in codes(found)) is blamed


# -- what was not asked for ------------------------------------------------------------------------


def test_what_was_played_freely_is_not_judged_where_it_is_known_when() -> None:
    free = {"do": "free", "from_s": 0.0, "to_s": 100.0}
    steps = asked({"do": "stroke", "to_n": 10.0}, {"do": "free"})
    run = table(strokes(10, 10, 14))
    assert codes(judge(run, asked({"do": "stroke", "to_n": 10.0}))) == ["overshot"]
    assert judge(run, steps) == ()                       # which one was free is not known
    assert judge(run, steps, [free]) == ()
    before = {"do": "free", "from_s": 0.0, "to_s": 10.0}
    assert codes(judge(run, steps, [before])) == ["overshot"]
    assert codes(judge(run, steps, [{**before, "do": "stroke", "to_s": 100.0}])) == []
    assert codes(judge(run, asked({"do": "stroke", "to_n": 10.0}), [{**free, "do": "keep"}])) == []


# -- warmth ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(("kelvin", "moved"), [(1.03, False), (1.06, True)])
def test_a_kelvin_may_pass(kelvin: float, moved: bool) -> None:
    """The middles of 24 parts are compared: of a steady rise they span 23/24."""
    time = np.arange(0.0, 120.0, 0.1)
    found = judge({"time_s": time, "temperature_c": 20 + kelvin * time / 120}, None)
    assert codes(found) == (["temperature_moved"] if moved else [])


def test_a_thermometer_that_was_read_wrongly_now_and_then_is_no_warmth() -> None:
    time = np.arange(0.0, 120.0, 0.1)
    warm = np.full(time.size, 20.0)
    warm[::60] = 85.0                                    # as some send after a reset
    warm[5::60] = np.nan
    assert judge({"time_s": time, "temperature_c": warm}, None) == ()


@pytest.mark.parametrize(("count", "judged"), [(9, False), (10, True)])
def test_ten_readings_of_a_thermometer_are_needed(count: int, judged: bool) -> None:
    time = np.arange(float(count))
    found = judge({"time_s": time, "temperature_c": np.where(time < count // 2, 20.0, 24.0)}, None)
    assert bool(found) is judged
