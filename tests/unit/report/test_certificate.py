"""The certificate: same bytes but the date; a changed raw sample is found; hostile names are plain text."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path

import numpy as np
import pytest

from padlab.cli.main import main
from padlab.errors import FileFormatError
from padlab.records.traces import content_hash
from padlab.report.certificate import certified_files

STOCK = 'felt <script>alert(1)</script> $x^2$ "q"'
SPEC = """material = 'felt <script>alert(1)</script> $x^2$ "q"'
requested_by = '<img src=x onerror=1>'
producer_risk_quality = 0.01
producer_risk = 0.05
consumer_risk_quality = 0.08
consumer_risk = 0.10
[[characteristic]]
name = "thickness"
at = "gauge"
low = "61thou"
high = "65thou"
"""


def padlab(capsys, *arguments: str) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as left:
        main([*arguments])
    out, err = capsys.readouterr()
    return int(left.value.code or 0), out, err


def take_in(folder: Path, capsys, *, lot: str, mean: float, count: int, day: str, seed: int, more=()) -> str:
    rng = np.random.default_rng(seed)
    x = rng.normal(size=count)
    x = mean + 0.6 * (x - x.mean()) / (x.std(ddof=1) if count > 1 else 1)
    table = folder / "t.csv"
    table.write_text("pad,thou\n" + "\n".join(f"<b>{i}</b>,{v:.2f}" for i, v in enumerate(x)) + "\n", "utf-8")
    code, out, err = padlab(
        capsys,
        "import",
        str(table),
        "--kind",
        "gauge",
        "--material",
        STOCK,
        "--lot",
        lot,
        "--gauge-foot",
        "0.5N,6mm",
        "--column",
        "pad=pad",
        "--column",
        "thickness=thou:thou",
        "--start",
        day,
        "--out",
        str(folder / "shelf"),
        "--json",
        *more,
    )
    assert code == 0, err
    return json.loads(out)["run"]


@pytest.fixture
def shelf(tmp_path, capsys):
    for month, mean in enumerate((63.1, 62.9, 63.0, 63.2), start=1):
        take_in(
            tmp_path, capsys, lot=f"old {month}", mean=mean, count=10, day=f"2026-0{month}-01", seed=month
        )
        take_in(
            tmp_path,
            capsys,
            lot="ring",
            mean=60 + month / 50,
            count=3,
            day=f"2026-0{month}-01",
            seed=9 + month,
            more=["--standard"],
        )
    run = take_in(tmp_path, capsys, lot="new", mean=63.0, count=40, day="2026-05-01", seed=50)
    (tmp_path / "spec.toml").write_text(SPEC, encoding="utf-8")
    return tmp_path, run


def qualify(folder, capsys, lot="new", *more):
    return padlab(
        capsys, "qualify", str(folder / "shelf"), "--spec", str(folder / "spec.toml"), "--lot", lot, *more
    )


def test_the_json_is_what_the_contract_says(shelf, capsys):
    folder, run = shelf
    code, out, err = qualify(folder, capsys, "new", "--json")
    assert code == 0, err
    answer = json.loads(out)
    assert (answer["lot"], answer["verdict"], answer["runs"]) == ("new", "accept", [run])
    (one,) = answer["characteristics"]
    assert {
        "name",
        "n",
        "mean",
        "sd",
        "k",
        "acceptance_constant",
        "tolerance_interval",
        "capability",
        "equivalence",
        "verdict",
        "reasons",
    } <= set(one)
    assert one["mean"]["value"] == pytest.approx(63.0 * 0.0254, abs=1e-6)
    assert one["sd"] == pytest.approx(0.6 * 0.0254, rel=1e-2)
    held = one["tolerance_interval"]
    assert held["high"] - held["low"] == pytest.approx(2 * held["factor"] * one["sd"])
    assert all(0 < share < 1 and 0 <= p <= 1 for share, p in answer["operating_curve"])
    assert "rig_doubt_unknown" in {m["code"] for m in answer["marks"]}


def test_two_certificates_differ_by_their_date_line_only(shelf, capsys, monkeypatch):
    from padlab.report import certificate

    folder, _ = shelf
    made = []
    for day in ("2026-06-01", "2027-01-02"):
        write = certificate.write_certificate
        monkeypatch.setattr(
            certificate,
            "write_certificate",
            lambda done, out, made_on, day=day, write=write: write(done, out, made_on=day),
        )
        assert qualify(folder, capsys, "new", "--out", str(folder / f"{day}.html"))[0] == 0
        monkeypatch.undo()
        made.append((folder / f"{day}.html").read_text("utf-8").splitlines())
    different = [(a, b) for a, b in zip(*made, strict=True) if a != b]
    assert different == [("<p>Made on 2026-06-01</p>", "<p>Made on 2027-01-02</p>")]


def test_lots_that_come_later_change_nothing(shelf, capsys):
    folder, _ = shelf
    page = folder / "c.html"
    assert qualify(folder, capsys, "new", "--out", str(page))[0] == 0
    before = page.read_text("utf-8")
    take_in(folder, capsys, lot="later", mean=61.0, count=12, day="2026-08-01", seed=7)
    assert qualify(folder, capsys, "new", "--out", str(page))[0] == 0
    assert page.read_text("utf-8") == before


def test_two_rings_are_two_charts_and_a_moved_gauge_is_told(shelf, capsys):
    # What used to happen: readings of a 60 thou ring and of an 80 thou one stood in one chart.
    folder, _ = shelf
    page = folder / "c.html"
    take_in(folder, capsys, lot="thick ring", mean=80, count=3, day="2026-01-15", seed=1, more=["--standard"])
    code, out, err = qualify(folder, capsys, "new", "--out", str(page), "--json")
    assert code == 0, err
    assert "standard_moved" not in {m["code"] for m in json.loads(out)["marks"]}
    text = page.read_text("utf-8")
    assert "(ring), last read on 2026-04-01" in text
    assert "(thick ring)" not in text
    take_in(folder, capsys, lot="ring", mean=58, count=3, day="2026-05-01", seed=3, more=["--standard"])
    code, out, err = qualify(folder, capsys, "new", "--out", str(page), "--json")
    assert code == 0, err
    (mark,) = (m for m in json.loads(out)["marks"] if m["code"] == "standard_moved")
    assert "the gauge has moved" in mark["message"]
    assert "below the mean of its 4 earlier readings" in mark["message"]
    assert "the gauge has moved" in page.read_text("utf-8").split('<dl class="facts">')[0]


def test_nothing_from_outside_is_markup_and_nothing_is_loaded(shelf, capsys):
    folder, _ = shelf
    page = folder / "c.html"
    assert qualify(folder, capsys, "new", "--out", str(page))[0] == 0
    text = page.read_text("utf-8")
    assert "<script" not in text
    assert "<img" not in text
    assert "<b>" not in text
    assert "&lt;script&gt;" in text
    assert not re.search(r'(?:src|href)="(?!#)', text)
    assert "$x^2$" in text
    for words in (
        "accepted",
        "in the manner of",
        "No conformity",
        "Measured by",
        "guard band",
        "provisional",
        "steel ring under the gauge",
        "Pinching",
        "not known",
    ):
        assert words in text, words


def test_a_changed_raw_sample_is_found_and_named(shelf, capsys):
    folder, run = shelf
    page = folder / "c.html"
    assert qualify(folder, capsys, "new", "--out", str(page))[0] == 0
    code, out, _ = padlab(capsys, "qualify", str(folder / "shelf"), "--check", str(page))
    assert (code, out.strip()) == (0, "all 1 raw files are those of the certificate")
    original = folder / "shelf" / "runs" / run / "raw" / "ORIGINAL"
    kept = original.read_bytes()
    original.write_bytes(kept.replace(b"63.", b"62.", 1))
    for arguments in (["--check", str(page)], ["--spec", str(folder / "spec.toml"), "--lot", "new"]):
        code, _, err = padlab(capsys, "qualify", str(folder / "shelf"), *arguments)
        assert code == 1
        assert f"raw/ORIGINAL of run {run}" in err
    # With its descriptor changed to match, only the certificate still knows.
    descriptor = folder / "shelf" / "runs" / run / "datapackage.json"
    import hashlib

    then, now = (hashlib.sha256(data).hexdigest() for data in (kept, original.read_bytes()))
    descriptor.write_text(descriptor.read_text("utf-8").replace(then, now), "utf-8")
    assert qualify(folder, capsys, "new")[0] == 0
    code, out, err = padlab(capsys, "qualify", str(folder / "shelf"), "--check", str(page), "--json")
    assert code == 1
    assert json.loads(out)["error"]["where"]["changed"] == [f"raw/ORIGINAL of run {run} was changed"]
    shutil.rmtree(folder / "shelf" / "runs" / run)
    code, _, err = padlab(capsys, "qualify", str(folder / "shelf"), "--check", str(page))
    assert code == 1
    assert "is gone" in err


def test_a_changed_certificate_is_found(shelf, capsys):
    folder, _ = shelf
    page = folder / "c.html"
    assert qualify(folder, capsys, "new", "--out", str(page))[0] == 0
    text = page.read_text("utf-8")
    files = certified_files(text.encode())
    assert content_hash(files) in text
    forged = text.replace(files[0].sha256, "0" * 64)
    with pytest.raises(FileFormatError, match="was changed"):
        certified_files(forged.encode())
    with pytest.raises(FileFormatError, match="no certificate"):
        certified_files(b"<html></html>")


def test_what_cannot_be_judged_is_said(shelf, capsys):
    folder, _ = shelf
    code, _, err = qualify(folder, capsys, "none")
    assert code == 1
    assert "there is no lot 'none'" in err
    assert "'new'" in err
    few = qualify(folder, capsys, "old 1")
    assert few[0] == 0
    assert "10 of the 31 pads that the rule needs were tested" in few[1]
    for arguments in ([], ["--spec", "x"], ["--plan", "x", "--lot", "y"], ["--check", "x", "--lot", "y"]):
        assert padlab(capsys, "qualify", str(folder / "shelf"), *arguments)[0] == 2


@pytest.mark.parametrize(
    "values",
    [[63.0] * 40, [63.0, 63.0], [61.0] * 31, [70.0] * 31, [63.0] * 39 + [64.9], [63.0, 90.0] * 20],
    ids=["alike", "two alike", "on the limit", "beyond", "one apart", "two heaps"],
)
def test_odd_lots_have_a_whole_page(shelf, capsys, values):
    folder, _ = shelf
    table = folder / "t.csv"
    table.write_text("pad,thou\n" + "\n".join(f"{i},{v}" for i, v in enumerate(values)) + "\n", "utf-8")
    arguments = ["--kind", "gauge", "--material", STOCK, "--lot", "odd", "--gauge-foot", "0.5N,whole",
                 "--column", "pad=pad", "--column", "thickness=thou:thou", "--start", "2026-05-02", "--out"]
    assert padlab(capsys, "import", str(table), *arguments, str(folder / "shelf"))[0] == 0
    spec = folder / "spec.toml"
    spec.write_text(SPEC + 'margin = "1thou"\n[reference]\nlot = "new"\nmargin = "1thou"\n', "utf-8")
    code, out, err = qualify(folder, capsys, "odd", "--out", str(folder / "odd.html"), "--json")
    assert code == 0, err
    page = (folder / "odd.html").read_text("utf-8")
    for broken in ("nan", "inf ", "None", "e-"):
        assert not re.search(rf">[^<]*\b{broken}", page), broken
    # Without any spread, and where they are not normal, pads are counted: 40 are too few to accept.
    wanted = "refuse" if max(values) >= 70 else "test_more"
    assert json.loads(out)["verdict"] == wanted
    if len(values) > 2:
        assert json.loads(out)["characteristics"][0]["rule"] == "counted"
