"""Correct a run, as ``padlab amend``: a dated entry with its reason beside the old; list calibrations."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from padlab.bench.asked import at_fields, pad_as_typed, pad_filled_in
from padlab.bench.page import Room, answers
from padlab.errors import InputError, PadlabError, RunError
from padlab.records.amendments import NOTE_LIMIT, amend
from padlab.records.pad import MATERIAL_CLASSES, TEXT_LIMIT, Pad
from padlab.records.shelf import Shelf
from padlab.units import thou

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.routing import Route

KEYS = ("run", "what", "reason", "note", "pad")
DOING = ("set_aside", "take_back", "note", "pad")


class Correct(Room):
    """The pages of what is put right afterwards."""

    def routes(self) -> list[Route]:
        """Its addresses."""
        from starlette.routing import Route

        return [
            Route("/correct/{name}", self.run),
            Route("/calibrations", self.calibrations),
            Route("/api/correct", self.correct, methods=["POST"]),
        ]

    def run(self, request: Request) -> Response:
        """One run: what was corrected so far, and the forms that correct it."""
        try:
            run = Shelf(self.bench.shelf).open(request.path_params["name"])
        except (RunError, OSError) as fault:
            return self.fault(request, fault if isinstance(fault, PadlabError) else PadlabError(str(fault)))
        entries = [{"on": str(e.get("on"))[:10], "what": str(e.get("what")).replace("_", " "),
                    "reason": e.get("reason"), "old": _short(e.get("old")), "new": _short(e.get("new"))}
                   for e in reversed(run.amendments)]
        return self.page(request, "correct.html.j2", run=run, entries=entries, classes=MATERIAL_CLASSES,
                         pad=None if run.pad is None else pad_as_typed(run.pad), note_limit=NOTE_LIMIT,
                         text_limit=TEXT_LIMIT)

    def calibrations(self, request: Request) -> Response:
        """The calibrations on the shelf, newest first, and whether they are still good."""
        from padlab.records.calibration import list_calibrations

        now = f"{datetime.now(UTC):%Y-%m-%dT%H:%M:%SZ}"
        try:
            found, faults = list_calibrations(self.bench.shelf)
        except RunError as fault:
            return self.fault(request, fault)
        return self.page(request, "calibrations.html.j2", rows=[(c, c.is_expired(now)) for c in found],
                         faults=[str(f) for f in faults])

    @answers
    def correct(self, form: dict[str, Any]) -> dict[str, Any]:
        """Set aside, take back, add a note, or say what the pad really is."""
        unknown = sorted(str(key)[:40] for key in form if key not in KEYS)
        what = form.get("what")
        if unknown or what not in DOING:
            raise InputError("the page sent what is not asked for", expected=", ".join((*KEYS, *DOING)),
                             seen=", ".join(unknown) or repr(what)[:60])
        run = Shelf(self.bench.shelf).open(str(form.get("run"))[:60])
        mistakes: dict[str, str] = {}
        reason = _said(form.get("reason"), TEXT_LIMIT)
        if what != "note" and reason is None:
            mistakes["reason"] = f"reason: say why, in 1 to {TEXT_LIMIT} characters"
        note = _said(form.get("note"), NOTE_LIMIT) if what == "note" else None
        if what == "note" and note is None:
            mistakes["note"] = f"note: 1 to {NOTE_LIMIT} characters"
        pad = None
        if what == "pad" and run.pad is not None:
            pad = _corrected(form.get("pad"), run.pad, mistakes)
        if mistakes:
            raise InputError("Please look again at what is marked", where={
                "mistakes": list(mistakes.values()), "fields": list(mistakes)})
        if what == "pad" and run.pad is None:
            raise RunError(f"run {run.id} has no pad to correct", expected="a run of a pad",
                           seen=f"kind {run.kind}")
        amended = amend(run.folder, on=datetime.now(UTC), pad=pad, note=note, take_back=what == "take_back",
                        set_aside=reason if what == "set_aside" else None,
                        reason=None if what in ("set_aside", "note") else reason)
        return {"run": amended.id, "set_aside": amended.set_aside, "amendments": len(amended.amendments)}


def _said(typed: Any, most: int) -> str | None:
    return typed.strip() if isinstance(typed, str) and 0 < len(typed.strip()) <= most else None


def _corrected(typed: Any, old: Pad, mistakes: dict[str, str]) -> Pad | None:
    """The pad as it was filled in; a size that was left alone keeps its last digit, the pad its sheet."""
    pad, wrong = pad_filled_in(typed)
    mistakes.update(at_fields(wrong))
    if pad is None:
        return None
    before = pad_as_typed(old)
    kept = [key for key in ("outer_diameter", "inner_diameter", "thickness")
            if str(typed.get(key, "")).strip() == before[key]]
    sizes = {f"{key}_mm": getattr(old, f"{key}_mm") for key in kept}
    return replace(pad, sheet=old.sheet, place=old.place, note=old.note, **sizes)


def _short(value: Any) -> str:
    """An old or a new value in one line."""
    if value is None:
        return "none"
    if isinstance(value, dict):
        outer, inner, thick = (
            size if isinstance(size, int | float) else None
            for size in map(value.get, ("outer_diameter_mm", "inner_diameter_mm", "thickness_mm")))
        sizes = "of unknown size" if outer is None or inner is None else f"{outer:g} × {inner:g} mm"
        thickness = "thickness not known" if thick is None else \
            f"{thick:.3f} mm ({thou(thick):.1f} thou) thick"
        value = f"pad {value.get('id')} of {value.get('material')} ({value.get('material_class')}), " \
                f"lot {value.get('lot')}, {sizes}, {thickness}"
    return str(value)[:300]
