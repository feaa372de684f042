"""What was cut and fitted, with the check afterwards: one dated file beside the instrument file.

``band-cornet-3.toml`` gets ``band-cornet-3.fitted-2026-11-29.json``. Such a file is never written over:
another fitting on the same day gets ``-2``. It holds all that a replacement needs years later, with the
instrument somewhere else: what every stop asks for, the touch, the pad that went in, what the check read.
"""

from __future__ import annotations

import json
import re
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from padlab.errors import FileFormatError, InputError, PadlabError
from padlab.records.inside import is_link, read_named
from padlab.words import quoted

LIMIT = 4 << 20
MARK = ".fitted-"
_NAME = re.compile(r"(.+)\.fitted-(\d{4}-\d{2}-\d{2})(?:-(\d{1,3}))?\.json")

Text = Annotated[str, Field(min_length=1, max_length=2000)]
Mm = Annotated[float, Field(ge=-20, le=20)]
Thick = Annotated[float, Field(ge=0.0, le=20)]
Newton = Annotated[float, Field(ge=0, le=100)]
Positive = Annotated[float, Field(gt=0, le=1e7)]


class _Stored(BaseModel):
    model_config = ConfigDict(extra="ignore", strict=True, allow_inf_nan=False, frozen=True)


class Ends(_Stored):
    """A value with its 95 % interval, ends null where they are not known."""

    value: float
    low: float | None = None
    high: float | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Ends:
        low = self.value if self.low is None else self.low
        high = self.value if self.high is None else self.high
        if not low <= self.value <= high:
            raise ValueError("low, value and high rise")
        return self


class FittedStop(_Stored):
    """One stop: what it asks for, the pad that went in, the check. Lengths in mm, forces at the button [N].

    ``wanted_mm`` is the loaded thickness that puts the port on zero, as it was known when the pad was cut;
    ``check_expected_mm`` what a right pad reads at ``check_at_n``, ``check_found_mm`` what was read.
    """

    valve: Text
    side: Literal["up", "down"]
    wanted_mm: Thick
    wanted_u_mm: Thick
    holding_n: Newton
    read_at_n: Newton
    outer_mm: Annotated[float, Field(ge=0, le=100)]
    inner_mm: Annotated[float, Field(ge=0, le=100)]
    loaded_outer_mm: Annotated[float, Field(ge=0, le=100)]
    loaded_inner_mm: Annotated[float, Field(ge=0, le=100)]
    metal_clearance_mm: Annotated[float, Field(ge=0, le=50)] | None
    fitted_loaded_mm: Thick
    material: Text
    material_class: Text
    lot: Text | None
    cut_mm: Thick
    shims_mm: list[Thick]
    layers: Annotated[int, Field(ge=1, le=9)]
    loaded_mm: Ends
    check_at_n: Newton
    check_expected_mm: Ends
    check_fresh_mm: Mm
    check_found_mm: Mm | None
    check_seated: bool
    thinning_mm: Ends | None
    renew_years: Ends | None


class FittedTouch(_Stored):
    """The touch that the pads were cut for, whole: a recording may be gone by then."""

    name: Text
    median_n: Positive
    gsd: Positive | None
    hold_median_s: Positive
    hold_gsd: Positive | None
    holding_n: Newton
    recorded_n: list[float] | None = Field(default=None, max_length=200_000)
    recorded_s: list[float] | None = Field(default=None, max_length=200_000)


class Fitted(_Stored):
    """A whole fitting."""

    format: Literal["padlab fitted 1"]
    label: Text
    fitted_on: date
    shelf: Text
    padlab: Text
    touch: FittedTouch
    strokes_per_day: Positive | None
    days_per_week: Annotated[float, Field(gt=0, le=7)] | None
    service_years: Annotated[float, Field(gt=0, le=200)] | None
    renew_limit_mm: Annotated[float, Field(gt=0, le=5)] | None
    temperature_c: Annotated[float, Field(ge=-60, le=80)] | None
    wear_share: Annotated[float, Field(ge=0, le=1)]
    stops: Annotated[list[FittedStop], Field(min_length=1, max_length=18)]
    note: Annotated[str, Field(max_length=2000)] | None = None

    @model_validator(mode="after")
    def _once(self) -> Fitted:
        keys = [(s.valve, s.side) for s in self.stops]
        if len(set(keys)) < len(keys):
            raise ValueError("every stop once")
        return self


