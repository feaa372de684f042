"""Take in a table: padlab says what a file probably holds, a person puts that right and confirms it.

    /take-in --file--> /api/table --> /take-in/ID: look --> confirm --> take in --> what was read, the run

What comes from outside (names, ids, cells) is looked up or shown, and never becomes a path.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from padlab.bench.asked import pad_as_typed
from padlab.bench.asked_table import WITH_A_SIGN, asked_table, quantities_of, units_of
from padlab.bench.bench import Bench
from padlab.bench.door import UPLOADS
from padlab.bench.page import Room, answers
from padlab.bench.tables import Table, Tables
from padlab.bench.work import Works
from padlab.errors import InputError, PadlabError, RunError
from padlab.records.last_pads import last_pads
from padlab.records.pad import MATERIAL_CLASSES
from padlab.records.shelf import Shelf
from padlab.signals.taking_in import KINDS, OF_A_PAD, OF_A_STOP

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import Route

SAID = {
    "pad": "presses of a pad", "touch": "a player's finger, force only",
    "blank": "a bare frame, no pad in it", "check": "a spring or another check",
    "wear": "one pad over its service", "gauge": "gauge thickness of a lot",
    "strokes": "an endurance machine, stroke by stroke"}
"""What a table holds, in the words of whoever recorded it."""


class TakeIn(Room):
    """The pages of tables that were recorded elsewhere."""

    def __init__(self, bench: Bench, works: Works) -> None:
        super().__init__(bench, works)
        self.tables = Tables(works)

    def routes(self) -> list[Route]:
        """Its addresses."""
        from starlette.routing import Route

        return [
            Route("/take-in", self.choose),
            Route("/take-in/{name}", self.table),
            Route("/api/table", self.upload, methods=["POST"]),
            Route("/api/take-in", self.confirm, methods=["POST"]),
            Route("/api/put-away", self.put_away, methods=["POST"]),
        ]

    def choose(self, request: Request) -> Response:
        """Choose a file; what waits."""
        return self.page(request, "take_in.html.j2", waiting=self.tables.waiting(),
                         most_mb=UPLOADS["/api/table"] >> 20, most=UPLOADS["/api/table"])

    def upload(self, request: Request) -> Response:
        """A file that came in: kept, until it is taken in or room is needed."""
        from starlette.responses import JSONResponse

        try:
            table = self.tables.keep(request.scope["upload"], request.query_params.get("name", ""))
        except (InputError, OSError) as fault:
            told = fault if isinstance(fault, PadlabError) else PadlabError(str(fault))
            return JSONResponse({"error": told.to_json()}, 400)
        return JSONResponse({"id": table.id})

    def table(self, request: Request) -> Response:
        """One table: what it probably holds, how far taking it in is, or what was read."""
        if not request.scope["guest"].may_drive:           # who only watches begins no work
            return self.choose(request)
        try:
            table = self.tables.find(request.path_params["name"])
            taking = self.tables.taking(table)
            if table.outcome is not None:
                return self.page(request, "table_taken.html.j2", table=table, told=table.outcome)
            if taking is not None and taking.state == "running":
                return self.page(request, "table_work.html.j2", table=table, work=taking, taking=True)
        except InputError as fault:
            return self.fault(request, fault)
        try:
            work = self.tables.look(table)
        except InputError as busy:             # it is looked at when other work has ended
            return self.page(request, "table_not.html.j2", table=table, fault=None, busy=busy)
        if work.state == "running":
            return self.page(request, "table_work.html.j2", table=table, work=work, taking=False)
        if work.state != "done" or work.made is None or work.made.told is None:
            return self.page(request, "table_not.html.j2", table=table, fault=work.fault, busy=None)
        failed = None if taking is None or taking.state != "failed" else taking.fault
        return self._form(request, table, work.made.told["readings"], failed)

    def _form(self, request: Request, table: Table, readings: list[dict[str, Any]],
              failed: dict[str, Any] | None) -> Response:
        asked = request.query_params.get("reading", "0")[:3]
        number = int(asked) if asked.isascii() and asked.isdigit() and int(asked) < len(readings) else 0
        quantities = {kind: quantities_of(kind) for kind in KINDS}
        names = sorted({q for some in quantities.values() for q in some})
        return self.page(
            request, "table_form.html.j2", table=table, readings=readings, number=number,
            reading=readings[number], kinds=SAID, quantities=quantities, names=names,
            units={q: units_of(q) for q in names}, pads=self._pads(), classes=MATERIAL_CLASSES,
            with_a_sign=WITH_A_SIGN, of_a_pad=OF_A_PAD,
            of_a_stop=OF_A_STOP, failed=failed)

    def _pads(self) -> list[dict[str, str]]:
        try:
            return [pad_as_typed(pad) for pad in last_pads(Shelf(self.bench.shelf))]
        except RunError:
            return []                          # the list of what is on file says what is wrong with the shelf

    @answers
    def confirm(self, form: dict[str, Any]) -> dict[str, Any]:
        """Take a table in, as it was confirmed."""
        self.bench.need_shelf()
        table = self.tables.find(str(form.get("id"))[:40])
        if table.outcome is not None:
            return self.tables.take(table, {}).to_json()   # says that it was taken in
        look = self.tables.look(table)
        if look.made is None or look.made.told is None:
            raise InputError("this table was not looked at yet", expected="its columns", seen=look.state,
                             remedy="open its page again")
        options = asked_table(form, look.made.told["readings"], self.bench.shelf, now=datetime.now(UTC))
        return self.tables.take(table, options).to_json()

    @answers
    def put_away(self, form: dict[str, Any]) -> dict[str, Any]:
        """Forget a table."""
        self.tables.drop(str(form.get("id"))[:40])
        return {}
