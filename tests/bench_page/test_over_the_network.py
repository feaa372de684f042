"""A page that others on the network watch, at a real address of this machine: they stop a run, no more."""

from __future__ import annotations

import json
import socket
from contextlib import ExitStack
from urllib.parse import urlsplit

import page_served as shared
import pytest


def own_address():
    """An address of this machine that others reach; None where there is none. No packet is sent."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as wire:
        try:
            wire.connect(("192.0.2.1", 9))                # RFC 5737: an address that is nobody's
        except OSError:
            return None
        found = wire.getsockname()[0]
    return None if found.startswith("127.") else found


ADDRESS = own_address()
pytestmark = pytest.mark.skipif(ADDRESS is None, reason="this machine has no address that others reach")


class Watched:
    """A page on two addresses, with a cookie for each."""

    def __init__(self, served):
        self.served = served
        self.out = urlsplit(served.links.get(timeout=10))
        self.cookie = served.come_in()
        answer = served.ask("GET", f"{self.out.path}?{self.out.query}", host=self.out.netloc, at=ADDRESS)
        assert answer.status == 303, answer
        self.guest_cookie = answer.headers["set-cookie"].split(";")[0]

    def do(self, path, **what):
        """Somebody at the rig asks for something."""
        return self.served.ask("POST", path, json.dumps(what), cookie=self.cookie, origin=self.served.origin)

    def watch(self):
        """A tab of somebody on the network."""
        return self._tab(self.out.netloc, self.guest_cookie)

    def tab(self):
        """A tab at the rig."""
        return self._tab(self.served.host, self.cookie)

    @staticmethod
    def _tab(host, cookie):
        from websockets.sync.client import connect

        return connect(f"ws://{host}/live", origin=f"http://{host}", additional_headers={"Cookie": cookie})


def state_in(wire):
    """What a tab is told first."""
    while True:
        news = json.loads(wire.recv(timeout=20))
        if "state" in news:
            return news["state"]


@pytest.mark.real_time
def test_who_comes_to_watch_keeps_no_motor_going(serve_bench, virtual_rig, tmp_path):
    """No page at the rig says any more that somebody is there; on the network tabs come and go."""
    rig = virtual_rig("--rig", "motor-press", "--pad-kind", "spring", "--speed", "2")
    urls = [part for url in rig.urls for part in ("--url", url)]
    both = Watched(serve_bench("--rig", "motor-press", *urls, "--host", ADDRESS, shelf=tmp_path / "shelf"))
    with both.tab() as here:
        assert both.do("/api/start", procedure="check", cautions=True, move=True).status == 200
        shared.wait_until(lambda: here.send("here") or state_in(here)["phase"] == "recording")

    def has_ended():
        with both.watch() as wire:
            return state_in(wire)["phase"] == "ended"

    shared.wait_until(has_ended, limit_s=20.0)
    with both.watch() as wire:
        said = [one["text"] for one in state_in(wire)["said"]]
    assert any("the motor is stopped" in text for text in said), said


def test_who_fills_the_network_s_side_keeps_nobody_at_the_rig_out(serve_bench, tmp_path):
    both = Watched(serve_bench("--host", ADDRESS, shelf=tmp_path / "shelf"))
    with ExitStack() as stack:
        for _ in range(8):
            stack.enter_context(both.watch())
        with pytest.raises(Exception, match="403"):
            both.watch().__enter__()
        with both.tab() as here:
            assert state_in(here)["may_drive"] is True
        # Connections that ask nothing, as many as are kept and more: refused there, and none of them here.
        for _ in range(100):
            stack.enter_context(socket.create_connection((ADDRESS, both.served.port), timeout=20))
        assert both.do("/api/stop").status == 200
