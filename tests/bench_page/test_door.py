"""Attacks on a page that really runs: refused, nothing written, and the page goes on."""

from __future__ import annotations

import http.client
import os
import re
import shutil
import socket
import subprocess
import sys
import threading
import tomllib
from pathlib import Path

import pytest
from page_served import some_runs, standing, wait_until

from padlab.bench.neighbours import NOBODY, whose_connection

BEYOND = ["../../etc/passwd", "..%2f..%2fetc%2fpasswd", "%2e%2e/%2e%2e/etc/passwd", "..\\..\\x", "%00",
          "/etc/passwd", "C:%5cWindows%5cwin.ini", "....//....//etc/passwd", "runs", "%2e%2e"]


@pytest.fixture(scope="module")
def served(serve_bench, tmp_path_factory):
    shelf = tmp_path_factory.mktemp("attacked") / "shelf"
    some_runs(shelf, 1)
    return serve_bench(shelf=shelf)


@pytest.fixture(scope="module")
def cookie(served):
    return served.come_in()


@pytest.fixture(autouse=True)
def nothing_is_written(served, cookie):
    """Whatever an attack sends: the shelf stands as it stood, and whoever belongs here is still served."""
    before = standing(served.shelf)
    yield
    assert standing(served.shelf) == before
    assert served.ask("GET", "/shelf", cookie=cookie).status == 200


def test_who_has_no_cookie_sees_nothing(served):
    for path in ("/", "/shelf", "/static/bench.css", "/nothing"):
        answer = served.ask("GET", path)
        assert answer.status == 403
        assert b"<" not in answer.body
        assert "default-src 'none'" in answer.headers["content-security-policy"]


@pytest.mark.parametrize("host", ["evil.example", "localhost", "127.0.0.1", "127.0.0.1:1", "",
                                  "127.0.0.1.evil.example", "evil.example@127.0.0.1"])
def test_a_foreign_host_is_refused(served, cookie, host):
    for method in ("GET", "POST"):
        answer = served.ask(method, "/shelf", cookie=cookie, host=host, origin=served.origin)
        assert answer.status in (400, 421)


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://{host}", "http://{host}.evil.example",
                                    "http://127.0.0.1", ""])
def test_a_foreign_origin_is_refused(served, cookie, origin):
    sent = origin.format(host=served.host)
    assert served.ask("POST", "/api/stop", b"", cookie=cookie, origin=sent).status == 403


def test_no_origin_is_refused_where_something_is_done(served, cookie):
    assert served.ask("POST", "/api/stop", b"", cookie=cookie).status == 403
    assert served.ask("DELETE", "/shelf", cookie=cookie, origin=served.origin).status == 405


def test_a_link_serves_once_and_the_next_is_another(served):
    used = served.link.removeprefix(served.origin)
    first = served.ask("GET", used)
    assert first.status == 303
    assert re.fullmatch(rf"padlab_{served.port}=[\w-]{{40,}}; HttpOnly; SameSite=Strict; Path=/; Max-Age=\d+",
                        first.headers["set-cookie"])
    assert first.headers["referrer-policy"] == "no-referrer"
    again = served.ask("GET", used)
    assert again.status == 403
    assert "set-cookie" not in again.headers
    served.link = served.links.get(timeout=10)
    assert served.link.removeprefix(served.origin) != used
    # Pressed twice in the browser that is in already: it stays in.
    mine = first.headers["set-cookie"].split(";")[0]
    assert served.ask("GET", used, cookie=mine).status == 303


@pytest.mark.parametrize("query", ["", "?token=", "?token=x", "?token=%00", "?token=a&token=b",
                                   "?token=%c3%a9%ff", "?" + "token=a&" * 50])
def test_a_made_up_token_is_refused(served, query):
    answer = served.ask("GET", "/open" + query)
    assert answer.status == 403
    assert "set-cookie" not in answer.headers


@pytest.mark.parametrize("cookie_sent", ["padlab_{port}=", "padlab_{port}=x", "padlab_1=x", "=;;=",
                                         "{real}; padlab_{port}=x", "x" * 4000])
def test_a_made_up_cookie_is_refused(served, cookie, cookie_sent):
    sent = cookie_sent.format(port=served.port, real=cookie)
    assert served.ask("GET", "/shelf", cookie=sent).status == 403


@pytest.mark.parametrize("beyond", BEYOND)
def test_a_name_never_becomes_a_path(served, cookie, beyond):
    for path in (f"/static/{beyond}", f"/run/{beyond}", f"/report/{beyond}", f"/made/{beyond}"):
        answer = served.ask("GET", path, cookie=cookie)
        assert answer.status in (400, 404), (path, answer)
        assert b"root:" not in answer.body


