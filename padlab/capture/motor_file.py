"""The motor of a rig file: what is sent to it, how far it may go, and the watchdog that stops it.

padlab drives a motor only if the rig itself stops it when padlab falls silent. Software is no
safety device: an emergency stop and hard end stops that need no computer come first.

>>> motor = MotorFile(name="motor", url="/dev/ttyUSB0", move="run {speed}", speed_unit="um/s", stop="halt",
...                   safe="home", fastest="0.8mm/s", force_limit="21N", travel_limit="4mm")
>>> motor.speed_text(0.15), motor.speed_text(-0.0004)
('run 150', 'run 0')
>>> motor.watchdog is None
True
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, Field, model_validator

from padlab.capture.instrument_file import Wiring
from padlab.capture.rig_parts import (
    IdentityFile,
    Lines,
    Positive,
    Sent,
    Table,
    TimeText,
    is_pattern,
    mistake,
    of_kind,
)
from padlab.units import parse_quantity

SPEED_UNITS = {"mm/s": 1.0, "um/s": 1000.0, "mm/min": 60.0}
"""How many of each make one millimetre a second."""
FASTEST_MM_PER_S = 5.0
"""A bench motor that runs faster is refused: pads are pressed at 0.1 to 0.8 mm/s; design choice."""
MOST_FORCE_N, MOST_TRAVEL_MM, LONGEST_STALL_S = 200.0, 50.0, 5.0
"""Limits beyond these guard nothing on a bench for pads; design choice."""
MOST_STEPS_PER_MM = 1e6
LONGEST_COMMAND = 64
FINEST_STEPS = 50
"""The largest speed must be at least so many times the smallest one that can be told; design choice."""
_NUMBER = r"([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)"
_SPEED = re.compile(r"\s*([0-9]*\.?[0-9]+)\s*(mm/s|um/s|mm/min)\s*", re.ASCII)


def _is_template(text: str) -> str:
    if text.count("{speed}") != 1 or "{" in text.replace("{speed}", "") or "}" in text.replace("{speed}", ""):
        raise mistake("template", "{speed} must stand in it once, and no other braces")
    return text


def speed_mm_per_s(text: str) -> float:
    """A speed with its unit, in mm/s; ValueError where it is none.

    >>> speed_mm_per_s("800um/s"), speed_mm_per_s("12mm/min")
    (0.8, 0.2)
    """
    match = _SPEED.fullmatch(text[:40])
    if match is None or not 0 < float(match.group(1)) < 1e6:
        raise ValueError(text)
    return float(match.group(1)) / SPEED_UNITS[match.group(2)]


def _is_speed(text: str) -> str:
    try:
        speed_mm_per_s(text)
    except ValueError as fault:
        raise mistake("quantity", "expected a speed with its unit: mm/s, um/s, mm/min") from fault
    return text


class WatchdogFile(Table):
    """What in the rig stops the motor by itself when nothing has been said for a while."""

    feed: Sent = Field(description="sent again and again while padlab lives and sees fresh readings")
    within: TimeText = Field(description="once started, also while it stands: the motor stops when this "
                                         "has passed without it")
    says: Annotated[str, is_pattern(needs_groups=False)] | None = Field(
        None, description="regular expression of the line the motor sends when its watchdog has stopped it; "
                          "with it, padlab proves the watchdog before each run")

    @model_validator(mode="after")
    def _in_time(self) -> Self:
        if not 0.1 <= parse_quantity(self.within, "time") <= 2.0:
            raise mistake("watchdog", "within: 0.1 s to 2 s; a motor that runs on longer is not safe")
        return self


class MotorFile(Wiring):
    """A motor on a port of its own. Positive speed presses, unless ``sign`` is -1."""

    identity: IdentityFile | None = None
    setup: Lines = Field((), description="sent when the port is opened, once a person has let it move")
    start: Lines = Field((), description="sent before it is moved: lets it move at all")
    move: Annotated[Sent, AfterValidator(_is_template)] = Field(
        description="runs it at {speed} until the next command, such as run {speed}")
    speed_unit: Literal["mm/s", "um/s", "mm/min", "steps/s"]
    steps_per_mm: Positive | None = Field(None, description="with steps/s")
    decimals: int = Field(0, ge=0, le=6, description="of {speed}")
    sign: Literal[-1, 1] = 1
    stop: Sent = Field(description="stops it where it is")
    safe: Sent = Field(description="what makes the rig safe: sent on any end, after stop")
    fault: Annotated[str, is_pattern(needs_groups=False)] | None = Field(
        None, description="regular expression of a line by which the motor reports a fault")
    fastest: Annotated[str, AfterValidator(_is_speed)] = Field(description="such as 0.8mm/s")
    force_limit: Annotated[str, of_kind("force")] = Field(description="over it the run ends, such as 21N")
    travel_limit: Annotated[str, of_kind("length")] = Field(
        description="from where it stood when the run began, either way, such as 4mm")
    stall_within: TimeText = Field(
        "1s", description="told to move, and nothing moves for so long: the run ends")
    watchdog: WatchdogFile | None = None

    @model_validator(mode="before")
    @classmethod
    def _named(cls, raw: Any) -> Any:
        return {"name": "motor", **raw} if isinstance(raw, dict) else raw

    @model_validator(mode="after")
    def _whole(self) -> Self:
        if (self.speed_unit == "steps/s") != (self.steps_per_mm is not None):
            raise mistake("motor", "steps_per_mm: goes with speed_unit steps/s, and with no other")
        for key, value, most in (("force_limit", self.force_n, f"{MOST_FORCE_N:g} N"),
                                 ("travel_limit", self.travel_mm, f"{MOST_TRAVEL_MM:g} mm"),
                                 ("stall_within", self.stall_s, f"{LONGEST_STALL_S:g} s")):
            if not 0 < value <= float(most.split()[0]):
                raise mistake("motor", f"{key}: more than nothing, and {most} at most: more guards nothing")
        if self._per_mm > MOST_STEPS_PER_MM:
            raise mistake("motor", f"steps_per_mm: {MOST_STEPS_PER_MM:g} at most")
        if self.fastest_mm_per_s > FASTEST_MM_PER_S:
            raise mistake("motor", f"fastest: {FASTEST_MM_PER_S:g} mm/s at most; a pad is pressed far slower")
        if FINEST_STEPS * self.finest_mm_per_s > self.fastest_mm_per_s:
            raise mistake("motor", f"decimals: speeds in steps of {self.finest_mm_per_s:g} mm/s are too "
                                   "coarse to come softly to a force; more decimals, or a finer speed_unit")
        longest = max(len(self.speed_text(v)) for v in (self.fastest_mm_per_s, -self.fastest_mm_per_s))
        if longest > LONGEST_COMMAND:
            raise mistake("motor", f"move: a command of {longest} signs; {LONGEST_COMMAND} at most")
        return self

    @model_validator(mode="after")
    def _moves_only_by_move(self) -> Self:
        """Only ``move`` may move it; padlab cannot know other commands of a controller that do."""
        feed = [] if self.watchdog is None else [self.watchdog.feed]
        ask = [] if self.identity is None or not self.identity.ask else [self.identity.ask]
        sent = {"identity.ask": ask, "setup": self.setup, "start": self.start, "watchdog.feed": feed,
                "stop": [self.stop], "safe": [self.safe]}
        faults = [f"{key}: {text!r} would move it" for key, texts in sent.items() for text in texts
                  if self.would_move(text)]
        ways_on = {*self.start, *feed}
        faults += [f"{key}: {text!r} is also what keeps it going (start or watchdog.feed)"
                   for key, text in (("stop", self.stop), ("safe", self.safe)) if text in ways_on]
        if faults:
            raise mistake("motor", "; ".join(faults))
        return self

    def would_move(self, text: str) -> bool:
        """Whether a line holds the move command with a speed that is not 0.

        >>> motor = MotorFile(name="motor", url="/dev/ttyUSB0", move="run {speed}", speed_unit="um/s",
        ...                   stop="run 0", safe="off", fastest="0.8mm/s", force_limit="21N",
        ...                   travel_limit="4mm")
        >>> [motor.would_move(t) for t in ("run 800", "on; RUN  -5", "run 0", "prune 800", "off")]
        [True, True, False, False, False]
        """
        before, after = ([re.escape(word) for word in part.split()] for part in self.move.split("{speed}"))
        pattern = r"(?<![A-Za-z0-9.+-])" + r"\s*".join([*before, _NUMBER, *after])
        return any(float(m.group(1)) != 0 for m in re.finditer(pattern, text, re.IGNORECASE | re.ASCII))

    @property
    def force_n(self) -> float:
        """Force limit [N]."""
        return parse_quantity(self.force_limit, "force")

    @property
    def travel_mm(self) -> float:
        """Travel limit [mm]."""
        return parse_quantity(self.travel_limit, "length")

    @property
    def stall_s(self) -> float:
        """Time without motion that is a stall [s]."""
        return parse_quantity(self.stall_within, "time")

    @property
    def fastest_mm_per_s(self) -> float:
        """Largest speed [mm/s]."""
        return speed_mm_per_s(self.fastest)

    @property
    def finest_mm_per_s(self) -> float:
        """Smallest speed that can be told, and the step from one to the next [mm/s]."""
        return 10.0 ** -self.decimals / self._per_mm

    @property
    def _per_mm(self) -> float:
        return self.steps_per_mm if self.steps_per_mm is not None else SPEED_UNITS[self.speed_unit]

    def speed_text(self, speed_mm_per_s: float) -> str:
        """The command for a speed; + presses. No speed over ``fastest`` is ever told."""
        most = self.fastest_mm_per_s * self._per_mm
        wanted = max(-most, min(most, speed_mm_per_s * self._per_mm))
        number = round(wanted, self.decimals)
        if abs(number) > most * (1 + 1e-9):                        # rounded up over the limit
            number -= 10.0 ** -self.decimals if number > 0 else -(10.0 ** -self.decimals)
        number = self.sign * number + 0.0
        return self.move.replace("{speed}", f"{number:.{self.decimals}f}")
