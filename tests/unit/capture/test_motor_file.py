"""A motor's table in a rig file: what is told to it, and what is refused."""

import pytest

from padlab.capture.motor import check_drives
from padlab.capture.motor_file import MotorFile, speed_mm_per_s
from padlab.capture.procedure import procedure_from_table, read_procedure
from padlab.capture.rig import read_rig, rig_from_table
from padlab.errors import FileFormatError, InputError

LEAST = {"url": "/dev/ttyUSB1", "move": "run {speed}", "speed_unit": "um/s", "stop": "halt", "safe": "off",
         "fastest": "0.8mm/s", "force_limit": "21N", "travel_limit": "4mm"}


def motor(**changes):
    return MotorFile.model_validate({**LEAST, **changes})


def rig(**changes):
    """The example rig; None takes a key of its motor out, a callable changes the whole."""
    table = read_rig("motor-press").model_dump(mode="json", exclude_none=True, by_alias=True)
    change = changes.pop("change", None)
    table["motor"] = {k: v for k, v in {**table["motor"], **changes}.items() if v is not None}
    if change is not None:
        change(table)
    return rig_from_table(table, source="test")


@pytest.mark.parametrize(("changes", "texts"), [
    # 0.15 mm/s = 150 um/s = 9 mm/min = 60 steps/s at 400 steps a millimetre
    ({"speed_unit": "mm/s", "decimals": 3}, ("run 0.150", "run -0.150", "run 0.000")),
    ({"speed_unit": "um/s"}, ("run 150", "run -150", "run 0")),
    ({"speed_unit": "mm/min", "decimals": 2}, ("run 9.00", "run -9.00", "run 0.00")),
    ({"speed_unit": "steps/s", "steps_per_mm": 400}, ("run 60", "run -60", "run 0")),
    ({"speed_unit": "steps/s", "steps_per_mm": 400, "sign": -1}, ("run -60", "run 60", "run 0")),
    ({"move": "V={speed};G", "decimals": 1}, ("V=150.0;G", "V=-150.0;G", "V=0.0;G")),
])
def test_a_speed_is_told_in_the_motors_own_unit(changes, texts):
    made = motor(**changes)
    assert tuple(made.speed_text(v) for v in (0.15, -0.15, -1e-6)) == texts


@pytest.mark.parametrize("unit", ["mm/s", "um/s", "mm/min", "steps/s"])
def test_no_speed_over_the_fastest_is_ever_told(unit):
    per = {"mm/s": 1, "um/s": 1000, "mm/min": 60, "steps/s": 333}[unit]
    more = {"steps_per_mm": 333} if unit == "steps/s" else {}
    made = motor(speed_unit=unit, decimals=2, fastest="0.7777mm/s", **more)
    for speed in (0.7777, 0.779, 5.0, 1e9, -0.779, -1e9):
        told = float(made.speed_text(speed).split()[1])
        assert abs(told) / per <= 0.7777 * (1 + 1e-9)
        assert told * speed > 0
        assert abs(told) / per > 0.7777 - 1.01 * made.finest_mm_per_s


def test_speeds_are_read_with_their_unit():
    assert speed_mm_per_s("800um/s") == pytest.approx(0.8)
    assert speed_mm_per_s("48 mm/min") == pytest.approx(0.8)
    for text in ("0.8", "0mm/s", "-1mm/s", "1 inch/s", "nan mm/s", "1e3mm/s", "9" * 60 + "mm/s", ""):
        with pytest.raises(ValueError, match=r".*"):
            speed_mm_per_s(text)


