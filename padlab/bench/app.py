"""Addresses -> rooms -> pages. Everything here is let in already (:mod:`padlab.bench.door`).

A name from outside never becomes a path: a run is opened by its shelf, which checks ids; rigs,
procedures and files of the page are looked up in lists.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from padlab.bench.at_the_rig import AtTheRig
from padlab.bench.bench import Bench
from padlab.bench.correct import Correct
from padlab.bench.deciding import Deciding
from padlab.bench.on_file import OnFile
from padlab.bench.page import FILES, Room, file_bytes
from padlab.bench.tab import look_on
from padlab.bench.take_in import TakeIn
from padlab.bench.work import Works

if TYPE_CHECKING:
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.websockets import WebSocket

ROOMS = (AtTheRig, TakeIn, OnFile, Correct, Deciding)


def make_app(bench: Bench, works: Works, *, is_ending: Callable[[], bool] = lambda: False) -> Starlette:
    """The pages of one bench.

    Parameters
    ----------
    bench : Bench
        Its shelf, its rig, what it is doing.
    works : Works
        Fits, comparisons and choices that are made beside it.
    is_ending : callable
        True when the page ends: then no tab is served any longer.
    """
    from starlette.applications import Starlette
    from starlette.routing import Route, WebSocketRoute

    common = Room(bench, works)

    async def live(socket: WebSocket) -> None:
        await look_on(socket, bench, is_ending)

    def file(request: Request) -> Response:
        from starlette.responses import Response

        name = request.path_params["name"]
        if name not in FILES:
            return nothing(request)
        return Response(file_bytes(name), media_type=FILES[name][1])

    def nothing(request: Request, why: Exception | None = None) -> Response:
        return common.page(request, "nothing.html.j2", 404)

    return Starlette(routes=[
        WebSocketRoute("/live", live),
        Route("/static/{name}", file),
        *(route for room in ROOMS for route in room(bench, works).routes()),
    ], exception_handlers={404: nothing})
