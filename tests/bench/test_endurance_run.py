"""An endurance run through a real port: on file is what the machine did, and what may go on, goes on."""

from __future__ import annotations

import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from frictionless import validate

from padlab.capture.endurance import record_endurance, resume_endurance
from padlab.capture.procedure import procedure_from_table, read_procedure
from padlab.capture.rig import read_rig, rig_from_table
from padlab.capture.virtual.cam_press import CamBench, CamPress, Spring
from padlab.capture.virtual.ports import TcpPort
from padlab.cli.main import main
from padlab.errors import InputError, PadlabError, RunError
from padlab.fitting.wear_run import loss_of
from padlab.records.pad import Pad
from padlab.records.shelf import Shelf, open_run
from padlab.records.stroke_log import read_strokes
from padlab.records.stroke_rows import COLUMNS, is_kept

pytestmark = pytest.mark.real_time

PAD = Pad(id="A3", material="grey wool felt", material_class="felt", lot="2026-07", outer_diameter_mm=19,
          inner_diameter_mm=8, thickness_mm=1.6)
PAD_FILE = """
id = "A3"
material = "grey wool felt"
material_class = "felt"
lot = "2026-07"
outer_diameter = "19mm"
inner_diameter = "8mm"
thickness = "1.6mm"
"""
WEARS_MM = 2e-4


class WearingSpring(Spring):
    """A spring whose face recedes by 0.2 um with every stroke: the truth of a loss."""

    strokes, is_down = 0, False

    def move_to(self, travel_mm, dt_s):
        now_down = travel_mm > 0.1
        self.strokes += now_down and not self.is_down
        self.is_down = now_down
        self.travel_mm = travel_mm
        self._felt = max(0.0, self.rate_n_per_mm * (travel_mm - WEARS_MM * max(self.strokes - 1, 0)))
        return self._felt

    @property
    def force_n(self):
        return getattr(self, "_felt", 0.0)


class Screen:
    def __init__(self):
        self.said, self.told = [], []

    def say(self, said):
        self.said.append(said.text)

    def progress(self, text):
        self.told.append(text)

    def has_seen(self, strokes):
        return any(text.startswith(f"{strokes} strokes of") for text in self.said)


def plan(*, count=200, rest_s=None, times=1):
    steps = [{"do": "stroke", "label": "endurance", "to_n": 8.0, "count": count}]
    if rest_s:
        steps.append({"do": "away", "label": "recovery", "seconds": rest_s})
    return procedure_from_table({"name": "some", "kind": "wear", "step": [{"times": times, "steps": steps}]},
                                source="test")


@pytest.fixture
def benches():
    return []


@pytest.fixture
def serve(benches):
    def start(piece=None, *, speed=40.0, rig="endurance-press", **keys):
        press = CamPress(read_rig(rig) if isinstance(rig, str) else rig, piece or Spring(),
                         **{"strokes_hz": 5.0, "stands_s": 15.0, **keys})
        bench = CamBench(press, TcpPort(0), speed=speed)
        thread = threading.Thread(target=bench.run)
        thread.start()
        benches.append((bench, thread))
        return press, bench.port.url

    yield start
    for bench, thread in benches:
        bench.stop()
        thread.join(10)


def here(url, name="endurance-press"):
    return read_rig(name).with_urls([url])


def whole(run):
    parts = list(read_strokes(run.folder, run.endurance["parts"]))
    return {c: np.concatenate([p[c] for p in parts]) for c in COLUMNS}


def faults(run):
    return validate(str(run.folder / "datapackage.json")).flatten(["type", "message"])


