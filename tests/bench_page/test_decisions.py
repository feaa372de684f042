"""Pads chosen, a lot judged, renewal, touch: from the page to the byte what the command line makes."""

from __future__ import annotations

import json
import re
import shutil
from hashlib import sha256

import page_served as shared
import pytest
from click.testing import CliRunner

from padlab.cli.main import cli
from padlab.records.index import list_runs
from padlab.records.shelf import Shelf

CORNET = (shared.SAMPLES / "instruments" / "band-cornet-3.toml").read_text("utf-8")
SPEC = (shared.SAMPLES / "deliveries" / "spec-thickness.toml").read_text("utf-8")
STANDARD = "standard"
TYPED = {
    "label": 'the "new" cornet \\ <b>',
    "strokes_per_day": "3000",
    "days_per_week": "6",
    "renew_limit": "3thou",
    "touch": "light",
    **{
        f"valve.2.down.{key}": value
        for key, value in {
            "port_error": "6thou",
            "read_at": "4N",
            "holding_force": "2.6N",
            "fitted": "ring",
            "fitted_thickness": "52thou",
            "outer_diameter": "19mm",
            "inner_diameter": "8mm",
            "metal_clearance": "40thou",
            "parts_tight": True,
            "stops_on_pad": True,
        }.items()
    },
    "valve.2.up.port_error": "",
}


@pytest.fixture(scope="module")
def served(serve_bench, tmp_path_factory):
    """A shelf with pads of two stocks, wear, a touch, deliveries, an instrument and what was fitted to it."""
    shelf = tmp_path_factory.mktemp("decisions") / "shelf"
    rows = list_runs(Shelf(shared.SAMPLES))[0]
    pads = [
        next(r["run"] for r in rows if r["procedure"] == STANDARD and (r["material"], r["lot"]) == wanted)
        for wanted in (
            ("dense green polymer", "2026-03"),
            ("dense green polymer", "2026-05"),
            ("grey wool felt", "2026-03"),
        )
    ]
    others = [r["run"] for r in rows if r["kind"] in ("wear", "touch", "blank")]
    for name in (*pads, *others):
        shutil.copytree(shared.SAMPLES / "runs" / name, shelf / "runs" / name)
    for folder in (shared.SAMPLES / "deliveries" / "runs").iterdir():
        shutil.copytree(folder, shelf / "runs" / folder.name)
    shutil.copytree(shared.SAMPLES / "instruments", shelf / "instruments")
    shutil.copy(shared.SAMPLES / "shop.toml", shelf / "shop.toml")
    by_command("fitted", shelf / "instruments" / "band-cornet-3.toml", shelf, "--on", "2026-11-28")
    served = serve_bench(shelf=shelf)
    served.pads = sorted(pads)
    served.of_kind = lambda kind: sorted(r["run"] for r in list_runs(Shelf(shelf))[0] if r["kind"] == kind)
    return served


@pytest.fixture(scope="module")
def cookie(served):
    return served.come_in()


def by_command(*arguments):
    done = CliRunner().invoke(cli, [str(a) for a in arguments])
    assert done.exit_code == 0, done.output


def post(served, cookie, path, **what):
    answer = served.ask("POST", path, json.dumps(what), cookie=cookie, origin=served.origin)
    return answer.status, json.loads(answer.body)


def made(served, cookie, **what):
    """Ask, wait, and give what was told and the bytes of every file."""
    status, work = post(served, cookie, "/api/work", **what)
    assert status == 200, work

    def told():
        return json.loads(served.ask("GET", f"/api/made/{work['id']}", cookie=cookie).body)

    shared.wait_until(lambda: told()["state"] != "running", 200)
    assert told()["state"] == "done", told()
    files = {}
    for one in told()["files"]:
        answer = served.ask("GET", f"/download/{work['id']}/{one['name']}", cookie=cookie)
        assert answer.headers["content-disposition"] == f'attachment; filename="{one["name"]}"'
        files[one["name"]] = answer.body
    shown = served.ask("GET", f"/report/{work['id']}", cookie=cookie)
    assert shown.body == files[told()["files"][0]["name"]] if files else shown.status == 404
    return told(), files


