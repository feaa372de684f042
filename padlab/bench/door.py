"""Who may come in, asked of every request before anything else sees it.

    request -> Host and address exact? -> Origin, where something is done -> cookie -> small enough -> page

A place is one address that the page is served on. Each has an opening link with a token that serves
once; it is answered by a cookie, and the next link gets a new token. The page itself holds no key: what
another page in the same browser sends lacks the Origin, what another program sends lacks the cookie,
and what is served under another name (a name that was pointed here) lacks the Host.

Plain ASGI (the interface of Python's web servers), so that it stands before whatever makes the pages.

>>> door = Door(None, [Place("127.0.0.1", 8765)], on_used=lambda place: None)
>>> door.link(door.places[0]).startswith("http://127.0.0.1:8765/open?token=")
True
"""

from __future__ import annotations

import asyncio
import secrets
import threading
from collections.abc import Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from typing import Any
from urllib.parse import parse_qs

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

BODY = 64 * 1024
"""Bytes of a request, at most: a form of a pad and the names of the runs of a shelf [B]."""
BODY_S = 10.0
"""A request whose body is not whole by then is refused [s]."""
MOST_SOCKETS = 8
"""Tabs that watch at once."""
LONGEST_PATH = 2000
COOKIE_S = 12 * 3600
"""A browser that was closed and opened again is still let in for a working day [s]."""
MOST_SESSIONS = 64

POLICY = ("default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; "
          "connect-src 'self' ws://{host}; "
          "frame-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'")
REPORT_POLICY = ("sandbox; default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'none'; "
                 "base-uri 'none'; frame-ancestors 'self'")
"""A report is a document, not a page of the application: no script runs in it, and it reaches nothing."""

WATCHERS_MAY_POST = ("/api/stop",)


@dataclass(frozen=True)
class Place:
    """One address of this machine on which the page is served; from one that others reach, only watching."""

    address: str
    port: int
    may_drive: bool = True

    @property
    def host(self) -> str:
        """As a browser sends it."""
        address = f"[{self.address}]" if ":" in self.address else self.address
        return f"{address}:{self.port}"


@dataclass(frozen=True)
class Guest:
    """Who was let in: through which place, and so what they may do."""

    place: Place

    @property
    def may_drive(self) -> bool:
        """Whether they may do more than watch and stop."""
        return self.place.may_drive


