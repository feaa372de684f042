"""A pad for every stop, from what is on a shelf: its fits, its wear runs and its shop.

Takes and gives:
    instrument, or what was fitted years ago --.
    touch ------------------------------------+--> padlab.decisions.choice.choose -> Choice
    shelf -> fits of its pads, wear runs, shop-'
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from padlab.decisions.choice import OnFile, choose
from padlab.decisions.cut_rows import Choice
from padlab.decisions.instrument import cut_again
from padlab.drift.touch import TouchProfile
from padlab.fitting.each_run import FitEach, fit_each
from padlab.fitting.many import Asked
from padlab.records.fitted import Fitted, fitted_from_bytes, is_fitted_name
from padlab.records.inside import read_named
from padlab.records.instrument import Instrument, instrument_from_bytes
from padlab.records.named import pad_runs
from padlab.records.shelf import find_runs
from padlab.records.shop import read_shop

Player = Callable[[str], TouchProfile]
"""A touch by its name (:mod:`padlab.drift.player`)."""
LIMIT = 4 << 20


def read_wanted(path: Path) -> Instrument | Fitted:
    """An instrument file, or a fitting that serves in its place.

    Raises
    ------
    InputError
        No such file.
    FileFormatError
        It has mistakes; all are listed.
    """
    return wanted_from_bytes(read_named(path, limit=LIMIT), name=path.name, source=str(path))


def wanted_from_bytes(data: bytes, *, name: str, source: str) -> Instrument | Fitted:
    """The same from what a file holds; its name says which of the two it is.

    Raises
    ------
    FileFormatError
        It has mistakes; all are listed.
    """
    if is_fitted_name(name):
        return fitted_from_bytes(data, source=source)
    return instrument_from_bytes(data, source=source)


def chosen(wanted: Instrument | Fitted, shelf: Path, *, player: Player, touch: str | None = None,
           fit: FitEach = fit_each) -> tuple[Choice, TouchProfile]:
    """The choice for an instrument, or again for what was fitted years ago.

    Parameters
    ----------
    wanted : Instrument or Fitted
        What every stop asks for.
    player : callable
        A touch by its name.
    touch : str, optional
        The player; if not given, as the file says.
    fit : callable
        What fits the runs.

    Raises
    ------
    InputError, RunError, FileFormatError
        No such touch, no pad on the shelf, a mistake in its shop.toml.
    """
    shop = read_shop(shelf)
    if isinstance(wanted, Fitted):
        one, touched, given = cut_again(wanted)
        if touch is not None:
            touched = player(touch)
    else:
        one, given = wanted, {}
        touched = player(touch or one.touch)
    return choose(one, touched, shop, on_file(shelf, fit=fit), given=given), touched


def on_file(shelf: Path, *, fit: FitEach = fit_each) -> OnFile:
    """Fits of the pads on a shelf, and its wear runs."""
    pads = [run for run in pad_runs((str(shelf),), by="choose") if run.pad is not None]
    fits, failed = fit(pads, Asked(replayed=True))
    fitted = {f.pad.material for f in fits}
    not_fitted = {n.run.pad.material: n.fault.message for n in failed
                  if n.run.pad is not None and n.run.pad.material not in fitted}
    worn = [run for run in find_runs([shelf], near=[Path.cwd()]) if run.kind == "wear"]
    return OnFile(fits, worn, not_fitted)
