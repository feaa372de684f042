"""What is sent to the page at the rig without a browser: sockets, forms that nobody filled in, keys."""

from __future__ import annotations

import json
import socket
import time
from contextlib import contextmanager

import page_served as shared
import pytest

pytestmark = pytest.mark.real_time

PAD = {"id": "A3", "material": "grey wool felt", "lot": "2026-07", "outer_diameter": "19mm",
       "inner_diameter": "8mm", "thickness": "63thou"}


def handshake(served, cookie=None, origin=None, host=None):
    wire = socket.create_connection(("127.0.0.1", served.port), timeout=20)
    lines = [f"GET /live HTTP/1.1\r\nHost: {host or served.host}",
             "Upgrade: websocket\r\nConnection: Upgrade",
             "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13"]
    lines += [f"Origin: {origin}"] if origin else []
    lines += [f"Cookie: {cookie}"] if cookie else []
    wire.sendall("\r\n".join([*lines, "", ""]).encode())
    answer = b""
    while b"\r\n\r\n" not in answer and (more := wire.recv(4096)):
        answer += more
    return wire, answer[:40].decode("latin-1")


def test_sockets_are_let_in_by_cookie_and_origin_and_are_few(serve_bench, tmp_path):
    served = serve_bench(shelf=tmp_path / "shelf")
    cookie = served.come_in()
    for case in ({}, {"cookie": cookie}, {"origin": served.origin},
                 {"cookie": cookie, "origin": "http://evil.example"},
                 {"cookie": cookie, "origin": served.origin, "host": "evil.example"},
                 {"cookie": "padlab_1=x", "origin": served.origin}):
        wire, answer = handshake(served, **case)
        wire.close()
        assert " 403 " in answer, (case, answer)
    wires = []
    try:
        answers = []
        for _ in range(1000):
            wire, answer = handshake(served, cookie, served.origin)
            wires.append(wire)
            answers.append(" 101 " in answer)
        assert sum(answers) == 8
        assert all(answers[:8])
    finally:
        for wire in wires:
            wire.close()
    assert served.ask("GET", "/", cookie=cookie).status == 200
    # A message that is too long ends that socket, and no more.
    shared.wait_until(lambda: " 101 " in _tried(served, cookie))
    wire, _ = handshake(served, cookie, served.origin)
    with wire:
        wire.sendall(b"\x81\xff" + (1 << 30).to_bytes(8, "big") + b"\0\0\0\0" + b"x" * 1000)
        heard = b""
        while more := wire.recv(4096):
            heard += more
    assert (1009).to_bytes(2, "big") in heard
    assert served.ask("GET", "/", cookie=cookie).status == 200
    assert not (tmp_path / "shelf").exists()


def _tried(served, cookie):
    wire, answer = handshake(served, cookie, served.origin)
    wire.close()
    return answer


HOSTILE = ["endurance-machine", "<script>alert(1)</script>",
           "../../x", "\x00", "x" * 5000, 7, None, ["standard"], {"a": 1}]


@pytest.mark.parametrize("value", HOSTILE, ids=lambda v: repr(v)[:20])
def test_forms_that_nobody_filled_in_start_nothing(hostile_bench, value):
    served, cookie = hostile_bench
    whole = {"procedure": "standard", "pad": {**PAD, "material_class": "felt"}, "cautions": True}
    for form in ({**whole, "procedure": value}, {**whole, "pad": value}, {**whole, "cautions": value},
                 {**whole, "pad": {**whole["pad"], "outer_diameter": value}}, {"x": value},
                 {**whole, "latitude": value or 900}, value):
        answer = served.ask("POST", "/api/start", json.dumps(form), cookie=cookie, origin=served.origin)
        assert answer.status == 400, (form, answer)
        assert json.loads(answer.body)["error"]["message"]
    for path in ("/api/rig", "/api/work"):
        answer = served.ask("POST", path, json.dumps({"rig": value, "what": value, "runs": value}),
                            cookie=cookie, origin=served.origin)
        assert answer.status in (400, 404)
    assert not (served.shelf / "runs").exists()


@pytest.fixture(scope="module")
def hostile_bench(serve_bench, tmp_path_factory):
    served = serve_bench("--rig", "bench", shelf=tmp_path_factory.mktemp("hostile") / "shelf")
    return served, served.come_in()


