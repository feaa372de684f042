"""Listening: what comes, what does not fit and why, and a clock that stands still."""

from __future__ import annotations

import numpy as np
import pytest

from padlab.capture.advice import Standing
from padlab.capture.rig import read_rig, rig_from_table
from padlab.capture.watch import Watch


def watch(**changes) -> Watch:
    return Watch(read_rig("bench").instrument[0].model_copy(update=changes))


def seen(watching: Watch, data: bytes, *, at_s: float = 1.0):
    watching.take(data, host_s=at_s)
    return watching.look(host_s=at_s)


def test_silence_is_a_matter_of_power_and_cable():
    assert "nothing comes: see to power" in (watch().look(host_s=1.0).no_readings or "")


@pytest.mark.parametrize(
    ("sent", "words"),
    [
        (bytes(range(128, 228)), "not text: is 115200 baud 8N1"),             # as at a wrong baud rate
        (b"\x00\xf8\n\xe0\x00\n" * 20, "not text: is 115200 baud 8N1"),
        (b"12.345 N;" * 100, "without an end of line: does line_end"),
        (b"12.345 N\n" * 20, "not the rig file's pattern: is it this rig, with this format and these units"),
        (b"\n\r\n\n", "blank lines and nothing else"),
        (b"# ready, send S to start\n", "only remarks come, such as '# ready, send S to start'"),
    ])
def test_what_comes_and_does_not_fit_is_not_blamed_on_the_cable(sent, words):
    """What used to happen: whatever came, if it was no reading, "see to power, cable"."""
    why = seen(watch(), sent).no_readings or ""
    assert words in why
    assert "power" not in why


def test_a_piece_of_what_came_is_shown_and_cannot_steer_a_terminal():
    why = seen(watch(), b"\x1b[2J\x07wei\xdfrd\n").no_readings or ""
    assert r"such as '\x1b[2J\x07wei\xdfrd'" in why
    assert "12 bytes/s come" in why


def test_a_wrong_checksum_is_named():
    why = seen(watch(checksum="xor"), b"1,2,3,4*00\n" * 5).no_readings or ""
    assert "checksum does not fit: is it xor" in why


def test_readings_need_no_advice():
    look = seen(watch(), b"1,0,5,5\n2,20000,5,5\n")
    assert (look.no_readings, look.stands) == (None, None)


def test_an_asked_instrument_says_which_of_the_two_it_is():
    channel = {"column": "force", "quantity": "force", "unit": "N", "ask": "READ?"}
    rig = rig_from_table({"name": "own", "instrument": [{
        "name": "cell", "url": "/dev/ttyUSB0", "protocol": "scpi", "lines_per_s": 5, "channel": [channel]}]},
        source="own.toml")
    watching = Watch(rig.instrument[0])
    assert "see to power, cable" in (seen(watching, b"!no answer came within 0.2 s\n").no_readings or "")
    why = seen(watching, b"!not a number: 'ERR'\n", at_s=2.0).no_readings or ""
    assert why.startswith("not a number: 'ERR': see to what is asked")


def lines(count: int, *, first: int = 0, clock: int | None = None, counter: int | None = None) -> bytes:
    return b"".join(b"%d,%d,%d,7\n" % (k if counter is None else counter,
                                       k * 20_000 if clock is None else clock, k % 5)
                    for k in range(first, first + count))


def test_a_clock_that_stands_still_is_named():
    """What used to happen: all readings at one moment, and nothing was said."""
    watching = watch()
    assert seen(watching, lines(50)).stands is None
    watching.take(lines(25, first=50, clock=980_000), host_s=1.5)
    look = seen(watching, lines(25, first=75, clock=980_000), at_s=2.1)
    assert "the clock (column clock, at 980000) of main stands still while lines come" in (look.stands or "")
    assert "plug it in again" in (look.stands or "")
    assert seen(watching, lines(50, first=100), at_s=3.1).stands is None          # and it goes on


def test_a_counter_that_stands_still_is_named():
    look = seen(watch(), lines(50, counter=4))
    assert (look.stands or "").startswith("the counter (column counter, at 4) of main stands still")


def test_a_rig_that_says_one_line_over_and_over():
    watching = watch()
    for k in range(4):
        watching.take(b"5,100000,250,7\n" * 12, host_s=0.5 * k)
    look = watching.look(host_s=2.0)
    assert "the counter (column counter, at 5) and the clock (column clock, at 100000) of main stand" in (
        look.stands or "")


def test_a_coarse_clock_does_not_stand_still():
    """A clock of whole seconds says the same for a second, and may do so for a little longer."""
    clock = read_rig("bench").instrument[0].clock.model_copy(update={"tick": "1s"})
    standing = Standing(read_rig("bench").instrument[0].model_copy(update={"clock": clock}).to_record())
    host_s = np.arange(500) * 0.01
    rows = np.column_stack([np.arange(500), np.floor(host_s), np.zeros(500), np.zeros(500)])
    assert [standing.see(host_s[i:i + 10], rows[i:i + 10]) for i in range(0, 500, 10)] == [[]] * 50
    assert standing.see(np.arange(5.0, 9.0, 0.01), np.tile([1.0, 4.0, 0.0, 0.0], (400, 1)) +
                        np.arange(400)[:, None] * [1, 0, 0, 0]) == ["clock (column clock, at 4)"]
