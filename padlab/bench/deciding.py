"""What is decided from what is on file: pads for an instrument, a delivered lot, when to renew, a touch.

Each page asks; :mod:`padlab.bench.asked_work` reads what was filled in, :mod:`padlab.bench.made` makes it.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from padlab.bench.asked_fitting import chosen_by, keep_fitting, rows_of
from padlab.bench.asked_work import instrument_as_typed
from padlab.bench.on_file import TITLES, touches_on
from padlab.bench.page import Room, answers
from padlab.errors import PadlabError

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import Route

    from padlab.decisions.instrument import Due

VALVES = 4
"""Valves that the form of an instrument has; files may have nine."""


class Deciding(Room):
    """The pages on which something is decided."""

    def routes(self) -> list[Route]:
        """Their addresses."""
        from starlette.routing import Route

        return [
            Route("/choose", self.choose),
            Route("/lots", self.lots),
            Route("/life", self.life),
            Route("/touch", self.touch),
            Route("/fitted/{name}", self.fitted),
            Route("/api/fitted", self.keep_fitting, methods=["POST"]),
            Route("/api/instrument", self.instrument, methods=["POST"]),
        ]

    def choose(self, request: Request) -> Response:
        """Which pad for every stop of an instrument."""
        from padlab.records.instruments_kept import instruments_kept
        from padlab.records.shop import NAME

        rows, faults = self._on_file()
        try:
            kept = instruments_kept(self.bench.shelf)
        except (PadlabError, OSError) as fault:
            kept, faults = [], [*faults, str(fault)]
        pads = [r for r in rows if r["kind"] == "pad" and not r["set_aside"]]
        return self.page(request, "choose.html.j2", kept=kept, touches=self._touches(rows), faults=faults,
                         valves=VALVES, runs=len(pads), stocks=sorted({r["material"] for r in pads}),
                         has_shop=(self.bench.shelf / NAME).is_file(), **self._recent("choose"))

    def lots(self, request: Request) -> Response:
        """Accept, refuse or test more of a delivered lot."""
        from padlab.report.paper_sheet import is_installed

        rows, faults = self._on_file()
        stocks = sorted({(r["material"], r["lot"]) for r in rows if r["material"] and r["lot"]})
        return self.page(request, "lots.html.j2", stocks=stocks, faults=faults, has_pdf=is_installed(),
                         **self._recent("lot"))

    def life(self, request: Request) -> Response:
        """When a new pad of each stock will need renewing."""
        rows, faults = self._on_file()
        worn = [r for r in rows if r["kind"] == "wear" and r["state"] != "recording"]
        due, more = self._due()
        return self.page(request, "life.html.j2", rows=worn, due=due, faults=[*faults, *more],
                         **self._recent("life"))

    def touch(self, request: Request) -> Response:
        """How hard and how long a player presses."""
        rows, faults = self._on_file()
        return self.page(request, "touch.html.j2", rows=self._touches(rows), faults=faults,
                         **self._recent("touch"))

    def fitted(self, request: Request) -> Response:
        """What was cut and fitted by a cut list, to be filled in."""
        try:
            work = self.works.find(request.path_params["name"])
            choice, _ = chosen_by(work)
        except PadlabError as fault:
            return self.fault(request, fault)
        return self.page(request, "fitted.html.j2", work=work, rows=rows_of(choice),
                         today=f"{datetime.now(UTC):%Y-%m-%d}")

    @answers
    def keep_fitting(self, form: dict[str, Any]) -> dict[str, Any]:
        """Keep it on file: a new dated file beside the instrument's, never over an old one."""
        self.bench.need_shelf()
        return keep_fitting(form, self.works.find(str(form.get("of"))[:40]), self.bench.shelf)

    @answers
    def instrument(self, form: dict[str, Any]) -> dict[str, Any]:
        """The instrument file of a filled-in form, to be kept; nothing of it is written here."""
        return {"text": instrument_as_typed(form)}

    def _on_file(self) -> tuple[list[dict[str, Any]], list[str]]:
        """The rows of the shelf, and what of it could not be read."""
        from padlab.records.index import list_runs
        from padlab.records.shelf import Shelf

        rows, faults = list_runs(Shelf(self.bench.shelf))
        return rows, [str(fault) for fault in faults]

    def _recent(self, what: str) -> dict[str, Any]:
        return {"recent": self.works.newest(what), "titles": TITLES}

    def _due(self) -> tuple[list[Due], list[str]]:
        """When the pads of the instruments kept on the shelf are due, as ``padlab due`` lists them."""
        from padlab.decisions.instrument import due
        from padlab.records.fitted import fittings_in
        from padlab.records.instruments_kept import FOLDER

        folder = self.bench.shelf / FOLDER
        if not folder.is_dir():
            return [], []
        found, unreadable = fittings_in(folder)
        return due(found), [f"not read: {path.name}: {fault.message}" for path, fault in unreadable]

    def _touches(self, rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
        """The recorded touches, each with its note, which names the session."""
        from padlab.records.shelf import Shelf

        found = []
        for row in touches_on(rows):
            try:
                note = Shelf(self.bench.shelf).open(row["run"]).note
            except (PadlabError, OSError):
                note = None                               # told in the list of faults, where it is opened
            found.append({**row, "note": note})
        return found
