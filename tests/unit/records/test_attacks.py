"""Holes that a hostile reader of this code found; each did what its test says it must not."""

import json
import os
import sqlite3
import time
import zipfile
from datetime import UTC, datetime
from pathlib import Path

import pytest
from click.testing import CliRunner

from padlab.cli.main import cli, print_json
from padlab.errors import RunError
from padlab.records.inside import refuse_links
from padlab.records.recording import MOST_GAPS
from padlab.records.rig_record import Channel, Instrument, RigRecord
from padlab.records.shelf import Shelf, open_run

RIG = RigRecord("r", (Instrument("main", "lines", ("force",), (Channel("force", "force", "N"),)),))


def recorded(shelf, *, close=True):
    recording = Shelf(shelf).begin(
        kind="touch", procedure=None, pad=None, rig=RIG, environment={}, start_utc=datetime.now(UTC),
        monotonic_s=0.0)
    recording.append("main", ["0.0,1", "0.1,2"])
    if close:
        recording.close("complete")
    return recording


def test_an_instrument_s_name_never_leads_out_of_the_shelf(tmp_path):
    """Opening a run cut a file outside the shelf to the length of a decoy inside it."""
    victim = tmp_path / "outside" / "victim.csv"
    victim.parent.mkdir()
    victim.write_text("one\ntwo\nthree\n")
    folder = recorded(tmp_path / "shelf").folder
    package = json.loads((folder / "datapackage.json").read_text())
    package["padlab"].update(state="recording", raw_sha256={})
    package["padlab"]["rig"]["instruments"][0]["name"] = "../../../../outside/victim"
    (folder / "datapackage.json").write_text(json.dumps(package))
    (folder / "raw" / "victim.csv").write_text("x\nattacker bytes")
    with pytest.raises(RunError):
        open_run(folder)
    CliRunner().invoke(cli, ["shelf", str(tmp_path / "shelf")])
    assert victim.read_text() == "one\ntwo\nthree\n"
    assert sorted(p.name for p in victim.parent.iterdir()) == ["victim.csv"]


@pytest.mark.parametrize("part", ["..", ".", "", "a/b", "a\\b", "/etc", "C:x", "a\0b"])
def test_a_part_of_a_path_is_one_plain_name(tmp_path, part):
    with pytest.raises(RunError, match="plain name"):
        refuse_links(tmp_path, part)


@pytest.mark.skipif(not hasattr(os, "link"), reason="this system has no hard links")
def test_a_second_name_of_a_file_elsewhere_is_not_cut(tmp_path):
    victim = tmp_path / "victim.csv"
    victim.write_text("one\ntwo")
    recording = recorded(tmp_path / "shelf")
    package = json.loads((recording.folder / "datapackage.json").read_text())
    package["padlab"].update(state="recording", raw_sha256={})
    (recording.folder / "datapackage.json").write_text(json.dumps(package))
    (recording.folder / "raw" / "main.csv").unlink()
    os.link(victim, recording.folder / "raw" / "main.csv")
    open_run(recording.folder)
    assert victim.read_text() == "one\ntwo"


def test_a_view_for_an_index_is_made_anew(tmp_path):
    recorded(tmp_path / "shelf")
    index = tmp_path / "shelf" / "index.sqlite"
    index.unlink(missing_ok=True)
    with sqlite3.connect(index) as made:
        made.execute("CREATE VIEW run AS SELECT 'a' id, 'b' stamp, hex(zeroblob(450000000)) row")
    made.close()
    start = time.monotonic()
    done = CliRunner().invoke(cli, ["shelf", str(tmp_path / "shelf"), "--json"])
    assert done.exit_code == 0
    assert len(json.loads(done.stdout)["runs"]) == 1
    assert time.monotonic() - start < 10


def test_gaps_without_end_do_not_stop_a_recording(tmp_path):
    recording = recorded(tmp_path / "shelf", close=False)
    start = time.monotonic()
    for i in range(20 * MOST_GAPS):
        recording.add_gap(float(i), i + 0.5, "the clock leaps")
    run = recording.close("complete")
    assert time.monotonic() - start < 10
    assert len(run.gaps) == MOST_GAPS
    assert any(f"more than {MOST_GAPS} gaps" in m.message for m in run.marks)


def test_a_directory_for_a_descriptor_hides_no_other_run(tmp_path):
    good = recorded(tmp_path / "shelf")
    bad = recorded(tmp_path / "shelf").folder
    (bad / "datapackage.json").unlink()
    (bad / "datapackage.json").mkdir()
    done = CliRunner().invoke(cli, ["shelf", str(tmp_path / "shelf"), "--json"])
    answer = json.loads(done.stdout)
    assert [r["run"] for r in answer["runs"]] == [good.id]
    assert len(answer["unreadable"]) == 1


def test_elements_without_end_in_a_workbook(tmp_path):
    """29 kB of styles used to cost a minute."""
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    book.active.append(["t", "f", "x"])
    book.save(tmp_path / "plain.xlsx")
    with zipfile.ZipFile(tmp_path / "plain.xlsx") as old, zipfile.ZipFile(
            tmp_path / "styles.xlsx", "w", zipfile.ZIP_DEFLATED) as new:
        for part in old.infolist():
            data = old.read(part)
            if part.filename == "xl/styles.xml":
                data = data.replace(b"</cellXfs>", b"<xf/>" * 500_000 + b"</cellXfs>")
            new.writestr(part.filename, data)
    pad = tmp_path / "pad.toml"
    pad.write_text('id="A"\nmaterial="m"\nmaterial_class="felt"\nlot="1"\nouter_diameter="19mm"\n'
                   'inner_diameter="8mm"\n')
    start = time.monotonic()
    done = CliRunner().invoke(cli, [
        "import", str(tmp_path / "styles.xlsx"), "--pad", str(pad), "--column", "time=t:s", "--column",
        "force=f:N", "--column", "displacement=x:mm", "--out", str(tmp_path / "s")], standalone_mode=False)
    assert done.exception is not None
    assert "beyond the limits" in str(done.exception)
    assert time.monotonic() - start < 20


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
def test_a_pipe_for_the_cautions_file_is_passed_over(tmp_path):
    from padlab.capture.beside import SHOWN, rigs_with_cautions_shown
    from padlab.cli.capture import _begun

    class Quiet:
        def say(self, said):
            self.said = said

    os.mkfifo(tmp_path / SHOWN)
    assert rigs_with_cautions_shown(tmp_path) == []
    _begun(Quiet(), tmp_path, "bench", "folder")
    assert Path(tmp_path / SHOWN).is_fifo()


def test_json_is_ascii_and_holds_no_control(capsys):
    print_json({"name": "\x9b31m\u202e\x7f"})
    out = capsys.readouterr().out
    assert out.isascii()
    assert all(c == "\n" or 0x20 <= ord(c) < 0x7F for c in out)
    assert json.loads(out) == {"name": "\x9b31m\u202e\x7f"}


@pytest.mark.parametrize("text", [
    "x = " + "9" * 5000, 'name="a"\nkind="pad"\nstep=5',
    'name="a"\nkind="pad"\nneeds_rest_h="x"\n[[step]]\ndo="rest"\nto_n="abc"\nseconds=[1]'])
def test_a_hostile_procedure_is_one_clear_error(tmp_path, text):
    from padlab.capture.procedure import read_procedure
    from padlab.errors import FileFormatError

    file = tmp_path / "p.toml"
    file.write_text(text)
    with pytest.raises(FileFormatError):
        read_procedure(str(file))