class Tab:
    """Looks on as a tab does; gives what it has been told so far."""

    def __init__(self, served, cookie, wire):
        self.served, self.cookie, self.wire = served, cookie, wire
        self.state, self.figures, self.points = {}, {}, []

    def until(self, is_so, limit_s=30.0):
        deadline = time.monotonic() + limit_s
        while not is_so(self):
            message = json.loads(self.wire.recv(timeout=max(0.01, deadline - time.monotonic())))
            self.state = message.get("state", self.state)
            self.figures = message.get("figures", self.figures)
            self.points += message.get("points", [])
            self.wire.send("here")

    def ask(self, path, **form):
        answer = self.served.ask("POST", path, json.dumps(form), cookie=self.cookie,
                                 origin=self.served.origin)
        told = json.loads(answer.body)
        return answer.status, told.get("words", told.get("error", {}).get("message"))

    def said(self, tone):
        return [one["text"] for one in self.state.get("said", []) if one["tone"] == tone]


@contextmanager
def tab_at(served):
    from websockets.sync.client import connect

    cookie = served.come_in()
    with connect(f"ws://{served.host}/live", origin=served.origin,
                 additional_headers={"Cookie": cookie}) as wire:
        yield Tab(served, cookie, wire)


def test_zero_is_for_the_eye_only(serve_bench, virtual_rig, tmp_path):
    rig = virtual_rig("--hand", "still", "--speed", "4")
    served = serve_bench("--rig", "bench", "--url", rig.urls[0], shelf=tmp_path / "shelf")
    with tab_at(served) as tab:
        assert tab.ask("/api/zero", on=True) == (200, "nothing was read that could be the zero")
        tab.until(lambda t: t.state.get("phase") == "listening" and t.figures.get("displacement_mm"))
        as_read = tab.figures["displacement_mm"]
        assert abs(as_read) > 0.1
        assert tab.ask("/api/zero", on=True) == (200, "shown from zero; a run takes its own")
        tab.until(lambda t: t.state["zero"] and abs(t.figures["displacement_mm"]) < 0.01)
        assert tab.state["zero"]["displacement_mm"] == pytest.approx(as_read, abs=0.01)
        assert tab.ask("/api/zero", on=False) == (200, "shown as read")
        tab.until(lambda t: t.state["zero"] is None and abs(t.figures["displacement_mm"] - as_read) < 0.01)
        # A run begins with what is read, and takes its own zero.
        tab.ask("/api/zero", on=True)
        tab.until(lambda t: t.state["zero"])
        assert tab.ask("/api/start", procedure="blank", cautions=True)[0] == 200
        tab.until(lambda t: t.said("good"))
        assert tab.state["zero"] is None
        assert tab.figures["displacement_mm"] == pytest.approx(as_read, abs=0.05)
        assert tab.ask("/api/zero", on=True) == (409, "a run takes its own zero")
        tab.ask("/api/stop")
        tab.until(lambda t: t.state.get("result"))


def test_a_press_is_taken_back_and_a_foot_switch_is_answered(serve_bench, virtual_rig, tmp_path):
    rig = virtual_rig("--pad-kind", "blank", "--speed", "10")
    served = serve_bench("--rig", "bench", "--url", rig.urls[0], shelf=tmp_path / "shelf")
    with tab_at(served) as tab:
        assert tab.ask("/api/again") == (200, "no run is being made")
        assert tab.ask("/api/confirm") == (200, "no run is being made")
        tab.until(lambda t: t.state.get("phase") == "listening")
        tab.ask("/api/start", procedure="blank", cautions=True)
        tab.until(lambda t: any("recorded 1 of 5" in text for text in t.said("good")))
        assert tab.ask("/api/confirm") == (200, "nothing to press: the readings show when a step is done")
        assert tab.ask("/api/again") == (200, "the last press is to be taken back")
        tab.until(lambda t: any(("taken back" in one["text"] or "let go first" in one["text"])
                                for one in t.state["said"]))
        tab.until(lambda t: t.state.get("result"), 60.0)
        assert tab.state["result"]["state"] == "complete"
    (run,) = (served.shelf / "runs").iterdir()
    steps = json.loads((run / "datapackage.json").read_text("utf-8"))["padlab"]["steps"]
    taken = [one for one in steps if "taken back" in (one["reason"] or "")]
    assert sum(one["good"] for one in steps) == 5
    assert len(taken) == sum("taken back" in text for text in tab.said("poor"))