def test_a_gigabyte_is_refused_without_being_read(served, cookie):
    """Stated, it is refused at once; in chunks that state nothing, as soon as the cap is passed."""
    answer = served.ask("POST", "/api/stop", b"x", cookie=cookie, origin=served.origin,
                        content_length=str(1 << 30))
    assert answer.status == 413
    sent = 0
    with socket.create_connection(("127.0.0.1", served.port), timeout=20) as wire:
        wire.sendall((f"POST /api/stop HTTP/1.1\r\nHost: {served.host}\r\nOrigin: {served.origin}\r\n"
                      f"Cookie: {cookie}\r\nTransfer-Encoding: chunked\r\n\r\n").encode())
        piece = b"10000\r\n" + b"x" * 0x10000 + b"\r\n"
        try:
            while sent < 1 << 30:
                wire.sendall(piece)
                sent += 0x10000
        except OSError:
            pass
    assert sent < 64 << 20, "it was read"


def test_who_is_not_let_in_is_not_read_either(served):
    with socket.create_connection(("127.0.0.1", served.port), timeout=20) as wire:
        wire.sendall(f"POST /api/stop HTTP/1.1\r\nHost: {served.host}\r\n"
                     "Content-Length: 1000000\r\n\r\n".encode())
        assert wire.recv(100).startswith(b"HTTP/1.1 403")


def test_a_thousand_connections_that_ask_nothing(served, cookie):
    """Most are refused at once, the rest after some seconds: then there is room again."""
    wires = []
    try:
        for _ in range(1000):
            wires.append(socket.create_connection(("127.0.0.1", served.port), timeout=20))
        wait_until(lambda: _is_served(served, cookie))
    finally:
        for wire in wires:
            wire.close()


def _is_served(served, cookie):
    try:
        return served.ask("GET", "/shelf", cookie=cookie).status == 200
    except (OSError, http.client.HTTPException):
        return False


@pytest.mark.parametrize("bytes_sent", [b"\x00" * 5000, b"\x16\x03\x01\x02\x00",
                                        b"GET / HTTP/1.1\r\n" + b"a: b\r\n" * 9000,
                                        b"GET " + b"/x" * 40000 + b" HTTP/1.1\r\n\r\n"])
def test_what_is_no_request_is_refused(served, bytes_sent):
    with socket.create_connection(("127.0.0.1", served.port), timeout=20) as wire:
        try:
            wire.sendall(bytes_sent)
            wire.shutdown(socket.SHUT_WR)
            answer = wire.recv(100)
        except OSError:
            answer = b""
    assert answer == b"" or answer.startswith(b"HTTP/1.1 4")


@pytest.mark.parametrize("name", ["<script>alert(1)</script>", "\"><img src=x onerror=alert(1)>", "{{ 7*7 }}",
                                  "x\u202ey", "' onfocus='alert(1)"])
def test_script_in_a_filter_is_plain_text(served, cookie, name):
    from urllib.parse import quote

    for key in ("material", "lot", "since"):
        page = served.ask("GET", f"/shelf?{key}={quote(name)}", cookie=cookie).body.decode()
        assert name not in page or not set(name) & set("<>\"'\u202e")
        assert "49" not in re.findall(r'value="([^"]*)"', page)


def test_script_in_the_names_of_a_run_is_plain_text(serve_bench, tmp_path):
    import json

    (run,) = some_runs(tmp_path / "shelf", 1)
    kept = tmp_path / "shelf" / "runs" / run / "datapackage.json"
    told = json.loads(kept.read_text("utf-8"))
    for key in ("id", "material", "lot"):
        told["padlab"]["pad"][key] = f"<script>{key}</script>"
    told["padlab"]["note"] = "<script>note</script>"
    kept.write_text(json.dumps(told), "utf-8")
    hostile = serve_bench(shelf=tmp_path / "shelf")
    page = hostile.ask("GET", "/shelf", cookie=hostile.come_in()).body.decode()
    assert "&lt;script&gt;lot&lt;/script&gt;" in page
    assert "<script>" not in page
    hostile.end()
    shutil.rmtree(tmp_path / "shelf")


def test_it_ends_on_sigterm_and_a_taken_port_is_said(serve_bench, tmp_path):
    first = serve_bench(shelf=tmp_path / "first")
    again = ["--no-open", "--port", str(first.port)]
    second = subprocess.run([sys.executable, "-m", "padlab.cli", "bench", str(tmp_path), *again],
                            capture_output=True, text=True, timeout=60, check=False)
    assert second.returncode == 1
    assert "--port" in second.stderr
    assert first.end() == 0
    assert not (tmp_path / "first").exists()


@pytest.mark.parametrize(("address", "words"), [("0.0.0.0", "many addresses"), ("nowhere", "no address"),
                                                ("203.0.113.7", "cannot be served")])
def test_addresses_that_cannot_serve(address, words, tmp_path):
    from padlab.bench.serve import places_at
    from padlab.errors import InputError

    with pytest.raises(InputError, match=words):
        places_at(address, 0)