def test_what_is_on_file_is_what_the_machine_did(tmp_path, serve):
    procedure = plan(count=150, rest_s=30.0, times=3)
    press, url = serve(WearingSpring(), rests=procedure.rests(), rng=np.random.default_rng(4))
    screen = Screen()
    run = record_endurance(here(url), procedure, Shelf(tmp_path), screen=screen, pad=PAD, note="a test")
    assert (run.state, run.kind, [m.code for m in run.marks]) == ("complete", "wear", [])
    rows = whole(run)
    assert rows["stroke"].tolist() == list(range(1, 451))
    assert np.abs(rows["peak_n"] - list(press.peaks_n)[:450]).max() < 0.15       # a peak between two readings
    np.testing.assert_allclose(rows["loss_mj"], 0.0, atol=0.02)                     # a spring keeps nothing
    assert (np.flatnonzero(rows["rest_s"] > 20.0) + 1).tolist() == [151, 301]
    worn = rows["at_f0_mm"] - rows["at_f0_mm"][0]
    assert np.abs(worn - WEARS_MM * np.arange(450)).max() < 0.04    # one by itself, five readings on its limb
    assert np.polyfit(np.arange(450), worn, 1)[0] == pytest.approx(WEARS_MM, rel=0.03)
    table = {str(c): run.samples[c].to_numpy() for c in run.samples}
    loss = loss_of(table, pad="A3", lot="1")
    assert loss.readings.strokes.tolist() == [150.0, 300.0] or loss.readings.strokes.size >= 1
    raw = np.loadtxt(run.folder / "raw" / "main.csv", delimiter=",", skiprows=1)
    kept = is_kept(rows["stroke"])
    assert kept.sum() < 60
    for k in np.flatnonzero(kept):                    # the whole loop of each that is kept, and of no other
        mine = raw[raw[:, 3] == rows["machine"][k]]
        assert (np.diff(mine[:, 1]) == 1).all()
        assert (mine[:, 4] > 250).sum() >= rows["readings"][k] - 1
        assert mine[:, 4].max() / 1000 == pytest.approx(rows["peak_n"][k], abs=0.05)
    assert (np.diff(raw[:, 1]) > 0).all()                   # no line twice
    loads = raw[raw[:, 4] > 1000][:, 3]
    assert set(loads) == set(rows["machine"][kept])
    assert any("150 of 450 strokes" in text for text in screen.said)
    assert any("left" in text and "lost" in text for text in screen.told)
    assert not faults(run)


def test_the_loss_of_a_run_without_rests_is_the_truths(tmp_path, serve):
    _, url = serve(WearingSpring(), speed=60.0)
    run = record_endurance(here(url), plan(count=600), Shelf(tmp_path), screen=Screen(), pad=PAD)
    table = {str(c): run.samples[c].to_numpy() for c in run.samples}
    loss = loss_of(table, pad="A3", lot="1").readings
    truth = WEARS_MM * (loss.strokes - 6.0)                   # strokes 4 to 10 are the beginning
    assert np.abs(loss.loss_mm - truth)[-5:].max() < 0.008    # the noise of its seven strokes: 10 um each
    assert np.ptp((loss.loss_mm - truth)[-5:]) < 0.002


def test_stopped_by_hand_it_goes_on_and_life_reads_it(tmp_path, serve, capsys):
    _, url = serve(WearingSpring())
    screen = Screen()
    run = record_endurance(here(url), plan(count=300), Shelf(tmp_path), screen=screen, pad=PAD,
                           should_stop=lambda: screen.has_seen(50))
    assert (run.state, [m.code for m in run.marks]) == ("interrupted", ["interrupted"])
    before = whole(run)["stroke"].size
    assert 0 < before < 300
    run = resume_endurance(here(url), run, screen=(screen := Screen()))
    assert run.state == "complete"
    assert any("lost" in text for text in screen.told)         # since its own beginning
    assert "interrupted" not in {m.code for m in run.marks}
    rows = whole(run)
    assert rows["stroke"][-1] >= 300
    assert (rows["stroke"] == rows["machine"]).all()
    [gap] = [g for g in run.gaps if "padlab was not recording" in g.reason]
    assert gap.from_s < gap.to_s
    assert len(run.endurance["resumed"]) == 1
    assert any("the count goes on" in text for text in screen.said)
    assert not faults(run)
    for arguments, code, words in (
            (["life", str(tmp_path), "--limit", "3thou", "--strokes-per-day", "2000", "--days-per-week", "6"],
             0, "grey wool felt"),
            (["fit", str(run.folder)], 1, "kind wear"),
            (["shelf", str(tmp_path), "--kind", "wear"], 0, run.id),
            (["remake", str(run.folder)], 0, "samples.csv"),
            (["remake", str(run.folder), "--calibration", "cal-x"], 1, "summarised as they came"),
            (["capture", "--resume", str(run.folder)], 1, "it is complete")):
        with pytest.raises(SystemExit) as left:
            main(arguments)
        told = "".join(capsys.readouterr())
        assert left.value.code == code, told
        assert words in told
    again = open_run(run.folder)
    assert again.samples.equals(run.samples)


