"""A run is corrected from the page as by ``padlab amend``; calibrations are listed, and what has expired."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta

import page_served as shared
import pytest

SCRIPT = "<script>alert(1)</script>"


@pytest.fixture(scope="module")
def served(serve_bench, tmp_path_factory):
    shelf = tmp_path_factory.mktemp("correct") / "shelf"
    runs = sorted(shared.some_runs(shelf, 3))
    served = serve_bench(shelf=shelf)
    served.runs = runs
    return served


@pytest.fixture(scope="module")
def cookie(served):
    return served.come_in()


def correct(served, cookie, **form):
    answer = served.ask("POST", "/api/correct", json.dumps(form), cookie=cookie, origin=served.origin)
    return answer.status, json.loads(answer.body)


def held(served, run):
    return json.loads((served.shelf / "runs" / run / "datapackage.json").read_text("utf-8"))["padlab"]


def opened(served, run):
    from padlab.records.shelf import open_run

    return open_run(served.shelf / "runs" / run)


def test_set_aside_with_a_reason_and_used_again(served, cookie):
    run = served.runs[0]
    status, told = correct(served, cookie, run=run, what="set_aside")
    assert (status, told["error"]["where"]["fields"]) == (400, ["reason"])
    assert correct(served, cookie, run=run, what="set_aside", reason="  upside down ")[0] == 200
    assert opened(served, run).set_aside == "upside down"
    page = served.ask("GET", f"/correct/{run}", cookie=cookie).body.decode()
    assert "Use it again" in page
    assert correct(served, cookie, run=run, what="take_back")[0] == 400
    assert correct(served, cookie, run=run, what="take_back", reason="it was right")[0] == 200
    assert opened(served, run).set_aside is None
    assert [e["reason"] for e in held(served, run)["amendments"]] == [None, "it was right"]
    assert correct(served, cookie, run=run, what="take_back", reason="again")[0] == 400


def test_a_note_stays_beside_the_old(served, cookie):
    run = served.runs[1]
    before = opened(served, run).note
    assert correct(served, cookie, run=run, what="note", note=SCRIPT)[0] == 200
    entry = held(served, run)["amendments"][-1]
    assert (entry["what"], entry["old"], entry["new"]) == ("note", before, SCRIPT)
    for path in (f"/correct/{run}", f"/run/{run}"):
        page = served.ask("GET", path, cookie=cookie).body.decode()
        assert SCRIPT not in page
    assert correct(served, cookie, run=run, what="note", note=" ")[1]["error"]["where"]["fields"] == ["note"]


def test_a_pad_is_corrected_and_what_was_left_alone_keeps_its_last_digit(served, cookie):
    from padlab.bench.asked import pad_as_typed

    run = served.runs[2]
    file = served.shelf / "runs" / run / "datapackage.json"
    told = json.loads(file.read_text("utf-8"))
    told["padlab"]["pad"] |= {"thickness_mm": 1.60023456789, "sheet": "7", "place": "left"}
    file.write_text(json.dumps(told), "utf-8")
    old = opened(served, run).pad
    typed = pad_as_typed(old)
    status, told = correct(served, cookie, run=run, what="pad", reason="x", pad=typed)
    assert (status, "already" in told["error"]["message"]) == (400, True)
    status, told = correct(
        served, cookie, run=run, what="pad", pad=typed | {"lot": "", "outer_diameter": "19"}
    )
    assert set(told["error"]["where"]["fields"]) == {"reason", "pad.lot", "pad.outer_diameter"}
    assert (
        correct(
            served,
            cookie,
            run=run,
            what="pad",
            reason="mistyped",
            pad=typed | {"lot": "2026-08", "outer_diameter": "19.5mm"},
        )[0]
        == 200
    )
    new = opened(served, run).pad
    assert (new.lot, new.outer_diameter_mm, new.thickness_mm, new.sheet, new.place) == (
        "2026-08",
        19.5,
        1.60023456789,
        "7",
        "left",
    )
    page = served.ask("GET", f"/correct/{run}", cookie=cookie).body.decode()
    assert "mistyped" in page
    assert "2026-08" in page
    assert f"{old.outer_diameter_mm:g} × {old.inner_diameter_mm:g} mm, 1.600 mm (63.0 thou) thick" in page
    assert f"padlab remake {served.shelf}/runs/{run}" in page          # as it can be typed, from anywhere


@pytest.mark.parametrize(
    "form",
    [
        {},
        {"run": "../../etc", "what": "note", "note": "x"},
        {"what": "rm"},
        {"what": ["note"]},
        {"what": "set_aside", "reason": "x" * 201},
        {"what": "set_aside", "reason": 7},
        {"what": "set_aside", "reason": " "},
        {"what": "note", "note": "x" * 2001},
        {"what": "note", "note": ["x"]},
        {"what": "pad", "reason": "x", "pad": 7},
        {"what": "pad", "reason": "x", "pad": {"sheet": "1"}},
        {"what": "pad", "reason": "x"},
        {"unasked": 1, "what": "note"},
        {"run": "20260101T000000Z-aaaaaa", "what": "note", "note": "x"},
    ],
)
def test_what_nobody_can_have_filled_in(served, cookie, form):
    before = shared.standing(served.shelf)
    status, told = correct(served, cookie, **{"run": served.runs[0]} | form)
    assert status == 400
    assert told["error"]["message"]
    assert shared.standing(served.shelf) == before


def test_who_may_not_corrects_nothing(served, cookie):
    before = shared.standing(served.shelf)
    body = json.dumps({"run": served.runs[0], "what": "set_aside", "reason": "x"})
    for headers in (
        {"cookie": cookie},
        {"origin": served.origin},
        {"cookie": cookie, "origin": "http://evil.example"},
    ):
        assert served.ask("POST", "/api/correct", body, **headers).status == 403
    assert shared.standing(served.shelf) == before


@pytest.mark.parametrize("beyond", ["../../etc/passwd", "%00", "x" * 500, "20260101T000000Z-aaaaaa"])
def test_an_id_is_looked_up(served, cookie, beyond):
    assert served.ask("GET", f"/correct/{beyond}", cookie=cookie).status in (400, 404)


def test_calibrations_and_what_has_expired(served, cookie):
    from padlab.records.calibration import Calibration, new_calibration_id, write_calibration

    assert "None yet" in served.ask("GET", "/calibrations", cookie=cookie).body.decode()
    now = datetime.now(UTC)
    for made, rig in ((now - timedelta(days=400), "old"), (now - timedelta(days=3), SCRIPT)):
        write_calibration(
            served.shelf,
            Calibration(
                new_calibration_id(made),
                "repeatability",
                f"{made:%Y-%m-%dT%H:%M:%SZ}",
                f"{made + timedelta(days=365):%Y-%m-%dT%H:%M:%SZ}",
                rig=rig,
            ),
        )
    (served.shelf / "calibrations" / "cal-20260101T000000Z-aaaaaa.json").write_text("{", "utf-8")
    page = served.ask("GET", "/calibrations", cookie=cookie).body.decode()
    assert "1 of 2 has expired" in page
    assert page.count(": expired") == 1
    assert page.index("&lt;script&gt;") < page.index(">old<")  # the newest first
    assert SCRIPT not in page
    assert "is damaged" in page
