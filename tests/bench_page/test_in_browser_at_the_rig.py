"""The page at the rig, in a real browser, with the virtual rig behind a real port."""

from __future__ import annotations

import json
import os
import re
import signal
from contextlib import ExitStack, suppress

import page_browser as browser
import page_served as shared
import pytest

pytestmark = [pytest.mark.browser,
              pytest.mark.skipif(browser.WHY_NOT is not None, reason=str(browser.WHY_NOT))]
PAD = {"id": "A3", "material": "grey wool felt", "material_class": "felt", "lot": "2026-07",
       "outer_diameter": "19mm", "inner_diameter": "8mm", "thickness": "63thou"}
LIMIT_MS = 60_000


@pytest.fixture(scope="module")
def chromium():
    with browser.chromium() as one:
        yield one


@pytest.fixture
def at_bench(chromium, serve_bench, tmp_path, virtual_rig):
    """A page that looks on at a virtual rig; gives the page, the served bench and the rig."""
    contexts = []

    def begin(*options, rig_name="bench"):
        rig = virtual_rig("--rig", rig_name, *options)
        urls = [part for url in rig.urls for part in ("--url", url)]
        served = serve_bench("--rig", rig_name, *urls, shelf=tmp_path / "shelf")
        contexts.append(chromium.new_context())
        page = contexts[-1].new_page()
        page.set_default_timeout(LIMIT_MS)
        page.faults = []
        page.on("pageerror", lambda fault: page.faults.append(str(fault)))
        page.on("console", lambda told: told.type == "error" and page.faults.append(told.text))
        page.goto(served.link)
        return page, served, rig

    yield begin
    for one in contexts:
        one.close()


def start_run(page, procedure="standard", pad=None, *, may_move=False):
    page.locator("body[data-phase=listening]").wait_for()
    page.select_option("[name=procedure]", procedure)
    for key, text in (pad or {}).items():
        if key == "material_class":
            page.select_option("[name='pad.material_class']", text)
        else:
            page.fill(f"[name='pad.{key}']", text)
    page.check("[name=cautions]")
    if may_move:
        page.check("[name=move]")
    page.click("#go")
    page.locator("body[data-phase=recording]").wait_for()


def kept(served):
    runs = sorted((served.shelf / "runs").iterdir())
    return [json.loads((run / "datapackage.json").read_text("utf-8"))["padlab"] for run in runs]


def text_of(page, name):
    return page.locator(f"#{name}").inner_text()


def test_a_pad_is_entered_a_run_is_made_and_its_fit_is_seen(at_bench):
    """With a lot whose name would be a script, if any page took it for one."""
    hostile = "<img src=x onerror=alert(1)>"
    page, served, _ = at_bench("--speed", "100", "--pad-kind", "pad")
    page.locator("body[data-phase=listening]").wait_for()
    # What is wrong is said at the field, all at once, and nothing is begun.
    page.fill("[name='pad.id']", "A3")
    page.fill("[name='pad.outer_diameter']", "19")
    page.click("#go")
    page.locator("#mistakes li").nth(2).wait_for()
    told = page.locator("#mistakes li").all_inner_texts()
    assert told[:4] == ["Stock: missing", "Class: missing", "Lot: missing",
                        "Outer diameter: '19' has no unit, write it as 19thou or 19mm"], told
    assert "read them first" in told[-1]
    assert page.locator(".at-field").count() == page.locator("[aria-invalid]").count() == len(told)
    assert page.locator("label", has_text="Outer diameter").locator(".at-field").inner_text() == \
        told[3].partition(": ")[2]
    assert page.evaluate("document.activeElement.name") == "pad.material"
    assert not (served.shelf / "runs").exists()
    start_run(page, pad={**PAD, "lot": hostile})
    assert page.locator("#ask").is_hidden()
    page.locator("#steps .now").wait_for()
    page.locator("#said .good").first.wait_for()
    page.locator("#result h2.good").wait_for()
    assert re.search(r"\d+ lines/s", text_of(page, "rate"))
    (run,) = kept(served)
    assert run["state"] == "complete"
    assert run["pad"]["thickness_mm"] == pytest.approx(63 * 0.0254)
    assert page.input_value("[name='pad.id']") == ""              # the next pad is another one, and says so
    assert page.locator("#mistakes li, .at-field, [aria-invalid]").count() == 0
    assert page.faults[:-1] == []            # the answer 400 is told to the console, nothing else
    # A browser that comes later sees the same end, and the pad is there to be used again.
    page.reload()
    page.locator("#result h2.good").wait_for()
    assert page.input_value("[name='pad.material']") == "grey wool felt"
    assert page.input_value("[name='pad.material_class']") == "felt"
    assert page.input_value("[name='pad.lot']") == hostile
    assert page.input_value("[name='pad.id']") == ""
    page.locator("#pad").evaluate("one => { one.open = true; }")
    page.fill("[name='pad.material']", "sheet cork")              # of another class, perhaps: asked for again
    page.locator("[name='pad.lot']").focus()
    assert page.input_value("[name='pad.material_class']") == ""
    page.on("dialog", lambda dialog: page.faults.append(f"a script ran: {dialog.message}"))
    page.click("#result a")
    page.locator("#made:visible, #fault:visible").wait_for()
    report = page.frame_locator("#made")
    report.locator("th", has_text="Give from").first.wait_for()
    assert hostile in report.locator("h1").inner_text()
    assert hostile in page.locator("h1").inner_text()
    assert page.faults[1:] == []


