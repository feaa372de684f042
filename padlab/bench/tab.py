"""One tab that looks on: the state ten times a second where it changed, and the new points of the loop.

Nothing is done over this socket. What a tab sends means "somebody is here", whatever it says.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from starlette.websockets import WebSocket

    from padlab.bench.bench import Bench

EVERY_S = 0.1
"""How often a tab gets what is new [s]."""


async def look_on(socket: WebSocket, bench: Bench, is_ending: Callable[[], bool]) -> None:
    """Serve one tab until it goes, or the page ends."""
    from starlette.websockets import WebSocketDisconnect

    await socket.accept()
    may_drive = socket.scope["guest"].may_drive
    bench.watch(1)
    hearing = asyncio.create_task(_hear(socket, bench, may_drive))
    try:
        told, loop, seen = "", -1, 0
        while not (is_ending() or hearing.done()):
            message: dict[str, Any] = {}
            state = json.dumps({**bench.live.state(), "may_drive": may_drive}, allow_nan=False)
            if state != told:
                message["state"], told = state, state
            was = loop
            loop, seen, points = bench.live.points(loop, seen)
            if points or loop != was:
                message |= {"loop": loop, "points": points}
            if message:
                await asyncio.wait_for(socket.send_text(json.dumps(message, allow_nan=False)), 10)
            await asyncio.wait([hearing], timeout=EVERY_S)
        if not hearing.done():
            await socket.close(1001)
    except (WebSocketDisconnect, TimeoutError, RuntimeError):
        pass                                               # the tab is gone, or takes nothing any more
    finally:
        hearing.cancel()
        bench.watch(-1)


async def _hear(socket: WebSocket, bench: Bench, may_drive: bool) -> None:
    while (await socket.receive())["type"] == "websocket.receive":
        if may_drive:
            bench.here()
