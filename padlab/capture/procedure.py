"""The steps of a test, read from TOML: what the hand does, to what net pad force, how often.

A step is one of

* ``stroke``  press to ``to_n`` and let go below F0, ``count`` times, at a ``pace``;
* ``hold``    press to ``to_n`` and hold it for ``seconds``, then let go;
* ``rest``    stay at F0 (a light touch) for ``seconds``;
* ``free``    record for ``seconds`` whatever happens (touch);
* ``bare``    press anvil on anvil to ``to_n``, ``count`` times (blank).

>>> [s.do for s in read_procedure("standard").steps][:3]
['stroke', 'stroke', 'stroke']
>>> sum(s.count for s in read_procedure("standard").steps if s.do == "stroke")
14
"""

from __future__ import annotations

import tomllib
from dataclasses import asdict, dataclass
from importlib import resources
from pathlib import Path
from typing import Any, Literal, cast

from padlab.errors import FileFormatError, InputError
from padlab.records.forms import read_toml


@dataclass(frozen=True)
class Step:
    """One step; forces are net pad forces."""

    do: Literal["stroke", "hold", "rest", "free", "bare"]
    label: str                       # working-in | recorded | small | hold | rest | ...
    to_n: float | None = None
    count: int = 1
    seconds: float | None = None
    pace: Literal["slow", "quick"] = "slow"   # slow: 0.1-0.2 mm/s, a press of 2 s at least; quick: 4x


@dataclass(frozen=True)
class Procedure:
    """A named list of steps."""

    name: str
    kind: str                        # kind of run it makes: pad | blank | touch | check
    title: str
    steps: tuple[Step, ...]
    peak_net_n: float | None = None
    needs_rest_h: float | None = None      # rest that the pad must have had before

    def to_json(self) -> dict[str, Any]:
        """As stored in a run's descriptor."""
        return asdict(self)


def procedure_names() -> list[str]:
    """The procedures that padlab brings."""
    folder = resources.files("padlab") / "procedures"
    return sorted(p.name[:-5] for p in folder.iterdir() if p.name.endswith(".toml"))


def read_procedure(name_or_path: str) -> Procedure:
    """Read a procedure by name or from a TOML file.

    Raises
    ------
    InputError
        No such name or file.
    FileFormatError
        The file has mistakes; all of them are listed.
    """
    if name_or_path in procedure_names():
        text = (resources.files("padlab") / "procedures" / f"{name_or_path}.toml").read_text("utf-8")
    elif name_or_path.endswith(".toml") and Path(name_or_path).is_file():
        return procedure_from_table(read_toml(name_or_path), source=name_or_path)
    else:
        raise InputError(
            f"no procedure {name_or_path!r}", expected="one of " + ", ".join(procedure_names()),
            seen=name_or_path, remedy="name one of these, or give the path of a .toml file",
        )
    return procedure_from_table(tomllib.loads(text), source=name_or_path)


def procedure_from_table(table: dict[str, Any], *, source: str) -> Procedure:
    """Check a parsed procedure whole and build it; ``peak`` in ``to_n`` stands for ``peak_net_n``."""
    mistakes: list[str] = []
    peak = table.get("peak_net_n")
    if peak is not None and not (isinstance(peak, (int, float)) and 0.5 <= peak <= 200):
        mistakes.append("peak_net_n: a force between 0.5 and 200 N")
        peak = None
    rest = table.get("needs_rest_h")
    if rest is not None and not (isinstance(rest, (int, float)) and 0 <= rest <= 10_000):
        mistakes.append("needs_rest_h: hours of rest before")
    listed = table.get("step", [])
    if not isinstance(listed, list) or len(listed) > 10_000:
        mistakes.append("step: [[step]] tables, 10000 at most")
        listed = []
    steps = []
    for number, raw in enumerate(listed, start=1):
        step, faults = _step(raw, peak)
        mistakes += [f"step {number}: {f}" for f in faults]
        if step is not None:
            steps.append(step)
    if not steps:
        mistakes.append("step: at least one [[step]]")
    if not isinstance(table.get("name"), str):
        mistakes.append("name: a word")
    if table.get("kind") not in ("pad", "blank", "touch", "check"):
        mistakes.append("kind: pad, blank, touch or check")
    unknown = set(table) - {"name", "kind", "title", "peak_net_n", "needs_rest_h", "step"}
    mistakes += [f"{key}: not a key of a procedure" for key in sorted(unknown)]
    if mistakes:
        raise FileFormatError(
            f"{source} has {len(mistakes)} mistake(s): " + "; ".join(mistakes),
            remedy="padlab new procedure writes a commented one", where={"mistakes": mistakes},
        )
    return Procedure(
        name=table["name"], kind=table["kind"], title=str(table.get("title", table["name"])),
        steps=tuple(steps), peak_net_n=peak, needs_rest_h=table.get("needs_rest_h"),
    )


def _step(raw: Any, peak: float | None) -> tuple[Step | None, list[str]]:
    if not isinstance(raw, dict):
        return None, ["a table"]
    faults = [f"{key}: not a key of a step"
              for key in sorted(set(raw) - {"do", "label", "to_n", "count", "seconds", "pace"})]
    do, to_n, count, seconds = raw.get("do"), raw.get("to_n"), raw.get("count", 1), raw.get("seconds")
    if do not in ("stroke", "hold", "rest", "free", "bare"):
        faults.append("do: stroke, hold, rest, free or bare")
    if to_n == "peak":
        to_n = peak
        if peak is None:
            faults.append("to_n: 'peak' needs peak_net_n")
    if do in ("stroke", "hold", "bare") and not (isinstance(to_n, (int, float)) and 0 < to_n <= 200):
        faults.append("to_n: a net force up to 200 N, or 'peak'")
    if to_n is not None and not isinstance(to_n, (int, float)):
        faults.append("to_n: a net force in N, or 'peak'")
    if seconds is not None and not isinstance(seconds, (int, float)):
        faults.append("seconds: a number")
    if do in ("hold", "rest", "free") and not (isinstance(seconds, (int, float)) and 0 < seconds < 1e6):
        faults.append("seconds: a time")
    if not (isinstance(count, int) and 1 <= count <= 100000):
        faults.append("count: a whole number from 1")
    if raw.get("pace", "slow") not in ("slow", "quick"):
        faults.append("pace: slow or quick")
    if faults:
        return None, faults
    return Step(do=cast(Any, do), label=str(raw.get("label", do)), to_n=None if to_n is None else float(to_n),
                count=count, seconds=None if seconds is None else float(seconds),
                pace=raw.get("pace", "slow")), []