def test_reload_two_tabs_and_escape(at_bench):
    """A tab that goes takes nothing with it; every tab sees the same; one run at a time; Escape ends it."""
    page, served, _ = at_bench("--speed", "20", "--pad-kind", "blank", "--hand", "still")
    start_run(page, "blank")
    page.locator("#said .good").first.wait_for()
    first = kept(served)[0]
    page.reload()
    page.locator("#steps .now").wait_for()
    assert page.locator("#said .good").count() >= 1
    second = page.context.new_page()
    second.set_default_timeout(LIMIT_MS)
    second.goto(served.origin + "/")
    second.locator("body[data-phase=recording]").wait_for()
    assert second.locator("#ask").is_hidden()
    cookie = "; ".join(f"{c['name']}={c['value']}" for c in page.context.cookies())
    again = served.ask("POST", "/api/start", json.dumps({"procedure": "blank", "cautions": True}),
                       cookie=cookie, origin=served.origin)
    assert again.status == 409
    assert b"one run at a time" in again.body
    page.close()
    second.keyboard.press("Escape")
    second.locator("#result h2.poor").wait_for()
    (run,) = kept(served)
    assert run["state"] == "interrupted"
    assert run["start"] == first["start"]
    assert "stopped by hand" in second.locator("#result").inner_text()


def test_the_end_of_the_page_ends_a_run_and_keeps_it(at_bench):
    """SIGTERM with a tab open and a run going on: it ends by itself, soon, and the run is on the shelf."""
    page, served, _ = at_bench("--speed", "20", "--pad-kind", "blank", "--hand", "still")
    start_run(page, "blank")
    page.locator("#said .good").first.wait_for()
    assert served.end() == 0
    (run,) = kept(served)
    assert run["state"] == "interrupted"
    page.locator("#offline").wait_for()


def test_a_rig_that_is_unplugged_and_comes_back(at_bench):
    page, served, rig = at_bench("--speed", "20", "--pad-kind", "blank", "--hand", "still")
    page.locator("body[data-phase=listening]").wait_for()
    start_run(page, "blank")
    page.locator("#said .good").first.wait_for()                       # the zero was taken
    rig.end()
    page.locator("#judged.poor", has_text="plug it in again").wait_for()
    rig.start()
    page.locator("#judged.good", has_text="is back").wait_for()
    page.keyboard.press("Escape")
    page.locator("#result h2.poor").wait_for()
    assert [g["reason"] for g in kept(served)[0]["gaps"]]
    # The same without a run: a state, with what to do, and it goes away by itself.
    page.locator("body[data-phase=listening]").wait_for()
    rig.end()
    page.locator("body[data-phase=lost]").wait_for()
    assert "cable" in text_of(page, "trouble")
    rig.start()
    page.locator("body[data-phase=listening]").wait_for()
    assert page.locator("#trouble").is_hidden()


