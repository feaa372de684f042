"""One tab that looks on: what is new thirty times a second while a run is made, else ten times.

Nothing is done over this socket. What a tab sends means "somebody is here", whatever it says.
"""

from __future__ import annotations

import asyncio
import json
from collections.abc import Callable
from typing import TYPE_CHECKING

from padlab.bench.live import Seen

if TYPE_CHECKING:
    from starlette.websockets import WebSocket

    from padlab.bench.bench import Bench

EVERY_S = {"recording": 1 / 30}
"""How often a tab gets what is new [s], by what the bench is doing ..."""
ELSE_S = 0.1
"""... and while it does anything else [s]."""


async def look_on(socket: WebSocket, bench: Bench, is_ending: Callable[[], bool]) -> None:
    """Serve one tab until it goes, or the page ends."""
    from starlette.websockets import WebSocketDisconnect

    await socket.accept()
    may_drive = socket.scope["guest"].may_drive
    bench.watch(1)
    hearing = asyncio.create_task(_hear(socket, bench, may_drive))
    seen = Seen()
    try:
        while not (is_ending() or hearing.done()):
            news = bench.live.news(seen)
            if "state" in news:
                news["state"]["may_drive"] = may_drive
            if news:
                text = json.dumps(news, allow_nan=False, separators=(",", ":"))
                await asyncio.wait_for(socket.send_text(text), 10)
            await asyncio.wait([hearing], timeout=EVERY_S.get(bench.live.phase, ELSE_S))
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
