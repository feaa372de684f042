"""An endurance test of a virtual pad: counts add up, rest brings back, padlab follows a strange physics."""

import math

import numpy as np
import pytest

from padlab.capture.virtual.service import endurance_readings, gauge_mm
from padlab.capture.virtual.stocks import make_pad
from padlab.drift.life import Service, stock_life
from padlab.fitting.wear_run import loss_of

LIMIT_MM = 0.0762


def loss(piece, at):
    read = endurance_readings(piece, at_strokes=[0.0, *at])["thickness_mm"]
    return read[0] - read[1:]


def test_many_strokes_at_once_are_as_many_in_parts():
    whole = loss(make_pad("wool felt"), [2e5])[-1]
    parts = loss(make_pad("wool felt"), [5e4, 1e5, 1.5e5, 2e5])[-1]
    assert whole == pytest.approx(parts, rel=0.01)


def test_the_first_strokes_are_as_if_stepped():
    # What a capture presses is no service: nothing breaks down, and a fresh face hardly rubs.
    stepped, gone_through = make_pad("soft neoprene"), make_pad("soft neoprene")
    for piece in (stepped, gone_through):
        piece.work_in(strokes=40)
    stepped.work_in(to_n=8.0, strokes=30)
    gone_through.serve(30, to_n=8.0)
    assert gone_through.compacted_mm == pytest.approx(stepped.compacted_mm, abs=1e-5)


def test_harder_strokes_wear_more():
    soft, hard = make_pad("wool felt"), make_pad("wool felt")
    made = []
    for piece, to_n in ((soft, 5.0), (hard, 12.0)):
        piece.work_in()
        before = piece.compacted_mm
        piece.serve(1e5, to_n=to_n)
        made.append(piece.compacted_mm - before)
    assert made[1] > 2 * made[0]


def test_a_rested_pad_has_come_back_in_part():
    piece = make_pad("wool felt")
    piece.work_in()
    piece.serve(1e5)
    at_once = gauge_mm(piece)
    piece.rest(24 * 3600.0)
    assert gauge_mm(piece) > at_once


def true_life(**which):
    at = np.geomspace(1e4, 4e6, 40)
    return math.exp(np.interp(LIMIT_MM, loss(make_pad(**which), at), np.log(at)))


def test_a_limit_that_was_reached_is_found_on_a_physics_that_is_none_of_the_laws():
    losses, true = [], []
    for pad in range(3):
        life = true_life(material="wool felt", pad=pad, seed=3)
        table = endurance_readings(make_pad("wool felt", pad=pad, seed=3), noise_mm=5e-4,
                                   at_strokes=[0.0, *np.linspace(0.06, 1.2, 20) * life],
                                   rng=np.random.default_rng([3, pad]))
        losses.append((f"run {pad}", loss_of(table, pad=str(pad), lot="1")))
        true.append(life)
    found = stock_life(losses, material="wool felt", material_class="felt", limit_mm=LIMIT_MM,
                       service=Service(2000, 6))
    assert found.censored == 0
    assert not found.is_extrapolated
    assert [p.life for p in found.pads] == pytest.approx(true, rel=0.05)
    assert {m.code for m in found.pads[0].loss.marks} == {"no_control"}
