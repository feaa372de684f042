"""A lot accepted and a lot refused by its wear, through the front door, on made readings of a known rule.

Every pad loses ``a (1 - exp(-N/N0)) + c N`` (running in and a steady part: J. F. Archard, J. Appl. Phys. 24
(1953) 981, gives the steady one; form and numbers of the lots are invented); an unloaded pad beside each lot
swells by 2 um. So the loss after the asked strokes is known for every pad.
"""

from __future__ import annotations

import csv
import json
import random
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest

from padlab.records.columns import parse_column
from padlab.records.pad import Pad
from padlab.records.shelf import Shelf
from padlab.records.tables import import_table

ASKED = 100_000
COLUMNS = [parse_column(c) for c in ("strokes=presses", "thickness=gauge:mm", "rest=rested:h")]
BEGAN = datetime(2026, 9, 1, 8, tzinfo=UTC)
RUN_IN_MM, RUN_IN_STROKES, SWELLS_MM = 0.012, 2e4, 0.002
LOTS = {"2026-09": (0.9e-7, 0.08), "2026-10": (2.6e-7, 0.12)}       # mm a stroke, relative sd of the pads
SPEC = f"""material = "cream wool felt"
requested_by = "harbour-town workshop (invented)"
producer_risk_quality = 0.01
producer_risk = 0.05
consumer_risk_quality = 0.08
consumer_risk = 0.10
[[characteristic]]
name = "wear"
after_strokes = {ASKED}
high = "1.2thou"
margin = "0.2thou"
[reference]
lot = "2026-09"
"""


