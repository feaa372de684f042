"""Linear spring: F = K x, so x = F / K.

>>> import numpy as np
>>> round(float(law().value(np.array([5.0]), np.array([250.0]))[0]), 6)
0.02
"""

from __future__ import annotations

import numpy as np

from padlab.fitting.laws.law import Law, Parameter, Separable, clamp

PARAMETERS = (Parameter("K", "N/mm", "stiffness", 1e-3, 1e6),)


def law() -> Law:
    """The law, displacement over net force. Source: Hooke's law."""
    return Law(
        "linear", "displacement_mm over force_n", "F = K x", "Hooke's law", PARAMETERS,
        lambda f, p: f / p[0],
        lambda f, p: (-f / p[0] ** 2)[:, None],
        lambda f, x: clamp([float(f @ f) / max(float(f @ x), 1e-12)], PARAMETERS),
        Separable((), lambda f, q: f[:, None], lambda f, q: np.zeros((f.size, 1, 0)), lambda c, q: 1 / c),
    )
