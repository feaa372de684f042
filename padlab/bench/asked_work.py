"""What a person asked of what is on file -> which work, resting on which files, how; every mistake at once.

A run is opened by its shelf, an instrument on file is looked up in its list, a file from the person's disk
comes as text: nothing that was typed becomes a path.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from padlab.bench.filled_in import Form
from padlab.decisions.shelf_choice import wanted_from_bytes
from padlab.drift.player import player_on
from padlab.drift.touch import PRESETS
from padlab.errors import FileFormatError, InputError, PadlabError, RunError
from padlab.records.instrument import Instrument, instrument_from_bytes
from padlab.records.instrument_form import instrument_toml, table_of_form
from padlab.records.instruments_kept import kept_bytes
from padlab.records.run import Run
from padlab.records.shelf import Shelf
from padlab.records.shop import NAME as SHOP
from padlab.records.spec import Spec, spec_from_bytes

MOST_RUNS = 1000
LONGEST_FILE = 48 * 1024
"""A file that a person wrote, as the page sends it [B]; the door lets a little more in."""
AS_FILE = "file"
"""The touch that the file itself names."""


@dataclass(frozen=True)
class AskedWork:
    """One piece of work: ``files`` are what it rests on (a run's folder stands for the run)."""

    what: str
    files: list[Path]
    options: dict[str, Any]
    runs: tuple[str, ...] = ()               # ids of the runs that were chosen; none: the whole shelf
    about: str = ""                          # what it is about, in a few words


def asked_work(sent: dict[str, Any], shelf: Path) -> AskedWork:
    """Which work, resting on what, how.

    Raises
    ------
    InputError
        No such work, no runs, or fields that cannot be read; ``where["mistakes"]`` lists them.
    FileFormatError
        A file that was sent has mistakes; all are listed.
    RunError
        A run that is not on the shelf, or of another kind.
    """
    what = sent.get("what")
    if not isinstance(what, str) or what not in ASKING:
        raise InputError("no such work", expected=", ".join(ASKING), seen=repr(what)[:60])
    return ASKING[what](Form(sent), shelf)


def _fit(form: Form, shelf: Path) -> AskedWork:
    runs = _runs(form, shelf, "pad", "fitted")
    return _of("fit", runs, {}, _blanks(runs, shelf))


def _compare(form: Form, shelf: Path) -> AskedWork:
    runs = _runs(form, shelf, "pad", "compared")
    outer = form.quantity("outer", "length", 0.1, 500)
    inner = form.quantity("inner", "length", 0.1, 500)
    options: dict[str, Any] = {
        "touch": _touch(form, shelf, otherwise="medium"), "stop": form.one_of("stop", ("up", "down"), "down"),
        "limit_mm": form.quantity("limit", "length", 1e-4, 10, otherwise="8thou"),
        "holding_n": form.quantity("holding", "force", 0, 50),
        "thickness_mm": form.quantity("thickness", "length", 0.05, 50),
        "outer_mm": outer, "inner_mm": inner, "service": _service(form), "shelf": str(shelf)}
    if not form.mistakes and (outer is None) != (inner is None):
        form.mistakes.append("outer: both diameters of the face, or neither")
    elif outer is not None and inner is not None and not inner < outer:
        form.mistakes.append("outer: more than the inner diameter")
    form.refuse()
    # The thinning comes from all wear runs, whether they were chosen or not.
    return _of("compare", runs, options,
               Shelf(shelf).run_folders() if options["service"] else _blanks(runs, shelf))


def _service(form: Form) -> dict[str, float] | None:
    given = {"years": form.number("years", 200), "strokes_per_day": form.number("strokes_per_day", 1e7),
             "days_per_week": form.number("days_per_week", 7)}
    known = {name: value for name, value in given.items() if value is not None}
    if known and len(known) < len(given) and not form.mistakes:
        form.mistakes.append("years: years, strokes a day and days a week go together")
    return known or None


def _life(form: Form, shelf: Path) -> AskedWork:
    runs = _runs(form, shelf, "wear", "read for wear")
    options = {
        "limit_mm": form.quantity("limit", "length", 1e-4, 5, needed=True),
        "strokes_per_day": form.number("strokes_per_day", 1e7, needed=True),
        "days_per_week": form.number("days_per_week", 7, needed=True),
        "stop": form.one_of("stop", ("up", "down"), "down"),
        "aged_c": form.quantity("aged_at", "temperature", -90, 300),
        "service_c": form.quantity("service_at", "temperature", -90, 100)}
    if not form.mistakes and (options["aged_c"] is None) != (options["service_c"] is None):
        form.mistakes.append("aged_at: both temperatures, or neither")
    form.refuse()
    return _of("life", runs, options)


def _touches(form: Form, shelf: Path) -> AskedWork:
    return _of("touch", _runs(form, shelf, "touch", "read as a touch"), {})


def _choose(form: Form, shelf: Path) -> AskedWork:
    touch = form.text("touch")
    named = None if touch in ("", AS_FILE) else _touch(form, shelf)
    name, data = _instrument(form, shelf)
    wanted = wanted_from_bytes(data, name=name, source=name)
    if named is None and isinstance(wanted, Instrument):
        player_on(shelf, wanted.touch)                     # said now, not after all the fits
    form.refuse()
    shop = [shelf / SHOP] if (shelf / SHOP).is_file() else []
    return AskedWork("choose", [*Shelf(shelf).run_folders(), *shop], {
        "shelf": str(shelf), "name": name, "text": data.decode("utf-8", "surrogateescape"), "touch": named,
        "keep": form.sent.get("source") == "form",
        "kept": name if form.sent.get("source") == "kept" else None}, about=wanted.label)


def _instrument(form: Form, shelf: Path) -> tuple[str, bytes]:
    """The instrument's file: name and what it holds, from wherever it comes."""
    match form.sent.get("source"):
        case "kept":
            name = form.text("kept")
            form.refuse()
            return name, kept_bytes(shelf, name)
        case "file":
            return sent_file(form.sent)
        case "form":
            return "instrument.toml", instrument_as_typed(form.sent).encode()
    raise InputError("which instrument?", expected="one on file, a file, or what was filled in",
                     seen=repr(form.sent.get("source"))[:40])


def instrument_as_typed(sent: dict[str, Any]) -> str:
    """The instrument file that a filled-in form stands for.

    Raises
    ------
    InputError, FileFormatError
        ``where["mistakes"]`` lists every mistake.
    """
    fields = sent.get("fields")
    if not isinstance(fields, dict):
        raise InputError("nothing was filled in", expected="the fields of the form", seen="none")
    table, mistakes = table_of_form(fields)
    text = instrument_toml(table)
    if len(text) > LONGEST_FILE:
        raise InputError("the form holds too much", expected=f"at most {LONGEST_FILE} characters",
                         seen=str(len(text)))
    if not table["valve"]:
        mistakes.append("valve.1.down.port_error: write what was read at one stop at least")
        table["valve"] = [{"name": "1"}]
    try:
        instrument_from_bytes(instrument_toml(table).encode(), source="the form")
    except FileFormatError as fault:
        # A stop of which nothing was written is no mistake: the form has a place for every one of them.
        told = {one.partition(":")[0] for one in mistakes}
        mistakes += [one.replace("write true", "tick it").replace("then true", "then tick it")
                     for one in fault.where["mistakes"]
                     if "write a table" not in one and one.partition(":")[0] not in told]
    if mistakes:
        raise InputError("please look again at: " + "; ".join(mistakes), where={"mistakes": mistakes})
    return text


def _plan(form: Form, shelf: Path) -> AskedWork:
    spec, options = _spec(form, shelf)
    return AskedWork("plan", list(Shelf(shelf).run_folders()), options, about=spec.material)


def _lot(form: Form, shelf: Path) -> AskedWork:
    spec, options = _spec(form, shelf)
    lot = form.text("lot")
    if not lot:
        form.mistakes.append("lot: which lot is to be judged?")
    form.refuse()
    return AskedWork("lot", list(Shelf(shelf).run_folders()), {**options, "lot": lot},
                     about=f"{spec.material}, lot {lot}")


def _spec(form: Form, shelf: Path) -> tuple[Spec, dict[str, Any]]:
    """A spec that was sent, read once here so that its mistakes are told at once."""
    name, data = sent_file(form.sent)
    spec = spec_from_bytes(data, source=name)
    if spec.touch is not None:
        player_on(shelf, spec.touch)                       # a preset or a touch run of the shelf; no file
    return spec, {"shelf": str(shelf), "name": name, "text": data.decode("utf-8", "surrogateescape")}


def sent_file(sent: dict[str, Any]) -> tuple[str, bytes]:
    """A file from the person's disk, as the page read it: its name (for messages only), what it holds.

    Raises
    ------
    InputError
        None was chosen, or it is too large.
    """
    name, text = sent.get("name"), sent.get("text")
    if not isinstance(name, str) or not isinstance(text, str) or not name.strip():
        raise InputError("choose the file first", expected="a file from this computer", seen="none",
                         where={"mistakes": ["file: choose the file first"]})
    try:
        data = text.encode("utf-8")
    except UnicodeEncodeError as fault:
        raise FileFormatError(f"{name[:80]} is no text", expected="text in UTF-8",
                              seen="other bytes") from fault
    if len(data) > LONGEST_FILE:
        raise InputError(f"{name[:80]} is too large for the page", expected=f"at most {LONGEST_FILE} bytes",
                         seen=f"{len(data)} bytes", remedy="keep it in instruments/ on the shelf, or use the "
                         "command line", where={"mistakes": ["file: too large for the page"]})
    return name.strip()[:200], data


def _touch(form: Form, shelf: Path, *, otherwise: str = "") -> str | None:
    """A preset, or the id of a touch run that can be used."""
    touch = form.text("touch") or otherwise
    if touch in PRESETS:
        return touch
    try:
        return player_on(shelf, touch).name
    except PadlabError as fault:
        form.mistakes.append(f"touch: {fault.message}")
        return None


def _runs(form: Form, shelf: Path, kind: str, done: str) -> list[Run]:
    """The runs that were chosen: each once, of one kind, ended."""
    names = form.sent.get("runs")
    if not (isinstance(names, list) and 0 < len(names) <= MOST_RUNS
            and all(isinstance(name, str) for name in names)):
        raise InputError("choose the runs first", expected=f"1 to {MOST_RUNS} runs",
                         seen="none" if not names else "something else")
    runs = [Shelf(shelf).open(name) for name in sorted(set(names))]
    for run in runs:
        if run.kind != kind or run.state == "recording":
            raise RunError(f"run {run.id} cannot be {done}", expected=f"a run of kind {kind} that has ended",
                           seen=f"kind {run.kind}, {run.state}")
    return runs


def _blanks(runs: list[Run], shelf: Path) -> list[Path]:
    """The blank runs that some runs name: what a fit rests on as well."""
    found = []
    for name in dict.fromkeys(run.blank for run in runs if run.blank):
        with contextlib.suppress(RunError, OSError):       # that it is not there, the fit says
            found.append(Shelf(shelf).open(name).folder)
    return found


def _of(what: str, runs: list[Run], options: dict[str, Any], more: Any = ()) -> AskedWork:
    files = list(dict.fromkeys([*(run.folder for run in runs), *more]))
    return AskedWork(what, files, {**options, "runs": [str(run.folder) for run in runs]},
                     tuple(run.id for run in runs), _about(runs))


def _about(runs: list[Run]) -> str:
    """What some runs are of: the stocks, or the run itself."""
    if len(runs) == 1:
        pad = runs[0].pad
        return runs[0].id if pad is None else f"{pad.material}, lot {pad.lot}, pad {pad.id}"
    stocks = sorted({run.pad.material for run in runs if run.pad})
    several = f" of {', '.join(stocks[:3])}{' and others' if len(stocks) > 3 else ''}" if stocks else ""
    return f"{len(runs)} runs{several}"


ASKING: dict[str, Callable[[Form, Path], AskedWork]] = {
    "fit": _fit, "compare": _compare, "life": _life, "touch": _touches, "choose": _choose, "plan": _plan,
    "lot": _lot}
"""What can be asked for, by name; :data:`padlab.bench.made.MAKING` makes it."""
