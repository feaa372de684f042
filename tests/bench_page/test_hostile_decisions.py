"""What nobody may ask of the pages that decide: refused in words, nothing written, nothing let in."""

from __future__ import annotations

import json
import os
import shutil
from urllib.parse import quote

import page_served as shared
import pytest

CORNET = (shared.SAMPLES / "instruments" / "band-cornet-3.toml").read_text("utf-8")
SPEC = (shared.SAMPLES / "deliveries" / "spec-thickness.toml").read_text("utf-8")
SCRIPT = "<script>alert(1)</script>"
BEYOND = [
    "../../etc/passwd",
    "../shop.toml",
    "/etc/passwd",
    "..\\x",
    "\x00",
    "",
    ".",
    "..",
    "a" * 5000,
    "no.toml",
    "secret.toml",
    "linked.toml",
]


@pytest.fixture(scope="module")
def served(serve_bench, tmp_path_factory):
    shelf = tmp_path_factory.mktemp("hostile") / "shelf"
    runs = shared.some_runs(shelf, 2)
    (shelf / "instruments").mkdir()
    (shelf / "instruments" / f"{quote(SCRIPT, safe='<>()')}.toml").write_text(CORNET, encoding="utf-8")
    outside = shelf.parent / "secret.toml"
    outside.write_text(CORNET, encoding="utf-8")
    os.symlink(outside, shelf / "instruments" / "linked.toml")
    os.symlink(outside, shelf / "runs" / runs[1] / "raw" / "linked.csv")
    shutil.copy(shared.SAMPLES / "shop.toml", shelf / "shop.toml")
    served = serve_bench(shelf=shelf)
    served.runs = runs
    return served


@pytest.fixture(scope="module")
def cookie(served):
    return served.come_in()


@pytest.fixture(autouse=True)
def nothing_is_written(served, cookie):
    """Whatever is asked: the shelf stands as it stood, and whoever belongs here is still served."""
    before = shared.standing(served.shelf)
    yield
    assert shared.standing(served.shelf) == before
    assert served.ask("GET", "/choose", cookie=cookie).status == 200


def refused(served, cookie, path, what):
    answer = served.ask("POST", path, json.dumps(what), cookie=cookie, origin=served.origin)
    told = json.loads(answer.body)
    assert answer.status == 400, told
    assert told["error"]["message"]
    return told["error"]


@pytest.mark.parametrize("name", BEYOND)
def test_an_instrument_is_looked_up_in_its_list(served, cookie, name):
    told = refused(served, cookie, "/api/work", {"what": "choose", "source": "kept", "kept": name})
    assert "band cornet" not in json.dumps(told)


def test_a_link_among_instruments_is_not_offered(served, cookie):
    page = served.ask("GET", "/choose", cookie=cookie).body.decode()
    assert "linked.toml" not in page
    assert SCRIPT not in page
    assert "&lt;script&gt;" in page


@pytest.mark.parametrize(
    "what",
    [
        {},
        {"source": None},
        {"source": ["kept"]},
        {"source": "kept", "kept": ["a"]},
        {"source": "kept", "kept": 7},
        {"source": "file"},
        {"source": "file", "name": "x.toml"},
        {"source": "file", "name": 7, "text": "a"},
        {"source": "file", "name": "x.toml", "text": ["a"]},
        {"source": "file", "name": "x.toml", "text": ""},
        {"source": "file", "name": "x.toml", "text": "\x00"},
        {"source": "file", "name": "x.toml", "text": "\ud800"},
        {"source": "file", "name": "x.toml", "text": "[" * 20000},
        {"source": "file", "name": "x.toml", "text": "a" * 50_000},
        {"source": "file", "name": "x.fitted-2026-01-01.json", "text": "[" * 20000},
        {"source": "file", "name": "x.fitted-2026-01-01.json", "text": CORNET},
        {"source": "form"},
        {"source": "form", "fields": []},
        {"source": "form", "fields": {"x": "y"}},
        {"source": "form", "fields": {"label": ["a"]}},
        {"source": "form", "fields": {"valve": [{}]}},
        {"source": "form", "fields": {"valve.0.down.port_error": "6thou"}},
        {"source": "form", "fields": {"valve.1.down.parts_tight": "yes"}},
        {"source": "form", "fields": {"label": "a" * 1000}},
        {"source": "form", "fields": {f"valve.{n}.down.method": "\u20ac" * 200 for n in range(1, 10)}},
    ],
)
def test_no_instrument(served, cookie, what):
    refused(served, cookie, "/api/work", {"what": "choose", **what})


