"""Rig files: checked whole, every mistake at once; nothing is opened that is not a port."""

from __future__ import annotations

import json
import tomllib
from datetime import date
from pathlib import Path

import pytest

from padlab.capture.rig import check_url, read_rig, rig_from_table, rig_names, rigs_folder, schema
from padlab.errors import FileFormatError, InputError
from padlab.records.rig_record import RigRecord


def table(**changes):
    instrument = {
        "name": "main", "url": "/dev/ttyACM0", "protocol": "lines", "pattern": r"(?P<force>-?\d+)",
        "channel": [{"column": "force", "quantity": "force", "unit": "N"}],
    }
    instrument.update(changes)
    return {"name": "own", "instrument": [instrument]}


def mistakes(raw) -> list[str]:
    with pytest.raises(FileFormatError) as caught:
        rig_from_table(raw, source="own.toml")
    return caught.value.where["mistakes"]


def test_the_rigs_that_padlab_brings_are_whole():
    assert {"bench", "dial-only", "touch-cap", "two-instruments"} <= set(rig_names())
    for name in rig_names():
        assert read_rig(name).name == name


def test_bench_as_a_run_remembers_it():
    record = read_rig("bench").to_record()
    force, displacement = record.channel("force"), record.channel("displacement")
    assert force is not None
    assert displacement is not None
    assert (force.scale, force.scale_uncertainty) == (0.001, 0.004)
    assert (force.offset_uncertainty, force.limit) == (0.01, 25)
    assert (displacement.scale, displacement.unit, displacement.resolution) == (0.001, "mm", 0.001)
    assert record.frame_compliance_mm_per_n == pytest.approx(0.05e-3)
    assert record.instruments[0].clock_s_per_tick == pytest.approx(1e-6)
    assert RigRecord.from_json(json.loads(json.dumps(record.to_json()))) == record


def test_units_of_a_channel_become_padlabs_own():
    channel = {"column": "force", "quantity": "force", "unit": "gf", "scale": 0.1, "offset": 5, "limit": 2000,
               "sign": -1, "offset_uncertainty": 1, "resolution": 0.1}
    got = rig_from_table(table(channel=[channel]), source="x").to_record().instruments[0].channels[0]
    assert got.unit == "N"
    assert got.scale == pytest.approx(0.1 * 9.80665e-3)
    assert got.offset == pytest.approx(5 * 9.80665e-3)
    assert got.limit == pytest.approx(2000 * 9.80665e-3)
    assert got.sign == -1


def test_every_mistake_is_listed_at_once_with_its_key():
    raw = table(url="spy:///dev/ttyACM0", baud="fast", pattern="(a+)+", colour="red",
                channel=[{"column": "force", "quantity": "force", "unit": "kg", "scale": 0.0},
                         {"column": "force", "quantity": "weight", "unit": "N", "limit": -1.0}])
    raw["titel"] = "x"
    found = mistakes(raw)
    keys = {text.split(":")[0] for text in found}
    assert keys == {
        "instrument[1].url", "instrument[1].baud", "instrument[1].pattern", "instrument[1].colour",
        "instrument[1].channel[1].unit", "instrument[1].channel[1].scale",
        "instrument[1].channel[2].quantity", "instrument[1].channel[2].limit", "titel"}
    assert any("in a repeat" in text for text in found)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"protocol": "scpi"}, "pattern: not a key"),
        ({"protocol": "scpi"}, "ask: missing"),
        ({"protocol": "modbus-rtu", "registers": [1]}, "register: missing"),
        ({"protocol": "telepathy"}, "protocol"),
        ({"name": "../evil"}, "name"),
        ({"name": "CON"}, "reserved"),
        ({"name": "original"}, "padlab's own"),
        ({"name": "x" * 33}, "name"),
        ({"pattern": r"(?P<host_s>\d+),(?P<force>\d+)"}, "padlab's own"),
        ({"pattern": r"(?P<Force>\d+)"}, "a-z"),
        ({"pattern": r"(?P<displacement>\d+)"}, "no group 'force'"),
        ({"counter": {"column": "force", "modulus": 10}}, "named twice"),
        ({"counter": {"column": "count", "modulus": 10}}, "no group 'count'"),
        ({"clock": {"column": "force", "tick": "1", "modulus": 10}}, "unit"),
        ({"clock": {"column": "force", "tick": "1us", "modulus": 0}}, "modulus"),
        ({"identity": {"answer": "(a*)*"}}, "may be empty"),
        ({"identity": {"ask": "?\nrm", "answer": "x"}}, "ask"),
        ({"channel": []}, "channel"),
        ({"lines_per_s": float("nan")}, "lines_per_s"),
        ({"baud": True}, "baud"),
        ({"baud": 10**30}, "baud"),
    ],
)
def test_a_mistake_is_named(changes, words):
    assert words in "; ".join(mistakes(table(**changes)))


