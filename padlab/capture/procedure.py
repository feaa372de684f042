"""The steps of a test, read from TOML: what the hand does, to what net pad force, how often.

A step is one of

* ``stroke``  press to ``to_n`` and let go below F0, ``count`` times, at a ``pace``;
* ``hold``    press to ``to_n`` and hold it for ``seconds``, then let go;
* ``rest``    stay at F0 (a light touch) for ``seconds``;
* ``free``    record for ``seconds`` whatever happens (touch, passage);
* ``bare``    press anvil on anvil to ``to_n``, ``count`` times (blank);
* ``keep``    press (to ``to_n``, or on to a spacer), lock the press and leave it for ``seconds``;
* ``away``    leave the pad without any load for ``seconds``;
* ``weight``  let a dead weight down on the pad and leave it, until it has settled and for
  ``seconds`` at least. ``mass_kg`` is all that then rests on the pad: pan, spindle and weights.

Steps that come again are written once: ``times`` and a list of ``steps`` stand in place of ``do``.

A hold ``by`` a weight is one in which the weight presses through the lever and the cell listens:
steadier than any hand.

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
from typing import Any, Literal, TypeGuard, cast

from padlab.errors import FileFormatError, InputError
from padlab.records.forms import read_toml

DO = ("stroke", "hold", "rest", "free", "bare", "keep", "away", "weight")
MOST_STEPS = 10_000
STEP_KEYS = {"do", "label", "to_n", "count", "seconds", "pace", "mass_kg", "by"}


@dataclass(frozen=True)
class Step:
    """One step; forces are net pad forces."""

    do: Literal["stroke", "hold", "rest", "free", "bare", "keep", "away", "weight"]
    label: str                       # working-in | recorded | small | hold | rest | ...
    to_n: float | None = None
    count: int = 1
    seconds: float | None = None
    pace: Literal["slow", "quick"] = "slow"   # slow: 0.1-0.2 mm/s, a press of 2 s at least; quick: 4x
    mass_kg: float | None = None     # all that rests on the pad
    by: Literal["hand", "weight"] = "hand"    # who keeps the force of a hold


@dataclass(frozen=True)
class Procedure:
    """A named list of steps."""

    name: str
    kind: str                        # kind of run it makes: pad | blank | touch | check | wear (a machine)
    title: str
    steps: tuple[Step, ...]
    peak_net_n: float | None = None
    needs_rest_h: float | None = None      # rest that the pad must have had before

    @property
    def is_by_weights(self) -> bool:
        """Whether dead weights press and the indicator alone is recorded."""
        return any(s.do == "weight" for s in self.steps)

    @property
    def is_endurance(self) -> bool:
        """Whether a machine presses by itself, for hours or weeks, and every stroke is counted."""
        return self.kind == "wear"

    @property
    def strokes(self) -> int:
        """How many strokes it asks for."""
        return sum(s.count for s in self.steps if s.do == "stroke")

    def rests(self) -> dict[int, float]:
        """After how many strokes in all the pad is left alone, and for how long [s].

        >>> {k: v for k, v in read_procedure("endurance-machine").rests().items() if k < 30_000}
        {10: 600.0, 10010: 600.0, 20010: 600.0}
        """
        found: dict[int, float] = {}
        done = 0
        for step in self.steps:
            done += step.count if step.do == "stroke" else 0
            if step.do == "away":
                found[done] = found.get(done, 0.0) + (step.seconds or 0.0)
        return found

    def to_json(self) -> dict[str, Any]:
        """As stored in a run's descriptor."""
        return asdict(self)

    @classmethod
    def from_json(cls, stored: dict[str, Any]) -> Procedure:
        """Back from a run's descriptor.

        Raises
        ------
        FileFormatError
            It is not what padlab wrote.
        """
        mistakes = []
        steps = []
        for number, one in enumerate(stored.get("steps") or []):
            step, faults = _step({k: v for k, v in one.items() if v is not None}, None)
            mistakes += [f"step {number + 1}: {fault}" for fault in faults]
            steps += [] if step is None else [step]
        if mistakes or not steps:
            what = "; ".join(mistakes)[:300] or "no steps"
            raise FileFormatError(f"the run's procedure is damaged: {what}",
                                  expected="the steps that padlab wrote", seen=str(stored.get("name"))[:60])
        return cls(name=str(stored.get("name")), kind=str(stored.get("kind")), title=str(stored.get("title")),
                   steps=tuple(steps), peak_net_n=stored.get("peak_net_n"),
                   needs_rest_h=stored.get("needs_rest_h"))


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
    if rest is not None and not (_is_number(rest) and 0 <= rest <= 10_000):
        mistakes.append("needs_rest_h: hours of rest before")
    listed = table.get("step", [])
    if not isinstance(listed, list) or len(listed) > MOST_STEPS:
        mistakes.append(f"step: [[step]] tables, {MOST_STEPS} at most")
        listed = []
    steps: list[Step] = []
    for number, raw in enumerate(listed, start=1):
        some, faults = _repeated(raw, peak)
        mistakes += [f"step {number}{f}" for f in faults]
        steps += some
    if len(steps) > MOST_STEPS:
        mistakes.append(f"step: {MOST_STEPS} at most, with all that is repeated")
        steps = steps[:1]
    if not steps:
        mistakes.append("step: at least one [[step]]")
    if not isinstance(table.get("name"), str):
        mistakes.append("name: a word")
    if table.get("kind") not in ("pad", "blank", "touch", "check", "wear"):
        mistakes.append("kind: pad, blank, touch, check or wear")
    if table.get("kind") == "wear" and not all(s.do in ("stroke", "away") for s in steps):
        mistakes.append("step: a machine makes strokes and stands still between them: stroke and away only")
    if len({s.do == "weight" for s in steps if s.do != "away"}) > 1:
        mistakes.append("step: weights go with no other steps, for nothing measures the force")
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


