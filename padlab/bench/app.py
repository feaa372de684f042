"""Addresses -> calls -> pages. Everything here is let in already (:mod:`padlab.bench.door`).

A name from outside never becomes a path: a run is opened by its shelf, which checks ids; rigs,
procedures and files of the page are looked up in lists. What comes from outside is printed as plain,
escaped text, whoever wrote the template.
"""

from __future__ import annotations

import re
from datetime import date
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from padlab import __version__
from padlab.errors import PadlabError
from padlab.words import plain

if TYPE_CHECKING:
    from jinja2 import Environment
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response

    from padlab.bench.bench import Bench

FILES = {"page.css": ("report/templates", "text/css"), "bench.css": ("bench/static", "text/css")}
"""What the pages ask for by name; the first is the reports' own style."""
FILTERS = ("material", "lot", "since")


def make_app(bench: Bench) -> Starlette:
    """The pages of one bench.

    Parameters
    ----------
    bench : Bench
        Its shelf, its rig, what it is doing.
    """
    from starlette.applications import Starlette
    from starlette.routing import Route

    pages = Pages(bench)
    return Starlette(routes=[
        Route("/", pages.shelf),
        Route("/shelf", pages.shelf),
        Route("/static/{name}", pages.file),
    ])


class Pages:
    """One method an address."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench

    def file(self, request: Request) -> Response:
        """A style or a script of the page."""
        from starlette.responses import Response

        name = request.path_params["name"]
        if name not in FILES:
            return self.page(request, "nothing.html.j2", 404)
        return Response(file_bytes(name), media_type=FILES[name][1])

    def shelf(self, request: Request) -> Response:
        """What is on file, newest first, as ``padlab shelf`` lists it."""
        from padlab.records.index import list_runs
        from padlab.records.shelf import Shelf

        asked = {name: request.query_params.get(name, "").strip()[:200] for name in FILTERS}
        rows, faults = list_runs(Shelf(self.bench.shelf))
        wrong = asked["since"] and not is_day(asked["since"])
        shown = [r for r in rows if all(not asked[k] or r[k] == asked[k] for k in ("material", "lot"))
                 and (wrong or not asked["since"] or r["start"] >= asked["since"])]
        known = {k: sorted({r[k] for r in rows if r[k] is not None}) for k in ("material", "lot")}
        return self.page(request, "shelf.html.j2", rows=shown, count=len(rows), known=known, asked=asked,
                         faults=[str(f) for f in faults], wrong=wrong)

    def page(self, request: Request, template: str, status: int = 200, **values: Any) -> Response:
        """A page of the application, with what each of them shows."""
        from starlette.responses import HTMLResponse

        guest = request.scope["guest"]
        text = environment().get_template(template).render(
            version=__version__, shelf=str(self.bench.shelf), may_drive=guest.may_drive, **values)
        return HTMLResponse(text, status)

    def fault(self, request: Request, fault: PadlabError, status: int = 404) -> Response:
        """A page that says what is wrong, and what to try."""
        return self.page(request, "nothing.html.j2", status, fault=fault)


def is_day(text: str) -> bool:
    """Whether a text is a date.

    >>> is_day("2026-07-04"), is_day("2026-02-30"), is_day("today")
    (True, False, False)
    """
    try:
        return re.fullmatch(r"\d{4}-\d\d-\d\d", text, re.ASCII) is not None and bool(date.fromisoformat(text))
    except ValueError:
        return False


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
