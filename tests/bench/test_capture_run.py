"""From a real port to a run on the shelf: what was sent is what is kept, and the steps are followed."""

from __future__ import annotations

import importlib.util
import json
import os
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest

from padlab.capture.procedure import procedure_from_table, read_procedure
from padlab.capture.recorder import record
from padlab.capture.rig import read_rig, rig_from_table
from padlab.errors import InputError
from padlab.records.pad import Pad
from padlab.records.raw_log import read_raw
from padlab.records.shelf import Shelf, open_run

_spec = importlib.util.spec_from_file_location("heard", Path(__file__).parent / "heard.py")
_heard = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(_heard)
Heard = _heard.Heard

pytestmark = [pytest.mark.real_time,
              pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a pseudo-terminal")]

PAD = Pad(id="A3", material="grey wool felt", material_class="felt", lot="2026-07", outer_diameter_mm=19,
          inner_diameter_mm=8, thickness_mm=1.6)
TWO = procedure_from_table({"name": "two", "kind": "pad", "step": [
    {"do": "stroke", "label": "recorded", "to_n": 18.0, "count": 2}]}, source="test")
RATE = 50


def drawing(*parts: tuple[float, float], noise: float = 0.01) -> np.ndarray:
    """Force through (seconds, to newtons) points, 50 a second, in counts of the rig."""
    pieces, at = [], 0.0
    for seconds, to_n in parts:
        pieces.append(np.linspace(at, to_n, round(seconds * RATE), endpoint=False))
        at = to_n
    force = np.concatenate(pieces)
    force = force + noise * np.random.default_rng(1).standard_normal(force.size)
    return np.round(force * 1000).astype(int)


IDLE, STROKE = ((2.0, 0.0),), ((2.0, 18.0), (1.0, 0.0), (0.6, 0.0))


def lines(force: np.ndarray, first: int = 0) -> list[bytes]:
    return [b"%d,%d,%d,%d\n" % (first + i, (first + i) * 20_000 % 2**32, f, max(0, f) // 50)
            for i, f in enumerate(force.tolist())]


class Recording:
    """``record`` in a thread, so that the test can play the rig."""

    def __init__(self, rig, tmp_path: Path, procedure=TWO, described=None, **more) -> None:
        self.screen, self.stop = Heard(), threading.Event()
        described = described or read_rig("bench")
        self.result, self.fault = None, None

        def work() -> None:
            try:
                self.result = record(
                    described.with_urls([rig.url]), procedure, Shelf(tmp_path / "shelf"), screen=self.screen,
                    pad=PAD if procedure.kind == "pad" else None, should_stop=self.stop.is_set, **more)
            except BaseException as fault:
                self.fault = fault

        self.thread = threading.Thread(target=work)
        self.thread.start()
        self.screen.wait_for("hands off")

    def finish(self, limit_s: float = 30.0):
        self.thread.join(limit_s)
        assert not self.thread.is_alive()
        if self.fault is not None:
            raise self.fault
        return self.result


def stored(run) -> list[bytes]:
    raw = (run.folder / "raw" / "main.csv").read_bytes().splitlines(keepends=True)
    return [line.split(b",", 1)[1] for line in raw[1:]]


def codes(run) -> set[str]:
    return {m.code for m in run.marks}


def test_what_was_sent_is_what_is_kept(line_rig, tmp_path):
    sent = lines(drawing(*IDLE, *STROKE, *STROKE, (2.0, 0.0)))
    recording = Recording(line_rig, tmp_path)
    line_rig.send(b"".join(sent))
    run = recording.finish()
    assert run.state == "complete"
    assert codes(run) == set()
    kept = stored(run)
    assert kept == sent[:len(kept)]
    assert len(kept) > len(sent) - 2 * RATE                  # it ends a second after the last stroke
    samples = run.samples
    assert list(samples.columns) == ["time_s", "force_n", "displacement_mm"]
    assert samples["force_n"].max() == pytest.approx(18.0, abs=0.1)
    assert samples["time_s"].iloc[-1] == pytest.approx((len(kept) - 1) / RATE)
    host = read_raw(run)["main"]["host_s"].to_numpy()
    assert (np.diff(host) >= 0).all()
    assert 0 <= host[0] < 20
    steps = json.loads((run.folder / "datapackage.json").read_text("utf-8"))["padlab"]["steps"]
    assert [(s["label"], s["good"]) for s in steps] == [("recorded", True)] * 2
    assert steps[0]["from_s"] == pytest.approx(2.06, abs=0.05)
    assert open_run(run.folder).state == "complete"


def test_unplugged_during_a_run_the_gap_is_kept_and_the_rest_recorded(line_rig, tmp_path):
    recording = Recording(line_rig, tmp_path)
    first = lines(drawing(*IDLE, *STROKE))
    line_rig.send(b"".join(first) + b"9999,99")                # torn: the cable goes in mid-line
    recording.screen.wait_for("recorded 1 of 2")
    line_rig.unplug()
    recording.screen.wait_for("waiting for the rig to come back")
    line_rig.plug_in()
    recording.screen.wait_for("the same rig is back")
    second = lines(drawing((1.0, 0.0), *STROKE, (2.0, 0.0)), first=len(first) + 500)      # ten seconds later
    line_rig.send(b"".join(second))
    run = recording.finish()
    assert run.state == "complete"
    assert codes(run) == {"gap"}                               # nothing "lost": the gap says it
    [gap] = run.gaps
    assert gap.from_s == pytest.approx((len(first) - 1) / RATE)
    assert gap.to_s == pytest.approx((len(first) + 500) / RATE)
    kept = stored(run)
    assert kept == (first + second)[:len(kept)]
    assert len(kept) > len(first) + RATE


def test_a_rig_that_does_not_come_back_ends_the_run_with_all_samples(line_rig, tmp_path):
    recording = Recording(line_rig, tmp_path, give_up_s=0.5)
    sent = lines(drawing(*IDLE, *STROKE))
    line_rig.send(b"".join(sent))
    recording.screen.wait_for("recorded 1 of 2")
    line_rig.unplug()
    run = recording.finish()
    assert run.state == "interrupted"
    assert codes(run) == {"gap", "interrupted"}
    assert stored(run) == sent
    assert len(run.samples) == len(sent)


def test_a_hold_of_which_a_part_is_missing_does_not_count(line_rig, tmp_path):
    plan = procedure_from_table({"name": "x", "kind": "pad", "step": [
        {"do": "hold", "label": "hold", "to_n": 3.5, "seconds": 10}]}, source="t")
    holds = ((2.0, 3.5), (12.0, 3.5), (1.0, 0.0), (1.0, 0.0), (2.0, 3.5), (11.0, 3.5), (1.0, 0.0), (3.0, 0.0))
    sent = lines(drawing(*IDLE, *holds))
    del sent[300:650]                                            # seven seconds of the first hold
    recording = Recording(line_rig, tmp_path, plan)
    line_rig.send(b"".join(sent))
    run = recording.finish()
    assert run.state == "complete"
    assert codes(run) == {"gap", "lost_lines"}
    steps = json.loads((run.folder / "datapackage.json").read_text("utf-8"))["padlab"]["steps"]
    assert [s["good"] for s in steps] == [False, True]
    assert "missing" in steps[0]["reason"]


def test_a_rig_that_restarts_leaves_a_gap_and_loses_nothing(line_rig, tmp_path):
    first, second = lines(drawing(*IDLE, *STROKE)), lines(drawing((1.0, 0.0), *STROKE, (2.0, 0.0)))
    recording = Recording(line_rig, tmp_path)
    line_rig.send(b"".join(first))
    recording.screen.wait_for("recorded 1 of 2")
    line_rig.send(b"# bench-a\n" + b"".join(second))              # its counter and clock begin at 0 again
    run = recording.finish()
    assert run.state == "complete"
    assert codes(run) == {"gap"}
    assert [g.reason for g in run.gaps] == ["the rig was restarted: its clock began anew"]
    assert stored(run) == (first + second)[:len(stored(run))]


def test_one_damaged_tick_is_no_gap(line_rig, tmp_path):
    sent = lines(drawing(*IDLE, *STROKE, *STROKE, (2.0, 0.0)))
    sent[150] = b"150,%d,0,0\n" % (150 * 20_000 ^ 1 << 28)
    recording = Recording(line_rig, tmp_path)
    line_rig.send(b"".join(sent[:151]))                           # the next reading will tell
    time.sleep(0.3)
    line_rig.send(b"".join(sent[151:]))
    run = recording.finish()
    assert (run.state, codes(run), run.gaps) == ("complete", set(), ())
    assert run.samples["time_s"].iloc[-1] == pytest.approx((len(stored(run)) - 1) / RATE)


def test_a_rig_that_falls_silent_leaves_a_gap_and_then_the_run_ends(line_rig, tmp_path):
    recording = Recording(line_rig, tmp_path, give_up_s=5.5)
    line_rig.send(b"".join(lines(drawing(*IDLE))))
    recording.screen.wait_for("press slowly")
    line_rig.send(b"".join(lines(drawing((1.0, 0.0)), first=400)))       # six seconds are missing
    recording.screen.wait_for("is it switched on?")
    run = recording.finish()
    assert run.state == "interrupted"
    assert codes(run) == {"gap", "lost_lines", "interrupted"}
    assert [(g.from_s, g.to_s) for g in run.gaps] == [(pytest.approx(1.98), pytest.approx(8.0))]


def test_too_much_force_stops_with_a_warning(line_rig, tmp_path):
    recording = Recording(line_rig, tmp_path)
    line_rig.send(b"".join(lines(drawing(*IDLE, (2.0, 26.0), (1.0, 26.0)))))
    run = recording.finish()
    assert run.state == "interrupted"
    assert "over_range" in codes(run)
    said = [s.text for s in recording.screen.said]
    stop = next(i for i, text in enumerate(said) if text.startswith("STOP"))
    assert not any("once more" in text or "press slowly" in text for text in said[stop + 1:])   # it did once


def test_one_damaged_reading_over_the_limit_does_not_stop_the_run(line_rig, tmp_path):
    force = drawing(*IDLE, *STROKE, *STROKE, (2.0, 0.0))
    force[120] = 99_000
    recording = Recording(line_rig, tmp_path)
    line_rig.send(b"".join(lines(force)))
    assert recording.finish().state == "complete"


def test_a_hand_that_goes_on_leaves_a_mark(line_rig, tmp_path):
    plan = procedure_from_table({"name": "x", "kind": "pad", "step": [
        {"do": "stroke", "label": "recorded", "to_n": 18.0, "count": 3},
        {"do": "stroke", "to_n": 6.0}]}, source="t")
    recording = Recording(line_rig, tmp_path, plan)
    slip = ((1.0, 9.0), (0.5, 0.0), (0.6, 0.0))
    small = ((2.0, 6.0), (1.0, 0.0), (3.0, 0.0))
    line_rig.send(b"".join(lines(drawing(*IDLE, *STROKE, *slip, *STROKE, *small))))
    run = recording.finish()
    assert run.state == "complete"
    assert codes(run) == {"fewer_strokes_than_planned"}
    assert "recorded to 18 N: 2 of 3" in run.marks[0].message
    assert any("does not count: the peak was 9" in s.text for s in recording.screen.said)


def test_bad_and_lost_lines_are_counted_in_the_marks(line_rig, tmp_path):
    sent = lines(drawing(*IDLE, *STROKE, *STROKE, (2.0, 0.0)))
    sent[30] = b"30,600000,garb\xffge\n"
    sent[130] = b"# a remark\n" + sent[130]
    del sent[60:63]
    recording = Recording(line_rig, tmp_path)
    line_rig.send(b"".join(sent))
    run = recording.finish()
    about = {m.code: m.message for m in run.marks}
    assert about["lost_lines"] == "3 line(s) were lost"
    assert about["bad_lines"].startswith(
        r"1 line(s) were not readable, such as '30,600000,garb\xffge': text, but not the rig file's pattern")
    assert set(about) == {"bad_lines", "lost_lines"}
    assert not any("cannot be read" in s.text for s in recording.screen.said)       # one is no matter


def test_garbage_says_what_comes_and_where_to_look(line_rig, tmp_path):
    """What used to happen: "only unreadable lines come", and no word of what to do."""
    recording = Recording(line_rig, tmp_path, give_up_s=6.0)
    line_rig.send(b"".join(lines(drawing(*IDLE))))
    recording.screen.wait_for("press slowly")
    line_rig.send(b"\x80\xf8\x00\xe0\n" * 20)
    recording.screen.wait_for("many lines from main cannot be read")
    recording.screen.wait_for("only what cannot be read comes from main")
    run = recording.finish()
    assert run.state == "interrupted"
    [why] = [m.message for m in run.marks if m.code == "interrupted"]
    assert "only what cannot be read came from main for 6 s" in why
    for words in (why, *(s.text for s in recording.screen.said if "cannot be read comes" in s.text)):
        assert r"such as '\x80\xf8\x00\xe0': not text: is 115200 baud 8N1" in words
    assert not any("switched on" in s.text for s in recording.screen.said)


def test_a_clock_that_stands_still_ends_the_run(line_rig, tmp_path):
    """What used to happen: every reading at one moment, no step ever ended, and nothing was said."""
    recording = Recording(line_rig, tmp_path)
    line_rig.send(b"".join(lines(drawing(*IDLE))))
    recording.screen.wait_for("press slowly")
    end = time.monotonic() + 20
    sent = 100
    while recording.thread.is_alive() and time.monotonic() < end:
        line_rig.send(b"%d,1980000,5,0\n" % sent)
        sent += 1
        time.sleep(0.02)
    run = recording.finish()
    assert run.state == "interrupted"
    assert codes(run) == {"stands_still", "interrupted"}
    [why] = [m.message for m in run.marks if m.code == "interrupted"]
    assert "the clock (column clock, at 1980000) of main stands still while lines come" in why
    assert "plug it in again" in why
    assert len(stored(run)) > 2 * RATE                  # all that came is kept


def test_a_counter_that_stands_still_is_said_once_and_marked(line_rig, tmp_path):
    sent = [b"7,%b" % line.partition(b",")[2] for line in lines(drawing(*IDLE, *STROKE, *STROKE, (2.0, 0.0)))]
    recording = Recording(line_rig, tmp_path)
    line_rig.send(b"".join(sent))
    run = recording.finish()
    assert run.state == "complete"
    assert codes(run) == {"stands_still"}
    assert sum("counter (column counter, at 7)" in s.text for s in recording.screen.said) == 1


def test_nobody_presses(line_rig, tmp_path):
    recording = Recording(line_rig, tmp_path, patience_s=0.5, give_up_s=60.0)
    line_rig.send(b"".join(lines(drawing(*IDLE))))
    run = recording.finish()
    assert run.state == "interrupted"
    assert "nobody pressed" in run.marks[0].message
    assert len(stored(run)) == 2 * RATE


def test_stopped_by_hand_keeps_everything_that_was_sent(line_rig, tmp_path):
    recording = Recording(line_rig, tmp_path)
    sent = lines(drawing(*IDLE, *STROKE))
    line_rig.send(b"".join(sent))
    recording.screen.wait_for("recorded 1 of 2")
    recording.stop.set()
    run = recording.finish()
    assert run.state == "interrupted"
    assert stored(run) == sent


def test_a_full_disk_ends_the_run_and_keeps_what_was_written(line_rig, tmp_path):
    """No file of the program may grow beyond 40 kB: its writes fail as they do on a full disk."""
    import resource

    program = command(
        "capture", "bench", "touch", "--out", str(tmp_path / "shelf"), "--url", line_rig.url, "--json",
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_FSIZE, (40_000, 40_000)))
    assert program.stderr is not None
    words = ""
    while "hands off" not in words:
        words += program.stderr.readline()
    sent = lines(drawing((80.0, 0.0)))
    line_rig.send(b"".join(sent))
    out, more = program.communicate(timeout=60)
    assert program.returncode == 1
    assert "room on the disk" in json.loads(out)["error"]["expected"]
    assert "Traceback" not in words + more
    [folder] = (tmp_path / "shelf" / "runs").iterdir()
    run = open_run(folder)
    assert run.state == "interrupted"
    kept = stored(run)
    assert kept == sent[:len(kept)]
    assert len(kept) > 500


def test_a_load_cell_alone_records_a_touch(make_rig, tmp_path):
    rig = make_rig(name=b"# touch-cap v1")
    touch = procedure_from_table({"name": "touch", "kind": "touch", "step": [
        {"do": "free", "label": "playing", "seconds": 10}]}, source="t")
    recording = Recording(rig, tmp_path, touch, read_rig("touch-cap"))
    force = drawing(*IDLE, *(((0.1, 6.0), (0.4, 5.8), (0.1, 0.0), (0.3, 0.0)) * 14), (3.0, 0.0))
    rig.send(b"".join(b"%d,%d,%d\n" % (i, i * 20_000, f) for i, f in enumerate(force.tolist())))
    run = recording.finish()
    assert (run.kind, run.state, run.pad) == ("touch", "complete", None)
    assert list(run.samples.columns) == ["time_s", "force_n"]


def test_a_rig_without_clock_counter_or_identity(line_rig, tmp_path):
    plain = rig_from_table({"name": "plain", "instrument": [{
        "name": "main", "url": "/dev/null", "protocol": "lines", "pattern": r"(?P<force>-?\d+)",
        "lines_per_s": 50.0,
        "channel": [{"column": "force", "quantity": "force", "unit": "N", "scale": 0.001}]}]}, source="t")
    free = procedure_from_table(
        {"name": "f", "kind": "touch", "step": [{"do": "free", "seconds": 0.5}]}, source="t")
    recording = Recording(line_rig, tmp_path, free, plain)
    end = time.monotonic() + 20
    sent = 0
    while recording.thread.is_alive() and time.monotonic() < end:
        line_rig.send(b"%d\n" % (sent % 7))
        sent += 1
        recording.thread.join(0.01)
    run = recording.finish()
    assert run.state == "complete"
    kept = stored(run)
    assert kept[0] == b"1\n"                                    # the first could be half a line
    assert len(kept) <= sent
    times = run.samples["time_s"].to_numpy()
    assert times[-1] == pytest.approx(2.3, abs=0.8)             # 0.8 s zero, 0.5 s free, 1 s at the end


def test_a_procedure_too_hard_for_the_cell_is_refused(line_rig, tmp_path):
    with pytest.raises(InputError, match="too hard"):
        record(read_rig("bench").with_urls([line_rig.url]), procedure_from_table(
            {"name": "x", "kind": "pad", "step": [{"do": "stroke", "to_n": 21.0}]}, source="t"),
            Shelf(tmp_path), screen=Heard())
    assert line_rig.heard == b""                                # the port was not even opened


def command(*arguments: str, **more):
    return subprocess.Popen(
        [sys.executable, "-c", "from padlab.cli.main import main; main()", *arguments],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, **more)


@pytest.mark.parametrize("number", [signal.SIGINT, signal.SIGTERM])
def test_the_command_ends_on_a_signal_and_keeps_the_run(line_rig, tmp_path, number):
    pad = tmp_path / "pad.toml"
    pad.write_text('id="A"\nmaterial="felt"\nmaterial_class="felt"\nlot="1"\nouter_diameter="19mm"\n'
                   'inner_diameter="8mm"\n')
    common = ["capture", "bench", "standard", "--pad", str(pad), "--out", str(tmp_path / "shelf"), "--url",
              line_rig.url]
    program = command(*common, "--temperature", "21degC", "--humidity", "50%",
                      "--note", "a \x1b[31mnote", "--json")
    assert program.stderr is not None
    words = ""
    while "hands off" not in words:
        words += program.stderr.readline()
    line_rig.send(b"".join(lines(drawing(*IDLE, *STROKE))))
    while "working-in 1 of 3" not in words:
        words += program.stderr.readline()
    program.send_signal(number)
    out, rest = program.communicate(timeout=30)
    assert program.returncode == 0
    answer = json.loads(out)
    assert answer["state"] == "interrupted"
    assert [m["code"] for m in answer["marks"]] == ["interrupted"]
    run = open_run(answer["folder"])
    assert run.environment == {"temperature_c": 21.0, "humidity_percent": 50.0}
    assert len(run.samples) == round((2 + 3.6) * RATE)
    assert "Pinching" in words                                  # before the first capture of this rig
    assert "\x1b" not in words + rest
    second = command(*common)
    assert second.stderr is not None
    again = ""
    while "hands off" not in again:
        again += second.stderr.readline()
    assert "Pinching" not in again                              # in one line from then on
    assert "Fingers out" in again
    second.send_signal(signal.SIGINT)
    second.communicate(timeout=30)


def test_the_command_says_what_is_missing(tmp_path):
    for arguments, word in [
        (("bench", "nothing", "--out", str(tmp_path)), "no procedure"),
        (("nothing", "touch", "--out", str(tmp_path)), "no rig"),
        (("bench", "touch", "--out", str(tmp_path), "--url", "spy://x"), "not a port"),
        (("bench", "touch", "--out", str(tmp_path), "--temperature", "21"), "no unit"),
    ]:
        program = command("capture", *arguments, "--json")
        out, words = program.communicate(timeout=60)
        assert program.returncode == 1
        assert word in words
        assert "Traceback" not in words
        assert set(json.loads(out)) == {"error"}


def test_a_missing_pad_is_a_usage_error_and_a_port_that_is_not_there_is_tried_before_all_else(tmp_path):
    program = command("capture", "bench", "standard", "--out", str(tmp_path / "shelf"))
    _, words = program.communicate(timeout=60)
    assert (program.returncode, "--pad PAD.toml is missing" in words) == (2, True)
    program = command("capture", "bench", "touch", "--out", str(tmp_path / "shelf"), "--url",
                      str(tmp_path / "rig"), "--json")
    out, words = program.communicate(timeout=60)
    assert program.returncode == 1
    assert "nothing is there" in json.loads(out)["error"]["message"]
    assert "Pinching" not in words                              # cautions are for a rig that answers
    assert not (tmp_path / "shelf").exists()


def test_rigs_can_be_listened_to(line_rig):
    program = command("rigs", "bench", "--listen", "--seconds", "2", "--url", line_rig.url, "--json")
    end = time.monotonic() + 30
    sent = 0
    while program.poll() is None and time.monotonic() < end:
        if line_rig.heard:
            line_rig.send(lines(np.array([1000 + sent % 3]), first=sent)[0])
            sent += 1
        time.sleep(0.005)
    out, words = program.communicate(timeout=30)
    assert program.returncode == 0, words
    [seen] = json.loads(out)["instruments"]
    assert seen["lines_per_s"] > 10
    assert (seen["bad_lines"], seen["lost_lines"]) == (0, 0)
    assert seen["channels"][0]["value"] == pytest.approx(1.0, abs=0.01)
    assert seen["channels"][0]["noise"] == pytest.approx(0.0008, abs=0.0003)


def test_standard_is_done_with_readings_of_the_shape_it_asks_for(line_rig, tmp_path):
    """The whole standard procedure at once, as fast as the port takes it."""
    parts: list[tuple[float, float]] = [*IDLE, *(STROKE * 8)]
    for to_n in (3.0, 6.0, 9.0):
        parts += [(2.0, to_n), (1.0, 0.0), (0.6, 0.0)]
    for to_n in (3.0, 6.0, 9.0):
        parts += [(0.4, to_n), (0.3, 0.0), (0.6, 0.0)]
    parts += [(2.0, 3.5), (60.5, 3.5), (1.0, 0.25), (30.0, 0.25)]
    parts += [(2.0, 8.0), (20.5, 8.0), (1.0, 0.25), (64.0, 0.25)]
    recording = Recording(line_rig, tmp_path, read_procedure("standard"))
    line_rig.send(b"".join(lines(drawing(*parts))))
    run = recording.finish()
    assert run.state == "complete"
    assert codes(run) == set()