@pytest.mark.parametrize("touch", ["file", "recorded"])
def test_pads_chosen_are_the_command_line_s(served, cookie, tmp_path, touch):
    run = served.of_kind("touch")[0]
    told, files = made(
        served,
        cookie,
        what="choose",
        source="kept",
        kept="band-cornet-3.toml",
        touch="file" if touch == "file" else run,
    )
    out, labels = tmp_path / "out.html", tmp_path / "labels.html"
    by_command(
        "choose",
        served.shelf / "instruments" / "band-cornet-3.toml",
        served.shelf,
        "--out",
        out,
        "--labels",
        labels,
        *(() if touch == "file" else ("--touch", served.shelf / "runs" / run)),
    )
    assert files == {"cut-list.html": out.read_bytes(), "labels.html": labels.read_bytes()}
    assert re.match(r"A pad for \d of 6 stops", told["told"]["words"])
    if touch == "file":  # the same file from the person's own disk
        again = made(
            served, cookie, what="choose", source="file", name="mine.toml", text=CORNET, touch="medium"
        )
        assert again[1] == files


def test_what_was_fitted_is_cut_again(served, cookie, tmp_path):
    name = "band-cornet-3.fitted-2026-11-28.json"
    told, files = made(served, cookie, what="choose", source="kept", kept=name, touch="file")
    out = tmp_path / "out.html"
    by_command("choose", served.shelf / "instruments" / name, served.shelf, "--out", out)
    assert files["cut-list.html"] == out.read_bytes()
    page = served.ask("GET", "/choose", cookie=cookie).body.decode()
    assert name in page
    assert 'value="band-cornet-3.toml"' in page


def test_a_filled_in_form_is_an_instrument_file(served, cookie, tmp_path):
    told, files = made(served, cookie, what="choose", source="form", fields=TYPED, touch="light")
    kept = tmp_path / "kept.toml"
    kept.write_bytes(files["instrument.toml"])
    assert post(served, cookie, "/api/instrument", fields=TYPED)[1]["text"].encode() == kept.read_bytes()
    out = tmp_path / "out.html"
    by_command("choose", kept, served.shelf, "--out", out)  # the touch stands in the file
    assert files["cut-list.html"] == out.read_bytes()
    assert b"<b>" not in out.read_bytes()


def test_a_lot_judged_is_the_command_line_s(served, cookie, tmp_path):
    spec = tmp_path / "spec.toml"
    spec.write_text(SPEC, encoding="utf-8")
    told, files = made(served, cookie, what="plan", name="spec.toml", text=SPEC)
    plan = told["told"]
    done = CliRunner().invoke(cli, ["qualify", "--plan", str(spec)])
    assert ("\n".join(plan["plan"]) + "\n", files) == (done.output, {})
    assert plan["lots"] == ["2026-03", "2026-04", "2026-05", "2026-06", "2026-09", "2026-10", "2026-11"]
    verdicts = set()
    for lot in ("2026-09", "2026-10"):
        told, files = made(served, cookie, what="lot", name="spec.toml", text=SPEC, lot=lot)
        for name in files:
            out = tmp_path / name
            by_command("qualify", served.shelf, "--spec", spec, "--lot", lot, "--out", out)
            assert files[name] == out.read_bytes()
        assert told["told"]["words"].startswith(f"cream wool felt, lot {lot}: ")
        verdicts.add(told["told"]["words"].rpartition(": ")[2])
        heading = files["certificate.html"].decode().partition("<h1")[2].partition("</h1>")[0]
        assert told["told"]["words"].rpartition(": ")[2].rstrip(".") in heading
    assert len(verdicts) == 2


def test_renewal_is_the_command_line_s(served, cookie, tmp_path):
    out = tmp_path / "life.html"
    by_command(
        "life",
        served.shelf,
        "--limit",
        "3thou",
        "--strokes-per-day",
        "2000",
        "--days-per-week",
        "6",
        "--aged-at",
        "60degC",
        "--service-at",
        "21degC",
        "--out",
        out,
    )
    told, files = made(
        served,
        cookie,
        what="life",
        runs=served.of_kind("wear"),
        limit="3thou",
        strokes_per_day="2000",
        days_per_week="6",
        aged_at="60degC",
        service_at="21degC",
    )
    assert files == {"life.html": out.read_bytes()}


