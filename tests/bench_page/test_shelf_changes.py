"""What lies on the shelf is changed, taken away or corrected by others while the page is served."""

from __future__ import annotations

import gzip
import json
import threading

import page_served as shared
import pytest

PAD = {"id": "A3", "material": "grey wool felt", "material_class": "felt", "lot": "2026-07",
       "outer_diameter": "19mm", "inner_diameter": "8mm", "thickness": "63thou"}


@pytest.fixture
def served(serve_bench, tmp_path):
    served = serve_bench("--rig", "bench", "--url", "socket://127.0.0.1:1", shelf=tmp_path / "shelf")
    served.runs = shared.some_runs(served.shelf, 1)
    served.cookie = served.come_in()
    return served


def ask(served, path, **what):
    """The status, and what was answered."""
    answer = served.ask("POST", path, json.dumps(what), cookie=served.cookie, origin=served.origin)
    return answer.status, json.loads(answer.body)


def fitted(served):
    _, work = ask(served, "/api/work", what="fit", runs=served.runs)

    def told():
        return json.loads(served.ask("GET", f"/api/made/{work['id']}", cookie=served.cookie).body)

    shared.wait_until(lambda: told()["state"] != "running", limit_s=60)
    return told()


def test_what_was_made_of_other_files_is_not_shown_again(served):
    first = fitted(served)
    assert first["state"] == "done"
    assert fitted(served)["id"] == first["id"]
    run = served.shelf / "runs" / served.runs[0]
    blank = json.loads((run / "datapackage.json").read_text("utf-8"))["padlab"]["blank"]
    assert ask(served, "/api/correct", run=blank, what="set_aside", reason="the frame slipped")[0] == 200
    second = fitted(served)
    assert (second["state"], second["id"] != first["id"]) == ("done", True)
    report = served.ask("GET", f"/report/{second['id']}", cookie=served.cookie).body.decode()
    assert "blank run was set aside: the frame slipped" in report
    samples = run / "samples.csv.gz"
    half = gzip.decompress(samples.read_bytes())
    samples.write_bytes(gzip.compress(half[:len(half) // 2]))
    third = fitted(served)
    assert third["state"] == "failed"
    assert third["id"] != second["id"]


def test_a_shelf_that_is_taken_away_is_no_empty_shelf(served):
    assert b"and is gone" not in served.ask("GET", "/shelf", cookie=served.cookie).body
    elsewhere = served.shelf.rename(served.shelf.with_name("elsewhere"))
    for page in ("/", "/shelf", "/choose", "/lots", "/life", "/touch", "/calibrations", "/take-in"):
        assert b"and is gone" in served.ask("GET", page, cookie=served.cookie).body, page
    status, told = ask(served, "/api/start", procedure="standard", cautions=True, pad=PAD)
    assert (status, "is gone" in told["error"]["message"]) == (400, True)
    for path in ("/api/take-in", "/api/fitted"):
        assert "is gone" in ask(served, path)[1]["error"]["message"]
    assert not served.shelf.exists()
    elsewhere.rename(served.shelf)
    assert b"and is gone" not in served.ask("GET", "/shelf", cookie=served.cookie).body


def test_a_shelf_that_was_never_there_is_made_by_its_first_run(serve_bench, tmp_path):
    new = serve_bench(shelf=tmp_path / "new")
    assert b"and is gone" not in new.ask("GET", "/shelf", cookie=new.come_in()).body


@pytest.mark.parametrize("what", [
    {"path": "/api/start", "procedure": "standard", "cautions": True, "pad": PAD, "note": "\ud800"},
    {"path": "/api/start", "procedure": "standard", "cautions": True, "pad": {**PAD, "id": "\udfff"}},
    {"path": "/api/correct", "what": "note", "note": "a\ud83d"},
    {"path": "/api/correct", "run": "\ud800", "what": "note", "note": "a"},
    {"path": "/api/work", "what": "life", "strokes_per_day": "\ud800"},
    {"path": "/api/instrument", "fields": {"strokes_per_day": "\udc80"}},
], ids=lambda what: what["path"])
def test_half_a_character_is_refused_and_nothing_is_written(served, what):
    before = shared.standing(served.shelf)
    sent = {"run": served.runs[0], **what} if what["path"] == "/api/correct" else dict(what)
    status, told = ask(served, sent.pop("path"), **sent)
    assert (status, told["error"]["seen"]) == (400, "half a character")
    assert shared.standing(served.shelf) == before


def test_many_who_correct_one_run_at_once_are_all_heard(served):
    answers = []

    def note(number):
        said = f"note {number}"
        answers.append(ask(served, "/api/correct", run=served.runs[0], what="note", note=said)[0])

    crowd = [threading.Thread(target=note, args=(number,)) for number in range(12)]
    for one in crowd:
        one.start()
    for one in crowd:
        one.join(60)
    assert answers == [200] * 12
    kept = json.loads((served.shelf / "runs" / served.runs[0] / "datapackage.json").read_text("utf-8"))
    assert {e["new"].rsplit("note ")[-1] for e in kept["padlab"]["amendments"]} == {str(n) for n in range(12)}
