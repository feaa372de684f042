r"""Lines that a rig file's pattern matches: the shortest one, and one with given numbers in its groups.

>>> shortest(r"# bench-a(?: .*)?"), shortest(r"(?P<reading>[+-]\d{1,3}\.\d{3}) mm")
('# bench-a', '+0.000 mm')
>>> line = LineForm.of(r"(?P<n>\d+) (?P<f>[+-]\d{3}\.\d{2})N", {"n": 1.0, "f": 0.01})
>>> line.write({"n": np.array([7.0, 8.0]), "f": np.array([-1.234, 12.0])})
['7 -001.23N', '8 +012.00N']
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from re import _constants as sre  # type: ignore[attr-defined]
from re import _parser as sre_parser  # type: ignore[attr-defined]
from typing import Any

import numpy as np
from numpy.typing import NDArray

from padlab.errors import InputError

Array = NDArray[np.float64]
Form = Callable[[float], str]

_SAMPLES = (0.0, 1.0, 12.345, -1.5)
"""In units of the reading; a form that cannot write the last one serves readings from 0 up."""


@dataclass(frozen=True)
class LineForm:
    """How one line is written: fixed text and, between, the groups' numbers."""

    parts: tuple[str, ...]               # fixed text and group names, in turn: fixed, name, fixed, name, ...
    forms: Mapping[str, Form]

    @classmethod
    def of(cls, pattern: str, steps: Mapping[str, float]) -> LineForm:
        """The form that a pattern asks for.

        Parameters
        ----------
        pattern : str
            An accepted pattern with named groups.
        steps : mapping
            Of each group the step of its numbers; 1 for whole ones.

        Raises
        ------
        InputError
            A group in which no plain number can be written.
        """
        parts, fills = _parts(pattern)
        names = parts[1::2]
        whole = re.compile(pattern, re.ASCII)
        forms = {}
        for place, name in enumerate(names):
            head = "".join(_filled(parts, fills, range(0, 2 * place + 1)))
            tail = "".join(_filled(parts, fills, range(2 * place + 2, len(parts))))
            forms[name] = _form(whole, head, tail, name, steps[name])
        return cls(tuple(parts), forms)

    def write(self, columns: Mapping[str, Array]) -> list[str]:
        """One line for each row."""
        texts: list[Any] = []
        for place, part in enumerate(self.parts):
            texts.append(list(map(self.forms[part], columns[part].tolist())) if place % 2 else part)
        count = len(next(t for t in texts if isinstance(t, list)))
        rows = [[t] * count if isinstance(t, str) else t for t in texts]
        return list(map("".join, zip(*rows, strict=True)))


def shortest(pattern: str) -> str:
    """A short text that an accepted pattern matches whole."""
    parts, fills = _parts(pattern)
    return "".join(_filled(parts, fills, range(len(parts))))


def _filled(parts: list[str], fills: Mapping[str, str], places: range) -> Iterator[str]:
    return (fills[parts[i]] if i % 2 else parts[i] for i in places)


def _form(whole: re.Pattern[str], head: str, tail: str, name: str, step: float) -> Form:
    """The first form that fits the group, with signs if they fit at all."""
    for samples in (_SAMPLES, _SAMPLES[:-1]):
        for form in _forms(step):
            if all(whole.fullmatch(head + form(s) + tail) for s in samples):
                return form if samples is _SAMPLES else _from_nought(form)
    raise InputError("the virtual rig cannot write a line of this rig", seen=f"group {name}",
                     expected="a group for a decimal number")


def _forms(step: float) -> Iterator[Form]:
    wanted = max(0, math.ceil(-math.log10(step) - 1e-9))
    for digits in sorted(range(7), key=lambda d: (abs(d - wanted), -d)):
        for sign in ("", "+"):
            if digits == 0 and not sign:
                yield lambda value: str(round(value))              # never -0
            wide = (f"{sign}0{w}.{digits}f" for w in range(2, 14))
            yield from map(_written_as, (f"{sign}.{digits}f", *wide, f"{sign}.{digits}E"))


def _written_as(spec: str) -> Form:
    return lambda value: format(value, spec)


def _from_nought(form: Form) -> Form:
    return lambda value: form(max(value, 0.0))


def _parts(pattern: str) -> tuple[list[str], dict[str, str]]:
    """Fixed text and names of groups in turn, and what the shortest number in each group is."""
    tree = sre_parser.parse(pattern, re.ASCII)
    names = {number: name for name, number in tree.state.groupdict.items()}
    parts, fills = [""], {}
    for name, text in _walk(tree, names):
        if name is None:
            parts[-1] += text
        else:
            parts += [name, ""]
            fills[name] = text
    return parts, fills


def _walk(items: Any, names: Mapping[int, str]) -> Iterator[tuple[str | None, str]]:
    for kind, what in items:
        if kind is sre.LITERAL:
            yield None, chr(what)
        elif kind is sre.NOT_LITERAL:
            yield None, "0" if what != ord("0") else "1"
        elif kind is sre.ANY:
            yield None, "0"
        elif kind is sre.IN:
            yield None, _one_of(what)
        elif kind is sre.SUBPATTERN:
            group, inner = what[0], what[-1]
            if group in names:
                yield names[group], "".join(text for _, text in _walk(inner, {}))
            else:
                yield from _walk(inner, names)
        elif kind is sre.BRANCH:
            yield from _walk(what[1][0], names)
        elif kind in (sre.MAX_REPEAT, sre.MIN_REPEAT, sre.POSSESSIVE_REPEAT):
            for _ in range(what[0]):
                yield from _walk(what[2], names)


def _one_of(choices: Any) -> str:
    """One character of a set."""
    text = "".join("^" if kind is sre.NEGATE else
                   re.escape(chr(what)) if kind is sre.LITERAL else
                   f"{re.escape(chr(what[0]))}-{re.escape(chr(what[1]))}" if kind is sre.RANGE else
                   _CATEGORY[what] for kind, what in choices)
    accepted = re.compile(f"[{text}]", re.ASCII)
    return next(c for c in ["+", "0", "1", "x", *map(chr, range(32, 127)), *map(chr, range(32))]
                if accepted.match(c))


_CATEGORY = {sre.CATEGORY_DIGIT: r"\d", sre.CATEGORY_NOT_DIGIT: r"\D", sre.CATEGORY_SPACE: r"\s",
             sre.CATEGORY_NOT_SPACE: r"\S", sre.CATEGORY_WORD: r"\w", sre.CATEGORY_NOT_WORD: r"\W"}
