"""Unloaded pads beside a worn one: by strokes, by days, and both kinds together."""

import numpy as np
import pytest

from padlab.fitting.wear_run import loss_of

STROKES = np.array([0.0, 1e5, 2e5])
DAYS = np.array([0.0, 10.0, 20.0])
WORN = {"strokes": STROKES, "joined_days": DAYS, "thickness_mm": np.array([1.6, 1.55, 1.52])}
BY_STROKES = {"strokes": STROKES, "thickness_mm": np.array([1.6, 1.598, 1.596])}
BY_DAYS = {"joined_days": DAYS, "days": DAYS, "thickness_mm": np.array([1.5, 1.49, 1.48])}


def loss(*controls):
    return loss_of(WORN, pad="p", lot="l", controls=controls).readings.loss_mm


def test_what_the_unloaded_pads_lost_is_taken_off():
    assert loss(BY_STROKES) == pytest.approx([0.048, 0.076])
    assert loss(BY_DAYS) == pytest.approx([0.04, 0.06])


@pytest.mark.parametrize("controls", [(BY_STROKES, BY_DAYS), (BY_DAYS, BY_STROKES)])
def test_both_kinds_count_alike_in_any_order(controls):
    assert loss(*controls) == pytest.approx([0.044, 0.068])