@pytest.mark.parametrize(
    "touch",
    [
        "/etc/passwd",
        "../x.toml",
        "touch.toml",
        "soft",
        "20260101T000000Z-aaaaaa",
        ["light"],
        7,
        SCRIPT,
        "a" * 300,
    ],
)
def test_a_touch_is_a_preset_or_a_run_of_this_shelf(served, cookie, touch, tmp_path):
    told = refused(
        served,
        cookie,
        "/api/work",
        {"what": "choose", "source": "file", "name": "x.toml", "text": CORNET, "touch": touch},
    )
    assert any(m.startswith("touch: ") for m in told["where"]["mistakes"])
    refused(served, cookie, "/api/work", {"what": "compare", "runs": served.runs, "touch": touch})


def test_a_file_names_no_other_file(served, cookie, tmp_path):
    """A touch file of this machine would be read, and what it says be told, if a path were taken from it."""
    touch = tmp_path / "touch.toml"
    touch.write_text('median_force = "6N"\nsecret = 1\n', encoding="utf-8")
    named = CORNET.replace('touch = "medium"', f"touch = '{touch}'")
    assert named != CORNET
    for path, what in (
        ("/api/work", {"what": "choose", "source": "file"}),
        ("/api/work", {"what": "plan"}),
        ("/api/work", {"what": "lot", "lot": "x"}),
    ):
        text = named if what.get("what") == "choose" else f"touch = '{touch}'\n{SPEC}"
        told = refused(served, cookie, path, {**what, "name": "x.toml", "text": text})
        assert "secret" not in json.dumps(told)
        assert "no touch that is known here" in told["message"]


def test_a_filled_in_form_with_all_mistakes_at_once(served, cookie):
    told = refused(
        served,
        cookie,
        "/api/instrument",
        {
            "fields": {
                "strokes_per_day": "many",
                "valve.1.down.port_error": "6",
                "valve.1.down.read_at": "4N",
                "valve.3.up.holding_force": "1km",
                "what": SCRIPT,
            }
        },
    )
    fields = {m.partition(":")[0] for m in told["where"]["mistakes"]}
    assert {
        "label",
        "strokes_per_day",
        "valve.1.down.port_error",
        "valve.3.up.holding_force",
        "what",
        "valve.1.down.fitted",
    } <= fields
    assert not any("write a table" in m for m in told["where"]["mistakes"])


@pytest.mark.parametrize(
    "what",
    [
        {},
        {"name": "s.toml"},
        {"name": "s.toml", "text": CORNET},
        {"name": "s.toml", "text": "x" * 50_000},
        {"name": SCRIPT, "text": "="},
        {"name": "s.toml", "text": {}},
    ],
)
def test_no_spec(served, cookie, what):
    refused(served, cookie, "/api/work", {"what": "plan", **what})
    refused(served, cookie, "/api/work", {"what": "lot", "lot": "2026-09", **what})


@pytest.mark.parametrize("lot", [None, "", 7, ["2026-09"], "a" * 300])
def test_no_lot(served, cookie, lot):
    refused(served, cookie, "/api/work", {"what": "lot", "name": "s.toml", "text": SPEC, "lot": lot})


@pytest.mark.parametrize("what", ["life", "touch"])
@pytest.mark.parametrize(
    "runs", [None, [], "all", [7], ["../../x"], ["20260101T000000Z-aaaaaa"], ["x"] * 5000]
)
def test_no_runs(served, cookie, what, runs):
    refused(
        served,
        cookie,
        "/api/work",
        {"what": what, "runs": runs, "limit": "3thou", "strokes_per_day": "1", "days_per_week": "1"},
    )


def test_a_run_of_another_kind(served, cookie):
    for what in ("life", "touch"):
        told = refused(served, cookie, "/api/work", {"what": what, "runs": served.runs[:1]})
        assert "kind pad" in told["seen"]


@pytest.mark.parametrize(
    "option",
    [
        {"thickness": "3"},
        {"outer": "19mm"},
        {"outer": "8mm", "inner": "19mm"},
        {"years": "3"},
        {"years": "nan"},
        {"years": "-1", "strokes_per_day": "1", "days_per_week": "8"},
        {"thickness": ["3mm"]},
        {"years": 3},
    ],
)
def test_a_comparison_with_no_such_size(served, cookie, option):
    told = refused(served, cookie, "/api/work", {"what": "compare", "runs": served.runs, **option})
    assert told["where"]["mistakes"]