def channel(**changes):
    return {"channel": [{"column": "force", "quantity": "force", "unit": "N", **changes}]}


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        (channel(scale=1e30), "channel[1].scale: expected 1e-12 to 1e+07 units a count"),
        (channel(scale=-1e-30), "seen -1e-30"),
        (channel(offset=1e30), "channel[1].offset: expected at most 1000000000"),
        (channel(limit=1e40), "channel[1].limit: expected 10000 N at most; seen 1e+40 N"),
        (channel(limit=11.0, unit="kN"), "channel[1].limit: expected 10 kN at most; seen 11 kN"),
        (channel(resolution=1e9), "channel[1].resolution: expected 10000 N at most"),
        (channel(offset_uncertainty=1e30), "channel[1].offset_uncertainty: expected 10000 N at most"),
        (channel(scale_uncertainty=4.0), "channel[1].scale_uncertainty: expected at most 0.5; seen 4.0"),
        ({"lines_per_s": 1e12}, "lines_per_s: expected at most 100000"),
        ({"lines_per_s": 1e-9}, "lines_per_s: expected at least 0.01"),
        ({"identity": {"answer": "x", "wait": "10weeks"}}, "wait: expected a time from 1e-09 to 60 s"),
    ])
def test_absurd_sizes_are_refused_with_what_is_usual(changes, words):
    """What used to happen: a scale of 1e30 passed, and every number of the run was nonsense."""
    assert words in "; ".join(mistakes(table(**changes)))


def test_a_frame_as_soft_as_rubber_and_a_clock_that_comes_round_at_once_are_refused():
    raw = table(pattern=r"(?P<ticks>\d+),(?P<force>\d+)", lines_per_s=50,
                clock={"column": "ticks", "tick": "1us", "modulus": 65536})
    raw["frame"] = {"compliance": "1e30um/N"}
    found = "; ".join(mistakes(raw))
    assert "frame.compliance: expected a compliance from 0 to 1 mm/N" in found
    assert "clock.modulus: a clock that comes round every 0.065536 s cannot tell" in found
    del raw["frame"]
    raw["instrument"][0]["clock"]["modulus"] = 2**24
    assert rig_from_table(raw, source="own.toml").instrument[0].clock is not None


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("name = 2026-01-01", "name: expected text in quotes; seen the date 2026-01-01"),
        ("name = 7", "name: expected text in quotes; seen 7"),
        ("frame = 3", "frame: expected a table; seen 3"),
        ("instrument = 12:30:00", "instrument: expected a list; seen the time 12:30:00"),
    ])
def test_a_value_of_another_kind_is_told_in_words_of_the_file(line, words):
    """What used to happen: "input should be a valid string; seen datetime.date(2026, 1, 1)"."""
    assert words in "; ".join(mistakes(tomllib.loads(line)))


def test_a_number_is_not_told_in_words_of_a_library():
    seen = date(2026, 1, 1)
    found = "; ".join(mistakes(table(lines_per_s=seen, baud="fast", **channel(scale=[1]))))
    for words in ("lines_per_s: expected a number without quotes; seen the date 2026-01-01",
                  "baud: expected a whole number without quotes; seen 'fast'",
                  "channel[1].scale: expected a number without quotes; seen a list"):
        assert words in found
    assert "input should" not in found


