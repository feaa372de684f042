"""On file: the runs of the shelf, one of them, and what is made of them."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime
from typing import TYPE_CHECKING, Any

from padlab.bench.asked_work import asked_work
from padlab.bench.page import Room, answers
from padlab.bench.traced import traced, traced_calibration
from padlab.errors import InputError, PadlabError, RunError

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import Route

FILTERS = ("material", "lot", "kind", "since")
KIND_WORDS = {"pad": "pad", "touch": "touch of a player", "blank": "blank (bare frame)",
              "check": "check of the rig", "wear": "wear over a service", "gauge": "thickness gauge",
              "calibration": "calibration"}
KINDS_OF_FILE = {".pdf": "application/pdf", ".html": "text/html", ".toml": "application/toml"}
LARGEST_DOWNLOAD = 1 << 30
"""A larger file of samples is not sent through the page: it is copied from the shelf's folder [B]."""


TITLES = {"fit": ("Runs fitted", "shelf"), "compare": ("Stocks compared", "shelf"),
          "choose": ("Pads chosen", "choose"), "plan": ("A lot planned", "lots"),
          "lot": ("A lot judged", "lots"), "life": ("When to renew", "life"),
          "touch": ("Touch", "touch")}
"""Of each kind of work its title, and the page that it belongs to."""


