"""A hand on the keyboard chooses pads and judges a lot; mistakes stand at their fields."""

from __future__ import annotations

import shutil
import tomllib
from pathlib import Path

import page_browser as browser
import page_served as shared
import pytest

from padlab.records.index import list_runs
from padlab.records.shelf import Shelf

AXE = Path(__file__).with_name("node_modules") / "axe-core" / "axe.min.js"
pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(browser.WHY_NOT is not None, reason=str(browser.WHY_NOT)),
]
STOP = {
    "port_error": "6thou",
    "read_at": "4N",
    "holding_force": "2.6N",
    "fitted": "ring",
    "fitted_thickness": "52thou",
    "outer_diameter": "19mm",
    "inner_diameter": "8mm",
}


@pytest.fixture(scope="module")
def page(serve_bench, tmp_path_factory):
    """A browser that was let in, on a shelf with something of every kind."""
    shelf = tmp_path_factory.mktemp("decided") / "shelf"
    rows = list_runs(Shelf(shared.SAMPLES))[0]
    polymer = {
        r["lot"]: r["run"]
        for r in rows
        if r["material"] == "dense green polymer" and r["procedure"] == "standard"
    }
    several = [
        *(r["run"] for r in rows if r["kind"] in ("touch", "blank")),
        *polymer.values(),
        *[r["run"] for r in rows if r["kind"] == "wear"][:8],
    ]
    for name in several:
        shutil.copytree(shared.SAMPLES / "runs" / name, shelf / "runs" / name)
    for folder in (shared.SAMPLES / "deliveries" / "runs").iterdir():
        shutil.copytree(folder, shelf / "runs" / folder.name)
    shutil.copytree(shared.SAMPLES / "instruments", shelf / "instruments")
    served = serve_bench(shelf=shelf)
    with browser.chromium() as chromium:
        page = chromium.new_page(viewport={"width": 360, "height": 800})
        page.set_default_timeout(60_000)
        page.served, page.wrong = served, []
        page.on("pageerror", lambda fault: page.wrong.append(str(fault)))
        page.goto(served.link)
        yield page
        assert page.wrong == []


def go(page, address):
    page.goto(page.served.origin + address)


def is_as_wide_as_its_window(page):
    return page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")


def faults(page):
    """What axe-core finds that is serious or critical, light and dark; nothing where it is not installed."""
    if not AXE.exists():
        return []
    page.evaluate("for (const one of document.querySelectorAll('details')) one.open = true")
    page.evaluate(AXE.read_text("utf-8"))
    found = []
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        told = page.evaluate("axe.run(document, {iframes: false, resultTypes: ['violations']})")
        found += [
            (scheme, one["id"], one["nodes"][0]["html"][:200])
            for one in told["violations"]
            if one["impact"] in ("serious", "critical")
        ]
    return found


def test_an_instrument_is_filled_in_and_its_pads_are_chosen(page, tmp_path):
    go(page, "/choose")
    assert page.locator("[name=kept]").is_visible()
    page.focus("[name=source][value=kept]")
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    assert page.locator("[name=label]").is_visible()
    page.fill("[name=label]", "<i>cornet</i>")
    for key, value in STOP.items():
        page.fill(f"[name='valve.1.down.{key}']", value)
    page.fill("[name='valve.1.down.port_error']", "6")
    page.press("[name='valve.1.down.port_error']", "Enter")
    page.locator("[aria-invalid]").first.wait_for()
    at = {"valve.1.down.port_error", "valve.1.down.parts_tight", "valve.1.down.stops_on_pad"}
    marked = page.locator("[aria-invalid]").all()
    assert {one.get_attribute("name") for one in marked} == at
    for one in marked:
        assert page.locator(f"#{one.get_attribute('aria-describedby')}").inner_text()
    assert page.evaluate("document.activeElement.name") == "valve.1.down.port_error"
    assert "Valve 1, down stop, Port error: '6' has no unit" in page.locator("#mistakes").inner_text()
    assert is_as_wide_as_its_window(page)
    page.fill("[name='valve.1.down.port_error']", "6thou")
    for key in ("parts_tight", "stops_on_pad"):
        page.check(f"[name='valve.1.down.{key}']")
    page.select_option("[name=touch]", "hard")
    with page.expect_download() as kept:
        page.click("#keep")
    table = tomllib.loads(Path(kept.value.path()).read_text("utf-8"))
    assert (table["label"], table["touch"]) == ("<i>cornet</i>", "hard")
    assert page.locator("[aria-invalid]").count() == 0
    page.click("button.go")
    page.locator("#told:visible").wait_for()
    assert page.locator("#told").inner_text().startswith("A pad for ")
    assert page.locator("#files li").all_inner_texts()[-1].endswith("(instrument.toml)")
    page.frame_locator("#made").locator("h1").first.wait_for()
    assert is_as_wide_as_its_window(page)
    # Whoever comes back to put one number right finds all the others; so does who comes by the menu.
    answer = page.url
    page.go_back()
    page.locator("[name='valve.1.down.port_error']:visible").wait_for()
    assert page.input_value("[name=label]") == "<i>cornet</i>"
    assert page.input_value("[name='valve.1.down.fitted_thickness']") == "52thou"
    assert page.is_checked("[name='valve.1.down.parts_tight']")
    assert page.input_value("[name=touch]") == "hard"
    go(page, "/choose")
    page.check("[name=source][value=form]")
    assert page.input_value("[name='valve.1.down.port_error']") == "6thou"
    assert page.input_value("[name=touch]") == "file"
    page.click("#empty")
    assert page.input_value("[name='valve.1.down.port_error']") == ""
    page.goto(answer)
    page.locator("#told:visible").wait_for()
    page.click("#files a >> nth=0")
    page.fill("[name='stop.0.cut']", "60")
    page.click("button.go")
    page.locator("[aria-invalid]").wait_for()
    assert "Valve 1, down stop, Cut to: '60' has no unit" in page.locator("#mistakes").inner_text()
    assert faults(page) == []
    page.fill("[name='stop.0.cut']", "60thou")
    page.fill("[name='stop.0.check']", "30thou")
    page.click("button.go")
    page.locator("#kept:visible").wait_for()
    assert "1 of the checks stands outside" in page.locator("#told").inner_text()
    assert "Do not thin it" in page.locator("#more li.poor").inner_text()
    kept = [p.name for p in sorted((page.served.shelf / "instruments").glob("i-cornet-i*"))]
    assert len(kept) == 2
    assert is_as_wide_as_its_window(page)


