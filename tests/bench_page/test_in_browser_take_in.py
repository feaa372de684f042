"""A table is taken in at a browser: by keys alone, on a narrow screen, mistakes at their fields."""

from __future__ import annotations

import page_browser as browser
import page_served as shared
import page_tables as tables
import pytest

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(browser.WHY_NOT is not None, reason=str(browser.WHY_NOT)),
]


@pytest.fixture(scope="module")
def served(serve_bench, tmp_path_factory):
    shelf = tmp_path_factory.mktemp("page") / "shelf"
    shared.some_runs(shelf, 1)
    return serve_bench(shelf=shelf)


@pytest.fixture(scope="module")
def chromium():
    with browser.chromium() as chromium:
        yield chromium


def come_in(served, page):
    page.goto(served.link)
    served.link = served.links.get(timeout=10)
    page.goto(served.origin + "/take-in")


def tick_all(page):
    for box in page.locator(".column .right:visible input").all():
        box.focus()
        page.keyboard.press("Space")
        assert box.is_checked()


def test_a_table_is_taken_in_with_the_keys_alone(served, chromium, tmp_path):
    (tmp_path / "A3 Messung.csv").write_bytes(tables.presses())
    page = chromium.new_page(viewport={"width": 360, "height": 800})
    page.set_default_timeout(15_000)
    wrong = []
    page.on("pageerror", lambda fault: wrong.append(str(fault)))
    come_in(served, page)
    page.set_input_files("#file", tmp_path / "A3 Messung.csv")
    page.locator("#table").wait_for()
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    assert page.locator("[data-column='2'] .says").text_content() == "from 2.6 to 3: moves 0.4 mm (15.7 thou)"
    # Nothing was ticked, no pad is filled in: every mistake stands at its field, and the first has the focus.
    page.locator(".go").focus()
    page.keyboard.press("Enter")
    page.locator("#mistakes li").first.wait_for()
    assert page.locator("[aria-invalid]").count() == page.locator("#mistakes li").count() == 9
    assert page.evaluate("document.activeElement.name") == "c0.right"
    assert page.locator("label:has([name='pad.lot']) .at").text_content() == "missing"
    page.locator("#fill").focus()
    page.keyboard.press("ArrowDown")
    page.wait_for_function("document.querySelector(\"[name='pad.material']\").value !== ''")
    tick_all(page)
    page.locator(".go").focus()
    page.keyboard.press("Enter")
    page.locator(".read").wait_for()
    assert "5 presses" in page.locator(".read").text_content()
    assert page.evaluate("document.documentElement.scrollWidth") <= 360
    page.click("text=To the run")
    page.wait_for_url("**/run/*")
    assert wrong == []
    page.close()


def test_what_is_changed_must_be_looked_at_again(served, chromium, tmp_path):
    (tmp_path / "b.csv").write_bytes(tables.presses(900))
    page = chromium.new_page()
    page.set_default_timeout(15_000)
    come_in(served, page)
    page.set_input_files("#file", tmp_path / "b.csv")
    page.locator("#table").wait_for()
    tick_all(page)
    page.select_option("[name='c2.unit']", "thou")
    assert not page.is_checked("[name='c2.right']")
    page.select_option("[name='c1.quantity']", "temperature")
    assert page.locator("[name='c1.unit'] option").all_text_contents() == ["choose", "degC"]
    assert page.input_value("[name='c1.unit']") == ""
    assert page.locator("label:has([name='c1.way'])").is_hidden()
    # Another kind has other columns, and asks for no pad.
    page.select_option("[name=kind]", "gauge")
    assert page.input_value("[name='c2.quantity']") == ""
    assert page.locator("[name='pad.id']").is_hidden()
    assert page.locator("[name=foot]").is_visible()
    page.close()


def test_a_file_that_is_too_large_is_told_before_it_is_sent(served, chromium, tmp_path):
    with (tmp_path / "large.csv").open("wb") as file:
        file.truncate(33 << 20)
    page = chromium.new_page()
    page.set_default_timeout(15_000)
    come_in(served, page)
    page.set_input_files("#file", tmp_path / "large.csv")
    page.locator("#fault:visible").wait_for()
    assert "at most 32 MB" in page.locator("#fault").text_content()
    page.close()