class Refused(Exception):  # noqa: N818  an answer, not a fault
    """A request that is not let in."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status, self.words = status, words


class Door:
    """Lets in whoever came by an opening link; the rest are refused before the pages hear of them.

    Parameters
    ----------
    app : callable
        What serves those who are let in; ``scope["guest"]`` says who, ``scope["body"]`` holds the body.
    places : list of Place
        Where it is served.
    on_used : callable
        Told of a place whose link was used: it has a new one.
    """

    def __init__(self, app: Any, places: list[Place], *, on_used: Callable[[Place], None]) -> None:
        self.app, self.places, self._on_used = app, places, on_used
        self._lock = threading.Lock()
        self._tokens = {p: secrets.token_urlsafe(32) for p in places}
        self._guests: dict[str, Guest] = {}
        self._sockets = 0

    def link(self, place: Place) -> str:
        """The opening link of a place; it serves once."""
        with self._lock:
            return f"http://{place.host}/open?token={self._tokens[place]}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request, one socket."""
        if scope["type"] not in ("http", "websocket"):
            raise RuntimeError(f"neither a request nor a socket: {scope['type']}")
        try:
            place = self._place_of(scope)
            self._came_from_itself(scope, place)
            if scope["type"] == "http" and scope["path"] == "/open":
                await self._open(scope, send, place)
                return
            guest = self._guest(scope, place)
            if guest is None:
                raise Refused(403, "padlab: open the link that padlab bench printed in its terminal; each "
                                   "serves once, and the newest stands last")
            scope["guest"] = guest
            if scope["type"] == "websocket":
                await self._socket(scope, receive, send)
                return
            if scope["method"] == "POST" and not guest.may_drive and scope["path"] not in WATCHERS_MAY_POST:
                raise Refused(403, "padlab: over the network the bench is watched and stopped, nothing else")
            scope["body"] = await asyncio.wait_for(_body(scope, receive), BODY_S)
        except Refused as no:
            await _refuse(scope, send, no)
            return
        except TimeoutError:
            await _refuse(scope, send, Refused(408, "padlab: the request did not come whole"))
            return
        is_report = scope["path"].startswith(("/report/", "/download/"))
        policy = REPORT_POLICY if is_report else POLICY.format(host=place.host)
        await self.app(scope, receive, _careful(send, policy))

    def _place_of(self, scope: Scope) -> Place:
        """The place a request was sent to: its Host and the address it arrived at must both say so."""
        hosts = _headers(scope, b"host")
        arrived = tuple(scope.get("server") or ())[:2]
        for place in self.places:
            if hosts == [place.host] and arrived == (place.address, place.port):
                if len(scope["path"]) > LONGEST_PATH:
                    raise Refused(414, "padlab: that address is too long")
                return place
        raise Refused(421, "padlab: this page is served under the address in its link only")

    @staticmethod
    def _came_from_itself(scope: Scope, place: Place) -> None:
        """What does something must come from the page itself, not from another page in the browser."""
        if scope["type"] == "http":
            if scope["method"] not in ("GET", "HEAD", "POST"):
                raise Refused(405, "padlab: GET, HEAD or POST")
            if scope["method"] != "POST":
                return
        if _headers(scope, b"origin") != [f"http://{place.host}"]:
            raise Refused(403, "padlab: this must come from padlab's own page")

    def _guest(self, scope: Scope, place: Place) -> Guest | None:
        name = f"padlab_{place.port}"
        found = [value for header in _headers(scope, b"cookie") for part in header.split(";")
                 for key, _, value in [part.strip().partition("=")] if key == name]
        with self._lock:
            guest = self._guests.get(found[0]) if len(found) == 1 else None
        return guest if guest is not None and guest.place == place else None

    async def _open(self, scope: Scope, send: Send, place: Place) -> None:
        """A token is answered by a cookie, once."""
        if scope["method"] != "GET":
            raise Refused(405, "padlab: GET")
        given = parse_qs(scope["query_string"][:LONGEST_PATH].decode("latin-1")).get("token", [])
        with self._lock:
            right = self._tokens[place].encode()
            is_right = len(given) == 1 and secrets.compare_digest(given[0].encode("utf-8", "replace"), right)
            if is_right:
                self._tokens[place] = secrets.token_urlsafe(32)
                key = secrets.token_urlsafe(32)
                while len(self._guests) >= MOST_SESSIONS:
                    self._guests.pop(next(iter(self._guests)))
                self._guests[key] = Guest(place)
        headers = [(b"location", b"/"), *_careful_headers(POLICY.format(host=place.host))]
        if is_right:
            cookie = f"padlab_{place.port}={key}; HttpOnly; SameSite=Strict; Path=/; Max-Age={COOKIE_S}"
            headers.append((b"set-cookie", cookie.encode()))
            self._on_used(place)
        elif self._guest(scope, place) is None:
            raise Refused(403, "padlab: this link was used already, or is not from here; the newest stands "
                               "last in the terminal of padlab bench")
        await send({"type": "http.response.start", "status": 303, "headers": headers})
        await send({"type": "http.response.body", "body": b""})

    async def _socket(self, scope: Scope, receive: Receive, send: Send) -> None:
        if self._sockets >= MOST_SOCKETS:
            raise Refused(503, "padlab: too many tabs watch already; close one")
        self._sockets += 1
        try:
            await self.app(scope, receive, send)
        finally:
            self._sockets -= 1


def _headers(scope: Scope, name: bytes) -> list[str]:
    return [value.decode("latin-1") for key, value in scope["headers"] if key == name]


async def _body(scope: Scope, receive: Receive) -> bytes:
    """The whole body, or a refusal as soon as it is too long; the rest is never read."""
    too_long = Refused(413, f"padlab: at most {BODY} bytes")
    stated = _headers(scope, b"content-length")
    if stated and not (stated[0].isdecimal() and int(stated[0][:20]) <= BODY):
        raise too_long
    parts, size = [], 0
    while True:
        message = await receive()
        if message["type"] != "http.request":
            raise Refused(400, "padlab: the request was broken off")
        parts.append(message.get("body", b""))
        size += len(parts[-1])
        if size > BODY:
            raise too_long
        if not message.get("more_body", False):
            return b"".join(parts)


def _careful_headers(policy: str) -> list[tuple[bytes, bytes]]:
    return [
        (b"content-security-policy", policy.encode()),
        (b"x-content-type-options", b"nosniff"),
        (b"referrer-policy", b"no-referrer"),
        (b"cross-origin-opener-policy", b"same-origin"),
        (b"cross-origin-resource-policy", b"same-origin"),
        (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
        (b"cache-control", b"no-store"),
    ]


def _careful(send: Send, policy: str) -> Send:
    """Every answer goes out with the policies, whoever made it."""
    async def careful(message: Message) -> None:
        if message["type"] == "http.response.start":
            message["headers"] = [*message.get("headers", []), *_careful_headers(policy)]
        await send(message)

    return careful


async def _refuse(scope: Scope, send: Send, no: Refused) -> None:
    """Say no, in a few words of our own; what was sent is not repeated, the connection is closed."""
    if scope["type"] == "websocket":
        await send({"type": "websocket.close", "code": 1008})
        return
    headers = [(b"content-type", b"text/plain; charset=utf-8"), (b"connection", b"close"),
               *_careful_headers("default-src 'none'; frame-ancestors 'none'")]
    await send({"type": "http.response.start", "status": no.status, "headers": headers})
    await send({"type": "http.response.body", "body": no.words.encode() + b"\n"})
