"""The commented files that ``padlab new`` writes.

>>> starter("pad").splitlines()[2]
'id = "A3"                          # what is written on the pad or its bag'
"""

from __future__ import annotations

from importlib import resources


def starter(kind: str, *, valves: int = 3) -> str:
    """The text of a commented TOML file.

    Parameters
    ----------
    kind : str
        ``pad``, ``spec``, ``instrument``, ``shop``, ``touch``, ``procedure`` or ``rig``.
    valves : int
        How many valves an instrument file asks for.
    """
    text = (resources.files("padlab") / "starters" / f"{kind}.toml").read_text("utf-8")
    if kind != "instrument":
        return text
    head, _, valve = text.partition("[[valve]]")
    numbered = (valve.replace('name = "1"', f'name = "{n}"') for n in range(1, valves + 1))
    return head + "\n".join("[[valve]]" + block for block in numbered)
