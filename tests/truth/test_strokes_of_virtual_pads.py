"""Strokes at 100 readings a second with noise, held to the same strokes seen without noise at every step.

The pads are the virtual rig's: contacts, slip and flow, no formula in common with what reads them.
"""

from __future__ import annotations

import numpy as np
import pytest

from padlab.capture.rig import read_rig
from padlab.capture.virtual.cam_press import CamPress
from padlab.capture.virtual.stocks import MATERIALS, make_pad
from padlab.signals.strokes import summarise

STROKES = 25


def seen(material, hz):
    """Time, force and travel of some strokes, at every step of the machine."""
    press = CamPress(read_rig("endurance-press"), make_pad(material), strokes_hz=1.0037 * hz, stands_s=1.0)
    step_s = 0.0005
    press._step_s = step_s
    found = np.empty((round((1.0 + STROKES / hz) / step_s), 3))
    for k in range(len(found)):
        press._steps += 1
        press.time_s = press._steps * step_s
        press._turn()
        found[k] = press.time_s, press.piece.force_n, press.piece.travel_mm
    return found.T


@pytest.mark.parametrize("material", MATERIALS)
def test_a_quick_machine_is_read_as_it_is(material):
    time, force, place = seen(material, 2.0)
    truth = summarise(time, force, place)
    rng, every = np.random.default_rng(2), slice(None, None, 20)
    t, f, x = time[every], force[every], place[every]
    found = summarise(t, f + rng.normal(0, 0.01, t.size), x + rng.normal(0, 0.001, t.size))
    assert found["time_s"].size == truth["time_s"].size >= STROKES - 2
    later = slice(4, -1)
    off_um = 1e3 * (found["at_f0_mm"] - truth["at_f0_mm"])[later]
    assert abs(off_um.mean()) < 7.0                         # always alike while the pace is: it is no wear
    assert off_um.std() < 9.0
    assert abs((found["peak_n"] - truth["peak_n"])[later].mean()) < 0.05
    share = found["loss_mj"][later] / found["work_mj"][later]
    assert abs(share.mean() - (truth["loss_mj"] / truth["work_mj"])[later].mean()) < 0.02
