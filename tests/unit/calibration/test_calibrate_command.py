"""padlab calibrate: what it prints, what it refuses, what it says of a channel."""

import numpy as np
import pytest

from padlab.calibration.classes import force_class, step_as_written
from padlab.calibration.reading_fit import fit_readings
from padlab.errors import FitError
from padlab.records.reading_curve import ReadingCurve

FORCE = ("--column", "reference=kg:kg", "--column", "reading=counts", "--latitude", "50", "--height", "100")
PLAIN = ("--column", "reference=F:N", "--column", "reading=r")


@pytest.fixture
def table(tmp_path):
    def write(text, name="t.csv"):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return path
    return write


def test_keys_of_the_contract(padlab, bench, tmp_path):
    path = bench.weights(tmp_path / "w.csv", [0, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2])
    told = padlab("calibrate", "force", path, *FORCE, "--column", "direction=way", "--column",
                  "series=series", "--at", "5000", "--at", "12000", "--json")
    answer = told.json
    assert {"id", "degree", "coefficients", "coefficient_sd", "residual_sd", "degrees_of_freedom",
            "lack_of_fit", "at", "checks", "marks"} <= set(answer)
    assert answer["id"] is None
    assert [r["reading"] for r in answer["at"]] == [5000.0, 12000.0]
    assert answer["at"][0]["value"] == pytest.approx((5.0 - 0.05) / 1.03, abs=0.003)
    assert answer["at"][0]["low"] < answer["at"][0]["value"] < answer["at"][0]["high"]
    assert answer["lack_of_fit"]["accepted"]
    assert answer["lowest_verified"] == pytest.approx(0.02 * 9.8089, abs=1e-4)
    checks = {c["check"]: c for c in answer["checks"]}
    assert set(checks) == {"accuracy", "repeatability", "reversibility", "zero return", "resolution"}
    assert all("from memory" in c["limits"] for c in checks.values())
    assert checks["accuracy"]["levels"][-1]["class"] == 0.5
    # At 20 g a scatter of 2 mN is over 3 %; at 2 kg it is nothing.
    assert checks["repeatability"]["levels"][0]["value"] > 1
    assert answer["class_from"][0]["from"] > answer["lowest_verified"]
    assert [m["code"] for m in answer["marks"]] == ["reference_doubt_unknown"]
    words = padlab("calibrate", "force", path, *FORCE, "--at", "5000")
    assert "verified from 0.1962 N up" in words.out


def test_hysteresis_and_zero_return_are_found(padlab, table):
    rows = ["F,r,way"]
    for k in range(3):
        rows += [f"{f},{100 * f + 0.1 * k},up" for f in (0, 5, 10)]
        rows += [f"{f},{100 * f + 4 * (f == 5) + 2 * (f == 0) + 0.1 * k},down" for f in (10, 5, 0)]
    answer = padlab("calibrate", "force", table("\n".join(rows)), *PLAIN, "--column", "direction=way",
                    "--json").json
    checks = {c["check"]: c for c in answer["checks"]}
    at_five = next(v for v in checks["reversibility"]["levels"] if v["reference"] == 5)
    assert at_five["value"] == pytest.approx(100 * 4 / 100 / 5, rel=0.01)          # 0.8 %
    assert at_five["class"] == 1.0
    assert checks["zero return"]["worst"] == pytest.approx(100 * 2.2 / 100 / 10, rel=0.02)


def test_displacement_in_other_units_and_a_reading_with_a_unit(padlab, table):
    blocks = (0, 500, 1000, 2000, 5000) * 3
    rows = [f"{b};{str(round(b * 1.001 / 1000, 6)).replace('.', ',')}" for b in blocks]
    answer = padlab("calibrate", "displacement", table("block;dial\n" + "\n".join(rows)), "--column",
                    "reference=block:um", "--column", "reading=dial:mm", "--at", "1.001", "--json").json
    assert answer["coefficients"][1]["value"] == pytest.approx(1.001e-3, rel=1e-9)     # mm over um
    assert answer["at"][0]["value"] == pytest.approx(1000, rel=1e-6)                   # um
    assert (answer["reference_unit"], answer["reading_unit"], answer["to"]) == ("um", "mm", 5000)


def test_stated_doubt_of_the_references_joins_the_interval(padlab, table):
    path = table("F,r\n" + "\n".join(f"{f},{100 * f + 0.01 * k}" for k in range(3) for f in (0, 5, 10)))
    bare = padlab("calibrate", "force", path, *PLAIN, "--at", "500", "--json").json["at"][0]
    wide = padlab("calibrate", "force", path, *PLAIN, "--at", "500", "--reference-uncertainty", "1%",
                  "--json").json["at"][0]
    own = bare["high"] - bare["value"]
    assert wide["high"] - wide["value"] == pytest.approx(np.hypot(own, 1.96 * 0.05), rel=1e-3)
    fixed = padlab("calibrate", "force", path, *PLAIN, "--at", "500", "--reference-uncertainty", "50mN",
                   "--json").json["at"][0]
    assert fixed["high"] == pytest.approx(wide["high"], rel=1e-3)


@pytest.mark.parametrize(("text", "more", "words"), [
    ("F,r\n1,2\n", (), "too few"),
    ("F,r\n1,2\n1,3\n1,4\n", (), "too few references"),
    ("F,r\n0,1\n1,1\n2,1\n3,1\n", (), "do not follow"),
    ("F,r\n0,0\n1,NaN\n2,2\n", (), "no number"),
    ("F,r\n0,0\n1,\n2,2\n", (), "empty"),
    ("F,r\n0,0\n1,1e999\n2,2\n", (), "not finite"),
    ("F;r\n0;0\n1,234;5\n2,345;9\n", (), "two ways"),
    ("F,x\n0,0\n1,1\n2,2\n", (), "no such column"),
    ("F,r,way\n0,0,up\n1,1,sideways\n2,2,down\n", ("--column", "direction=way"), "no direction"),
    ("F,r\n0,0\n1,1\n2,2\n", ("--column", "reference=F:N"), "names no column"),
    (b"\x00\xff\xfe", (), ""),
    (b"", (), ""),
])
def test_hostile_tables_are_refused(padlab, table, text, more, words):
    told = padlab("calibrate", "force", table(text), *PLAIN, *more, "--json")
    assert told.code == 1
    assert words in told.json["error"]["message"]


