"""A newcomer's path: open, zero, press a pad, see its fit, compare it, choose pads, keep the cut list.

Set PADLAB_SHOTS to a folder to keep pictures of every page at three widths.
"""

from __future__ import annotations

import os
import shutil

import page_browser as browser
import page_served as shared
import pytest
from click.testing import CliRunner

from padlab.cli.main import cli

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(browser.WHY_NOT is not None, reason=str(browser.WHY_NOT)),
]
PAD = {
    "material": "grey wool felt",
    "lot": "2026-11",
    "outer_diameter": "19mm",
    "inner_diameter": "8mm",
    "thickness": "63thou",
}
WIDTHS = (360, 1000, 1920)
INSTRUMENT = "band-cornet-3.toml"


def two_of_each_stock(shelf):
    """A shelf as a workshop has it: two runs of each invented stock, an instrument, the shop's file."""
    from padlab.records.index import list_runs
    from padlab.records.shelf import Shelf, open_run

    taken = {}
    for row in list_runs(Shelf(shared.SAMPLES))[0]:
        if row["procedure"] == "standard" and row["state"] == "complete" and not row["set_aside"]:
            taken.setdefault(row["material"], []).append(row["run"])
    names = {name for runs in taken.values() for name in runs[:2]}
    blanks = {open_run(shared.SAMPLES / "runs" / name).blank for name in names} - {None}
    for name in names | blanks:
        shutil.copytree(shared.SAMPLES / "runs" / name, shelf / "runs" / name)
    shutil.copytree(shared.SAMPLES / "instruments", shelf / "instruments")
    shutil.copy(shared.SAMPLES / "shop.toml", shelf / "shop.toml")
    return taken


def seen(page, name):
    """Nothing is wider than the screen, at any width; a picture of it for who wants to look."""
    page.wait_for_load_state("load")
    before = page.viewport_size
    folder = os.environ.get("PADLAB_SHOTS")
    for width in WIDTHS:
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width, (name, width)
        if folder:
            page.screenshot(path=f"{folder}/{name}-{width}.png")
    page.set_viewport_size(before)


def made(page):
    """What was asked for is there; gives the page in the frame."""
    page.locator("#made:visible, #fault:visible").first.wait_for()
    assert page.locator("#fault").is_hidden(), page.locator("#fault").inner_text()
    return page.frame_locator("#made")


def test_a_newcomer_s_path(serve_bench, tmp_path):
    shelf = tmp_path / "shelf"
    stocks = two_of_each_stock(shelf)
    rig = browser.VirtualRig("--rig", "bench", "--speed", "100", "--pad-kind", "pad")
    served = serve_bench("--rig", "bench", "--url", rig.urls[0], shelf=shelf)
    with browser.chromium() as chromium:
        page = chromium.new_page(viewport={"width": 1000, "height": 800}, accept_downloads=True)
        page.set_default_timeout(90_000)
        faults = []
        page.on("pageerror", lambda fault: faults.append(str(fault)))
        page.on("console", lambda told: told.type == "error" and faults.append(told.text))

        page.goto(served.link)
        page.locator("body[data-phase=listening]").wait_for()
        seen(page, "1-open")
        page.keyboard.press("F8")
        page.locator("#force-net").wait_for()

        page.fill("[name='pad.id']", "N1")
        page.click("#pad summary")  # the last pad's stock stands there
        for key, text in PAD.items():
            page.fill(f"[name='pad.{key}']", text)
        page.select_option("[name='pad.material_class']", "felt")
        page.check("[name=cautions]")
        page.click("#go")
        page.locator("body[data-phase=recording]").wait_for()
        page.locator("#said .good").first.wait_for()
        seen(page, "2-recording")
        page.locator("#result h2.good").wait_for()
        seen(page, "3-complete")

        page.click("#result a")
        report = made(page)
        report.locator("th", has_text="Give from").first.wait_for()
        seen(page, "4-fit")

        page.click("nav >> text=On file")
        seen(page, "5-on-file")
        page.check("#all")
        page.click("text=Compare the chosen runs")
        ranking = made(page).locator("table").first
        ranking.wait_for()
        for stock in [*stocks, PAD["material"]]:
            assert stock in ranking.inner_text()
        seen(page, "6-compared")

        page.click("nav >> text=Choose pads")
        assert page.input_value("[name=kept]") == INSTRUMENT
        seen(page, "7-choose")
        page.click("button >> text=Choose pads")
        made(page).locator("table").first.wait_for()
        seen(page, "8-chosen")
        with page.expect_download() as kept:
            page.click("#files a >> text=Keep: The cut list")
        kept.value.save_as(tmp_path / "kept.html")
        assert faults == []
    rig.end()
    # It is what the command line makes of the same shelf, to the byte but for the day it was made on.
    done = CliRunner().invoke(
        cli,
        ["choose", str(shelf / "instruments" / INSTRUMENT), str(shelf), "--out", str(tmp_path / "cli.html")],
    )
    assert done.exit_code == 0, done.output
    assert lines_but_the_day(tmp_path / "kept.html") == lines_but_the_day(tmp_path / "cli.html")


def lines_but_the_day(path):
    return [line for line in path.read_text("utf-8").splitlines() if "made on" not in line.lower()]