def loss_mm(strokes, rate):
    return RUN_IN_MM * (1 - np.exp(-strokes / RUN_IN_STROKES)) + rate * strokes


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A shelf of both lots, its spec, and the true loss of every pad."""
    folder, truth = tmp_path_factory.mktemp("wear"), {}
    draw, ids = np.random.default_rng(31), random.Random(31)
    (folder / "spec.toml").write_text(SPEC, "utf-8")
    minute = 0
    for month, (lot, (rate, spread)) in enumerate(LOTS.items()):
        for pad in [*(f"{lot[-2:]}-{i + 1:02d}" for i in range(30)), f"{lot[-2:]}-unloaded"]:
            idle = pad.endswith("unloaded")
            own = 0.0 if idle else rate * (1 + spread * draw.normal())
            truth[pad] = loss_mm(ASKED, own)
            rows = []
            for n in (0, 10_000, 30_000, 100_000, 160_000):
                gauge = 1.6 + 0.01 * month + SWELLS_MM * n / 160_000 - (0.0 if idle else loss_mm(n, own))
                rows += [[n, f"{gauge - 0.008 * (not idle and n > 0):.7f}", 0.1], [n, f"{gauge:.7f}", 24]]
            table = folder / "t.csv"
            with table.open("w", newline="", encoding="utf-8") as file:
                csv.writer(file).writerows([["presses", "gauge", "rested"], *rows])
            day = BEGAN + timedelta(days=30 * month, minutes=(minute := minute + 1))
            import_table(table, Shelf(folder / "shelf"), kind="wear", columns=COLUMNS, now=day, start_utc=day,
                         stop="down", control=idle, rng=ids, note="invented",
                         pad=Pad(pad, "cream wool felt", "felt", lot, 19.0, 8.0, 1.6))
    return folder, truth


def qualify(padlab, made, lot, *more):
    folder = made[0]
    code, out, err = padlab("qualify", folder / "shelf", "--spec", folder / "spec.toml", "--lot", lot, *more)
    assert code == 0, err
    return out


@pytest.mark.parametrize(("lot", "verdict"), [("2026-09", "accept"), ("2026-10", "refuse")])
def test_the_lots_are_judged_by_their_true_losses(padlab, made, lot, verdict):
    (one,) = (answer := json.loads(qualify(padlab, made, lot, "--json")))["characteristics"]
    assert answer["verdict"] == verdict
    assert (one["name"], one["n"], one["needed"]) == ("wear", 30, 28)
    assert one["condition"] == "after 100,000 strokes at the down stop"
    # Samples hold hundredths of a micrometre; the unloaded pad's swelling is taken off.
    for pad in one["pads"]:
        assert pad["value"] == pytest.approx(made[1][pad["pad"]], abs=2e-5)
    assert one["kept_apart"] == [{"what": "comes back with rest, not counted",
                                  "mean_mm": pytest.approx(0.008, abs=1e-5), "pads": 30}]
    assert "same_readings" not in {m["code"] for m in answer["marks"]}
    # 30 pads, the control of the lot, and those of the reference lot.
    assert len(answer["runs"]) == (31 if lot == "2026-09" else 62)
    assert one["equivalence"]["shown"] is (lot == "2026-09")


def test_the_certificate_says_what_was_asked_and_what_was_not_tested(padlab, made, tmp_path):
    page = tmp_path / "c.html"
    out = qualify(padlab, made, "2026-10", "--out", page)
    assert "wear (after 100,000 strokes at the down stop): refused; 30 pads" in out
    text = page.read_text("utf-8")
    for words in ("after 100,000 strokes at the down stop", "comes back with rest, not counted: 8.0 µm",
                  "2026-09", "readings over a service", "No check standard is on file", "of the gauge"):
        assert words in text, words
    code, said, _ = padlab("qualify", made[0] / "shelf", "--check", page)
    assert (code, said.strip()) == (0, "all 62 raw files are those of the certificate")


def test_asked_beyond_the_readings_no_pad_is_tested(padlab, made, tmp_path):
    far = tmp_path / "far.toml"
    far.write_text(SPEC.replace(f"{ASKED}", "1000000"), "utf-8")
    code, out, err = padlab("qualify", made[0] / "shelf", "--spec", far, "--lot", "2026-09", "--json")
    assert code == 0, err
    (one,) = (answer := json.loads(out))["characteristics"]
    assert (answer["verdict"], one["n"], one["mean"]) == ("test_more", 0, None)
    assert len(one["not_used"]) == 30
    assert "read up to 160,000 strokes, the wear is asked after 1,000,000" in one["not_used"][0]["reason"]


def test_the_endurance_runs_of_the_samples_are_too_few_and_say_so(padlab, tmp_path):
    from pathlib import Path

    samples = Path(__file__).parents[3] / "sample_runs"
    spec = tmp_path / "s.toml"
    spec.write_text(SPEC.replace("cream wool felt", "grey wool felt").split("margin")[0], "utf-8")
    code, out, err = padlab("qualify", samples, "--spec", spec, "--lot", "2026-05", "--json")
    assert code == 0, err
    (one,) = json.loads(out)["characteristics"]
    assert (one["n"], one["verdict"]) == (2, "test_more")
    assert one["reasons"] == ["2 of the 28 pads that the rule needs were tested"]


def test_one_table_under_two_names_is_told(padlab, made, tmp_path):
    import shutil

    shelf = tmp_path / "shelf"
    shutil.copytree(made[0] / "shelf", shelf)
    first = next(f for f in sorted((shelf / "runs").iterdir()))
    import_table(first / "raw" / "ORIGINAL", Shelf(shelf), kind="wear", columns=COLUMNS, now=BEGAN,
                 start_utc=BEGAN, stop="down", rng=random.Random(7),
                 pad=Pad("09-31", "cream wool felt", "felt", "2026-09", 19.0, 8.0, 1.6))
    code, out, err = padlab("qualify", shelf, "--spec", made[0] / "spec.toml", "--lot", "2026-09", "--json")
    assert code == 0, err
    (mark,) = (m for m in json.loads(out)["marks"] if m["code"] == "same_readings")
    assert "pad 09-01" in mark["message"]
    assert "pad 09-31" in mark["message"]
