"""IEEE 488.2 queries: one number an answer, and ``*IDN?`` to know who answers and to stay in step.

>>> numbers(b"+1.25E-1, 7")
['+1.25E-1', '7']
>>> numbers(b"9.91E37")
Traceback (most recent call last):
...
padlab.capture.polled.BadAnswer: over its range, or no number: '9.91E37'

Sources: IEEE Std 488.2-1992, 8.7.2 to 8.7.4 (NR1, NR2, NR3 numeric response data), 10.14 (``*IDN?``);
SCPI-1999 volume 1, 7.2.1.4 and 7.2.1.5 (9.9E37 stands for infinity, 9.91E37 for not a number).
All from memory.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

from padlab.capture.instrument_file import ScpiFile
from padlab.capture.pattern import read_pattern
from padlab.capture.polled import BadAnswer, Line, shown
from padlab.units import parse_quantity

WHO = "*IDN?"
NO_NUMBER = 9.9e37
"""From here on an answer stands for infinity or for no number at all."""
_NUMBER = re.compile(rb"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?", re.ASCII)


def numbers(answer: bytes) -> list[str]:
    """The numbers of one answer, as they were sent.

    Raises
    ------
    BadAnswer
        One of them is none, or stands for an overload.
    """
    texts = [text.strip(b" ") for text in answer.split(b",")]
    if not all(map(_NUMBER.fullmatch, texts)):
        raise BadAnswer("not a number: " + shown(answer))
    if any(abs(float(text)) >= NO_NUMBER for text in texts):
        raise BadAnswer("over its range, or no number: " + shown(answer))
    return [text.decode("ascii") for text in texts]


class ScpiAsker:
    """Sends each query of an instrument once a reading; channels with the same query share the answer."""

    def __init__(self, instrument: ScpiFile, clock: Callable[[], float]) -> None:
        self.channels = instrument.channel
        self.queries = tuple(dict.fromkeys(c.ask for c in instrument.channel))
        self.identity = instrument.identity
        self.line = Line(instrument.line_end.encode("ascii"), parse_quantity(instrument.wait, "time"), clock)

    def row(self, serial: Any) -> str:
        """Ask all queries."""
        answers = {query: numbers(self.line.ask(serial, query)) for query in self.queries}
        most = {q: max(c.field for c in self.channels if c.ask == q) for q in self.queries}
        for query, answer in answers.items():
            if len(answer) < most[query] or (most[query] == 1 and len(answer) > 1):
                raise BadAnswer(f"{len(answer)} numbers to {query}")
        return ",".join(answers[c.ask][c.field - 1] for c in self.channels)

    def get_in_step(self, serial: Any) -> None:
        """Wait until it is quiet; then ask who it is: no reading looks like that."""
        self.line.empty(serial)
        answer = read_pattern(self.identity.answer, needs_groups=False).compiled if self.identity else None
        ask = self.identity.ask if self.identity and self.identity.ask else WHO
        self.line.ask_until(serial, ask, lambda line: (
            answer.fullmatch(line) is not None if answer else b"," in line and not _is_numbers(line)))


def _is_numbers(line: bytes) -> bool:
    return all(_NUMBER.fullmatch(text.strip(b" ")) for text in line.split(b","))