def test_a_motor_stops_when_no_page_says_that_somebody_is_there(at_bench):
    page, served, _ = at_bench("--pad-kind", "spring", "--speed", "2", rig_name="motor-press")
    page.locator("body[data-phase=listening]").wait_for()
    assert "WILL MOVE BY ITSELF" in page.locator(".motor").inner_text()
    page.select_option("[name=procedure]", "check")
    page.check("[name=cautions]")
    page.click("#go")
    page.locator("#mistakes", has_text="not let to move").wait_for()      # a start without that word is none
    assert not (served.shelf / "runs").exists()
    start_run(page, "check", may_move=True)
    page.locator("#said .good", has_text="zero taken").wait_for()
    assert page.locator("#again").is_hidden()                             # a motor is not told to do it again
    page.keyboard.press("Backspace")
    page.locator("#heard", has_text="a motor does nothing twice").wait_for()
    page.close()
    shared.wait_until(lambda: kept(served)[0]["state"] == "interrupted")
    assert any("stopped by hand" in m["message"] for m in kept(served)[0]["marks"])


def test_the_space_bar_says_that_a_weight_is_on(at_bench):
    page, served, _ = at_bench("--hand", "still", rig_name="dial-only")
    start_run(page, "dead-weight", pad=PAD)
    page.locator("#prompt", has_text="down on the pad").wait_for()
    assert page.locator("#again").is_hidden()
    page.keyboard.press("Backspace")
    page.locator("#heard", has_text="a weight is not taken back").wait_for()
    page.keyboard.press("Space")
    page.locator("#judged.good", has_text="is on: hands off").wait_for()
    assert page.locator("#target").inner_text().strip() == ""
    page.click("#stop")
    page.locator("#result h2.poor").wait_for()


def test_the_unit_is_remembered_and_nothing_is_wider_than_a_phone(at_bench):
    page, _, _ = at_bench("--hand", "still")
    page.locator("body[data-phase=listening]").wait_for()
    page.click("#units")
    page.reload()
    assert text_of(page, "place-unit") == "thou"
    for width in (360, 1000, 1920):
        page.set_viewport_size({"width": width, "height": 800})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        # On first use the cautions are open, and the button that starts is in sight all the same.
        assert page.locator("details.cautions").get_attribute("open") is not None
        box = page.locator("#go").bounding_box()
        assert 0 <= box["y"] <= 800 - box["height"], (width, box)
    page.emulate_media(reduced_motion="reduce", color_scheme="dark")
    assert page.evaluate("getComputedStyle(document.getElementById('needle')).transitionDuration") == "0s"
    # By keyboard alone: from the top to the button that starts, every stop of the focus is seen.
    page.locator("#other").evaluate("one => { one.open = true; }")
    page.keyboard.press("Tab")
    reached = set()
    for _ in range(60):
        reached.add(page.evaluate("document.activeElement.id || document.activeElement.name || ''"))
        page.keyboard.press("Tab")
    assert {"units", "rig", "procedure", "pad.id", "pad.thickness", "cautions", "go"} <= reached


def test_contrast_is_enough_in_light_and_dark(at_bench):
    """Every text against what it stands on: 4.5 to 1 at least (WCAG 2.2, 1.4.3)."""
    page, _, _ = at_bench("--hand", "still")
    page.locator("body[data-phase=listening]").wait_for()
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        worst = page.evaluate(CONTRAST)
        assert worst[0] >= 4.5, (scheme, worst)


def test_keys_of_a_foot_switch_and_of_zero(at_bench):
    """Each key is answered in words; a press is taken back and asked for once more; F8 shows from zero."""
    from playwright.sync_api import TimeoutError as TooLate

    page, served, _ = at_bench("--speed", "20", "--procedure", "warm-up")      # fifty strokes: there is time
    page.locator("body[data-phase=listening]").wait_for()
    page.locator("#place", has_text=re.compile(r"\d")).wait_for()
    page.keyboard.press("F8")
    page.locator("#place-net").wait_for()
    page.locator("#heard", has_text="a run takes its own").wait_for()
    page.keyboard.press("F8")
    page.locator("#place-net").wait_for(state="hidden")
    start_run(page, "warm-up", pad=PAD)
    page.locator("#said .good", has_text="1 of 50").wait_for()
    for key, name in (("PageDown", "PageDown"), ("Space", "Space"), ("F13", "F13")):
        page.evaluate("(key) => dispatchEvent(new KeyboardEvent('keydown', {key, cancelable: true}))",
                      " " if key == "Space" else key)
        page.locator("#heard", has_text=f"{name} was heard: nothing to press").wait_for()
    taken = page.locator("#said .poor", has_text="taken back")
    for _ in range(30):                       # while a hand presses, the answer is to let go first
        page.keyboard.press("Backspace")
        page.locator("#heard", has_text="Backspace was heard").wait_for()
        with suppress(TooLate):
            taken.first.wait_for(timeout=300)
            break
    assert taken.count()
    assert page.locator("#said li", has_text="once more").count()
    page.keyboard.press("Escape")
    page.locator("#result h2").wait_for()
    steps = kept_steps(served)
    assert any("taken back" in (one["reason"] or "") for one in steps)


