"""What is sent to the page at the rig without a browser: sockets, forms that nobody filled in, keys."""

from __future__ import annotations

import importlib.util
import json
import socket
from pathlib import Path

import pytest


def _beside(name):
    place = Path(__file__).with_name(f"{name}.py")
    spec = importlib.util.spec_from_file_location(f"bench_page_{name}", place)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


shared = _beside("conftest")
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
        for _ in range(200):
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
