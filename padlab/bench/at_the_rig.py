"""At the rig: what it reads, and the forms that ask for a run."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Any

from padlab.bench.asked import pad_as_typed, procedures_for
from padlab.bench.page import Room, answers
from padlab.capture.motor_cautions import motor_cautions
from padlab.capture.rig import read_rig, rig_names
from padlab.cautions import CAUTIONS
from padlab.errors import PadlabError
from padlab.records.pad import MATERIAL_CLASSES
from padlab.records.shelf import Shelf

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
            Route("/api/again", self.again, methods=["POST"]),
            Route("/api/zero", self.zero, methods=["POST"]),
        ]

    def rig(self, request: Request) -> Response:
        """At the rig: what it reads, what is to be done, and the form that asks for a run.

        ``?repeat=RUN`` fills in the procedure and the pad of a run on the shelf.
        """
        rig = self.bench.rig
        if rig is None:
            return self.page(request, "choose_rig.html.j2", rigs=rigs_in_words(),
                             broken=self.bench.broken_off())
        self.bench.trust_anew()
        procedures = procedures_for(rig)
        pad, chosen, kept = self.bench.last_pad(), "standard", {"note": "", "conditioning": ""}
        again = request.query_params.get("repeat")
        if again is not None:
            try:
                run = Shelf(self.bench.shelf).open(again)
            except (PadlabError, OSError) as fault:
                told = fault if isinstance(fault, PadlabError) else PadlabError(str(fault))
                return self.fault(request, told)
            chosen = str((run.procedure or {}).get("name"))
            pad = pad if run.pad is None else pad_as_typed(run.pad)
            kept = {"note": run.note or "", "conditioning": run.environment.get("conditioning") or ""}
        names = [one.name for one in procedures]
        motor = [] if rig.motor is None or rig.motor.watchdog is None else motor_cautions(
            rig, "the chosen procedure", rig.motor.force_n)
        return self.page(request, "rig.html.j2", rig=rig, rigs=rigs_in_words(), procedures=procedures,
                         chosen=chosen if chosen in names else names[0] if names else "", kept=kept, pad=pad,
                         classes=MATERIAL_CLASSES, cautions=CAUTIONS, motor=motor,
                         broken=self.bench.broken_off(), cautions_are_new=self.bench.cautions_are_new())

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

    @answers
    def again(self, form: dict[str, Any]) -> dict[str, Any]:
        """The last press is taken back."""
        return {"words": self.bench.again()}

    @answers
    def zero(self, form: dict[str, Any]) -> dict[str, Any]:
        """Readings are shown from here on less what they are now, or as they come."""
        return {"words": self.bench.zero(form.get("on"))}


@lru_cache(maxsize=1)
def rigs_in_words() -> tuple[tuple[str, str], ...]:
    """The rigs that padlab brings: name, and what each is."""
    return tuple((name, read_rig(name).title) for name in rig_names())