def test_a_tab_too_many_says_so_and_comes_in_when_one_is_closed(chromium, serve_bench, tmp_path):
    from websockets.sync.client import connect

    served = serve_bench("--rig", "bench", shelf=tmp_path / "shelf")
    page = chromium.new_page()
    page.goto(served.link)
    page.locator("body[data-phase]").wait_for()
    cookie = "; ".join(f"{c['name']}={c['value']}" for c in page.context.cookies())
    page.goto("about:blank")
    with ExitStack() as others:
        for _ in range(8):
            others.enter_context(connect(f"ws://{served.host}/live", origin=served.origin,
                                         additional_headers={"Cookie": cookie}))
        page.goto(served.origin)
        page.locator("#offline", has_text="Too many tabs").wait_for()
    page.locator("body[data-phase]").wait_for()
    page.locator("#offline").wait_for(state="hidden")
    page.close()


def kept_steps(served):
    (run,) = (served.shelf / "runs").iterdir()
    return json.loads((run / "datapackage.json").read_text("utf-8"))["padlab"]["steps"]


def test_killed_while_it_records_the_run_is_there_and_can_be_repeated(at_bench, serve_bench, chromium):
    """After kill -9 of the server the next one says so, and offers the run or its repetition."""
    page, served, rig = at_bench("--speed", "20", "--hand", "still")
    start_run(page, "warm-up", pad={**PAD, "lot": "<b>7</b>"})
    page.locator("#said .good").first.wait_for()                       # the zero was taken
    os.kill(served.process.pid, signal.SIGKILL)
    page.locator("#offline", has_text="does not hear from padlab").wait_for()
    (run,) = (served.shelf / "runs").iterdir()
    assert kept(served)[0]["state"] == "recording"                     # nobody could say otherwise
    anew = serve_bench("--rig", "bench", "--url", rig.urls[0], "--port", str(served.port), shelf=served.shelf)
    page.locator("#offline", has_text="open the newest link").wait_for()   # the old tab is told where to go
    page.goto(anew.link)
    told = page.locator("#broken")
    told.wait_for()
    assert "warm-up, grey wool felt, lot <b>7</b>, pad A3" in told.inner_text()
    assert kept(served)[0]["state"] == "interrupted"
    assert page.locator("#keep-broken").get_attribute("href") == f"/run/{run.name}"
    page.click("#repeat-broken")
    page.locator("body[data-phase=listening]").wait_for()
    assert page.input_value("[name=procedure]") == "warm-up"
    assert page.input_value("[name='pad.id']") == "A3"
    assert page.input_value("[name='pad.lot']") == "<b>7</b>"
    page.check("[name=cautions]")
    page.click("#go")
    page.locator("body[data-phase=recording]").wait_for()
    assert page.locator("#broken").is_hidden()
    page.keyboard.press("Escape")
    page.locator("#result h2").wait_for()
    page.reload()
    page.locator("#result h2").wait_for()
    assert page.locator("#broken").count() == 0                        # ended by hand: nothing to be told


CONTRAST = """() => {
  const linear = (v) => (v <= .04045 ? v / 12.92 : ((v + .055) / 1.055) ** 2.4);
  const lum = (c) => { const p = c.map((v) => linear(v / 255));
    return .2126 * p[0] + .7152 * p[1] + .0722 * p[2]; };
  const read = (text) => text.match(/[\\d.]+/g).map(Number);
  const under = (e) => { for (; e; e = e.parentElement) { const c = read(getComputedStyle(e).backgroundColor);
    if (c.length < 4 || c[3] === 1) return c.slice(0, 3); } return [255, 255, 255]; };
  let worst = [99, ""];
  for (const e of document.querySelectorAll("body *")) {
    const says = [...e.childNodes].some((n) => n.nodeType === 3 && n.data.trim());
    if (!says || e.disabled || !e.checkVisibility()) continue;
    const a = lum(read(getComputedStyle(e).color)), b = lum(under(e));
    const ratio = (Math.max(a, b) + .05) / (Math.min(a, b) + .05);
    if (ratio < worst[0]) worst = [ratio, e.outerHTML.slice(0, 80)];
  }
  return worst;
}"""
