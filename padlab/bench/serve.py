"""The page on its ports, until it is told to end.

uvicorn does not end on SIGTERM while a socket is open: the sockets' loops look at ``ending``, and what is
left is cut off after three seconds. Connections are counted here, where they are cheapest to refuse, at each
address by itself: whoever fills the one that others reach leaves this machine's own free to stop a run.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import signal
import socket
from collections.abc import Callable, Iterator
from typing import Any

from padlab.bench.door import Door, Place
from padlab.errors import InputError

MOST_CONNECTIONS = 48
"""At once, at one address; a browser opens six."""
FIRST_REQUEST_S = 5.0
"""A connection that has asked nothing by then is closed [s]."""
MESSAGE = 1024
"""Bytes of one message from a tab: it says that it is there, nothing else [B]."""
EXTRA = "pip install 'padlab[bench]'"


def need_libraries() -> None:
    """Refuse, by name, where the extra is not installed.

    Raises
    ------
    InputError
        It says which, and how to get it.
    """
    from importlib.util import find_spec

    missing = [name for name in ("starlette", "uvicorn", "websockets") if find_spec(name) is None]
    if missing:
        raise InputError("the bench page needs more packages", expected="the extra called bench",
                         seen=f"no {', '.join(missing)}", remedy=EXTRA)


def places_at(address: str, port: int) -> tuple[list[Place], list[socket.socket]]:
    """Bind the page: to this machine alone, and to ``address`` where that is one that others reach.

    Raises
    ------
    InputError
        No address of this machine, one that stands for all of them, or a port that is taken.
    """
    try:
        wanted = ipaddress.ip_address("127.0.0.1" if address == "localhost" else address)
    except ValueError as fault:
        raise InputError(f"{address[:60]!r} is no address", expected="numbers such as 127.0.0.1",
                         seen=repr(address[:60])) from fault
    if wanted.is_unspecified or wanted.is_multicast:
        raise InputError(f"{wanted} stands for many addresses", seen=str(wanted),
                         expected="one address of this machine, so that it is clear who can reach the page")
    mine = str(wanted) if wanted.is_loopback else "127.0.0.1"
    sockets = [_bind(mine, port)]
    try:
        port = sockets[0].getsockname()[1]
        places = [Place(mine, port)]
        if not wanted.is_loopback:
            sockets.append(_bind(str(wanted), port))
            places.append(Place(str(wanted), port, may_drive=False))
    except BaseException:
        sockets[0].close()
        raise
    return places, sockets


def _bind(address: str, port: int) -> socket.socket:
    bound = socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET)
    try:
        if hasattr(socket, "SO_EXCLUSIVEADDRUSE"):         # Windows: nobody else may take the same port
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_EXCLUSIVEADDRUSE, 1)
        else:
            bound.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        bound.bind((address, port))
    except OSError as fault:
        bound.close()
        raise InputError(f"the page cannot be served at {address}, port {port}", expected="a free port",
                         seen=fault.strerror or str(fault),
                         remedy="close the other padlab bench, or give --port another number") from fault
    return bound


def serve(door: Door, sockets: list[socket.socket], *, on_ready: Callable[[], None],
          on_ending: Callable[[], None]) -> None:
    """Serve until SIGINT or SIGTERM; ``on_ending`` is called at once then, before the sockets are closed."""
    import uvicorn
    from uvicorn.protocols.http.h11_impl import H11Protocol

    class Counted(H11Protocol):
        """One connection of so many; it has a few seconds to ask for something."""

        def connection_made(self, transport: asyncio.Transport) -> None:  # type: ignore[override]
            here = transport.get_extra_info("sockname")
            if sum(one.transport.get_extra_info("sockname") == here
                   for one in self.connections) >= MOST_CONNECTIONS:
                self.transport = transport
                transport.abort()
                return
            super().connection_made(transport)
            self.loop.call_later(FIRST_REQUEST_S, self.mind_silence)

        def mind_silence(self) -> None:
            """Close it where nothing was asked yet."""
            if getattr(self, "scope", None) is None and not self.transport.is_closing():
                self.transport.close()

    class Server(uvicorn.Server):
        """Says when it is ready, and ends without raising the signal once more."""

        async def startup(self, sockets: list[socket.socket] | None = None) -> None:
            await super().startup(sockets)
            on_ready()

        def handle_exit(self, sig: int, frame: Any) -> None:
            on_ending()
            super().handle_exit(sig, frame)

        @contextlib.contextmanager
        def capture_signals(self) -> Iterator[None]:
            names = [getattr(signal, n) for n in ("SIGINT", "SIGTERM", "SIGBREAK") if hasattr(signal, n)]
            before = {n: signal.signal(n, self.handle_exit) for n in names}
            try:
                yield
            finally:
                for number, handler in before.items():
                    signal.signal(number, handler)

    Server(uvicorn.Config(
        door, http=Counted, ws="websockets-sansio", loop="asyncio", lifespan="off", log_config=None,
        log_level="error", access_log=False, proxy_headers=False, server_header=False,
        ws_max_size=MESSAGE, ws_max_queue=4, ws_per_message_deflate=False, timeout_keep_alive=5,
        timeout_graceful_shutdown=3, h11_max_incomplete_event_size=16 * 1024,
    )).run(sockets=sockets)