def test_a_touch_is_the_command_line_s(served, cookie, tmp_path):
    out = tmp_path / "touch.html"
    by_command("touch", served.shelf, "--out", out)
    told, files = made(served, cookie, what="touch", runs=served.of_kind("touch"))
    assert files == {"touch.html": out.read_bytes()}


def test_stocks_compared_at_another_size_over_a_service(served, cookie, tmp_path):
    run, out = served.of_kind("touch")[0], tmp_path / "stocks.html"
    by_command(
        "compare",
        served.shelf,
        "--touch",
        served.shelf / "runs" / run,
        "--thickness",
        "60thou",
        "--face",
        "18mmx8mm",
        "--service-years",
        "3",
        "--strokes-per-day",
        "2000",
        "--days-per-week",
        "6",
        "--out",
        out,
    )
    told, files = made(
        served,
        cookie,
        what="compare",
        runs=served.pads,
        touch=run,
        thickness="60thou",
        outer="18mm",
        inner="8mm",
        years="3",
        strokes_per_day="2000",
        days_per_week="6",
    )
    assert files == {"stocks.html": out.read_bytes()}
    page = served.ask("GET", f"/made/{told['id']}", cookie=cookie).body.decode()
    assert sorted(re.findall(r'href="/run/([^"]+)"', page)) == served.pads
    options = served.ask("GET", "/shelf", cookie=cookie).body.decode()
    assert f"<option>{run}</option>" in options


def test_a_changed_shelf_is_worked_out_anew(served, cookie):
    asked = {"what": "choose", "source": "kept", "kept": "band-cornet-3.toml"}
    first = post(served, cookie, "/api/work", **asked)[1]["id"]
    assert post(served, cookie, "/api/work", **asked)[1]["id"] == first
    shop = served.shelf / "shop.toml"
    shop.write_text(shop.read_text("utf-8") + "\n", encoding="utf-8")
    second = post(served, cookie, "/api/work", **asked)[1]["id"]
    assert second != first
    for work in (first, second):
        post(served, cookie, "/api/cancel", id=work)


def test_a_run_is_traced_to_its_samples(served, cookie):
    run = Shelf(served.shelf).open(served.pads[0])
    page = served.ask("GET", f"/run/{run.id}", cookie=cookie).body.decode()
    assert f'href="/run/{run.blank}"' in page
    ((name, recorded),) = run.raw_sha256.items()
    assert recorded in page
    assert "as recorded</td>" in page
    answer = served.ask("GET", f"/download/run/{run.id}/raw/{name}", cookie=cookie)
    assert sha256(answer.body).hexdigest() == recorded
    assert answer.headers["content-disposition"] == f'attachment; filename="{run.id}-{name}"'
    assert answer.headers["content-security-policy"].startswith("sandbox")
    samples = served.ask("GET", f"/download/run/{run.id}/samples.csv.gz", cookie=cookie)
    assert samples.body == (run.folder / "samples.csv.gz").read_bytes()


def test_a_changed_raw_file_is_said(served, cookie):
    run = Shelf(served.shelf).open(served.pads[1])
    path = run.folder / "raw" / next(iter(run.raw_sha256))
    whole = path.read_bytes()
    path.write_bytes(whole + b"x")
    try:
        assert "NOT what was recorded" in served.ask("GET", f"/run/{run.id}", cookie=cookie).body.decode()
    finally:
        path.write_bytes(whole)


