"""Readings of a pad from its strokes: where it stands, what comes back with rest, however they are cut."""

from __future__ import annotations

import numpy as np
import pytest

from padlab.fitting.wear_run import loss_of
from padlab.records.stroke_rows import COLUMNS
from padlab.signals.wear_readings import readings_of

REST_S = 600.0


def strokes(n, *, rest_every=None, back_mm=0.004, worn=lambda k: 0.002 * np.log10(1 + k), noise_mm=0.0):
    """A pad that wears by ``worn(k)`` after k strokes; a rest gives ``back_mm`` back, for one stroke."""
    number = np.arange(1, n + 1, dtype=float)
    rested = np.zeros(n, dtype=bool)
    if rest_every:
        rested[10] = True
        rested[10 + rest_every::rest_every] = True
    rest = np.where(rested, REST_S + 3.0, 0.3)
    rest[0] = np.nan
    rows = {c: np.ones(n) for c in COLUMNS}
    rows |= {"stroke": number, "time_s": 0.5 * number + np.cumsum(np.where(rested, REST_S, 0.0)),
             "duration_s": np.full(n, 0.2), "readings": np.full(n, 40.0), "rest_s": rest,
             "longest_step_s": np.full(n, 0.01),
             "at_f0_mm": 0.3 + worn(number - 1) + np.where(rested, 0.0, back_mm)
             + np.random.default_rng(1).normal(0, noise_mm, n)}
    return rows


def cut(rows, edges):
    return [{c: v[a:b] for c, v in rows.items()} for a, b in zip([0, *edges], [*edges, None], strict=True)]


def test_the_pad_is_where_it_was_put():
    found = readings_of([strokes(200_000)], thickness_mm=1.6)
    assert list(found) == ["strokes", "days", "thickness_mm"]
    assert 40 <= len(found) <= 60
    at = found["strokes"].to_numpy()
    assert at[0] == 0.0
    assert (np.diff(at) > 0).all()
    begin = 0.002 * np.mean(np.log10(np.arange(4, 11)))
    truth = 1.6 - (0.002 * np.log10(1 + at[1:]) - begin)
    assert np.abs(found["thickness_mm"].to_numpy()[1:] - truth).max() < 5e-6


def test_rested_is_held_to_rested_and_what_comes_back_is_told():
    rows = strokes(30_010, rest_every=5000)
    found = readings_of([rows], thickness_mm=1.6, rest_s=REST_S)
    loss = loss_of({str(c): found[c].to_numpy() for c in found}, pad="A", lot="1")
    at = loss.readings.strokes
    assert at.tolist() == [5010, 10010, 15010, 20010, 25010, 30010][:at.size]
    assert at.size >= 5
    truth = 0.002 * (np.log10(1 + at) - np.log10(11.0))
    np.testing.assert_allclose(loss.readings.loss_mm, truth, atol=2e-5)
    assert loss.recoverable_mm == pytest.approx(0.004, abs=1e-5)
    assert {m.code for m in loss.marks} == {"rest_short", "no_control"}     # ten minutes are no night


def test_a_night_is_told_as_a_night():
    rows = strokes(1000, rest_every=200)
    rows["rest_s"][210] = 24 * 3600.0
    found = readings_of([rows], thickness_mm=1.6, rest_s=REST_S)
    assert found["rest_s"].max() == 24 * 3600.0


@pytest.mark.parametrize("edges", [[1], [5, 11, 12], [10, 10, 500], list(range(100, 2900, 37))])
def test_readings_do_not_depend_on_how_the_strokes_are_cut(edges):
    rows = strokes(3000, rest_every=700, noise_mm=0.002)
    whole = readings_of([rows], thickness_mm=1.6, rest_s=REST_S)
    parts = readings_of(cut(rows, edges), thickness_mm=1.6, rest_s=REST_S)
    for column in whole:
        np.testing.assert_allclose(parts[column], whole[column], rtol=1e-12, atol=1e-15)


def test_strokes_with_holes_are_left_out():
    rows = strokes(2000)
    rows["longest_step_s"][::7] = 0.1
    rows["at_f0_mm"][::7] = 9.0
    rows["readings"][3::50] = 3
    rows["at_f0_mm"][3::50] = -9.0
    rows["at_f0_mm"][5::60] = np.nan
    found = readings_of([rows], thickness_mm=1.6)
    assert found["thickness_mm"].between(1.59, 1.61).all()


def test_nothing_gives_no_reading():
    assert len(readings_of([], thickness_mm=1.6)) == 0
    assert len(readings_of([strokes(3)], thickness_mm=1.6, rest_s=REST_S)) == 0


def test_a_run_that_was_not_seen_at_first_begins_where_it_was_seen():
    rows = cut(strokes(2000), [500])[1]
    found = readings_of([rows], thickness_mm=1.6)
    loss = loss_of({str(c): found[c].to_numpy() for c in found}, pad="A", lot="1")
    assert "start_unknown" in {m.code for m in loss.marks}