def is_fitted_file(path: Path) -> bool:
    """Whether a file's name is that of a fitting."""
    return is_fitted_name(path.name)


def is_fitted_name(name: str) -> bool:
    """Whether a name is that of a fitting.

    >>> is_fitted_name("band-cornet-3.fitted-2026-11-29.json"), is_fitted_name("band-cornet-3.toml")
    (True, False)
    """
    return _NAME.fullmatch(name) is not None


def write_fitted(fitted: Fitted, instrument: Path) -> Path:
    """Write a new file beside the instrument file; gives its path.

    Raises
    ------
    InputError
        The folder cannot be written, or the day has a thousand fittings.
    """
    text = json.dumps(fitted.model_dump(mode="json"), indent=1, ensure_ascii=False) + "\n"
    before = _NAME.fullmatch(instrument.name)
    stem = before.group(1) if before else instrument.name.removesuffix(".toml")
    for number in range(1, 1000):
        again = "" if number == 1 else f"-{number}"
        path = instrument.parent / f"{stem}{MARK}{fitted.fitted_on:%Y-%m-%d}{again}.json"
        try:
            with path.open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
        except FileExistsError:
            continue
        except OSError as fault:
            raise InputError(f"{quoted(path)} cannot be written", expected="a folder open for writing",
                             seen=fault.strerror, where={"path": str(path)[:200]}) from fault
        return path
    raise InputError("too many fittings of one instrument on one day", seen="999")


def read_fitted(path: Path) -> Fitted:
    """Read a fitting.

    Raises
    ------
    InputError
        No such file.
    FileFormatError
        The file is damaged; what is wrong is listed.
    """
    return fitted_from_bytes(read_named(path, limit=LIMIT), source=str(path))


def fitted_from_bytes(data: bytes, *, source: str) -> Fitted:
    """The same from what a file holds; ``source`` names it."""
    shown = source[:200]
    try:
        return Fitted.model_validate_json(data)
    except ValidationError as fault:
        wrong = [f"{'.'.join(str(p)[:40] for p in e['loc']) or 'file'}: {e['msg']}"[:200]
                 for e in fault.errors(include_url=False, include_input=False)[:20]]
        raise FileFormatError(f"{shown} is no fitting that padlab wrote: " + "; ".join(wrong),
                              expected="a file that padlab fitted wrote", remedy="bring it back from a copy",
                              where={"path": shown, "mistakes": wrong}) from fault
    except RecursionError as fault:
        raise FileFormatError(f"{shown} is nested too deeply", where={"path": shown}) from fault


def fittings_in(folder: Path) -> tuple[list[tuple[Path, Fitted]], list[tuple[Path, PadlabError]]]:
    """All fittings below a folder, by instrument, day and number; and the files that could not be read.

    Links are not followed.

    Raises
    ------
    InputError
        No such folder.
    """
    if not folder.is_dir():
        raise InputError(f"there is no folder {quoted(folder)}", expected="a folder of instruments")
    found: list[tuple[Path, Fitted]] = []
    unreadable: list[tuple[Path, PadlabError]] = []
    for path in sorted(p for p in folder.rglob(f"*{MARK}*.json") if is_fitted_file(p)):
        if any(is_link(p) for p in (path, *path.relative_to(folder).parents) if p != Path()):
            continue
        try:
            found.append((path, read_fitted(path)))
        except PadlabError as fault:
            unreadable.append((path, fault))
    return sorted(found, key=lambda f: _place(f[0])), unreadable


def _place(path: Path) -> tuple[str, str, str, int]:
    name = _NAME.fullmatch(path.name)
    assert name is not None
    return str(path.parent), name.group(1), name.group(2), int(name.group(3) or 1)


def instrument_name(path: Path) -> str:
    """The name that the fittings of one instrument share.

    >>> instrument_name(Path("band-cornet-3.fitted-2026-11-29-2.json"))
    'band-cornet-3'
    """
    name = _NAME.fullmatch(path.name)
    return path.name if name is None else name.group(1)


def ends_of(quantity: Any) -> Ends | None:
    """A Quantity as it is stored; None stays None."""
    if quantity is None:
        return None
    return Ends(value=float(quantity.value), low=quantity.low, high=quantity.high)