@pytest.mark.parametrize(("arguments", "code"), [
    (("--column", "reference=F:kg", "--column", "reading=r"), 1),                   # no latitude
    (("--column", "reference=F:kg", "--column", "reading=r", "--latitude", "91", "--height", "1"), 2),
    (("--column", "reference=F:kg", "--column", "reading=r", "--latitude", "nan", "--height", "1"), 2),
    (("--column", "reference=F", "--column", "reading=r"), 1),
    (("--column", "reference=F:furlong", "--column", "reading=r"), 1),
    (("--column", "reading=r"), 1),
    (("--column", "reference=F:N", "--column", "reading=F"), 1),
    ((*PLAIN, "--at", "nan"), 2),
    ((*PLAIN, "--at", "five"), 2),
    ((*PLAIN, "--valid-days", "0"), 2),
    ((*PLAIN, "--reference-uncertainty", "5"), 1),
    ((*PLAIN, "--reference-uncertainty", "-1%"), 2),
    ((*PLAIN, "--reference-uncertainty", "-1mN"), 2),
])
def test_wrong_words_are_refused(padlab, table, arguments, code):
    told = padlab("calibrate", "force", table("F,r\n0,0\n1,100\n2,201\n3,300\n"), *arguments)
    assert told.code == code
    assert told.out == ""


def test_a_table_of_nothing_but_curve_is_marked(padlab, table):
    # A step in the middle: no degree up to four describes it, and the repeats say so.
    rows = [f"{f},{100 * f + 40 * (f > 5) + 0.01 * k}" for k in range(3) for f in range(11)]
    answer = padlab("calibrate", "force", table("F,r\n" + "\n".join(rows)), *PLAIN, "--json").json
    assert "curve_refused" in {m["code"] for m in answer["marks"]}
    assert not answer["lack_of_fit"]["accepted"]


def test_studies_that_cannot_be(padlab, table):
    columns = ("--column", "part=p", "--column", "operator=o", "--column", "reading=y")
    whole = [f"{p},{o},{p + o + r}" for p in range(3) for o in range(2) for r in (0.0, 0.5)]
    full = table("p,o,y\n" + "\n".join(whole))
    assert padlab("calibrate", "repeatability", full, *columns).code == 0
    told = padlab("calibrate", "repeatability", table("p,o,y\n" + "\n".join(whole[:-1])), *columns)
    assert told.code == 1
    assert "1 of part 2 by operator 1" in told.err
    once = table("p,o,y\n" + "\n".join(whole[::2]))
    assert padlab("calibrate", "repeatability", once, *columns).code == 1
    nested = [f"{o}{p},{o},{p + r}" for o in "ab" for p in range(3) for r in (0.0, 0.5)]
    told = padlab("calibrate", "repeatability", table("p,o,y\n" + "\n".join(nested)), *columns, "--nested",
                  "--json")
    assert told.code == 0, told.err
    assert set(told.json["variance_components"]) == {"repeat", "part", "operator", "gauge"}


def test_readings_without_any_difference_have_no_share(padlab, table):
    rows = [f"{p},{o},5" for p in range(3) for o in range(3) for _ in range(2)]
    answer = padlab("calibrate", "repeatability", table("p,o,y\n" + "\n".join(rows)), "--column", "part=p",
                    "--column", "operator=o", "--column", "reading=y", "--json").json
    assert answer["gauge_share_percent"] is None
    assert answer["distinct_categories"] is None


def test_a_falling_reading_is_turned_round():
    reference = np.repeat([0.0, 1, 2, 3, 4], 3)
    noise = np.tile([-0.01, 0.0, 0.01], 5)
    curve = fit_readings(reference, 100 - 10 * reference - 0.2 * reference**2 + noise).curve
    assert curve.degree == 2
    assert not curve.rises
    assert np.allclose(curve.value(curve.reading(np.linspace(0, 4, 9))), np.linspace(0, 4, 9), atol=1e-9)
    beyond = curve.value(np.array([120.0, 20.0, np.nan]))
    assert beyond[0] < 0
    assert beyond[1] > 4
    assert np.isnan(beyond[2])
    assert curve.interval(20.0).low is None


def test_a_curve_that_turns_back_is_refused():
    reference = np.repeat([0.0, 1, 2, 3, 4], 3)
    with pytest.raises(FitError, match="turns back"):
        fit_readings(reference, (reference - 2) ** 2 + np.tile([-0.01, 0.0, 0.01], 5))


def test_a_reading_that_says_nothing_has_no_ends():
    """Where the slope is lost in the scatter the band never leaves the reading: no interval."""
    curve = ReadingCurve(0.0, 1.0, (0.0, 0.1), ((1.0, 0.0), (0.0, 1.0)), 1.0, 5)
    assert curve.interval(0.0).low is None


def test_small_things():
    assert force_class("zero return", 0.07) == 1.0
    assert step_as_written(np.array([1.0, 20.0, 300.0])) == 1.0
    assert step_as_written(np.array([0.0, 0.5, 10.0])) == 0.1   # was once taken for a million
    assert step_as_written(np.array([0.00125])) == pytest.approx(1e-5)
