"""Values of the trade that the virtual stocks must keep: common practice, no source.

* A soft neoprene pad moves 25-30 thou between a light touch (F0 = 0.25 N) and a light press, 3 N.
* A dense polymer pad moves 1-5 thou between F0 and a very hard press, 12.5 N.
* The other stocks lie between.
* At 10,000 strokes a day, 6 days a week, ordinary felt and soft neoprene lose 3 thou in 2 to 12 weeks.
* Dense polymer loses 1-5 thou in 5 to 10 years at 2,000 strokes a day.
"""

from dataclasses import replace

import numpy as np
import pytest

from padlab.capture.procedure import read_procedure
from padlab.capture.virtual.service import endurance_readings
from padlab.capture.virtual.stocks import MATERIALS, make_pad, pad_of
from padlab.capture.virtual.truth import truth
from padlab.units import thou

ORDER = ["dense polymer", "rubber cork", "sheet cork", "synthetic felt", "wool felt", "soft neoprene"]


@pytest.fixture(scope="module")
def strokes():
    standard = read_procedure("standard")
    return replace(standard, steps=standard.steps[:2])


@pytest.fixture(scope="module")
def middle(strokes):
    """The noise-free answers of each stock's middle pad."""
    return {name: truth(pad_of(stock.middle, material=name, material_class=stock.material_class), strokes)
            for name, stock in MATERIALS.items()}


def test_soft_neoprene_moves_25_to_30_thou_under_a_light_press(middle):
    assert 25 <= thou(float(middle["soft neoprene"].position_mm(3.0))) <= 30


def test_dense_polymer_moves_1_to_5_thou_under_a_very_hard_press(middle):
    assert 1 <= thou(float(middle["dense polymer"].position_mm(12.5))) <= 5


def test_single_pads_keep_to_common_practice_too(strokes):
    for seed in range(3):
        soft = truth(make_pad("soft neoprene", seed=seed), strokes)
        hard = truth(make_pad("dense polymer", seed=seed), strokes)
        assert 24 <= thou(float(soft.position_mm(3.0))) <= 31
        assert 1 <= thou(float(hard.position_mm(12.5))) <= 5


def test_the_others_lie_between_and_every_step_of_the_order_is_a_quarter_at_least(middle):
    gives = [middle[name].give_mm(0.5, 12.5) for name in ORDER]
    assert set(ORDER) == set(MATERIALS)
    assert np.all(np.array(gives[1:]) >= 1.25 * np.array(gives[:-1]))


def test_no_pad_is_squeezed_beyond_two_thirds_at_the_hardest_bench_press(middle):
    for name, answers in middle.items():
        assert answers.position_mm(17.9) < 0.65 * answers.thickness_mm, name


def test_springback_loss_runs_from_a_tenth_for_polymer_to_a_third_or_more_for_felt(middle):
    assert 0.05 < middle["dense polymer"].loss_fraction < 0.15
    assert 0.30 < middle["wool felt"].loss_fraction < 0.45
    assert min(m.loss_fraction for m in middle.values()) == middle["dense polymer"].loss_fraction


def loss_thou(piece, at_strokes):
    """What a seated pad has lost for good after so many strokes to 8 N [thou]."""
    read = endurance_readings(piece, at_strokes=[0.0, *at_strokes])["thickness_mm"]
    return thou(1.0) * (read[0] - read[1:])


@pytest.mark.parametrize("name", ["wool felt", "synthetic felt", "soft neoprene"])
def test_ordinary_felt_and_soft_neoprene_lose_3_thou_in_2_to_12_weeks_of_10_000_strokes_a_day(name):
    week = 6 * 10_000.0
    for pad in (pad_of(MATERIALS[name].middle, material=name, material_class="felt"),
                *(make_pad(name, lot=lot, seed=5) for lot in (1, 2))):
        after_2, after_12 = loss_thou(pad, [2 * week, 12 * week])
        assert after_2 < 3 < after_12


def test_dense_polymer_loses_1_to_5_thou_in_5_to_10_years_of_2_000_strokes_a_day():
    year = 2_000 * 6 * 365.25 / 7
    for pad in (pad_of(MATERIALS["dense polymer"].middle, material="dense polymer", material_class="polymer"),
                *(make_pad("dense polymer", lot=lot, seed=5) for lot in (1, 2))):
        assert all(1 <= lost <= 5 for lost in loss_thou(pad, [5 * year, 7 * year, 10 * year]))
