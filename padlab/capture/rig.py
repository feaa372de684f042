"""A rig description (TOML) -> instruments and channels, checked whole.

Takes the name of a rig that padlab brings, or the path of a TOML file; gives a :class:`RigFile`.
A new serial instrument is a new TOML file, no code. The JSON Schema beside the rigs is made from
the classes of :mod:`padlab.capture.rig_file` by :func:`schema`; a test holds it current.

>>> rig = read_rig("bench")
>>> [c.quantity for c in rig.to_record().instruments[0].channels]
['force', 'displacement']

Which protocol when: ``lines`` for anything that sends text lines, by itself or when it is asked;
``scpi`` for bench instruments that answer IEEE 488.2 queries; ``modbus-rtu`` for load-cell amplifiers
and other devices with registers. The seam for more is :mod:`padlab.capture.instrument_file`,
:func:`padlab.capture.polled.port_for` and :func:`padlab.capture.wire.reader_for`.
"""

from __future__ import annotations

import json
import tomllib
from importlib import resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from padlab.capture.instrument_file import InstrumentFile as InstrumentFile
from padlab.capture.instrument_file import LinesFile as LinesFile
from padlab.capture.instrument_file import ModbusFile as ModbusFile
from padlab.capture.instrument_file import ScpiFile as ScpiFile
from padlab.capture.rig_file import RigFile as RigFile
from padlab.capture.rig_parts import check_url as check_url
from padlab.errors import FileFormatError, InputError
from padlab.records.forms import seen_words, wanted_words

LARGEST_FILE = 64 * 1024


def rigs_folder() -> Traversable:
    """Where the rigs are that padlab brings: in the package, or beside it in a checkout."""
    packaged = resources.files("padlab") / "rigs"
    return packaged if packaged.is_dir() else Path(__file__).resolve().parents[2] / "rigs"


def rig_names() -> list[str]:
    """The rigs that padlab brings."""
    folder = rigs_folder()
    if not folder.is_dir():
        return []
    return sorted(p.name[:-5] for p in folder.iterdir() if p.name.endswith(".toml"))


def read_rig(name_or_path: str) -> RigFile:
    """Read a rig by name or from a TOML file.

    Raises
    ------
    InputError
        No such name or file.
    FileFormatError
        The file has mistakes; all of them are listed.
    """
    source: Traversable
    if name_or_path in rig_names():
        source = rigs_folder() / f"{name_or_path}.toml"
    elif name_or_path.endswith(".toml") and Path(name_or_path).is_file():
        source = Path(name_or_path)
    else:
        raise InputError(
            f"no rig {name_or_path[:80]!r}", expected="one of " + ", ".join(rig_names()),
            seen=name_or_path[:80], remedy="name one of these, or give the path of a .toml file",
        )
    with source.open("rb") as file:
        raw = file.read(LARGEST_FILE + 1)
    if len(raw) > LARGEST_FILE:
        raise FileFormatError(f"{name_or_path} is too large for a rig file",
                              expected=f"at most {LARGEST_FILE} bytes")
    try:
        table = tomllib.loads(raw.decode("utf-8"))
    except (ValueError, RecursionError) as fault:
        raise FileFormatError(f"{name_or_path} is not TOML: {fault}") from fault
    return rig_from_table(table, source=name_or_path)


def rig_from_table(table: dict[str, Any], *, source: str) -> RigFile:
    """Check a parsed rig whole.

    Raises
    ------
    FileFormatError
        ``where["mistakes"]`` lists every mistake with its key.
    """
    try:
        return RigFile.model_validate(table)
    except ValidationError as fault:
        errors = [dict(e) for e in fault.errors(include_url=False)]
        mistakes = [_words(e) for e in errors if not (e["type"] == "too_short" and e["input"])]
        raise FileFormatError(
            f"{source} has {len(mistakes)} mistake(s): " + "; ".join(mistakes),
            remedy="padlab new rig writes a commented one", where={"mistakes": mistakes},
        ) from fault


def _words(error: dict[str, Any]) -> str:
    """One mistake in plain words: its key, what is expected there, what was seen."""
    key = ""
    protocols = ("lines", "scpi", "modbus-rtu")              # which kind was checked is no key of the file
    for part in (p for i, p in enumerate(error["loc"]) if not (i == 2 and p in protocols)):
        key += f"[{part + 1}]" if isinstance(part, int) else f".{part}"
    kind, seen = error["type"], seen_words(error["input"])
    if kind == "extra_forbidden":
        text = "not a key of a rig file; take it out, or mend its spelling"
    elif kind == "missing":
        text = "missing; add it"
    elif kind.startswith("padlab_"):
        text = error["msg"]
        if kind in ("padlab_url", "padlab_quantity", "padlab_name"):
            text += f"; seen {seen}"
    elif (wanted := wanted_words(kind, error.get("ctx", {}))) is not None:
        text = f"expected {wanted}; seen {seen}"
    else:
        text = f"{error['msg'][:1].lower()}{error['msg'][1:]}; seen {seen}"
    return f"{key.lstrip('.')}: {text}" if key else str(text)


def schema() -> str:
    """The JSON Schema (2020-12) of a rig file, as text; kept in ``rigs/rig.schema.json``.

    To renew it: ``python -c "from padlab.capture.rig import schema; print(schema(), end='')" >
    rigs/rig.schema.json``.
    """
    table = {"$schema": "https://json-schema.org/draft/2020-12/schema", **RigFile.model_json_schema()}
    return json.dumps(table, indent=2, ensure_ascii=False) + "\n"
