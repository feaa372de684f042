"""What a table holds, in plain numbers, and the sizes at which a unit is doubted or refused."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from padlab.errors import TableError
from padlab.signals.first_look import FirstLook, look
from padlab.signals.seen import seen


def table(*, seconds: float = 60.0, rate_hz: float = 50.0, begins_s: float = 0.0, newtons: float = 18.0,
          least_n: float = 0.0, mm: float = 0.3, presses: int = 10) -> dict[str, Any]:
    """Presses as raised cosines after a tenth of rest; position goes with force."""
    time = np.linspace(0.0, seconds, round(seconds * rate_hz) + 1)
    part = np.clip((time / seconds - 0.1) / 0.9, 0.0, 1.0)
    share = (1 - np.cos(2 * np.pi * presses * part)) / 2
    return {"time_s": begins_s + time, "force_n": least_n + newtons * share, "displacement_mm": mm * share}


def doubts(found: FirstLook) -> list[tuple[str, str]]:
    assert {m.code for m in found.marks} <= {"units_doubtful"}
    return [(m.about, m.message) for m in found.marks]


def test_what_was_read_is_told_in_words_and_numbers() -> None:
    found = look(table(begins_s=1000.0, least_n=2.0), kind="pad")
    assert found.words == ("3001 readings in 60 s (50 a second)", "force 2.00 to 20.00 N, 10 presses",
                           "movement 300 um (11.8 thou)")
    assert found.to_json() == {"readings": 3001, "duration_s": 60.0, "force_n": {"low": 2.0, "high": 20.0},
                               "movement_mm": 0.3, "presses": 10}
    assert found.marks == ()


def test_what_was_not_recorded_is_none() -> None:
    whole = table()
    force_only = look({k: whole[k] for k in ("time_s", "force_n")}, kind="pad")
    assert (force_only.movement_mm, force_only.presses) == (None, 10)
    assert force_only.to_json()["movement_mm"] is None
    way_only = look({k: whole[k] for k in ("time_s", "displacement_mm")}, kind="pad")
    assert (way_only.force_n, way_only.presses) == (None, None)
    assert way_only.to_json()["force_n"] is None
    assert doubts(force_only) == doubts(way_only) == []


@pytest.mark.parametrize(("presses", "word"), [(1, "1 press"), (2, "2 presses")])
def test_presses_are_counted(presses: int, word: str) -> None:
    assert look(table(presses=presses), kind="pad").words[1].endswith(", " + word)


def test_a_table_without_a_press_says_no_presses_and_asks_for_the_sign() -> None:
    found = look(table(newtons=0.9), kind="pad")
    assert found.words[1].endswith("no presses")
    assert doubts(found) == [("force", "no press was found; is the force + where the pad is pressed?")]


@pytest.mark.parametrize(("how", "about"), [
    ({"seconds": 1.9}, "time"), ({"seconds": 2.1}, None),
    ({"rate_hz": 3.9}, "time"), ({"rate_hz": 4.1}, None),
    ({"seconds": 4.0, "rate_hz": 19_900.0}, None), ({"seconds": 4.0, "rate_hz": 20_100.0}, "time"),
    ({"newtons": 199.0}, None), ({"newtons": 201.0}, "force"), ({"newtons": 199.0, "least_n": 10.0}, None),
    ({"newtons": 0.49}, "force"), ({"newtons": 1.4, "least_n": -0.3}, None),
    ({"mm": 9.9}, None), ({"mm": 10.1}, "displacement"), ({"mm": 0.0105}, None),
    ({"mm": 0.0095}, "displacement"), ({"mm": -0.3}, "displacement"),
])
def test_an_unlikely_size_is_doubted(how: dict[str, float], about: str | None) -> None:
    found = doubts(look(table(**how), kind="pad"))
    assert [a for a, _ in found] == ([] if about is None else [about])


def test_two_days_are_the_longest_that_is_not_doubted() -> None:
    time = np.linspace(0.0, 1.0, 900_000)
    for days, doubted in ((1.99, False), (2.01, True)):
        found = doubts(look({"time_s": 86400.0 * days * time}, kind="pad"))
        assert [m for _, m in found] == ["the readings span 48.2 hours; is time in another unit?"] * doubted


def test_only_a_pad_must_move() -> None:
    assert doubts(look(table(mm=0.003), kind="blank")) == []
    assert [a for a, _ in doubts(look(table(mm=11.0), kind="blank"))] == ["displacement"]


@pytest.mark.parametrize(("celsius", "doubted"), [
    ((20.0, 21.0), False), ((4.9, 20.0), True), ((5.1, 20.0), False), ((20.0, 45.1), True),
    ((20.0, 44.9), False)])
def test_a_workshop_is_neither_frozen_nor_a_kiln(celsius: tuple[float, float], doubted: bool) -> None:
    whole = table()
    warm = np.linspace(*celsius, whole["time_s"].size)
    found = doubts(look({**whole, "temperature_c": warm}, kind="pad"))
    assert [a for a, _ in found] == (["temperature"] if doubted else [])


@pytest.mark.parametrize(("how", "refused"), [
    ({"newtons": 1990.0}, None), ({"newtons": 2010.0}, "force"),
    ({"newtons": 1990.0, "least_n": 100.0}, None), ({"mm": 99.0}, None), ({"mm": 101.0}, "displacement")])
def test_an_impossible_size_is_refused(how: dict[str, float], refused: str | None) -> None:
    if refused is None:
        look(table(**how), kind="pad")
        return
    with pytest.raises(TableError, match=f"the {refused} spans") as fault:
        look(table(**how), kind="pad")
    assert fault.value.where["column"] == refused


@pytest.mark.parametrize(("seconds", "words"), [
    (179.0, "179 s"), (180.0, "3.0 minutes"), (10_799.0, "180.0 minutes"), (10_800.0, "3.0 hours"),
    (259_199.0, "72.0 hours"), (259_200.0, "3.0 days")])
def test_times_are_told_in_the_largest_unit_of_which_there_are_three(seconds: float, words: str) -> None:
    found = look({"time_s": np.linspace(0.0, seconds, 30)}, kind="pad")
    assert f"30 readings in {words} (" in found.words[0]


def test_a_large_movement_is_told_in_millimetres() -> None:
    assert look(table(mm=2.0), kind="pad").words[2] == "movement 2.00 mm (79 thou)"


# -- attempts, as a file may have them -------------------------------------------------------------


@pytest.mark.parametrize(("mass", "taken"), [
    (0.5, 0.5), (1, 1.0), (1000, 1000.0), (1000.5, None), (0, None), (-1.0, None), (True, None),
    (math.inf, None), ("1", None), (None, None)])
def test_a_mass_is_a_number_that_a_person_can_lift(mass: object, taken: float | None) -> None:
    [attempt] = seen([{"do": "weigh", "from_s": 0, "to_s": 1, "mass_kg": mass}])
    assert attempt.mass_kg == taken


@pytest.mark.parametrize(("good", "taken"), [(True, True), (False, False), (1, False), ("yes", False)])
def test_only_what_is_said_to_be_good_is(good: object, taken: bool) -> None:
    [attempt] = seen([{"do": "press", "from_s": 0, "to_s": 1, "good": good, "reason": 7}])
    assert attempt.good is taken
    assert attempt.reason == "7"