def test_a_calibration_is_shown_and_what_is_missing_is_said(served, cookie, tmp_path):
    table = tmp_path / "force.csv"
    rows = "\n".join(f"{f},{100 * f + 0.01 * k}" for k in range(3) for f in (0, 5, 10))
    table.write_text(f"F,r\n{rows}\n", encoding="utf-8")
    done = CliRunner().invoke(
        cli,
        [
            "calibrate",
            "force",
            str(table),
            "--column",
            "reference=F:N",
            "--column",
            "reading=r",
            "--out",
            str(served.shelf),
            "--json",
        ],
    )
    assert done.exit_code == 0, done.output
    name = json.loads(done.stdout)["id"]
    page = served.ask("GET", f"/calibration/{name}", cookie=cookie).body.decode()
    assert "Calibration of force" in page
    assert "Good until" in page
    run, missing = served.pads[2], "cal-20200101T000000Z-aaaaaa"
    kept = served.shelf / "runs" / run / "datapackage.json"
    before = kept.read_text("utf-8")
    told = json.loads(before)
    told["padlab"]["calibrations"] = [name, missing]
    kept.write_text(json.dumps(told), encoding="utf-8")
    try:
        page = served.ask("GET", f"/run/{run}", cookie=cookie).body.decode()
    finally:
        kept.write_text(before, encoding="utf-8")
    assert f'<a href="/calibration/{name}">' in page
    assert "had expired by then" not in page.partition(missing)[0]
    assert f"no calibration {missing}" in page


def test_a_filter_by_kind(served, cookie):
    def shown(query):
        page = served.ask("GET", f"/shelf?{query}", cookie=cookie).body.decode()
        return sorted(set(re.findall(r'href="/run/([^"]+)"', page)))

    for kind in ("wear", "touch", "gauge", "blank", "pad"):
        assert shown(f"kind={kind}") == served.of_kind(kind)
    assert shown("kind=nothing") == []


def test_an_interrupted_run_says_what_to_do(served, cookie):
    run = served.pads[0]
    assert "interrupted” ended early" not in served.ask("GET", "/shelf", cookie=cookie).body.decode()
    kept = served.shelf / "runs" / run / "datapackage.json"
    before = kept.read_text("utf-8")
    told = json.loads(before)
    told["padlab"]["state"] = "recording"  # nobody holds its lock
    kept.write_text(json.dumps(told), encoding="utf-8")
    try:
        assert "interrupted” ended early" in served.ask("GET", "/shelf", cookie=cookie).body.decode()
        page = served.ask("GET", f"/run/{run}", cookie=cookie).body.decode()
    finally:
        kept.write_text(before, encoding="utf-8")
    assert "It ended early" in page
    assert "do it again" in page


def test_what_was_made_is_found_again(served, cookie):
    told, files = made(served, cookie, what="touch", runs=served.of_kind("touch"))
    for page in ("/shelf", "/touch"):
        assert f'href="/made/{told["id"]}"' in served.ask("GET", page, cookie=cookie).body.decode()
    assert told["id"] not in served.ask("GET", "/life", cookie=cookie).body.decode()
    shown = served.ask("GET", f"/report/{told['id']}/touch.html", cookie=cookie)
    assert shown.body == files["touch.html"]
    assert "content-disposition" not in shown.headers
    for name in ("..", "labels.html", "%2e%2e", "touch.html%00"):
        assert served.ask("GET", f"/report/{told['id']}/{name}", cookie=cookie).status == 404


def test_instruments_by_the_day_on_which_they_are_due(served, cookie):
    done = CliRunner().invoke(cli, ["due", str(served.shelf / "instruments"), "--json"])
    page = served.ask("GET", "/life", cookie=cookie).body.decode()
    rows = json.loads(done.stdout)["instruments"]
    assert rows
    for row in rows:
        assert f'<td class="nb">{row["valve"]} {row["stop"]}</td>' in page
        if row["due_on"] is not None:
            assert row["due_on"]["value"] in page