def test_a_loose_cable_is_a_gap_and_no_stroke_is_lost(tmp_path, serve, benches):
    press, url = serve()
    screen, pulled = Screen(), []

    def watch():
        if screen.has_seen(50) and not pulled:
            pulled.append(press.strokes)
            benches[0][0].unplugs_for_s = 0.5
        return False

    run = record_endurance(here(url), plan(count=400), Shelf(tmp_path), screen=screen, pad=PAD,
                           should_stop=watch)
    rows = whole(run)
    assert run.state == "complete"
    assert rows["stroke"][-1] >= 400 > rows["stroke"].size > 200
    sound = rows["longest_step_s"] < 1.0            # one press may begin before the gap and end after it
    assert (~sound).sum() <= 1
    assert (rows["stroke"] == rows["machine"])[sound].all()
    assert (np.diff(rows["stroke"]) > 0).all()
    assert {"gap", "strokes_missed"} <= {m.code for m in run.marks}
    jump = int(np.argmax(np.diff(rows["stroke"])))
    [gap] = run.gaps
    assert gap.from_s - 1.0 < rows["time_s"][jump] < rows["time_s"][jump + 1] < gap.to_s + 1.0
    assert not faults(run)


def test_a_machine_that_presses_from_the_first_is_told_to_stand(tmp_path, serve):
    _, url = serve(stands_s=0.0, to_n=16.0)            # over half of the time under load: no zero
    screen = Screen()
    run = record_endurance(here(url), plan(), Shelf(tmp_path), screen=screen, pad=PAD, patience_s=12.0,
                           clock=lambda: 5.0 * time.monotonic())
    assert run.state == "interrupted"
    assert any("let the machine stand still" in text for text in screen.said)
    assert any("the force is not at rest" in text for text in screen.said)
    assert not len(run.samples)


def test_stopped_before_the_zero_was_taken_it_begins_all_the_same(tmp_path, serve, capsys):
    _, url = serve(stands_s=60.0)
    run = record_endurance(here(url), plan(), Shelf(tmp_path), screen=Screen(), pad=PAD,
                           should_stop=lambda: True)
    assert (run.state, len(run.samples)) == ("interrupted", 0)
    assert not faults(run)
    with pytest.raises(SystemExit) as left:
        main(["life", str(tmp_path), "--limit", "3thou", "--strokes-per-day", "20", "--days-per-week", "6"])
    assert left.value.code == 1
    assert "too few readings so far" in capsys.readouterr().err
    run = resume_endurance(here(url), run, screen=Screen())
    assert run.state == "complete"
    assert whole(run)["stroke"].tolist()[:200] == list(range(1, 201))


def without_strokes():
    table = read_rig("endurance-press").model_dump(mode="python", by_alias=True, exclude_none=True)
    table["name"] = "blind-press"
    del table["instrument"][0]["strokes"]
    return rig_from_table(json.loads(json.dumps(table)), source="test")


def test_a_machine_without_a_counter_says_that_the_count_is_the_least(tmp_path, serve):
    _, url = serve()
    blind = without_strokes().with_urls([url])
    screen = Screen()
    run = record_endurance(blind, plan(count=200), Shelf(tmp_path), screen=screen, pad=PAD,
                           should_stop=lambda: screen.has_seen(50))
    before = int(whole(run)["stroke"][-1])
    run = resume_endurance(blind, run, screen=Screen())
    numbers = whole(run)["stroke"]
    assert numbers.tolist() == list(range(1, numbers.size + 1))
    assert numbers.size >= 200 > before
    assert "strokes_unknown" in {m.code for m in run.marks}
    assert any("is not known" in g.reason for g in run.gaps)


def test_a_machine_that_stops_by_itself_ends_the_run_and_keeps_it(tmp_path, serve):
    press, url = serve()
    press.stops_after = 20
    run = record_endurance(here(url), plan(count=100), Shelf(tmp_path), screen=Screen(), pad=PAD,
                           patience_s=3.0)
    assert run.state == "interrupted"
    assert "nobody pressed for 3 s" in next(m.message for m in run.marks if m.code == "interrupted")
    assert whole(run)["stroke"].tolist() == list(range(1, 21))


@pytest.mark.parametrize(("change", "words"), [
    (lambda t: t["instrument"][0]["channel"][0].update(scale=0.002), "another channels"),
    (lambda t: t["instrument"][0].pop("strokes"), "another strokes"),
    (lambda t: t.update(name="bench-z"), "rig bench-z"),
])
def test_another_rig_does_not_go_on_with_it(tmp_path, serve, change, words):
    _, url = serve()
    screen = Screen()
    run = record_endurance(here(url), plan(), Shelf(tmp_path), screen=screen, pad=PAD,
                           should_stop=lambda: screen.has_seen(50))
    table = read_rig("endurance-press").model_dump(mode="json", by_alias=True, exclude_none=True)
    change(table)
    other = rig_from_table(table, source="test").with_urls([url])
    before = {p: p.read_bytes() for p in run.folder.rglob("*") if p.is_file()}
    with pytest.raises(RunError) as told:
        resume_endurance(other, run, screen=Screen())
    assert words in told.value.seen
    assert {p: p.read_bytes() for p in run.folder.rglob("*") if p.is_file()} == before