@pytest.mark.parametrize(("changes", "words"), [
    ({"move": "run"}, "{speed} must stand in it once"),
    ({"move": "run {speed} {speed}"}, "{speed} must stand in it once"),
    ({"move": "run {speed} {0}"}, "no other braces"),
    ({"move": "run {speed}\nrun {speed}"}, "motor.move"),
    ({"speed_unit": "steps/s"}, "steps_per_mm"),
    ({"steps_per_mm": 400.0}, "steps_per_mm"),
    ({"speed_unit": "mm/s", "decimals": 1}, "too coarse"),
    ({"fastest": "8mm/s"}, "5 mm/s at most"),
    ({"fastest": "8"}, "a speed with its unit"),
    ({"force_limit": "0N"}, "more than nothing"),
    ({"travel_limit": "21N"}, "motor.travel_limit"),
    ({"stop": ""}, "motor.stop"),
    ({"safe": "off\n"}, "motor.safe"),
    ({"safe": None}, "motor.safe: missing"),
    ({"watchdog": {"feed": "a", "within": "3s"}}, "0.1 s to 2 s"),
    ({"watchdog": {"feed": "a", "within": "500ms", "says": "(a+)+"}}, "motor.watchdog.says"),
    ({"fault": "(?=x)"}, "motor.fault"),
    ({"force_limit": "100000N"}, "200 N at most"),
    ({"travel_limit": "100000mm"}, "50 mm at most"),
    ({"stall_within": "10000s"}, "5 s at most"),
    ({"speed_unit": "steps/s", "steps_per_mm": 1e300}, "steps_per_mm"),
    ({"move": "r" * 54 + " {speed}", "decimals": 6}, "signs; 64 at most"),
    ({"setup": ["hello", "run 800"]}, "setup: 'run 800' would move it"),
    ({"start": ["on", "RUN -5"]}, "start: 'RUN -5' would move it"),
    ({"safe": "run 800"}, "safe: 'run 800' would move it"),
    ({"stop": "halt; run 3"}, "would move it"),
    ({"stop": "alive"}, "also what keeps it going"),
    ({"safe": "on"}, "also what keeps it going"),
    ({"watchdog": {"feed": "run 1", "within": "500ms"}}, "watchdog.feed: 'run 1' would move it"),
    ({"identity": {"ask": "run 800", "answer": "x"}}, "identity.ask: 'run 800' would move it"),
    ({"url": "/dev/../dev/ttyACM0"}, "two instruments on one port"),
])
def test_what_is_wrong_with_a_motor_is_named(changes, words):
    with pytest.raises(FileFormatError) as fault:
        rig(**changes)
    assert words in str(fault.value)


def test_without_a_watchdog_it_is_not_driven():
    with pytest.raises(InputError, match="nothing in the rig would stop it"):
        check_drives(rig(watchdog=None), read_procedure("standard"))
    with pytest.raises(InputError, match="has no motor"):
        check_drives(read_rig("bench"), read_procedure("standard"))


def strokes(to_n):
    return procedure_from_table({"name": "hard", "kind": "pad", "step": [
        {"do": "stroke", "label": "recorded", "to_n": to_n}]}, source="test")


def no_gauge(table):
    main = table["instrument"][0]
    del main["channel"][1]
    main["pattern"] = main["pattern"].replace(",(?P<displacement>-?\\d+)", "")


def no_cell_limit(table):
    del table["instrument"][0]["channel"][0]["limit"]


def test_a_cell_without_a_limit_is_not_driven():
    with pytest.raises(InputError, match="cell has no limit"):
        check_drives(rig(change=no_cell_limit), read_procedure("standard"))


def test_a_move_to_a_stand_may_be_the_way_to_stop():
    assert motor(stop="run 0").would_move("run 0") is False


def slow(table):
    table["instrument"][0]["lines_per_s"] = 5.0


@pytest.mark.parametrize(("changes", "procedure", "words"), [
    ({"change": no_gauge}, read_procedure("standard"), "it measures no displacement"),
    ({"change": slow}, read_procedure("standard"), "reads only 5 times a second"),
    ({"watchdog": {"feed": "a", "within": "150ms"}}, read_procedure("standard"), "too much for a watchdog"),
    ({}, strokes(19.5), "19.5 N is over 18.9 N"),
    ({"force_limit": "26N"}, read_procedure("standard"), "over the cell's 25 N"),
    ({}, read_procedure("touch"), "a player's finger"),
    ({}, read_procedure("dead-weight"), "dead weights"),
])
def test_what_a_motor_must_not_do_is_refused(changes, procedure, words):
    with pytest.raises(InputError) as fault:
        check_drives(rig(**changes), procedure)
    assert words in str(fault.value)


@pytest.mark.parametrize("name", ["standard", "warm-up", "blank", "check", "relaxation", "compression-set",
                                  "endurance", "passage", "held-note"])
def test_the_example_may_do_what_a_hand_does(name):
    assert check_drives(read_rig("motor-press"), read_procedure(name)).watchdog is not None
