"""How thick must a pad be cut, so that the LOADED port stands on zero?

    port error, fitted pad --loaded_wanted_mm()--> G --cut_mm()--> fresh thickness at F0
                                                   `--expected_error_mm()--> what a right pad reads

Signs. A port error e is the piston's position minus the aligned one, + = too far DOWN (away from the button).
At the down stop (squeezed when the valve is pressed) a thicker pad holds the piston higher; at the up stop
(squeezed at rest) it holds it lower. Both stops are adjusted apart from each other.

Of the cut thickness h there are left under the usual press h - seat(h) - squeeze(h, F) - w L; that must be
G: ``seat`` is what the first strokes take for good, ``squeeze`` the compression of the worked-in pad, L the
thinning up to the renewal and w its share that is added to the cut, so that the middle of the pad's life
stands on zero. (Statics; padlab's own rule.)

>>> hard = Behaviour(squeeze_mm=lambda h, force_n: 0.0 * h)
>>> wanted = loaded_wanted_mm("down", fitted_loaded_mm=1.30, port_error_mm=0.10)
>>> round(cut_mm(wanted, hard, net_n=3.5), 6)
1.4
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from padlab.errors import InputError
from padlab.units import MM_PER_THOU

Side = Literal["up", "down"]

THICKEST_MM = 20.0
CUTTING_STEP_THOU = 0.5
"""No technician cuts finer (common practice, no source)."""


def _never(_: float) -> float:
    return 0.0


@dataclass(frozen=True)
class Behaviour:
    """What a stock does at one stop, for any cut thickness h (fresh, at F0, on the face that carries) [mm].

    ``squeeze_mm(h, net_n)`` is the compression of the worked-in pad from its seated zero; ``seat_mm(h)`` the
    seating of its first strokes.
    """

    squeeze_mm: Callable[[float, float], float]
    seat_mm: Callable[[float], float] = _never


def loaded_wanted_mm(side: Side, *, fitted_loaded_mm: float, port_error_mm: float) -> float:
    """The loaded thickness that puts the port on zero [mm].

    Parameters
    ----------
    side : {"up", "down"}
    fitted_loaded_mm : float
        Of what was fitted while the port was read, under the force of the reading.
    port_error_mm : float
        + = piston too far down.
    """
    return fitted_loaded_mm + (port_error_mm if side == "down" else -port_error_mm)


def net_force_n(side: Side, *, button_n: float, holding_n: float) -> float:
    """Force on the pad at a button force [N]; 0 where the piston does not reach the stop.

    ``holding_n`` is the button force that keeps the piston just off that stop.
    """
    return max(button_n - holding_n if side == "down" else holding_n - button_n, 0.0)


def loaded_mm(cut: float, pad: Behaviour, *, net_n: float, seated: bool = True,
              thinned_mm: float = 0.0) -> float:
    """What is left of a cut thickness under a press [mm]; not yet seated: the first strokes took nothing."""
    return cut - (pad.seat_mm(cut) if seated else 0.0) - pad.squeeze_mm(cut, net_n) - thinned_mm


def cut_mm(wanted_mm: float, pad: Behaviour, *, net_n: float, added_mm: float = 0.0) -> float:
    """The fresh thickness of which ``wanted_mm`` is left under the usual press once it is seated.

    Parameters
    ----------
    wanted_mm : float
        Loaded thickness G.
    pad : Behaviour
        Of the stock, at this stop.
    net_n : float
        The usual press.
    added_mm : float
        Share of the expected thinning that is added to the cut (w L).

    Raises
    ------
    InputError
        No thickness up to 20 mm leaves that much: the pad would be squeezed to nothing.
    """
    from scipy.optimize import brentq

    if not wanted_mm + added_mm > 0:
        raise InputError("there is no room for a pad", expected="a loaded thickness over 0",
                         seen=f"{wanted_mm:.3f} mm",
                         remedy="check the port error, its sign and the fitted pad")

    def left(cut: float) -> float:
        return loaded_mm(cut, pad, net_n=net_n) - wanted_mm - added_mm

    low = high = wanted_mm + added_mm
    while left(high) < 0:
        low, high = high, 1.25 * high
        if high > THICKEST_MM:
            raise InputError(
                "no pad of this stock is stiff enough", expected=f"{wanted_mm:.3f} mm left when pressed",
                seen=f"less, of a cut of {low:.1f} mm", remedy="choose a firmer stock")
    return low if low == high else float(brentq(left, low, high, xtol=1e-10))


def rounded_thou(cut: float) -> float:
    """A cut in thou, to the nearest half thou.

    >>> rounded_thou(98.409 * MM_PER_THOU)
    98.5
    """
    return round(cut / MM_PER_THOU / CUTTING_STEP_THOU) * CUTTING_STEP_THOU


def expected_error_mm(side: Side, wanted_mm: float, cut: float, pad: Behaviour, *, button_n: float,
                      holding_n: float, seated: bool = True) -> float:
    """The port error that a RIGHT pad shows at a check, by the sign of :func:`loaded_wanted_mm` [mm].

    Without this line a technician thins a pad that is right: at a light press it stands thicker than at the
    player's, and what was added for its thinning is still there.
    """
    net = net_force_n(side, button_n=button_n, holding_n=holding_n)
    stands = loaded_mm(cut, pad, net_n=net, seated=seated)
    return wanted_mm - stands if side == "down" else stands - wanted_mm