def test_what_cannot_be_recorded_so_is_refused_before_anything_is_made(tmp_path):
    machine = read_procedure("endurance-machine")
    for rig, words in (("motor-press", "does not drive the motor"), ("two-instruments", "one instrument"),
                       ("touch-cap", "cannot record"), ("dial-only", "measures no force")):
        with pytest.raises(InputError, match=words):
            record_endurance(read_rig(rig), machine, Shelf(tmp_path / "shelf"), screen=Screen(), pad=PAD)
    with pytest.raises(InputError, match="no thickness"):
        record_endurance(read_rig("endurance-press"), machine, Shelf(tmp_path / "shelf"), screen=Screen(),
                         pad=Pad("A", "m", "felt", "1", 19, 8))
    assert not (tmp_path / "shelf").exists()


def test_a_damaged_run_is_left_as_it_is(tmp_path, serve):
    _, url = serve()
    screen = Screen()
    run = record_endurance(here(url), plan(), Shelf(tmp_path), screen=screen, pad=PAD,
                           should_stop=lambda: screen.has_seen(50))
    part = run.folder / "strokes" / "part-000001.parquet"
    sound = part.read_bytes()
    part.write_bytes(sound[:-20])
    with pytest.raises(RunError, match=r"part-000001\.parquet is damaged"):
        resume_endurance(here(url), open_run(run.folder), screen=Screen())
    assert open_run(run.folder).state == "interrupted"
    part.write_bytes(sound)
    package = json.loads((run.folder / "datapackage.json").read_text())
    for key, value in (("parts", {"../../etc/passwd": "0" * 64}), ("parts", {"part-000001.parquet": "x"}),
                       ("zero_n", "much"), ("parts", [])):
        damaged = json.loads(json.dumps(package))
        damaged["padlab"]["endurance"][key] = value
        (run.folder / "datapackage.json").write_text(json.dumps(damaged))
        with pytest.raises(RunError, match="damaged"):
            open_run(run.folder)
    for procedure in (None, {}, {"steps": [{"do": "jump"}]}, {"steps": 3}):
        damaged = json.loads(json.dumps(package))
        damaged["padlab"]["procedure"] = procedure
        (run.folder / "datapackage.json").write_text(json.dumps(damaged))
        with pytest.raises(PadlabError, match="damaged"):
            resume_endurance(here(url), open_run(run.folder), screen=Screen())


def test_the_rig_is_listened_to(serve, capsys):
    _, url = serve(speed=1.0)
    with pytest.raises(SystemExit) as left:
        main(["rigs", "endurance-press", "--listen", "--seconds", "2", "--url", url, "--json"])
    out, err = capsys.readouterr()
    assert left.value.code == 0, err
    [told] = json.loads(out)["instruments"]
    assert (told["trouble"], told["bad_lines"], told["lost_lines"]) == (None, 0, 0)
    assert 20 < told["lines_per_s"] < 150
    with pytest.raises(SystemExit):
        main(["rigs", "endurance-press"])
    assert "strokes of the machine: strokes, modulo 4294967296" in capsys.readouterr().out


COMMAND = [sys.executable, "-c", "from padlab.cli.main import main; main()", "capture"]


@pytest.mark.skipif(not hasattr(signal, "SIGKILL"), reason="needs SIGKILL")
def test_the_command_is_killed_and_resumes(tmp_path, serve):
    press, url = serve(speed=15.0)
    (tmp_path / "A3.toml").write_text(PAD_FILE)
    (tmp_path / "some.toml").write_text(
        'name = "some"\nkind = "wear"\n[[step]]\ndo = "stroke"\nto_n = 8.0\ncount = 400\n')
    program = subprocess.Popen([*COMMAND, "endurance-press", str(tmp_path / "some.toml"), "--pad",
                                str(tmp_path / "A3.toml"), "--out", str(tmp_path / "shelf"), "--url", url],
                               stderr=subprocess.PIPE, text=True)
    assert program.stderr is not None
    said = ""
    while "50 strokes of 400" not in said:
        line = program.stderr.readline()
        assert line, said
        said += line
    assert "THE MACHINE PRESSES BY ITSELF" in said
    assert "a stop on overtravel" in said
    [folder] = (tmp_path / "shelf" / "runs").iterdir()
    busy = subprocess.run([*COMMAND, "--resume", str(folder), "--url", url], capture_output=True, text=True)
    assert busy.returncode == 1
    assert "recorded by another process" in busy.stderr
    program.kill()
    program.wait(10)
    program.stderr.close()
    life = subprocess.run([*COMMAND[:-1], "life", str(tmp_path / "shelf"), "--limit", "3thou",
                           "--strokes-per-day", "2000", "--days-per-week", "6"],
                          capture_output=True, text=True)
    assert life.returncode == 1                                # as it was killed it has no readings yet
    assert "padlab remake" in life.stderr
    assert "Traceback" not in life.stderr
    resumed = subprocess.run([*COMMAND, "--resume", str(folder), "--url", url, "--json"], capture_output=True,
                             text=True, timeout=60)
    assert resumed.returncode == 0, resumed.stderr
    answer = json.loads(resumed.stdout)
    rows = whole(open_run(folder))
    assert answer["state"] == "complete"
    assert answer["strokes"] == rows["stroke"][-1] >= 400
    assert (rows["stroke"] == rows["machine"]).all()
    assert press.strokes >= rows["stroke"][-1]
    assert "strokes_missed" in {m["code"] for m in answer["marks"]}