def test_two_instruments_must_differ():
    raw = table()
    raw["instrument"] *= 2
    found = "; ".join(mistakes(raw))
    assert "used twice" in found
    assert "one port" in found
    assert "one is enough" in found


def test_a_motor_says_all_that_it_lacks():
    raw = table()
    raw["motor"] = {"watchdog": "1s"}
    found = "; ".join(mistakes(raw))
    for key in ("motor.stop: missing", "motor.safe: missing", "motor.force_limit: missing", "motor.watchdog"):
        assert key in found


@pytest.mark.parametrize(
    "url",
    ["/dev/ttyUSB0", "/dev/serial/by-id/usb-x_y-if00", "/tmp/rig", "COM3", "COM12", "socket://127.0.0.1:7000",
     "socket://[::1]:7000", "rfc2217://rig.local:4000", "loop://"],
)
def test_ports_that_are_opened(url):
    assert check_url(url) == url


@pytest.mark.parametrize(
    "url",
    ["", "ttyUSB0", "spy:///dev/ttyUSB0?file=/etc/passwd", "hwgrep://x", "alt:///dev/x?class=Y", "cp2110://x",
     "socket://host", "socket://host:0", "socket://host:70000", "socket://host:1?logging=debug", "socket://u@h:1",
     "file:///etc/passwd", "http://x:1", "COM", "COM3;x", "loop://?logging=debug", "/dev/tty\nX", "/dev/x?y",
     "rfc2217://h:1?ign_set_control", "/" + "a" * 400, "socket://h:٣"],
)
def test_what_is_no_port_is_refused(url):
    with pytest.raises(InputError):
        check_url(url)


def test_ports_typed_by_hand():
    rig = read_rig("bench").with_urls(["/tmp/rig"])
    assert rig.instrument[0].url == "/tmp/rig"
    assert read_rig("bench").with_urls(["main=COM4"]).instrument[0].url == "COM4"
    assert read_rig("bench").with_urls([]).instrument[0].url == "/dev/ttyACM0"
    with pytest.raises(InputError):
        read_rig("bench").with_urls(["other=COM4"])
    raw = table()
    raw["instrument"].append({**raw["instrument"][0], "name": "gauge", "url": "COM9", "channel": [
        {"column": "force", "quantity": "displacement", "unit": "mm"}]})
    two = rig_from_table(raw, source="x")
    assert [i.url for i in two.with_urls(["gauge=COM5"]).instrument] == ["/dev/ttyACM0", "COM5"]
    with pytest.raises(InputError, match="several instruments"):
        two.with_urls(["COM5"])
    with pytest.raises(InputError, match="no instrument 'other'"):
        two.with_urls(["other=COM5"])
    with pytest.raises(InputError, match="two instruments on one port"):
        two.with_urls(["main=COM5", "gauge=COM5"])


@pytest.mark.parametrize(
    "content",
    [b"\xff\xfe", b"name = ", b"name = 'x'\n" * 2, b"x" * 70_000, b"a = " + b"[" * 5000, b"", b"\0"],
)
def test_hostile_files_end_in_one_clear_error(tmp_path, content):
    path = tmp_path / "rig.toml"
    path.write_bytes(content)
    with pytest.raises(FileFormatError):
        read_rig(str(path))


def test_a_relative_path_is_a_path_whether_anything_is_there_or_not(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "rig").symlink_to("/dev/null")
    assert read_rig("bench").with_urls(["rig"]).instrument[0].url == str(tmp_path / "rig")
    assert read_rig("bench").with_urls(["no-such-rig"]).instrument[0].url == str(tmp_path / "no-such-rig")
    for typed in ("", "a\0b", "spy://rig"):
        with pytest.raises(InputError):
            read_rig("bench").with_urls([typed])


def test_a_rig_that_is_not_there():
    with pytest.raises(InputError, match="no rig"):
        read_rig("nowhere")
    with pytest.raises(InputError, match="no rig"):
        read_rig("/nowhere/rig.toml")


def test_the_published_schema_is_current():
    """Renew it with the command that ``padlab.capture.rig.schema`` gives."""
    stored = Path(str(rigs_folder())) / "rig.schema.json"
    assert stored.read_text("utf-8") == schema()