def test_a_link_is_never_handed_out(served, cookie):
    answer = served.ask("GET", f"/download/run/{served.runs[1]}/raw/linked.csv", cookie=cookie)
    assert answer.status == 404
    assert b"band cornet" not in answer.body
    page = served.ask("GET", f"/run/{served.runs[1]}", cookie=cookie)
    assert page.status == 200
    assert b"is a link" in page.body


@pytest.mark.parametrize(
    "name",
    [
        "datapackage.json",
        "../../shop.toml",
        "%2e%2e/shop.toml",
        "..%2f..%2fshop.toml",
        "raw",
        "raw/",
        "/etc/passwd",
        "raw/..%2fdatapackage.json",
        "%00",
        "samples.csv",
        "a" * 1000,
        "raw%5cmain.csv.gz",
    ],
)
def test_only_what_was_recorded_is_handed_out(served, cookie, name):
    answer = served.ask("GET", f"/download/run/{served.runs[0]}/{name}", cookie=cookie)
    assert answer.status == 404
    assert b"steel ring" not in answer.body


@pytest.mark.parametrize("run", ["..", "%2e%2e", "20260101T000000Z-aaaaaa", "runs", "%00", SCRIPT])
def test_samples_of_no_run(served, cookie, run):
    answer = served.ask("GET", f"/download/run/{quote(run)}/samples.csv.gz", cookie=cookie)
    assert answer.status == 404
    assert SCRIPT.encode() not in answer.body


@pytest.mark.parametrize(
    "name", ["cal-20260101T000000Z-aaaaaa", "..%2fshop.toml", "shop.toml", "%00", SCRIPT, "cal-" + "a" * 900]
)
def test_no_calibration(served, cookie, name):
    answer = served.ask("GET", f"/calibration/{quote(name, safe='%')}", cookie=cookie)
    assert answer.status == 404
    assert SCRIPT.encode() not in answer.body


def test_filters_are_words_to_look_for(served, cookie):
    answer = served.ask("GET", f"/shelf?kind={quote(SCRIPT)}&since={quote(SCRIPT)}&lot=%00", cookie=cookie)
    assert answer.status == 200
    assert SCRIPT.encode() not in answer.body


@pytest.mark.parametrize("path", ["/api/work", "/api/fitted", "/api/instrument"])
def test_whoever_comes_from_elsewhere_asks_nothing(served, cookie, path):
    for headers in ({}, {"origin": "http://evil.example"}):
        assert served.ask("POST", path, "{}", cookie=cookie, **headers).status == 403
    assert served.ask("POST", path, "{}", origin=served.origin).status == 403
    assert served.ask("POST", path, "x" * 70_000, cookie=cookie, origin=served.origin).status == 413
    assert served.ask("POST", path, "[" * 60_000, cookie=cookie, origin=served.origin).status == 400


def test_over_the_network_nothing_is_asked_and_no_samples_are_handed_out(served, tmp_path):
    """The pages as a guest from another address sees them; the door has its own test."""
    import asyncio

    from padlab.bench.app import make_app
    from padlab.bench.bench import Bench
    from padlab.bench.door import Guest, Place
    from padlab.bench.work import Works

    app = make_app(Bench(served.shelf, None), Works(tmp_path))

    def see(path, may_drive):
        sent = []

        async def receive():
            return {"type": "http.request", "body": b""}

        async def send(message):
            sent.append(message)

        guest = Guest(Place("192.0.2.5", 1, may_drive=may_drive))
        scope = {
            "type": "http",
            "method": "GET",
            "path": path,
            "query_string": b"",
            "headers": [],
            "guest": guest,
            "body": b"",
            "root_path": "",
        }
        asyncio.run(app(scope, receive, send))
        return sent[0]["status"], b"".join(m.get("body", b"") for m in sent[1:]).decode("utf-8", "replace")

    samples = f"/download/run/{served.runs[0]}/samples.csv.gz"
    for path in ("/choose", "/lots", "/life", "/touch", "/shelf", f"/run/{served.runs[0]}"):
        status, page = see(path, may_drive=False)
        assert status == 200
        assert 'class="asks' not in page
        assert 'id="work"' not in page
        assert samples not in page
    assert 'class="asks' in see("/choose", may_drive=True)[1]
    assert samples in see(f"/run/{served.runs[0]}", may_drive=True)[1]
    assert see(samples, may_drive=False)[0] == 403