def test_what_was_fitted_is_kept_as_the_command_line_keeps_it(served, cookie, tmp_path):
    told, _ = made(served, cookie, what="choose", source="kept", kept="band-cornet-3.toml", touch="light")
    page = served.ask("GET", f"/fitted/{told['id']}", cookie=cookie).body.decode()
    assert re.search(r"a right pad reads [+-][\d.]+ thou, [+-][\d.]+ to [+-][\d.]+ \(95 %\), at 4 N", page)
    stops = re.findall(r"<legend>Valve (.), (down|up) stop</legend>", page)
    assert ("1", "down") in stops
    where = [f"stop.{n}" for n in range(len(stops))]
    sent = {"of": told["id"], "on": "2026-11-29", "note": "a note", "seated": False}
    sent |= {f"{name}.fitted": place != ("1", "up") for name, place in zip(where, stops, strict=True)}
    sent |= {"stop.0.check": "-2thou", "stop.0.cut": "60thou", "stop.0.lot": "2026-05"}
    status, answer = post(served, cookie, "/api/fitted", **sent)
    assert status == 200, answer
    assert answer["file"] == "instruments/band-cornet-3.fitted-2026-11-29.json"
    elsewhere = tmp_path / "band-cornet-3.toml"
    shutil.copy(served.shelf / "instruments" / "band-cornet-3.toml", elsewhere)
    by_command(
        "fitted",
        elsewhere,
        served.shelf,
        "--on",
        "2026-11-29",
        "--note",
        "a note",
        "--not-seated",
        "--touch",
        "light",
        "--skip",
        "1.up",
        "--check",
        "1.down=-2thou",
        "--cut",
        "1.down=60thou",
        "--lot",
        "1.down=2026-05",
    )
    by_hand = tmp_path / "band-cornet-3.fitted-2026-11-29.json"
    assert (served.shelf / answer["file"]).read_bytes() == by_hand.read_bytes()
    assert len(answer["stops"]) == len(stops) - 1
    # Kept again it is another file; nothing is written over.
    status, again = post(served, cookie, "/api/fitted", **sent)
    assert again["file"] == "instruments/band-cornet-3.fitted-2026-11-29-2.json"
    (served.shelf / again["file"]).unlink()
    (served.shelf / answer["file"]).unlink()


def test_an_instrument_from_elsewhere_is_kept_with_what_was_fitted(served, cookie):
    told, files = made(served, cookie, what="choose", source="form", fields=TYPED, touch="light")
    sent = {"of": told["id"], "on": "2026-11-30", "seated": True, "stop.0.fitted": True}
    status, answer = post(served, cookie, "/api/fitted", **sent)
    assert (status, answer["file"]) == (200, "instruments/the-new-cornet-b.fitted-2026-11-30.json")
    kept = served.shelf / "instruments" / "the-new-cornet-b.toml"
    assert kept.read_bytes() == files["instrument.toml"]
    assert kept.name in served.ask("GET", "/choose", cookie=cookie).body.decode()
    kept.unlink()
    (served.shelf / answer["file"]).unlink()


def test_what_cannot_have_been_fitted(served, cookie):
    told, _ = made(served, cookie, what="choose", source="kept", kept="band-cornet-3.toml", touch="light")
    before = shared.standing(served.shelf)
    for wrong, key in (
        ({"stop.0.cut": "61"}, "stop.0.cut"),
        ({"on": "tomorrow"}, "on"),
        ({"on": "9999-12-31"}, "on"),
        ({"on": "0202-11-29"}, "on"),
        ({"on": "2026-W48-7"}, "on"),
        ({"stop.0.check": "9mm"}, "stop.0.check"),
        ({"note": 7}, "note"),
    ):
        sent = {"of": told["id"], "stop.0.fitted": True, **wrong}
        status, answer = post(served, cookie, "/api/fitted", **sent)
        assert status == 400
        assert answer["error"]["where"]["mistakes"][0].startswith(f"{key}: ")
    for wrong in (
        {},
        {"stop.0.fitted": "yes"},
        {"stop.0.fitted": True, "stop.0.stock": "<b>"},
        {"of": "../x", "stop.0.fitted": True},
        {"of": None},
        {"of": 7},
    ):
        status, answer = post(served, cookie, "/api/fitted", **{"of": told["id"], **wrong})
        assert status == 400, wrong
        assert answer["error"]["message"]
    other, _ = made(served, cookie, what="touch", runs=served.of_kind("touch"))
    assert post(served, cookie, "/api/fitted", of=other["id"])[0] == 400
    assert served.ask("GET", f"/fitted/{other['id']}", cookie=cookie).status == 404
    assert served.ask("GET", "/fitted/..", cookie=cookie).status == 404
    assert shared.standing(served.shelf) == before
