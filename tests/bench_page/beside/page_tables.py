"""A table as somebody else recorded it."""

from __future__ import annotations

from math import cos, pi


def presses(count=1500, *, comma=True, first="Zeit [s]"):
    """Strokes of 18 N on a dial that counts down, as a spreadsheet with decimal commas writes them."""
    mark = ";" if comma else ","
    lines = [mark.join((first, "Kraft [N]", "Messuhr (mm)"))]
    for k in range(count):
        force = 9 * (1 - cos(2 * pi * k / 300))
        line = mark.join((f"{k / 50:.2f}", f"{force:.3f}", f"{3 - 0.4 * (force / 18) ** 0.5:.4f}"))
        lines.append(line.replace(".", ",") if comma else line)
    return ("\n".join(lines) + "\n").encode()
