"""At the rig: what it reads, and the forms that ask for a run."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from padlab.bench.page import Room, answers
from padlab.capture.motor_cautions import motor_cautions
from padlab.capture.procedure import procedure_names, read_procedure
from padlab.capture.rig import rig_names
from padlab.cautions import CAUTIONS
from padlab.records.pad import MATERIAL_CLASSES

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import Route


class AtTheRig(Room):
    """The page at the rig."""

    def routes(self) -> list[Route]:
        """Its addresses."""
        from starlette.routing import Route

        return [
            Route("/", self.rig),
            Route("/api/rig", self.choose_rig, methods=["POST"]),
            Route("/api/start", self.start, methods=["POST"]),
            Route("/api/stop", self.stop, methods=["POST"]),
            Route("/api/confirm", self.confirm, methods=["POST"]),
        ]

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
