"""What every room of the page has: how an address answers, and how a page is drawn.

What comes from outside is printed as plain, escaped text, whoever wrote the template.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Callable
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Any, TypeVar

from padlab import __version__
from padlab.bench.bench import Bench, Busy
from padlab.bench.work import Works
from padlab.errors import InputError, PadlabError
from padlab.words import plain

if TYPE_CHECKING:
    from jinja2 import Environment
    from starlette.requests import Request
    from starlette.responses import Response

FILES = {"page.css": ("report/templates", "text/css"), "bench.css": ("bench/static", "text/css"),
         "rig.css": ("bench/static", "text/css"),
         "ask.js": ("bench/static", "text/javascript"), "rig.js": ("bench/static", "text/javascript"),
         "loop.js": ("bench/static", "text/javascript"),
         "choose_rig.js": ("bench/static", "text/javascript"),
         "work.js": ("bench/static", "text/javascript"), "asks.js": ("bench/static", "text/javascript"),
         "decide.css": ("bench/static", "text/css"), "take_in.css": ("bench/static", "text/css"),
         "take_in.js": ("bench/static", "text/javascript"), "correct.js": ("bench/static", "text/javascript")}
"""What the pages ask for by name; the first is the reports' own style."""

ARoom = TypeVar("ARoom", bound="Room")


class Room:
    """Some addresses of the page, one method each.

    Parameters
    ----------
    bench : Bench
        Its shelf, its rig, what it is doing.
    works : Works
        Long work beside it.
    """

    def __init__(self, bench: Bench, works: Works) -> None:
        self.bench, self.works = bench, works

    def page(self, request: Request, template: str, status: int = 200, **values: Any) -> Response:
        """A page of the application, with what each of them shows."""
        from starlette.responses import HTMLResponse

        guest = request.scope["guest"]
        text = environment().get_template(template).render(
            version=__version__, shelf=str(self.bench.shelf), may_drive=guest.may_drive,
            shelf_is_gone=self.bench.shelf_is_gone(), **values)
        return HTMLResponse(text, status)

    def fault(self, request: Request, fault: PadlabError, status: int = 404) -> Response:
        """A page that says what is wrong, and what to try."""
        return self.page(request, "nothing.html.j2", status, fault=fault)


def answers(
    method: Callable[[ARoom, dict[str, Any]], dict[str, Any]],
) -> Callable[[ARoom, Request], Response]:
    """A method that takes a JSON object and gives one, as an address; failures are answered as words."""
    @functools.wraps(method)
    def address(self: ARoom, request: Request) -> Response:
        from starlette.responses import JSONResponse

        try:
            return JSONResponse(method(self, json_object(request.scope["body"])))
        except (PadlabError, OSError) as fault:
            told = fault if isinstance(fault, PadlabError) else PadlabError(str(fault))
            return JSONResponse({"error": told.to_json()}, 409 if isinstance(fault, Busy) else 400)

    return address


def json_object(body: bytes) -> dict[str, Any]:
    """The object that a page sent; nothing at all is an empty one.

    Raises
    ------
    InputError
        Something else.
    """
    try:
        sent = json.loads(body) if body else {}
        json.dumps(sent, ensure_ascii=False).encode()      # half a character, which no file can hold
    except (ValueError, RecursionError) as fault:
        seen = "half a character" if isinstance(fault, UnicodeEncodeError) else str(fault)[:80]
        raise InputError("the page sent no JSON", expected="an object", seen=seen) from fault
    if not isinstance(sent, dict):
        raise InputError("the page sent no object", expected="an object", seen=type(sent).__name__)
    return sent


@lru_cache(maxsize=len(FILES))
def file_bytes(name: str) -> bytes:
    """One of :data:`FILES`."""
    return (resources.files("padlab") / FILES[name][0] / name).read_bytes()


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The templates, with every value made plain and escaped."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(loader=PackageLoader("padlab", "bench/templates"), autoescape=True,
                       undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True,
                       finalize=lambda v: plain(v) if type(v) is str else v)
