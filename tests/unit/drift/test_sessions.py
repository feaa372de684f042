"""Sessions of a recorded finger: strokes with known answers, intervals counted, what is refused."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from padlab.drift.sessions import (
    ENOUGH_STROKES,
    Session,
    player_median,
    ratios,
    session_of,
    summary_of,
    weighted_quantiles,
)
from padlab.drift.sessions import _log_medians as log_medians
from padlab.drift.touch import Strokes
from padlab.errors import RunError
from padlab.records.run import Run
from padlab.statistics.quantity import Quantity


def touch_run(peaks, kind="touch"):
    """Presses of 0.4 s at 200 readings a second."""
    one_by_one = [np.r_[np.full(80, float(p)), np.zeros(60)] for p in peaks]
    force = np.concatenate([np.zeros(60), *one_by_one])
    samples = pd.DataFrame({"time_s": np.arange(force.size) / 200, "force_n": force})
    return Run(id="20260601T090000Z-abcdef", folder=Path("x"), kind=kind, state="complete",
               start_utc="2026-06-01T09:00:00Z", _samples=samples)


def strokes(plateau_n, duration_s=None):
    plateau = np.asarray(plateau_n, dtype=float)
    duration = np.full(plateau.size, 0.4) if duration_s is None else np.asarray(duration_s, dtype=float)
    return Strokes(np.arange(plateau.size, dtype=float), duration, plateau, plateau, plateau / 0.05)


def session(name, plateau_n, duration_s=None):
    found = strokes(plateau_n, duration_s)
    drawn = np.quantile(log_medians(found.plateau_n, seed=1), (0.025, 0.975))
    return Session(name, name, found, Quantity(float(np.median(plateau_n)), *np.exp(drawn)), ())


def lognormal(seed, n=300, median=6.0, gsd=1.5):
    return median * gsd ** np.random.default_rng(seed).standard_normal(n)


def alike(seed, n=200, phi=0.6, median=6.0, gsd=1.5):
    """Strokes that resemble the one before: AR(1) on the log scale."""
    from scipy import signal

    white = np.random.default_rng(seed).standard_normal(n + 100)
    steady = signal.lfilter([np.sqrt(1 - phi**2)], [1, -phi], white)[100:]
    return median * gsd**steady


class TestQuantiles:
    def test_by_stroke_and_by_time_held(self):
        # Worked example of trapezoids (peak N, hold s): the median is 6 N by stroke, 7 N by time.
        found = summary_of([session("a", [6, 3, 14, 7, 5], [0.47, 0.26, 0.375, 0.87, 0.32])])
        assert found.plateau_n["q50"] == 6
        assert found.plateau_time_weighted_n["q50"] == 7
        assert found.strokes == 5

    def test_of_equal_weights_are_those_of_the_counted_ones(self):
        values = np.random.default_rng(3).uniform(2, 10, 400)
        ours = weighted_quantiles(values, np.full(400, 0.3))
        for name, q in {"q05": 0.05, "q50": 0.5, "q95": 0.95}.items():
            assert ours[name] == np.quantile(values, q, method="inverted_cdf")

    def test_one_long_note_outweighs_many_short(self):
        found = weighted_quantiles(np.array([3.0] * 9 + [12.0]), np.array([0.1] * 9 + [10.0]))
        assert found["q25"] == 12.0

    def test_rates_that_are_not_known_are_left_out(self):
        s = session("a", lognormal(1, 30))
        s.strokes.rate_n_per_s[:] = np.nan
        assert summary_of([s]).rate_n_per_s is None
        s.strokes.rate_n_per_s[0] = 80.0
        assert summary_of([s]).rate_n_per_s["q50"] == 80.0


class TestIntervals:
    def test_a_session_s_median_is_held_though_strokes_are_alike(self):
        held, naive = 0, 0
        for seed in range(100):
            values = alike(seed)
            low, high = np.quantile(log_medians(values, seed=1), (0.025, 0.975))
            held += low <= np.log(6.0) <= high
            rng = np.random.default_rng(seed + 10_000)
            apart = np.log(np.median(rng.choice(values, (400, values.size)), axis=1))
            naive += np.quantile(apart, 0.025) <= np.log(6.0) <= np.quantile(apart, 0.975)
        assert held >= 84                     # of 100: a block of ten is short for strokes so alike
        assert naive < held - 5              # taken as independent they say too much

    def test_the_player_s_median_is_held_over_sessions(self):
        rng = np.random.default_rng(8)
        held = 0
        for _ in range(2000):
            q, _ = player_median(6.0 * 1.2 ** rng.standard_normal(4))
            held += q.low <= 6.0 <= q.high
        assert 1871 <= held <= 1929            # 95 % of 2,000, three standard errors

    def test_fewer_than_three_sessions_have_no_interval(self):
        for n in (1, 2):
            q = summary_of([session(str(k), lognormal(k)) for k in range(n)]).median_n
            assert (q.low, q.high) == (None, None)
            assert q.value == pytest.approx(6.0, rel=0.15)

    def test_the_same_recordings_say_the_same(self):
        sessions = [session(str(k), lognormal(k)) for k in range(3)]
        assert summary_of(sessions).to_json() == summary_of(sessions).to_json()


class TestEnough:
    def test_strokes_and_sessions(self):
        many = [session(str(k), lognormal(k, 80)) for k in range(3)]
        assert summary_of(many).enough
        assert summary_of(many).marks == ()
        assert {m.code for m in summary_of(many[:2]).marks} == {"few_touch_strokes", "few_sessions"}
        assert not summary_of(many[:2]).enough
        exact = [session(str(k), lognormal(k, n)) for k, n in enumerate((100, 50, ENOUGH_STROKES - 150))]
        assert summary_of(exact).enough
        few = [session(str(k), lognormal(k, n)) for k, n in enumerate((100, 50, ENOUGH_STROKES - 151))]
        assert not summary_of(few).enough


class TestLognormal:
    def test_is_offered_where_it_holds(self):
        offered = [summary_of([session("a", lognormal(seed, 200))]).gsd for seed in range(20)]
        known = [g for g in offered if g is not None]
        assert len(known) >= 16                # 95 % of 20, less what is missed once in hundreds
        assert np.median(known) == pytest.approx(1.5, rel=0.03)

    def test_is_refused_for_two_ways_of_playing(self):
        two = np.concatenate([lognormal(1, 150, 3.0, 1.1), lognormal(2, 150, 12.0, 1.1)])
        assert summary_of([session("a", two)]).gsd is None

    def test_is_not_asked_of_a_handful(self):
        assert summary_of([session("a", lognormal(1, 19))]).gsd is None
        assert summary_of([session("a", np.full(50, 6.0))]).gsd is None


class TestPairs:
    def test_a_harder_session_is_told_apart_and_like_ones_are_not(self):
        found = summary_of([session("a", lognormal(1)), session("b", lognormal(2)),
                            session("c", lognormal(3, median=9.0))])
        apart = {(p.a, p.b): p.told_apart for p in found.pairs}
        assert apart == {("a", "b"): False, ("a", "c"): True, ("b", "c"): True}
        ratio = found.pairs[1].ratio
        assert ratio.low < 6.0 / 9.0 < ratio.high < 1.0

    def test_like_sessions_are_seldom_told_apart(self):
        wrong = sum(any(p.told_apart for p in ratios(
            [session(str(k), lognormal(100 * s + k, 100)) for k in range(3)])) for s in range(40))
        assert wrong <= 7                      # 5 % of 40, and what is passed once in hundreds

    def test_short_sessions_are_not_compared(self):
        assert summary_of([session("a", lognormal(1)), session("b", lognormal(2, 19))]).pairs == ()


class TestRuns:
    def test_of_a_recorded_run(self):
        run = touch_run([6, 3, 14, 7, 5])
        found = session_of(run)
        assert found.strokes.plateau_n.tolist() == pytest.approx([6, 3, 14, 7, 5])
        assert found.label == run.id
        assert found.median_n.value == pytest.approx(6)

    def test_nothing_pressed_or_not_a_touch(self):
        with pytest.raises(RunError, match="no stroke"):
            session_of(touch_run([]))
        with pytest.raises(RunError, match="touch"):
            session_of(touch_run([6], kind="pad"))
