"""Who may come in, asked of every request before anything else sees it.

    request -> Host and address exact? -> a program of this person? -> Origin, where something is done
            -> cookie -> small enough -> page

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
import ipaddress
import secrets
import threading
from collections.abc import AsyncIterator, Awaitable, Callable, MutableMapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs

from padlab.bench.neighbours import own_ids, whose_connection

Scope = MutableMapping[str, Any]
Message = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[Message]]
Send = Callable[[Message], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

BODY = 64 * 1024
"""Bytes of a request, at most: a form of a pad and the names of the runs of a shelf [B]."""
BODY_S = 10.0
"""A request whose body is not whole by then is refused [s]."""
UPLOADS = {"/api/table": 32 << 20}
"""Addresses that take in a file, and its bytes at most [B]; it goes to the disk as it comes."""
UPLOAD_S, PIECE_S = 120.0, 10.0
"""A file that is not whole by then is refused, and one of which no further piece comes [s]."""
UPLOADS_AT_ONCE = 2
MOST_SOCKETS = 8
"""Tabs that watch at once, at one place: who watches over the network keeps nobody at the rig out."""
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
    spool : Path, optional
        A folder of the server for files that come in (:data:`UPLOADS`); ``scope["upload"]`` is the path of
        one. It is taken away after the answer unless the page has moved it. Without a folder none is let in.
    """

    def __init__(self, app: Any, places: list[Place], *, on_used: Callable[[Place], None],
                 spool: Path | None = None) -> None:
        self.app, self.places, self._on_used, self._spool = app, places, on_used, spool
        self._uploads, self._own = 0, own_ids()
        self._lock = threading.Lock()
        self._tokens = {p: secrets.token_urlsafe(32) for p in places}
        self._guests: dict[str, Guest] = {}
        self._sockets = dict.fromkeys(places, 0)

    def link(self, place: Place) -> str:
        """The opening link of a place; it serves once."""
        with self._lock:
            return f"http://{place.host}/open?token={self._tokens[place]}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request, one socket."""
        if scope["type"] not in ("http", "websocket"):
            raise RuntimeError(f"neither a request nor a socket: {scope['type']}")
        upload: Path | None = None
        try:
            place = self._place_of(scope)
            self._is_of_this_person(scope, place)
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
                await self._socket(scope, receive, send, place)
                return
            if scope["method"] == "POST" and not guest.may_drive and scope["path"] not in WATCHERS_MAY_POST:
                raise Refused(403, "padlab: over the network the bench is watched and stopped, nothing else")
            most = UPLOADS.get(scope["path"]) if scope["method"] == "POST" else None
            if most is None:
                scope["body"] = await _body(scope, receive)
            else:
                scope["upload"] = upload = await self._upload(scope, receive, most)
                scope["body"] = b""
        except Refused as no:
            await _refuse(scope, send, no)
            return
        except TimeoutError:
            await _refuse(scope, send, Refused(408, "padlab: the request did not come whole"))
            return
        is_report = scope["path"].startswith(("/report/", "/download/"))
        policy = REPORT_POLICY if is_report else POLICY.format(host=place.host)
        try:
            await self.app(scope, receive, _careful(send, policy))
        finally:
            if upload is not None:
                upload.unlink(missing_ok=True)

    async def _upload(self, scope: Scope, receive: Receive, most: int) -> Path:
        """A file as it comes in, under a name of our own; of one that is refused nothing stays."""
        if self._spool is None:
            raise Refused(403, "padlab: no file is taken in here")
        if self._uploads >= UPLOADS_AT_ONCE:
            raise Refused(503, "padlab: other files are coming in; try again in a minute")
        path = self._spool / f"coming-{secrets.token_hex(16)}"
        self._uploads += 1
        try:
            with path.open("xb") as file:
                async for piece in _pieces(scope, receive, most, whole_s=UPLOAD_S, piece_s=PIECE_S):
                    file.write(piece)                  # some 64 kB: a page of memory, not a wait for the disk
        except OSError as fault:
            path.unlink(missing_ok=True)
            if isinstance(fault, TimeoutError):
                raise
            raise Refused(507, f"padlab: the file cannot be kept: {fault.strerror}") from fault
        except BaseException:                          # refused, or the page ends
            path.unlink(missing_ok=True)
            raise
        finally:
            self._uploads -= 1
        return path

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

    def _is_of_this_person(self, scope: Scope, place: Place) -> None:
        """Within this machine: what another person's program sends is refused, whatever it knows."""
        client = scope.get("client")
        if self._own is None or not client or not ipaddress.ip_address(place.address).is_loopback:
            return
        whose = whose_connection((client[0], client[1]), (place.address, place.port))
        if whose is not None and whose not in self._own:
            raise Refused(403, "padlab: this page is for the person who started it")

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

    async def _socket(self, scope: Scope, receive: Receive, send: Send, place: Place) -> None:
        if self._sockets[place] >= MOST_SOCKETS:
            raise Refused(503, "padlab: too many tabs watch already; close one")
        self._sockets[place] += 1
        try:
            await self.app(scope, receive, send)
        finally:
            self._sockets[place] -= 1


def _headers(scope: Scope, name: bytes) -> list[str]:
    return [value.decode("latin-1") for key, value in scope["headers"] if key == name]


async def _body(scope: Scope, receive: Receive) -> bytes:
    """The whole body of an ordinary request."""
    return b"".join([piece async for piece in _pieces(scope, receive, BODY, whole_s=BODY_S, piece_s=BODY_S)])


async def _pieces(scope: Scope, receive: Receive, most: int, *,
                  whole_s: float, piece_s: float) -> AsyncIterator[bytes]:
    """The body as it comes, or a refusal as soon as it is too long; the rest is never read.

    Raises
    ------
    Refused
        Longer than ``most``, stated or found, or broken off.
    TimeoutError
        No further piece within ``piece_s``, or not whole within ``whole_s`` [s].
    """
    too_long = Refused(413, f"padlab: at most {most} bytes")
    stated = _headers(scope, b"content-length")
    if stated and not (stated[0].isdecimal() and int(stated[0][:20]) <= most):
        raise too_long
    size = 0
    # One wait inside another can lose that it was ended (Python 3.11): here the clock is asked.
    clock = asyncio.get_running_loop().time
    until = clock() + whole_s
    while True:
        if clock() >= until:
            raise TimeoutError
        message = await asyncio.wait_for(receive(), min(piece_s, until - clock()))
        if message["type"] != "http.request":
            raise Refused(400, "padlab: the request was broken off")
        piece = message.get("body", b"")
        size += len(piece)
        if size > most:
            raise too_long
        yield piece
        if not message.get("more_body", False):
            return


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
