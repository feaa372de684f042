"""The cut list of an instrument and the certificate of a lot: as the command line makes them."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from padlab.bench.work import Made

if TYPE_CHECKING:
    from padlab.decisions.cut_rows import Choice
    from padlab.fitting.each_run import FitEach

VERDICTS = {"accept": ("accepted", "good"), "refuse": ("refused", "poor"),
            "test_more": ("test more pads", "open")}


def choose(options: dict[str, Any], out: Path, made_on: str, fit: FitEach) -> Made:
    """What ``padlab choose INSTRUMENT.toml SHELF --out FILE.html --labels FILE.html`` does."""
    from padlab.decisions.shelf_choice import chosen, wanted_from_bytes
    from padlab.drift.player import player_on
    from padlab.report.cut_labels import write_labels
    from padlab.report.cut_list import write_cut_list

    shelf, data = Path(options["shelf"]), options["text"].encode("utf-8", "surrogateescape")
    wanted = wanted_from_bytes(data, name=options["name"], source=options["name"])
    choice, touched = chosen(wanted, shelf, touch=options["touch"], fit=fit,
                            player=lambda name: player_on(shelf, name))
    write_cut_list(choice, out / "cut-list.html", made_on=made_on)
    write_labels(choice, out / "labels.html", made_on=made_on)
    files = {"cut-list.html": "The cut list", "labels.html": "The labels"}
    if options["keep"]:
        (out / "instrument.toml").write_bytes(data)
        files["instrument.toml"] = "The instrument file, for next time"
    return Made(files, told_choice(choice), (choice, touched))


def told_choice(choice: Choice) -> dict[str, Any]:
    """The choice in a line: for how many stops there is a pad, and for how many not."""
    cut = sum(stop.best is not None for stop in choice.stops)
    stops = len(choice.stops) + len(choice.no_cut)
    missing = len(choice.no_cut)
    lacking = "" if not missing else f"; of {missing} something is missing: the list says what"
    none = len(choice.stops) - cut
    barred = "" if not none else f"; for {none} no stock may be recommended"
    return {"words": f"A pad for {cut} of {stops} stops{barred}{lacking}.",
            "look": "good" if cut == stops else "poor" if none else "open"}


def plan(options: dict[str, Any], out: Path, made_on: str) -> Made:
    """What ``padlab qualify --plan SPEC.toml`` says, and the lots of the stock that are on file; no file."""
    from padlab.decisions.batch_plan import plan_batch
    from padlab.decisions.shelf_lot import lots_on
    from padlab.records.spec import spec_from_bytes

    spec = spec_from_bytes(options["text"].encode("utf-8", "surrogateescape"), source=options["name"])
    words = plan_batch(spec).words()
    return Made({}, {"words": words[0], "look": "open", "plan": words,
                     "lots": lots_on(Path(options["shelf"]), spec)})


def lot(options: dict[str, Any], out: Path, made_on: str, fit: FitEach) -> Made:
    """What ``padlab qualify SHELF --spec SPEC.toml --lot LOT --out CERTIFICATE.html`` does (and ``.pdf``)."""
    from padlab.decisions.shelf_lot import judged_lot
    from padlab.drift.player import player_on
    from padlab.records.spec import spec_from_bytes
    from padlab.report.certificate import write_certificate
    from padlab.report.paper_sheet import is_installed

    shelf, data = Path(options["shelf"]), options["text"].encode("utf-8", "surrogateescape")
    spec = spec_from_bytes(data, source=options["name"])
    done = judged_lot(shelf, spec, options["lot"], fit=fit, player=lambda name: player_on(shelf, name))
    write_certificate(done, out / "certificate.html", made_on=made_on)
    files = {"certificate.html": "The certificate"}
    if is_installed():
        write_certificate(done, out / "certificate.pdf", made_on=made_on)
        files["certificate.pdf"] = "The certificate as PDF, to print and sign"
    words, look = VERDICTS[str(done.result.verdict)]
    reasons = [f"{r.characteristic.words}: {reason}"
               for r in done.result.characteristics for reason in r.reasons]
    return Made(files, {"words": f"{spec.material}, lot {options['lot']}: {words}.", "look": look,
                        "more": reasons})