def test_a_lot_is_planned_and_judged(page):
    go(page, "/lots")
    assert page.locator("#judge").is_disabled()
    page.set_input_files("[name=file]", shared.SAMPLES / "instruments" / "band-cornet-3.toml")
    page.locator("#mistakes li").first.wait_for()
    assert page.locator("#judge").is_disabled()
    page.set_input_files("[name=file]", shared.SAMPLES / "deliveries" / "spec-thickness.toml")
    page.locator("#plan:visible").wait_for()
    assert page.locator("#mistakes li").count() == 0
    assert "cream wool felt: test" in page.locator("#plan-head").inner_text()
    page.select_option("[name=lot]", "2026-09")
    page.click("#judge")
    page.locator("#told:visible").wait_for()
    assert "cream wool felt, lot 2026-09: " in page.locator("#told").inner_text()
    assert is_as_wide_as_its_window(page)


def test_a_file_that_is_no_text_or_too_large_is_not_sent(page, tmp_path):
    go(page, "/lots")
    for name, data, words in (("big.toml", b"#" * 60_000, "too large"), ("odd.toml", b"\xff\xfe", "no text")):
        (tmp_path / name).write_bytes(data)
        page.set_input_files("[name=file]", tmp_path / name)
        page.locator("#mistakes li", has_text=words).wait_for()


def test_runs_are_chosen_and_work_is_cancelled(page):
    go(page, "/shelf?kind=wear")
    assert page.locator("#chosen").inner_text() == "0 of 0 chosen"
    go(page, "/life")
    assert page.locator("#chosen").inner_text() == "8 of 8 chosen"
    page.uncheck("#all")
    page.click("button.go")
    page.locator("#mistakes li").first.wait_for()
    page.check("#all")
    page.click("button.go")
    page.wait_for_url("**/made/*")
    page.locator("#cancel:visible, #made:visible").first.wait_for()
    if page.locator("#cancel").is_visible():
        page.click("#cancel")
        page.locator("#fault:visible, #made:visible").first.wait_for()


@pytest.mark.skipif(not AXE.exists(), reason="axe-core is not installed beside the tests")
@pytest.mark.parametrize("address", ["/choose", "/lots", "/life", "/touch", "/shelf"])
def test_nobody_is_kept_out_where_there_is_something_on_file(page, address):
    go(page, address)
    if address == "/choose":
        page.check("[name=source][value=form]")
        page.click("button.go")
        page.locator("[aria-invalid]").first.wait_for()
    assert faults(page) == []


def test_runs_that_were_chosen_are_chosen_still_when_somebody_comes_back(page):
    go(page, "/shelf?kind=pad")
    boxes = page.locator("[name=run]")
    boxes.nth(0).check()
    boxes.nth(1).check()
    page.fill("[name=limit]", "5thou")
    told = page.locator("#chosen").inner_text()
    page.click("nav >> text=Touch")
    page.wait_for_url("**/touch")
    page.go_back()
    page.wait_for_url("**/shelf**")
    assert [boxes.nth(n).is_checked() for n in range(3)] == [True, True, False]
    assert page.input_value("[name=limit]") == "5thou"
    assert page.locator("#chosen").inner_text() == told
    go(page, "/shelf?kind=pad")                                # asked for anew: as it always stands
    assert not boxes.nth(0).is_checked()
    assert page.input_value("[name=limit]") == "8thou"
