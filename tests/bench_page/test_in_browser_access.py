"""No page keeps anybody out: axe-core (the open rules of WCAG 2.2 A and AA, and good practice) on each.

axe-core is installed beside the tests (`.ci/run` says which version); where it or a browser is not there
these are left out and say so.
"""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime
from pathlib import Path

import page_browser as browser
import page_served as shared
import pytest

from padlab.records.calibration import Calibration, new_calibration_id, write_calibration

AXE = Path(__file__).with_name("node_modules") / "axe-core" / "axe.min.js"
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(browser.WHY_NOT is not None, reason=str(browser.WHY_NOT)),
    pytest.mark.skipif(not AXE.exists(), reason="axe-core is not installed beside the tests"),
]
WIDTHS = (360, 1920)
NOT_PAGES = ("/api/", "/static/", "/live", "/download/", "/samples/")
"""Addresses that answer with something else than a page."""


@pytest.fixture(scope="module")
def page(serve_bench, tmp_path_factory):
    """A browser that was let in, on a shelf with something of every kind; ``at`` says where each page is."""
    shelf = tmp_path_factory.mktemp("access") / "shelf"
    runs = sorted(shared.some_runs(shelf, 2))
    shutil.copytree(shared.SAMPLES / "instruments", shelf / "instruments")
    made = datetime(2026, 1, 1, tzinfo=UTC)
    kept = Calibration(
        new_calibration_id(made), "repeatability", "2026-01-01T00:00:00Z", "2026-02-01T00:00:00Z", rig="bench"
    )
    write_calibration(shelf, kept)
    rig = browser.VirtualRig("--hand", "still")
    served = serve_bench("--rig", "bench", "--url", rig.urls[0], shelf=shelf)
    with browser.chromium() as chromium:
        page = chromium.new_page()
        page.set_default_timeout(60_000)
        page.goto(served.link)
        page.locator("body[data-phase=listening]").wait_for()
        cookie = "; ".join(f"{c['name']}={c['value']}" for c in page.context.cookies())

        def sent(path, body):
            told = served.ask("POST", path, body, cookie=cookie, origin=served.origin)
            return json.loads(told.body)["id"]

        def is_done(work):
            return json.loads(served.ask("GET", f"/api/made/{work}", cookie=cookie).body)["state"] == "done"

        fit = sent("/api/work", json.dumps({"what": "fit", "runs": runs[:1]}))
        shared.wait_until(lambda: is_done(fit), 100)
        asked = {"what": "choose", "source": "kept", "kept": "band-cornet-3.toml", "touch": "medium"}
        chosen = sent("/api/work", json.dumps(asked))
        shared.wait_until(lambda: is_done(chosen), 100)
        rows = b"".join(b"%d,%d,%d\n" % (k, k % 7, k % 5) for k in range(40))
        table = sent("/api/table?name=t.csv", b"t [s],F [N],x\n" + rows)
        shared.wait_until(
            lambda: b'id="table"' in served.ask("GET", f"/take-in/{table}", cookie=cookie).body, 100
        )
        page.served = served
        page.at = {
            "/run/{name}": f"/run/{runs[0]}",
            "/made/{name}": f"/made/{fit}",
            "/report/{name}": f"/report/{fit}",
            "/report/{name}/{file}": f"/report/{chosen}/labels.html",
            "/fitted/{name}": f"/fitted/{chosen}",
            "/take-in/{name}": f"/take-in/{table}",
            "/correct/{name}": f"/correct/{runs[0]}",
            "/calibration/{name}": f"/calibration/{kept.id}",
        }
        yield page
    rig.end()


def addresses():
    """Every page that the application has, and one that it has not."""
    from padlab.bench.app import make_app

    paths = [route.path for route in make_app(None, None).routes]
    return ["/nothing", *(p for p in paths if not p.startswith(NOT_PAGES))]


def faults(page):
    """What axe-core finds that is serious or critical; a report in a frame is looked at by itself."""
    page.evaluate(AXE.read_text("utf-8"))
    found = page.evaluate("axe.run(document, {iframes: false, resultTypes: ['violations']})")
    return [
        (one["id"], one["impact"], one["nodes"][0]["html"][:200])
        for one in found["violations"]
        if one["impact"] in ("serious", "critical")
    ]


@pytest.mark.parametrize("address", addresses())
def test_no_serious_fault_on_any_page(page, address):
    where = page.served.origin + (page.at[address] if "{" in address else address)
    if address.startswith("/report/"):  # no script runs there, not even axe-core: the same bytes elsewhere
        page.goto("about:blank")
        page.set_content(page.request.get(where).text())
    else:
        assert page.goto(where).status == (404 if address == "/nothing" else 200)
    if address == "/":
        page.locator("body[data-phase=listening]").wait_for()
    for element in page.locator("details").all():
        element.evaluate("one => { one.open = true; }")
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            assert faults(page) == [], (address, width, scheme)


def test_no_serious_fault_while_a_run_is_made_nor_after_it(page):
    page.goto(page.served.origin + "/")
    page.locator("body[data-phase=listening]").wait_for()
    page.select_option("[name=procedure]", "blank")
    page.check("[name=cautions]")
    page.click("#go")
    page.locator("#said .good").first.wait_for()
    page.keyboard.press("Space")
    page.locator("#heard", has_text="nothing to press").wait_for()
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        assert faults(page) == [], width
    page.keyboard.press("Escape")
    page.locator("#result h2").wait_for()
    assert faults(page) == []


def test_no_serious_fault_where_the_rig_is_chosen(page, serve_bench):
    page.goto(serve_bench().link)
    page.locator("[data-rig=bench]").wait_for()
    assert faults(page) == []


def test_a_fault_is_found(page):
    """Where there is one: a picture without words, a field without a name."""
    page.goto(page.served.origin + "/nothing")
    page.evaluate("document.body.insertAdjacentHTML('beforeend', '<img src=\"data:,\"><input>')")
    assert {"image-alt", "label"} <= {name for name, *_ in faults(page)}