class OnFile(Room):
    """The pages of what is on file."""

    def routes(self) -> list[Route]:
        """Its addresses."""
        from starlette.routing import Route

        return [
            Route("/shelf", self.shelf),
            Route("/run/{name}", self.run),
            Route("/made/{name}", self.work),
            Route("/report/{name}", self.report),
            Route("/report/{name}/{file}", self.report),
            Route("/calibration/{name}", self.calibration),
            Route("/download/run/{name}/{file:path}", self.samples),
            Route("/download/{name}/{file}", self.download),
            Route("/api/work", self.begin_work, methods=["POST"]),
            Route("/api/made/{name}", self.how_far),
            Route("/api/cancel", self.cancel_work, methods=["POST"]),
        ]

    def shelf(self, request: Request) -> Response:
        """What is on file, newest first, as ``padlab shelf`` lists it."""
        from padlab.records.index import list_runs
        from padlab.records.shelf import Shelf

        asked = {name: request.query_params.get(name, "").strip()[:200] for name in FILTERS}
        rows, faults = list_runs(Shelf(self.bench.shelf))
        wrong = asked["since"] and not is_day(asked["since"])
        shown = [r for r in rows if all(not asked[k] or r[k] == asked[k] for k in ("material", "lot", "kind"))
                 and (wrong or not asked["since"] or r["start"] >= asked["since"])]
        known = {k: sorted({r[k] for r in rows if r[k] is not None}) for k in ("material", "lot", "kind")}
        interrupted = any(r["state"] == "interrupted" and not r["set_aside"] for r in shown)
        return self.page(request, "shelf.html.j2", rows=shown, count=len(rows), known=known, asked=asked,
                         faults=[str(f) for f in faults], wrong=wrong, kind_words=KIND_WORDS,
                         touches=touches_on(rows), interrupted=interrupted, recent=self.works.newest(*TITLES),
                         titles=TITLES)

    def run(self, request: Request) -> Response:
        """One run: what is on file of it, and the page of ``padlab fit --report``."""
        from padlab.records.shelf import Shelf

        try:
            run = Shelf(self.bench.shelf).open(request.path_params["name"])
        except (RunError, OSError) as fault:
            return self.fault(request, fault if isinstance(fault, PadlabError) else PadlabError(str(fault)))
        return self.page(request, "run.html.j2", run=run, traced=traced(run, self.bench.shelf),
                         kind_words=KIND_WORDS,
                         marks=[f"{m.weight}: {m.about}: {m.message}" for m in run.marks])

    def calibration(self, request: Request) -> Response:
        """One calibration as it stands on the shelf."""
        from padlab.records.calibration import read_calibration

        try:
            found = read_calibration(self.bench.shelf, request.path_params["name"])
        except (RunError, OSError) as fault:
            return self.fault(request, fault if isinstance(fault, PadlabError) else PadlabError(str(fault)))
        return self.page(request, "calibration.html.j2", cal=found, **traced_calibration(found))

    def samples(self, request: Request) -> Response:
        """A file of a run, as it stands on the shelf, to be kept; its name is looked up, it is no path."""
        from starlette.responses import FileResponse

        from padlab.records.kept_files import kept_file
        from padlab.records.shelf import Shelf

        if not request.scope["guest"].may_drive:
            return self.fault(request, InputError("over the network samples are not handed out",
                                                  expected="the browser of this machine"), 403)
        try:
            run = Shelf(self.bench.shelf).open(request.path_params["name"])
            path = kept_file(run, request.path_params["file"])
            size = path.stat().st_size
        except (RunError, OSError) as fault:
            return self.fault(request, fault if isinstance(fault, PadlabError) else PadlabError(str(fault)))
        if run.state == "recording":
            return self.fault(request, RunError(f"run {run.id} is still being recorded", seen="it goes on",
                                                remedy="wait until it has ended"), 409)
        if size > LARGEST_DOWNLOAD:
            return self.fault(request, RunError(
                f"{path.name} is too large for the page", expected=f"at most {LARGEST_DOWNLOAD} bytes",
                seen=f"{size} bytes", remedy=f"copy it from {path.parent}"), 413)
        return FileResponse(path, media_type="application/octet-stream", filename=f"{run.id}-{path.name}")

    def work(self, request: Request) -> Response:
        """Work that goes on, and its page when it is done."""
        try:
            work = self.works.find(request.path_params["name"])
        except InputError as fault:
            return self.fault(request, fault)
        if work.what not in TITLES:                        # a table that is looked at or taken in
            return self.fault(request, InputError("this work makes no page", expected=", ".join(TITLES),
                                                  seen=work.what, remedy="see Take in a table"))
        title, here = TITLES[work.what]
        return self.page(request, "work.html.j2", work=work, title=title, here=here)

    def report(self, request: Request) -> Response:
        """A page that was made, the first or one by its name: a document in which no script runs."""
        return self._file(request, request.path_params.get("file"), is_shown=True)

    def download(self, request: Request) -> Response:
        """One of the files that were made, to be kept."""
        return self._file(request, request.path_params["file"], is_shown=False)

    def _file(self, request: Request, name: str | None, *, is_shown: bool) -> Response:
        """A file of a piece of work, to be shown or to be kept; a name is looked up, it is no path."""
        from starlette.responses import FileResponse

        try:
            work = self.works.find(request.path_params["name"])
        except InputError as fault:
            return self.fault(request, fault)
        if work.made is None:
            return self.fault(request, InputError("this page is not made", seen=work.state, expected="done"))
        for one in work.made.files:
            if is_shown and name in (None, one) and one.endswith(".html"):
                return FileResponse(work.folder / one, media_type="text/html")
            if not is_shown and one == name:
                kind = KINDS_OF_FILE[one[one.rindex("."):]]
                return FileResponse(work.folder / one, media_type=kind, filename=one)
        return self.fault(request, InputError("no such file was made", seen=repr(name)[:60],
                                              expected=", ".join(work.made.files)))

    def how_far(self, request: Request) -> Response:
        """How far a piece of work is."""
        from starlette.responses import JSONResponse

        try:
            return JSONResponse(self.works.find(request.path_params["name"]).to_json())
        except InputError as fault:
            return JSONResponse({"error": fault.to_json()}, 404)

    @answers
    def begin_work(self, form: dict[str, Any]) -> dict[str, Any]:
        """Fit, compare, choose, judge a lot: whatever takes a while."""
        asked = asked_work(form, self.bench.shelf)
        return self.works.start(asked.what, asked.files, asked.options, f"{datetime.now(UTC):%Y-%m-%d}",
                                asked.runs, asked.about).to_json()

    @answers
    def cancel_work(self, form: dict[str, Any]) -> dict[str, Any]:
        """End a piece of work."""
        return self.works.cancel(str(form.get("id"))[:40]).to_json()


def touches_on(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Of the listed runs the recorded touches that may serve, newest first."""
    return [r for r in rows if r["kind"] == "touch" and r["state"] != "recording" and not r["set_aside"]]


def is_day(text: str) -> bool:
    """Whether a text is a date.

    >>> is_day("2026-07-04"), is_day("2026-02-30"), is_day("today")
    (True, False, False)
    """
    try:
        return re.fullmatch(r"\d{4}-\d\d-\d\d", text, re.ASCII) is not None and bool(date.fromisoformat(text))
    except ValueError:
        return False