@pytest.mark.parametrize(("arguments", "code", "words"), [
    (["--resume", "RUN", "--out", "x"], 2, "takes all else from the run"),
    (["--resume", "RUN", "--drive"], 2, "takes all else from the run"),
    (["endurance-press", "standard", "--resume", "RUN"], 2, "takes all else from the run"),
    (["--resume", "nothing"], 1, "no run and no shelf"),
    (["--resume", "RUN"], 1, "a run of standard"),
    (["endurance-press"], 2, "missing: PROCEDURE"),
    (["endurance-press", "endurance-machine"], 2, "missing: --out"),
    (["endurance-press", "endurance-machine", "--out", "x"], 2, "measures a pad"),
    (["endurance-press", "endurance-machine", "--out", "x", "--pad", "A3.toml", "--drive"], 2, "no --drive"),
    (["motor-press", "endurance-machine", "--out", "x", "--pad", "A3.toml"], 1, "does not drive the motor"),
])
def test_resume_that_cannot_be(tmp_path, monkeypatch, capsys, arguments, code, words):
    sample = next(Path(__file__).parents[2].glob("sample_runs/runs/*"))
    for one in sorted(Path(__file__).parents[2].glob("sample_runs/runs/*")):
        if json.loads((one / "datapackage.json").read_text())["padlab"]["procedure"]["name"] == "standard":
            sample = one
            break
    (tmp_path / "A3.toml").write_text(PAD_FILE)
    (tmp_path / "runs").mkdir()
    shutil.copytree(sample, tmp_path / "runs" / sample.name)
    monkeypatch.chdir(tmp_path)
    with pytest.raises(SystemExit) as left:
        main(["capture", *[str(tmp_path / "runs" / sample.name) if a == "RUN" else a for a in arguments]])
    told = "".join(capsys.readouterr())
    assert left.value.code == code, told
    assert words in " ".join(told.split())
    assert not (tmp_path / "x").exists()


def test_a_full_disk_is_said_and_what_was_counted_is_kept(tmp_path, serve, monkeypatch):
    _, url = serve()
    real, written = os.write, []

    def full(handle, data):
        if b"," in bytes(data[:40]) and sum(written) > 130_000:
            raise OSError(28, "No space left on device")
        written.append(len(data))
        return real(handle, data)

    screen = Screen()
    monkeypatch.setattr(os, "write", full)
    with pytest.raises(RunError, match=r"No space|full"):
        record_endurance(here(url), plan(count=2000), Shelf(tmp_path), screen=screen, pad=PAD)
    monkeypatch.undo()
    [folder] = (tmp_path / "runs").iterdir()
    run = open_run(folder)
    assert run.state == "interrupted"
    before = whole(run)["stroke"]
    run = resume_endurance(here(url), run, screen=(screen := Screen()),
                           should_stop=lambda: screen.has_seen(500))
    rows = whole(run)
    assert rows["stroke"].size > before.size > 10
    assert (rows["stroke"] == rows["machine"]).all()


def test_time_goes_on_though_the_clock_of_the_computer_was_put_back(tmp_path, serve):
    _, url = serve()
    screen = Screen()
    run = record_endurance(here(url), plan(), Shelf(tmp_path), screen=screen, pad=PAD,
                           should_stop=lambda: screen.has_seen(50))
    began = time.monotonic()
    run = resume_endurance(here(url), run, screen=Screen(),
                           wall=lambda: datetime.now(UTC) - timedelta(days=9))
    assert time.monotonic() - began < 30
    rows = whole(run)
    assert (np.diff(rows["time_s"]) > 0).all()
    assert run.state == "complete"
