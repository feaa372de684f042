"""What is on file, a run's page, a comparison: the pages are the command line's own, to the byte."""

from __future__ import annotations

import json
import re

import page_browser as browser
import page_served as shared
import pytest
from click.testing import CliRunner

from padlab.cli.main import cli

in_browser = pytest.mark.skipif(browser.WHY_NOT is not None, reason=str(browser.WHY_NOT))


@pytest.fixture(scope="module")
def served(serve_bench, tmp_path_factory):
    shelf = tmp_path_factory.mktemp("after") / "shelf"
    served = serve_bench(shelf=shelf)
    served.runs = sorted(shared.some_runs(shelf, 2))
    return served


@pytest.fixture(scope="module")
def runs(served):
    return served.runs


@pytest.fixture(scope="module")
def cookie(served):
    return served.come_in()


def begin(served, cookie, **what):
    return served.ask("POST", "/api/work", json.dumps(what), cookie=cookie, origin=served.origin)


def how_far(served, cookie, name):
    return json.loads(served.ask("GET", f"/api/made/{name}", cookie=cookie).body)


def by_command(*arguments):
    done = CliRunner().invoke(cli, arguments)
    assert done.exit_code == 0, done.output


@pytest.mark.parametrize("what", ["fit", "compare"])
def test_the_page_is_the_command_line_s_own(served, cookie, runs, tmp_path, what):
    asked = {"what": what, "runs": runs[:1] if what == "fit" else runs}
    work = json.loads(begin(served, cookie, **asked).body)
    shared.wait_until(lambda: how_far(served, cookie, work["id"])["state"] != "running", 100)
    told = how_far(served, cookie, work["id"])
    assert told["state"] == "done", told
    report = served.ask("GET", f"/report/{work['id']}", cookie=cookie)
    out, near = tmp_path / "page.html", str(served.shelf)
    by_command(*(["fit", str(served.shelf / "runs" / runs[0]), "--report", str(out)] if what == "fit"
                 else ["compare", near, "--out", str(out)]))
    assert report.body == out.read_bytes()
    policy = report.headers["content-security-policy"]
    assert "script-src" not in policy
    assert policy.startswith("sandbox; default-src 'none'")
    # Asked for again it is there already.
    assert json.loads(begin(served, cookie, **asked).body)["id"] == work["id"]


def test_work_is_cancelled(served, cookie, runs):
    work = json.loads(begin(served, cookie, what="fit", runs=runs).body)
    answer = served.ask("POST", "/api/cancel", json.dumps({"id": work["id"]}), cookie=cookie,
                        origin=served.origin)
    assert json.loads(answer.body)["state"] == "cancelled"
    assert how_far(served, cookie, work["id"])["state"] == "cancelled"
    assert served.ask("GET", f"/report/{work['id']}", cookie=cookie).status == 404


@pytest.mark.parametrize("what", [
    {"what": "fit", "runs": []}, {"what": "fit", "runs": ["../../x"]}, {"what": "fit", "runs": "all"},
    {"what": "fit", "runs": ["20260101T000000Z-aaaaaa"]}, {"what": "rm", "runs": ["x"]},
    {"what": "fit", "runs": [7]}, {"what": "fit", "runs": ["x"] * 5000}, {"what": "compare", "runs": None},
    {"what": ["fit"], "runs": [[]]}])
def test_work_that_nobody_can_ask_for(served, cookie, what):
    assert begin(served, cookie, **what).status == 400


@pytest.mark.parametrize("option", [{"limit": "8"}, {"limit": "-1mm"}, {"touch": "<b>"}, {"stop": "left"},
                                    {"holding": "1km"}, {"limit": 8}])
def test_a_comparison_by_no_quantity(served, cookie, runs, option):
    answer = begin(served, cookie, what="compare", runs=runs, **option)
    assert answer.status == 400
    assert json.loads(answer.body)["error"]["message"]


def test_a_filter_by_stock_lot_and_date(served, cookie, runs):
    from urllib.parse import quote

    def shown(query):
        page = served.ask("GET", f"/shelf?{query}", cookie=cookie).body.decode()
        return sorted(set(re.findall(r'href="/run/([^"]+)"', page)))

    kept = served.shelf / "runs" / runs[0] / "datapackage.json"
    told = json.loads(kept.read_text("utf-8"))["padlab"]["pad"]
    assert set(shown("")) > set(runs)
    assert runs[0] in shown(f"material={quote(told['material'])}&lot={quote(told['lot'])}")
    assert shown("material=nothing") == []
    assert set(shown("since=2000-01-01")) > set(runs)
    assert shown("since=2999-01-01") == []


@pytest.mark.browser
@in_browser
def test_stocks_are_compared_in_a_browser(served, runs):
    with browser.chromium() as chromium:
        page = chromium.new_page(viewport={"width": 360, "height": 800})
        page.set_default_timeout(100_000)
        wrong = []
        page.on("pageerror", lambda fault: wrong.append(str(fault)))
        page.goto(served.link)
        page.goto(served.origin + "/shelf")
        page.check("#all")
        page.click("#compare button")
        page.locator("#made:visible, #fault:visible").wait_for()
        page.frame_locator("#made").locator(".ranking").first.wait_for()
        assert page.evaluate("document.documentElement.scrollWidth") <= 360
        assert wrong == []
