"""Addresses -> calls -> pages. Everything here is let in already (:mod:`padlab.bench.door`).

A name from outside never becomes a path: a run is opened by its shelf, which checks ids; rigs,
procedures and files of the page are looked up in lists. What comes from outside is printed as plain,
escaped text, whoever wrote the template.
"""

from __future__ import annotations

import functools
import json
import re
from collections.abc import Callable
from datetime import UTC, date, datetime
from functools import lru_cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from padlab import __version__
from padlab.bench.asked import asked_work
from padlab.bench.bench import Bench, Busy
from padlab.bench.tab import look_on
from padlab.bench.work import Works
from padlab.capture.motor_cautions import motor_cautions
from padlab.capture.procedure import procedure_names, read_procedure
from padlab.capture.rig import rig_names
from padlab.cautions import CAUTIONS
from padlab.errors import InputError, PadlabError, RunError
from padlab.records.pad import MATERIAL_CLASSES
from padlab.words import plain

if TYPE_CHECKING:
    from jinja2 import Environment
    from starlette.applications import Starlette
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.websockets import WebSocket

FILES = {"page.css": ("report/templates", "text/css"), "bench.css": ("bench/static", "text/css"),
         "rig.js": ("bench/static", "text/javascript"), "loop.js": ("bench/static", "text/javascript"),
         "work.js": ("bench/static", "text/javascript")}
"""What the pages ask for by name; the first is the reports' own style."""
FILTERS = ("material", "lot", "since")


def make_app(bench: Bench, works: Works, *, is_ending: Callable[[], bool] = lambda: False) -> Starlette:
    """The pages of one bench.

    Parameters
    ----------
    bench : Bench
        Its shelf, its rig, what it is doing.
    works : Works
        Fits and comparisons that are made beside it.
    is_ending : callable
        True when the page ends: then no tab is served any longer.
    """
    from starlette.applications import Starlette
    from starlette.routing import Route, WebSocketRoute

    pages = Pages(bench, works)

    async def live(socket: WebSocket) -> None:
        await look_on(socket, bench, is_ending)

    return Starlette(routes=[
        Route("/", pages.rig),
        WebSocketRoute("/live", live),
        Route("/api/rig", pages.choose_rig, methods=["POST"]),
        Route("/api/start", pages.start, methods=["POST"]),
        Route("/api/stop", pages.stop, methods=["POST"]),
        Route("/api/confirm", pages.confirm, methods=["POST"]),
        Route("/shelf", pages.shelf),
        Route("/run/{name}", pages.run),
        Route("/work/{name}", pages.work),
        Route("/report/{name}", pages.report),
        Route("/api/work", pages.begin_work, methods=["POST"]),
        Route("/api/work/{name}", pages.how_far),
        Route("/api/cancel", pages.cancel_work, methods=["POST"]),
        Route("/static/{name}", pages.file),
    ])


Method = Callable[["Pages", dict[str, Any]], dict[str, Any]]


def answers(method: Method) -> Callable[[Pages, Request], Response]:
    """A method that takes a JSON object and gives one, as an address; failures are answered as words."""
    @functools.wraps(method)
    def address(self: Pages, request: Request) -> Response:
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
    except (ValueError, RecursionError) as fault:
        raise InputError("the page sent no JSON", expected="an object", seen=str(fault)[:80]) from fault
    if not isinstance(sent, dict):
        raise InputError("the page sent no object", expected="an object", seen=type(sent).__name__)
    return sent


class Pages:
    """One method an address."""

    def __init__(self, bench: Bench, works: Works) -> None:
        self.bench, self.works = bench, works

    def file(self, request: Request) -> Response:
        """A style or a script of the page."""
        from starlette.responses import Response

        name = request.path_params["name"]
        if name not in FILES:
            return self.page(request, "nothing.html.j2", 404)
        return Response(file_bytes(name), media_type=FILES[name][1])

    def rig(self, request: Request) -> Response:
        """At the rig: what it reads, what is to be done, and the form that asks for a run."""
        rig = self.bench.rig
        procedures = [one for one in map(read_procedure, procedure_names()) if not one.is_endurance]
        motor = [] if rig is None or rig.motor is None or rig.motor.watchdog is None else motor_cautions(
            rig, "the chosen procedure", rig.motor.force_n)
        return self.page(request, "rig.html.j2", rig=rig, rigs=rig_names(), procedures=procedures,
                         pad=self.bench.last_pad(), classes=MATERIAL_CLASSES, cautions=CAUTIONS, motor=motor,
                         cautions_are_new=self.bench.cautions_are_new())

    @answers
    def choose_rig(self, form: dict[str, Any]) -> dict[str, Any]:
        """Take another rig."""
        self.bench.choose_rig(form.get("rig"))
        return {}

    @answers
    def start(self, form: dict[str, Any]) -> dict[str, Any]:
        """Ask for a run."""
        self.bench.start(form)
        return {}

    @answers
    def stop(self, form: dict[str, Any]) -> dict[str, Any]:
        """End the run."""
        self.bench.stop()
        return {}

    @answers
    def confirm(self, form: dict[str, Any]) -> dict[str, Any]:
        """The weight is on."""
        return {"words": self.bench.confirm()}

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

    def run(self, request: Request) -> Response:
        """One run: what is on file of it, and the page of ``padlab fit --report``."""
        from padlab.records.shelf import Shelf

        try:
            run = Shelf(self.bench.shelf).open(request.path_params["name"])
        except (RunError, OSError) as fault:
            return self.fault(request, fault if isinstance(fault, PadlabError) else PadlabError(str(fault)))
        return self.page(request, "run.html.j2", run=run, marks=[
            f"{m.weight}: {m.about}: {m.message}" for m in run.marks])

    def work(self, request: Request) -> Response:
        """Work that goes on, and its page when it is done."""
        try:
            work = self.works.find(request.path_params["name"])
        except InputError as fault:
            return self.fault(request, fault)
        return self.page(request, "work.html.j2", work=work)

    def report(self, request: Request) -> Response:
        """What was made, as it is: a document in which no script runs."""
        from starlette.responses import FileResponse

        try:
            work = self.works.find(request.path_params["name"])
        except InputError as fault:
            return self.fault(request, fault)
        if work.state != "done":
            return self.fault(request, InputError("this page is not made", seen=work.state, expected="done"))
        return FileResponse(work.out, media_type="text/html")

    def how_far(self, request: Request) -> Response:
        """How far a piece of work is."""
        from starlette.responses import JSONResponse

        try:
            return JSONResponse(self.works.find(request.path_params["name"]).to_json())
        except InputError as fault:
            return JSONResponse({"error": fault.to_json()}, 404)

    @answers
    def begin_work(self, form: dict[str, Any]) -> dict[str, Any]:
        """Fit a run, or compare several."""
        what, folders, options = asked_work(form, self.bench.shelf)
        return self.works.start(what, folders, options, f"{datetime.now(UTC):%Y-%m-%d}").to_json()

    @answers
    def cancel_work(self, form: dict[str, Any]) -> dict[str, Any]:
        """End a piece of work."""
        return self.works.cancel(str(form.get("id"))[:40]).to_json()

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
