"""What is said to whoever stands at the rig, in plain words.

>>> prompt(Step(do="stroke", label="recorded", to_n=18.0, count=5), left=2)
'press slowly (2 s at least) to 18 N and let go completely, 2 times (recorded)'
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from padlab.capture.procedure import Step
from padlab.records.pad import F0_N

HANDS_OFF = "hands off the press: the zero of the force is being taken"
AT_REST = "hands off the press: the last readings at rest"


@dataclass(frozen=True)
class Said:
    """One plain sentence for whoever stands at the rig."""

    text: str
    tone: Literal["prompt", "good", "poor"] = "prompt"


def prompt(step: Step, *, left: int) -> str:
    """What the hand is to do; ``left`` is how many strokes are missing."""
    times = f", {left} times" if left > 1 else ""
    slowly = "slowly (2 s at least)" if step.pace == "slow" else "quickly (about half a second)"
    if step.do == "stroke":
        return f"press {slowly} to {step.to_n:g} N and let go completely{times} ({step.label})"
    if step.do == "bare":
        return f"no pad: press the bare anvils together {slowly} to {step.to_n:g} N and let go{times}"
    if step.do == "hold" and step.by == "weight":
        return (f"let the weight that makes {step.to_n:g} N down on the lever within half a second, "
                f"and leave it for {step.seconds:g} s")
    if step.do == "hold":
        return f"press slowly to {step.to_n:g} N and hold it for {step.seconds:g} s"
    if step.do == "rest":
        return f"only a light touch ({F0_N:g} N) for {step.seconds:g} s ({step.label})"
    if step.do == "keep":
        where = "on to the spacer" if step.to_n is None else f"to {step.to_n:g} N"
        return f"press slowly {where}, lock it and leave it for {step.seconds:g} s ({step.label})"
    if step.do == "away":
        return f"lift the anvil off and leave the pad alone for {step.seconds:g} s ({step.label})"
    if step.do == "weight":
        return weight_prompt(step)
    if step.label == "passage":
        return f"press as in playing, strokes of mixed force and length, for {step.seconds:g} s"
    return f"play as you play, for {step.seconds:g} s"


def weight_prompt(step: Step, *, carries_kg: float | None = None, by_enter: bool = True) -> str:
    """What to do with the weights, where the pad carries some already or none.

    >>> step = Step(do="weight", label="up", mass_kg=0.2, seconds=4)
    >>> weight_prompt(step, carries_kg=0.1, by_enter=False)
    'put weights on until 200 g in all (pan and spindle too) rest on the pad, gently; hands off (up)'
    """
    mass_kg = step.mass_kg or 0.0
    in_all = f"{1000 * mass_kg:g} g in all (pan and spindle too)"
    what = f"let {in_all} down on the pad"
    if carries_kg is not None and mass_kg < carries_kg:
        what = f"take weights off until {in_all} are left"
    elif carries_kg is not None:
        what = f"put weights on until {in_all} rest on the pad"
    return f"{what}, gently; hands off{'; then Enter' if by_enter else ''} ({step.label})"