def test_only_the_touch_is_offered_on_a_cap_and_its_force_is_drawn_over_time(serve_bench, virtual_rig,
                                                                             tmp_path):
    rig = virtual_rig("--rig", "touch-cap", "--pad-kind", "player", "--speed", "30")
    served = serve_bench("--rig", "touch-cap", "--url", rig.urls[0], shelf=tmp_path / "shelf")
    with tab_at(served) as tab:
        page = served.ask("GET", "/", cookie=tab.cookie).body.decode()
        assert page.count("<option value=\"touch\"") == 1
        assert "<option value=\"standard\"" not in page
        tab.until(lambda t: t.state.get("phase") == "listening")
        status, why = tab.ask("/api/start", procedure="standard", cautions=True,
                              pad={**PAD, "material_class": "felt"})
        assert status == 400, why
        tab.ask("/api/start", procedure="touch", cautions=True, note="second cornet, the slow march")
        tab.until(lambda t: t.state.get("result"), 60.0)
        assert tab.state["result"]["state"] == "complete"
        assert tab.state["axes"] == ["time", "force"]
        assert tab.points[0::2] == sorted(tab.points[0::2])
        assert max(tab.points[1::2]) > 0.5
    (run,) = (served.shelf / "runs").iterdir()
    told = json.loads((run / "datapackage.json").read_text("utf-8"))["padlab"]
    assert (told["kind"], told["note"]) == ("touch", "second cornet, the slow march")


@pytest.mark.parametrize("value", [*HOSTILE, 1, 0, "true"], ids=lambda v: repr(v)[:20])
def test_zero_takes_yes_or_no(hostile_bench, value):
    served, cookie = hostile_bench
    for form in ({"on": value}, {}, value):
        answer = served.ask("POST", "/api/zero", json.dumps(form), cookie=cookie, origin=served.origin)
        if form is None:
            continue
        assert answer.status == 400, (form, answer)
    for path in ("/api/zero", "/api/again"):
        assert served.ask("POST", path, "{}", cookie=cookie).status == 403            # no Origin
        assert served.ask("GET", path, cookie=cookie).status in (404, 405)


@pytest.mark.parametrize("name", ["../../etc/passwd", "..", "%00", "<script>alert(1)</script>", "x" * 1500,
                                  "20260704T081530Z-k3v9qa", "runs/x", "%F0%9F%8E%BA", ""])
def test_a_run_to_be_repeated_is_looked_up_never_a_path(hostile_bench, name):
    served, cookie = hostile_bench
    answer = served.ask("GET", f"/?repeat={name}".replace("<", "%3C").replace(">", "%3E"), cookie=cookie)
    assert answer.status == 404, answer
    assert b"<script>alert" not in answer.body
    assert b"root:" not in answer.body


def test_the_rig_is_chosen_first(serve_bench, tmp_path):
    """Without a rig the first page holds the choice and what each is; no figures without a rig."""
    served = serve_bench(shelf=tmp_path / "shelf")
    cookie = served.come_in()
    page = served.ask("GET", "/", cookie=cookie).body.decode()
    assert "Which rig is on the bench?" in page
    assert "Touch cap: a load cell under the player" in page
    assert 'id="force"' not in page
    assert served.ask("POST", "/api/rig", json.dumps({"rig": "touch-cap"}), cookie=cookie,
                      origin=served.origin).status == 200
    page = served.ask("GET", "/", cookie=cookie).body.decode()
    assert 'id="force"' in page
    assert 'data-rig="touch-cap"' in page


@pytest.mark.parametrize("procedure", ["passage", "relaxation", "warm-up", "compression-set", "held-note"])
def test_each_procedure_of_a_pad_begins_and_its_first_press_counts(serve_bench, virtual_rig, tmp_path,
                                                                  procedure):
    rig = virtual_rig("--procedure", procedure, "--speed", "40")
    served = serve_bench("--rig", "bench", "--url", rig.urls[0], shelf=tmp_path / "shelf")
    with tab_at(served) as tab:
        tab.until(lambda t: t.state.get("phase") == "listening")
        assert tab.ask("/api/start", procedure=procedure, cautions=True,
                       pad={**PAD, "material_class": "felt"}) == (200, None)
        tab.until(lambda t: (run := t.state.get("run")) and (run["count"] or run["index"]))
        assert tab.said("good")[1:]                            # the zero, then the first press
        assert all(step["words"] for step in tab.state["run"]["steps"])
        tab.ask("/api/stop")
        tab.until(lambda t: t.state.get("result"))
        assert tab.state["result"]["state"] == "interrupted"