def _repeated(raw: Any, peak: float | None) -> tuple[list[Step], list[str]]:
    """The steps of one ``[[step]]``: its own, or those that it repeats; and its mistakes."""
    if not (isinstance(raw, dict) and {"times", "steps"} & set(raw)):
        step, faults = _step(raw, peak)
        return ([] if step is None else [step]), [f": {f}" for f in faults]
    times, listed = raw.get("times"), raw.get("steps")
    found = [f": {key}: does not go with times and steps" for key in sorted(set(raw) - {"times", "steps"})]
    if not (isinstance(times, int) and not isinstance(times, bool) and 1 <= times <= 1000):
        found.append(": times: a whole number from 1 to 1000")
        times = 0
    if not (isinstance(listed, list) and 0 < len(listed) <= MOST_STEPS):
        found.append(": steps: a list of steps")
        listed = []
    once: list[Step] = []
    for number, inner in enumerate(listed, start=1):
        step, faults = _step(inner, peak)
        found += [f".{number}: {f}" for f in faults]
        once += [] if step is None else [step]
    if times * len(once) > MOST_STEPS:
        return once, [*found, f": times: makes more than {MOST_STEPS} steps"]
    return once * times, found


def _step(raw: Any, peak: float | None) -> tuple[Step | None, list[str]]:
    if not isinstance(raw, dict):
        return None, ["a table"]
    faults = [f"{key}: not a key of a step" for key in sorted(set(raw) - STEP_KEYS)]
    do, to_n, count, seconds = raw.get("do"), raw.get("to_n"), raw.get("count", 1), raw.get("seconds")
    mass_kg, by, pace = raw.get("mass_kg"), raw.get("by", "hand"), raw.get("pace", "slow")
    if do not in DO:
        faults.append("do: " + ", ".join(DO[:-1]) + " or " + DO[-1])
    if to_n == "peak":
        to_n = peak
        if peak is None:
            faults.append("to_n: 'peak' needs peak_net_n")
    wants_force = do in ("stroke", "hold", "bare") or (do == "keep" and to_n is not None)
    if wants_force and not (_is_number(to_n) and 0 < to_n <= 200):
        faults.append("to_n: a net force up to 200 N, or 'peak'")
    if to_n is not None and not _is_number(to_n):
        faults.append("to_n: a net force in N, or 'peak'")
    if seconds is not None and not _is_number(seconds):
        faults.append("seconds: a number")
    if do in ("hold", "rest", "free", "keep", "away", "weight") and not (
            _is_number(seconds) and 0 < seconds < 1e6):
        faults.append("seconds: a time")
    if not (isinstance(count, int) and 1 <= count <= 100000):
        faults.append("count: a whole number from 1")
    if do in ("weight", "keep", "away") and count != 1:
        faults.append("count: such a step is done once; write it again")
    if pace not in ("slow", "quick"):
        faults.append("pace: slow or quick")
    if (do == "weight") != (mass_kg is not None) or not (
            mass_kg is None or (_is_number(mass_kg) and 0 < mass_kg <= 20)):
        faults.append("mass_kg: with do = 'weight', and only then: up to 20 kg")
    if by not in ("hand", "weight") or (by == "weight" and do != "hold"):
        faults.append("by: hand, or weight for a hold")
    if faults:
        return None, faults
    return Step(do=cast(Any, do), label=str(raw.get("label", do)), to_n=None if to_n is None else float(to_n),
                count=count, seconds=None if seconds is None else float(seconds), pace=pace,
                mass_kg=None if mass_kg is None else float(mass_kg), by=by), []


def _is_number(value: Any) -> TypeGuard[float]:
    return isinstance(value, (int, float)) and not isinstance(value, bool)
