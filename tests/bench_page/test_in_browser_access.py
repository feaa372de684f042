"""No page keeps anybody out: axe-core (the open rules of WCAG 2.2 A and AA, and good practice) on each.

axe-core is installed beside the tests (`.ci/run` says which version); where it or a browser is not there
these are left out and say so.
"""

from __future__ import annotations

import importlib.util
import json
from pathlib import Path

import pytest


def _beside(name):
    place = Path(__file__).with_name(f"{name}.py")
    spec = importlib.util.spec_from_file_location(f"bench_page_{name}", place)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


browser, shared = _beside("browser"), _beside("conftest")
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
    """A browser that was let in, on a shelf with runs and one piece of work that is done."""
    shelf = tmp_path_factory.mktemp("access") / "shelf"
    runs = sorted(shared.some_runs(shelf, 2))
    rig = browser.VirtualRig("--hand", "still")
    served = serve_bench("--rig", "bench", "--url", rig.urls[0], shelf=shelf)
    with browser.chromium() as chromium:
        page = chromium.new_page()
        page.set_default_timeout(60_000)
        page.goto(served.link)
        page.locator("body[data-phase=listening]").wait_for()
        cookie = "; ".join(f"{c['name']}={c['value']}" for c in page.context.cookies())
        told = served.ask(
            "POST",
            "/api/work",
            json.dumps({"what": "fit", "runs": runs[:1]}),
            cookie=cookie,
            origin=served.origin,
        )
        work = json.loads(told.body)["id"]
        shared.wait_until(
            lambda: json.loads(served.ask("GET", f"/api/work/{work}", cookie=cookie).body)["state"] == "done",
            100,
        )
        page.served, page.names = (
            served,
            {
                "/run/{name}": runs[0],
                "/work/{name}": work,
                "/report/{name}": work,
                "/report/{name}/{file}": work,
            },
        )
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
    where = page.served.origin + address.replace("{name}", page.names.get(address, "")).replace(
        "{file}", "run.html"
    )
    if address.startswith("/report/"):  # no script runs there, not even axe-core: the same bytes elsewhere
        page.goto("about:blank")
        page.set_content(page.request.get(where).text())
    else:
        page.goto(where)
    if address == "/":
        page.locator("body[data-phase=listening]").wait_for()
    for element in page.locator("details").all():
        element.evaluate("one => { one.open = true; }")
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 900})
        for scheme in ("light", "dark"):
            page.emulate_media(color_scheme=scheme)
            assert faults(page) == [], (address, width, scheme)


def test_a_fault_is_found(page):
    """Where there is one: a picture without words, a field without a name."""
    page.goto(page.served.origin + "/nothing")
    page.evaluate("document.body.insertAdjacentHTML('beforeend', '<img src=\"data:,\"><input>')")
    assert {"image-alt", "label"} <= {name for name, *_ in faults(page)}