def test_over_the_network_only_watching_and_stopping(tmp_path):
    """Another address of this machine stands in for one that others reach."""
    import asyncio

    from padlab.bench.door import Door, Place

    async def ask(door, method, path, place, cookie=None, arrived=None):
        sent, came = [], []

        async def app(scope, receive, send):
            came.append(scope["guest"])
            await send({"type": "http.response.start", "status": 200, "headers": []})
            await send({"type": "http.response.body", "body": b""})

        async def receive():
            return {"type": "http.request", "body": b""}

        async def send(message):
            sent.append(message)

        door.app = app
        headers = [(b"host", place.host.encode()), (b"origin", f"http://{place.host}".encode())]
        path, _, query = path.partition("?")
        await door({"type": "http", "method": method, "path": path, "query_string": query.encode(),
                    "server": (arrived or place.address, place.port),
                    "headers": headers + ([(b"cookie", cookie)] if cookie else [])}, receive, send)
        return sent[0]["status"], dict(sent[0]["headers"])

    here, out = Place("127.0.0.1", 1), Place("192.0.2.5", 1, may_drive=False)
    door = Door(None, [here, out], on_used=lambda place: None)
    _, headers = asyncio.run(ask(door, "GET", door.link(out).removeprefix(f"http://{out.host}"), out))
    cookie = headers[b"set-cookie"].split(b";")[0]
    assert asyncio.run(ask(door, "GET", "/", out, cookie))[0] == 200
    assert asyncio.run(ask(door, "POST", "/api/stop", out, cookie))[0] == 200
    for path in ("/api/start", "/api/confirm", "/api/work", "/", "/api/stop/"):
        assert asyncio.run(ask(door, "POST", path, out, cookie))[0] == 403
    # Neither its cookie nor its token serves at the other place, nor a Host that does not fit the address.
    assert asyncio.run(ask(door, "GET", "/", here, cookie))[0] == 403
    assert asyncio.run(ask(door, "GET", door.link(out).removeprefix(f"http://{out.host}"), here))[0] == 403
    assert asyncio.run(ask(door, "GET", "/", here, cookie, arrived="192.0.2.5"))[0] == 421


def test_without_the_extra_it_is_named(monkeypatch):
    import importlib.util as found

    from padlab.bench.serve import need_libraries
    from padlab.errors import InputError

    monkeypatch.setattr(found, "find_spec", lambda name: None)
    with pytest.raises(InputError) as refused:
        need_libraries()
    assert refused.value.remedy == "pip install 'padlab[bench]'"


def test_the_extra_is_what_is_asked_for():
    told = tomllib.loads((Path(__file__).parents[2] / "pyproject.toml").read_text("utf-8")) \
        if (Path(__file__).parents[2] / "pyproject.toml").exists() else pytest.skip("no checkout")
    named = {one.split(">")[0] for one in told["project"]["optional-dependencies"]["bench"]}
    assert named == {"starlette", "uvicorn", "websockets"}


def test_tokens_are_taken_once_by_many_at_a_time(served):
    path = served.link.removeprefix(served.origin)
    answers = []
    crowd = [threading.Thread(target=lambda: answers.append(served.ask("GET", path).status))
             for _ in range(12)]
    for one in crowd:
        one.start()
    for one in crowd:
        one.join(30)
    assert sorted(answers) == [303] + [403] * 11
    served.link = served.links.get(timeout=10)


ANOTHER = 65534
"""A user id that is nobody's, by the Linux Standard Base."""


@pytest.mark.skipif(not hasattr(os, "getuid") or os.getuid() != 0 or sys.platform != "linux",
                    reason="only root can be another person for a moment")
def test_another_person_of_this_machine_is_refused_whatever_they_know(served, cookie):
    """With the newest link, with a cookie that was seen: from another person's program neither serves."""
    told = """if True:
        import http.client, sys
        host, cookie, path = sys.argv[1:]
        wire = http.client.HTTPConnection(host)
        wire.request("GET", path, headers={"Cookie": cookie})
        print(wire.getresponse().status)"""
    python = shutil.which("python3", path="/usr/bin:/bin") or sys.executable      # one that others may run
    for path in ("/shelf", served.link.removeprefix(served.origin)):
        for user, status in ((ANOTHER, "403"), (None, "200" if path == "/shelf" else "303")):
            done = subprocess.run([python, "-c", told, served.host, cookie, path], user=user,
                                  capture_output=True, text=True, check=False)
            assert done.stdout.strip() == status, (user, path, done)
    served.link = served.links.get(timeout=10)


def test_whose_connection_it_is():
    is_told = sys.platform == "linux"
    with socket.create_server(("127.0.0.1", 0)) as server:
        wire = socket.create_connection(server.getsockname())
        kept, _ = server.accept()                            # held open: the other end stays listed
        client = wire.getsockname()
        assert whose_connection(client, server.getsockname()) == (os.getuid() if is_told else None)
        # Sent and closed at once: it must not count as that of root, as which the system lists it.
        wire.close()
        assert whose_connection(client, server.getsockname()) == (NOBODY if is_told else None)
        kept.close()
